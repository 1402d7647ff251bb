"""One audit at a time in a folder of results: the second is told who is there, and a dead one holds nothing."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import photoaz.estimate.pipeline
from photoaz.cli import main
from photoaz.sample import sample_dir

SAMPLE = sample_dir()


def call(*args: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


@pytest.fixture
def command(tmp_path: Path) -> list[str]:
    """An audit of one photo, from the folder of which `out` is the results'."""
    (tmp_path / "archive").mkdir()
    shutil.copy2(SAMPLE / "qlb014_2.jpg", tmp_path / "archive")
    options = ("--overlays", "none", "--sheets", "none", "--jobs", "1", "-q")
    register = str(SAMPLE / "register.csv")
    return ["audit", str(tmp_path / "archive"), "--register", register, "--out", str(tmp_path / "out"), *options]


@pytest.fixture
def other(command: list[str], tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """An audit of another process, stopped in the midst of its work."""
    process = subprocess.Popen([sys.executable, "-m", "photoaz", *command])
    store, until = tmp_path / "out/results.sqlite", time.monotonic() + 60.0
    while not store.exists() and process.poll() is None and time.monotonic() < until:
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGSTOP)
    assert process.poll() is None
    yield process
    process.kill()
    process.wait(10)


def test_a_second_audit_is_told_who_is_there(
    command: list[str],
    other: subprocess.Popen[bytes],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    solved_by_design: Callable[..., Any],
) -> None:
    monkeypatch.setattr(
        photoaz.estimate.pipeline, "solve_site", lambda given, _: solved_by_design(given, lambda _: 0.0)
    )
    said = (
        rf"{tmp_path}/out: found process {other.pid} on \S+ at work in it since \d{{4}}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00"
    )
    desk = ["desk", tmp_path / "archive", "--register", SAMPLE / "register.csv", "--out", tmp_path / "out"]
    for words in (command, ["report", tmp_path / "out", "-q"], desk):
        refused = call(*words)
        assert refused.exit_code == 2, (refused.output, refused.exception)
        assert re.search(said, refused.stderr), refused.stderr
    other.kill()
    other.wait(10)
    assert call(*command).exit_code == 0
    assert call("report", tmp_path / "out", "-q").exit_code == 0
