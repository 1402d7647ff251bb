"""The states that may explain a site's readings, most probable first.

A site's state is one fault of reference (of all readings, or of all of one day and north), one exchange of readings,
and any number of faults of single readings. None, one and two of the last are gone through one by one; more are found
by adding up to two at a time to the most probable states.
"""

from __future__ import annotations

import functools
import heapq
import math
from collections.abc import Sequence
from operator import attrgetter
from typing import NamedTuple

import numpy as np

from photoaz.angles import Array, difference_deg
from photoaz.judgement.exchanges import Swap
from photoaz.judgement.reading_faults import Facts, Faults, Reference

_KEEP = 12.0  # states less probable than e^-12 of the best are dropped
_BEAM = 12  # states that further faults are added to
_MOST_KEPT = 300  # new states of one state
_log_posterior = attrgetter("log_posterior")


class FaultState(NamedTuple):
    """faults: (antenna, fault's number) in order. log_likelihood: of the readings; log_posterior: with all priors."""

    reference: int
    swap: int
    faults: tuple[tuple[int, int], ...]
    log_posterior: float
    log_likelihood: float

    @property
    def key(self) -> tuple[int, int, tuple[tuple[int, int], ...]]:
        """What tells a state from others."""
        return self[:3]


_States = dict[tuple[int, int, tuple[tuple[int, int], ...]], FaultState]


def search(
    facts: Facts, references: Sequence[Reference], swaps: Sequence[Swap], singles: Sequence[Faults]
) -> list[FaultState]:
    """The states that matter, most probable first: by exhaustion up to two faults, then by adding to the best.

    singles : the faults of single readings, of each reference.
    """
    states: _States = {}
    faults: dict[tuple[int, int], _Start] = {}
    best = _up_to_two_faults(facts, references, swaps, singles, states, faults)
    done = set()
    reached = [-math.inf] * len(references)
    looked_at = -math.inf
    while True:
        if best > looked_at:  # what has fallen behind is followed without exchanges alone
            states = {key: x for key, x in states.items() if x.swap == 0 or x.log_posterior > best - _KEEP}
            looked_at = best
        full = [x for key, x in states.items() if len(x.faults) >= 2 and key not in done]
        front = heapq.nlargest(_BEAM, (x for x in full if x.log_posterior > best - _KEEP), key=_log_posterior)
        # the best of each reference without an exchange is followed however far behind it is: three gross faults make
        # it hopeless until the third is added
        own: dict[int, FaultState] = {}
        for x in full:
            if x.swap == 0 and (x.reference not in own or x.log_posterior > own[x.reference].log_posterior):
                own[x.reference] = x
        plain = [own[r] for r in sorted(own)]
        plain = [x for x in plain if x not in front and x.log_posterior > reached[x.reference] + 0.5]
        for state in plain:
            reached[state.reference] = state.log_posterior
        front += plain
        if not front:
            break
        before = best
        for state in front:
            done.add(state.key)
            start = faults[state.reference, state.swap]
            f = start.faults
            residual, v = start.residual.copy(), start.covariance.copy()
            for i, k in state.faults:
                residual[i] += f.shift[k]
                v[i, i] += f.widening[k] ** 2
            grown = _grow(_weighed(residual, v), f, start.twos)
            best = max(best, _extend(states, state, f, grown, best, state in plain))
        if not plain and best < before + 0.5 and max(len(x.faults) for x in front) > 2:
            break
    kept = [x for x in states.values() if x.log_posterior > best - _KEEP]
    return sorted(kept, key=lambda x: (-x.log_posterior, *x.key))


def _up_to_two_faults(
    facts: Facts,
    references: Sequence[Reference],
    swaps: Sequence[Swap],
    singles: Sequence[Faults],
    states: _States,
    faults: dict[tuple[int, int], _Start],
) -> float:
    """Note the states of no, one and two single faults, and what acts on which residuals; the best log posterior."""
    starts: list[tuple[float, int, int, Array, Array, _Weighed]] = []
    estimates = [_exchanged(facts, swap) for swap in swaps]
    for r, ref in enumerate(references):
        heaviest = singles[r].heaviest(len(facts.cases))
        for s, swap in enumerate(swaps):
            residual, v = _predicted(facts, ref, estimates[s])
            bare = _weighed(residual, v)
            starts.append((math.log(ref.prior * swap.prior) + _ceiling(bare, heaviest), r, s, residual, v, bare))
    starts.sort(key=lambda x: -x[0])
    best = -math.inf
    for ceiling, r, s, residual, v, bare in starts:
        if s > 0 and ceiling < best - _KEEP:
            continue
        f = singles[r].about(residual, swaps[s].source)
        twos = _two_of(f, len(residual))
        faults[r, s] = _Start(residual, v, f, twos)
        log_posterior = bare.log + math.log(references[r].prior * swaps[s].prior)
        state = FaultState(r, s, (), log_posterior, bare.log)
        states[state.key] = state
        best = max(best, log_posterior, _extend(states, state, f, _grow(bare, f, twos), best, s == 0))
    return best


def _extend(states: _States, state: FaultState, f: Faults, grown: _Grown, best: float, followed: bool) -> float:
    """Note a state's descendants that may matter; the best of their log posteriors.

    followed: the best one is noted however far behind it is.
    """
    weight = state.log_posterior - state.log_likelihood
    first, second, twos = grown.twos.first, grown.twos.second, grown.twos
    one = grown.one + f.log_weight + weight
    two = grown.two + twos.weight1 + twos.weight2 + weight
    if state.faults:
        touched = np.zeros(int(f.index.max()) + 1, bool)  # every reading may be wrong
        touched[[i for i, _ in state.faults]] = True
        used = touched[f.index]
        one[used] = -math.inf
        two[used.take(first) | used.take(second)] = -math.inf
    own = max(float(one.max()), float(two.max(initial=-math.inf)))
    limit = max(best, own) - _KEEP
    if followed and own <= limit:
        limit = own - 1e-9

    index = f.index.tolist()
    r, s, faults = state.key

    def note(chosen: tuple[tuple[int, int], ...], log_posterior: float, log_likelihood: float) -> None:
        added = tuple(sorted(faults + chosen)) if faults else chosen
        states[r, s, added] = FaultState(r, s, added, log_posterior, log_likelihood)

    # of very many that are as good as each other, the better ones stand for all
    (twice,) = np.nonzero(two > limit)
    if len(twice) > _MOST_KEPT:
        limit = float(np.partition(two[twice], len(twice) - _MOST_KEPT)[len(twice) - _MOST_KEPT])
        (twice,) = np.nonzero(two > limit)
    (some,) = np.nonzero(one > limit)
    for k, posterior, likelihood in zip(some.tolist(), one[some].tolist(), grown.one[some].tolist(), strict=True):
        note(((index[k], k),), posterior, likelihood)
    both = zip(first[twice].tolist(), second[twice].tolist(), strict=True)
    for (k, j), posterior, likelihood in zip(both, two[twice].tolist(), grown.two[twice].tolist(), strict=True):
        note(((index[k], k), (index[j], j)), posterior, likelihood)
    return own


class _Start(NamedTuple):
    """What a reference and an exchange leave: residuals (n,), covariance (n, n), faults as they act on these."""

    residual: Array
    covariance: Array
    faults: Faults
    twos: _Twos


class _Exchanged(NamedTuple):
    """Where readings should be by an exchange, whatever the reference: azimuths (n,), covariance (n, n) without the
    declination's error, that error in each (n,), and the variances (n, n) of antennas without an estimate.
    """

    azimuth: Array
    covariance: Array
    declination: Array
    extra: Array


def _exchanged(facts: Facts, swap: Swap) -> _Exchanged:
    """What an exchange alone says."""
    n = len(facts.cases)
    known = swap.source < n
    at = np.where(known, swap.source, 0)
    # one error of the declination moves readings and estimates together, and only what it moves them apart counts
    moved = facts.declination[at] * known
    v = facts.covariance[np.ix_(at, at)] * np.outer(known, known) - np.outer(moved, moved)
    extra = np.zeros(n)
    extra[~known] = facts.other_variance[swap.source[~known] - n]
    return _Exchanged(np.concatenate([facts.estimate, facts.other_azimuth])[swap.source], v, moved, np.diag(extra))


def _predicted(facts: Facts, ref: Reference, exchanged: _Exchanged) -> tuple[Array, Array]:
    """Residuals of the readings under a state without faults of single ones, wrapped, and their covariance."""
    residual = difference_deg(facts.reading - ref.shift, exchanged.azimuth)
    own = ref.columns[:, 0]
    apart = own - exchanged.declination
    v = exchanged.covariance + np.outer(apart, apart) - np.outer(own, own)
    v = v + exchanged.extra + facts.own + ref.columns @ ref.columns.T
    if ref.cause == "common_offset":  # about the middle of those concerned, so that 175 and -175 are one angle
        some = residual[ref.who]
        middle = some[int(np.abs(difference_deg(some[:, None], some)).sum(1).argmin())]
        residual = np.where(ref.who, middle + difference_deg(residual, float(middle)), residual)
    return residual, v


def azimuths_given(
    facts: Facts, ref: Reference, swap: Swap, singles: Faults, states: Sequence[FaultState]
) -> list[tuple[Array, Array]]:
    """Azimuths (n,) [deg] and their variances (n,) [deg^2] by photos and readings together, under each state.

    states : of this reference and this exchange.

    The conditional normal distribution of the azimuths given the readings (Koch 1999, 3.2.4 with observations added).
    """
    residual, v = _predicted(facts, ref, _exchanged(facts, swap))
    f = singles.about(residual, swap.source)
    return [_azimuths_given(facts, ref, swap, f, (residual, v), x) for x in states]


def _azimuths_given(
    facts: Facts, ref: Reference, swap: Swap, f: Faults, start: tuple[Array, Array], state: FaultState
) -> tuple[Array, Array]:
    """start: residuals and covariance of the state without its faults."""
    residual, v = start[0].copy(), start[1].copy()
    mean, covariance = facts.estimate.copy(), facts.covariance.copy()
    n = len(mean)
    for i, k in state.faults:
        residual[i] += f.shift[k]
        v[i, i] += f.widening[k] ** 2
        antenna = swap.source[i]
        if f.elsewhere[k] and antenna < n:  # it points another way
            mean[antenna] -= f.moved[k]
            covariance[antenna, antenna] += f.widening[k] ** 2
    known = swap.source < n
    # the declination's error in the readings is that of the estimates
    cross = -np.outer(facts.declination, ref.columns[:, 0])
    cross[:, known] += covariance[:, swap.source[known]]
    gain = np.linalg.solve(v, cross.T).T
    variance = np.diag(covariance) - (gain * cross).sum(1)
    return mean + gain @ residual, np.maximum(variance, 1e-6)


def log_normal(residual: Array, covariance: Array) -> float:
    """Log density of a multivariate normal distribution about 0: residual (n,), covariance (n, n)."""
    sign, log_det = np.linalg.slogdet(covariance)
    if sign <= 0.0:
        raise ValueError("the covariance is not positive definite")
    square = residual @ np.linalg.solve(covariance, residual)
    return float(-0.5 * (square + log_det + len(residual) * math.log(2.0 * math.pi)))


class _Places(NamedTuple):
    """Every two faults that act on different readings, the one on the earlier reading first.

    first, second : rows (M,) of both among the faults. there, back : place (M,) of their readings' element in a
    flattened (n, n), and of the element across the diagonal.
    """

    first: Array
    second: Array
    there: Array
    back: Array


@functools.lru_cache(maxsize=64)
def _places(index: bytes, n: int) -> _Places:
    """Of faults that act on these of n readings, given as an array's bytes: few are asked for, again and again."""
    on = np.frombuffer(index, np.intp)
    first, second = np.nonzero(on[:, None] < on[None, :])
    return _Places(first, second, on[first] * n + on[second], on[second] * n + on[first])


class _Twos(NamedTuple):
    """Every two faults that act on different readings, with what holds of them whatever the residuals are.

    places : see `_Places`. Of the first and the second of each two (M,): shift, widening, log weight; of both: twice
    the product of the shifts, the product of the widenings.
    """

    places: _Places
    shift1: Array
    shift2: Array
    widening1: Array
    widening2: Array
    weight1: Array
    weight2: Array
    shifts: Array
    widenings: Array

    @property
    def first(self) -> Array:
        """Rows (M,) of the first of each two among the faults."""
        return self.places.first

    @property
    def second(self) -> Array:
        """Rows (M,) of the second."""
        return self.places.second


def _two_of(f: Faults, n: int) -> _Twos:
    """Of faults of n readings."""
    places = _places(np.asarray(f.index, np.intp).tobytes(), n)
    a1, t1, w1 = (x.take(places.first) for x in (f.shift, f.widening, f.log_weight))
    a2, t2, w2 = (x.take(places.second) for x in (f.shift, f.widening, f.log_weight))
    return _Twos(places, a1, a2, t1, t2, w1, w2, 2.0 * (a1 * a2), t1 * t2)


class _Grown(NamedTuple):
    """Log likelihoods of a state with one more fault (N,), and with two more (M,), as `twos` has them."""

    one: Array
    two: Array
    twos: _Twos


class _Weighed(NamedTuple):
    """A state's log density, the inverse of its covariance (n, n), and that times its residuals (n,)."""

    log: float
    p: Array
    g: Array


def _weighed(residual: Array, covariance: Array) -> _Weighed:
    """Of residuals (n,) and their covariance (n, n)."""
    p = np.linalg.inv(covariance)
    return _Weighed(log_normal(residual, covariance), p, p @ residual)


def _grow(bare: _Weighed, f: Faults, twos: _Twos) -> _Grown:
    """Every single fault and every two of them added to a state, by Woodbury's identity; closed forms, no loops."""
    base, p, g = bare
    i, a, t = f.index, f.shift, f.widening
    pii, gi = p[i, i], g[i]
    gained = 2.0 * a * gi + a * a * pii  # of the sum of squares, by the shift alone
    pull = gi + a * pii
    m = 1.0 + t * t * pii
    one = base - 0.5 * (gained - (t * pull) ** 2 / m + np.log(m))

    first, second, there, back = twos.places
    p12 = p.take(there)
    m1, m2 = m.take(first), m.take(second)
    square = gained.take(first) + gained.take(second) + twos.shifts * p12
    w1 = twos.widening1 * (pull.take(first) + twos.shift2 * p12)  # of the first, the second's shift counted in
    w2 = twos.widening2 * (pull.take(second) + twos.shift1 * p.take(back))
    cross = twos.widenings * p12
    det = np.maximum(m1 * m2 - cross**2, 1e-300)
    less = (w1**2 * m2 + w2**2 * m1 - 2.0 * w1 * w2 * cross) / det
    two = base - 0.5 * (square - less + np.log(det))
    return _Grown(one, two, twos)


def _ceiling(state: _Weighed, heaviest: Array) -> float:
    """What the log posterior of a state without faults can become by two: by shifts that make both residuals fit."""
    bare, p, g = state
    d = np.diag(p)
    if len(g) == 1:
        return bare + 0.5 * float(g[0] ** 2 / d[0]) + float(heaviest[0])
    det = np.outer(d, d) - p**2
    np.fill_diagonal(det, 1.0)
    fits = 0.5 * (np.outer(g**2, d) + np.outer(d, g**2) - 2.0 * np.outer(g, g) * p) / np.maximum(det, 1e-300)
    fits += heaviest[:, None] + heaviest[None, :]
    np.fill_diagonal(fits, -math.inf)
    return bare + float(fits.max())
