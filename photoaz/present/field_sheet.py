"""The field sheet: one page to print or to keep on the phone, that tells where to stand, how, when, and with what care.

One HTML file that needs nothing else; 188 x 257 mm of it fit A4 and Letter. What is what is told by numbers, line
style and words, not by colour alone.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

from photoaz import __version__
from photoaz.planning.cautions import CHECKLIST
from photoaz.planning.plan import SitePlan, Standpoint
from photoaz.present.charts import year_svg
from photoaz.present.drawing import FIELD_PLAN, CameraPlace, Direction, Pointing, azimuth_plan
from photoaz.present.paper import paper_html
from photoaz.present.plan_table import (
    PlanTable,
    distance_table,
    local_hours,
    median_of,
    outcome_table,
    standpoints_table,
)
from photoaz.present.words import UNKNOWN, escaped, shortened
from photoaz.quantities import PRACTICE_LEAST_M
from photoaz.result import Revisit

_MOST_STANDPOINTS = 4


def field_sheet_html(plan: SitePlan, created: datetime, gain: Revisit | None = None) -> str:
    """A plan's field sheet as an HTML document.

    created: with its zone. gain: what is best for each antenna, where that is known.
    """
    parts = [
        _head(plan),
        _cautions(plan),
        f'<div class="row"><figure class="plan">{field_plan_svg(plan)}</figure>{_checklist()}</div>',
        _table(plan),
        _light(plan),
        f'<div class="row">{_outcome(plan)}{_practice(plan)}</div>',
        _gain(gain),
        _foot(plan, created),
    ]
    return paper_html(f"Field sheet: {plan.site.site_id}", parts, _CSS)


# ---------------------------------------------------------------------------------------------------------------------
# The page's parts


def _head(plan: SitePlan) -> str:
    now, then = median_of(plan.now_u95_deg), median_of(plan.together_u95_deg)
    said = f"median U95 with all {len(plan.standpoints)} photos"
    figure = "" if then is None else f"<b>±{then:.1f}°</b><span>{said}</span>"
    before = "" if now is None else f"<span>now ±{now:.1f}°</span>"
    site = plan.site
    return (
        f'<header><div><p class="kind">Field sheet: photos for antenna azimuths</p><h1>{escaped(site.site_id)}</h1>'
        f"<p>Tower at {site.lat_deg:.6f}, {site.lon_deg:.6f} (WGS84, ±{site.position_u95_m:g} m); antennas about "
        f"{plan.height_m:.0f} m above the camera; {len(plan.wanted)} wanted. Directions are from true north.</p></div>"
        f'<div class="outcome">{figure}{before}</div></header>'
    )


def _cautions(plan: SitePlan) -> str:
    items = "".join(f"<li>{_bold_head(c)}</li>" for c in plan.cautions)
    return f'<section class="cautions"><h2>Cautions first</h2><ul>{items}</ul></section>'


def _bold_head(text: str) -> str:
    head, colon, rest = text.partition(": ")
    return f"<b>{escaped(head)}:</b> {escaped(rest)}" if colon and len(head) < 40 else escaped(text)


def _checklist() -> str:
    items = "".join(f'<li><span class="tick"></span>{escaped(c)}</li>' for c in CHECKLIST)
    return f'<section class="checklist"><h2>At each standpoint</h2><ul>{items}</ul></section>'


def _table(plan: SitePlan) -> str:
    if not plan.standpoints:
        return f"<section><h2>Standpoints</h2><p>{escaped(' '.join(plan.notes))}</p></section>"
    told = standpoints_table(plan)
    landmarks = [_landmark(s) for s in plan.standpoints]
    rows = tuple((*row, landmark) for row, landmark in zip(told.rows, landmarks, strict=True))
    headings = (*told.headings, "landmark in the frame")
    table = _html_table(PlanTable(headings=headings, rows=rows[:_MOST_STANDPOINTS]), numbered=True)
    return f'<section class="stands"><h2>Standpoints</h2>{table}</section>'


def _landmark(s: Standpoint) -> str:
    if not s.landmarks:
        return UNKNOWN
    m = s.landmarks[0]
    side = "right" if m.off_deg > 0 else "left"
    return f"{shortened(m.name, 28)}, {m.distance_m:.0f} m off, {abs(m.off_deg):.0f}° {side}, low"


def _html_table(table: PlanTable, *, numbered: bool = False) -> str:
    """numbered: the first cell of each row is a number, as on the plan."""

    def cell(text: str, first: bool) -> str:
        lines = "<br>".join(escaped(line) for line in text.split("\n"))
        if first and numbered:
            return f'<td><b class="number">{lines}</b></td>'
        return f'<td class="k">{lines}</td>' if "\n" in text or len(text) < 20 else f"<td>{lines}</td>"

    head = "".join(f"<th>{escaped(h)}</th>" for h in table.headings)
    rows = "".join("<tr>" + "".join(cell(c, k == 0) for k, c in enumerate(row)) + "</tr>" for row in table.rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _light(plan: SitePlan) -> str:
    some = plan.standpoints[:_MOST_STANDPOINTS]
    if not some:
        return ""
    lon = plan.site.lon_deg
    charts = "".join(
        f'<figure class="light"><figcaption><b class="number">{s.rank}</b> {escaped(_today(s, lon))}</figcaption>'
        f"{year_svg(s.year, lon, s.rank)}</figure>"
        for s in some
    )
    return (
        f"<section><h2>Light on {plan.date.isoformat()} and through the year</h2><p>Local mean solar time "
        f"(UTC {lon / 15.0:+.1f} h). Dark: the sun is behind you. Crossed: it is in the frame, do not shoot. Outlined: "
        "the widest lens, aimed by the screen alone, can hold the sun with the tower, which fixes the heading. "
        f'Thin: day.</p><div class="row">{charts}</div></section>'
    )


def _today(s: Standpoint, lon_deg: float) -> str:
    if not s.light.sun_behind:
        return "sun not behind you that day: overcast is best"
    return f"sun behind you {local_hours(s.light.sun_behind, lon_deg)}"


def _outcome(plan: SitePlan) -> str:
    if not plan.best_sets:
        return ""
    return f"<section><h2>What will come out: best photos together</h2>{_html_table(outcome_table(plan))}</section>"


def _practice(plan: SitePlan) -> str:
    if not plan.by_distance:
        return ""
    table, note = _html_table(distance_table(plan)), escaped(plan.notes[0])
    return f'<section><h2>Nearer or farther, at the best bearing</h2>{table}<p class="note">{note}</p></section>'


def _gain(gain: Revisit | None) -> str:
    if gain is None:
        return ""
    items = "".join(f"<li>{escaped(i.antenna_id)}: {escaped(i.instruction)}</li>" for i in gain.antennas[:4])
    return f"<section><h2>Worth</h2><p>{escaped(gain.sentence)}</p><ul>{items}</ul></section>"


def _foot(plan: SitePlan, created: datetime) -> str:
    notes = escaped(" ".join(plan.notes[1:]))
    return (
        '<footer><div class="sign"><div><span>Taken by</span></div><div><span>Date, time</span></div>'
        "<div><span>Files</span></div><div><span>What was different</span></div></div>"
        f"<p>{notes} photoaz {escaped(__version__)}, {created.astimezone(UTC):%Y-%m-%d %H:%M} UTC. "
        "A plan for photos from the ground; it defers to local codes and licensed practice.</p></footer>"
    )


# ---------------------------------------------------------------------------------------------------------------------
# Drawings


def field_plan_svg(plan: SitePlan) -> str:
    """Standpoints and what their frames hold, antennas' directions, landmarks, and the distances of practice."""
    antennas = []
    for name in plan.wanted:
        now, azimuth = plan.now_u95_deg.get(name), plan.azimuth_deg[name]
        kind = "design" if now is None else "photos"
        antennas.append(
            Pointing(label=name, directions=[Direction(kind=kind, label=kind, azimuth_deg=azimuth, half_deg=now)])
        )
    cameras = []
    for s in plan.standpoints:
        camera = plan.equipment.camera(s.lens_35mm_mm)
        half = math.degrees(math.atan(0.5 * camera.width_px / camera.f_px))
        cameras.append(
            CameraPlace(
                number=s.rank,
                bearing_deg=s.bearing_from_tower_deg,
                distance_m=s.distance_m,
                heading_deg=s.heading_deg,
                half_deg=half,
            )
        )
    return azimuth_plan(
        antennas,
        cameras,
        layout=FIELD_PLAN,
        rings=[(PRACTICE_LEAST_M, "150 ft"), (plan.height_m, "as far out as high")],
        landmarks=[(math.degrees(math.atan2(m.enu_m[0], m.enu_m[1])), m.name) for m in plan.surroundings[:12]],
    )


_CSS = """
h2 { font-size: 8.6pt; }
.outcome { display: flex; flex-direction: column; justify-content: center; text-align: center; max-width: 44mm; }
.outcome b { font-size: 15pt; }
.cautions { border: .7mm solid #191919; padding: 1.2mm 2.5mm; }
.cautions h2 { border: 0; }
.cautions ul { columns: 2; column-gap: 5mm; }
.cautions li { break-inside: avoid; }
main .checklist { flex: none; width: 62mm; }
.checklist ul { list-style: none; padding: 0; }
.checklist li { position: relative; padding-left: 4.5mm; margin-bottom: .5mm; }
.tick { position: absolute; left: 0; top: .4mm; width: 2.8mm; height: 2.8mm; border: .3mm solid #191919; }
.plan svg { max-height: 66mm; }
.light { flex: 1; min-width: 0; max-width: 58mm; }
.light figcaption { margin: .6mm 0; }
th, td { padding: .2mm 1.8mm .3mm 0; }
th { overflow-wrap: normal; }
thead th { color: #444; border-bottom: .2mm solid #bbb; }
td { border-bottom: .1mm solid #ddd; }
.k { white-space: nowrap; overflow-wrap: normal; }
.number { display: inline-block; min-width: 4.2mm; padding: 0 1mm; border-radius: 2.1mm; text-align: center; }
.number { background: #191919; color: #fff; }
.sign { grid-template-columns: 1.2fr 1fr .7fr 2fr; }
line.design { stroke-width: 3; stroke-dasharray: none; }
.plan text.camera { font-size: 14px; }
.plan .name, .plan .compass { font-size: 11.5px; }
.plan .mark { font-size: 11px; }
.light .mark { font-size: 6.5px; }
.day { fill: #ccc; }
.behind { fill: #33576b; }
.control { fill: none; stroke: #b84c00; stroke-width: .7; }
.glare { fill: none; stroke: #7d2d63; stroke-width: .6; }
@media screen and (max-width: 720px) {
  html { font-size: 14px; }
  main { width: auto; margin: 12px; }
  .row, header { flex-direction: column; }
  main .checklist, main .outcome, main .light { width: auto; max-width: none; }
  main .cautions ul { columns: 1; }
  section { overflow-x: auto; }
  .stands table { min-width: 640px; }
  .sign { grid-template-columns: 1fr 1fr; height: auto; }
  .sign div { min-height: 3em; }
}
"""
