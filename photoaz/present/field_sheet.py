"""The field sheet: one page to print or to keep on the phone, that tells where to stand, how, when, and with what care.

One HTML file that needs nothing else; 188 x 257 mm of it fit A4 and Letter. What is what is told by numbers, line
style and words, not by colour alone.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

from photoaz import __version__
from photoaz.planning.plan import CHECKLIST, SitePlan, Standpoint
from photoaz.present.charts import year_svg
from photoaz.present.drawing import FIELD_PLAN, CameraPlace, Direction, Pointing, azimuth_plan
from photoaz.present.plan_table import local_hours
from photoaz.present.words import escaped, shortened
from photoaz.quantities import PRACTICE_LEAST_M
from photoaz.result import Revisit

_MOST_STANDPOINTS, _MOST_ANTENNAS = 4, 8


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
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>Field sheet: {escaped(plan.site.site_id)}</title>"
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_CSS}</style></head>\n<body><main>\n" + "\n".join(p for p in parts if p) + "\n</main></body></html>\n"
    )


# ---------------------------------------------------------------------------------------------------------------------
# The page's parts


def _head(plan: SitePlan) -> str:
    now, then = (_median(u) for u in (plan.now_u95_deg, plan.together_u95_deg))
    said = f"median U95 with all {len(plan.standpoints)} photos"
    figure = "" if then is None else f"<b>±{then:.1f}°</b><span>{said}</span>"
    before = "" if now is None else f"<span>now ±{now:.1f}°</span>"
    site = plan.site
    return (
        f'<header><div><p class="kind">Field sheet: photos for antenna azimuths</p><h1>{escaped(site.site_id)}</h1>'
        f"<p>Tower at {site.lat_deg:.6f}, {site.lon_deg:.6f} (WGS84, ±{site.position_u95_m:g} m); antennas about "
        f"{plan.height_m:.0f} m above the camera; {len(plan.wanted)} wanted. Directions are from true north.</p></div>"
        f'<div class="figure">{figure}{before}</div></header>'
    )


def _median(u95: object) -> float | None:
    values = sorted(u95.values()) if isinstance(u95, dict) else []
    return values[len(values) // 2] if values else None


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
    rows = "".join(_row(s) for s in plan.standpoints[:_MOST_STANDPOINTS])
    return (
        '<section class="stands"><h2>Standpoints</h2><table><thead><tr><th></th><th>latitude, longitude</th>'
        "<th>from the tower</th>"
        "<th>camera towards</th><th>lens</th><th>shows (U95 with this photo alone)</th><th>landmark in the frame</th>"
        f"</tr></thead><tbody>{rows}</tbody></table></section>"
    )


def _row(s: Standpoint) -> str:
    shown = [
        escaped(shortened(v.antenna_id, 24)) + (f" ±{u:.1f}°" if (u := s.u95_deg.get(v.antenna_id)) else "")
        for v in s.views
    ]
    more = f" and {len(shown) - _MOST_ANTENNAS} more" if len(shown) > _MOST_ANTENNAS else ""
    landmark = "–"
    if s.landmarks:
        m = s.landmarks[0]
        side = "right" if m.off_deg > 0 else "left"
        landmark = f"{escaped(shortened(m.name, 28))}, {m.distance_m:.0f} m off, {abs(m.off_deg):.0f}° {side}, low"
    return (
        f"<tr><td><b class='number'>{s.rank}</b></td><td class='k'>{s.lat_deg:.6f}<br>{s.lon_deg:.6f}</td>"
        f"<td class='k'>{s.distance_m:.0f} m<br>at {s.bearing_from_tower_deg:.0f}°</td>"
        f"<td class='k'>{s.heading_deg:.0f}°<br>{s.pitch_deg:.0f}° up</td>"
        f"<td class='k'>{s.lens_35mm_mm:g} mm<br>upright</td>"
        f"<td>{', '.join(shown[:_MOST_ANTENNAS])}{more}</td><td>{landmark}</td></tr>"
    )


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
    rows = []
    if plan.now_u95_deg:
        values = sorted(plan.now_u95_deg.values())
        rows.append(("now", "", values[len(values) // 2], values[-1], len(plan.wanted) - len(values)))
    for s in plan.best_sets:
        values = sorted(s.u95_deg.values())
        where = "; ".join(f"{p.distance_m:.0f} m at {p.bearing_from_tower_deg:.0f}°" for p in s.standpoints)
        if values:
            unseen = len(plan.wanted) - len(values)
            rows.append((str(len(s.standpoints)), where, values[len(values) // 2], values[-1], unseen))
    cells = "".join(
        f"<tr><td>{n}</td><td>{escaped(where)}</td><td>±{m:.1f}°</td>"
        f"<td>±{w:.1f}°{f', {u} unseen' if u else ''}</td></tr>"
        for n, where, m, w, u in rows
    )
    return (
        "<section><h2>What will come out: best one, two, three photos</h2><table><thead><tr>"
        "<th class='k'>photos</th><th>where</th>"
        f"<th>median U95</th><th>widest</th></tr></thead><tbody>{cells}</tbody></table></section>"
    )


def _practice(plan: SitePlan) -> str:
    if not plan.by_distance:
        return ""
    rows = "".join(
        f"<tr><td>{p.distance_m:.0f} m{' (habit)' if p.common_practice else ''}</td>"
        f"<td>{'–' if p.u95_deg is None else f'±{p.u95_deg:.1f}°'}</td><td>±{p.plumb_sight_u95_deg:.1f}°</td></tr>"
        for p in plan.by_distance
    )
    return (
        "<section><h2>Nearer or farther, at the best bearing</h2><table><thead><tr>"
        "<th>distance</th><th>one photo, U95</th>"
        f"<th>plumb sight by eye, U95</th></tr></thead><tbody>{rows}</tbody></table>"
        f'<p class="note">{escaped(plan.notes[0])}</p></section>'
    )


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
@page { margin: 10mm; }
* { box-sizing: border-box; margin: 0; padding: 0; }
html { background: #fff; color: #191919; font-size: 7.2pt; line-height: 1.22; }
html { font-family: "Liberation Sans", Arial, Helvetica, "DejaVu Sans Condensed", sans-serif; }
main { width: 188mm; min-height: 256mm; margin: 0 auto; display: flex; flex-direction: column; gap: 1.2mm; }
@media screen { main { margin: 8mm auto; } }
header { display: flex; gap: 5mm; align-items: stretch; border-bottom: .5mm solid #191919; padding-bottom: 1.5mm; }
header > div:first-child { flex: 1; min-width: 0; overflow-wrap: anywhere; }
.kind { font-weight: bold; }
h1 { font-size: 16pt; line-height: 1.15; overflow-wrap: anywhere; }
h2 { font-size: 8.6pt; border-bottom: .2mm solid #777; margin-bottom: .8mm; }
.figure { display: flex; flex-direction: column; justify-content: center; text-align: center; max-width: 44mm; }
.figure b { font-size: 15pt; }
.cautions { border: .7mm solid #191919; padding: 1.2mm 2.5mm; }
.cautions h2 { border: 0; }
.cautions ul { columns: 2; column-gap: 5mm; }
.cautions li { break-inside: avoid; }
.row { display: flex; gap: 4mm; }
.row > section { flex: 1; min-width: 0; }
.plan { flex: 1; min-width: 0; }
main .checklist { flex: none; width: 62mm; }
.checklist ul { list-style: none; padding: 0; }
.checklist li { position: relative; padding-left: 4.5mm; margin-bottom: .5mm; }
.tick { position: absolute; left: 0; top: .4mm; width: 2.8mm; height: 2.8mm; border: .3mm solid #191919; }
svg { display: block; width: 100%; height: auto; }
.plan svg { max-height: 66mm; }
.light { flex: 1; min-width: 0; max-width: 58mm; }
.light figcaption { margin: .6mm 0; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .2mm 1.8mm .3mm 0; font-weight: normal; }
td { overflow-wrap: anywhere; }
thead th { color: #444; border-bottom: .2mm solid #bbb; }
td { font-variant-numeric: tabular-nums; border-bottom: .1mm solid #ddd; }
.k { white-space: nowrap; overflow-wrap: normal; }
.number { display: inline-block; min-width: 4.2mm; padding: 0 1mm; border-radius: 2.1mm; text-align: center; }
.number { background: #191919; color: #fff; }
ul { padding-left: 3.4mm; }
li, p { overflow-wrap: anywhere; }
.note { color: #444; font-style: italic; }
footer { margin-top: auto; }
.sign { display: grid; grid-template-columns: 1.2fr 1fr .7fr 2fr; gap: 3mm; height: 10mm; margin-bottom: 1mm; }
.sign div { border-bottom: .3mm solid #191919; }
.sign span { color: #444; }
footer p { color: #444; font-size: 6.8pt; }
.distance { fill: none; stroke: #888; stroke-width: 1; stroke-dasharray: 3 4; }
.aim { fill: #0072b2; fill-opacity: .1; stroke: #0072b2; stroke-width: .8; }
.sight { stroke: #888; stroke-width: .6; }
.fan { fill: #0072b2; fill-opacity: .3; }
line.photos { stroke: #0072b2; stroke-width: 3; }
.head { fill: #0072b2; }
line.design { stroke: #00674b; stroke-width: 3; }
.rim { stroke: #191919; stroke-width: 2; }
.tower, .north, rect.camera { fill: #191919; }
text.camera { font-size: 14px; font-weight: bold; fill: #fff; }
.name, .compass { font-size: 11.5px; font-weight: bold; fill: #191919; }
.halo { paint-order: stroke; stroke: #fff; stroke-width: 3px; }
.mark { font-size: 11px; fill: #333; }
.light .mark { font-size: 6.5px; }
.scalebar { fill: none; stroke: #191919; stroke-width: 1.4; }
.day { fill: #ccc; }
.behind { fill: #33576b; }
.control { fill: none; stroke: #b84c00; stroke-width: .7; }
.glare { fill: none; stroke: #7d2d63; stroke-width: .6; }
@media screen and (max-width: 720px) {
  html { font-size: 14px; }
  main { width: auto; margin: 12px; }
  .row, header { flex-direction: column; }
  main .checklist, main .figure, main .light { width: auto; max-width: none; }
  main .cautions ul { columns: 1; }
  section { overflow-x: auto; }
  .stands table { min-width: 640px; }
  .sign { grid-template-columns: 1fr 1fr; height: auto; }
  .sign div { min-height: 3em; }
}
"""
