"""Standard output, which carries results only, and standard error, which carries everything else."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import click

from photoaz.addresses import without_secrets


def emit(text: str) -> None:
    """Write results. A reader that goes away (`| head`) ends the writing, not the command's meaning.

    What the stream has no letters for (file names that are not UTF-8, degrees in a bare locale) is spelled \\x.. or so.
    """
    reconfigure = getattr(sys.stdout, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # what is still buffered must go somewhere when Python closes the stream
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def json_text(document: Mapping[str, Any]) -> str:
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    # of a file name that is not UTF-8, lone surrogates are left: JSON spells them \udcXX
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def emit_json(document: Mapping[str, Any]) -> None:
    """Write JSON; in UTF-8 where the stream can, as JSON is to be (RFC 8259), whatever the locale."""
    reconfigure = getattr(sys.stdout, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(encoding="utf-8")
    emit(json_text(document))


def say(message: str) -> None:
    click.echo(f"photoaz: {without_secrets(message)}", err=True)


@contextmanager
def one_line() -> Iterator[Callable[[str], None]]:
    """One line on standard error, written over and over; nothing where that is not a terminal."""
    from rich.console import Console
    from rich.text import Text

    with Console(stderr=True).status("") as line:
        yield lambda message: line.update(Text(message.replace("\n", " "), overflow="ellipsis", no_wrap=True))
