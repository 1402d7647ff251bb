"""Plan of a site to scale, as inline SVG: the tower, where cameras stood and looked, what points where."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from photoaz.angles import azimuth_deg, circular_mean_deg, difference_deg
from photoaz.present.sheet_charts import Direction
from photoaz.present.words import escaped, shortened

Point = tuple[float, float]
Box = tuple[float, float, float, float]

_WIDE, _HIGH = 640.0, 520.0
_MIDDLE: Point = (320.0, 262.0)
_R = 190.0  # of the farthest camera drawn in its place
_HANDS = 112.0  # length of the antennas' hands: they are directions, not to scale
_MOST_SIGHTS = 60
_STEPS_M = (1, 2, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standpoint:
    """Where a photo was taken from: bearing [deg] and distance [m] from the tower; its heading and U95 [deg]."""

    number: int
    bearing_deg: float
    distance_m: float
    used: bool = True
    heading_deg: float | None = None
    heading_u95_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Antenna:
    """An antenna's name on the plan, and its directions."""

    label: str
    directions: Sequence[Direction]


def nice_length(most_m: float) -> float:
    """The longest of 1, 2, 5, 10, ... metres that is not longer than `most_m`."""
    if not most_m > 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(most_m))
    return max(step * power for step in _STEPS_M if step * power <= most_m * (1.0 + 1e-9))


def length_words(metres: float) -> str:
    """'200 m', '5 km'."""
    return f"{metres / 1000.0:g} km" if metres >= 1000.0 else f"{metres:g} m"


def site_plan_svg(standpoints: Sequence[Standpoint], antennas: Sequence[Antenna]) -> str:
    """The plan as inline SVG, true north on top.

    Cameras much farther out than the others stand at the rim, with their distance. Standpoints that would cover each
    other share a label.
    """
    near_m = _reach_m(standpoints)
    scale = _R / near_m

    def place(s: Standpoint) -> Point:
        return _at(_MIDDLE, s.bearing_deg, min(s.distance_m * scale, _R + 14.0))

    used = [s for s in standpoints if s.used][:_MOST_SIGHTS]
    parts = [_fan(place(s), s) for s in used if s.heading_deg is not None and s.heading_u95_deg is not None]
    parts += [_line("sight", place(s), _MIDDLE) for s in used]
    for a in antennas:
        for d in a.directions:
            parts.append(_wedge(d))
    for a in antennas:
        for d in a.directions:
            parts.append(_hand(d))
    parts.append(f'<circle class="tower" cx="{_MIDDLE[0]}" cy="{_MIDDLE[1]}" r="4"/>')
    parts += [_camera(place(s), s) for s in standpoints]
    parts.append(_camera_names(standpoints, place, near_m))
    parts.append(_antenna_names(antennas, [_about(place(s)) for s in standpoints]))
    parts.append(_scale_bar(scale))
    parts.append(_north())
    return (
        f'<svg class="siteplan" viewBox="0 0 {_WIDE:g} {_HIGH:g}" role="img" aria-labelledby="site-t site-d">'
        '<title id="site-t">Plan of the site from above, true north on top</title>'
        f'<desc id="site-d">{escaped(_spoken(standpoints, antennas))}</desc>' + "".join(parts) + "</svg>"
    )


def _reach_m(standpoints: Sequence[Standpoint]) -> float:
    distances = sorted(s.distance_m for s in standpoints)
    if not distances:
        return 50.0
    limit = 3.0 * statistics.median(distances)
    return max([d for d in distances if d <= limit] + [10.0])


def _at(origin: Point, azimuth: float, length: float) -> Point:
    a = math.radians(azimuth)
    return origin[0] + length * math.sin(a), origin[1] - length * math.cos(a)


def _line(name: str, a: Point, b: Point) -> str:
    return f'<line class="{name}" x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}"/>'


def _sector(origin: Point, azimuth: float, half: float, r: float) -> str:
    half = min(half, 179.9)
    (x1, y1), (x2, y2) = _at(origin, azimuth - half, r), _at(origin, azimuth + half, r)
    arc = f"A {r:.1f} {r:.1f} 0 {int(half > 90.0)} 1 {x2:.1f},{y2:.1f}"
    return f"M {origin[0]:.1f},{origin[1]:.1f} L {x1:.1f},{y1:.1f} {arc} Z"


def _fan(origin: Point, s: Standpoint) -> str:
    length = math.dist(origin, _MIDDLE)
    return f'<path class="aim" d="{_sector(origin, s.heading_deg or 0.0, s.heading_u95_deg or 0.0, length)}"/>'


def _reach(d: Direction) -> float:
    return _HANDS * {"photos": 1.0, "other": 0.9, "reading": 0.82, "design": 1.12}[d.kind]


def _wedge(d: Direction) -> str:
    half, reach = d.half_deg or 0.0, _reach(d)
    if d.kind == "design":  # its tolerance as an arc; a sector would cover the others
        (x1, y1), (x2, y2) = (_at(_MIDDLE, d.azimuth_deg + s * min(half, 179.9), reach) for s in (-1.0, 1.0))
        large = int(half > 90.0)
        return f'<path class="arc" d="M {x1:.1f},{y1:.1f} A {reach:.1f} {reach:.1f} 0 {large} 1 {x2:.1f},{y2:.1f}"/>'
    return f'<path class="fan soft {d.kind}" d="{_sector(_MIDDLE, d.azimuth_deg, half, reach)}"/>'


def _hand(d: Direction) -> str:
    end = _at(_MIDDLE, d.azimuth_deg, _reach(d))
    out = _line(d.kind, _MIDDLE, end)
    if d.kind == "reading":
        out += f'<circle class="reading end" cx="{end[0]:.1f}" cy="{end[1]:.1f}" r="3.6"/>'
    if d.kind in ("photos", "other"):
        tip = _at(_MIDDLE, d.azimuth_deg, _reach(d) + 8.0)
        sides = [_at(end, d.azimuth_deg + 90.0 * s, 4.0) for s in (-1.0, 1.0)]
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in (tip, *sides))
        out += f'<polygon class="{d.kind} head" points="{points}"/>'
    return out


def _about(p: Point) -> Box:
    """A camera's square with its number, which stands beyond it as seen from the tower."""
    x, y = p[0] + 0.06 * (p[0] - _MIDDLE[0]), p[1] + 0.06 * (p[1] - _MIDDLE[1])
    return x - 13.0, y - 13.0, x + 13.0, y + 13.0


def _camera(p: Point, s: Standpoint) -> str:
    name = "camera" if s.used else "camera unused"
    return f'<rect class="{name}" x="{p[0] - 4:.1f}" y="{p[1] - 4:.1f}" width="8" height="8"/>'


def _camera_names(standpoints: Sequence[Standpoint], place: Callable[[Standpoint], Point], near_m: float) -> str:
    groups: list[list[Standpoint]] = []
    for s in standpoints:
        for g in groups:
            if math.dist(place(s), place(g[0])) < 26.0:
                g.append(s)
                break
        else:
            groups.append([s])
    out = []
    for g in groups:
        text = ", ".join(str(s.number) for s in g) if len(g) <= 4 else f"{g[0].number} and {len(g) - 1} more"
        far = [s.distance_m for s in g if s.distance_m > near_m * 1.001]
        if far:
            text += f" ({length_words(float(f'{max(far):.2g}'))})"
        x, y = _at(_MIDDLE, g[0].bearing_deg, math.dist(place(g[0]), _MIDDLE) + 15.0)
        side = math.sin(math.radians(g[0].bearing_deg))
        anchor = "start" if side > 0.35 else "end" if side < -0.35 else "middle"
        out.append(f'<text class="name halo" x="{x:.1f}" y="{y + 4:.1f}" text-anchor="{anchor}">{escaped(text)}</text>')
    return "".join(out)


def _antenna_names(antennas: Sequence[Antenna], taken: Sequence[Box]) -> str:
    """Names at the ends of the hands; those that point alike as one."""
    pointed = []
    for a in antennas:
        kinds = {d.kind: d.azimuth_deg for d in a.directions}
        at = kinds.get("photos", kinds.get("design", kinds.get("reading")))
        if at is not None:
            pointed.append((at, a.label))
    groups: list[list[tuple[float, str]]] = []
    for at, label in sorted(pointed):
        if groups and abs(float(difference_deg(at, groups[-1][-1][0]))) < 16.0:
            groups[-1].append((at, label))
        else:
            groups.append([(at, label)])
    if len(groups) > 1 and abs(float(difference_deg(groups[0][0][0], groups[-1][-1][0]))) < 16.0:
        groups[0] = groups.pop() + groups[0]
    boxes = list(taken)
    out = []
    for g in groups:
        try:
            at = circular_mean_deg([a for a, _ in g])
        except ValueError:
            at = g[0][0]
        ordered = sorted(n for _, n in g)
        names = [shortened(n, 18) for n in ordered[:3]] + ([f"and {len(g) - 3} more"] if len(g) > 3 else [])
        side, up = math.sin(math.radians(at)), math.cos(math.radians(at))
        wide, high = 7.5 * max(len(n) for n in names), 12.0 * len(names)
        for out_by in (14.0, 32.0, 50.0, 68.0, 14.0):  # the first place that covers nothing; else the nearest
            x, y = _at(_MIDDLE, at, _HANDS * 1.12 + out_by)
            top = y - (len(names) - 1) * 12.0 * (0.5 + 0.5 * up) + 4.0
            left = x if side > 0.35 else x - wide if side < -0.35 else x - 0.5 * wide
            box = (left, top - 10.0, left + wide, top - 10.0 + high)
            if not any(_overlap(box, b) for b in boxes):
                break
        boxes.append(box)
        anchor = "start" if side > 0.35 else "end" if side < -0.35 else "middle"
        out += [
            f'<text class="name blue halo" x="{x:.1f}" y="{top + 12.0 * k:.1f}" text-anchor="{anchor}">{escaped(n)}'
            "</text>"
            for k, n in enumerate(names)
        ]
    return "".join(out)


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _scale_bar(scale: float) -> str:
    length = nice_length(150.0 / scale)
    x, y, wide = 16.0, _HIGH - 20.0, length * scale
    return (
        f'<path class="scalebar" d="M {x},{y - 5} V {y} H {x + wide:.1f} V {y - 5}"/>'
        f'<text class="mark halo" x="{x}" y="{y - 9}">{length_words(length)}; hands not to scale</text>'
    )


def _north() -> str:
    x, y = _WIDE - 34.0, 40.0
    return (
        f'<polygon class="north" points="{x},{y - 22} {x - 7},{y + 6} {x},{y} {x + 7},{y + 6}"/>'
        f'<text class="compass" x="{x}" y="{y + 20}" text-anchor="middle">true north</text>'
    )


def _spoken(standpoints: Sequence[Standpoint], antennas: Sequence[Antenna]) -> str:
    said = [
        f"{a.label}: " + ", ".join(f"{d.label} {azimuth_deg(d.azimuth_deg):.1f}°" for d in a.directions)
        for a in antennas[:24]
    ]
    said += [
        f"photo {s.number} from {s.distance_m:.0f} m at {s.bearing_deg:.0f}°"
        + ("" if s.heading_deg is None else f", heading {s.heading_deg:.1f}°")
        for s in standpoints[:24]
    ]
    return "; ".join(said) or "nothing is known of it"
