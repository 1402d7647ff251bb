"""`photoaz manual`."""

from __future__ import annotations

import sys

import click

from photoaz.cli.group import main
from photoaz.cli.streams import emit, laid_out

#: letters in a line beyond which prose is hard to read
_WIDEST = 100


@main.command(short_help="The manual: how things are done and what figures mean.")
@click.argument("subject", metavar="[SUBJECT]", required=False)
def manual(subject: str | None) -> None:
    """Show the manual's page on a subject; without one, the list of subjects.

    Laid out for reading in a terminal; elsewhere (a file, a pipe) it is plain Markdown.

    \b
    Example:
      photoaz manual register
    """
    from photoaz.present.manual import contents, page

    if subject is None:
        emit(contents())
        return
    text = page(subject.lower())
    emit(_laid_out(text) if sys.stdout.isatty() else text)


def _laid_out(text: str) -> str:
    from rich.markdown import Markdown

    return laid_out(lambda console: console.print(Markdown(text, code_theme="ansi_light")), widest=_WIDEST)
