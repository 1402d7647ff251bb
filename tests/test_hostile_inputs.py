"""Commands given what no honest file holds: each ends with a sentence and an exit code, never with a traceback."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from photoaz.cli import main
from photoaz.sample import sample_dir

SAMPLE = sample_dir()
REGISTER = SAMPLE / "register.csv"
Run = Callable[..., Result]


@pytest.fixture
def run() -> Run:
    """Runs a command; whatever else it raises than its exit code is a fault."""

    def call(*args: object) -> Result:
        return CliRunner().invoke(main, [str(a) for a in args], catch_exceptions=False)

    return call


def test_a_photo_from_the_year_9999(run: Run, tmp_path: Path) -> None:
    """It ended `estimate` with a traceback: the year after it cannot be told."""
    data = (SAMPLE / "qlb014_8.jpg").read_bytes()
    date = re.compile(rb"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d")
    assert len(date.findall(data[:5000])) == 3
    photo = tmp_path / "late.jpg"
    photo.write_bytes(date.sub(b"9999:12:31 23:59:59", data))
    done = run("estimate", photo, "--register", REGISTER)
    assert (done.exit_code, "QLB-014-A1" in done.stdout) == (0, True)
