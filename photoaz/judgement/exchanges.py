"""Readings exchanged on the way to the register: those of two antennas, of whole sectors, or taken off another one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.angles import Array, difference_deg
from photoaz.judgement.reading_faults import Facts, Reference

_MOST = 8  # of a kind
_MOST_SECTORS = 12
#: an exchange that leaves no reading within so many sigmas squared of its antenna could not win whatever its prior
_WORST_MISFIT = 16.0


@dataclass(frozen=True, slots=True)
class Swap:
    """source[i]: the antenna that reading i was taken from; from n on, the others without an estimate."""

    prior: float
    source: Array


@dataclass(frozen=True, slots=True)
class _Place:
    sector: str
    rank: int
    azimuth: float


def swaps_of(facts: Facts, references: Sequence[Reference]) -> list[Swap]:
    """No exchange, and those that fit the readings they are about."""
    n, known = len(facts.cases), facts.priors.readings
    places = _places(facts)
    as_is = np.arange(n)
    out: list[Swap] = []
    seen = {as_is.tobytes()}

    def add(prior: float, sources: Sequence[Array]) -> None:
        for source in sources:
            if source.tobytes() not in seen:
                seen.add(source.tobytes())
                out.append(Swap(prior / len(sources), source))

    add(known.sectors_exchanged_share, _whole_sectors(places, n))
    for sources, near_share, far_share in (
        (_pairs(n, len(places)), known.pair_exchanged_share, known.far_pair_exchanged_share),
        (_taken_off_another(n), known.other_antenna_share, known.far_antenna_share),
    ):
        near, far = _plausible(facts, references, places, sources)
        add(near_share, near)
        add(far_share, far)
    as_stated = 1.0 - known.sectors_exchanged_share - known.pair_exchanged_share - known.other_antenna_share
    return [Swap(as_stated, as_is), *out]


def _places(facts: Facts) -> list[_Place]:
    """Sector and rank within it; an antenna without a sector is one by itself."""
    everybody = [(c.antenna, c.found.design.azimuth_true_deg, c.photos[0].azimuth_true_deg) for c in facts.cases]
    everybody += [(a, design, design) for a, design in facts.others]
    sectors: dict[str, list[int]] = {}
    for k, (a, _, _) in enumerate(everybody):
        sectors.setdefault(a.antenna_id if a.sector is None else f"sector {a.sector}", []).append(k)
    out: dict[int, _Place] = {}
    for name, members in sectors.items():
        ranked = sorted(members, key=lambda k: (everybody[k][0].position or 0, everybody[k][0].antenna_id))
        for rank, k in enumerate(ranked, 1):
            antenna, design, estimate = everybody[k]
            out[k] = _Place(name, antenna.position or rank, estimate if design is None else design)
    return [out[k] for k in range(len(everybody))]


def _whole_sectors(places: Sequence[_Place], n: int) -> list[Array]:
    """Two sectors exchanged, or all passed on round the tower, position by position."""
    members: dict[str, dict[int, int]] = {}
    for k, p in enumerate(places):
        members.setdefault(p.sector, {})[p.rank] = k

    def middle(sector: str) -> float:
        """In mathematical sense, from 0 to a whole turn."""
        turned = [math.radians(places[k].azimuth) for k in members[sector].values()]
        return math.atan2(sum(map(math.sin, turned)), sum(map(math.cos, turned))) % (2.0 * math.pi)

    names = sorted(members, key=middle)
    if not 2 <= len(names) <= _MOST_SECTORS:
        return []

    def source(of: Mapping[str, str]) -> Array:
        out = np.arange(n)
        for i in range(n):
            other = members[of.get(places[i].sector, places[i].sector)]
            rank = min(other, key=lambda r: abs(r - places[i].rank))
            out[i] = other[rank]
        return out

    ways = []
    if len(names) < len(places):  # else exchanges of two antennas, which come by themselves
        ways += [{a: b, b: a} for k, a in enumerate(names) for b in names[k + 1 :]]
    if len(names) > 2:
        ways += [{s: names[(k + step) % len(names)] for k, s in enumerate(names)} for step in (1, -1)]
    return [source(of) for of in ways]


def _pairs(n: int, everybody: int) -> Iterator[Array]:
    """Two antennas' readings exchanged; of one without an estimate the reading is not compared with anything."""
    for i in range(n):
        for j in range(i + 1, everybody):
            source = np.arange(n)
            source[i] = j
            if j < n:
                source[j] = i
            yield source


def _taken_off_another(n: int) -> Iterator[Array]:
    for i in range(n):
        for j in range(n):
            if j != i:
                source = np.arange(n)
                source[i] = j
                yield source


def _plausible(
    facts: Facts, references: Sequence[Reference], places: Sequence[_Place], sources: Iterator[Array]
) -> tuple[list[Array], list[Array]]:
    """Those that fit the readings concerned, near ones and others; the rest could not win whatever their prior."""
    ranked: list[tuple[float, bool, Array]] = []
    variances = np.concatenate([np.diag(facts.covariance), facts.other_variance])
    azimuths = np.concatenate([facts.estimate, facts.other_azimuth])
    shifts = np.array([r.shift for r in references])
    spreads = np.array([(r.columns**2).sum(1) for r in references])
    for source in sources:
        moved = np.flatnonzero(source != np.arange(len(source)))
        own, other = azimuths[moved], azimuths[source[moved]]
        sigma = np.sqrt(variances[source[moved]] + variances[moved] + np.diag(facts.own)[moved])
        if (np.abs(difference_deg(own, other)) < 2.0 * sigma).any():
            continue  # both point the same way: nothing would tell
        rest = difference_deg(facts.reading[moved] - shifts[:, moved], other)
        misfit = float((rest**2 / (sigma**2 + spreads[:, moved])).max(1).min())  # under whichever reference fits best
        if misfit < _WORST_MISFIT:
            a, b = places[int(moved[0])], places[int(source[moved[0]])]
            # the same position of another sector, or next to it in its own
            near = abs(a.rank - b.rank) == 1 if a.sector == b.sector else a.rank == b.rank
            ranked.append((misfit, near, source))
    ranked.sort(key=lambda r: (not r[1], r[0]))
    ranked = ranked[:_MOST]
    return [s for _, near, s in ranked if near], [s for _, near, s in ranked if not near]
