"""The azimuth plan: a site from above, true north on top, what points where and from where it was seen. Drawn once.

Sheets and pages have it as inline SVG, styled by their CSS classes; overlays have the same shapes as pixels
(present.dial). What is what is told by line style and a label beside it, not by colour alone.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from photoaz.angles import circular_mean_deg, format_azimuth_deg
from photoaz.present.canvas import Canvas, Point, Svg, length_words, nice_length, out
from photoaz.present.words import shortened

#: left, top, right, bottom
Box = tuple[float, float, float, float]
Item = TypeVar("Item")

_MOST_SIGHTS, _MOST_NAMES, _MOST_SPOKEN = 60, 3, 24
#: length of a direction's hand over that of the photos'
_LENGTH = {"photos": 1.0, "other": 0.91, "reading": 0.82, "design": 1.12}

# ---- what is drawn ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """A direction drawn on the plan: how it is called, and how sure it is.

    kind: 'photos', 'other', 'reading' or 'design', which gives its line. half_deg: half of its interval (of a design:
    its tolerance), None where there is none.
    """

    kind: str
    label: str
    azimuth_deg: float
    half_deg: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointing:
    """An antenna's name on the plan, and its directions."""

    label: str
    directions: Sequence[Direction]

    @property
    def azimuth_deg(self) -> float | None:
        """Where its name stands: at the photos' azimuth, else the design's, else the reading's."""
        kinds = {d.kind: d.azimuth_deg for d in self.directions}
        return kinds.get("photos", kinds.get("design", kinds.get("reading")))


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraPlace:
    """Where a photo was, or is to be, taken: bearing [deg] and distance [m] from the tower.

    number: 0 where there is one only. distance_m: None where it is not known, or not drawn. heading_deg +- half_deg: of
    the camera with its U95, or what its frame holds.
    """

    number: int
    bearing_deg: float
    distance_m: float | None = None
    used: bool = True
    heading_deg: float | None = None
    half_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanLayout:
    """A kind of plan.

    size: of the canvas; middle: the tower's place; reach: radius of the rim, or of the farthest camera drawn to scale;
    hands: length of the photos' arrows, which are directions, not to scale. letter, digit: sizes of names and of
    cameras' numbers; unit: what marks are scaled by. dial: cameras stand at bearings only, within a rim with degrees.
    columns: directions are named beside the dial, for one antenna, instead of antennas at their hands. numbered:
    cameras bear their number and, beyond, their distance. north: the arrow's middle; its words stand above or below.
    """

    size: Point
    middle: Point
    reach: float
    hands: float
    letter: float = 11.5
    digit: float = 9.5
    unit: float = 1.0
    dial: bool = False
    columns: bool = False
    numbered: bool = False
    north: Point
    north_words: str = "true north"
    words_below: bool = True


#: one antenna, for the sheet and the page; all that a site has, for the page; where to go, for the field sheet
ANTENNA_DIAL = PlanLayout(
    size=(560.0, 262.0),
    middle=(280.0, 138.0),
    reach=96.0,
    hands=84.5,
    dial=True,
    columns=True,
    numbered=True,
    north=(280.0, 30.0),
    words_below=False,
)
SITE_PLAN = PlanLayout(size=(640.0, 520.0), middle=(320.0, 262.0), reach=190.0, hands=112.0, north=(606.0, 46.0))
FIELD_PLAN = PlanLayout(
    size=(640.0, 440.0),
    middle=(320.0, 222.0),
    reach=172.0,
    hands=72.0,
    digit=14.0,
    numbered=True,
    north=(600.0, 42.0),
)
#: the hatching of the photos' sector, by the id that styles name; once a page
HATCH = (
    '<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<line x1="0" y1="0" x2="0" y2="5" class="hatch"/></pattern></defs>'
)


def azimuth_plan(
    antennas: Sequence[Pointing],
    cameras: Sequence[CameraPlace] = (),
    *,
    layout: PlanLayout = SITE_PLAN,
    rings: Sequence[tuple[float, str]] = (),
    landmarks: Sequence[tuple[float, str]] = (),
    ident: str = "plan",
    hatch: bool = False,
) -> str:
    """The plan as inline SVG.

    antennas : what points where. cameras : much farther out than the others they stand at the rim, with their distance.
    layout : which plan. rings : distances [m] about the tower with their words. landmarks : bearings [deg] and names,
    at the rim. ident : begins the ids in it, one for each plan of a page. hatch : whether to define the hatching.
    """
    canvas = Svg(*layout.size)
    draw_plan(canvas, layout, antennas, cameras, rings, landmarks)
    said = _spoken(antennas, cameras, layout.columns) or "nothing is known of it"
    title, defs = "Plan from above, true north on top", HATCH if hatch else ""
    return canvas.document(title, said, ident=ident, name="" if layout.dial else "siteplan", defs=defs)


def draw_plan(
    canvas: Canvas,
    layout: PlanLayout,
    antennas: Sequence[Pointing],
    cameras: Sequence[CameraPlace],
    rings: Sequence[tuple[float, str]] = (),
    landmarks: Sequence[tuple[float, str]] = (),
) -> None:
    """Draw the plan, from what lies lowest."""
    scale = layout.reach / _reach_m(cameras)
    directions = [d for a in antennas for d in a.directions]
    _ground(canvas, layout)
    _rings(canvas, layout, [(metres * scale, words) for metres, words in rings])
    places = [(c, _place(layout, c, scale)) for c in cameras]
    used = [(c, at) for c, at in places if c.used][:_MOST_SIGHTS]
    for c, at in used:
        if c.heading_deg is not None and c.half_deg is not None:
            beyond = 26.0 if layout.numbered else 0.0
            canvas.sector("aim", at, c.heading_deg, c.half_deg, 0.0, math.dist(at, layout.middle) + beyond)
    for d in directions:
        draw_fan(canvas, layout, d)
    for _, at in used:
        canvas.line("sight", at, layout.middle)
    for d in directions:
        draw_hand(canvas, layout, d)
    canvas.circle("tower", layout.middle, 3.5 * layout.unit)
    _landmarks(canvas, layout, landmarks)
    taken = _cameras(canvas, layout, places, scale)
    if layout.columns:
        _columns(canvas, layout, directions)
    else:
        whole = {shortened(a.label, 18): a.label for a in antennas}
        for names, (left, top, right, _) in name_places(canvas, layout, antennas, taken):
            for k, name in enumerate(names):
                at = 0.5 * (left + right), top + layout.letter * (0.85 + 1.05 * k)
                canvas.text("name blue halo", at, name, whole=whole.get(name, ""))
    if not layout.dial:
        _scale_bar(canvas, layout, scale)


def _reach_m(cameras: Sequence[CameraPlace]) -> float:
    """The farthest distance drawn to scale: none above three times the median."""
    distances = [c.distance_m for c in cameras if c.distance_m is not None]
    if not distances:
        return 50.0
    limit = 3.0 * statistics.median(distances)
    return max([d for d in distances if d <= limit] + [10.0])


def _place(layout: PlanLayout, c: CameraPlace, scale: float) -> Point:
    if layout.dial:
        share = 0.55 if c.number else 0.94
        return out(layout.middle, c.bearing_deg, share * layout.reach)
    return out(layout.middle, c.bearing_deg, min((c.distance_m or math.inf) * scale, layout.reach + 14.0))


def _length(layout: PlanLayout, d: Direction) -> float:
    return _LENGTH[d.kind] * layout.hands


def _ground(canvas: Canvas, layout: PlanLayout) -> None:
    """North, and a dial's rim with its degrees."""
    unit, (x, y) = layout.unit, layout.north
    canvas.polygon("north", *((x + dx * unit, y + dy * unit) for dx, dy in ((0, -18), (-6, 6), (0, 1), (6, 6))))
    canvas.text("compass", (x, y + (22.0 if layout.words_below else -21.0) * unit), layout.north_words)
    if not layout.dial:
        return
    canvas.circle("ring", layout.middle, layout.reach)
    for azimuth in range(0, 360, 10):
        inner = layout.reach - (6.0 if azimuth % 30 == 0 else 3.0) * unit
        canvas.line("ring", *(out(layout.middle, azimuth, r) for r in (inner, layout.reach)))
    for azimuth in (90, 180, 270):
        x, y = out(layout.middle, azimuth, layout.reach - 18.0 * unit)
        canvas.text("mark", (x, y + 3.0 * unit), f"{azimuth}°")


def _rings(canvas: Canvas, layout: PlanLayout, rings: Sequence[tuple[float, str]]) -> None:
    """Circles about the tower that are neither lost in it nor beyond the plan, their words apart from each other."""
    for k, (radius, words) in enumerate(rings):
        if 12.0 < radius <= 1.15 * layout.reach:
            canvas.circle("distance", layout.middle, radius)
            x, y = out(layout.middle, 218.0 + 92.0 * k, radius)
            canvas.text("mark halo", (x, y + 3.0), words)


def draw_fan(canvas: Canvas, layout: PlanLayout, d: Direction) -> None:
    """The interval of a direction; a design's tolerance belongs to its hand."""
    if d.half_deg is not None and d.kind != "design":
        soft = "" if layout.columns else "soft "
        canvas.sector(f"fan {soft}{d.kind}", layout.middle, d.azimuth_deg, d.half_deg, 0.0, _length(layout, d))


def draw_hand(canvas: Canvas, layout: PlanLayout, d: Direction) -> None:
    """An arrow for what photos say, an open ring for a reading, a piece of a ring over a design's tolerance."""
    middle, unit, reach = layout.middle, layout.unit, _length(layout, d)
    if d.kind == "design":
        inner = layout.reach + 2.0 * unit if layout.dial else reach
        thick = (8.0 if layout.dial else 3.0) * unit
        if d.half_deg:
            canvas.sector("band", middle, d.azimuth_deg, d.half_deg, inner, inner + thick)
        canvas.line("design", middle, out(middle, d.azimuth_deg, inner + thick + 3.0 * unit))
    elif d.kind == "reading":
        canvas.line("reading", middle, out(middle, d.azimuth_deg, reach - 4.0 * unit))
        canvas.circle("reading end", out(middle, d.azimuth_deg, reach), 4.0 * unit)
    else:
        canvas.line(d.kind, middle, out(middle, d.azimuth_deg, reach - 9.0 * unit))
        sides = [out(middle, d.azimuth_deg, reach - 11.0 * unit, aside * unit) for aside in (4.5, -4.5)]
        canvas.polygon(f"{d.kind} head", out(middle, d.azimuth_deg, reach), *sides)


def _landmarks(canvas: Canvas, layout: PlanLayout, landmarks: Sequence[tuple[float, str]]) -> None:
    for bearing, name in landmarks:
        a, b, words = (out(layout.middle, bearing, layout.reach + more) for more in (12.0, 24.0, 34.0))
        canvas.line("rim", a, b)
        canvas.text("mark halo", (words[0], words[1] + 3.0), shortened(name, 20), _anchor(bearing), name)


def _anchor(bearing_deg: float) -> str:
    """How text beyond a mark is anchored, so that it runs away from the tower."""
    side = math.sin(math.radians(bearing_deg))
    return "start" if side > 0.35 else "end" if side < -0.35 else "middle"


def _cameras(
    canvas: Canvas, layout: PlanLayout, places: Sequence[tuple[CameraPlace, Point]], scale: float
) -> Sequence[Box]:
    """Cameras with their numbers, those that would cover each other under one; the room that they take."""
    half = 4.0 * layout.unit
    if not layout.numbered or (layout.dial and not all(c.number for c, _ in places)):
        for c, (x, y) in places:
            canvas.rect("camera" if c.used else "camera unused", (x - half, y - half), 2 * half, 2 * half)
    taken = [(x - 13.0, y - 13.0, x + 13.0, y + 13.0) for _, (x, y) in places]

    def words(group: Sequence[tuple[CameraPlace, Point]]) -> str:
        numbers = sorted(c.number for c, _ in group)
        text = ",".join(map(str, numbers)) if len(numbers) <= 5 else f"{numbers[0]} and {len(numbers) - 1} more"
        far = max((c.distance_m or 0.0 for c, _ in group), default=0.0)
        beyond = not layout.numbered and far * scale > 1.001 * layout.reach
        return text + (f" ({length_words(float(f'{far:.2g}'))})" if beyond else "")

    def box(group: Sequence[tuple[CameraPlace, Point]]) -> Box:
        camera, (x, y) = group[0]
        wide, high = 3.5 + 0.5 * canvas.text_width(words(group), layout.digit), 0.68 * layout.digit
        if not layout.numbered:  # beside it
            side = {"start": wide, "end": -wide, "middle": 0.0}[_anchor(camera.bearing_deg)]
            x, y = out((x + side, y), camera.bearing_deg, 12.0)
        return x - wide, y - high, x + wide, y + high

    for group, (left, top, right, bottom) in grouped([p for p in places if p[0].number], box):
        at = 0.5 * (left + right), 0.5 * (top + bottom) + 0.36 * layout.digit
        if not layout.numbered:
            canvas.text("name halo", at, words(group))
            continue
        canvas.rect("camera", (left, top), right - left, bottom - top)
        canvas.text("camera", at, words(group))
        camera = group[0][0]
        if not layout.dial and camera.distance_m is not None:
            x, y = out((at[0], 0.5 * (top + bottom)), camera.bearing_deg, 24.0)
            canvas.text("mark halo", (x, y + 3.0), f"{camera.distance_m:.0f} m")
    return taken


def grouped(items: Sequence[Item], box_of: Callable[[Sequence[Item]], Box]) -> list[tuple[list[Item], Box]]:
    """Items as groups whose boxes keep clear of each other: what would cover another becomes one with it."""
    groups: list[tuple[list[Item], Box]] = []
    for item in items:
        group = [item]
        while hit := next((g for g in groups if _overlap(g[1], box_of(group))), None):
            groups.remove(hit)
            group = hit[0] + group
        groups.append((group, box_of(group)))
    return groups


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def name_places(
    canvas: Canvas, layout: PlanLayout, antennas: Sequence[Pointing], taken: Sequence[Box] = ()
) -> list[tuple[list[str], Box]]:
    """Antennas' names beyond the ends of their hands, those that would cover each other as one, clear of cameras."""
    start = (layout.reach if layout.dial else 1.12 * layout.hands) + 17.0 * layout.unit

    def names(group: Sequence[tuple[float, str]]) -> list[str]:
        told = sorted(label for _, label in group)
        most = len(told) if layout.dial else _MOST_NAMES
        more = [f"and {len(told) - most} more"] if len(told) > most else []
        return [shortened(n, 18) for n in told[:most]] + more

    def box(group: Sequence[tuple[float, str]]) -> Box:
        azimuth, told = mean_azimuth_deg([a for a, _ in group]), names(group)
        half_wide = 0.5 * max(canvas.text_width(n, layout.letter) for n in told)
        half_high = 0.525 * layout.letter * len(told)
        a = math.radians(azimuth)
        reach = start + half_wide * abs(math.sin(a)) + half_high * abs(math.cos(a))
        found: list[Box] = []
        for beyond in (0.0,) if layout.dial else (0.0, 18.0, 36.0, 54.0):
            x, y = out(layout.middle, azimuth, reach + beyond)
            x = min(max(x, half_wide + 4.0), layout.size[0] - half_wide - 4.0)
            y = min(max(y, half_high), layout.size[1] - half_high)
            found.append((x - half_wide, y - half_high, x + half_wide, y + half_high))
        # the first place that covers no camera; else the nearest
        return next((b for b in found if not any(_overlap(b, t) for t in taken)), found[0])

    pointed = [(a.azimuth_deg, a.label) for a in antennas if a.azimuth_deg is not None and a.label]
    return [(names(group), where) for group, where in grouped(sorted(pointed), box)]


def mean_azimuth_deg(directions_deg: Sequence[float]) -> float:
    """Mean on the circle; of those that point all round, which have none, the first."""
    try:
        return circular_mean_deg(directions_deg)
    except ValueError:
        return directions_deg[0]


def _columns(canvas: Canvas, layout: PlanLayout, directions: Sequence[Direction]) -> None:
    """Labels in columns beside the dial, each led to its direction, so that they never cover each other."""
    wide, high = layout.size
    middle, rim = layout.middle, layout.reach
    for right in (True, False):
        mine = [d for d in directions if (math.sin(math.radians(d.azimuth_deg)) >= 0.0) is right]
        mine.sort(key=lambda d: out(middle, d.azimuth_deg, rim)[1])
        wanted = [out(middle, d.azimuth_deg, rim + 14.0)[1] for d in mine]
        side, anchor = (1.0, "start") if right else (-1.0, "end")
        x = wide - 148.0 if right else 148.0  # room for the longest figure in the widest of usual fonts
        for d, y in zip(mine, spread(wanted, 29.0, 16.0, high - 20.0), strict=True):
            start = rim + 14.0 if d.kind == "design" else _length(layout, d)
            bend = out(middle, d.azimuth_deg, rim + 17.0)
            canvas.line("leader", out(middle, d.azimuth_deg, start), bend, (x - 3.0 * side, y))
            canvas.line(f"{d.kind} key", (x + 2.0 * side, y - 3.0), (x + 24.0 * side, y - 3.0))
            canvas.text("name", (x + 28.0 * side, y), d.label, anchor)
            canvas.text("figure", (x + 2.0 * side, y + 12.0), figure_of(d), anchor)


def spread(wanted: Sequence[float], apart: float, low: float, high: float) -> list[float]:
    """Places as near to those wanted (ascending) as they may be, `apart` from each other, within low and high.

    Isotonic regression of what is left over above k times `apart`; there must be room for all.
    """
    from scipy.optimize import isotonic_regression

    if not wanted:
        return []
    steps = apart * np.arange(len(wanted))
    spare = np.clip(isotonic_regression(np.asarray(wanted) - steps).x, low, high - steps[-1])
    return [float(y) for y in spare + steps]


def _scale_bar(canvas: Canvas, layout: PlanLayout, scale: float) -> None:
    length = nice_length(150.0 / scale)
    x, y = 16.0, layout.size[1] - 20.0
    end = x + length * scale
    canvas.line("scalebar", (x, y - 5.0), (x, y), (end, y), (end, y - 5.0))
    canvas.text("mark halo", (x, y - 9.0), f"{length_words(length)}; hands not to scale", "start")


def figure_of(d: Direction) -> str:
    """'277.6° ± 1.8°'."""
    if d.kind == "design":
        return f"{format_azimuth_deg(d.azimuth_deg)} ± {d.half_deg or 0.0:g}°"
    return format_azimuth_deg(d.azimuth_deg, d.half_deg) + (f", {d.note}" if d.note else "")


def _spoken(antennas: Sequence[Pointing], cameras: Sequence[CameraPlace], one: bool) -> str:
    """What the plan says, for those who cannot see it."""
    said = []
    for a in antennas[:_MOST_SPOKEN]:
        told = ", ".join(f"{d.label} {figure_of(d)}" for d in a.directions)
        said.append(told if one else f"{a.label}: {told}")
    for c in cameras[:_MOST_SPOKEN]:
        where = "" if c.distance_m is None else f"from {c.distance_m:.0f} m "
        heading = "" if c.heading_deg is None else f", heading {c.heading_deg:.1f}°"
        said.append(f"photo {c.number} {where}at {c.bearing_deg:.0f}°{heading}")
    return "; ".join(s for s in said if s)
