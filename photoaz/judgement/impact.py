"""What a turned antenna costs those it should serve, by the published reference element pattern.

Never more than it is: relative gain of a reference pattern in the horizontal plane. The antenna's own pattern, its
beamwidth, its tilt, power and the ground are not in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from photoaz.angles import Array, azimuth_deg, circular_mean_deg, difference_deg, wrap_deg
from photoaz.judgement.beliefs import by_photos, deviations
from photoaz.judgement.common_mode import covariance_of
from photoaz.judgement.conformity import Part
from photoaz.quantities import K95, NOTHING_DB, SAME_SECTOR_DEG
from photoaz.register.model import Antenna, Site
from photoaz.result import ById, Crossover, Impact, Interval, SiteResult

# 3GPP TR 38.901 table 7.3-1, horizontal cut
BEAMWIDTH_3DB_DEG = 65.0
FRONT_TO_BACK_DB = 30.0
SECTOR_WIDTH_DEG = 120.0
#: beyond this angle off boresight the pattern is at its floor: 65 sqrt(30 / 12)
FLOOR_DEG = BEAMWIDTH_3DB_DEG * math.sqrt(FRONT_TO_BACK_DB / 12.0)

#: to be said wherever the figures are shown
BASIS = "relative gain of a reference element pattern (3GPP TR 38.901, 65°), not of this antenna"

_STEPS = 4000  # of the distribution that is carried through the pattern


def _effect(interval: Interval) -> str:
    """'overlap', 'hole' or 'as designed'; 'open' where the interval allows more than one."""
    low, high = interval
    if low > NOTHING_DB:
        return "overlap"
    if high < -NOTHING_DB:
        return "hole"
    return "as designed" if low >= -NOTHING_DB and high <= NOTHING_DB else "open"


def gain_db(angle_deg: float) -> float:
    """Gain at an angle off boresight [deg], relative to boresight [dB], 0 or less: -min(12 (angle / 65)^2, 30).

    References
    ----------
    3GPP TR 38.901 V16.1.0, table 7.3-1.
    """
    return float(_gains_db(np.array(angle_deg, float)))


def impact_db(deviation_deg: float, parts: Sequence[Part] = ()) -> Impact:
    """What an antenna that points `deviation_deg` (clockwise positive) away from its design changes.

    Parameters
    ----------
    deviation_deg : of the estimate. parts : what is known of the deviation; with it the intervals are given. The gain
        is flat at boresight and has a floor, so the distribution itself is carried through it, not its width (JCGM
        101:2008, 5.5, by quantiles).
    """
    half = 0.5 * SECTOR_WIDTH_DEG
    edges = [gain_db(edge - deviation_deg) - gain_db(edge) for edge in (half, -half)]
    intervals: list[Interval | None] = [None] * 3
    if parts:
        from scipy.special import ndtri

        # the middles of equally probable steps of each part
        z = ndtri((np.arange(_STEPS) + 0.5) / _STEPS)
        draws = np.concatenate([p.deviation_deg + p.sigma_deg * z for p in parts])
        weights = np.repeat([p.probability / _STEPS for p in parts], _STEPS)
        for k, at in enumerate((0.0, half, -half)):
            gains = _gains_db(at - draws) - gain_db(at)
            order = np.argsort(gains, kind="stable")  # of parts that rise or fall each, a fifth of np.quantile's time
            below = np.cumsum(weights.take(order))
            low, high = gains[order[np.searchsorted(below / below[-1], [0.025, 0.975])]]
            intervals[k] = float(low), float(high)
    return Impact(
        boresight=gain_db(deviation_deg),
        edge=min(edges),
        clockwise_edge=edges[0],
        anticlockwise_edge=edges[1],
        boresight_interval=intervals[0],
        clockwise_edge_interval=intervals[1],
        anticlockwise_edge_interval=intervals[2],
        basis=BASIS,
    )


def _gains_db(angles_deg: Array) -> Array:
    """`gain_db` of many."""
    off = np.asarray(wrap_deg(angles_deg))
    return np.asarray(0.0 - np.minimum(12.0 * (off / BEAMWIDTH_3DB_DEG) ** 2, FRONT_TO_BACK_DB))  # no -0.0


def crossover_db(separation_deg: float) -> float:
    """Gain [dB] where two equal patterns meet whose boresights are `separation_deg` apart; floored, as the pattern."""
    return gain_db(min(abs(separation_deg) / 2.0, 180.0))


def crossover(
    azimuths_deg: tuple[float, float], designs_deg: tuple[float, float], covariance_deg2: tuple[float, float, float]
) -> tuple[float, float, float, float, Interval] | None:
    """The crossover of an antenna and its clockwise neighbour: both patterns alike, so half way between the two.

    Parameters
    ----------
    azimuths_deg, designs_deg : of the antenna and of the neighbour, true. covariance_deg2 : variance of the one, of the
        other, their covariance [deg^2]; what both share (one camera's heading) moves the crossover, not its level.

    Returns
    -------
    designed_deg, shift_deg, shift_u95_deg, change_db, change_interval_db; None where the two patterns as designed meet
    at their floor only, so that there is no point where they cross.
    """
    apart = azimuth_deg(designs_deg[1] - designs_deg[0])
    if apart / 2.0 > FLOOR_DEG:
        return None
    off = [float(difference_deg(a, d)) for a, d in zip(azimuths_deg, designs_deg, strict=True)]
    va, vb, cab = covariance_deg2
    shift_u95 = K95 * math.sqrt(max(va + vb + 2.0 * cab, 0.0)) / 2.0
    apart_u95 = K95 * math.sqrt(max(va + vb - 2.0 * cab, 0.0))
    now = apart + off[1] - off[0]
    before = crossover_db(apart)
    # the level falls as the two part, whichever way, so an interval of the separation is one of the level
    near = 0.0 if now - apart_u95 <= 0.0 <= now + apart_u95 else min(abs(now - apart_u95), abs(now + apart_u95))
    far = max(abs(now - apart_u95), abs(now + apart_u95))
    return (
        azimuth_deg(designs_deg[0] + apart / 2.0),
        0.5 * (off[0] + off[1]),
        shift_u95,
        crossover_db(now) - before,
        (crossover_db(far) - before, crossover_db(near) - before),
    )


@dataclass(frozen=True, slots=True)
class _Sector:
    name: str | None
    azimuth_deg: float
    antennas: tuple[Antenna, ...]


def sectors_of(antennas: Sequence[Antenna], designs_deg: Mapping[str, float]) -> tuple[_Sector, ...]:
    """The sectors of a site: by the register's column; antennas without one by their designs, within 25 degrees.

    designs_deg : true design azimuths by antenna_id; antennas without one take no part.
    """
    groups: list[tuple[str | None, list[Antenna]]] = []
    named: dict[str, list[Antenna]] = {}
    for a in antennas:
        if a.antenna_id not in designs_deg:
            continue
        if a.sector is not None:
            if a.sector not in named:
                groups.append((a.sector, named.setdefault(a.sector, [])))
            named[a.sector].append(a)
            continue
        mine = designs_deg[a.antenna_id]
        for name, members in groups:
            if name is None and abs(difference_deg(designs_deg[members[0].antenna_id], mine)) <= SAME_SECTOR_DEG:
                members.append(a)
                break
        else:
            groups.append((None, [a]))
    out = []
    for name, members in groups:
        try:
            middle = circular_mean_deg([designs_deg[a.antenna_id] for a in members])
        except ValueError:  # designs all round are no sector
            continue
        out.append(_Sector(name, middle, tuple(members)))
    return tuple(out)


def with_site_impact(site: Site, result: SiteResult) -> SiteResult:
    """A judged site with each antenna's impact in full: intervals, and crossovers with its neighbours.

    The neighbour is the antenna of the next sector round the tower with the same position in its sector, else the
    sector's first; its azimuth as estimated, else as designed.
    """
    designs = {a.antenna_id: d for a in result.antennas if (d := a.design.azimuth_true_deg) is not None}
    sectors = sectors_of(site.antennas, designs)
    register = {a.antenna_id: a for a in site.antennas}
    out = []
    for found in result.antennas:
        antenna, deviation = register.get(found.antenna_id), found.design.deviation_deg
        if antenna is not None and deviation is not None:
            impact = impact_db(deviation, parts=deviations(by_photos(found), designs[found.antenna_id]))
            crossings = _crossovers(antenna, sectors, designs, result)
            found = replace(found, impact_db=replace(impact, crossovers=crossings))
        out.append(found)
    return replace(result, antennas=ById(out))


def _crossovers(
    antenna: Antenna,
    sectors: Sequence[_Sector],
    designs: Mapping[str, float],
    result: SiteResult,
) -> tuple[Crossover, ...]:
    sector = next((s for s in sectors if antenna in s.antennas), None)
    if sector is None:
        return ()
    out = []
    for clockwise in (True, False):
        sign = 1.0 if clockwise else -1.0
        turned = [(azimuth_deg(sign * (s.azimuth_deg - sector.azimuth_deg)), s) for s in sectors if s is not sector]
        between = [(t, s) for t, s in turned if SAME_SECTOR_DEG < t < 360.0 - SAME_SECTOR_DEG]
        if not between:
            continue
        _, beside = min(between, key=lambda one: one[0])
        ordered = sorted(beside.antennas, key=lambda a: (a.position != antenna.position, a.position or 0, a.antenna_id))
        other = ordered[0]
        there = result.antennas.get(other.antenna_id)
        estimated = there is not None and there.azimuth_true_deg is not None and there.u95_deg is not None
        pair = (antenna.antenna_id, other.antenna_id)
        a, b = pair if clockwise else pair[::-1]
        azimuths = {e.antenna_id: e.azimuth_true_deg for e in result.antennas if e.azimuth_true_deg is not None}
        now = {**designs, **azimuths}
        found = crossover((now[a], now[b]), (designs[a], designs[b]), _covariance(result, (a, b)))
        if found is None:
            continue
        direction, shift, shift_u95, change, interval = found
        out.append(
            Crossover(
                side="clockwise" if clockwise else "anticlockwise",
                sector=beside.name,
                neighbour_id=other.antenna_id,
                neighbour_estimated=estimated,
                designed_deg=direction,
                azimuth_true_deg=azimuth_deg(direction + shift),
                shift_deg=shift,
                shift_u95_deg=shift_u95,
                change=change,
                change_interval=interval,
                effect=_effect(interval),
            )
        )
    return tuple(out)


def _covariance(result: SiteResult, pair: tuple[str, str]) -> tuple[float, float, float]:
    """Variances of two azimuths and their covariance [deg^2]; 0 of one that is not estimated."""
    found = [result.antennas.get(name) for name in pair]
    va, vb = (0.0 if e is None or e.u95_deg is None else (e.u95_deg / K95) ** 2 for e in found)
    joint = result.azimuth_covariance
    if va == 0.0 or vb == 0.0 or joint is None or not {*pair} <= {*joint.antenna_ids}:
        return va, vb, 0.0
    limit = math.sqrt(va * vb)
    return va, vb, min(max(float(covariance_of(joint, pair)[0, 1]), -limit), limit)
