"""Whatever happens to an archive and to its audits, in whatever order: the end equals a fresh audit of the last state.

PHOTOAZ_ORDERS in the environment asks for so many orders of events instead of a few.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import signal
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import sqlalchemy
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule, run_state_machine_as_test
from PIL import Image

import photoaz.estimate.pipeline
from photoaz.audit.store import database
from photoaz.cli import main
from photoaz.estimate.inputs import SiteInputs, Tools
from photoaz.memory import recall
from photoaz.photo.pixels import Picture
from photoaz.sample import sample_dir

ORDERS = int(os.environ.get("PHOTOAZ_ORDERS", "8"))
STEPS = 8
SITES = ("QLB-014", "QLB-015")
SLOTS = tuple(f"archive/{site}/{k}.jpg" for site in SITES for k in range(2))
#: what photos there are; by number in what follows, -1 for what is no photo
CONTENTS = 4
BROKEN = -1
RISKS = (0.05, 0.1)
#: database statements and exchanged files of an audit of this size are fewer
EVENTS = 115

slots = st.sampled_from(SLOTS)
contents = st.integers(0, CONTENTS - 1)
risks = st.sampled_from(RISKS)
#: most of what can go wrong does so before results are written
moments = st.integers(1, EVENTS // 3) | st.integers(1, EVENTS)


def picture(k: int) -> bytes:
    """A small photo without metadata, unlike the others of these numbers."""
    if k == BROKEN:
        return b"no photo"
    held = io.BytesIO()
    levels = np.random.default_rng(k).integers(0, 255, (12, 16), np.uint8)
    Image.fromarray(levels).resize((320, 240)).convert("RGB").save(held, "JPEG")
    return held.getvalue()


PICTURES = {k: picture(k) for k in (BROKEN, *range(CONTENTS))}


def register() -> str:
    header, *rows = (sample_dir() / "register.csv").read_text(encoding="utf-8").splitlines()
    far = [row.replace(SITES[0], SITES[1]).replace("46.629992", "46.649992") for row in rows]
    return "\n".join([header, *rows, *far]) + "\n"


class World:
    """The archive, in the current folder, and whoever may read it; what happens to an audit while it works.

    state: content by path. denied: paths that the system refuses to read. strike: called at each statement to the
    database and each exchange of files, with how many there were.
    """

    def __init__(self) -> None:
        self.state: dict[str, int] = {}
        self.denied: set[str] = set()
        self.strike: Callable[[int], None] | None = None
        self.solving: Callable[[], None] | None = None
        self.fresh: dict[Any, tuple[int, Any]] = {}
        self._events = 0
        self._stamp = 1_700_000_000_000_000_000

    def put(self, slot: str, content: int) -> None:
        """A file, with a time of its own."""
        path = Path(slot)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(PICTURES[content])
        self._stamp += 1_000_000_000
        os.utime(path, ns=(self._stamp, self._stamp))
        self.state[slot] = content

    def remove(self, slot: str) -> None:
        Path(slot).unlink()
        del self.state[slot]

    def event(self, *_: object) -> None:
        """One more."""
        self._events += 1
        if self.strike is not None:
            self.strike(self._events)

    def audit(self, out: str, risk: float) -> Result:
        """An audit of what is there now."""
        self._events = 0
        options = ("--jobs", "1", "-q", "--overlays", "none", "--sheets", "none", "--risk", str(risk))
        return CliRunner().invoke(main, ["audit", "archive", "--register", "register.csv", "--out", out, *options])

    def expected(self, risk: float) -> tuple[int, Any]:
        """Exit code and results of a fresh audit of what is there now; None where some of it may not be read.

        What was read before it refused is known still, and a fresh audit could not know it.
        """
        if self.denied & self.state.keys():
            return 2, None
        key = (risk, tuple(sorted(self.state.items())))
        if key not in self.fresh:
            done = self.audit("fresh", risk)
            assert done.exit_code in (0, 1, 2), (done.output, done.exception)
            self.fresh[key] = done.exit_code, results("fresh")
            shutil.rmtree("fresh")
        return self.fresh[key]


def results(out: str) -> Any:
    """What the files of a folder say, but for when they were written; None where there are none."""
    folder = Path(out)
    if not (folder / "estimates.json").exists():
        return None
    found: dict[str, Any] = {"sites": json.loads((folder / "estimates.json").read_text(encoding="utf-8"))["sites"]}
    for name in ("estimates.csv", "failures.csv", "revisit.csv"):
        with (folder / name).open(encoding="utf-8-sig", newline="") as file:
            found[name] = list(csv.reader(file))
    found["pages"] = sorted(p.name for p in (folder / "report").rglob("*.html"))
    found["maps"] = [(folder / name).read_bytes() for name in ("sites.geojson", "sites.kml")]
    return found


@contextmanager
def world(solved_by_design: Callable[..., Any]) -> Iterator[World]:
    """The current folder is one of its own, and the solver a stand-in that decodes every photo."""
    one = World()

    def solve_site(given: SiteInputs, tools: Tools) -> Any:
        if one.solving is not None:
            one.solving()
        levels = []
        for p in given.photos:
            assert p.record is not None
            seen = Picture(p.path, (p.record.width_px, p.record.height_px), tools.room, p.digest)
            levels.append(recall(tools.memory, "mean", (seen,), float, lambda s=seen: float(s.grey().mean())))
        return SimpleNamespace(
            result=solved_by_design(given, lambda k: sum(levels) / 50.0 + 40.0 * given.risk + k).result
        )

    opened, exchange = Path.open, Path.replace

    def opening(path: Path, *how: Any, **more: Any) -> Any:
        if str(path) in one.denied and "rb" in (*how, *more.values()):
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, *how, **more)

    def replace(path: Path, target: Any) -> Path:
        one.event()
        return exchange(path, target)

    before = Path.cwd()
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        os.chdir(folder)
        Path("register.csv").write_text(register(), encoding="utf-8")
        patch.setattr(photoaz.estimate.pipeline, "solve_site", solve_site)
        patch.setattr(Path, "open", opening)
        patch.setattr(Path, "replace", replace)
        sqlalchemy.event.listen(sqlalchemy.Engine, "before_cursor_execute", one.event)
        try:
            yield one
        finally:
            sqlalchemy.event.remove(sqlalchemy.Engine, "before_cursor_execute", one.event)
            os.chdir(before)


class Orders(RuleBasedStateMachine):
    """One archive with one folder of results."""

    world: World

    def __init__(self) -> None:
        super().__init__()
        w = self.world
        for folder in ("archive", "out"):
            shutil.rmtree(folder, ignore_errors=True)
        w.state, w.denied = {}, set()
        #: what the last finished audit found, None where nobody can tell, and how many were finished
        self.shown: Any = None
        self.finished = 0

    @initialize(first=contents)
    def begin(self, first: int) -> None:
        self.world.put(SLOTS[0], first)

    @rule(slot=slots, content=contents)
    def add_or_change_or_mend(self, slot: str, content: int) -> None:
        self.world.put(slot, content)

    @rule(slot=slots)
    def break_(self, slot: str) -> None:
        self.world.put(slot, BROKEN)

    @precondition(lambda self: len(self.world.state) > 1)
    @rule(data=st.data())
    def remove(self, data: st.DataObject) -> None:
        self.world.remove(data.draw(st.sampled_from(sorted(self.world.state))))

    @rule(slot=slots)
    def refuse_or_allow(self, slot: str) -> None:
        self.world.denied ^= {slot}

    @rule(risk=risks)
    def audit(self, risk: float) -> None:
        code, found = self.world.expected(risk)
        done = self.world.audit("out", risk)
        assert done.exit_code in ((0, 1, 2) if found is None else (code,)), (done.output, done.exception)
        assert found is None or results("out") == found
        self.shown, self.finished = results("out"), self.runs_finished()

    @rule(risk=risks, moment=moments)
    def audit_and_be_killed(self, risk: float, moment: int) -> None:
        _, found = self.world.expected(risk)
        self.world.strike = lambda n: os.kill(os.getpid(), signal.SIGKILL) if n == moment else None
        child = os.fork()
        if child == 0:  # as the process itself would be killed, with all that it holds
            self.world.audit("out", risk)
            os._exit(0)
        os.waitpid(child, 0)
        self.world.strike = None
        self.note_finished(found)

    @rule(risk=risks, moment=moments, what=st.sampled_from(("disk", "memory", "Ctrl-C")))
    def audit_in_trouble(self, risk: float, moment: int, what: str) -> None:
        _, found = self.world.expected(risk)
        full = sqlite3.OperationalError("database or disk is full")
        raised = {
            "disk": sqlalchemy.exc.OperationalError("statement", {}, full),
            "memory": MemoryError(),
            "Ctrl-C": KeyboardInterrupt(),
        }[what]

        def strike(n: int) -> None:
            if n == moment:
                raise raised

        self.world.strike = strike
        done = self.world.audit("out", risk)
        self.world.strike = None
        assert done.exit_code in (0, 1, 2, 130), (done.output, done.exception)
        self.note_finished(found)

    @rule(risk=risks, slot=slots, content=contents)
    def audit_while_a_photo_changes(self, risk: float, slot: str, content: int) -> None:
        self.world.solving = lambda: self.world.put(slot, content)
        done = self.world.audit("out", risk)
        self.world.solving = None
        assert done.exit_code in (0, 1, 2), (done.output, done.exception)
        self.shown, self.finished = results("out"), self.runs_finished()

    @rule(risk=risks, data=st.data())
    def audit_while_a_photo_is_away(self, risk: float, data: st.DataObject) -> None:
        before = set(self.world.denied)
        slot = data.draw(st.sampled_from(sorted(self.world.state)))
        self.world.solving = lambda: self.world.denied.add(slot)
        done = self.world.audit("out", risk)
        self.world.solving, self.world.denied = None, before
        assert done.exit_code in (0, 1, 2), (done.output, done.exception)
        self.shown, self.finished = results("out"), self.runs_finished()

    @precondition(lambda self: self.shown is not None)
    @rule()
    def report(self) -> None:
        done = CliRunner().invoke(main, ["report", "out", "-q"])
        assert done.exit_code == 0, (done.output, done.exception)
        assert results("out") == self.shown

    def runs_finished(self) -> int:
        """By the store."""
        path = Path("out/results.sqlite")
        if not path.exists():
            return 0
        db = sqlite3.connect(path)
        try:
            return int(db.execute("SELECT count(*) FROM runs WHERE ended IS NOT NULL").fetchone()[0])
        except sqlite3.OperationalError:  # no tables yet
            return 0
        finally:
            db.close()

    def note_finished(self, found: Any) -> None:
        """Where the run came to its end before it was stopped, its results are what a report shows."""
        if self.runs_finished() > self.finished:
            self.shown, self.finished = found, self.runs_finished()

    def teardown(self) -> None:
        self.world.denied = set()
        if self.shown is not None:
            self.report()
        if self.world.state:
            self.audit(RISKS[0])


def test_the_end_equals_a_fresh_audit_of_the_last_state(
    solved_by_design: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "PATIENCE_S", 1.0)
    with world(solved_by_design) as one:
        machine = type("Orders", (Orders,), {"world": one})
        how = settings(
            max_examples=ORDERS,
            stateful_step_count=STEPS,
            deadline=None,
            database=None,
            phases=[Phase.generate] if ORDERS > 100 else list(Phase),
            suppress_health_check=list(HealthCheck),
        )
        run_state_machine_as_test(machine, settings=how)
