"""Pieces of evidence that are right or wrong, weighed together: a mixture of normal distributions.

Everything that a site's azimuths rest on is a piece of evidence with a few parts: an outline is right in one of its
ways or wrong, a compass good or disturbed, an antenna as designed or turned. A part states one linear combination of
the unknowns (a row) with a standard uncertainty, or nothing at all. A state picks a part of each piece; given a state
all is normal, and the state's weight is its prior times the density of what its parts state (Bayes' theorem; the
mixture filter of D. L. Alspach, H. W. Sorenson, Nonlinear Bayesian estimation using Gaussian sum approximations, IEEE
Trans. Automatic Control 17 (1972) 439).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_rad
from photoaz.network.mixture import heaviest_first

Array = NDArray[Any]

#: states less probable than this beside the likeliest are dropped
LEAST = 1e-6
#: where others' evidence is weighed, the least probable states are lost that have this part of all probability
LOST = 3e-4
_LN_TURN = math.log(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Part:
    """One way in which a piece of evidence may be.

    ln_weight: of its prior probability. row: of the unknowns' combination that it states; value, sigma [rad]: what it
    states of it; an infinite sigma: nothing, any angle is as probable as any other. further: what it states besides,
    each by itself: row, value, sigma. counted: ln density of what it states that its weight already holds.
    """

    ln_weight: float
    row: int
    value: float = 0.0
    sigma: float = math.inf
    further: tuple[tuple[int, float, float], ...] = ()
    counted: float = 0.0

    @property
    def rows(self) -> tuple[int, ...]:
        """All rows that it states something of."""
        return self.row, *(row for row, _, _ in self.further)


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of evidence: what it is (kind), the photo that it is from if any, and its parts.

    right: of an outline's, so many parts (the first ones) are of a right one.
    """

    kind: str
    photo: str | None
    parts: tuple[Part, ...]
    right: int = 0

    @property
    def rows(self) -> frozenset[int]:
        """All rows that any part states something of."""
        return frozenset(row for part in self.parts for row in part.rows)

    @property
    def settled(self) -> bool:
        """Whether it leaves nothing open and states nothing."""
        return len(self.parts) == 1 and math.isinf(self.parts[0].sigma)


@dataclass(frozen=True, slots=True)
class States:
    """S states. ln_weight (S,): up to a constant. mean (S, K), covariance (S, K, K): of the rows, given each state.

    place: where each row stands among the K, by its number. picked (S, T): parts picked of the last T pieces, in the
    order in which those were weighed.
    """

    ln_weight: Array
    mean: Array
    covariance: Array
    place: dict[int, int]
    picked: Array

    @classmethod
    def begin(cls, mean: Array, covariance: Array) -> States:
        """One state, nothing weighed: of rows 0 to K - 1 with this mean (K,) and covariance (K, K)."""
        place = {k: k for k in range(len(mean))}
        return cls(np.zeros(1), mean[None].copy(), covariance[None].copy(), place, np.zeros((1, 0), int))

    @property
    def weight(self) -> Array:
        """Probabilities (S,)."""
        w = np.exp(self.ln_weight - self.ln_weight.max())
        return np.asarray(w / w.sum())

    def __len__(self) -> int:
        return len(self.ln_weight)

    def take(self, which: Array) -> States:
        """Some of the states."""
        return replace(
            self,
            ln_weight=self.ln_weight[which],
            mean=self.mean[which],
            covariance=self.covariance[which],
            picked=self.picked[which],
        )

    def of_rows(self, rows: Collection[int], *, forget: bool = True) -> States:
        """Of some rows alone; forget: the record of what was picked so far."""
        rows = sorted(rows)
        at = np.array([self.place[r] for r in rows], int)
        return replace(
            self,
            mean=self.mean[:, at],
            covariance=self.covariance[:, at[:, None], at],
            place={r: k for k, r in enumerate(rows)},
            picked=np.zeros((len(self), 0), int) if forget else self.picked,
        )


def with_piece(states: States, piece: Piece) -> States:
    """Every state with every part of one more piece, but for those less probable than LEAST beside the likeliest."""
    at = np.array([states.place[p.row] for p in piece.parts])
    sigma = np.array([p.sigma for p in piece.parts])
    flat = np.isinf(sigma)
    # one row a part, one column a state
    spread = states.covariance[:, at, at].T + np.where(flat, 0.0, sigma)[:, None] ** 2
    innovation = wrap_rad(np.array([p.value for p in piece.parts])[:, None] - states.mean[:, at].T)
    density = -0.5 * (innovation**2 / spread + np.log(spread) + _LN_TURN)
    density[flat] = -_LN_TURN
    ln = states.ln_weight + np.array([p.ln_weight - p.counted for p in piece.parts])[:, None] + density
    several = any(p.further for p in piece.parts)
    # what is yet to be stated may turn the odds
    part, state = np.nonzero(np.isfinite(ln) if several else ln > ln.max() + math.log(LEAST))
    out = states.take(state)
    cross = out.covariance[np.arange(len(out)), :, at[part]]
    gain = np.where(flat[part], 0.0, 1.0 / spread[part, state])[:, None] * cross
    out = replace(
        out,
        ln_weight=ln[part, state],
        mean=out.mean + gain * innovation[part, state][:, None],
        covariance=out.covariance - gain[:, :, None] * cross[:, None, :],
        picked=np.concatenate([out.picked, part[:, None]], 1),
    )
    if not several:
        return out
    for k in range(max(len(p.further) for p in piece.parts)):
        out = _with_one_more(out, {n: p.further[k] for n, p in enumerate(piece.parts) if k < len(p.further)})
    return out.take(np.flatnonzero(out.ln_weight > out.ln_weight.max() + math.log(LEAST)))


def _with_one_more(states: States, said: Mapping[int, tuple[int, float, float]]) -> States:
    """States with one more row, value, sigma each [rad], by the part that they picked last."""
    n = np.arange(len(states))
    one = [said.get(k, (-1, 0.0, math.inf)) for k in states.picked[:, -1].tolist()]
    at = np.array([states.place.get(row, 0) for row, _, _ in one])
    sigma = np.array([sigma for _, _, sigma in one])
    none = np.isinf(sigma)
    spread = states.covariance[n, at, at] + np.where(none, 1.0, sigma) ** 2
    innovation = wrap_rad(np.array([value for _, value, _ in one]) - states.mean[n, at])
    cross = states.covariance[n, :, at]
    gain = np.where(none, 0.0, 1.0 / spread)[:, None] * cross
    density = np.where(none, 0.0, -0.5 * (innovation**2 / spread + np.log(spread) + _LN_TURN))
    return replace(
        states,
        ln_weight=states.ln_weight + density,
        mean=states.mean + gain * innovation[:, None],
        covariance=states.covariance - gain[:, :, None] * cross[:, None, :],
    )


def melted(states: States, most: int, rows: Collection[int]) -> States:
    """At most so many states: the least probable ones melted into those kept that are nearest to them in some rows.

    Melted states keep their weight, mean and covariance in sum (moments matched: A. R. Runnalls, Kullback-Leibler
    approach to Gaussian mixture reduction, IEEE Trans. Aerospace and Electronic Systems 43 (2007) 989). What each of
    them had picked is forgotten.
    """
    if len(states) <= most:
        return states
    order = heaviest_first(states.ln_weight)
    w = states.weight
    kept, rest = order[:most], order[most:]
    at = np.array([states.place[r] for r in rows], int)
    here, spread = states.mean[:, at], np.sqrt(np.maximum(states.covariance[:, at, at], 1e-12))
    off = wrap_rad(here[rest][:, None] - here[kept][None]) / np.hypot(spread[rest][:, None], spread[kept][None])
    wider = np.log(spread[rest][:, None] / spread[kept][None])
    to = (off**2 + wider**2).sum(-1).round(9).argmin(1)
    # which kept state takes which other: products of matrices, for sums over indices are slow
    takes = np.zeros((most, len(rest)))
    takes[to, np.arange(len(rest))] = w[rest]
    total = w[kept] + takes.sum(1)
    takes /= total[:, None]
    apart = wrap_rad(states.mean[rest] - states.mean[kept][to])
    moved = takes @ apart
    own = (w[kept] / total)[:, None, None] * states.covariance[kept]
    spreads = states.covariance[rest] + apart[:, :, None] * apart[:, None, :]
    covariance = own + (takes @ spreads.reshape(len(rest), -1)).reshape(own.shape)
    covariance -= moved[:, :, None] * moved[:, None, :]
    out = states.take(kept)
    return replace(out, ln_weight=np.log(total), mean=out.mean + moved, covariance=covariance)


def weigh(states: States, pieces: Sequence[Piece], *, most: int, wanted: Collection[int] | None = None) -> States:
    """All pieces, one after the other; the `most` most probable states are kept, with what they picked.

    wanted: rows that are kept to the end, all where not given; others as long as a piece to come states them.
    """
    left = _rows_left(pieces)
    for k, piece in enumerate(pieces):
        states = with_piece(states, piece)
        if len(states) > most:
            states = states.take(heaviest_first(states.ln_weight)[:most])
        if wanted is not None and len(needed := states.place.keys() & left[k].union(wanted)) < len(states.place):
            states = states.of_rows(needed, forget=False)
    return states


def weigh_all_but_one(
    states: States, pieces: Sequence[Piece], some: Sequence[int], *, most: int, wanted: Collection[int]
) -> dict[int, States]:
    """Of each of `some` pieces, by its number: all others weighed, as by `weigh`.

    What two of them have in common is weighed once: half of them with the other half's evidence, and so on.
    """
    if not some:
        return {}
    kept = [pieces[k] for k in some]
    rest = [piece for k, piece in enumerate(pieces) if k not in some]
    begin = weigh(states, rest, most=most, wanted={*wanted}.union(*(p.rows for p in kept)))
    if len(some) == 1:
        return {some[0]: begin}
    half = len(some) // 2
    out: dict[int, States] = {}
    for part in (range(half), range(half, len(some))):
        for k, found in weigh_all_but_one(begin, kept, part, most=most, wanted=wanted).items():
            out[some[k]] = found
    return out


def _rows_left(pieces: Sequence[Piece]) -> list[set[int]]:
    """After each piece, the rows that those to come state."""
    out: list[set[int]] = [set()]
    for piece in reversed(pieces[1:]):
        out.append(out[-1] | piece.rows)
    return out[::-1]


def _without_least(states: States) -> States:
    """Without the least probable states, which have no more than LOST of all probability together."""
    order = heaviest_first(states.ln_weight)
    return states.take(order[: int(np.searchsorted(np.cumsum(states.weight[order]), 1.0 - LOST)) + 1])


def weigh_for(
    states: States, pieces: Sequence[Piece], wanted: Collection[int], rows: Collection[int], *, most: int
) -> States:
    """All pieces, for the rows wanted alone: at most `most` states kept, melted by `rows`; other rows are forgotten."""
    pieces = [p for p in pieces if not p.settled]
    left = _rows_left(pieces)
    for k, piece in enumerate(pieces):
        states = melted(_without_least(with_piece(states, piece)), most, rows)
        states = states.of_rows(left[k].union(wanted) & states.place.keys())
    return states
