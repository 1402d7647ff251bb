"""Standard output, which carries results only, and standard error, which carries everything else."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable, Mapping
from typing import Any

import click


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
    click.echo(f"photoaz: {message}", err=True)


class OneLine:
    """One line on standard error, written over and over; nothing where that is not a terminal."""

    def __init__(self) -> None:
        self._on = sys.stderr.isatty()
        self._width = 0

    def __call__(self, message: str) -> None:
        if self._on:
            line = message.replace("\n", " ")[: max(10, shutil.get_terminal_size().columns - 1)]
            sys.stderr.write("\r" + line.ljust(self._width))
            sys.stderr.flush()
            self._width = len(line)

    def __enter__(self) -> Callable[[str], None]:
        return self

    def __exit__(self, *_: object) -> None:
        if self._on and self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            sys.stderr.flush()
