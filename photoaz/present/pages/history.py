"""Azimuths of a site's antennas over its visits, as inline SVG: what was measured when, and what turned."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from photoaz.angles import difference_deg, format_azimuth_deg, format_difference_deg
from photoaz.present.words import escaped, shortened
from photoaz.result import Turn, VisitResult

_LEFT, _RIGHT, _WIDE = 150.0, 690.0, 820.0
_ROW, _TOP = 84.0, 18.0
_MOST_ANTENNAS = 24
#: where a day lies across the chart
_X = Callable[[date], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredVisit:
    """An antenna's azimuth at one visit: the middle of its days, [deg] from true north."""

    day: date
    azimuth_deg: float
    u95_deg: float | None


def measured(visits: Sequence[VisitResult]) -> dict[str, list[MeasuredVisit]]:
    """Per antenna what each visit gave, in order of time."""
    out: dict[str, list[MeasuredVisit]] = {}
    for visit in visits:
        first, last = visit.from_ or visit.to, visit.to or visit.from_
        if first is None or last is None:
            continue
        middle = date.fromordinal((first.toordinal() + last.toordinal()) // 2)
        for a in visit.antennas:
            one = MeasuredVisit(day=middle, azimuth_deg=a.azimuth_true_deg, u95_deg=a.u95_deg)
            out.setdefault(a.antenna_id, []).append(one)
    for series in out.values():
        series.sort(key=lambda m: m.day)
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
    days = [m.day.toordinal() for n in names for m in rows[n]]
    first, last = min(days), max(max(days), min(days) + 1)

    def x_of(day: date) -> float:
        return _LEFT + 24.0 + (_RIGHT - _LEFT - 48.0) * (day.toordinal() - first) / (last - first)

    parts = _years(first, last, x_of, _TOP + _ROW * len(names))
    said = []
    for k, name in enumerate(names):
        mine = [t for t in turns if t.antenna_id == name]
        parts += _row(_TOP + _ROW * k, name, rows[name], mine, designs.get(name), x_of)
        azimuths = ", ".join(f"{m.day.isoformat()} {format_azimuth_deg(m.azimuth_deg, m.u95_deg)}" for m in rows[name])
        said.append(f"{name}: {azimuths}")
    high = _TOP + _ROW * len(names) + 26.0
    return (
        f'<svg class="history" viewBox="0 0 {_WIDE:g} {high:g}" role="img" aria-labelledby="history-t history-d">'
        '<title id="history-t">Azimuths over the visits</title>'
        f'<desc id="history-d">{escaped("; ".join(said))}</desc>{"".join(parts)}</svg>'
    )


def _years(first: int, last: int, x_of: _X, bottom: float) -> list[str]:
    out = []
    a, b = date.fromordinal(first).year, date.fromordinal(last).year
    step = max(1, (b - a) // 12)
    years = [date(y, 1, 1) for y in range(a + 1, b + 1, step)]
    for day in years:
        x = x_of(day)
        out.append(f'<line class="grid" x1="{x:.1f}" y1="{_TOP - 8}" x2="{x:.1f}" y2="{bottom}"/>')
        out.append(f'<text class="mark" x="{x:.1f}" y="{bottom + 14}" text-anchor="middle">{day.year}</text>')
    if not years:  # within one year: its two ends
        for ordinal, anchor in ((first, "start"), (last, "end")):
            day = date.fromordinal(ordinal)
            out.append(
                f'<text class="mark" x="{x_of(day):.1f}" y="{bottom + 14}" text-anchor="{anchor}">{day.isoformat()}'
                "</text>"
            )
    return out


def _row(
    top: float,
    name: str,
    series: Sequence[MeasuredVisit],
    turns: Sequence[Turn],
    design: float | None,
    x_of: _X,
) -> list[str]:
    """One antenna: its azimuths as offsets from the first, so that a row may cross north."""
    zero = series[0].azimuth_deg
    off = [float(difference_deg(m.azimuth_deg, zero)) for m in series]
    half = [min(m.u95_deg or 0.0, 90.0) for m in series]
    low = min(o - h for o, h in zip(off, half, strict=True))
    high = max(o + h for o, h in zip(off, half, strict=True))
    against = None if design is None else float(difference_deg(design, zero))
    if against is not None and low - 25.0 < against < high + 25.0:
        low, high = min(low, against), max(high, against)
    else:
        against = None
    spread = max(high - low, 4.0)
    middle = 0.5 * (low + high)
    inner = _ROW - 30.0

    def y_of(v: float) -> float:
        return top + 0.5 * _ROW + 2.0 - inner * (v - middle) / spread

    out = [
        f'<rect class="lane" x="{_LEFT}" y="{top + 2:.1f}" width="{_RIGHT - _LEFT}" height="{_ROW - 4:.1f}"/>',
        f'<text class="name" x="{_LEFT - 8}" y="{top + 0.5 * _ROW + 4:.1f}" text-anchor="end">'
        f"{escaped(shortened(name, 20))}</text>",
    ]
    if against is not None and design is not None:
        y = y_of(against)
        out.append(f'<line class="design" x1="{_LEFT}" y1="{y:.1f}" x2="{_RIGHT}" y2="{y:.1f}"/>')
        out.append(
            f'<text class="mark" x="{_RIGHT + 6}" y="{y + 3:.1f}">design {escaped(format_azimuth_deg(design))}</text>'
        )
    points = [(x_of(m.day), y_of(o)) for m, o in zip(series, off, strict=True)]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    out.append(f'<polyline class="trend" points="{line}"/>')
    out += [_turn(t, series, points) for t in turns]
    for k, (m, h, (x, y)) in enumerate(zip(series, half, points, strict=True)):
        r = inner * h / spread
        out.append(f'<line class="cap" x1="{x:.1f}" y1="{y - r:.1f}" x2="{x:.1f}" y2="{y + r:.1f}"/>')
        out += [
            f'<line class="cap" x1="{x - 4:.1f}" y1="{e:.1f}" x2="{x + 4:.1f}" y2="{e:.1f}"/>' for e in (y - r, y + r)
        ]
        out.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
        if len(series) <= 6:
            left = x > 0.5 * (_LEFT + _RIGHT)
            # on the side that the line does not take
            neighbour = points[max(k - 1, 0)] if left else points[min(k + 1, len(points) - 1)]
            below = neighbour[1] < y
            anchor, dx = ("end", -9) if left else ("start", 9)
            said = format_azimuth_deg(m.azimuth_deg, m.u95_deg)
            out.append(
                f'<text class="figure halo" x="{x + dx:.1f}" y="{y + (13 if below else -5):.1f}" '
                f'text-anchor="{anchor}">{escaped(said)}</text>'
            )
    return out


def _turn(turn: Turn, series: Sequence[MeasuredVisit], points: Sequence[tuple[float, float]]) -> str:
    """The step between the visits that a turn lies between."""
    before = max((k for k, m in enumerate(series[:-1]) if m.day <= turn.from_), default=0)
    after = min((k for k, m in enumerate(series) if k > before and m.day >= turn.to), default=before + 1)
    (x1, y1), (x2, y2) = points[before], points[after]
    label = f"turned {format_difference_deg(turn.change_deg)}"
    x, y = 0.5 * (x1 + x2), 0.5 * (y1 + y2)
    return (
        f'<line class="turn" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'
        f'<text class="name turned halo" x="{x:.1f}" y="{y - 8:.1f}" text-anchor="middle">{escaped(label)}</text>'
    )
