"""Plan of all sites as inline SVG, from latitudes and longitudes alone.

x = R dlon cos(lat0), y = R dlat about the middle: equirectangular with the middle latitude kept true (J. P. Snyder, Map
Projections: A Working Manual, USGS Professional Paper 1395, 1987, chapter 12). North is up everywhere; lengths hold at
the middle latitude, which the scale bar says where it matters.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from photoaz.angles import wrap_deg
from photoaz.present.canvas import length_words, nice_length
from photoaz.present.counts import SiteRow
from photoaz.present.frame import rendered
from photoaz.present.words import STATES, grouped, shortened
from photoaz.quantities import EARTH_RADIUS_M as EARTH_M

WIDE, HIGH = 1000, 520
_MARGIN = 36.0
#: more sites than this and those of one state that cover each other are drawn once
MOST_MARKS = 5000
_CELL = 5.0
_MOST_LABELS = 40
_SIZE = 5.2
#: lines of the grid are at least this far apart
_GRID = 110.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteMap:
    """The map's SVG; places: of each spot in the SVG's units; scale: units per metre; outside: spots not in view."""

    svg: str
    places: tuple[tuple[float, float], ...]
    scale: float
    outside: int
    thinned: bool
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Where the map's middle is [deg], and how far a degree goes on it: northwards up, eastwards to the right."""

    lat_deg: float
    lon_deg: float
    up: float
    right: float


def grid_step(units_per_degree: float) -> float:
    """Degrees between lines of the grid: the smallest of 1, 2, 5, 10, ... times a power of ten that leaves room."""
    least = _GRID / units_per_degree
    power = 10.0 ** math.floor(math.log10(least))
    return next(k * power for k in (1, 2, 5, 10) if k * power >= least * (1.0 - 1e-9))


def grid_lines(ground: Ground) -> tuple[str, list[tuple[float, float, str, str]]]:
    """Meridians and parallels as path data, and their names: place, anchor, text."""
    d, names = [], []
    up, right = grid_step(ground.up), grid_step(ground.right)
    low, high = ground.lat_deg - 0.5 * HIGH / ground.up, ground.lat_deg + 0.5 * HIGH / ground.up
    for k in range(math.ceil(max(low, -90.0) / up), math.floor(min(high, 90.0) / up) + 1):
        y = HIGH / 2 - (k * up - ground.lat_deg) * ground.up
        d.append(f"M0 {y:.1f}H{WIDE}")
        if 80.0 < y < HIGH - 30.0:
            names.append((WIDE - 6.0, y - 4.0, "end", degrees_text(k * up, up, "N", "S")))
    low, high = ground.lon_deg - 0.5 * WIDE / ground.right, ground.lon_deg + 0.5 * WIDE / ground.right
    for k in range(math.ceil(low / right), math.floor(high / right) + 1):
        x = WIDE / 2 + (k * right - ground.lon_deg) * ground.right
        d.append(f"M{x:.1f} 0V{HIGH}")
        if 260.0 < x < WIDE - 120.0:
            names.append((x + 4.0, HIGH - 8.0, "start", degrees_text(wrap_deg(k * right), right, "E", "W")))
    return "".join(d), names


def degrees_text(value_deg: float, step_deg: float, plus: str, minus: str) -> str:
    """'46.6° N', as fine as the step."""
    decimals = max(0, -math.floor(math.log10(step_deg) + 1e-9))
    return f"{abs(value_deg):.{decimals}f}° {plus if value_deg >= 0.0 else minus}"


def mark_path(state: str, x: float, y: float, r: float) -> str:
    """A state's mark as path data: each state its own shape, so that colour is not needed to tell them."""
    if state == "out":
        return f"M{x:.1f} {y - 1.2 * r:.1f}l{1.15 * r:.1f} {2 * r:.1f}h{-2.3 * r:.1f}z"
    if state == "reading":
        return f"M{x:.1f} {y - 1.25 * r:.1f}l{1.25 * r:.1f} {1.25 * r:.1f} {-1.25 * r:.1f} {1.25 * r:.1f} {-1.25 * r:.1f} {-1.25 * r:.1f}z"  # noqa: E501
    if state == "undecided":
        return f"M{x - 0.9 * r:.1f} {y - 0.9 * r:.1f}h{1.8 * r:.1f}v{1.8 * r:.1f}h{-1.8 * r:.1f}z"
    if state == "unseen":
        d = 0.8 * r
        return f"M{x - d:.1f} {y - d:.1f}l{2 * d:.1f} {2 * d:.1f}M{x - d:.1f} {y + d:.1f}l{2 * d:.1f} {-2 * d:.1f}"
    return f"M{x - 0.85 * r:.1f} {y:.1f}a{0.85 * r:.1f} {0.85 * r:.1f} 0 1 0 {1.7 * r:.1f} 0a{0.85 * r:.1f} {0.85 * r:.1f} 0 1 0 {-1.7 * r:.1f} 0z"  # noqa: E501


def site_map(spots: Sequence[SiteRow]) -> SiteMap | None:
    """The map of the sites; None where there are none."""
    if not spots:
        return None
    import pyproj

    lon0 = _middle_lon([s.lon_deg for s in spots])
    lats = [s.lat_deg for s in spots]
    lat0 = 0.5 * (min(lats) + max(lats))
    plane = pyproj.Proj(proj="eqc", lat_ts=min(max(lat0, -89.9), 89.9), lat_0=lat0, lon_0=lon0, R=EARTH_M)
    east, north = plane([s.lon_deg for s in spots], lats)
    x0, x1 = _extent(east)
    y0, y1 = _extent(north)
    span = max((x1 - x0) / (WIDE - 2 * _MARGIN), (y1 - y0) / (HIGH - 2 * _MARGIN), 1.0)
    scale = 1.0 / span
    cx, cy = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
    places = tuple((WIDE / 2 + (e - cx) * scale, HIGH / 2 - (n - cy) * scale) for e, n in zip(east, north, strict=True))
    inside = [0.0 <= x <= WIDE and 0.0 <= y <= HIGH for x, y in places]
    thinned = sum(inside) > MOST_MARKS
    note = "" if max(y1 - y0, x1 - x0) < 300_000.0 else f" at {abs(lat0):.0f}° {'N' if lat0 >= 0 else 'S'}"
    north = math.radians(1.0) * EARTH_M
    east_m = north * math.cos(math.radians(min(max(lat0, -89.9), 89.9)))
    ground = Ground(lat_deg=lat0 + cy / north, lon_deg=lon0 + cx / east_m, up=north * scale, right=east_m * scale)
    return SiteMap(
        svg=_svg(spots, places, inside, scale, note, ground, thinned=thinned),
        places=places,
        scale=scale,
        outside=len(spots) - sum(inside),
        thinned=thinned,
        note=note,
    )


def _middle_lon(lons: Sequence[float]) -> float:
    """Middle of the shortest arc with all longitudes: sites on both sides of the date line stay together."""
    ordered = sorted(wrap_deg(v) for v in set(lons))
    gaps = [b - a for a, b in zip(ordered, [*ordered[1:], ordered[0] + 360.0], strict=True)]
    k = gaps.index(max(gaps))
    start = ordered[(k + 1) % len(ordered)]
    return wrap_deg(start + 0.5 * (360.0 - gaps[k]))


def _extent(values: Sequence[float]) -> tuple[float, float]:
    """Of all, or of the middle 98 % where a few lie far away, as those with a slip in their coordinates do."""
    ordered = sorted(values)
    n = len(ordered)
    low, high = ordered[int(0.01 * n)], ordered[n - 1 - int(0.01 * n)]
    if n >= 10 and int(0.01 * n) == 0:  # one slip among few
        low, high = ordered[1], ordered[-2]
    if ordered[-1] - ordered[0] > 8.0 * (high - low) > 0.0:
        return low, high
    return ordered[0], ordered[-1]


def _svg(
    spots: Sequence[SiteRow],
    places: Sequence[tuple[float, float]],
    inside: Sequence[bool],
    scale: float,
    note: str,
    ground: Ground,
    *,
    thinned: bool,
) -> str:
    pins = []
    for state in reversed(STATES):  # the worst on top
        mine = [at for s, at, shown in zip(spots, places, inside, strict=True) if shown and s.state == state.code]
        if thinned:
            mine = list({(int(x / _CELL), int(y / _CELL)): (x, y) for x, y in reversed(mine)}.values())
        pins.append((state.code, "".join(mark_path(state.code, x, y, _SIZE) for x, y in mine)))
    counts = Counter(s.state for s in spots)
    length = nice_length(180.0 / scale)
    return rendered(
        "map.svg",
        wide=WIDE,
        high=HIGH,
        scale=scale,
        note=note,
        sites=grouped(len(spots)),
        counts=", ".join(f"{grouped(counts[s.code])} {s.word}" for s in STATES if counts[s.code]),
        pins=pins,
        names=_names(spots, places, inside) if sum(inside) <= _MOST_LABELS else (),
        length=length,
        ground=ground,
        grid=grid_lines(ground),
        bar=length_words(length),
    )


def _names(
    spots: Sequence[SiteRow], places: Sequence[tuple[float, float]], inside: Sequence[bool]
) -> Iterator[tuple[float, float, str, str, str]]:
    """Site ids, short and whole, beside their marks where there are few, with place and anchor; none covers another."""
    taken: list[tuple[float, float, float]] = []
    for s, (x, y), shown in zip(spots, places, inside, strict=True):
        name = shortened(s.site_id, 22)
        wide = 8.4 * len(name)
        right = x + 10.0 + wide < WIDE
        left = x + 10.0 if right else x - 10.0 - wide
        if not shown or any(abs(y - v) < 16.0 and left < b and a < left + wide for a, b, v in taken):
            continue
        taken.append((left, left + wide, y))
        yield x + (10.0 if right else -10.0), y + 5.0, "start" if right else "end", name, s.site_id
