"""The field sheet: one page to print or to keep on the phone, that tells where to stand, how, when, and with what care.

One HTML file that needs nothing else; 188 x 257 mm of it fit A4 and Letter. What is what is told by numbers, line
style and words, not by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from photoaz import __version__
from photoaz.angles import difference_deg
from photoaz.judgement.revisit import SiteRevisit
from photoaz.planning.light import Light, Window
from photoaz.planning.plan import CHECKLIST, SitePlan, Standpoint
from photoaz.planning.plumb import PRACTICE_LEAST_M
from photoaz.present.pages.plan import length_words, nice_length
from photoaz.present.words import escaped, shortened

_MOST_STANDPOINTS, _MOST_ANTENNAS = 4, 8

_WIDE, _HIGH = 640.0, 440.0
_MIDDLE = (320.0, 222.0)
_R = 172.0


def field_sheet_html(plan: SitePlan, created: datetime, worth: SiteRevisit | None = None) -> str:
    """A plan's field sheet as an HTML document.

    created: with its zone. worth: what is best for each antenna, where that is known.
    """
    parts = [
        _head(plan),
        _cautions(plan),
        f'<div class="row"><figure class="plan">{field_plan_svg(plan)}</figure>{_checklist()}</div>',
        _table(plan),
        _light(plan),
        f'<div class="row">{_outcome(plan)}{_practice(plan)}</div>',
        _worth(worth),
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
    some = [s for s in plan.standpoints[:_MOST_STANDPOINTS] if s.light is not None]
    if not some:
        return ""
    lon = plan.site.lon_deg
    charts = "".join(
        f'<figure class="light"><figcaption><b class="number">{s.rank}</b> {escaped(_today(s, lon))}</figcaption>'
        f"{year_svg(s.year, lon, s.rank)}</figure>"
        for s in some
    )
    return (
        f"<section><h2>Light on {plan.day.isoformat()} and through the year</h2><p>Local mean solar time "
        f"(UTC {lon / 15.0:+.1f} h). Dark: the sun is behind you. Crossed: it is in the frame, do not shoot. Outlined: "
        "the widest lens, aimed by the screen alone, can hold the sun with the tower, which fixes the heading. "
        f'Thin: day.</p><div class="row">{charts}</div></section>'
    )


def _today(s: Standpoint, lon_deg: float) -> str:
    if s.light is None or not s.light.behind:
        return "sun not behind you that day: overcast is best"
    return "sun behind you " + ", ".join(_clock(w, lon_deg) for w in s.light.behind)


def _clock(w: Window, lon_deg: float) -> str:
    return "–".join((t + timedelta(hours=lon_deg / 15.0)).strftime("%H:%M") for t in (w.start, w.end))


def _outcome(plan: SitePlan) -> str:
    if not plan.sets:
        return ""
    rows = []
    if plan.now_u95_deg:
        values = sorted(plan.now_u95_deg.values())
        rows.append(("now", "", values[len(values) // 2], values[-1], len(plan.wanted) - len(values)))
    for s in plan.sets:
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
    if not plan.profile:
        return ""
    rows = "".join(
        f"<tr><td>{p.distance_m:.0f} m{' (habit)' if p.practice else ''}</td>"
        f"<td>{'–' if p.u95_deg is None else f'±{p.u95_deg:.1f}°'}</td><td>±{p.sight_u95_deg:.1f}°</td></tr>"
        for p in plan.profile
    )
    return (
        "<section><h2>Nearer or farther, at the best bearing</h2><table><thead><tr>"
        "<th>distance</th><th>one photo, U95</th>"
        f"<th>plumb sight by eye, U95</th></tr></thead><tbody>{rows}</tbody></table>"
        f'<p class="note">{escaped(plan.notes[0])}</p></section>'
    )


def _worth(worth: SiteRevisit | None) -> str:
    if worth is None:
        return ""
    items = "".join(f"<li>{escaped(i.antenna_id)}: {escaped(i.instruction)}</li>" for i in worth.items[:4])
    return f"<section><h2>Worth</h2><p>{escaped(worth.sentence)}</p><ul>{items}</ul></section>"


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
    """Standpoints, what they look at and the antennas' directions, to scale, true north on top."""
    stands = plan.standpoints
    reach = max([s.distance_m for s in stands] + [20.0])
    scale = _R / reach
    parts = [_ring(PRACTICE_LEAST_M, scale, "150 ft"), _ring(plan.height_m, scale, "as far out as high")]
    parts += [_fov(s, scale, plan) for s in stands]
    hands = _antenna_hands(plan, 0.42 * _R)
    parts += hands
    for m in plan.landmarks[:12]:
        parts.append(_rim_mark(math.degrees(math.atan2(m.enu_m[0], m.enu_m[1])), m.name))
    parts.append(f'<circle class="tower" cx="{_MIDDLE[0]}" cy="{_MIDDLE[1]}" r="4"/>')
    parts += [_mark(s, scale) for s in stands]
    parts += [_scale_bar(scale), _north()]
    said = "; ".join(f"{s.rank}: {s.distance_m:.0f} m at {s.bearing_from_tower_deg:.0f}°" for s in stands) or "none"
    return (
        f'<svg viewBox="0 0 {_WIDE:g} {_HIGH:g}" role="img" aria-labelledby="p-t p-d"><title id="p-t">Plan of the '
        f'standpoints, true north on top</title><desc id="p-d">Standpoints {escaped(said)}</desc>{"".join(parts)}</svg>'
    )


def _at(azimuth_deg: float, r: float) -> tuple[float, float]:
    a = math.radians(azimuth_deg)
    return _MIDDLE[0] + r * math.sin(a), _MIDDLE[1] - r * math.cos(a)


def _ring(distance_m: float, scale: float, name: str) -> str:
    r = distance_m * scale
    if not 12.0 < r <= _R * 1.15:
        return ""
    x, y = _at(218.0 if name == "150 ft" else 310.0, r)
    return (
        f'<circle class="ring" cx="{_MIDDLE[0]}" cy="{_MIDDLE[1]}" r="{r:.1f}"/>'
        f'<text class="mark" x="{x:.1f}" y="{y + 3:.1f}" text-anchor="middle">{escaped(name)}</text>'
    )


def _fov(s: Standpoint, scale: float, plan: SitePlan) -> str:
    """What the frame holds in plan, as far as a little beyond the tower."""
    camera = plan.kit.camera(s.lens_35mm_mm)
    half = math.degrees(math.atan(0.5 * camera.width_px / camera.f_px))
    x0, y0 = _at(s.bearing_from_tower_deg, s.distance_m * scale)
    length = s.distance_m * scale + 26.0
    ends = []
    for side in (-half, half):
        a = math.radians(s.heading_deg + side)
        ends.append(f"{x0 + length * math.sin(a):.1f},{y0 - length * math.cos(a):.1f}")
    return f'<polygon class="frame" points="{x0:.1f},{y0:.1f} {" ".join(ends)}"/>'


def _antenna_hands(plan: SitePlan, r: float) -> list[str]:
    """A hand for each direction, named once where several antennas point alike."""
    groups: list[tuple[float, list[str]]] = []
    for name in plan.wanted:
        azimuth = plan.azimuth_deg[name]
        for at, names in groups:
            if abs(float(difference_deg(azimuth, at))) < 6.0:
                names.append(name)
                break
        else:
            groups.append((azimuth, [name]))
    out = []
    for azimuth, names in groups:
        x, y = _at(azimuth, r)
        tx, ty = _at(azimuth, r + 12.0)
        text = shortened(names[0], 16) + (f" +{len(names) - 1}" if len(names) > 1 else "")
        side = math.sin(math.radians(azimuth))
        anchor = "start" if side > 0.3 else "end" if side < -0.3 else "middle"
        out.append(f'<line class="hand" x1="{_MIDDLE[0]}" y1="{_MIDDLE[1]}" x2="{x:.1f}" y2="{y:.1f}"/>')
        out.append(f'<circle class="tip" cx="{x:.1f}" cy="{y:.1f}" r="3"/>')
        out.append(f'<text class="name" x="{tx:.1f}" y="{ty + 4:.1f}" text-anchor="{anchor}">{escaped(text)}</text>')
    return out


def _rim_mark(azimuth_deg: float, name: str) -> str:
    (x1, y1), (x2, y2), (tx, ty) = (_at(azimuth_deg, r) for r in (_R + 12.0, _R + 24.0, _R + 34.0))
    side = math.sin(math.radians(azimuth_deg))
    anchor = "start" if side > 0.3 else "end" if side < -0.3 else "middle"
    return (
        f'<line class="rim" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'
        f'<text class="mark" x="{tx:.1f}" y="{ty + 3:.1f}" text-anchor="{anchor}">{escaped(shortened(name, 20))}</text>'
    )


def _mark(s: Standpoint, scale: float) -> str:
    x, y = _at(s.bearing_from_tower_deg, s.distance_m * scale)
    tx, ty = _at(s.bearing_from_tower_deg, s.distance_m * scale + 24.0)
    return (
        f'<circle class="stand" cx="{x:.1f}" cy="{y:.1f}" r="10"/>'
        f'<text class="standn" x="{x:.1f}" y="{y + 4.5:.1f}" text-anchor="middle">{s.rank}</text>'
        f'<text class="mark" x="{tx:.1f}" y="{ty + 3:.1f}" text-anchor="middle">{s.distance_m:.0f} m</text>'
    )


def _scale_bar(scale: float) -> str:
    length = nice_length(140.0 / scale)
    x, y, wide = 14.0, _HIGH - 12.0, length * scale
    return (
        f'<path class="scalebar" d="M {x},{y - 5} V {y} H {x + wide:.1f} V {y - 5}"/>'
        f'<text class="mark" x="{x}" y="{y - 9}">{length_words(length)}</text>'
    )


def _north() -> str:
    x, y = _WIDE - 30.0, 36.0
    return (
        f'<polygon class="north" points="{x},{y - 22} {x - 7},{y + 6} {x},{y} {x + 7},{y + 6}"/>'
        f'<text class="name" x="{x}" y="{y + 20}" text-anchor="middle">N</text>'
    )


_MONTHS = "JFMAMJJASOND"


def year_svg(year: Sequence[Light], lon_deg: float, number: int) -> str:
    """A standpoint's light, a row for each month, hours of local mean solar time along it."""
    left, top, wide, high = 12.0, 10.0, 192.0, 7.0
    parts = [
        f'<text class="mark" x="{left + wide * h / 24:.1f}" y="7" text-anchor="middle">{h}</text>'
        for h in (0, 6, 12, 18, 24)
    ]

    def bar(name: str, w: Window, day: datetime, y: float, inset: float) -> str:
        start, end = ((t - day).total_seconds() / 3600.0 + lon_deg / 15.0 for t in (w.start, w.end))
        x, length = left + wide * start / 24.0, wide * (end - start) / 24.0
        shape = f'x="{x:.1f}" y="{y + inset:.1f}" width="{max(length, 1.0):.1f}" height="{high - 1.0 - 2 * inset:.1f}"'
        if name != "glare":
            return f'<rect class="{name}" {shape}/>'
        a, b = y + inset, y + high - 1.0 - inset
        crosses = "".join(
            f"M {x + k:.1f},{a:.1f} L {min(x + k + 4.0, x + length):.1f},{b:.1f} "
            f"M {x + k:.1f},{b:.1f} L {min(x + k + 4.0, x + length):.1f},{a:.1f} "
            for k in range(0, max(int(length), 1), 4)
        )
        return f'<path class="glare" d="{crosses}"/>'

    for k, light in enumerate(year):
        y = top + high * k
        day = datetime(light.day.year, light.day.month, light.day.day, tzinfo=UTC)
        parts.append(f'<text class="mark" x="2" y="{y + 6:.1f}">{_MONTHS[light.day.month - 1]}</text>')
        parts += [bar("day", w, day, y, 2.4) for w in light.up]
        parts += [bar("behind", w, day, y, 0.8) for w in light.behind]
        parts += [bar("control", w, day, y, 0.2) for w in light.control]
        parts += [bar("glare", w, day, y, 0.0) for w in light.in_frame]
    return (
        f'<svg viewBox="0 0 210 {top + high * 12 + 2:g}" role="img" aria-label="Light at standpoint {number} by month '
        f'and hour">{"".join(parts)}</svg>'
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
.ring { fill: none; stroke: #888; stroke-width: 1; stroke-dasharray: 3 4; }
.frame { fill: #0072b2; fill-opacity: .1; stroke: #0072b2; stroke-width: .8; }
.hand { stroke: #00674b; stroke-width: 3; }
.tip { fill: #00674b; }
.rim { stroke: #191919; stroke-width: 2; }
.tower, .north { fill: #191919; }
.stand { fill: #191919; }
.standn { font-size: 13px; font-weight: bold; fill: #fff; }
.name { font-size: 11.5px; font-weight: bold; fill: #191919; paint-order: stroke; stroke: #fff; stroke-width: 3px; }
.mark { font-size: 11px; fill: #333; paint-order: stroke; stroke: #fff; stroke-width: 2.5px; }
.light .mark { font-size: 6.5px; stroke-width: 1px; }
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
