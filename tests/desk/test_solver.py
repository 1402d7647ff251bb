"""One thread solves, and the latest request is what it answers."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from photoaz.desk.solver import Answer, Remembering, Solver, Superseded
from photoaz.memory import Notebook
from photoaz.result import SiteResult

Draft = Callable[[SiteResult], None]


def result(site_id: str = "S") -> SiteResult:
    return SiteResult(site_id=site_id, lat_deg=52.1, lon_deg=5.2)


def test_one_answer_for_all_that_was_asked_meanwhile() -> None:
    go, began, done = threading.Event(), threading.Event(), []

    def work(site: str, _draft: Draft) -> tuple[SiteResult, tuple[()]]:
        began.set()
        assert go.wait(10.0)
        done.append(site)
        return result(f"answer {len(done)}"), ()

    solver = Solver(work)
    solver.ask("S")
    assert began.wait(10.0)
    for _ in range(3):
        last = solver.ask("S")
    go.set()
    answer = solver.answer("S", last, 10.0)
    assert answer is not None
    assert (answer.result, answer.ticket) == (result("answer 2"), 4)
    assert done == ["S", "S"]  # the first, and one for the three that came meanwhile
    solver.close()


def test_the_newest_site_is_first() -> None:
    go, began, order = threading.Event(), threading.Event(), []

    def work(site: str, _draft: Draft) -> tuple[SiteResult, tuple[()]]:
        began.set()
        assert go.wait(10.0)
        order.append(site)
        return result(), ()

    solver = Solver(work)
    solver.ask("first")
    assert began.wait(10.0)
    solver.ask("warm", quiet=True)
    solver.ask("older")
    ticket = solver.ask("newer")
    go.set()
    assert solver.answer("newer", ticket, 10.0) is not None
    assert solver.answer("warm", 1, 10.0) is not None
    assert order == ["first", "newer", "older", "warm"]
    solver.close()


def test_a_draft_comes_first_and_does_not_pass_for_the_whole() -> None:
    go = threading.Event()

    def work(_site: str, draft: Draft) -> tuple[SiteResult, tuple[()]]:
        draft(result("draft"))
        assert go.wait(10.0)
        return result("whole"), ()

    solver = Solver(work)
    ticket = solver.ask("S")
    first = solver.answer("S", ticket, 10.0, whole=False)
    assert first is not None
    assert (first.draft, first.result) == (True, result("draft"))
    assert solver.answer("S", ticket, 0.0) is None
    go.set()
    whole = solver.answer("S", ticket, 10.0)
    assert whole is not None
    assert (whole.draft, whole.result) == (False, result("whole"))
    solver.close()


def test_what_goes_wrong_is_said_and_the_next_request_is_served() -> None:
    def work(site: str, _draft: Draft) -> tuple[SiteResult, tuple[()]]:
        if site == "bad":
            raise ValueError("no photo of it")
        return result(), ()

    solver = Solver(work)
    bad = solver.answer("bad", solver.ask("bad"), 10.0)
    assert bad is not None
    assert bad.error == "ValueError: no photo of it"
    good = solver.answer("good", solver.ask("good"), 10.0)
    assert good is not None
    assert good.error is None
    solver.close()


def test_what_nobody_asks_any_more_is_given_up() -> None:
    asked, began, calls = threading.Event(), threading.Event(), []

    def work(_site: str, _draft: Draft) -> tuple[SiteResult, tuple[()]]:
        calls.append(1)
        began.set()
        if len(calls) == 1:
            assert asked.wait(10.0)
            raise Superseded
        return result(f"call {len(calls)}"), ()

    solver = Solver(work)
    solver.ask("S")
    assert began.wait(10.0)
    ticket = solver.ask("S")
    asked.set()
    answer = solver.answer("S", ticket, 10.0)
    assert answer is not None
    assert answer.result == result("call 2")
    solver.close()


@pytest.mark.parametrize("by", ["a newer request", "closing"])
def test_what_is_in_hand_is_given_up_as_soon_as_it_tells_progress(by: str) -> None:
    began, parts = threading.Event(), []

    def work(site: str, _draft: Draft) -> tuple[SiteResult, tuple[()]]:
        if parts:
            return result("newer"), ()
        go_on = solver.going_on(site)
        began.set()
        for part in range(1000):
            parts.append(part)
            go_on(f"part {part}")
            threading.Event().wait(0.01)
        return result("to its end"), ()

    solver = Solver(work)
    assert solver.ask("S") == 1
    assert began.wait(10.0)
    if by == "a newer request":
        answer = solver.answer("S", solver.ask("S"), 10.0)
        assert answer is not None
        assert answer.result == result("newer")
    solver.close()
    assert 0 < len(parts) < 1000


def test_after_an_answer_what_can_wait_is_done() -> None:
    kept: list[Answer] = []
    solver = Solver(lambda _s, _d: (result(), ()), after=lambda _s, answer: kept.append(answer))
    solver.answer("S", solver.ask("S"), 10.0)
    solver.close()
    assert [a.ticket for a in kept] == [1]


def test_new_evidence_goes_to_the_store_when_there_is_time() -> None:
    under = Notebook()
    under.put("boxes", "old", b"1")
    memory = Remembering(under)
    assert memory.get("boxes", "old") == b"1"
    memory.put("boxes", "new", b"2")
    assert memory.get("boxes", "new") == b"2"
    assert under.get("boxes", "new") is None
    memory.settle()
    assert under.get("boxes", "new") == b"2"
