"""Text for terminals from templates: paragraphs as wide as they are, and tables."""

from __future__ import annotations

import textwrap
from typing import Any

from markupsafe import Markup
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from photoaz.present.frame import environment


def paragraph(text: str, width: int, by: int = 0, hang: int | None = None) -> str:
    """Lines of a terminal, indented (the later ones by `hang`), without blanks at their ends."""
    first, later = " " * by, " " * (by if hang is None else hang)
    return textwrap.fill(text, max(20, width), initial_indent=first, subsequent_indent=later, break_on_hyphens=False)


def _para(text: str, width: int, by: int = 0, style: str = "", hang: int | None = None) -> Markup:
    """A paragraph for rich's markup, which text of a register cannot break."""
    lines = escape(paragraph(text, width, by, hang))
    return Markup(f"[{style}]{lines}[/]" if style else lines)


def _grid(told: Any, width: int, right: str) -> Markup:
    """A table of headings and rows. right: digits of the columns that stand to the right."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for k, heading in enumerate(told.headings):
        table.add_column(heading, justify="right" if str(k) in right else "left", overflow="fold")
    for row in told.rows:
        table.add_row(*map(Text, row))
    console = Console(width=width, color_system=None)
    with console.capture() as capture:
        console.print(table)
    return Markup(escape(capture.get().rstrip("\n")))


def text_of(template: str, **shown: Any) -> Text:
    """A template's text, in its styles."""
    env = environment().overlay()
    env.filters = {**env.filters, "para": _para, "grid": _grid}
    return Text.from_markup(env.get_template(template).render(**shown).rstrip("\n"), emoji=False)


def print_text(console: Console, template: str, **shown: Any) -> None:
    """Print a template's text, as wide as the console."""
    console.print(text_of(template, width=console.width, **shown), highlight=False)
