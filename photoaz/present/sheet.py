"""The second-opinion sheet: one antenna on one page of paper, for another engineer to agree with or not, and to sign.

HTML that stands alone: charts are inline SVG, the photo's crop an inline JPEG. It prints on one page of A4 as of
Letter. What is what is told by line style and a label, not by colour alone.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from datetime import datetime

from PIL import Image

from photoaz import __version__
from photoaz.judgement.conformity import not_measured
from photoaz.present.charts import budget_svg, strip_svg
from photoaz.present.drawing import ANTENNA_DIAL, CameraPlace, Pointing, azimuth_plan
from photoaz.present.figures import STATUS, Figure, antenna_figures, declination_text, directions, impact_figures
from photoaz.present.paper import paper_html
from photoaz.present.pens import SKY_BLUE, YELLOW, Pen
from photoaz.present.standpoints import antenna_cameras, standpoints
from photoaz.present.window import bounds_of, plain_and_fitted
from photoaz.present.words import VIEWS, as_sentence, azimuth, base_name, disagrees, escaped, shortened
from photoaz.register.model import Antenna, Site
from photoaz.result import AntennaResult, EvidenceView, PhotoResult, RevisitItem, SiteResult

_DECISIONS = {
    "accept": ("ACCEPT", "within the design's tolerance"),
    "reject": ("REJECT", "out of the design's tolerance"),
    "undecided": ("UNDECIDED", "the photos do not decide it"),
}
_MOST_PHOTOS, _MOST_REASONS = 4, 4
_OUTLINE = Pen(core=YELLOW, width=3.0, casing=1.4, dash=(18.0, 9.0))
_INNER = Pen(core=SKY_BLUE, width=2.4, casing=1.2, dash=(6.0, 8.0))
_CAUTIONS = (
    "An opinion from photos of the box's front, not a survey; a beam steered within the box is not seen. Radio "
    "exposure: keep out of marked zones. Falls, falling objects, ice: no climb by this sheet alone, nobody below work. "
    "Never aim optics at the sun; mind traffic, power lines, private land. Local codes, the owner's rules and licensed "
    "practitioners come first."
)


def best_view(antenna: AntennaResult) -> EvidenceView | None:
    """The view that the sheet shows: the widest whose outline can be drawn; a front before a back."""
    drawn = [v for v in antenna.evidence if len(v.outline_px) >= 3]
    return max(drawn, key=lambda v: (v.view != "rear", v.width_px), default=None)


def crop_jpeg(picture: Image.Image, view: EvidenceView) -> bytes:
    """The antenna as the photo has it, and beside it with the fitted box, as JPEG. view: of that photo."""
    left, top, right, bottom = bounds_of(view.outline_px)
    wide, high = max(right - left, 1.0), max(bottom - top, 1.0)
    # as wide as half as high, so that the pair is square
    margin_y = max(0.12 * high, 0.25 * wide, 5.0)
    margin_x = max(0.2 * wide, 5.0, 0.25 * high + 0.5 * margin_y - 0.5 * wide)
    scale = min(640.0 / (high + 2.0 * margin_y), 420.0 / (wide + 2.0 * margin_x), 12.0)
    pair = plain_and_fitted(picture, view, (margin_x, margin_y), scale, _OUTLINE, _INNER)
    out = io.BytesIO()
    pair.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()


def sheet_html(site: Site, result: SiteResult, antenna_id: str, created: datetime, crop: bytes | None = None) -> str:
    """One antenna's sheet as an HTML document.

    Parameters
    ----------
    site, result : the antenna's. antenna_id : one of the result's. created : with its zone. crop : JPEG of
        `crop_jpeg`, of the antenna's `best_view`.

    Raises
    ------
    KeyError : the result has no such antenna.
    """
    found = result.antennas[antenna_id]
    antenna = next((a for a in site.antennas if a.antenna_id == antenna_id), None)
    shown = _shown(result, found)
    todo = () if result.revisit is None else result.revisit.antennas
    revisit = next((item for item in todo if item.antenna_id == antenna_id), None)
    arrows, stands = directions(found), standpoints(result)
    numbers = {photo.photo: k for k, (photo, _) in enumerate(shown, 1)}
    cameras = antenna_cameras(found, numbers, stands, _MOST_PHOTOS)
    pointing = Pointing(label=antenna_id, directions=arrows)
    plan = azimuth_plan([pointing], cameras, layout=ANTENNA_DIAL, hatch=True)
    parts = [
        _head(site, antenna, found),
        '<div class="row a">',
        _photo(found, crop),
        f'<figure class="plan">{plan}</figure>',
        "</div>",
        f'<div class="row b"><section><h2>Against the design</h2>{strip_svg(arrows)}</section>',
        f"<section><h2>Where the uncertainty comes from</h2>{budget_svg(found.budget)}</section></div>",
        f'<div class="row c">{_figures(found)}{_words(found)}</div>',
        f'<div class="row d">{_impact(found, site.site_id)}{_next(found, revisit)}</div>',
        _photos(shown, stands),
        f'<div class="row e"><section><h2>Assumed</h2><p>{escaped(_assumed(site, antenna, result, found))}</p>',
        f"</section><section><h2>Cautions</h2><p>{escaped(_CAUTIONS)}</p></section></div>",
        _foot(created),
    ]
    return paper_html(f"Second opinion: {antenna_id}", parts, _CSS)


# ---- what is said ----------------------------------------------------------------------------------------------------


def _head(site: Site, antenna: Antenna | None, found: AntennaResult) -> str:
    where = [f"site {site.site_id}"]
    if antenna is not None and antenna.sector is not None:
        where.append(f"sector {antenna.sector}")
    if antenna is not None and antenna.position is not None:
        where.append(f"position {antenna.position}")
    where.append(f"{site.lat_deg:.5f}, {site.lon_deg:.5f}")
    if antenna is not None:
        where.append(f"centre {antenna.rad_center_m:g} m above ground")
    if found.azimuth_true_deg is None:
        word, meaning, kind = "NO ESTIMATE", STATUS[found.status], "none"
        figure = "no azimuth"
    else:
        decision = found.design.decision
        word, meaning = _DECISIONS[decision]
        if not_measured(found):
            meaning = "not measured: the photos leave it open"
        if disagrees(found):
            meaning += "; the reading DISAGREES"
        kind = decision
        figure = azimuth(found.azimuth_true_deg, found.u95_deg)
    small = ' class="long"' if len(found.antenna_id) > 20 else ""
    return (
        f'<header><div><p class="kind">Second opinion on an antenna\'s azimuth, from photos</p>'
        f"<h1{small}>{escaped(shortened(found.antenna_id, 44))}</h1>"
        f"<p>{escaped(shortened(', '.join(where), 110))}</p></div>"
        f'<div class="azimuth"><b>{escaped(figure)}</b><span>from true north, clockwise (95 %)</span></div>'
        f'<div class="verdict {kind}"><b>{escaped(word)}</b><span>{escaped(meaning)}</span></div></header>'
    )


def _photo(found: AntennaResult, crop: bytes | None) -> str:
    view = best_view(found)
    if crop is None or view is None:
        return '<figure class="crop none"><figcaption>No photo shows this antenna.</figcaption></figure>'
    data, name = base64.b64encode(crop).decode("ascii"), base_name(view.photo)
    said = f"{shortened(name, 32)}: plain; fitted (dashes)"
    alt = f"{found.antenna_id} in {name}, twice: as photographed, and with the fitted box drawn over it"
    return (
        f'<figure class="crop"><img alt="{escaped(alt)}" src="data:image/jpeg;base64,{data}">'
        f"<figcaption>{escaped(shortened(said, 90))}</figcaption></figure>"
    )


def _table(rows: Sequence[Figure], most: int) -> str:
    cells = "".join(
        f'<tr><th scope="row">{escaped(shortened(k, 44))}</th><td>{escaped(shortened(v, most))}</td></tr>'
        for k, v in rows
    )
    return f"<table>{cells}</table>"


def _figures(found: AntennaResult) -> str:
    return f"<section><h2>In figures (95 %)</h2>{_table(antenna_figures(found), 80)}</section>"


def _words(found: AntennaResult) -> str:
    reasons = list(found.reasons[len(found.remarks) :])
    # what decides first, then what it was carried from; the antenna's own last
    reasons.sort(key=lambda r: "declination" in r and "added" in r)
    reasons += [as_sentence(r) for r in found.remarks]
    shown = reasons[:_MOST_REASONS]
    items = "".join(f"<li>{escaped(shortened(r, 190))}</li>" for r in shown)
    more = len(reasons) - len(shown)
    items += f"<li>{more} more in estimates.json.</li>" if more > 0 else ""
    return f"<section><h2>In words</h2><ul>{items or '<li>Nothing to be said.</li>'}</ul></section>"


def _impact(found: AntennaResult, site_id: str) -> str:
    impact = found.impact_db
    if impact is None:
        return "<section><h2>Impact</h2><p>Not known without an azimuth and a design.</p></section>"
    table = _table(impact_figures(impact, site_id), 90)
    return (
        f"<section><h2>Impact: change of gain against the design (95 %)</h2>{table}"
        f'<p class="note">{escaped(as_sentence(impact.basis))}</p></section>'
    )


def _next(found: AntennaResult, revisit: RevisitItem | None) -> str:
    lines = []
    if revisit is not None:
        where = ""
        if revisit.where.lat_deg is not None and revisit.where.lon_deg is not None and revisit.action == "photo":
            where = f" ({revisit.where.lat_deg:.5f}, {revisit.where.lon_deg:.5f})"
        lines.append(as_sentence(shortened(revisit.instruction, 190) + where))
        lines.append(as_sentence(revisit.figures))
        if revisit.bring:
            lines.append(f"Bring: {shortened(revisit.bring, 120)}.")
    else:
        lines.append("Nothing to be done: no expected loss is worth a visit.")
    if found.next_evidence is not None:
        lines.append(as_sentence(shortened(found.next_evidence.sentence.replace(" deg", "°"), 170)))
    return f"<section><h2>Next</h2><ul>{''.join(f'<li>{escaped(line)}</li>' for line in lines)}</ul></section>"


def _shown(result: SiteResult, found: AntennaResult) -> list[tuple[PhotoResult, EvidenceView]]:
    """The photos that show the antenna, the widest view first: their order is their number on the plan."""
    photos = {p.photo: p for p in result.photos}
    pairs = [(photos[v.photo], v) for v in found.evidence if v.photo in photos]
    return sorted(pairs, key=lambda one: -one[1].width_px)


def _photos(shown: Sequence[tuple[PhotoResult, EvidenceView]], stands: Mapping[str, CameraPlace]) -> str:
    if not shown:
        return '<section class="photos"><h2>Photos used</h2><p>None shows it.</p></section>'
    rows = []
    for number, (photo, view) in enumerate(shown[:_MOST_PHOTOS], 1):
        stand = stands.get(photo.photo)
        cells = (
            number,
            shortened(base_name(photo.photo), 30),
            "not known" if photo.taken is None else photo.taken.isoformat(),
            "not known" if photo.lat_deg is None else f"{photo.lat_deg:.5f}, {photo.lon_deg:.5f}",
            "" if stand is None else f"{stand.distance_m:.0f} m at {stand.bearing_deg:.0f}°",
            "" if photo.heading_true_deg is None else azimuth(photo.heading_true_deg, photo.heading_u95_deg),
            f"{VIEWS[view.view]}, {view.width_px:.0f} px wide",
            shortened("; ".join(photo.flags), 28),
        )
        rows.append("<tr>" + "".join(f"<td>{escaped(c)}</td>" for c in cells) + "</tr>")
    names = ("", "photo", "taken", "lat, lon [deg]", "from the tower", "heading, true", "view", "flags")
    head = "".join(f'<th scope="col">{escaped(n)}</th>' for n in names)
    more = len(shown) - len(rows)
    tail = f'<p class="note">and {more} more, in estimates.json.</p>' if more > 0 else ""
    return (
        f'<section class="photos"><h2>Photos used</h2><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>{tail}</section>"
    )


def _assumed(site: Site, antenna: Antenna | None, result: SiteResult, found: AntennaResult) -> str:
    said = ["Azimuth of the front's outward normal."]
    if antenna is not None:
        sizes = [
            w
            for w, v in (("height", antenna.height_m), ("width", antenna.width_m), ("depth", antenna.depth_m))
            if v is None
        ]
        if sizes:
            said.append(f"The register gives no {', '.join(sizes)} of the box: usual sizes, with a wide spread.")
        if antenna.offset_east_m is None or antenna.offset_north_m is None:
            said.append("Its offset from the tower's axis is not given: within some metres.")
        said.append(f"Centre's height known to ± {antenna.rad_center_u95_m:g} m.")
    said.append(f"Tower's position known to ± {site.position_u95_m:g} m (95 %).")
    if result.declination_deg is not None:
        said.append(f"Declination {declination_text(result)}, of a world-wide model.")
    if found.reading is not None:
        said.append("The reading's stated uncertainty is taken at its word.")
    said.append("Priors and costs are the user's, or defaults without a source.")
    return shortened(" ".join(said), 440)


def _foot(created: datetime) -> str:
    places = "".join(
        f"<div><span>{w}</span></div>" for w in ("Agreed / not agreed, because", "Name", "Date", "Signature")
    )
    return (
        f'<footer><div class="sign">{places}</div>'
        f"<p>photoaz {escaped(__version__)}, made {escaped(created.isoformat(sep=' ', timespec='minutes'))}. "
        "A second opinion from photos: no ground for work on a structure without a licensed practitioner.</p></footer>"
    )


_CSS = """
h1.long { font-size: 10pt; }
.azimuth, .verdict { display: flex; flex-direction: column; justify-content: center; text-align: center; }
.azimuth b { font-size: 15pt; white-space: nowrap; }
.verdict { border: .9mm solid #191919; padding: 1mm 3mm; min-width: 36mm; }
.verdict b { font-size: 12pt; }
.verdict span { max-width: 40mm; }
.verdict.reject { background: #191919; color: #fff; }
.verdict.undecided, .verdict.none { border-style: dashed; }
.crop { width: 56mm; text-align: center; }
.crop img { display: block; margin: 0 auto; max-width: 56mm; max-height: 48mm; }
.crop.none { border: .3mm dashed #777; padding-top: 20mm; }
.plan svg { max-height: 53mm; }
th[scope=row] { width: 30%; color: #444; }
.photos th { color: #444; border-bottom: .2mm solid #bbb; }
.photos td, .photos th { white-space: nowrap; }
.sign { grid-template-columns: 2.2fr 1.4fr .8fr 1.4fr; }
"""
