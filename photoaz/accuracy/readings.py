"""Readings of a drawn site's azimuths: right ones, and wrong ones as often as is known of readings in general.

A site's readings are of one day and one north. What goes wrong with them is what `Priors.readings` says and
`photoaz.judgement.reading_faults` words: with all of them together, by exchange, with single ones, each at most once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import permutations

import numpy as np

from photoaz.angles import Array, azimuth_deg, difference_deg
from photoaz.geodesy.norths import declination, meridian_convergence_deg
from photoaz.judgement.reading_faults import transposed
from photoaz.priors import Priors, ReadingsKnown
from photoaz.quantities import K95, ODD_NORTH
from photoaz.register.model import Antenna, Reading, ReadingNorth, Site

#: day of the readings; how often a site has any, and has magnetic ones; their stated U95
DAY, WITH_READINGS, MAGNETIC = date(2023, 5, 8), 0.6, 0.4
U95_DEG = (1.0, 2.0, 4.0)
#: exchanges of antennas that point nearly the same way are none
EXCHANGED_APART_DEG = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnReadings:
    """The register with its readings; by antenna whether nothing is wrong with its reading, and what it is off now as
    it turned since [deg]."""

    site: Site
    right: Mapping[str, bool]
    turned_deg: Mapping[str, float]


def draw_register(rng: np.random.Generator, name: str) -> Site:
    """An invented site of 2 to 4 sectors with 1 to 3 antennas each, offsets unknown."""
    sectors = int(rng.choice([2, 3, 4], p=[0.15, 0.7, 0.15]))
    first, up = rng.uniform(0.0, 360.0), rng.uniform(15.0, 60.0)
    sizes_given, tilts_given = rng.random() < 0.75, rng.random() < 0.6
    antennas = []
    for s in range(sectors):
        design = float(azimuth_deg(round(first + s * 360.0 / sectors + rng.uniform(-15.0, 15.0))))
        for position in range(1, int(rng.choice([1, 2, 3], p=[0.35, 0.45, 0.2])) + 1):
            size = rng.uniform(0.25, 0.5), rng.uniform(1.2, 2.6), rng.uniform(0.1, 0.2)
            width, height, depth = (round(float(v), 3) if sizes_given else None for v in size)
            antennas.append(
                Antenna(
                    antenna_id=f"{name}-{'ABCD'[s]}{position}",
                    sector="ABCD"[s],
                    position=position,
                    rad_center_m=round(float(up + rng.uniform(-0.3, 0.3)), 1),
                    design_azimuth_deg=design,
                    width_m=width,
                    height_m=height,
                    depth_m=depth,
                    design_downtilt_deg=float(rng.integers(0, 9)) if tilts_given else None,
                )
            )
    return Site(
        site_id=name,
        lat_deg=round(float(rng.uniform(-55.0, 65.0)), 5),
        lon_deg=round(float(rng.uniform(-180.0, 180.0)), 5),
        antennas=tuple(antennas),
        position_u95_m=3.0 if rng.random() < 0.8 else 8.0,
    )


def draw_readings(
    rng: np.random.Generator, site: Site, azimuths_deg: Mapping[str, float], declination_error: float, known: Priors
) -> DrawnReadings:
    """Readings of all antennas of a site, or none.

    Parameters
    ----------
    azimuths_deg : how the antennas hung on that day, true. declination_error : of the model there, in its standard
        uncertainties: true to a compass's reading carried to true north by it. known : what goes wrong.
    """
    if rng.random() >= WITH_READINGS:
        return DrawnReadings(site=site, right={}, turned_deg={})
    antennas = site.antennas
    north: ReadingNorth = "magnetic" if rng.random() < MAGNETIC else "true"
    u95 = float(rng.choice(U95_DEG))
    true = np.array([azimuths_deg[a.antenna_id] for a in antennas])
    source = _exchanged(rng, antennas, true, known.readings)
    read = true[source] + _reference(rng, site, north, declination_error, known.readings)
    off_reference = bool((read != true[source]).any())
    if north == "magnetic":
        read = read - _needle(site, declination_error)
    stated = np.round(azimuth_deg(read + rng.normal(0.0, u95 / K95, len(read))), 1) % 360.0
    right, turned, rows = {}, {}, []
    for k, a in enumerate(antennas):
        kind = _single(rng, known.readings)
        angle = float(stated[k])
        if kind == "reversed":
            angle = (angle + 180.0) % 360.0
        elif kind == "transposed":
            angle = float(rng.choice(transposed(angle) or (angle,)))
        elif kind == "wrong":
            angle = float(azimuth_deg(round(angle + _far(rng, known.readings.wrong_sigma_deg, known), 1)))
        elif kind == "turned":
            turned[a.antenna_id] = _far(rng, known.antennas.turned_sigma_deg, known)
        as_read = kind != "turned" and angle == float(stated[k])
        right[a.antenna_id] = as_read and source[k] == k and not off_reference
        rows.append(replace(a, reading=Reading(azimuth_deg=angle, north=north, u95_deg=u95, date=DAY)))
    return DrawnReadings(site=replace(site, antennas=tuple(rows)), right=right, turned_deg=turned)


def _far(rng: np.random.Generator, sigma_deg: float, known: Priors) -> float:
    """How far something is off that is wrong by an unknown angle."""
    if rng.random() < known.antennas.turned_anywhere_share:
        return float(rng.uniform(-180.0, 180.0))
    return float(rng.normal(0.0, sigma_deg))


def _single(rng: np.random.Generator, known: ReadingsKnown) -> str:
    shares = {
        "reversed": known.reversed_share,
        "transposed": known.digits_transposed_share,
        "wrong": known.wrong_share,
        "turned": known.turned_since_share,
    }
    return _one_of(rng, shares)


def _one_of(rng: np.random.Generator, shares: Mapping[str, float]) -> str:
    """One of the names, each as often as its share; '' as often as is left."""
    u = rng.random()
    for name, share in shares.items():
        if u < share:
            return name
        u -= share
    return ""


def _needle(site: Site, error: float) -> float:
    """The true declination [deg]: the model's less its error."""
    model = declination(site.lat_deg, site.lon_deg, 0.0, DAY)
    return model.value_deg - error * model.sigma_deg


def _reference(
    rng: np.random.Generator, site: Site, north: ReadingNorth, error: float, known: ReadingsKnown
) -> Array | float:
    """What a fault of reference shifts all of a site's readings by [deg], as carried to true north rightly."""
    odd = ODD_NORTH if north == "magnetic" else 1.0
    shares = {
        "omitted": 0.0 if north == "magnetic" else known.declination_omitted_share,
        "sign": known.declination_sign_share,
        "twice": known.declination_twice_share * odd,
        "grid": known.grid_for_true_share * odd,
        "common": known.common_offset_share if len(site.antennas) > 1 else 0.0,
        "reversed": known.all_reversed_share if len(site.antennas) > 1 else 0.0,
    }
    fault = _one_of(rng, shares)
    needle = _needle(site, error)
    model = declination(site.lat_deg, site.lon_deg, 0.0, DAY).value_deg
    if fault == "grid":
        zone = int((site.lon_deg + 180.0) % 360.0 // 6.0) + 1
        zones = 32600 if site.lat_deg >= 0.0 else 32700
        grid = meridian_convergence_deg(site.lat_deg, site.lon_deg, f"EPSG:{zones + zone}")
        return -grid + (needle if north == "magnetic" else 0.0)
    if north == "magnetic":
        # entered as magnetic although corrected already, or corrected the wrong way
        shift = {"sign": model, "twice": -model}
    else:
        shift = {"omitted": -needle, "sign": -needle - model, "twice": -needle + 2.0 * model}
    shift |= {"common": float(rng.normal(0.0, known.common_offset_sigma_deg)), "reversed": 180.0}
    return shift.get(fault, 0.0)


# ---- exchanges -------------------------------------------------------------------------------------------------------


def _exchanged(rng: np.random.Generator, antennas: Sequence[Antenna], true_deg: Array, known: ReadingsKnown) -> Array:
    """source (n,): the antenna that each reading was taken from."""
    n = len(antennas)
    as_is = np.arange(n)
    shares = {
        "sectors": known.sectors_exchanged_share,
        "pair near": known.pair_exchanged_share,
        "pair far": known.far_pair_exchanged_share,
        "other near": known.other_antenna_share,
        "other far": known.far_antenna_share,
    }
    kind = _one_of(rng, shares)
    if kind == "sectors":
        some = _of_sectors(antennas)
    else:
        some = []
        for i, j in permutations(range(n), 2):
            apart = abs(float(difference_deg(true_deg[i], true_deg[j]))) >= EXCHANGED_APART_DEG
            if kind.endswith("near") is _near(antennas[i], antennas[j]) and apart and kind:
                source = as_is.copy()
                source[i] = j
                if kind.startswith("pair"):
                    source[j] = i
                some.append(source)
    return some[int(rng.integers(len(some)))] if some else as_is


def _near(a: Antenna, b: Antenna) -> bool:
    """The same position of another sector, or next to it in its own."""
    if a.sector == b.sector:
        return abs((a.position or 0) - (b.position or 0)) == 1
    return a.position == b.position


def _of_sectors(antennas: Sequence[Antenna]) -> list[Array]:
    """Two sectors exchanged, or all passed on round the tower, position by position."""
    design: dict[str, float] = {a.sector or "": a.design_azimuth_deg for a in antennas}
    names = sorted(design, key=lambda s: design[s])
    of: list[dict[str, str]] = []
    if len(names) < len(antennas):
        of += [{a: b, b: a} for k, a in enumerate(names) for b in names[k + 1 :]]
    if len(names) > 2:
        of += [{s: names[(k + step) % len(names)] for k, s in enumerate(names)} for step in (1, -1)]
    out = []
    for exchange in of:
        source = np.arange(len(antennas))
        for i, a in enumerate(antennas):
            other = exchange.get(a.sector or "", a.sector or "")
            there = [j for j, b in enumerate(antennas) if (b.sector or "") == other]
            source[i] = min(there, key=lambda j: abs((antennas[j].position or 0) - (a.position or 0)))
        out.append(source)
    return out
