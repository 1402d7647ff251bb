"""What may be wrong with a site's readings: with all of one north or day together, or with one by itself.

The words, for readings stated from each north (D the declination, g the grid's convergence, t the true azimuth):

====================  ==================================  =============================================================
declination_omitted   stated true: t - D                  a compass reading taken down as if from true north
.                     stated grid: t - D                  likewise
declination_sign      stated true: t - 2 D, t + D         corrected the wrong way; corrected twice
.                     stated magnetic: t, t - 2 D         corrected already, once more when it is carried to true north,
.                                                         or corrected the wrong way
grid_for_true         stated true: t - g                  taken from a map grid
.                     stated grid: t; magnetic: t - g     the north is named wrongly
====================  ==================================  =============================================================
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from photoaz.angles import Array, difference_deg
from photoaz.geodesy.norths import Declination
from photoaz.judgement.beliefs import fewer
from photoaz.judgement.conformity import hung_density
from photoaz.priors import Priors, ReadingsKnown
from photoaz.quantities import K95, LEAST_ALTERNATIVE, ODD_NORTH
from photoaz.register.model import Antenna, Reading, ReadingNorth
from photoaz.result import Alternative, AntennaResult, JudgedReading, LikelyCause

#: what may be at work in one reading; 'other way': the antenna points another way of those that are possible
Kind = LikelyCause | Literal["other way"]

#: so wide a normal density is flat over the circle, and what its width costs
WIDE_DEG = 1e4
FLAT = math.log(math.sqrt(2.0 * math.pi) * WIDE_DEG / 360.0)
#: a part of this U95 says nothing
NOTHING_DEG = 235.0
_MOST_GROUPS = 4
#: parts of what is believed of one antenna that are held against its reading
_MOST_PARTS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One antenna with a reading and an estimate.

    stated: the reading as entered; reading: carried to true north. found: the photos' answer, with its design.
    photos: what is believed of the azimuth by them alone, known: with what is known of antennas in general, each the
    most probable part first. declination: at the site on the reading's day, None where not known. convergences_deg: of
    the grids that the reading may have been taken from.
    """

    antenna: Antenna
    stated: Reading
    reading: JudgedReading
    found: AntennaResult
    photos: tuple[Alternative, ...]
    known: tuple[Alternative, ...]
    declination: Declination | None = None
    convergences_deg: tuple[float, ...] = ()

    @property
    def group(self) -> str:
        """Readings of one day and north share it."""
        return f"{self.stated.north} {self.stated.date}"

    @property
    def own_convergence_deg(self) -> float:
        """Of the grid that the reading is stated in."""
        if self.stated.north != "grid":
            return 0.0
        return float(difference_deg(self.reading.azimuth_true_deg, self.stated.azimuth_deg))


@dataclass(frozen=True, slots=True)
class Facts:
    """A site's cases as arrays of n, [deg], beside its other antennas.

    parts: of each case what is believed of its azimuth; estimate: the first of them, covariance: theirs (n, n). own:
    that of the readings without the declination's part (n, n). shared: one sigma of the declination in each reading;
    declination: what it does to each estimate. others: antennas without a reading and an estimate, which an exchanged
    reading may be of, with their true design azimuths; then other_azimuth and other_variance of each. priors: what is
    known in general; by_design: whether that antennas mostly hang as designed is counted.
    """

    cases: Sequence[Case]
    parts: Sequence[tuple[Alternative, ...]]
    reading: Array
    estimate: Array
    covariance: Array
    own: Array
    shared: Array
    declination: Array
    others: Sequence[tuple[Antenna, float]]
    other_azimuth: Array
    other_variance: Array
    priors: Priors
    by_design: bool = True


def facts_of(
    cases: Sequence[Case],
    covariance: Array,
    others: Sequence[tuple[Antenna, float]],
    priors: Priors,
    *,
    by_design: bool = True,
) -> Facts:
    """The cases beside the site's other antennas; covariance (n, n) [deg^2] of their azimuths, see `Facts`.

    Its diagonal is made each first part's own.

    Raises ValueError: uncertainties that are none.
    """
    u = np.array([c.reading.u95_deg for c in cases]) / K95
    shared = np.array([c.reading.declination_u95_deg for c in cases]) / K95
    if not (u >= 0.0).all() or not (shared <= u * (1.0 + 1e-9)).all() or not (np.diag(covariance) >= 0.0).all():
        raise ValueError("uncertainties must not be negative, and what is shared is no more than the whole")
    parts = [_best_first(fewer(c.known if by_design else c.photos, _MOST_PARTS)) for c in cases]
    own = np.array([p[0].u95_deg / K95 for p in parts])
    covariance = _with_own(covariance, own)
    # two exact statements would have a singular covariance
    least = 1e-9 * (np.trace(covariance) / len(cases) + (u**2).mean()) + 1e-12
    return Facts(
        cases=cases,
        parts=parts,
        reading=np.array([c.reading.azimuth_true_deg for c in cases]),
        estimate=np.array([p[0].azimuth_true_deg for p in parts]),
        covariance=covariance,
        own=np.diag(np.maximum(u**2 - shared**2, 0.0) + least),
        shared=shared,
        declination=np.array([c.found.declination_sigma_deg for c in cases]),
        others=others,
        other_azimuth=np.array([azimuth for _, azimuth in others]),
        other_variance=np.array([(priors.antennas.as_designed_spread * a.tolerance_deg) ** 2 for a, _ in others]),
        priors=priors,
        by_design=by_design,
    )


def _best_first(parts: Sequence[Alternative]) -> tuple[Alternative, ...]:
    """The narrowest of those about as probable as any first: a search from there finds broad ones, not the reverse."""
    least = 0.5 * max(p.probability for p in parts)
    first = min((p for p in parts if p.probability >= least), key=lambda p: p.u95_deg)
    return (first, *(p for p in parts if p is not first))


def _with_own(covariance: Array, sigma: Array) -> Array:
    """A covariance (n, n) with other variances, sigma (n,) squared, that is still one (nearest by its eigenvalues)."""
    correlation = covariance / np.outer(sigma, sigma)
    correlation[range(len(sigma)), range(len(sigma))] = 1.0
    values, vectors = np.linalg.eigh(correlation)
    correlation = (vectors * np.maximum(values, 1e-9)) @ vectors.T
    unit = sigma / np.sqrt(np.diag(correlation))
    return np.asarray(correlation * np.outer(unit, unit))


# ---- of all readings, or of all of one north and day -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reference:
    """A fault of reference: shift [deg] of each reading, what varies with it ((n, k) columns), who has it."""

    cause: LikelyCause | None
    prior: float
    shift: Array
    columns: Array
    who: Array


def references_of(facts: Facts) -> list[Reference]:
    """No fault of reference, and every one that all readings, or all of one group, may have."""
    n = len(facts.cases)
    groups = [np.ones(n, bool)]
    names = sorted({c.group for c in facts.cases})
    if 1 < len(names) <= _MOST_GROUPS:
        groups += [np.array([c.group == name for c in facts.cases]) for name in names]
    out = [
        Reference(cause, prior / len(groups), shift, columns, who)
        for who in groups
        for cause, prior, shift, columns in _reference_faults(facts, who)
    ]
    none = max(0.05, 1.0 - sum(r.prior for r in out))
    return [Reference(None, none, np.zeros(n), facts.shared[:, None], np.zeros(n, bool)), *out]


def _reference_faults(facts: Facts, who: Array) -> Iterator[tuple[LikelyCause, float, Array, Array]]:
    """Faults of reference of some of the readings: what they shift them by, and the errors that go with that."""
    n, known = len(facts.cases), facts.priors.readings
    some = [int(i) for i in np.flatnonzero(who)]
    for cause, prior, of in _declination_faults(known):
        moved = [of(facts.cases[i]) for i in some]
        shifts = [m for m in moved if m is not None]
        if len(shifts) == len(moved):
            shift, column = np.zeros(n), facts.shared.copy()
            shift[some], column[some] = [m[0] for m in shifts], [m[1] for m in shifts]
            yield cause, prior * min(m[2] for m in shifts), shift, column[:, None]
    grids = sorted({round(g, 3) for c in facts.cases for g in c.convergences_deg})
    for g in grids:
        moved_by_grid = [_grid_fault(facts.cases[i], g, first=g == grids[0]) for i in some]
        applying = [m for m in moved_by_grid if m is not None]
        if len(applying) == len(some):
            shift = np.zeros(n)
            shift[some] = [m[0] for m in applying]
            prior = known.grid_for_true_share * min(m[1] for m in applying) / len(grids)
            yield "grid_for_true", prior, shift, facts.shared[:, None]
    if len(some) > 1:
        columns = np.column_stack([facts.shared, known.common_offset_sigma_deg * who])
        yield "common_offset", known.common_offset_share, np.zeros(n), columns
        yield "reversed_180", known.all_reversed_share, 180.0 * who, facts.shared[:, None]


def _grid_fault(c: Case, convergence_deg: float, first: bool) -> tuple[float, float] | None:
    """Shift of a reading by which grid and true are mixed up, and how odd that is; None where it does not apply."""
    if c.stated.north == "grid":  # the grid is the one stated: once is enough
        return (c.own_convergence_deg, ODD_NORTH) if first else None
    if c.stated.north == "true":
        return -convergence_deg, 1.0
    return None if c.declination is None else (c.declination.value_deg - convergence_deg, ODD_NORTH)


def _declination_faults(known: ReadingsKnown) -> Iterator[tuple[LikelyCause, float, Any]]:
    """Faults of declination: of one reading the shift of it as carried to true north, its sigma, and how odd it is."""

    def times(k: float, north: ReadingNorth, odd: float = 1.0) -> Any:
        # a reading that truth + k D was entered for; carrying a magnetic one over adds D, a grid one its convergence.
        # Whatever was added to the needle's own reading was the model's declination: the model's error is in it once.
        def shifted(c: Case) -> tuple[float, float, float] | None:
            if c.declination is None or c.stated.north != north:
                return None
            carried = c.declination.value_deg if north == "magnetic" else c.own_convergence_deg
            return k * c.declination.value_deg + carried, c.declination.sigma_deg, odd

        return shifted

    yield "declination_omitted", known.declination_omitted_share, times(-1.0, "true")
    yield "declination_omitted", known.declination_omitted_share, times(-1.0, "grid", ODD_NORTH)
    yield "declination_sign", known.declination_sign_share, times(-2.0, "true")
    yield "declination_sign", known.declination_twice_share, times(1.0, "true")
    yield "declination_sign", known.declination_sign_share, times(0.0, "magnetic")
    yield "declination_sign", known.declination_twice_share, times(-2.0, "magnetic", ODD_NORTH)


# ---- of single readings ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Faults:
    """Faults of single readings, one row each: reading, shift and widening [deg] of its residual (reading minus what
    is expected), log weight against none, and what it is. elsewhere: whether the antenna points another way than the
    one it is most believed to; moved: how far the shift is by that [deg], and the widening is by that alone.
    """

    index: Array
    shift: Array
    widening: Array
    log_weight: Array
    kind: tuple[Kind, ...]
    elsewhere: Array
    moved: Array

    def about(self, residual: Array, source: Array) -> Faults:
        """As they act on residuals that were wrapped: the short way round with them, too.

        source (n,) : the antenna that each reading was taken from; that one's other ways count.
        """
        index, log_weight = self.index, self.log_weight
        own = source == np.arange(len(source))
        if not own.all():
            taken = np.flatnonzero(source < len(source))
            reader = np.full(len(source), -1)
            reader[source[taken]] = taken
            reader[own] = np.flatnonzero(own)
            by_itself = np.array([k == "other way" for k in self.kind])
            none = self.elsewhere & np.where(by_itself, reader[index] < 0, ~own[index])
            index = np.where(by_itself & ~none, reader[index], index)
            log_weight = np.where(none, -math.inf, log_weight)
        e = residual[index]
        shift = np.where(self.shift == 0.0, 0.0, (e + self.shift + 180.0) % 360.0 - 180.0 - e)
        return Faults(index, shift, self.widening, log_weight, self.kind, self.elsewhere, self.moved)

    def heaviest(self, n: int) -> Array:
        """Per antenna (n,) the greatest log weight, those of a flat density without what its width costs."""
        out = np.zeros(n)
        flat = np.where(self.widening == WIDE_DEG, self.log_weight - FLAT, self.log_weight)
        np.maximum.at(out, self.index, flat)
        return out


@functools.lru_cache(maxsize=4096)
def transposed(angle_deg: float) -> tuple[float, ...]:
    """The azimuths [deg] that an entered one becomes by exchanging two digits next to each other before its point.

    Those are taken with and without leading zeros ('35' and '035'), since either is written; results from 360 on are
    none. 135 gives 315 and 153; 35 gives 53, 305.
    """
    angle_deg %= 360.0
    whole = math.floor(angle_deg)
    out: set[float] = set()
    for text in {str(whole), f"{whole:03d}"}:
        for k in range(len(text) - 1):
            other = int(text[:k] + text[k + 1] + text[k] + text[k + 2 :])
            if other != whole and other < 360:
                out.add(other + (angle_deg - whole))
    return tuple(sorted(out))


def faults_of(facts: Facts, ref: Reference) -> Faults:
    """What each reading may suffer by itself, with a fault of reference or without."""
    rows: list[tuple[int, float, float, float, Kind, bool, float]] = []
    known, anywhere = facts.priors.readings, facts.priors.antennas.turned_anywhere_share
    for i, c in enumerate(facts.cases):
        main, *others = facts.parts[i]
        first = math.log(max(main.probability, 1e-3))
        fine = first + math.log1p(-known.faulty_share)
        # the azimuth may be another of those that are possible
        ways = []
        for a in others:
            moved, log_p = _short(main.azimuth_true_deg - a.azimuth_true_deg), math.log(max(a.probability, 1e-12))
            wider = math.sqrt(max((a.u95_deg / K95) ** 2 - float(facts.covariance[i, i]), 0.0))
            if a.u95_deg >= NOTHING_DEG:
                moved, wider, log_p = 0.0, WIDE_DEG, log_p + FLAT
            rows.append((i, moved, wider, log_p - first, "other way", True, moved))
            if a.probability >= LEAST_ALTERNATIVE and wider < WIDE_DEG:
                ways.append((moved, wider, log_p, True))
        for moved, wider, log_p, elsewhere in ((0.0, 0.0, first, False), *ways):
            if ref.cause != "reversed_180" or not ref.who[i]:
                weight = math.log(known.reversed_share) + log_p - fine
                rows.append((i, moved - 180.0, wider, weight, "reversed_180", elsewhere, moved))
            for t in transposed(c.stated.azimuth_deg):
                weight = math.log(known.digits_transposed_share / 2.0) + log_p - fine
                rows.append((i, moved + t - c.stated.azimuth_deg, wider, weight, "digits_transposed", elsewhere, moved))
        if len(facts.cases) > 1 and ref.cause is None:
            for cause, _, of in _declination_faults(known):
                if (got := of(c)) is not None:
                    weight = math.log(known.own_reference_share * got[2]) + first - fine
                    rows.append((i, -got[0], got[1], weight, cause, False, 0.0))
        turned = _turned(facts, ref, i)
        broad: tuple[tuple[float, float, float, Kind], ...] = (
            (known.wrong_share, known.wrong_sigma_deg, 0.0, "reading_wrong"),
            (known.turned_since_share, facts.priors.antennas.turned_sigma_deg, turned, "antenna_turned"),
        )
        for prior, spread, gain, kind in broad:
            rows.append((i, 0.0, spread, math.log(prior * (1.0 - anywhere)) + gain - fine, kind, False, 0.0))
            flat = math.log(prior * anywhere) + FLAT + gain - fine
            rows.append((i, 0.0, WIDE_DEG, flat, kind, False, 0.0))
    index, shift, widening, log_weights, kinds, other, by = zip(*rows, strict=True)
    arrays = np.array(index), np.array(shift), np.array(widening), np.array(log_weights)
    return Faults(*arrays, kinds, np.array(other), np.array(by))


def _log_hung(facts: Facts, c: Case, azimuth_deg: float, variance_deg2: float) -> float:
    """Log density of an azimuth, known with a variance, by how antennas hang; 0 where that is not counted or known."""
    design = c.found.design.azimuth_true_deg
    if design is None or not facts.by_design:
        return 0.0
    off = np.array(_short(azimuth_deg - design))
    return math.log(float(hung_density(off, facts.priors.deviations(c.antenna.tolerance_deg), variance_deg2)))


def _turned(facts: Facts, ref: Reference, i: int) -> float:
    """Log of how much better the design suits the reading than the photos: one of the two is as it was hung."""
    c = facts.cases[i]
    read = _log_hung(facts, c, c.reading.azimuth_true_deg - float(ref.shift[i]), (c.reading.u95_deg / K95) ** 2)
    photos = c.photos[0]
    return read - _log_hung(facts, c, photos.azimuth_true_deg, (photos.u95_deg / K95) ** 2)


def _short(angle_deg: float) -> float:
    """An angle the short way round, for one figure at a time."""
    return (angle_deg + 180.0) % 360.0 - 180.0
