"""Charts of a whole archive as inline SVG: how far photos, readings and designs lie apart, and when they were taken.

Every difference is photos minus register. What lies beyond an axis is drawn at its end, and counted there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import Array, format_difference_deg
from photoaz.present.antenna_rows import Apart, ChartNumbers
from photoaz.present.canvas import Svg
from photoaz.present.charts import Axis
from photoaz.present.words import grouped, plural

_WIDE, _LEFT, _RIGHT = 640.0, 52.0, 606.0
_BIN_STEPS = (0.25, 0.5, 1.0, 2.0, 5.0)
_TICKS = (1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 45.0, 60.0, 90.0)
_MOST_BINS = 48
_FARTHEST_DEG = 60.0
#: points that a chart draws; of more one for each cell that has any
_MOST_POINTS, _CELL = 4000, 2.0
_MOST_LINKS = 300
#: a month stands out that is off the others by more than this and by so many standard errors of its median, of so many
#: antennas at least (common practice, no source)
_OFF_DEG, _OFF_ERRORS, _OFF_ANTENNAS = 3.0, 4.0, 4
#: standard error of a normal sample's median over that of its mean; standard deviation over the median absolute one
_MEDIAN_ERROR, _PER_MAD = 1.2533, 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """An SVG with what stands above and below it."""

    ident: str
    title: str
    svg: str
    note: str = ""
    found: tuple[Campaign, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """A month that stands out: its antennas and their median, that of all others; month: '2019-06'."""

    month: str
    antennas: int
    median_deg: float
    others_deg: float

    @property
    def sentence(self) -> str:
        """'2019-06: 14 antennas, -12.3° in the median; all others +0.1°'."""
        of_them = plural(self.antennas, "antenna")
        return (
            f"{self.month}: {of_them}, {format_difference_deg(self.median_deg)} in the median; "
            f"all others {format_difference_deg(self.others_deg)}"
        )


def archive_charts(numbers: ChartNumbers) -> list[Chart]:
    """All charts that there are numbers for."""
    azimuth, reading, off, own, deviation, tolerance, read_on, surveyed = numbers.columns()
    tolerances = set(tolerance.tolist())
    common = tolerances.pop() if len(tolerances) == 1 else None
    charts = [
        _histograms("off-design", "Photos − design", [("all antennas", deviation)], common),
        _histograms(
            "off-reading",
            "Photos − reading",
            [
                ("all antennas", off),
                ("shared by a whole site", np.asarray(numbers.common, float)),
                ("each antenna's own, without it", own),
            ],
            None,
        ),
        _scatter(azimuth, reading, off, numbers.apart),
        _timeline("by-reading", "Photos − reading, by the day of the reading", read_on.astype(int), off),
        _timeline("by-survey", "Photos − reading, by the day of the photos", surveyed.astype(int), off),
    ]
    return [c for c in charts if c is not None]


def _reach(values: Array) -> float:
    """How far an axis goes to either side: to 98 of 100 values, in whole steps."""
    far = float(np.quantile(np.abs(values), 0.98, method="higher"))
    return min(max(5.0 * math.ceil(far / 5.0 + 1e-9), 10.0), _FARTHEST_DEG)


def _histograms(
    ident: str, title: str, series: Sequence[tuple[str, Array]], tolerance_deg: float | None
) -> Chart | None:
    """Counts over one axis, a panel for each series; the ends hold what lies beyond."""
    known = [(name, values[np.isfinite(values)]) for name, values in series]
    known = [(name, values) for name, values in known if len(values)]
    if not known:
        return None
    reach = _reach(np.concatenate([values for _, values in known]))
    width = next(b for b in _BIN_STEPS if 2.0 * reach / b <= _MOST_BINS)
    edges = np.arange(-reach, reach + 0.5 * width, width)
    high, gap = (150.0 if len(known) == 1 else 88.0), 24.0
    svg, axis = Svg(_WIDE, (high + gap) * len(known) + 24.0), Axis(-reach, reach, _LEFT, _RIGHT)
    said = []
    for k, (name, values) in enumerate(known):
        top = (high + gap) * k + gap
        counts = np.histogram(np.clip(values, edges[0], edges[-1]), edges)[0]
        bottom, most = top + high - 16.0, max(int(counts.max()), 1)
        if tolerance_deg is not None:
            left, right = axis.x(-tolerance_deg), axis.x(tolerance_deg)
            svg.rect("tolerance", (left, top), right - left, bottom - top)
        axis.draw(svg, top, bottom, 20.0)  # room for the large letters of small windows
        for count, angle in zip(counts, edges[:-1].tolist(), strict=True):
            if count:
                tall, left = max((bottom - top) * count / most, 1.0), axis.x(angle)
                svg.rect("bar", (left + 0.6, bottom - tall), axis.x(angle + width) - left - 1.2, tall)
        svg.text("mark", (_LEFT - 6.0, top + 9.0), grouped(most), "end")
        svg.text("mark", (_LEFT - 6.0, bottom), "0", "end")
        middle = float(np.median(values))
        about = f"{name}: {grouped(len(values))}, median {format_difference_deg(middle)}"
        beyond = int((np.abs(values) > reach).sum())
        about += f", {grouped(beyond)} beyond ± {reach:g}°" if beyond else ""
        svg.text("name", (_LEFT, top - 7.0), about, "start")
        said.append(about)
    shaded = f"; shaded: tolerance ± {tolerance_deg:g}°" if tolerance_deg is not None else ""
    return Chart(
        ident=ident,
        title=title,
        svg=svg.document(title, "; ".join(said), ident=ident, name="archive"),
        note=f"Antennas for each {width:g}°{shaded}.",
    )


def _scatter(azimuth: Array, reading: Array, off: Array, apart: Sequence[Apart]) -> Chart | None:
    """Photos against readings with the line of equality; those that disagree lead to their site's page."""
    known = np.isfinite(azimuth) & np.isfinite(reading) & np.isfinite(off)
    if not known.any():
        return None
    side, left, top = 380.0, 150.0, 12.0
    svg = Svg(_WIDE, side + 56.0)

    def at(reading_deg: float, azimuth_deg: float) -> tuple[float, float]:
        return left + side * reading_deg / 360.0, top + side * (1.0 - azimuth_deg / 360.0)

    for v in range(0, 361, 45):
        (x, y), half = at(float(v), float(v)), v % 90 == 0
        svg.line("grid", (x, top), (x, top + side))
        svg.line("grid", (left, y), (left + side, y))
        if half:
            svg.text("mark", (x, top + side + 15.0), f"{v}°")
            svg.text("mark", (left - 6.0, y + 4.0), f"{v}°", "end")
    svg.line("zero", at(0.0, 0.0), at(360.0, 360.0))
    svg.text("name", (left + side / 2.0, top + side + 34.0), "reading, true north")
    svg.text("name", (left - 6.0, top + side / 2.0 - 22.0), "photos", "end")
    for x, y in _thinned([at(r, a) for r, a in zip(reading[known], azimuth[known], strict=True)]):
        svg.circle("dot", (x, y), 2.4)
    for one in sorted(apart, key=lambda one: -abs(one.difference_deg))[:_MOST_LINKS]:
        x, y = at(one.reading_deg, one.azimuth_deg)
        about = f"{one.antenna_id}: photos − reading {format_difference_deg(one.difference_deg)}"
        with svg.link(f"sites/{one.place}", about):
            svg.path("pin reading", f"M{x:.1f} {y - 5:.1f}l5 5 -5 5 -5 -5z")
    said = f"{grouped(int(known.sum()))} antennas, {grouped(len(apart))} of which disagree"
    return Chart(
        ident="equality",
        title="Photos against readings",
        svg=svg.document("Photos against readings", said, ident="equality", name="archive"),
        note="Dotted: equal. ◆ disagrees: click for the antenna.",
    )


def _thinned(points: Sequence[tuple[float, float]]) -> Iterable[tuple[float, float]]:
    """All points, or of many one for each cell."""
    if len(points) <= _MOST_POINTS:
        return points
    return {(int(x / _CELL), int(y / _CELL)): (x, y) for x, y in points}.values()


def _timeline(ident: str, title: str, days: NDArray[np.int64], off: Array) -> Chart | None:
    """Differences over time, with each month's median; months that stand out are named."""
    known = (days > 0) & np.isfinite(off)
    if known.sum() < 2:
        return None
    day, value = days[known], off[known]
    months = np.array([f"{d.year:04d}-{d.month:02d}" for d in map(date.fromordinal, day.tolist())])
    found = _standing_out(months, value)
    apart = {c.month for c in found}
    reach = _reach(value)
    reach = min(max(reach, *(abs(c.median_deg) + 3.0 for c in found), 10.0), _FARTHEST_DEG) if found else reach
    first, last = _whole_months(int(day.min()), int(day.max()))
    top, high = 14.0, 190.0
    bottom = top + high
    svg = Svg(_WIDE, bottom + 26.0)
    x_of, y_of = Axis(first, last, _LEFT + 8.0, _RIGHT - 8.0).x, Axis(-reach, reach, bottom, top).x
    step = next(t for t in _TICKS if 2.0 * reach / t <= 9.0)
    for k in range(-int(reach / step), int(reach / step) + 1):
        svg.line("zero" if k == 0 else "grid", (_LEFT, y_of(k * step)), (_RIGHT, y_of(k * step)))
        svg.text("mark", (_LEFT - 6.0, y_of(k * step) + 4.0), f"{k * step:+g}°" if k else "0°", "end")
    for x, words in _time_marks(first, last, x_of):
        svg.line("grid", (x, top), (x, bottom))
        svg.text("mark", (x, bottom + 15.0), words)
    for x, y in _thinned([(x_of(d), y_of(v)) for d, v in zip(day.tolist(), value.tolist(), strict=True)]):
        svg.circle("dot soft", (x, y), 2.2)
    for month in sorted(set(months)):
        count = 12 * int(month[:4]) + int(month[5:]) - 1
        x1, x2 = x_of(_month_begins(count)), x_of(_month_begins(count + 1))
        middle = y_of(float(np.median(value[months == month])))
        svg.line("median apart" if month in apart else "median", (x1, middle), (max(x2, x1 + 5.0), middle))
        if month in apart:
            svg.text("name turned halo", (min(max(0.5 * (x1 + x2), 100.0), 560.0), middle - 7.0), month)
    said = "; ".join(c.sentence for c in found) or "no month stands out"
    return Chart(
        ident=ident,
        title=title,
        svg=svg.document(title, f"{grouped(int(known.sum()))} antennas; {said}", ident=ident, name="archive"),
        note="A dot an antenna, a bar the median of its month.",
        found=found,
    )


def _whole_months(first: int, last: int) -> tuple[int, int]:
    """Days from the beginning of the first one's month to the end of the last one's; a year at least, about them."""
    a, b = date.fromordinal(first), date.fromordinal(last)
    start, end = 12 * a.year + a.month - 1, 12 * b.year + b.month
    start -= max(12 - (end - start), 0) // 2
    return _month_begins(start), _month_begins(max(end, start + 12))


def _month_begins(month: int) -> int:
    """The day on which a month begins, both counted from the year 0 and 1."""
    return date(month // 12, month % 12 + 1, 1).toordinal()


def _time_marks(first: int, last: int, x_of: Callable[[float], float]) -> list[tuple[float, str]]:
    """Years, or within two years every third month."""
    a, b = date.fromordinal(first), date.fromordinal(last)
    if b.year - a.year >= 2:
        step = max(1, (b.year - a.year) // 9)
        return [(x_of(date(y, 1, 1).toordinal()), str(y)) for y in range(a.year + 1, b.year + 1, step)]
    days = [date(y, m, 1) for y in range(a.year, b.year + 1) for m in (1, 4, 7, 10)]
    inside = [d for d in days if first <= d.toordinal() <= last] or [a]
    return [(x_of(d.toordinal()), f"{d.year}-{d.month:02d}") for d in inside]


def _standing_out(months: NDArray[np.str_], off: Array) -> tuple[Campaign, ...]:
    """Months whose median lies off that of all others by more than both their scatter explains."""
    out = []
    for month in sorted(set(months.tolist())):
        mine = months == month
        here, others = off[mine], off[~mine]
        if len(here) < _OFF_ANTENNAS or len(others) < _OFF_ANTENNAS:
            continue
        apart = float(np.median(here) - np.median(others))
        scatter = (max(_PER_MAD * float(np.median(np.abs(v - np.median(v)))), 0.5) for v in (here, others))
        error = math.hypot(
            *(_MEDIAN_ERROR * s / math.sqrt(len(v)) for s, v in zip(scatter, (here, others), strict=True))
        )
        if abs(apart) > max(_OFF_DEG, _OFF_ERRORS * error):
            middle, rest = float(np.median(here)), float(np.median(others))
            out.append(Campaign(month=month, antennas=len(here), median_deg=middle, others_deg=rest))
    return tuple(sorted(out, key=lambda c: -abs(c.median_deg - c.others_deg)))
