"""Azimuths of a site's antennas over its visits, as inline SVG: what was measured when, and what turned."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from operator import itemgetter

from photoaz.angles import difference_deg, format_azimuth_deg, format_difference_deg
from photoaz.present.canvas import Point, Svg
from photoaz.present.charts import Axis
from photoaz.present.words import shortened
from photoaz.result import Turn, VisitAzimuth, VisitResult

_LEFT, _RIGHT, _WIDE = 150.0, 690.0, 820.0
_ROW, _TOP = 84.0, 18.0
_MOST_ANTENNAS = 24
#: where a day (its ordinal) lies across the chart
_X = Callable[[float], float]


#: an antenna's azimuth at one visit, and the middle of that one's days
_Measured = tuple[date, VisitAzimuth]


def measured(visits: Sequence[VisitResult]) -> dict[str, list[_Measured]]:
    """Per antenna what each visit gave, in order of time."""
    out: dict[str, list[_Measured]] = {}
    for visit in visits:
        first, last = visit.from_ or visit.to, visit.to or visit.from_
        if first is None or last is None:
            continue
        middle = date.fromordinal((first.toordinal() + last.toordinal()) // 2)
        for a in visit.antennas:
            out.setdefault(a.antenna_id, []).append((middle, a))
    for series in out.values():
        series.sort(key=itemgetter(0))
    return out


def history_svg(visits: Sequence[VisitResult], turns: Sequence[Turn], designs: Mapping[str, float | None]) -> str:
    """A row for each antenna that two visits show, all over one axis of time.

    Points with intervals (95 %), the design as a dotted line, turns as a thick arrow between the visits. '' where no
    antenna was seen twice.
    """
    rows = {k: v for k, v in measured(visits).items() if len(v) > 1}
    turned = {t.antenna_id for t in turns}
    names = sorted(rows, key=lambda n: n not in turned)[:_MOST_ANTENNAS]
    if not names:
        return ""
    days = [day.toordinal() for n in names for day, _ in rows[n]]
    first, last = min(days), max(max(days), min(days) + 1)
    x_of = Axis(first, last, _LEFT + 24.0, _RIGHT - 24.0).x
    bottom = _TOP + _ROW * len(names)
    svg = Svg(_WIDE, bottom + 26.0)
    _years(svg, first, last, x_of, bottom)
    said = []
    for k, name in enumerate(names):
        own = [t for t in turns if t.antenna_id == name]
        _row(svg, _TOP + _ROW * k, name, rows[name], own, designs.get(name), x_of)
        azimuths = ", ".join(f"{day} {format_azimuth_deg(m.azimuth_true_deg, m.u95_deg)}" for day, m in rows[name])
        said.append(f"{name}: {azimuths}")
    return svg.document("Azimuths over the visits", "; ".join(said), ident="history", name="history")


def _years(svg: Svg, first: int, last: int, x_of: _X, bottom: float) -> None:
    ends = date.fromordinal(first), date.fromordinal(last)
    years = range(ends[0].year + 1, ends[1].year + 1, max(1, (ends[1].year - ends[0].year) // 12))
    for x in (x_of(date(year, 1, 1).toordinal()) for year in years):
        svg.line("grid", (x, _TOP - 8.0), (x, bottom))
    marks = [(date(year, 1, 1), str(year), "middle") for year in years]
    # within one year: its two ends
    for day, text, anchor in marks or [(d, d.isoformat(), a) for d, a in zip(ends, ("start", "end"), strict=True)]:
        svg.text("mark", (x_of(day.toordinal()), bottom + 14.0), text, anchor)


def _row(
    svg: Svg,
    top: float,
    name: str,
    series: Sequence[_Measured],
    turns: Sequence[Turn],
    design: float | None,
    x_of: _X,
) -> None:
    """One antenna: its azimuths as offsets from the first, so that a row may cross north."""
    zero = series[0][1].azimuth_true_deg
    off = [float(difference_deg(m.azimuth_true_deg, zero)) for _, m in series]
    half = [min(m.u95_deg or 0.0, 90.0) for _, m in series]
    low = min(o - h for o, h in zip(off, half, strict=True))
    high = max(o + h for o, h in zip(off, half, strict=True))
    against = None if design is None else float(difference_deg(design, zero))
    if against is not None and low - 25.0 < against < high + 25.0:
        low, high = min(low, against), max(high, against)
    else:
        against = None
    spread, middle, inner = max(high - low, 4.0), 0.5 * (low + high), _ROW - 30.0

    def y_of(v: float) -> float:
        return top + 0.5 * _ROW + 2.0 - inner * (v - middle) / spread

    svg.rect("lane", (_LEFT, top + 2.0), _RIGHT - _LEFT, _ROW - 4.0)
    svg.text("name", (_LEFT - 8.0, top + 0.5 * _ROW + 4.0), shortened(name, 20), "end", name)
    if against is not None and design is not None:
        y = y_of(against)
        svg.line("design", (_LEFT, y), (_RIGHT, y))
        svg.text("mark", (_RIGHT + 6.0, y + 3.0), f"design {format_azimuth_deg(design)}", "start")
    points = [(x_of(day.toordinal()), y_of(o)) for (day, _), o in zip(series, off, strict=True)]
    svg.line("trend", *points)
    for turn in turns:
        _turn(svg, turn, series, points)
    for k, ((_, m), h, (x, y)) in enumerate(zip(series, half, points, strict=True)):
        r = inner * h / spread
        svg.line("cap", (x, y - r), (x, y + r))
        for end in (y - r, y + r):
            svg.line("cap", (x - 4.0, end), (x + 4.0, end))
        svg.circle("dot", (x, y), 4.0)
        if len(series) <= 6:
            left = x > 0.5 * (_LEFT + _RIGHT)
            # on the side that the line does not take
            below = points[max(k - 1, 0) if left else min(k + 1, len(points) - 1)][1] < y
            at = x + (-9.0 if left else 9.0), y + (13.0 if below else -5.0)
            svg.text("figure halo", at, format_azimuth_deg(m.azimuth_true_deg, m.u95_deg), "end" if left else "start")


def _turn(svg: Svg, turn: Turn, series: Sequence[_Measured], points: Sequence[Point]) -> None:
    """The step between the visits that a turn lies between."""
    before = max((k for k, (day, _) in enumerate(series[:-1]) if day <= turn.from_), default=0)
    after = min((k for k, (day, _) in enumerate(series) if k > before and day >= turn.to), default=before + 1)
    (x1, y1), (x2, y2) = points[before], points[after]
    svg.line("turn", (x1, y1), (x2, y2))
    at = 0.5 * (x1 + x2), 0.5 * (y1 + y2) - 8.0
    svg.text("name turned halo", at, f"turned {format_difference_deg(turn.change_deg)}")
