"""A site's page: what its result says, as the template wants it. Figures come in words, markup is made there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from photoaz.judgement.reasons import priors_sentence
from photoaz.present import words
from photoaz.present.charts import budget_svg, strip_svg
from photoaz.present.drawing import ANTENNA_DIAL, HATCH, CameraPlace, Pointing, azimuth_plan
from photoaz.present.figures import (
    STATUS,
    antenna_figures,
    design_text,
    directions,
    en_text,
    impact_figures,
    likely_cause,
    reading_text,
    site_figures,
)
from photoaz.present.pages.history import history_svg
from photoaz.present.standpoints import antenna_cameras, site_plan, standpoints
from photoaz.result import (
    AntennaResult,
    EvidenceView,
    FileFlag,
    MissingView,
    PhotoResult,
    Revisit,
    SiteResult,
    VisitResult,
    Where,
)

ACTIONS = {
    "leave": "leave as it is",
    "correct_register": "correct the register",
    "check_records": "check labels and cabling records",
    "desk": "look it up",
    "photo": "take another photo",
    "read_again": "read again with an instrument",
    "climb": "climb and measure",
}
FLAGS = {
    "duplicate": "the same photo twice",
    "two_sites": "handed in for two sites",
    "edited": "edited after it was taken",
    "times_contradict": "its times contradict each other",
    "clock": "clock or time zone wrong",
}
_MOST_CAMERAS = 6
_MOST_MISSING = 8


def site_context(site: SiteResult) -> dict[str, Any]:
    """Everything that a site's page shows of it."""
    stands = standpoints(site)
    numbers = {p.photo: k for k, p in enumerate(site.photos, 1)}
    codes = [words.antenna_state(a) for a in site.antennas]
    return {
        "site_id": site.site_id,
        "state": words.BY_CODE[words.site_state(codes)],
        "headline": words.headline(site.antennas, site.site_id),
        "figures": site_figures(site),
        "todo": _todo(site.revisit),
        "plan": Markup(site_plan(site)),
        "hatch": Markup(HATCH),
        "unplaced": [numbers[p.photo] for p in site.photos if p.photo not in stands],
        "antennas": [
            _antenna(a, site.site_id, code, k, numbers, stands)
            for k, (a, code) in enumerate(zip(site.antennas, codes, strict=True), 1)
        ],
        "photos": [_photo(p, k, stands.get(p.photo), site.antennas) for k, p in enumerate(site.photos, 1)],
        "history": Markup(
            history_svg(site.visits, site.turns, {a.antenna_id: a.design.azimuth_true_deg for a in site.antennas})
        ),
        "visits": [_visit(v) for v in site.visits],
        "turns": [words.as_sentence(t.sentence) for t in site.turns],
        "site_words": [
            words.as_sentence(said.sentence)
            for said in (site.causes, site.common_mode, site.next_evidence)
            if said is not None and said.sentence
        ],
        "priors": None if site.priors is None else priors_sentence(site.priors),
        "weak_points": [words.as_sentence(w) for w in site.weak_points],
        "flags": [_flag(f, numbers) for f in (() if site.audit is None else site.audit.flags)],
    }


# ---- what to do ------------------------------------------------------------------------------------------------------


def _todo(revisit: Revisit | None) -> dict[str, Any]:
    items = [
        {
            "antenna_id": i.antenna_id,
            "action": ACTIONS[i.action],
            "instruction": words.as_sentence(i.instruction),
            "reasons": i.reasons,
            "bring": i.bring,
            "where": _where(i.where),
            "figures": i.figures,
            "then": None if i.u95_then_deg is None else f"± {i.u95_then_deg:.1f}°",
        }
        for i in (() if revisit is None else revisit.antennas)
    ]
    sentence = "nothing is to be done" if revisit is None else revisit.sentence
    return {"sentence": words.as_sentence(sentence), "items": items}


def _where(where: Where) -> str | None:
    said = [where.words] if where.words else []
    if where.lat_deg is not None and where.lon_deg is not None:
        said.append(f"{where.lat_deg:.6f}, {where.lon_deg:.6f}")
    return ": ".join(said) or None


# ---- an antenna ------------------------------------------------------------------------------------------------------


def _antenna(
    a: AntennaResult, site_id: str, code: str, k: int, numbers: Mapping[str, int], stands: Mapping[str, CameraPlace]
) -> dict[str, Any]:
    reading, drawn = a.reading, directions(a)
    antenna = Pointing(label=a.antenna_id, directions=drawn)
    cameras = antenna_cameras(a, numbers, stands, _MOST_CAMERAS)
    return {
        "anchor": f"antenna-{k}",
        "antenna_id": a.antenna_id,
        "sector": a.sector,
        "position": a.position,
        "state": words.BY_CODE[code],
        "status": STATUS[a.status],
        "azimuth": words.azimuth(a.azimuth_true_deg, a.u95_deg),
        "reading": reading_text(reading),
        "difference": words.signed(None if reading is None else reading.difference_deg),
        "en": en_text(None if reading is None else reading.en),
        "design": design_text(a.design),
        "deviation": words.signed(a.design.deviation_deg),
        "p_out": words.probability(a.design.p_out_of_tolerance),
        "p_out_alone": words.probability(a.design.p_out_photos_alone),
        "right": "" if reading is None else words.probability(reading.p_right),
        "right_alone": "" if reading is None else words.probability(reading.p_right_photos_alone),
        "cause": likely_cause(reading),
        "dial": Markup(azimuth_plan([antenna], cameras, layout=ANTENNA_DIAL, ident=f"dial-{k}")),
        "strip": Markup(strip_svg(drawn)),
        "budget": Markup(budget_svg(a.budget)),
        "figures": antenna_figures(a),
        "impact": impact_figures(a.impact_db, site_id),
        "basis": None if a.impact_db is None else a.impact_db.basis,
        "reasons": [words.as_sentence(r) for r in a.reasons],
        "next": None if a.next_evidence is None else words.as_sentence(a.next_evidence.sentence),
        "views": [_view(v, numbers) for v in a.evidence],
        "missing": _missing(a.missing, numbers),
        "extra": list(a.register_extra.items()),
        "sheet": words.local_link(a.sheet),
    }


def _view(view: EvidenceView, numbers: Mapping[str, int]) -> dict[str, Any]:
    return {
        "number": numbers.get(view.photo, words.UNKNOWN),
        "photo": words.base_name(view.photo),
        "view": words.VIEWS[view.view],
        "width": words.number(view.width_px, 0),
        "yaw": words.signed(view.yaw_deg),
        "quality": words.number(view.quality),
        "right": words.probability(view.p_right),
        "name": "named by hand" if view.from_pick else words.probability(view.name_probability),
    }


def _missing(views: Sequence[MissingView], numbers: Mapping[str, int]) -> list[str]:
    """'photos 3, 5: turns its back', the same reasons together."""
    by: dict[str, list[str]] = {}
    for v in views:
        by.setdefault(v.reason, []).append(str(numbers.get(v.photo) or words.base_name(v.photo)))
    lines = [f"photo{'s' if len(n) > 1 else ''} {', '.join(n)}: {reason}" for reason, n in by.items()]
    more = len(lines) - _MOST_MISSING
    return lines[:_MOST_MISSING] + ([f"{more} more reasons in estimates.json"] if more > 0 else [])


# ---- photos, visits, what could be wrong -----------------------------------------------------------------------------


def _photo(p: PhotoResult, number: int, stand: CameraPlace | None, antennas: Sequence[AntennaResult]) -> dict[str, Any]:
    name = words.base_name(p.photo)
    seen = [a.antenna_id for a in antennas if any(v.photo == p.photo for v in a.evidence)]
    shown = ", ".join(seen[:6]) + (f" and {len(seen) - 6} more" if len(seen) > 6 else "")
    tilt = [f"{w} {v:+.1f}°" for w, v in (("pitch", p.pitch_deg), ("roll", p.roll_deg)) if v is not None]
    return {
        "number": number,
        "name": name,
        "path": p.photo,
        "status": "used" if p.status == "used" else "not used",
        "reason": p.reason,
        "flags": p.flags,
        "taken": words.UNKNOWN if p.taken is None else p.taken.isoformat(),
        "heading": words.azimuth(p.heading_true_deg, p.heading_u95_deg),
        "tilt": ", ".join(tilt) or words.UNKNOWN,
        "stand": words.UNKNOWN if stand is None else f"{stand.distance_m or 0.0:.0f} m at {stand.bearing_deg:.0f}°",
        "shows": shown or "none",
        "overlay": words.local_link(p.overlay),
        "alt": f"Photo {number}, {name}, with what was found and fitted drawn on it: "
        f"{shown or 'no antenna was fitted'}",
    }


def _visit(visit: VisitResult) -> dict[str, Any]:
    days = list(dict.fromkeys(day.isoformat() for day in (visit.from_, visit.to) if day is not None))
    return {
        "when": " to ".join(days) or "date not known",
        "photos": len(visit.photos),
        "antennas": [
            (
                a.antenna_id,
                words.azimuth(a.azimuth_true_deg, a.u95_deg),
                words.UNKNOWN if a.reading_date is None else a.reading_date.isoformat(),
            )
            for a in visit.antennas
        ],
    }


def _flag(flag: FileFlag, numbers: Mapping[str, int]) -> dict[str, Any]:
    return {
        "number": numbers.get(flag.photo),
        "photo": words.base_name(flag.photo),
        "what": FLAGS.get(flag.code, flag.code.replace("_", " ")),
        "message": flag.message,
    }
