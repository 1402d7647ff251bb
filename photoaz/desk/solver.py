"""Sites solved again while somebody waits: one thread, the latest request first, what did not change remembered."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from photoaz.memory import Memory, Notebook
from photoaz.result import SiteResult


class Superseded(Exception):  # noqa: N818 - not an error: something newer is asked for
    """Raised by the work where going on would answer what nobody asks any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A site solved again. result: None where nothing could be made of it.

    ticket: of the newest request that it answers. draft: made quickly, the whole solution follows. failures: photos
    that could not be used, with why. error: what went wrong as a whole, in words. took_s: seconds of work.
    """

    ticket: int
    result: SiteResult | None
    failures: tuple[tuple[str, str], ...] = ()
    error: str | None = None
    draft: bool = False
    took_s: float = 0.0


class Remembering:
    """A notebook over a slower memory, to which what is new goes when there is time (`settle`)."""

    def __init__(self, under: Memory, most: int = 20_000) -> None:
        self._book = Notebook(most)
        self._under = under
        self._new: list[tuple[str, str, bytes]] = []

    def get(self, kind: str, key: str) -> bytes | None:
        """What was put there, or None."""
        value = self._book.get(kind, key)
        if value is None:
            value = self._under.get(kind, key)
            if value is not None:
                self._book.put(kind, key, value)
        return value

    def put(self, kind: str, key: str, value: bytes) -> None:
        """Keep it, for now in this process."""
        self._book.put(kind, key, value)
        self._new.append((kind, key, value))

    def settle(self) -> None:
        """Hand on what is new."""
        new, self._new = self._new, []
        for kind, key, value in new:
            self._under.put(kind, key, value)


#: solves a site: called with its name and a function to show a draft with; gives result and failures
Work = Callable[[str, Callable[[SiteResult], None]], tuple[SiteResult | None, tuple[tuple[str, str], ...]]]


@dataclass(slots=True)
class _Site:
    asked: int = 0
    answer: Answer | None = None
    quiet: bool = True  # nobody waits: only the memory is to be warmed


@dataclass(slots=True)
class Solver:
    """Answers requests by site; of several the newest is served first, and one answers all before it.

    work : solves a site, with whatever holds when it begins. after : called when an answer is out, such as to write
    down what can wait.
    """

    work: Work
    after: Callable[[str, Answer], None] = lambda _site, _answer: None
    _sites: dict[str, _Site] = field(default_factory=dict)
    _waiting: OrderedDict[str, None] = field(default_factory=OrderedDict)
    _turn: threading.Condition = field(default_factory=threading.Condition)
    _thread: threading.Thread | None = None
    _closed: bool = False

    def ask(self, site_id: str, *, quiet: bool = False) -> int:
        """Ask for a site to be solved as things are now; the number to wait for. quiet: only to have it at hand."""
        with self._turn:
            site = self._sites.setdefault(site_id, _Site())
            site.quiet = quiet and (site.quiet or site_id not in self._waiting)
            site.asked += 1
            self._waiting[site_id] = None
            self._waiting.move_to_end(site_id, last=not quiet)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="photoaz-solver", daemon=True)
                self._thread.start()
            self._turn.notify_all()
            return site.asked

    def answer(self, site_id: str, ticket: int, timeout_s: float, *, whole: bool = True) -> Answer | None:
        """The answer to a request, or to a later one; None where it takes longer. whole: no draft."""
        end = time.monotonic() + timeout_s
        with self._turn:
            while True:
                site = self._sites.get(site_id)
                found = None if site is None else site.answer
                if found is not None and found.ticket >= ticket and not (whole and found.draft):
                    return found
                left = end - time.monotonic()
                if left <= 0.0 or self._closed:
                    return None
                self._turn.wait(left)

    def newest(self, site_id: str) -> tuple[int, Answer | None]:
        """How often it was asked for, and the latest answer."""
        with self._turn:
            site = self._sites.get(site_id)
            return (0, None) if site is None else (site.asked, site.answer)

    def going_on(self, site_id: str) -> Callable[[str], None]:
        """What the work on a site calls before each part of it, as progress is told.

        It raises Superseded where nobody waits for the answer any more: something newer of the site was asked for since
        this was made, or all closes.
        """
        ticket, _ = self.newest(site_id)

        def go_on(_doing: str) -> None:
            with self._turn:
                if self._closed or self._sites[site_id].asked != ticket:
                    raise Superseded

        return go_on

    def close(self) -> None:
        """Stop when what is in hand is done or given up."""
        with self._turn:
            self._closed = True
            self._turn.notify_all()
            thread = self._thread
        if thread is not None and thread is not threading.current_thread():
            thread.join(timeout=30.0)

    def _run(self) -> None:
        while True:
            with self._turn:
                while not self._waiting and not self._closed:
                    self._turn.wait()
                if self._closed:
                    return
                site_id, _ = self._waiting.popitem(last=True)
                ticket = self._sites[site_id].asked
            start = time.perf_counter()

            def tell(answer: Answer, site_id: str = site_id) -> None:
                with self._turn:
                    self._sites[site_id].answer = answer
                    self._turn.notify_all()

            def draft(result: SiteResult, ticket: int = ticket, start: float = start, tell: Any = tell) -> None:
                tell(Answer(ticket=ticket, result=result, draft=True, took_s=time.perf_counter() - start))

            try:
                result, failures = self.work(site_id, draft)
                answer = Answer(ticket=ticket, result=result, failures=failures, took_s=time.perf_counter() - start)
            except Superseded:
                continue
            except Exception as e:  # noqa: BLE001  whoever sits at the desk is told, and the desk goes on
                said = f"{type(e).__name__}: {e}"
                answer = Answer(ticket=ticket, result=None, error=said, took_s=time.perf_counter() - start)
            tell(answer)
            try:
                self.after(site_id, answer)
            except Exception as e:  # noqa: BLE001  as above
                tell(replace(answer, error=f"solved, but not kept: {type(e).__name__}: {e}"))
