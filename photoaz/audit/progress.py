"""How far a long work is: a bar on a terminal, a line a minute elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any, TextIO

#: seconds between lines where nobody watches a bar
EVERY_S = 60.0


class Progress:
    """Says nothing; what every kind of progress can be told."""

    def begin(self, what: str, total: int | None) -> None:
        """A stage begins; total: of its steps, None where nobody knows yet."""

    def step(self, done: int, counts: Mapping[str, int] | None = None) -> None:
        """So many steps more are done. counts: what they came to so far, such as used and failed."""

    def note(self, text: str) -> None:
        """Something to say beside it."""

    def close(self) -> None:
        """It is over."""

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def rate_text(done: float, seconds: float) -> str:
    """Steps over time, in the unit that gives a number one can read: '12.3/s', '45/min', '8/h'."""
    if done == 0 or seconds <= 0.0:
        return "-"
    rate, unit = next(
        (rate, unit)
        for unit, of in (("s", 1.0), ("min", 60.0), ("h", 3600.0))
        if (rate := done / seconds * of) >= 1.0 or unit == "h"
    )
    return f"{rate:.1f}/{unit}" if rate < 10.0 else f"{rate:.0f}/{unit}"


def counts_text(counts: Mapping[str, int]) -> str:
    """'used 12, failed 1': what is not zero, or the first."""
    some = {name: n for name, n in counts.items() if n} or dict(list(counts.items())[:1])
    return ", ".join(f"{name} {n}" for name, n in some.items())


class Lines(Progress):
    """A line when a stage begins and ends, and one a minute in between."""

    def __init__(self, to: TextIO | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        self._to = to or sys.stderr
        self._clock = clock
        self._what, self._done = "", 0
        self._total: int | None = None
        self._counts: Mapping[str, int] = {}
        self._start = self._said = clock()

    def begin(self, what: str, total: int | None) -> None:
        self.close()
        self._what, self._total, self._done, self._counts = what, total, 0, {}
        self._start = self._said = self._clock()
        self.note(what if total is None else f"{what}: {total}")

    def step(self, done: int, counts: Mapping[str, int] | None = None) -> None:
        self._done += done
        self._counts = counts or self._counts
        if self._clock() - self._said >= EVERY_S:
            self._said = self._clock()
            self.note(self._state())

    def note(self, text: str) -> None:
        self._to.write(f"photoaz: {text}\n")
        self._to.flush()

    def close(self) -> None:
        if self._done or self._counts:
            self.note(self._state(over=True))
        self._done, self._counts = 0, {}

    def _state(self, over: bool = False) -> str:
        seconds = self._clock() - self._start
        text = f"{self._what}: {self._done}" + ("" if self._total is None else f" of {self._total}")
        text += f", {rate_text(self._done, seconds)}"
        if over:
            text += f", took {timedelta(seconds=round(seconds))}"
        elif self._total and self._done:
            text += f", {timedelta(seconds=round(seconds / self._done * (self._total - self._done)))} left"
        return text + (f" ({counts_text(self._counts)})" if self._counts else "")


class Bar(Progress):
    """A bar for each stage with rate, time left and counts, on a terminal."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
        from rich.progress import Progress as Rich

        texts = [TextColumn(f"{{task.{field}}}") for field in ("description", "fields[rate]", "fields[counts]")]
        self._rich = Rich(
            *(texts[0], BarColumn(bar_width=24), MofNCompleteColumn(), texts[1], TimeRemainingColumn(), texts[2]),
            console=Console(stderr=True),
            refresh_per_second=4,
            speed_estimate_period=10 * EVERY_S,  # a site takes a minute and more
        )
        self._rich.start()

    def begin(self, what: str, total: int | None) -> None:
        self._rich.add_task(what, total=total, rate="-", counts="")

    def step(self, done: int, counts: Mapping[str, int] | None = None) -> None:
        task = self._rich.tasks[-1]
        said: dict[str, Any] = {"counts": counts_text(counts)} if counts else {}
        rate = rate_text(task.completed + done, task.elapsed or 0.0)
        self._rich.update(task.id, advance=done, rate=rate, **said)

    def note(self, text: str) -> None:
        self._rich.console.print(f"photoaz: {text}", markup=False, highlight=False)

    def close(self) -> None:
        self._rich.stop()


def progress(quiet: bool = False) -> Progress:
    """What suits standard error."""
    if quiet:
        return Progress()
    return Bar() if sys.stderr.isatty() else Lines()
