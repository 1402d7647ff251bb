"""The second-opinion sheet: one antenna on one page of paper, for another engineer to agree with or not, and to sign.

HTML that stands alone: charts are inline SVG, the photo's crop an inline JPEG. It prints on one page of A4 as of
Letter. What is what is told by line style and a label, not by colour alone.
"""

from __future__ import annotations

import base64
import io
from datetime import datetime

from markupsafe import Markup
from PIL import Image

from photoaz.audit.edits import VERDICTS
from photoaz.judgement.standing import design_standing
from photoaz.present.charts import budget_svg, strip_svg
from photoaz.present.drawing import ANTENNA_DIAL, Pointing, azimuth_plan
from photoaz.present.figures import (
    STATUS,
    antenna_cameras,
    antenna_figures,
    declination_text,
    directions,
    impact_figures,
    standpoints,
)
from photoaz.present.frame import inlined, rendered
from photoaz.present.pens import SKY_BLUE, YELLOW, Pen
from photoaz.present.window import bounds_of, plain_and_fitted
from photoaz.present.words import DESIGN_WORDS, as_sentence, disagrees, shortened
from photoaz.register.model import Antenna, Site
from photoaz.result import AntennaResult, EvidenceView, SiteResult

_MEANING = {
    "within": "by the photos, against the design",
    "out": "by the photos, against the design",
    "undecided": "the photos cannot decide it",
    "not_measured": "the photos leave it open",
}
_MOST_PHOTOS = 4
#: reasons on the first page, and letters of one: what does not fit stands whole on the next page
_MOST_REASONS, _LONGEST_REASON = 4, 340
_OUTLINE = Pen(core=YELLOW, width=3.0, casing=1.4, dash=(18.0, 9.0))
_INNER = Pen(core=SKY_BLUE, width=2.4, casing=1.2, dash=(6.0, 8.0))


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

    site, result : the antenna's. antenna_id : one of the result's. created : with its zone. crop : JPEG of `crop_jpeg`,
    of the antenna's `best_view`.

    Raises KeyError: the result has no such antenna.
    """
    found = result.antennas[antenna_id]
    antenna = next((a for a in site.antennas if a.antenna_id == antenna_id), None)
    photos = {p.photo: p for p in result.photos}
    # the widest view first: their order is their number on the plan
    views = sorted((v for v in found.evidence if v.photo in photos), key=lambda v: -v.width_px)
    shown = [(photos[v.photo], v) for v in views]
    numbers = {photo.photo: k for k, (photo, _) in enumerate(shown, 1)}
    todo = () if result.revisit is None else result.revisit.antennas
    drawn, stands, view = directions(found), standpoints(result), best_view(found)
    pointing = Pointing(label=antenna_id, directions=drawn)
    cameras = antenna_cameras(found, numbers, stands, _MOST_PHOTOS)
    kind, verdict, meaning = _verdict(found)
    reasons = _reasons(found)
    return rendered(
        "sheet.html",
        inlined=inlined("paper.css", "drawing.css", "sheet.css"),
        found=found,
        where=_where(site, antenna),
        kind=kind,
        verdict=verdict,
        meaning=meaning,
        view=view,
        crop=None if crop is None or view is None else base64.b64encode(crop).decode("ascii"),
        plan=Markup(azimuth_plan([pointing], cameras, layout=ANTENNA_DIAL, hatch=True)),
        strip=Markup(strip_svg(drawn)),
        budget=Markup(budget_svg(found.budget)),
        in_figures=antenna_figures(found),
        reasons=[shortened(r, _LONGEST_REASON) for r in reasons[:_MOST_REASONS]],
        more_reasons=[r for k, r in enumerate(reasons) if k >= _MOST_REASONS or len(r) > _LONGEST_REASON],
        impact=impact_figures(found.impact_db, site.site_id),
        todo=next((item for item in todo if item.antenna_id == antenna_id), None),
        shown=shown,
        most_photos=_MOST_PHOTOS,
        stands=stands,
        assumed=_assumed(site, antenna, result, found),
        created=created,
        signed=_signed(found),
    )


def _signed(found: AntennaResult) -> list[tuple[str, str]]:
    """The places that whoever signs fills in, with what was decided at the desk; the signature stays to be made."""
    d = found.decision
    said = ("", "", "")
    if d is not None:
        said = VERDICTS[d.verdict] + (f": {d.note}" if d.note else ""), d.who, d.at[:10]
    return list(zip(("Agreed / not agreed, because", "Name", "Date", "Signature"), (*said, ""), strict=True))


def _where(site: Site, antenna: Antenna | None) -> str:
    where = [f"site {site.site_id}"]
    if antenna is not None and antenna.sector is not None:
        where.append(f"sector {antenna.sector}")
    if antenna is not None and antenna.position is not None:
        where.append(f"position {antenna.position}")
    where.append(f"{site.lat_deg:.5f}, {site.lon_deg:.5f}")
    if antenna is not None:
        where.append(f"centre {antenna.rad_center_m:g} m above ground")
    return ", ".join(where)


def _verdict(found: AntennaResult) -> tuple[str, str, str]:
    """Its kind, its word and what that means."""
    if found.azimuth_true_deg is None:
        return "none", "NOT MEASURED", STATUS[found.status]
    standing = design_standing(found)
    word, meaning = DESIGN_WORDS[standing].upper(), _MEANING[standing]
    return found.design.decision, word, meaning + ("; the reading DISAGREES" if disagrees(found) else "")


def _reasons(found: AntennaResult) -> list[str]:
    """What decides first, then what it was carried from; the antenna's own last."""
    reasons = sorted(found.reasons[len(found.remarks) :], key=lambda r: "declination" in r and "added" in r)
    return reasons + [as_sentence(r) for r in found.remarks]


def _assumed(site: Site, antenna: Antenna | None, result: SiteResult, found: AntennaResult) -> list[str]:
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
    if result.map_note is not None:
        said.append(f"Surroundings by the map {result.map_note}, with faults as maps have them.")
    if found.reading is not None:
        said.append("The reading's stated uncertainty is taken at its word.")
    said.append("Priors and costs are the user's, or defaults without a source.")
    return said
