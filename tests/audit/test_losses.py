"""A lost connection, a full disk, no memory, a damaged row: tried again with patience, then one sentence."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import urllib.parse
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import photoaz.estimate.pipeline
from photoaz.audit.store import database
from photoaz.cli import main
from photoaz.estimate.inputs import SiteInputs, Tools
from photoaz.memory import recall
from photoaz.sample import sample_dir

#: what readings may suffer is worked out once of sites that are alike
pytestmark = pytest.mark.usefixtures("seen_before")
SAMPLE = sample_dir()


def audit(archive: Path, out: Path, *more: object) -> Result:
    options = ("--overlays", "none", "--sheets", "none", "--jobs", "1", "-q")
    command = ["audit", archive, "--register", SAMPLE / "register.csv", "--out", out, *options, *more]
    return CliRunner().invoke(main, [str(a) for a in command])


def report(out: Path) -> Result:
    return CliRunner().invoke(main, ["report", str(out), "-q"])


def estimates(out: Path) -> Any:
    return json.loads((out / "estimates.json").read_text(encoding="utf-8"))["sites"]


def one_sentence(done: Result, *parts: str) -> None:
    """Exit code 2, and one line on standard error that has these parts."""
    assert done.exit_code == 2, (done.output, done.exception)
    lines = [line for line in done.stderr.splitlines() if line.strip()]
    assert len(lines) == 1, done.stderr
    assert all(part in lines[0] for part in parts), done.stderr


@pytest.fixture
def in_between(monkeypatch: pytest.MonkeyPatch, solved_by_design: Callable[..., Any]) -> list[Callable[[], None]]:
    """Stands for the solver, which remembers something; what stands in the list is done while the site is solved."""
    todo: list[Callable[[], None]] = []

    def solve_site(given: SiteInputs, tools: Tools) -> Any:
        for do in todo:
            do()
        names = [p.name for p in given.photos]
        off = recall(tools.memory, "off", (names, given.site), float, lambda: 3.25)
        return solved_by_design(given, lambda k: off + k)

    monkeypatch.setattr(photoaz.estimate.pipeline, "solve_site", solve_site)
    return todo


# ---- a database server that goes away --------------------------------------------------------------------------------


@pytest.fixture
def server(postgresql: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Callable[[], None], Callable[[], None]]]:
    """Ends all connections; makes the server's socket go away and come back: (away, back)."""
    import psycopg

    (home,) = urllib.parse.parse_qs(urllib.parse.urlsplit(postgresql).query)["host"]
    (socket,) = (p for p in Path(home).glob(".s.PGSQL.*") if p.suffix != ".lock")
    aside = socket.with_name("aside")

    def away() -> None:
        with psycopg.connect(postgresql, autocommit=True) as db:
            socket.rename(aside)
            db.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE pid <> pg_backend_pid() AND backend_type = 'client backend'"
            )

    def back() -> None:
        if aside.exists():
            aside.rename(socket)

    yield away, back
    back()


def test_connections_that_are_cut_are_made_again(
    archive: Path,
    tmp_path: Path,
    in_between: list[Callable[[], None]],
    postgresql: str,
    server: tuple[Callable[[], None], Callable[[], None]],
) -> None:
    in_between += server
    done = audit(archive, tmp_path / "cut", "--store", postgresql)
    assert done.exit_code == 0, (done.output, done.exception)
    in_between.clear()
    audit(archive, tmp_path / "plain")
    assert estimates(tmp_path / "cut") == estimates(tmp_path / "plain")


@pytest.mark.parametrize("begin", range(0, 9, 2))
def test_a_connection_that_is_cut_again_and_again_costs_nothing(
    archive: Path, tmp_path: Path, in_between: list[Callable[[], None]], postgresql: str, begin: int
) -> None:
    """At every ninth statement to the database once the audit is at work: its connection is cut by the server."""
    import psycopg
    import sqlalchemy

    seen, cut = 0, 0

    def cutting(connection: Any, _cursor: object, statement: str, *_: object) -> None:
        nonlocal seen, cut
        seen += seen > 0 or statement.startswith("INSERT INTO runs")
        if seen > 0 and seen % 9 == begin:
            with psycopg.connect(postgresql, autocommit=True) as db:
                db.execute(
                    "SELECT pg_terminate_backend(%s)", (connection.connection.driver_connection.info.backend_pid,)
                )
            cut += 1
            seen += 1  # the same statement is let through when it comes again

    sqlalchemy.event.listen(sqlalchemy.Engine, "before_cursor_execute", cutting)
    try:
        done = audit(archive, tmp_path / "cut", "--store", postgresql)
    finally:
        sqlalchemy.event.remove(sqlalchemy.Engine, "before_cursor_execute", cutting)
    assert done.exit_code == 0, (done.output, done.exception)
    assert cut > 1
    assert audit(archive, tmp_path / "plain").exit_code == 0
    assert estimates(tmp_path / "cut") == estimates(tmp_path / "plain")


def test_a_server_that_is_away_for_a_while_is_waited_for(
    archive: Path,
    tmp_path: Path,
    in_between: list[Callable[[], None]],
    postgresql: str,
    server: tuple[Callable[[], None], Callable[[], None]],
) -> None:
    away, back = server
    timer = threading.Timer(2.0, back)
    in_between += [away, timer.start]
    done = audit(archive, tmp_path / "out", "--store", postgresql)
    timer.join()
    assert done.exit_code == 0, (done.output, done.exception)
    assert len(estimates(tmp_path / "out")) == 1


def test_a_server_that_stays_away_ends_it_with_a_sentence(
    archive: Path,
    tmp_path: Path,
    in_between: list[Callable[[], None]],
    postgresql: str,
    server: tuple[Callable[[], None], Callable[[], None]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    away, back = server
    monkeypatch.setattr(database, "PATIENCE_S", 1.0)
    in_between.append(away)
    address = postgresql.replace("auditor@", "auditor:SECRET@")
    done = audit(archive, tmp_path / "out", "--store", address)
    one_sentence(done, "postgresql://auditor@", "No such file or directory, for 1 s", "a server that answers")
    assert "SECRET" not in done.output
    back()
    in_between.clear()
    assert audit(archive, tmp_path / "out", "--store", address).exit_code == 0
    assert len(estimates(tmp_path / "out")) == 1


# ---- a full disk, no memory ------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 600 kB, where this process may have one made."""
    disk = tmp_path / "disk"
    disk.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "none", str(disk)], capture_output=True)
    if made.returncode:
        pytest.skip("no right to mount a small disk")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


@pytest.mark.parametrize("left_kb", [20, 60, 100, 140, 180, 220, 300])
def test_a_full_disk_is_told_with_the_file_and_costs_nothing(
    archive: Path, small_disk: Path, tmp_path: Path, in_between: list[Callable[[], None]], left_kb: int
) -> None:
    filler = small_disk / "filler"
    filler.write_bytes(bytes((600 - left_kb) * 1000))
    done = audit(archive, small_disk / "out")
    one_sentence(done, str(small_disk / "out"))
    # SQLite has no other words where its index of the log finds no room
    full = ("No space left on device", "disk is full", "disk I/O error")
    assert any(words in done.stderr for words in full), done.stderr
    subprocess.run(["mount", "-o", "remount,size=20m", str(small_disk)], check=True)
    assert audit(archive, small_disk / "out").exit_code == 0
    assert audit(archive, tmp_path / "fresh").exit_code == 0
    assert estimates(small_disk / "out") == estimates(tmp_path / "fresh")


def test_a_file_that_cannot_be_written_is_named(
    archive: Path, tmp_path: Path, in_between: list[Callable[[], None]]
) -> None:
    out = tmp_path / "out"
    assert audit(archive, out).exit_code == 0
    before = (out / "estimates.json").read_bytes()
    # the system refuses to let any file grow beyond this (setrlimit(2)), here in the place of a full disk
    script = "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (40000, 40000)); import photoaz.__main__"
    command = [sys.executable, "-c", f"{script}; photoaz.__main__.main()", "report", str(out), "-q"]
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ | {"PYTHONWARNINGS": "ignore"})
    assert done.returncode == 2, done.stderr
    (line,) = done.stderr.splitlines()
    assert str(out) in line
    assert "File too large" in line
    assert (out / "estimates.json").read_bytes() == before
    assert report(out).exit_code == 0


def test_no_memory_is_a_sentence(
    archive: Path, tmp_path: Path, in_between: list[Callable[[], None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def lacking(*_: object, **__: object) -> Any:
        raise MemoryError

    with monkeypatch.context() as patch:
        patch.setattr("photoaz.present.results.write_report", lacking)
        one_sentence(audit(archive, tmp_path / "out"), "not enough memory")
    assert audit(archive, tmp_path / "out").exit_code == 0


# ---- damaged rows ----------------------------------------------------------------------------------------------------


def damaged(out: Path, statement: str) -> None:
    with sqlite3.connect(out / "results.sqlite") as db:
        assert db.execute(statement).rowcount > 0
    db.close()


@pytest.mark.parametrize(
    ("statement", "named", "reports"),
    [
        ("UPDATE sites SET document = x'00'", "QLB-014", True),
        ("UPDATE sites SET failures = '{'", "QLB-014", True),
        ("UPDATE photos SET facts = x'00' WHERE name LIKE '%_4.jpg'", "qlb014_4.jpg", False),
        ("UPDATE photos SET flags = 'x' WHERE name LIKE '%_4.jpg'", "qlb014_4.jpg", True),
    ],
)
def test_a_damaged_row_is_named_and_made_again(
    archive: Path, tmp_path: Path, in_between: list[Callable[[], None]], statement: str, named: str, reports: bool
) -> None:
    out = tmp_path / "out"
    assert audit(archive, out).exit_code == 0
    before = estimates(out)
    damaged(out, statement)
    if reports:
        one_sentence(report(out), "results.sqlite", "damaged", named)
        assert estimates(out) == before
    else:
        one_sentence(audit(archive, out), "results.sqlite", "damaged", named)
    # the row is worked out anew by the next call
    assert audit(archive, out).exit_code == 0
    assert estimates(out) == before
    assert report(out).exit_code == 0


def test_a_damaged_piece_of_evidence_is_worked_out_again(
    archive: Path, tmp_path: Path, in_between: list[Callable[[], None]]
) -> None:
    out = tmp_path / "out"
    assert audit(archive, out).exit_code == 0
    before = estimates(out)
    damaged(out, "UPDATE evidence SET value = x'00'")
    damaged(out, "UPDATE sites SET key = 'x'")
    for _ in range(2):
        assert audit(archive, out).exit_code == 0
        assert estimates(out) == before
    with sqlite3.connect(out / "results.sqlite") as db:
        assert db.execute("SELECT count(*) FROM evidence WHERE value = x'00'").fetchone() == (0,)
    db.close()


def test_a_damaged_log_is_said_and_left_alone(
    archive: Path, tmp_path: Path, in_between: list[Callable[[], None]]
) -> None:
    out = tmp_path / "out"
    assert audit(archive, out).exit_code == 0
    insert = "INSERT INTO log (audit_id, at, who, site_id, kind, body) VALUES (1, '2026', 'a', 'QLB-014', 'note', 'x')"
    damaged(out, insert)
    for _ in range(2):
        one_sentence(report(out), "results.sqlite", "damaged", "log")


def test_a_store_that_is_damaged_throughout_is_a_sentence(
    archive: Path, tmp_path: Path, in_between: list[Callable[[], None]]
) -> None:
    out = tmp_path / "out"
    assert audit(archive, out).exit_code == 0
    with (out / "results.sqlite").open("r+b") as file:
        file.seek(8192)
        file.write(b"\xff" * 60_000)
    one_sentence(audit(archive, out), "results.sqlite")
    one_sentence(report(out), "results.sqlite")


def test_one_process_audits_from_two_folders_under_one_relative_address(
    archive: Path, tmp_path: Path, in_between: list[Callable[[], None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        monkeypatch.chdir(tmp_path / name)
        done = audit(archive, Path("out"))
        assert done.exit_code == 0, (done.output, done.exception)
        shutil.rmtree(tmp_path / name / "out")
