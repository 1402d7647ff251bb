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


def reconfigured(stream: Any, **how: str) -> None:
    """Set a stream's encoding or errors, where it has any."""
    if hasattr(stream, "reconfigure"):
        stream.reconfigure(**how)


def emit(text: str) -> None:
    """Write results. A reader that goes away (`| head`) ends the writing, not the command's meaning.

    What the stream has no letters for (file names that are not UTF-8, degrees in a bare locale) is spelled \\x.. or so.
    """
    reconfigured(sys.stdout, errors="backslashreplace")
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
    reconfigured(sys.stdout, encoding="utf-8")
    emit(json_text(document))


def say(message: str) -> None:
    click.echo(f"photoaz: {without_secrets(message)}", err=True)


def laid_out(what: Callable[..., object], *records: Any, widest: int | None = None) -> str:
    """What a function prints into a console of rich: for standard output, as wide as it is, but no wider than asked."""
    from rich.console import Console

    console = Console(file=sys.stdout)
    console.width = min(console.width, widest or console.width)
    with console.capture() as capture:
        what(console, *records)
    return capture.get()


@contextmanager
def one_line() -> Iterator[Callable[[str], None]]:
    """One line on standard error, written over and over; nothing where that is not a terminal."""
    from rich.console import Console
    from rich.text import Text

    with Console(stderr=True).status("") as line:
        yield lambda message: line.update(Text(message.replace("\n", " "), overflow="ellipsis", no_wrap=True))
