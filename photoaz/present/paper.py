"""Sheets of paper as one HTML file each: the frame that fits A4 and Letter (188 x 257 mm), and how its drawings look.

The palette is that of Okabe and Ito; grey tones stay apart where printed without colour.
"""

from __future__ import annotations

from collections.abc import Iterable

from photoaz.present.words import escaped

_FRAME_CSS = """
@page { margin: 10mm; }
* { box-sizing: border-box; margin: 0; padding: 0; }
html { background: #fff; color: #191919; font-size: 7.2pt; line-height: 1.23; }
html { font-family: "Liberation Sans", Arial, Helvetica, "DejaVu Sans Condensed", sans-serif; }
main { width: 188mm; min-height: 256mm; margin: 0 auto; display: flex; flex-direction: column; gap: 1.25mm; }
@media screen { main { margin: 8mm auto; } }
header { display: flex; gap: 5mm; align-items: stretch; border-bottom: .5mm solid #191919; padding-bottom: 1.5mm; }
header > div:first-child { flex: 1; min-width: 0; overflow-wrap: anywhere; }
.kind { font-weight: bold; }
h1 { font-size: 16pt; line-height: 1.15; overflow-wrap: anywhere; }
h2 { font-size: 8pt; border-bottom: .2mm solid #777; margin-bottom: .8mm; }
.row { display: flex; gap: 4mm; }
.row > section { flex: 1; min-width: 0; }
.plan { flex: 1; min-width: 0; }
svg { display: block; width: 100%; height: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: 0 1.5mm .25mm 0; font-weight: normal; }
th, td { overflow-wrap: anywhere; }
td { font-variant-numeric: tabular-nums; }
ul { padding-left: 3.2mm; }
li, p { overflow-wrap: anywhere; }
.note { color: #444; font-style: italic; }
footer { margin-top: auto; }
.sign { display: grid; gap: 3mm; height: 10mm; margin-bottom: 1mm; }
.sign div { border-bottom: .3mm solid #191919; }
.sign span { color: #444; }
footer p { color: #444; font-size: 6.8pt; }
"""

#: how the plan and the charts look by their shapes' names
DRAWING_CSS = """
.ring { fill: none; stroke: #999; stroke-width: .8; }
.distance { fill: none; stroke: #888; stroke-width: 1; stroke-dasharray: 3 4; }
.north, .tower, rect.camera { fill: #191919; }
.compass, .name { font-size: 10.5px; font-weight: bold; fill: #191919; }
.figure { font-size: 10.5px; fill: #191919; }
.mark { font-size: 9px; fill: #444; paint-order: stroke; stroke: #fff; stroke-width: 2px; }
.halo { paint-order: stroke; stroke: #fff; stroke-width: 3px; }
.hatch { stroke: #0072b2; stroke-width: 1.1; }
.fan { stroke-width: .7; fill: none; }
.fan.photos { fill: url(#hatch); stroke: #0072b2; }
.fan.soft.photos { fill: #0072b2; fill-opacity: .3; }
.fan.reading { stroke: #d55e00; stroke-dasharray: 4 2; fill: #d55e00; fill-opacity: .13; }
.fan.other { stroke: #0072b2; stroke-dasharray: 1.5 2; }
.band { fill: #009e73; fill-opacity: .4; stroke: #00674b; stroke-width: .7; }
line.photos { stroke: #0072b2; stroke-width: 3; }
line.other { stroke: #0072b2; stroke-width: 1.6; stroke-dasharray: 9 3; }
.head { fill: #0072b2; }
line.reading { stroke: #d55e00; stroke-width: 2; stroke-dasharray: 5 2.5; }
.reading.end { fill: #fff; stroke: #d55e00; stroke-width: 2; }
line.design { stroke: #00674b; stroke-width: 1.8; stroke-dasharray: 1.5 2.2; }
.sight { stroke: #555; stroke-width: .8; }
.aim { fill: #0072b2; fill-opacity: .1; stroke: #0072b2; stroke-width: .8; }
.rim { stroke: #191919; stroke-width: 2; }
text.camera { font-size: 9px; font-weight: bold; fill: #fff; }
.leader { fill: none; stroke: #777; stroke-width: .6; }
.scalebar { fill: none; stroke: #191919; stroke-width: 1.4; }
.tolerance { fill: #009e73; fill-opacity: .22; }
.grid { stroke: #ccc; stroke-width: .7; }
.zero { stroke: #00674b; stroke-width: 1.4; stroke-dasharray: 1.5 2.2; }
.cap { stroke: #191919; stroke-width: 1; }
.dot { fill: #0072b2; }
.bar { fill: #666; }
"""


def paper_html(title: str, parts: Iterable[str], css: str) -> str:
    """A sheet as an HTML document that needs nothing else.

    parts : of its body, from the top; empty ones are left out. css : what is this sheet's own.
    """
    body = "\n".join(part for part in parts if part)
    safe = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<title>{escaped(title)}</title><meta http-equiv="Content-Security-Policy" content="{safe}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_FRAME_CSS}{DRAWING_CSS}{css}</style></head>\n<body><main>\n{body}\n</main></body></html>\n"
    )
