"""Values come back from memory equal to the last bit, under fingerprints that tell all inputs apart."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as st_np
from numpy.typing import NDArray

from photoaz.memory import Forgetful, Notebook, decoded, encoded, fingerprint, recall


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    name: str
    value: float
    points: NDArray[Any]
    parts: tuple[NDArray[Any], ...] = ()
    when: date | None = None
    inner: dict[str, tuple[int, ...]] | None = None


THING = Thing(
    name="a", value=0.1 + 0.2, points=np.arange(6.0).reshape(2, 3) / 7.0, when=date(2021, 2, 3), inner={"k": (1,)}
)


def same(a: Thing, b: Thing) -> bool:
    def alike(x: NDArray[Any], y: NDArray[Any]) -> bool:
        return x.dtype == y.dtype and x.shape == y.shape and x.tobytes() == y.tobytes()

    arrays = all(alike(x, y) for x, y in zip((*a.parts, a.points), (*b.parts, b.points), strict=True))
    rest = [replace(t, points=np.zeros(0), parts=()) for t in (a, b)]
    return arrays and repr(rest[0]) == repr(rest[1])


@given(
    st_np.arrays(st.sampled_from([np.float64, np.int32, np.uint8]), st_np.array_shapes(min_side=0, max_side=4)),
    st.floats(allow_nan=False),
    st.text(),
)
def test_what_is_encoded_comes_back_to_the_last_bit(array: Any, value: float, name: str) -> None:
    thing = Thing(name=name, value=value, points=array, parts=(array,), inner={name: (1, 2)})
    back = decoded(encoded([thing]), list[Thing])[0]
    assert same(back, thing)
    assert back.points.dtype == array.dtype
    assert back.points.flags.writeable


def test_numbers_that_are_not_finite_come_back() -> None:
    back = decoded(encoded(replace(THING, value=-math.inf, points=np.array([np.nan, np.inf]))), Thing)
    assert back.value == -math.inf
    assert np.array_equal(back.points, [np.nan, np.inf], equal_nan=True)


@pytest.mark.parametrize(
    "other",
    [
        replace(THING, value=0.3),
        replace(THING, name="b"),
        replace(THING, points=THING.points.T),
        replace(THING, points=THING.points.astype(np.float32)),
        replace(THING, when=None),
        replace(THING, inner={"k": (1, 1)}),
        replace(THING, parts=(np.zeros(1),)),
    ],
)
def test_whatever_differs_gives_another_fingerprint(other: Thing) -> None:
    assert fingerprint(other) != fingerprint(THING)
    assert fingerprint(replace(THING, points=THING.points.copy())) == fingerprint(THING)


def test_neighbours_in_a_sequence_do_not_run_together() -> None:
    texts = [("ab", "c"), ("a", "bc"), ("abc",), (("ab", "c"),), (b"ab", "c"), ("ab", Path("c"), None)]
    assert len({fingerprint(*t) for t in texts}) == len(texts)
    assert fingerprint(1) != fingerprint(1.0) != fingerprint(True)
    assert fingerprint(np.float64(1.5)) == fingerprint(1.5)
    assert fingerprint(datetime(2020, 1, 1, tzinfo=UTC)) != fingerprint(datetime(2020, 1, 1))
    assert len({fingerprint(s) for s in (set(), {"a"}, {"b"}, {"a", "b"}, {"ab"}, {1, 2}, ("a", "b"))}) == 7
    assert fingerprint(frozenset("abcdefg")) == fingerprint(frozenset("gfedcba")) == fingerprint({*"cadbfge"})
    assert fingerprint(slice(1, 2)) != fingerprint(slice(1, 3)) != fingerprint((1, 3))


def test_what_has_no_fingerprint_is_refused() -> None:
    with pytest.raises(TypeError, match="no fingerprint of a object"):
        fingerprint(object())


def test_a_step_is_made_once_for_the_same_inputs() -> None:
    made: list[int] = []

    def make() -> Thing:
        made.append(1)
        return THING

    notebook = Notebook()
    first = recall(notebook, "thing", (1, "x"), Thing, make)
    again = recall(notebook, "thing", (1, "x"), Thing, make)
    assert (len(made), first is THING, same(again, THING)) == (1, True, True)
    recall(notebook, "thing", (1, "y"), Thing, make)
    recall(notebook, "other", (1, "x"), Thing, make)
    assert len(made) == 3
    recall(Forgetful(), "thing", (1, "x"), Thing, make)
    assert len(made) == 4


def test_a_notebook_forgets_the_oldest() -> None:
    notebook = Notebook(most=2)
    for key in "abc":
        notebook.put("k", key, key.encode())
    assert [notebook.get("k", key) for key in "abc"] == [None, b"b", b"c"]
