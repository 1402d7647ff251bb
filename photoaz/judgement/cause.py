"""Why a site's readings differ from its photos: every explanation held against all antennas at once.

Each explanation says what the readings should be, given the photos' azimuths; how probable the readings are under it
is a multivariate normal density with the estimates' joint covariance and the readings' own uncertainties. What an
explanation leaves open (an angle common to all, how far a wrong reading is off) is integrated out, which makes a vague
explanation pay for its vagueness. With a prior for each, Bayes' theorem gives their probabilities (H. Jeffreys, Theory
of Probability, 1961, chapter V; R. E. Kass, A. E. Raftery, Bayes factors, JASA 90 (1995) 773).

A site's state is one fault of reference (of all readings, or of all of one day and north), one exchange of readings,
and any number of faults of single readings. None, one and two of the last are gone through one by one; more are found
by adding up to two at a time to the most probable states.

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
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import difference_deg
from photoaz.judgement.combined import weighted_mean
from photoaz.judgement.conformity import ANYWHERE, TURNED_SIGMA_DEG, hung_density, probability_out
from photoaz.quantities import K95
from photoaz.register.model import ReadingNorth
from photoaz.result import Cause, LikelyCause, SiteCauses

Array = NDArray[Any]


# ---------------------------------------------------------------------------------------------------------------------
# What is to be expected before looking. Common practice, no source: how often each was met where records were checked
# is not published. They matter only where the readings themselves do not tell.

#: of a site's readings, or of those of one day: a fault of reference
PRIOR_OMITTED, PRIOR_SIGN, PRIOR_TWICE, PRIOR_GRID = 0.06, 0.02, 0.01, 0.03
PRIOR_COMMON, PRIOR_ALL_REVERSED = 0.04, 0.003
#: how much rarer such a fault is in a reading whose stated north makes it an odd one (corrected, yet stated magnetic)
ODD = 0.1
#: of a site: whole sectors exchanged or passed on round the tower; two antennas' readings exchanged, at the same
#: position of two sectors and elsewhere; a reading taken off another antenna, likewise. Shared out among the ways.
PRIOR_SECTORS, PRIOR_PAIR, PRIOR_FAR_PAIR, PRIOR_ASTRAY, PRIOR_FAR_ASTRAY = 0.04, 0.02, 0.005, 0.02, 0.004
#: of one reading
PRIOR_REVERSED, PRIOR_TRANSPOSED, PRIOR_WRONG, PRIOR_OWN_REFERENCE = 0.015, 0.01, 0.06, 0.0005
#: of one antenna: turned since it was read; its estimate spoiled or another's (more where its name is unsure)
PRIOR_TURNED_SINCE, PRIOR_ESTIMATE = 0.015, 0.005

#: spread of an angle common to all readings, and of a plainly wrong reading [deg]
COMMON_SIGMA_DEG, WRONG_SIGMA_DEG = 15.0, 20.0

#: two explanations are not told apart where neither the readings nor all that is known favour one by more than this
SEPARATE = 3.0
#: the explanation is named where it is at least this probable
NAMED = 0.5
#: and listed down to this
LISTED = 0.05

_WIDE_DEG = 1e4  # so wide a normal density is flat over the circle
_FLAT = math.log(math.sqrt(2.0 * math.pi) * _WIDE_DEG / 360.0)
_KEEP = 12.0  # states less probable than e^-12 of the best are dropped
_BEAM = 12  # states that further faults are added to
_MOST_GROUPS = 4
_MOST_SWAPS = 8
_MOST_KEPT = 300  # new states of one state

_WORDS: Mapping[LikelyCause, str] = {
    "declination_omitted": "declination left out",
    "declination_sign": "declination applied the wrong way or twice",
    "grid_for_true": "another north than stated: grid and true mixed up",
    "reversed_180": "read the wrong way round (180°)",
    "sectors_swapped": "readings exchanged with another antenna's",
    "digits_transposed": "two digits exchanged",
    "common_offset": "all off by one angle",
    "antenna_turned": "the antenna is turned",
    "reading_wrong": "the reading is wrong",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One antenna with a reading and an estimate. Angles in degrees from true north unless said otherwise.

    stated_deg: the reading as entered, from stated_north. reading_deg: carried to true north; reading_u95_deg: its U95
    with all parts, of which shared_u95_deg is the declination's. estimate_shared_u95_deg: what the same error of the
    declination does to the estimate, by its sign (positive: turns it as it turns the reading). group: readings of one
    day and north share it. declination_deg, declination_sigma_deg: at the site on the reading's day, None where not
    known. convergences_deg: of the grids that it may have been taken from; own_convergence_deg of the one it is stated
    in. design_deg: None where not known; design_sigma_deg: its own uncertainty, as of a magnetic one. name_probability:
    of the estimate's being this antenna's. alternatives: other azimuths that the photos allow, with their
    probabilities.
    """

    antenna_id: str
    stated_deg: float
    reading_deg: float
    reading_u95_deg: float
    estimate_deg: float
    stated_north: ReadingNorth = "true"
    shared_u95_deg: float = 0.0
    estimate_shared_u95_deg: float = 0.0
    group: str = ""
    declination_deg: float | None = None
    declination_sigma_deg: float = 0.0
    convergences_deg: tuple[float, ...] = ()
    own_convergence_deg: float = 0.0
    design_deg: float | None = None
    design_sigma_deg: float = 0.0
    tolerance_deg: float = 5.0
    sector: str | None = None
    position: int | None = None
    name_probability: float = 1.0
    alternatives: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """An antenna of the site without an estimate: only what a swapped reading may have been taken from."""

    antenna_id: str
    design_deg: float
    tolerance_deg: float = 5.0
    sector: str | None = None
    position: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingCauses:
    """What may explain one reading. likely_cause: named only where it is probable and told apart from the others.

    no_fault: probability that nothing is wrong with the reading and the antenna hangs as designed; reading_right: that
    the reading says where the antenna points now, as designed or not. corrected_deg: the reading without its likely
    cause, where that tells by how much it is off (of exchanged ones, the other one's). together: those
    that the readings do not tell apart, where there are several. odds: of the likely cause against all else.
    """

    antenna_id: str
    likely_cause: LikelyCause | None
    no_fault: float
    causes: tuple[Cause, ...]
    together: tuple[LikelyCause, ...] = ()
    odds: float | None = None
    sentence: str | None = None
    reading_right: float = 1.0
    corrected_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanations:
    """What may explain a site's readings: antenna by antenna, and those named taken together."""

    antennas: tuple[ReadingCauses, ...]
    site: SiteCauses

    def of(self, antenna_id: str) -> ReadingCauses | None:
        """What is said of one antenna's reading."""
        return next((a for a in self.antennas if a.antenna_id == antenna_id), None)


# ---------------------------------------------------------------------------------------------------------------------
# Explanations


@dataclass(frozen=True, slots=True)
class _Reference:
    """A fault of reference: shift [deg] of each reading, what varies with it ((n, k) columns), who has it."""

    cause: LikelyCause | None
    prior: float
    shift: Array
    columns: Array
    who: Array


@dataclass(frozen=True, slots=True)
class _Swap:
    """source[i]: the antenna that reading i was taken from; from n on, the neighbours without an estimate."""

    prior: float
    source: Array


@dataclass(frozen=True, slots=True)
class _Faults:
    """Faults of single readings, one row each: antenna, shift and widening [deg] of its residual (reading minus what
    is expected), log weight against none, and what it is.
    """

    index: Array
    shift: Array
    widening: Array
    log_weight: Array
    kind: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _State:
    """faults: (antenna, fault's number) in order. log_likelihood: of the readings; log_posterior: with all priors."""

    reference: int
    swap: int
    faults: tuple[tuple[int, int], ...]
    log_posterior: float
    log_likelihood: float


@dataclass(slots=True)
class _Problem:
    cases: Sequence[Case]
    reading: Array
    estimate: Array
    covariance: Array
    own: Array  # (n, n) covariance of the readings without the reference's columns
    references: list[_Reference] = field(default_factory=list)
    swaps: list[_Swap] = field(default_factory=list)
    partner_azimuth: Array = field(default_factory=lambda: np.zeros(0))
    partner_variance: Array = field(default_factory=lambda: np.zeros(0))
    declination: Array = field(default_factory=lambda: np.zeros(0))  # (n,) what its one sigma does to the estimates


def likely_causes(
    cases: Sequence[Case], estimates_covariance_deg2: Array, neighbours: Sequence[Neighbour] = ()
) -> Explanations:
    """What explains a site's readings, by comparing all explanations over all its antennas.

    Parameters
    ----------
    cases : the n antennas that have a reading and an estimate. estimates_covariance_deg2 : (n, n), joint covariance of
        the estimates. neighbours : the site's other antennas.

    Returns
    -------
    Explanations : one ReadingCauses per case, in their order. Nothing depends on that order.

    Raises
    ------
    ValueError : a covariance of another shape, uncertainties that are none.
    """
    n = len(cases)
    v = np.asarray(estimates_covariance_deg2, float)
    if v.shape != (n, n):
        raise ValueError("the covariance needs a row and a column for each antenna")
    if n == 0:
        return Explanations(antennas=(), site=SiteCauses(causes=()))
    # one order inside, so that sums come out the same to the last bit
    order = sorted(range(n), key=lambda k: cases[k].antenna_id)
    problem = _problem(
        [cases[k] for k in order], v[np.ix_(order, order)], sorted(neighbours, key=lambda x: x.antenna_id)
    )
    found, causes = _told(problem, _search(problem))
    back = {k: i for i, k in enumerate(order)}
    antennas = tuple(found[back[k]] for k in range(n))
    return Explanations(antennas=antennas, site=SiteCauses(causes=causes, sentence=_site_sentence(antennas, causes)))


def _problem(cases: Sequence[Case], covariance: Array, neighbours: Sequence[Neighbour]) -> _Problem:
    u = np.array([c.reading_u95_deg for c in cases]) / K95
    shared = np.array([c.shared_u95_deg for c in cases]) / K95
    if not (u >= 0.0).all() or not (shared <= u * (1.0 + 1e-9)).all() or not (np.diag(covariance) >= 0.0).all():
        raise ValueError("uncertainties must not be negative, and what is shared is no more than the whole")
    own = np.maximum(u**2 - shared**2, 0.0)
    # two exact statements would have a singular covariance
    own = np.diag(own + 1e-9 * (np.trace(covariance) / len(cases) + (u**2).mean()) + 1e-12)
    problem = _Problem(
        cases,
        np.array([c.reading_deg for c in cases]),
        np.array([c.estimate_deg for c in cases]),
        covariance,
        own,
    )
    problem.partner_azimuth = np.array([x.design_deg for x in neighbours])
    problem.partner_variance = np.array([(x.tolerance_deg / 2.0) ** 2 for x in neighbours])
    problem.declination = np.array([c.estimate_shared_u95_deg for c in cases]) / K95
    problem.references = _references(cases, shared)
    problem.swaps = _swaps(problem, neighbours)
    return problem


def _references(cases: Sequence[Case], shared: Array) -> list[_Reference]:
    n = len(cases)
    nobody = np.zeros(n, bool)
    plain = _Reference(None, 1.0, np.zeros(n), shared[:, None], nobody)
    groups = [np.ones(n, bool)]
    names = sorted({c.group for c in cases})
    if 1 < len(names) <= _MOST_GROUPS:
        groups += [np.array([c.group == name for c in cases]) for name in names]
    out: list[_Reference] = []
    for who in groups:
        for cause, prior, shift, columns in _reference_faults(cases, shared, who):
            out.append(_Reference(cause, prior / len(groups), shift, columns, who))
    return [_Reference(None, max(0.05, 1.0 - sum(r.prior for r in out)), plain.shift, plain.columns, nobody), *out]


def _reference_faults(
    cases: Sequence[Case], shared: Array, who: Array
) -> Iterator[tuple[LikelyCause, float, Array, Array]]:
    """Faults of reference of some of the readings: what they shift them by, and the errors that go with that."""
    n = len(cases)
    for cause, prior, angle in _north_faults():
        shift, column, odd = np.zeros(n), shared.copy(), 1.0
        for i in _indices(who):
            got = angle(cases[i])
            if got is None:
                break
            shift[i], column[i], factor = got
            odd = min(odd, factor)
        else:
            yield cause, prior * odd, shift, column[:, None]
    grids = {round(g, 3) for c in cases for g in c.convergences_deg}
    for g in sorted(grids):
        shift, odd, applies = np.zeros(n), 1.0, True
        column = shared.copy()
        for i in _indices(who):
            c = cases[i]
            if c.stated_north == "grid":
                shift[i] = c.own_convergence_deg
                applies &= g == min(grids)  # once is enough: the grid is the one stated
                odd = ODD
            elif c.stated_north == "true":
                shift[i] = -g
            else:
                if c.declination_deg is None:
                    applies = False
                    break
                shift[i], odd = c.declination_deg - g, ODD
        if applies:
            yield "grid_for_true", PRIOR_GRID * odd / len(grids), shift, column[:, None]
    if who.sum() > 1:
        columns = np.column_stack([shared, COMMON_SIGMA_DEG * who])
        yield "common_offset", PRIOR_COMMON, np.zeros(n), columns
        yield "reversed_180", PRIOR_ALL_REVERSED, 180.0 * who, shared[:, None]


def _indices(who: Array) -> list[int]:
    return [int(i) for i in np.flatnonzero(who)]


def _north_faults() -> Iterator[tuple[LikelyCause, float, Any]]:
    """Faults of declination: of one reading the shift of it as carried to true north, its sigma, and how odd it is."""

    def times(k: float, north: ReadingNorth, odd: float = 1.0) -> Any:
        # a reading that truth + k D was entered for; carrying a magnetic one over adds D, a grid one its convergence.
        # Whatever was added to the needle's own reading was the model's declination: the model's error is in it once.
        def shifted(c: Case) -> tuple[float, float, float] | None:
            if c.declination_deg is None or c.stated_north != north:
                return None
            carried = c.declination_deg if north == "magnetic" else c.own_convergence_deg if north == "grid" else 0.0
            return k * c.declination_deg + carried, c.declination_sigma_deg, odd

        return shifted

    yield "declination_omitted", PRIOR_OMITTED, times(-1.0, "true")
    yield "declination_omitted", PRIOR_OMITTED, times(-1.0, "grid", ODD)
    yield "declination_sign", PRIOR_SIGN, times(-2.0, "true")
    yield "declination_sign", PRIOR_TWICE, times(1.0, "true")
    yield "declination_sign", PRIOR_SIGN, times(0.0, "magnetic")
    yield "declination_sign", PRIOR_TWICE, times(-2.0, "magnetic", ODD)


# ---------------------------------------------------------------------------------------------------------------------
# Readings of other antennas


@dataclass(frozen=True, slots=True)
class _Place:
    sector: str
    rank: int
    azimuth: float


def _swaps(problem: _Problem, neighbours: Sequence[Neighbour]) -> list[_Swap]:
    n = len(problem.cases)
    places = _places(problem.cases, neighbours)
    as_is = np.arange(n)
    out: list[_Swap] = []
    seen = {as_is.tobytes()}

    def add(prior: float, sources: Sequence[Array]) -> None:
        for source in sources:
            if source.tobytes() not in seen:
                seen.add(source.tobytes())
                out.append(_Swap(prior / len(sources), source))

    add(PRIOR_SECTORS, _whole_sectors(places, n))
    near, far = _plausible(problem, places, _pairs(places, n))
    add(PRIOR_PAIR, near)
    add(PRIOR_FAR_PAIR, far)
    near, far = _plausible(problem, places, _astray(places, n))
    add(PRIOR_ASTRAY, near)
    add(PRIOR_FAR_ASTRAY, far)
    return [_Swap(1.0 - PRIOR_SECTORS - PRIOR_PAIR - PRIOR_ASTRAY, as_is), *out]


def _places(cases: Sequence[Case], neighbours: Sequence[Neighbour]) -> list[_Place]:
    """Sector and rank within it; an antenna without a sector is one by itself."""
    everybody: list[Case | Neighbour] = [*cases, *neighbours]
    azimuth = [c.estimate_deg if c.design_deg is None else c.design_deg for c in cases]
    azimuth += [x.design_deg for x in neighbours]
    sectors: dict[str, list[int]] = {}
    for k, x in enumerate(everybody):
        sectors.setdefault(x.antenna_id if x.sector is None else f"sector {x.sector}", []).append(k)
    out: list[_Place | None] = [None] * len(everybody)
    for name, members in sectors.items():
        ranked = sorted(members, key=lambda k: (everybody[k].position or 0, everybody[k].antenna_id))
        for rank, k in enumerate(ranked):
            out[k] = _Place(name, everybody[k].position or rank + 1, azimuth[k])
    return [p for p in out if p is not None]


def _whole_sectors(places: Sequence[_Place], n: int) -> list[Array]:
    """Two sectors exchanged, or all passed on round the tower, position by position."""
    members: dict[str, dict[int, int]] = {}
    for k, p in enumerate(places):
        members.setdefault(p.sector, {})[p.rank] = k
    if len(members) == len(places):
        ring = sorted(range(len(places)), key=lambda k: places[k].azimuth)
        names = [places[k].sector for k in ring]
    else:
        middle = {
            s: math.atan2(
                sum(math.sin(math.radians(places[k].azimuth)) for k in m.values()),
                sum(math.cos(math.radians(places[k].azimuth)) for k in m.values()),
            )
            % (2.0 * math.pi)
            for s, m in members.items()
        }
        names = sorted(members, key=lambda s: middle[s])
    if len(names) < 2 or len(names) > 12:
        return []

    def source(of: Mapping[str, str]) -> Array:
        out = np.arange(n)
        for i in range(n):
            other = members[of.get(places[i].sector, places[i].sector)]
            rank = min(other, key=lambda r: abs(r - places[i].rank))
            out[i] = other[rank]
        return out

    exchanged = [{a: b, b: a} for k, a in enumerate(names) for b in names[k + 1 :]]
    if len(names) == len(places):
        exchanged = []  # exchanges of two antennas, which come by themselves
    turned = (
        [{s: names[(k + step) % len(names)] for k, s in enumerate(names)} for step in (1, -1)] if len(names) > 2 else []
    )
    return [source(of) for of in (*exchanged, *turned)]


def _pairs(places: Sequence[_Place], n: int) -> Iterator[tuple[Array, bool]]:
    for i in range(n):
        for j in range(i + 1, n):
            source = np.arange(n)
            source[i], source[j] = j, i
            yield source, _near(places, i, j)
        for j in range(n, len(places)):  # the other one's reading is not compared with anything
            source = np.arange(n)
            source[i] = j
            yield source, _near(places, i, j)


def _astray(places: Sequence[_Place], n: int) -> Iterator[tuple[Array, bool]]:
    for i in range(n):
        for j in range(n):
            if j != i:
                source = np.arange(n)
                source[i] = j
                yield source, _near(places, i, j)


def _near(places: Sequence[_Place], i: int, j: int) -> bool:
    """The same position of another sector, or next to it in its own."""
    a, b = places[i], places[j]
    return abs(a.rank - b.rank) == 1 if a.sector == b.sector else a.rank == b.rank


def _plausible(
    problem: _Problem, places: Sequence[_Place], sources: Iterator[tuple[Array, bool]]
) -> tuple[list[Array], list[Array]]:
    """Those that fit the readings concerned, near ones and others; the rest could not win whatever their prior."""
    ranked: list[tuple[float, bool, Array]] = []
    variances = np.concatenate([np.diag(problem.covariance), problem.partner_variance])
    azimuths = np.concatenate([problem.estimate, problem.partner_azimuth])
    for source, near in sources:
        moved = np.flatnonzero(source != np.arange(len(source)))
        own, other = azimuths[moved], azimuths[source[moved]]
        sigma = np.sqrt(variances[source[moved]] + variances[moved] + np.diag(problem.own)[moved])
        if (np.abs(difference_deg(own, other)) < 2.0 * sigma).any():
            continue  # both point the same way: nothing would tell
        misfit = math.inf
        for ref in problem.references:
            rest = difference_deg(problem.reading[moved] - ref.shift[moved], other)
            spread = sigma**2 + (ref.columns[moved] ** 2).sum(1)
            misfit = min(misfit, float((rest**2 / spread).max()))
        if misfit < 16.0:
            ranked.append((misfit, near, source))
    ranked.sort(key=lambda r: (not r[1], r[0]))
    ranked = ranked[:_MOST_SWAPS]
    return [s for _, near, s in ranked if near], [s for _, near, s in ranked if not near]


# ---------------------------------------------------------------------------------------------------------------------
# Faults of single readings


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


def _faults(problem: _Problem, ref: _Reference) -> _Faults:
    """What each reading may suffer by itself, with a fault of reference or without."""
    rows: list[tuple[int, float, float, float, str]] = []
    for i, c in enumerate(problem.cases):
        estimate_off = min(max(PRIOR_ESTIMATE, 1.0 - c.name_probability), 0.8)
        others = [a for a in c.alternatives if a[1] > 0.0]
        first = math.log(max(1.0 - sum(p for _, p in others), 1e-3))
        faulty = PRIOR_REVERSED + PRIOR_TRANSPOSED + PRIOR_WRONG + PRIOR_TURNED_SINCE
        fine = first + math.log1p(-faulty) + math.log1p(-estimate_off)
        # the photos may mean another of the azimuths that they allow
        ways = [(_short(c.estimate_deg - a), math.log(p) + _suits(problem, i, a)) for a, p in others]
        rows += [(i, moved, 0.0, log_p - first, "other way") for moved, log_p in ways]
        for moved, log_p in ((0.0, first), *ways):
            if ref.cause != "reversed_180" or not ref.who[i]:
                rows.append((i, moved - 180.0, 0.0, math.log(PRIOR_REVERSED) + log_p - fine, "reversed_180"))
            for t in transposed(c.stated_deg):
                weight = math.log(PRIOR_TRANSPOSED / 2.0) + log_p - fine
                rows.append((i, moved + t - c.stated_deg, 0.0, weight, "digits_transposed"))
        if len(problem.cases) > 1 and ref.cause is None:
            for cause, prior, angle, sigma in _own_reference(c):
                rows.append((i, -angle, sigma, math.log(PRIOR_OWN_REFERENCE * prior) + first - fine, cause))
        turned = _turned(problem, ref, i)
        for prior, spread, gain, kind in (
            (PRIOR_WRONG, WRONG_SIGMA_DEG, 0.0, "reading_wrong"),
            (PRIOR_TURNED_SINCE, TURNED_SIGMA_DEG, turned, "antenna_turned"),
        ):
            rows.append((i, 0.0, spread, math.log(prior * (1.0 - ANYWHERE)) + gain - fine, kind))
            rows.append((i, 0.0, _WIDE_DEG, math.log(prior * ANYWHERE) + _FLAT + gain - fine, kind))
        rows.append((i, 0.0, _WIDE_DEG, math.log(estimate_off) + _FLAT + turned - fine, "none"))
    index, shift, widening, log_weights, kinds = zip(*rows, strict=True)
    return _Faults(np.array(index), np.array(shift), np.array(widening), np.array(log_weights), kinds)


def _log_hung_of(problem: _Problem, i: int, azimuth_deg: float, variance_deg2: float) -> float:
    c = problem.cases[i]
    off = np.array(_short(azimuth_deg - (c.design_deg or 0.0)))
    return math.log(float(hung_density(off, c.tolerance_deg, variance_deg2)))


def _suits(problem: _Problem, i: int, other_deg: float) -> float:
    """Log of how much better the design suits another azimuth that the photos allow than the one estimated."""
    if problem.cases[i].design_deg is None:
        return 0.0
    variance = float(problem.covariance[i, i])
    return _log_hung_of(problem, i, other_deg, variance) - _log_hung_of(
        problem, i, float(problem.estimate[i]), variance
    )


def _turned(problem: _Problem, ref: _Reference, i: int) -> float:
    """Log of how much better the design suits the reading than the photos: one of the two is as it was hung."""
    c = problem.cases[i]
    if c.design_deg is None:
        return 0.0
    read = _log_hung_of(problem, i, c.reading_deg - float(ref.shift[i]), (c.reading_u95_deg / K95) ** 2)
    return read - _log_hung_of(problem, i, c.estimate_deg, float(problem.covariance[i, i]))


def _shifted(f: _Faults, residual: Array) -> _Faults:
    """The faults' shifts as they act on residuals that were wrapped: the short way round with them, too."""
    e = residual[f.index]
    shift = np.where(f.shift == 0.0, 0.0, (e + f.shift + 180.0) % 360.0 - 180.0 - e)
    return _Faults(f.index, shift, f.widening, f.log_weight, f.kind)


def _short(angle_deg: float) -> float:
    """An angle the short way round, for one figure at a time."""
    return (angle_deg + 180.0) % 360.0 - 180.0


def _own_reference(c: Case) -> Iterator[tuple[LikelyCause, float, float, float]]:
    """Cause, its part, shift and sigma [deg] of a fault of declination in one reading alone."""
    for cause, _, angle in _north_faults():
        got = angle(c)
        if got is not None:
            yield cause, got[2], got[0], got[1]


# ---------------------------------------------------------------------------------------------------------------------
# The search


def _predicted(problem: _Problem, ref: _Reference, swap: _Swap) -> tuple[Array, Array]:
    """Residuals of the readings under a state without faults of single ones, wrapped, and their covariance."""
    n = len(problem.cases)
    azimuths = np.concatenate([problem.estimate, problem.partner_azimuth])
    residual = difference_deg(problem.reading - ref.shift, azimuths[swap.source])
    known = swap.source < n
    at = np.where(known, swap.source, 0)
    v = problem.covariance[np.ix_(at, at)] * np.outer(known, known)
    # one error of the declination moves readings and estimates together, and only what it moves them apart counts
    moved = problem.declination[at] * known
    apart = ref.columns[:, 0] - moved
    v = v - np.outer(moved, moved) + np.outer(apart, apart) - np.outer(ref.columns[:, 0], ref.columns[:, 0])
    extra = np.zeros(n)
    extra[~known] = problem.partner_variance[swap.source[~known] - n]
    v = v + np.diag(extra) + problem.own + ref.columns @ ref.columns.T
    if ref.cause == "common_offset":  # about the middle of those concerned, so that 175 and -175 are one angle
        middle = residual[ref.who][
            int(np.abs(difference_deg(residual[ref.who][:, None], residual[ref.who])).sum(1).argmin())
        ]
        residual = np.where(ref.who, middle + difference_deg(residual, float(middle)), residual)
    return residual, v


def log_normal(residual: Array, covariance: Array) -> float:
    """Log density of a multivariate normal distribution about 0: residual (n,), covariance (n, n)."""
    sign, log_det = np.linalg.slogdet(covariance)
    if sign <= 0.0:
        raise ValueError("the covariance is not positive definite")
    return float(
        -0.5 * (residual @ np.linalg.solve(covariance, residual) + log_det + len(residual) * math.log(2.0 * math.pi))
    )


@dataclass(frozen=True, slots=True)
class _Grown:
    """Log likelihoods of a state with one more fault (N,), and with two more (N, N)."""

    one: Array
    two: Array


def _grow(residual: Array, covariance: Array, f: _Faults) -> _Grown:
    """Every single fault and every two of them added to a state, by Woodbury's identity; closed forms, no loops."""
    base = log_normal(residual, covariance)
    p = np.linalg.inv(covariance)
    g = p @ residual
    i, a, t = f.index, f.shift, f.widening
    pii, gi = p[i, i], g[i]
    gained = 2.0 * a * gi + a * a * pii  # of the sum of squares, by the shift alone
    pull = gi + a * pii
    m = 1.0 + t * t * pii
    one = base - 0.5 * (gained - (t * pull) ** 2 / m + np.log(m))

    pij = p[np.ix_(i, i)]
    square = gained[:, None] + gained[None, :] + 2.0 * np.outer(a, a) * pij
    w = t[:, None] * (pull[:, None] + a[None, :] * pij)  # of the first of the two, the second's shift counted in
    cross = np.outer(t, t) * pij
    det = np.maximum(np.outer(m, m) - cross**2, 1e-300)
    less = (w**2 * m[None, :] + w.T**2 * m[:, None] - 2.0 * w * w.T * cross) / det
    two = base - 0.5 * (square - less + np.log(det))
    return _Grown(one, two)


def _heaviest(f: _Faults, n: int) -> Array:
    """Per antenna (n,) the greatest log weight of its faults, those of a flat density without what its width costs."""
    out = np.zeros(n)
    np.maximum.at(out, f.index, np.where(f.widening == _WIDE_DEG, f.log_weight - _FLAT, f.log_weight))
    return out


def _ceiling(residual: Array, covariance: Array, heaviest: Array) -> float:
    """What the log posterior of a state without faults can become by two: by shifts that make both residuals fit."""
    p = np.linalg.inv(covariance)
    g = p @ residual
    d = np.diag(p)
    bare = log_normal(residual, covariance)
    if len(g) == 1:
        return bare + 0.5 * float(g[0] ** 2 / d[0]) + float(heaviest[0])
    det = np.outer(d, d) - p**2
    np.fill_diagonal(det, 1.0)
    fits = 0.5 * (np.outer(g**2, d) + np.outer(d, g**2) - 2.0 * np.outer(g, g) * p) / np.maximum(det, 1e-300)
    fits += heaviest[:, None] + heaviest[None, :]
    np.fill_diagonal(fits, -math.inf)
    return bare + float(fits.max())


def _search(problem: _Problem) -> list[_State]:
    """The states that matter, most probable first."""
    states: dict[tuple[int, int, tuple[tuple[int, int], ...]], _State] = {}
    starts: list[tuple[float, int, int, Array, Array]] = []
    plain = [_faults(problem, ref) for ref in problem.references]
    for r, ref in enumerate(problem.references):
        heaviest = _heaviest(plain[r], len(problem.cases))
        for s, swap in enumerate(problem.swaps):
            residual, v = _predicted(problem, ref, swap)
            starts.append((math.log(ref.prior * swap.prior) + _ceiling(residual, v, heaviest), r, s, residual, v))
    starts.sort(key=lambda x: -x[0])
    faults: dict[tuple[int, int], tuple[Array, Array, _Faults]] = {}
    best = -math.inf
    for ceiling, r, s, residual, v in starts:
        if ceiling < best - _KEEP:
            break
        f = _shifted(plain[r], residual)
        faults[r, s] = residual, v, f
        bare = log_normal(residual, v)
        log_posterior = bare + math.log(problem.references[r].prior * problem.swaps[s].prior)
        states[r, s, ()] = state = _State(r, s, (), log_posterior, bare)
        best = max(best, log_posterior, _extend(states, state, f, _grow(residual, v, f), best))
    grown: set[tuple[int, int, tuple[tuple[int, int], ...]]] = set()
    while True:
        front = sorted(
            (x for k, x in states.items() if len(x.faults) >= 2 and k not in grown and x.log_posterior > best - _KEEP),
            key=lambda x: -x.log_posterior,
        )[:_BEAM]
        if not front:
            break
        before = best
        for state in front:
            key = (state.reference, state.swap, state.faults)
            grown.add(key)
            residual, v, f = faults[state.reference, state.swap]
            residual, v = residual.copy(), v.copy()
            for i, k in state.faults:
                residual[i] += f.shift[k]
                v[i, i] += f.widening[k] ** 2
            best = max(best, _extend(states, state, f, _grow(residual, v, f), best))
        if best < before + 0.5 and max(len(x.faults) for x in front) > 2:
            break
    kept = [x for x in states.values() if x.log_posterior > best - _KEEP]
    return sorted(kept, key=lambda x: (-x.log_posterior, x.reference, x.swap, x.faults))


def _extend(
    states: dict[tuple[int, int, tuple[tuple[int, int], ...]], _State],
    state: _State,
    f: _Faults,
    grown: _Grown,
    best: float,
) -> float:
    """Note a state's descendants that may matter; the best of their log posteriors."""
    used = {i for i, _ in state.faults}
    weight = state.log_posterior - state.log_likelihood
    free = np.array([i not in used for i in f.index])
    one = np.where(free, grown.one + f.log_weight + weight, -math.inf)
    two = grown.two + f.log_weight[:, None] + f.log_weight[None, :] + weight
    two = np.where((f.index[:, None] < f.index[None, :]) & np.outer(free, free), two, -math.inf)
    top = max(best, float(one.max()), float(two.max()))
    limit = top - _KEEP

    def note(chosen: tuple[int, ...], log_posterior: float, log_likelihood: float) -> None:
        added = tuple(sorted((*state.faults, *((int(f.index[k]), k) for k in chosen))))
        key = (state.reference, state.swap, added)
        states[key] = _State(state.reference, state.swap, added, log_posterior, log_likelihood)

    # of very many that are as good as each other, the better ones stand for all
    if np.count_nonzero(two > limit) > _MOST_KEPT:
        limit = max(limit, float(np.partition(two.ravel(), two.size - _MOST_KEPT)[two.size - _MOST_KEPT]))
    for k in np.flatnonzero(one > limit):
        note((int(k),), float(one[k]), float(grown.one[k]))
    for k, j in np.argwhere(two > limit):
        note((int(k), int(j)), float(two[k, j]), float(grown.two[k, j]))
    return max(float(one.max()), float(two.max()))


# ---------------------------------------------------------------------------------------------------------------------
# What is said


def _active(problem: _Problem, state: _State, kinds: Mapping[int, str], i: int) -> tuple[str, ...]:
    """The causes at work in reading i, the foremost first; () where nothing is.

    'none' where its estimate is off, 'other way' where the photos mean another of the azimuths that they allow.
    """
    own = kinds.get(i, "")
    if own == "reading_wrong":
        return (own,)
    out = []
    if problem.swaps[state.swap].source[i] != i:
        out.append("sectors_swapped")
    ref = problem.references[state.reference]
    if ref.cause is not None and ref.who[i]:
        out.append(ref.cause)
    if own in ("antenna_turned", "none") or (own == "other way" and not out):
        out.append(own)  # the reading is as the rest of the site's are, whatever became of the antenna
    elif own not in ("", "other way"):
        out.insert(0, own)
    return tuple(dict.fromkeys(out))


def _told(problem: _Problem, states: Sequence[_State]) -> tuple[list[ReadingCauses], tuple[Cause, ...]]:
    """Each antenna's causes, and the site's: those named, with the probability that they are at work in all of them."""
    n = len(problem.cases)
    weight = np.exp(np.array([x.log_posterior for x in states]) - states[0].log_posterior)
    weight /= weight.sum()
    likelihood = np.array([x.log_likelihood for x in states])
    faults: dict[int, _Faults] = {}
    active: list[list[tuple[str, ...]]] = []
    for x in states:
        if x.reference not in faults:
            faults[x.reference] = _faults(problem, problem.references[x.reference])
        kinds = {i: faults[x.reference].kind[k] for i, k in x.faults}
        active.append([_active(problem, x, kinds, i) for i in range(n)])
    antennas = []
    for i, c in enumerate(problem.cases):
        own = [a[i] for a in active]
        told = _antenna(c, float(problem.covariance[i, i]), own, weight, likelihood)
        right = float(sum(w for w, a in zip(weight, own, strict=True) if a in _RIGHT))
        corrected = None
        if told.likely_cause is not None:
            at = next((k for k, a in enumerate(own) if told.likely_cause in a), None)
            corrected = None if at is None else _corrected(problem, states[at], faults[states[at].reference], i)
        antennas.append(replace(told, reading_right=min(right, 1.0), corrected_deg=corrected))
    site = []
    for cause in dict.fromkeys(a.likely_cause for a in antennas if a.likely_cause is not None):
        named = [i for i, a in enumerate(antennas) if a.likely_cause == cause]
        if cause == "antenna_turned" or len(named) == 1:  # each by itself
            together = min(next(c.probability for c in antennas[i].causes if c.cause == cause) for i in named)
        else:
            together = float(sum(w for w, a in zip(weight, active, strict=True) if all(cause in a[i] for i in named)))
        site.append(
            Cause(cause=cause, probability=together, antennas=tuple(problem.cases[i].antenna_id for i in named))
        )
    return antennas, tuple(sorted(site, key=lambda c: (-len(c.antennas), c.cause)))


#: what is at work where a reading says where its antenna points
_RIGHT = ((), ("other way",), ("none",))


def _corrected(problem: _Problem, state: _State, faults: _Faults, i: int) -> float | None:
    """Reading i as it should have been, under a state; None where that does not tell.

    Of exchanged ones that of the antenna whose reading is this one's.
    """
    swap = problem.swaps[state.swap].source
    source = i
    if swap[i] != i:
        (others,) = np.nonzero(swap == i)
        others = others[others != i]
        if len(others) != 1:
            return None
        source = int(others[0])
    shift = 0.0
    for at, k in state.faults:
        if at == source:
            if faults.widening[k] > 1.0:  # wrong, or turned: by an unknown angle
                return None
            shift = float(faults.shift[k])
    ref = problem.references[state.reference]
    if ref.cause == "common_offset" and ref.who[source]:
        return None
    return float((problem.reading[source] - ref.shift[source] + shift) % 360.0)


def _out_of_tolerance(case: Case, variance: float) -> float:
    """Probability that an antenna whose reading is right hangs out of its design's tolerance, by reading and photos.

    By the reading alone where the estimate's variance is infinite.
    """
    if case.design_deg is None:
        return 0.0
    azimuth, u95 = case.reading_deg, max(case.reading_u95_deg, 1e-6)
    if math.isfinite(variance):
        mean = weighted_mean(case.estimate_deg, max(K95 * math.sqrt(variance), 1e-6), azimuth, u95)
        azimuth, u95 = mean.azimuth_deg, mean.u95_deg
    sigma = math.hypot(u95 / K95, case.design_sigma_deg)
    return probability_out(difference_deg(azimuth, case.design_deg), sigma, case.tolerance_deg)


def _antenna(
    case: Case, variance: float, active: Sequence[tuple[str, ...]], weight: Array, likelihood: Array
) -> ReadingCauses:
    probability: dict[LikelyCause, float] = {}
    best: dict[LikelyCause, int] = {}  # per cause its most probable state; states come in that order
    own: dict[LikelyCause, float] = {}
    no_fault = 0.0
    out, other_out = _out_of_tolerance(case, variance), _out_of_tolerance(case, math.inf)
    for k, causes in enumerate(active):
        w = float(weight[k])
        if causes in ((), ("other way",)):
            off = other_out if causes else out
            no_fault += w * (1.0 - off)
            for sums in (probability, own):
                sums["antenna_turned"] = sums.get("antenna_turned", 0.0) + w * off
            continue
        for place, text in enumerate(causes):
            if text == "none":
                continue
            cause = _as_cause(text)
            probability[cause] = probability.get(cause, 0.0) + w
            best.setdefault(cause, k)
            own[cause] = own.get(cause, 0.0) + (w if place == 0 else 0.0)
    # of two at work in one reading, its own comes before the whole site's
    ranked = sorted(probability, key=lambda c: (-own.get(c, probability[c]), c))
    listed = tuple(
        Cause(cause=c, probability=min(1.0, probability[c]), antennas=(case.antenna_id,))
        for c in ranked
        if probability[c] >= LISTED
    )
    first = ranked[0] if ranked else None
    if first is None or no_fault >= NAMED:
        return ReadingCauses(antenna_id=case.antenna_id, likely_cause=None, no_fault=no_fault, causes=listed)
    alike = [first]
    for other in ranked[1:]:
        if first not in best or other not in best or first in active[best[other]] or other in active[best[first]]:
            continue
        specific = not {first, other} & {"reading_wrong", "antenna_turned"}
        by_readings = likelihood[best[other]] >= likelihood[best[first]] - math.log(SEPARATE)
        if specific and by_readings and probability[other] * SEPARATE >= probability[first]:
            alike.append(other)
    likely = first if probability[first] >= NAMED and len(alike) == 1 else None
    if likely is None:  # name together whatever is about as probable
        least = max(probability[first], no_fault) / SEPARATE
        alike += [c for c in ranked if c not in alike and probability[c] >= least]
    p = min(probability[first], 1.0)
    odds = p / max(1.0 - p, 1e-6) if likely is not None else None
    return ReadingCauses(
        antenna_id=case.antenna_id,
        likely_cause=likely,
        no_fault=no_fault,
        causes=listed,
        together=tuple(alike) if len(alike) > 1 else (),
        odds=odds,
        sentence=_sentence(likely, odds, alike, listed),
    )


def _as_cause(text: str) -> LikelyCause:
    return next(c for c in _WORDS if c == text)


def in_words(cause: LikelyCause) -> str:
    """A cause in words, to follow 'likely cause: '."""
    return _WORDS[cause]


def format_odds(odds: float) -> str:
    """'40:1', 'more than 1000:1'; two digits at most, since no prior is better known."""
    if odds >= 1000.0:
        return "more than 1000:1"
    return f"{odds:.1f}:1" if odds < 9.95 else f"{float(f'{odds:.2g}'):.0f}:1"


def _sentence(
    likely: LikelyCause | None, odds: float | None, alike: Sequence[LikelyCause], listed: Sequence[Cause]
) -> str:
    if likely is not None and odds is not None:
        return f"Likely cause: {_WORDS[likely]} (odds {format_odds(odds)})."
    if len(alike) > 1:
        said = ", or ".join(_WORDS[c] for c in alike)
        return f"Likely cause: {said}; the readings do not tell these apart."
    shown = ", ".join(f"{_WORDS[c.cause]} {100.0 * c.probability:.0f} %" for c in listed)
    return "No cause stands out" + (f": {shown}." if shown else ".")


def _site_sentence(antennas: Sequence[ReadingCauses], causes: Sequence[Cause]) -> str | None:
    said = []
    for c in causes:
        whom = "all readings" if len(c.antennas) == len(antennas) > 1 else ", ".join(c.antennas)
        odds = format_odds(c.probability / max(1.0 - c.probability, 1e-6))
        said.append(f"{_WORDS[c.cause]} ({whom}; odds {odds})")
    unclear: dict[tuple[LikelyCause, ...], list[str]] = {}
    for a in antennas:
        if a.together:
            unclear.setdefault(a.together, []).append(a.antenna_id)
    for alike, names in unclear.items():
        said.append(f"not told apart: {' or '.join(_WORDS[c] for c in alike)} ({', '.join(names)})")
    return f"Likely cause: {'; '.join(said)}." if said else None
