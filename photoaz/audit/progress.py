"""How far a long work is: a bar on a terminal, a line a minute elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from rich.progress import TaskID

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


def rate_text(done: int, seconds: float) -> str:
    """Steps over time, in the unit that gives a number one can read: '12.3/s', '45/min', '8/h'."""
    if done == 0 or seconds <= 0.0:
        return "-"
    for unit, of in (("s", 1.0), ("min", 60.0), ("h", 3600.0)):
        rate = done / seconds * of
        if rate >= 1.0 or unit == "h":
            return f"{rate:.1f}/{unit}" if rate < 10.0 else f"{rate:.0f}/{unit}"
    raise AssertionError


def time_text(seconds: float) -> str:
    """A span of time: '42 s', '3 min 20 s', '5 h 10 min', '2 d 3 h'."""
    left = round(seconds)
    parts: list[str] = []
    for unit, of in (("d", 86400), ("h", 3600), ("min", 60), ("s", 1)):
        if left >= of or (unit == "s" and not parts):
            parts.append(f"{left // of} {unit}")
            left %= of
        elif parts:
            break
        if len(parts) == 2:
            break
    return " ".join(parts)


def counts_text(counts: Mapping[str, int]) -> str:
    """'used 12, failed 1': what is not zero, or the first."""
    said = [f"{name} {n}" for name, n in counts.items() if n] or [f"{name} {n}" for name, n in list(counts.items())[:1]]
    return ", ".join(said)


class Lines(Progress):
    """A line when a stage begins and ends, and one a minute in between."""

    def __init__(
        self, to: TextIO | None = None, every_s: float = EVERY_S, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._to = to or sys.stderr
        self._every, self._clock = every_s, clock
        self._what, self._done = "", 0
        self._total: int | None = None
        self._counts: Mapping[str, int] = {}
        self._start = self._said = clock()
        self._open = False

    def begin(self, what: str, total: int | None) -> None:
        """A line, and the clock starts."""
        self._end()
        self._what, self._total, self._done, self._counts = what, total, 0, {}
        self._start = self._said = self._clock()
        self._open = True
        self._write(f"{what}" + ("" if total is None else f": {total}"))

    def step(self, done: int, counts: Mapping[str, int] | None = None) -> None:
        """A line where the last one is a minute ago."""
        self._done += done
        self._counts = counts or self._counts
        if self._clock() - self._said >= self._every:
            self._said = self._clock()
            self._write(self._state())

    def note(self, text: str) -> None:
        """A line."""
        self._write(text)

    def close(self) -> None:
        """A line about the last stage."""
        self._end()

    def _end(self) -> None:
        if self._open and (self._done or self._counts):
            self._write(self._state(over=True))
        self._open = False

    def _state(self, over: bool = False) -> str:
        seconds = self._clock() - self._start
        text = f"{self._what}: {self._done}" + ("" if self._total is None else f" of {self._total}")
        text += f", {rate_text(self._done, seconds)}"
        if over:
            text += f", took {time_text(seconds)}"
        elif self._total and self._done:
            text += f", {time_text(seconds / self._done * (self._total - self._done))} left"
        return text + (f" ({counts_text(self._counts)})" if self._counts else "")

    def _write(self, text: str) -> None:
        self._to.write(f"photoaz: {text}\n")
        self._to.flush()


class Bar(Progress):
    """A bar with rate, time left and counts, on a terminal."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, TextColumn
        from rich.progress import Progress as Rich

        self._rich = Rich(
            TextColumn("{task.description}"),
            BarColumn(bar_width=24),
            TextColumn("{task.fields[state]}"),
            console=Console(stderr=True),
            transient=False,
            refresh_per_second=4,
        )
        self._task: TaskID | None = None
        self._done, self._start = 0, time.monotonic()
        self._total: int | None = None
        self._rich.start()

    def begin(self, what: str, total: int | None) -> None:
        """A new bar below the others."""
        self._done, self._total, self._start = 0, total, time.monotonic()
        self._task = self._rich.add_task(what, total=total, state="")

    def step(self, done: int, counts: Mapping[str, int] | None = None) -> None:
        """The bar grows."""
        if self._task is None:
            return
        self._done += done
        seconds = time.monotonic() - self._start
        of = "" if self._total is None else f"/{self._total}"
        state = f"{self._done}{of}  {rate_text(self._done, seconds)}"
        if self._total and 0 < self._done < self._total:
            state += f"  {time_text(seconds / self._done * (self._total - self._done))} left"
        if counts:
            state += f"  {counts_text(counts)}"
        self._rich.update(self._task, advance=done, state=state)

    def note(self, text: str) -> None:
        """A line above the bars."""
        self._rich.console.print(f"photoaz: {text}", markup=False, highlight=False)

    def close(self) -> None:
        """The bars stay as they are."""
        self._rich.stop()


def progress(quiet: bool = False) -> Progress:
    """What suits standard error."""
    if quiet:
        return Progress()
    return Bar() if sys.stderr.isatty() else Lines()
