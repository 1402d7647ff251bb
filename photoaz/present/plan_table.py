"""A plan as text for people."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from datetime import timedelta

from rich import box
from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from photoaz.planning.light import Span
from photoaz.planning.plan import PlannedSet, SitePlan, Standpoint
from photoaz.planning.trip import RoundTrip
from photoaz.result import Revisit

_NONE = "–"


def print_plan(console: Console, plan: SitePlan, gain: Revisit | None = None) -> None:
    """Print a plan: cautions first, then where to stand and what will come out."""
    console.print(plan_text(plan, console.width, gain), highlight=False)


def plan_text(plan: SitePlan, width: int, gain: Revisit | None = None) -> RenderableType:
    """A plan for people, laid out for a width."""
    parts: list[RenderableType] = [
        Text(f"Site {plan.site.site_id}: next photos", style="bold"),
        *(
            Text(line, style="yellow" if n == 0 else "")
            for n, line in enumerate(_wrapped("Cautions: " + " ".join(plan.cautions), width))
        ),
    ]
    if plan.standpoints:
        parts += [Text(""), _table(plan.standpoints)]
        parts += _lines(_light_lines(plan), width)
        parts += _lines(_landmark_lines(plan), width)
        parts += [Text(""), _sets(plan)]
    if plan.by_distance:
        parts += [Text(""), _profile(plan)]
    parts += [Text("")]
    parts += _lines(plan.notes, width)
    if gain is not None:
        parts += _lines(
            [f"Worth: {gain.sentence}", *(f"{i.antenna_id}: {i.instruction}; {i.figures}" for i in gain.antennas)],
            width,
        )
    return Group(*parts)


def _lines(lines: Iterable[str], width: int) -> list[RenderableType]:
    return [Text(part) for line in lines for part in _wrapped(line, width)]


def _wrapped(line: str, width: int) -> list[str]:
    return textwrap.wrap(line, max(width, 40), subsequent_indent="  ", break_on_hyphens=False)


def _new_table(*columns: tuple[str, bool]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading, right in columns:
        table.add_column(heading, justify="right" if right else "left", overflow="fold")
    return table


def _table(standpoints: Iterable[Standpoint]) -> Table:
    table = _new_table(
        ("", True),
        ("stand at lat, lon", False),
        ("from tower", True),
        ("camera", True),
        ("lens", True),
        ("shows, U95 with this photo alone", False),
    )
    for s in standpoints:
        shown = ", ".join(
            f"{v.antenna_id}" + (f" ±{s.u95_deg[v.antenna_id]:.1f}°" if v.antenna_id in s.u95_deg else "")
            for v in s.views
        )
        table.add_row(
            str(s.rank),
            f"{s.lat_deg:.6f}\n{s.lon_deg:.6f}",
            f"{s.distance_m:.0f} m\nat {s.bearing_from_tower_deg:.0f}°",
            f"{s.heading_deg:.0f}° true\n{s.pitch_deg:+.0f}° up",
            f"{s.lens_35mm_mm:g} mm",
            shown,
        )
    return table


def _sets(plan: SitePlan) -> Table:
    names = list(plan.wanted)
    columns = [("photos", True), ("where", False), ("median U95", True), ("widest", True)]
    table = _new_table(*columns)
    if plan.now_u95_deg:
        values = sorted(plan.now_u95_deg.values())
        table.add_row("now", _NONE, f"±{values[len(values) // 2]:.1f}°", f"±{values[-1]:.1f}°")
    for s in plan.best_sets:
        table.add_row(str(len(s.standpoints)), _where(s), *_figures(s, names))
    return table


def _figures(s: PlannedSet, names: list[str]) -> tuple[str, str]:
    values = sorted(s.u95_deg[n] for n in names if n in s.u95_deg)
    if not values:
        return _NONE, _NONE
    unseen = len(names) - len(values)
    widest = f"±{values[-1]:.1f}°" + (f", {unseen} unseen" if unseen else "")
    return f"±{values[len(values) // 2]:.1f}°", widest


def _where(s: PlannedSet) -> str:
    return ", ".join(
        f"{p.distance_m:.0f} m at {p.bearing_from_tower_deg:.0f}° ({p.lens_35mm_mm:g} mm)" for p in s.standpoints
    )


def _profile(plan: SitePlan) -> Table:
    table = _new_table(
        ("distance", True), ("lens", True), ("one photo, median U95", True), ("plumb sight, U95", True), ("", False)
    )
    for p in plan.by_distance:
        table.add_row(
            f"{p.distance_m:.0f} m",
            _NONE if p.lens_35mm_mm is None else f"{p.lens_35mm_mm:g} mm",
            _NONE if p.u95_deg is None else f"±{p.u95_deg:.1f}°",
            f"±{p.plumb_sight_u95_deg:.1f}°",
            "common practice" if p.common_practice else "",
        )
    return table


def local_hours(some: Iterable[Span], lon_deg: float) -> str:
    """'08:20-11:40': local mean solar time, which no zone or summer time shifts."""

    def clock(span: Span) -> str:
        return "-".join((t + timedelta(hours=lon_deg / 15.0)).strftime("%H:%M") for t in span)

    return ", ".join(clock(w) for w in some) or "none"


def _light_lines(plan: SitePlan) -> list[str]:
    out = [f"Light on {plan.date.isoformat()}, local mean solar time (UTC {plan.site.lon_deg / 15.0:+.1f} h):"]
    for s in plan.standpoints:
        lon = plan.site.lon_deg
        said = f"  {s.rank}: sun behind you {local_hours(s.light.sun_behind, lon)}"
        if s.light.sun_in_frame:
            said += f"; sun in the frame, avoid, {local_hours(s.light.sun_in_frame, lon)}"
        if s.light.sun_as_control:
            said += f"; the sun as a control with the widest lens {local_hours(s.light.sun_as_control, lon)}"
        out.append(said)
    return out


def _landmark_lines(plan: SitePlan) -> list[str]:
    out = []
    for s in plan.standpoints:
        for m in s.landmarks[:2]:
            before, after = (sorted(u.values()) for u in (m.u95_without_deg, m.u95_with_deg))
            if before and after:
                said = f"median U95 {before[len(before) // 2]:.1f}° without, {after[len(after) // 2]:.1f}° with it"
                out.append(f"  {s.rank}: landmark {m.name} in the frame, {m.distance_m:.0f} m off: {said}")
    return out


def print_trip(console: Console, trip: RoundTrip) -> None:
    """Print a round trip."""
    table = _new_table(("", True), ("site", False), ("leg", True), ("so far", True), ("what", False))
    so_far = 0.0
    for s in trip.stops:
        so_far += s.leg_m
        table.add_row(str(s.order), s.site_id, f"{s.leg_m / 1000.0:.1f} km", f"{so_far / 1000.0:.1f} km", s.what)
    console.print(
        Group(table, Text(f"Round trip {trip.length_m / 1000.0:.1f} km as the crow flies, back to where it starts")),
        highlight=False,
    )
