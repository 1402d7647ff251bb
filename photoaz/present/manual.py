"""The manual that comes with photoaz: a Markdown page for each subject, for terminals and as one page for browsers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any

from markupsafe import Markup, escape

from photoaz.errors import Fault, InputError
from photoaz.present.frame import inlined, rendered

_HOME = resources.files("photoaz") / "manual"
#: the subjects in the order in which somebody meets them; each is a file of photoaz/manual
SUBJECTS = tuple((_HOME / "subjects.txt").read_text(encoding="utf-8").split())
_POINTER = re.compile(r"photoaz manual (\w+)")


@cache
def page(subject: str) -> str:
    """The Markdown of a subject. Raises InputError where there is no such subject."""
    if subject not in SUBJECTS:
        raise InputError(
            Fault(file="photoaz manual", found=f"no subject '{subject}'", wanted=f"one of: {', '.join(SUBJECTS)}")
        )
    return (_HOME / f"{subject}.md").read_text(encoding="utf-8")


def about(subject: str) -> str:
    """What a subject's page is about: the line below its title."""
    return " ".join(page(subject).split("\n\n")[1].split())


def contents() -> str:
    """The list of subjects, a line each."""
    width = max(map(len, SUBJECTS))
    return "".join(f"{subject:<{width}}  {about(subject)}\n" for subject in SUBJECTS)


def title(subject: str) -> str:
    """The title of a subject's page."""
    return page(subject).partition("\n")[0].removeprefix("# ")


def body_html(subject: str) -> Markup:
    """A page without its title as HTML, its headings two steps lower, pointers to other pages as links."""
    from markdown_it import MarkdownIt  # 0.1 s
    from markdown_it.token import Token

    def code(tokens: Sequence[Token], at: int, *_: Any) -> str:
        text = escape(tokens[at].content)
        pointed = _POINTER.fullmatch(tokens[at].content)
        if pointed and pointed[1] in SUBJECTS:
            return f'<a href="#{pointed[1]}">{text}</a>'
        return f"<code>{text}</code>"

    # raw HTML is shown, not obeyed; tables are the one extension
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    reader.add_render_rule("code_inline", lambda _self, *given: code(*given))
    tokens = reader.parse(page(subject).partition("\n")[2])
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{int(token.tag[1:]) + 1}"
    text = reader.renderer.render(tokens, reader.options, {})
    text = text.replace("<table>", '<div class="wide" tabindex="0"><table>').replace("</table>", "</table></div>")
    return Markup(text.replace("<pre>", '<pre tabindex="0">'))


@cache
def manual_html(stylesheet: str | None = None) -> str:
    """All pages of the manual as one HTML document, which needs no network.

    stylesheet : address of `report.css`; where None the style is in the document, which then needs nothing else.
    """
    pages = [(subject, title(subject), body_html(subject)) for subject in SUBJECTS]
    own = inlined("report.css") if stylesheet is None else None
    return rendered("manual.html", pages=pages, stylesheet=stylesheet, inlined=own)
