"""The charts of the second-opinion sheet, as inline SVG: a plan of directions, intervals on a line, a budget's bars.

What is what is told by line style and a label beside it, not by colour alone; each has its figures as text alternative.
The classes are styled by the sheet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from photoaz.angles import difference_deg, format_azimuth_deg, format_difference_deg
from photoaz.present.words import escaped, shortened
from photoaz.result import BudgetShare

Point = tuple[float, float]

_MOST_SOURCES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """A direction drawn on the plan: how it is called, and how sure it is.

    kind: 'photos', 'other', 'reading' or 'design', which gives its line. half_deg: half of its interval (of a design:
    its tolerance), None where there is none.
    """

    kind: str
    label: str
    azimuth_deg: float
    half_deg: float | None
    note: str = ""


#: the hatching of the photos' sector, by the id that styles name
HATCH = (
    '<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<line x1="0" y1="0" x2="0" y2="5" class="hatch"/></pattern></defs>'
)

_WIDE, _HIGH, _R = 500.0, 262.0, 96.0
_MIDDLE: Point = (250.0, 138.0)
_REACH = {"photos": 0.88, "other": 0.8, "reading": 0.72, "design": 1.0}


def _at(azimuth: float, radius: float) -> Point:
    a = math.radians(azimuth)
    return _MIDDLE[0] + radius * math.sin(a), _MIDDLE[1] - radius * math.cos(a)


def _xy(p: Point) -> str:
    return f"{p[0]:.1f},{p[1]:.1f}"


def _sector(azimuth: float, half: float, r0: float, r1: float) -> str:
    """Path of a sector or a piece of a ring, azimuth +- half, between two radii; a full turn in two halves."""
    half = min(half, 179.9)
    a, b, large = azimuth - half, azimuth + half, int(half > 90.0)
    inner = (
        f"L {_xy(_at(b, r0))} A {r0:.1f} {r0:.1f} 0 {large} 0 {_xy(_at(a, r0))}" if r0 > 0.0 else f"L {_xy(_MIDDLE)}"
    )
    return f"M {_xy(_at(a, r1))} A {r1:.1f} {r1:.1f} 0 {large} 1 {_xy(_at(b, r1))} {inner} Z"


def _arrow(azimuth: float, radius: float, name: str) -> str:
    (x, y), (u, v) = _MIDDLE, _at(azimuth, radius - 9.0)
    sides = [_off(azimuth, radius - 11.0, aside) for aside in (4.5, -4.5)]
    head = " ".join(_xy(p) for p in (_at(azimuth, radius), *sides))
    return (
        f'<line class="{name}" x1="{x}" y1="{y}" x2="{u:.1f}" y2="{v:.1f}"/>'
        f'<polygon class="{name} head" points="{head}"/>'
    )


def _off(azimuth: float, radius: float, aside: float) -> Point:
    x, y = _at(azimuth, radius)
    a = math.radians(azimuth + 90.0)
    return x + aside * math.sin(a), y - aside * math.cos(a)


def plan_svg(
    directions: Sequence[Direction], cameras: Sequence[tuple[int, float]], *, ident: str = "plan", hatch: bool = True
) -> str:
    """The plan from above, true north on top: directions with their intervals as sectors, and the lines of sight.

    directions : at most a handful. cameras : number and bearing from the tower [deg] of each. Labels stand in columns
    beside the dial, each led to its direction, so that they never cover each other however the directions lie.
    ident : begins the ids in it, one for each plan of a page. hatch : whether to define the hatching; once a page.
    """
    marks = []
    for d in directions:
        half, reach = d.half_deg or 0.0, _R * _REACH[d.kind]
        if d.kind == "design":
            marks.append(f'<path class="band" d="{_sector(d.azimuth_deg, half, _R + 2.0, _R + 10.0)}"/>')
            (x1, y1), (x2, y2) = _at(d.azimuth_deg, 0.0), _at(d.azimuth_deg, _R + 13.0)
            marks.append(f'<line class="design" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>')
        else:
            marks.append(f'<path class="fan {d.kind}" d="{_sector(d.azimuth_deg, half, 0.0, reach)}"/>')
    hands = []
    for d in directions:
        if d.kind in ("photos", "other"):
            hands.append(_arrow(d.azimuth_deg, _R * _REACH[d.kind], d.kind))
        elif d.kind == "reading":
            (x1, y1), (x2, y2) = _MIDDLE, _at(d.azimuth_deg, _R * _REACH["reading"] - 4.0)
            x, y = _at(d.azimuth_deg, _R * _REACH["reading"])
            hands.append(f'<line class="reading" x1="{x1}" y1="{y1}" x2="{x2:.1f}" y2="{y2:.1f}"/>')
            hands.append(f'<circle class="reading end" cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
    said = "; ".join(_spoken(d) for d in directions) or "no direction is known"
    if cameras:
        said += "; cameras stand at " + ", ".join(f"{bearing:.0f}° (photo {n})" for n, bearing in cameras)
    return (
        f'<svg viewBox="0 0 {_WIDE:g} {_HIGH:g}" role="img" aria-labelledby="{ident}-t {ident}-d">'
        f'<title id="{ident}-t">Plan from above, true north on top</title><desc id="{ident}-d">{escaped(said)}</desc>'
        + (HATCH if hatch else "")
        + _ring()
        + "".join(marks)
        + _sights(cameras)
        + "".join(hands)
        + f'<circle class="tower" cx="{_MIDDLE[0]}" cy="{_MIDDLE[1]}" r="3"/>'
        + _labels(directions)
        + "</svg>"
    )


def _spoken(d: Direction) -> str:
    return f"{d.label} {figure_of(d)}"


def figure_of(d: Direction) -> str:
    """'277.6° ± 1.8°'."""
    if d.kind == "design":
        return f"{format_azimuth_deg(d.azimuth_deg)} ± {d.half_deg:g}°"
    note = f", {d.note}" if d.note else ""
    return format_azimuth_deg(d.azimuth_deg, d.half_deg) + note


def _ring() -> str:
    out = [f'<circle class="ring" cx="{_MIDDLE[0]}" cy="{_MIDDLE[1]}" r="{_R}"/>']
    ticks = ((_at(a, _R - (6.0 if a % 30 == 0 else 3.0)), _at(a, _R)) for a in range(0, 360, 10))
    out.append(f'<path class="ring" d="{"".join(f"M{_xy(inner)}L{_xy(outer)}" for inner, outer in ticks)}"/>')
    x, y = _MIDDLE[0], _MIDDLE[1] - _R - 15.0
    out.append(f'<polygon class="north" points="{x},{y - 8} {x - 5},{y + 3} {x + 5},{y + 3}"/>')
    out.append(f'<text class="compass" x="{x}" y="{y - 11}" text-anchor="middle">true north</text>')
    for azimuth in (90, 180, 270):
        x, y = _at(azimuth, _R - 14.0)
        out.append(f'<text class="mark" x="{x:.1f}" y="{y + 3:.1f}" text-anchor="middle">{azimuth}°</text>')
    return "".join(out)


def _sights(cameras: Sequence[tuple[int, float]]) -> str:
    """Lines of sight, cameras as numbered boxes; those that would cover each other stand nearer or become one."""
    groups: list[tuple[tuple[int, ...], float]] = [
        ((n,), bearing) for n, bearing in sorted(cameras, key=lambda c: (c[1], c[0]))
    ]
    while (placed := _boxes(groups)) is None:
        gaps = [abs(difference_deg(groups[k][1], groups[k - 1][1])) for k in range(len(groups))]
        k = gaps.index(min(gaps))
        numbers, bearing = groups[k - 1][0] + groups[k][0], groups[k - 1][1]
        rest = [g for n, g in enumerate(groups) if n not in (k, (k - 1) % len(groups))]
        groups = sorted([*rest, (tuple(sorted(numbers)), bearing)], key=lambda g: g[1])
    lines = "".join(
        f'<line class="sight" x1="{x:.1f}" y1="{y:.1f}" x2="{_MIDDLE[0]}" y2="{_MIDDLE[1]}"/>' for x, y, *_ in placed
    )
    boxes = "".join(
        f'<rect class="camera" x="{x - w:.1f}" y="{y - 6.5:.1f}" width="{2 * w:.1f}" height="13"/>'
        f'<text class="camera" x="{x:.1f}" y="{y + 3.5:.1f}" text-anchor="middle">{escaped(text)}</text>'
        for x, y, w, text in placed
    )
    return lines + boxes


def _boxes(groups: Sequence[tuple[tuple[int, ...], float]]) -> list[tuple[float, float, float, str]] | None:
    """Middle, half width and text of a box for each group, none covering another; None where there is no room."""
    placed: list[tuple[float, float, float, str]] = []
    for numbers, bearing in groups:
        text = ",".join(str(n) for n in numbers)
        half = 3.5 + 3.0 * len(text)
        for share in (0.62, 0.47, 0.32):
            x, y = _at(bearing, share * _R)
            if all(abs(x - u) > half + w + 1.0 or abs(y - v) > 14.0 for u, v, w, _ in placed):
                placed.append((x, y, half, text))
                break
        else:
            if len(groups) > 1:
                return None
    return placed


def _labels(directions: Sequence[Direction]) -> str:
    out = []
    for right in (True, False):
        mine = [d for d in directions if (math.sin(math.radians(d.azimuth_deg)) >= 0.0) is right]
        mine.sort(key=lambda d: _at(d.azimuth_deg, _R)[1])
        wanted = [_at(d.azimuth_deg, _R + 14.0)[1] for d in mine]
        for d, y in zip(mine, _spread(wanted, 29.0, 16.0, _HIGH - 20.0), strict=True):
            x = _WIDE - 118.0 if right else 118.0
            px, py = _at(d.azimuth_deg, _R + (14.0 if d.kind == "design" else 0.0))
            start = _at(d.azimuth_deg, _R * _REACH[d.kind]) if d.kind != "design" else (px, py)
            bend = _at(d.azimuth_deg, _R + 17.0)
            end = (x - 3.0 if right else x + 3.0, y)
            points = " ".join(_xy(p) for p in (start, bend, end))
            anchor = "start" if right else "end"
            swatch = (x + 2.0, x + 24.0) if right else (x - 24.0, x - 2.0)
            name = x + 28.0 if right else x - 28.0
            out.append(
                f'<polyline class="leader" points="{points}"/>'
                f'<line class="{d.kind} key" x1="{swatch[0]}" y1="{y - 3:.1f}" x2="{swatch[1]}" y2="{y - 3:.1f}"/>'
                f'<text class="name" x="{name}" y="{y:.1f}" text-anchor="{anchor}">{escaped(d.label)}</text>'
                f'<text class="figure" x="{x + 2 if right else x - 2}" y="{y + 12:.1f}" text-anchor="{anchor}">'
                f"{escaped(figure_of(d))}</text>"
            )
    return "".join(out)


def _spread(wanted: Sequence[float], apart: float, low: float, high: float) -> list[float]:
    """Places as near to those wanted (ascending) as they may be, `apart` from each other, within low and high.

    Blocks of labels that touch move as one, about the mean of what they want; there must be room for all.
    """
    blocks: list[tuple[float, int]] = []  # mean of (wanted - k apart), how many

    def start(block: tuple[float, int]) -> float:
        return min(max(block[0], low), high - apart * (block[1] - 1))

    for y in wanted:
        mean, n = y, 1
        while blocks and start((mean, n)) < start(blocks[-1]) + apart * blocks[-1][1]:
            before, m = blocks.pop()
            mean = (before * m + (mean - apart * m) * n) / (m + n)
            n += m
        blocks.append((mean, n))
    return [start(block) + apart * k for block in blocks for k in range(block[1])]


_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 90.0)


def strip_svg(directions: Sequence[Direction]) -> str:
    """Photos, reading, other azimuths as intervals on a line, in degrees off the design (without one, the photos)."""
    zero = next((d for d in directions if d.kind == "design"), None) or next(iter(directions), None)
    if zero is None:
        return "<p>Nothing to draw.</p>"
    rows = [d for d in directions if d is not zero or d.kind != "design"]
    off = [(d, float(difference_deg(d.azimuth_deg, zero.azimuth_deg))) for d in rows]
    tolerance = (zero.half_deg or 0.0) if zero.kind == "design" else 0.0
    points = [-tolerance, tolerance, 0.0, *(x + s * min(d.half_deg or 0.0, 180.0) for d, x in off for s in (-1.0, 1.0))]
    low, high = max(min(points), -200.0), min(max(points), 200.0)
    margin = max(0.05 * (high - low), 0.3)
    low, high = low - margin, high + margin
    left, right, top, step = 86.0, 348.0, 6.0, 19.0
    bottom = top + step * max(len(off), 1)

    def x_of(v: float) -> float:
        return left + (right - left) * (min(max(v, low), high) - low) / (high - low)

    out = []
    if tolerance:
        a, b = x_of(-tolerance), x_of(tolerance)
        out.append(f'<rect class="tolerance" x="{a:.1f}" y="{top}" width="{b - a:.1f}" height="{bottom - top}"/>')
    tick = next((s for s in _STEPS if (right - left) * s / (high - low) > 30.0), _STEPS[-1])
    for k in range(math.ceil(low / tick), math.floor(high / tick) + 1):
        x = x_of(k * tick)
        name = f"{k * tick:+g}°" if k else "0°"
        out.append(
            f'<line class="{"zero" if k == 0 else "grid"}" x1="{x:.1f}" y1="{top}" x2="{x:.1f}" y2="{bottom + 3}"/>'
        )
        out.append(f'<text class="mark" x="{x:.1f}" y="{bottom + 12}" text-anchor="middle">{name}</text>')
    for k, (d, value) in enumerate(off):
        y, half = top + step * (k + 0.5), min(d.half_deg or 0.0, 180.0)
        a, b, x = x_of(value - half), x_of(value + half), x_of(value)
        out.append(f'<text class="name" x="{left - 6}" y="{y + 3.5}" text-anchor="end">{escaped(d.label)}</text>')
        out.append(f'<line class="{d.kind} key" x1="{a:.1f}" y1="{y}" x2="{b:.1f}" y2="{y}"/>')
        out += [f'<line class="cap" x1="{e:.1f}" y1="{y - 4}" x2="{e:.1f}" y2="{y + 4}"/>' for e in (a, b)]
        out.append(
            f'<circle class="reading end" cx="{x:.1f}" cy="{y}" r="3.6"/>'
            if d.kind == "reading"
            else f'<circle class="dot" cx="{x:.1f}" cy="{y}" r="3.6"/>'
        )
    what = "degrees off the design" if zero.kind == "design" else "degrees off the photos"
    key = f"{what}; shaded: tolerance ± {tolerance:g}°" if tolerance else what
    out.append(
        f'<text class="mark" x="{(left + right) / 2:.1f}" y="{bottom + 23}" text-anchor="middle">{escaped(key)}</text>'
    )
    said = "; ".join(f"{d.label} {format_difference_deg(v)} ± {d.half_deg or 0.0:.1f}°" for d, v in off)
    return (
        f'<svg viewBox="0 0 360 {bottom + 28}" role="img" '
        f'aria-label="{escaped(f"{what}: {said}; tolerance ± {tolerance:g}°")}">' + "".join(out) + "</svg>"
    )


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %" if share >= 0.005 else "< 1 %"


def budget_svg(budget: Sequence[BudgetShare]) -> str:
    """Bars of each source's share of the azimuth's variance, with what it alone would give (U95)."""
    shares = sorted(budget, key=lambda s: -s.share)
    if not shares:
        return "<p>No azimuth, no budget.</p>"
    shown = [(s.source, s.share, s.u95_deg) for s in shares[:_MOST_SOURCES]]
    rest = shares[_MOST_SOURCES:]
    if rest:
        shown[-1:] = []
        rest = shares[_MOST_SOURCES - 1 :]
        shown.append((f"{len(rest)} others", sum(s.share for s in rest), math.hypot(*(s.u95_deg for s in rest))))
    left, room, step = 140.0, 135.0, 15.0
    out = []
    for k, (source, share, u95) in enumerate(shown):
        y = 3.0 + step * k
        wide = max(room * share, 0.8)
        out.append(
            f'<text class="figure" x="{left - 5}" y="{y + 9}" text-anchor="end">{escaped(shortened(source, 26))}</text>'
        )
        out.append(f'<rect class="bar" x="{left}" y="{y + 1}" width="{wide:.1f}" height="10"/>')
        figure = f"{_percent(share)}, ± {u95:.2g}°"
        out.append(f'<text class="figure" x="{left + wide + 4:.1f}" y="{y + 9}">{escaped(figure)}</text>')
    said = "; ".join(f"{s} {_percent(share)} (± {u95:.2g}°)" for s, share, u95 in shown)
    return (
        f'<svg viewBox="0 0 360 {6.0 + step * len(shown):g}" role="img" '
        f'aria-label="{escaped(f"Shares of the variance: {said}")}">' + "".join(out) + "</svg>"
    )
