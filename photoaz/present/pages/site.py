"""A site's page: what its document says, as the template wants it. Figures are spelled here, markup is made there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from photoaz.angles import azimuth_deg, format_difference_deg
from photoaz.present import words
from photoaz.present.charts import budget_svg, strip_svg
from photoaz.present.drawing import ANTENNA_DIAL, HATCH, CameraPlace, Direction, Pointing, azimuth_plan
from photoaz.present.pages.history import history_svg
from photoaz.present.words import Document
from photoaz.result import BudgetShare

_STATUS = {
    "estimated": "estimated",
    "ambiguous": "may point in several ways",
    "not_found": "not found in the photos",
    "not_visible": "shows in no photo",
}
_DECISIONS = {"accept": "within tolerance", "reject": "OUT of tolerance", "undecided": "undecided"}
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


def site_context(site: Document) -> dict[str, Any]:
    """Everything that a site's page shows of it.

    Parameters
    ----------
    site : a site of an estimates document, with the audit's 'audit', 'visits' and 'turns' where there are such.
    """
    antennas: list[Document] = list(site.get("antennas") or ())
    photos: list[Document] = list(site.get("photos") or ())
    stands = _standpoints(site, photos)
    numbers = {p.get("photo"): k for k, p in enumerate(photos, 1)}
    site_id = str(site.get("site_id"))
    codes = [words.antenna_state(a) for a in antennas]
    visits = list(site.get("visits") or ())
    turns = list(site.get("turns") or ())
    designs = {str(a.get("antenna_id")): (a.get("design") or {}).get("azimuth_true_deg") for a in antennas}
    drawn = [
        Pointing(label=words.short_label(str(a.get("antenna_id")), site_id), directions=directions(a)) for a in antennas
    ]
    audit = site.get("audit") or {}
    return {
        "site_id": site_id,
        "state": words.BY_CODE[words.site_state(codes)],
        "headline": words.headline(antennas, site_id),
        "place": _place(site),
        "declination": _declination(site),
        "photos_used": sum(p.get("status") == "used" for p in photos),
        "photos_listed": audit.get("photos", len(photos)),
        "todo": _todo(site.get("revisit") or {}),
        "plan": Markup(azimuth_plan(drawn, list(stands.values()), ident="site")),
        "hatch": Markup(HATCH),
        "unplaced": [numbers[p.get("photo")] for p in photos if p.get("photo") not in stands],
        "antennas": [
            _antenna(site, a, code, k, numbers, stands)
            for k, (a, code) in enumerate(zip(antennas, codes, strict=True), 1)
        ],
        "photos": [_photo(p, k, stands.get(p.get("photo")), antennas) for k, p in enumerate(photos, 1)],
        "history": Markup(history_svg(visits, turns, designs)),
        "visits": [_visit(v) for v in visits],
        "turns": [words.as_sentence(_turn_sentence(t)) for t in turns],
        "site_words": _site_words(site),
        "weak_points": [words.as_sentence(str(w)) for w in site.get("weak_points") or ()],
        "flags": [_flag(f, numbers) for f in audit.get("flags") or ()],
    }


def directions(antenna: Document) -> list[Direction]:
    """Photos' azimuth, other possible ones, reading and design of an antenna's document, for the charts."""
    out = []
    if antenna.get("azimuth_true_deg") is not None:
        out.append(_direction("photos", "photos", antenna["azimuth_true_deg"], antenna.get("u95_deg")))
        out += [
            _direction(
                "other", "also possible", o["azimuth_true_deg"], o.get("u95_deg"), words.probability(o["probability"])
            )
            for o in (antenna.get("alternatives") or ())[:2]
            if o.get("azimuth_true_deg") is not None and o.get("probability") is not None
        ]
    reading, design = antenna.get("reading") or {}, antenna.get("design") or {}
    if reading.get("azimuth_true_deg") is not None:
        out.append(_direction("reading", "reading", reading["azimuth_true_deg"], reading.get("u95_deg")))
    if design.get("azimuth_true_deg") is not None:
        out.append(_direction("design", "design", design["azimuth_true_deg"], design.get("tolerance_deg")))
    return out


def _direction(kind: str, label: str, azimuth: float, half: float | None, note: str = "") -> Direction:
    return Direction(kind=kind, label=label, azimuth_deg=azimuth, half_deg=half, note=note)


def _place(site: Document) -> str:
    if site.get("lat_deg") is None or site.get("lon_deg") is None:
        return "position not known"
    return f"{site['lat_deg']:.6f}°, {site['lon_deg']:.6f}° (WGS84)"


def _declination(site: Document) -> str:
    value, u95 = site.get("declination_deg"), site.get("declination_u95_deg")
    if value is None:
        return words.UNKNOWN
    return f"{value:+.2f}°" + ("" if u95 is None else f" ± {u95:.2f}°") + ", east positive"


def _standpoints(site: Document, photos: Sequence[Document]) -> dict[Any, CameraPlace]:
    from photoaz.geodesy.frames import geodesic

    out: dict[Any, CameraPlace] = {}
    if site.get("lat_deg") is None or site.get("lon_deg") is None:
        return out
    for k, p in enumerate(photos, 1):
        if p.get("lat_deg") is None or p.get("lon_deg") is None:
            continue
        bearing, _, distance = geodesic(site["lat_deg"], site["lon_deg"], p["lat_deg"], p["lon_deg"])
        out[p.get("photo")] = CameraPlace(
            number=k,
            bearing_deg=bearing,
            distance_m=distance,
            used=p.get("status") == "used",
            heading_deg=p.get("heading_true_deg"),
            half_deg=p.get("heading_u95_deg"),
        )
    return out


# ---- what to do ------------------------------------------------------------------------------------------------------


def _todo(revisit: Document) -> dict[str, Any]:
    items = [
        {
            "antenna_id": i.get("antenna_id"),
            "action": ACTIONS.get(str(i.get("action")), str(i.get("action"))),
            "instruction": words.as_sentence(str(i.get("instruction") or "")),
            "reasons": [str(r) for r in i.get("reasons") or ()],
            "bring": i.get("bring"),
            "where": _where(i.get("where") or {}),
            "figures": i.get("figures"),
            "p_out": words.probability(i.get("p_out_of_tolerance")),
            "then": None if i.get("u95_then_deg") is None else f"± {i['u95_then_deg']:.1f}°",
        }
        for i in revisit.get("antennas") or ()
    ]
    return {"sentence": words.as_sentence(str(revisit.get("sentence") or "nothing is to be done")), "items": items}


def _where(where: Document) -> str | None:
    said = [str(where["words"])] if where.get("words") else []
    if where.get("lat_deg") is not None and where.get("lon_deg") is not None:
        said.append(f"{where['lat_deg']:.6f}, {where['lon_deg']:.6f}")
    return ": ".join(said) or None


# ---- an antenna ------------------------------------------------------------------------------------------------------


def _antenna(
    site: Document, a: Document, code: str, k: int, numbers: Mapping[Any, int], stands: Mapping[Any, CameraPlace]
) -> dict[str, Any]:
    reading, design = a.get("reading") or {}, a.get("design") or {}
    drawn = directions(a)
    budget = [
        BudgetShare(source=str(b["source"]), share=b["share"], u95_deg=b["u95_deg"])
        for b in a.get("budget") or ()
        if b.get("share") is not None and b.get("u95_deg") is not None
    ]
    return {
        "anchor": f"antenna-{k}",
        "antenna_id": str(a.get("antenna_id")),
        "sector": a.get("sector"),
        "position": a.get("position"),
        "state": words.BY_CODE[code],
        "status": _STATUS.get(str(a.get("status")), str(a.get("status"))),
        "azimuth": words.azimuth(a.get("azimuth_true_deg"), a.get("u95_deg")),
        "reading": words.azimuth(reading.get("azimuth_true_deg"), reading.get("u95_deg")) if reading else "none",
        "difference": words.signed(reading.get("difference_deg")) if reading else words.UNKNOWN,
        "en": words.number(reading.get("en")) if reading else words.UNKNOWN,
        "agrees": reading.get("agrees"),
        "design": _design(design),
        "deviation": words.signed(design.get("deviation_deg")),
        "p_out": words.probability(design.get("p_out_of_tolerance")),
        "decision": _DECISIONS.get(str(design.get("decision")), "undecided"),
        "cause": words.likely(reading),
        "dial": Markup(
            azimuth_plan(
                [Pointing(label=str(a.get("antenna_id")), directions=drawn)],
                _cameras(a, numbers, stands),
                layout=ANTENNA_DIAL,
                ident=f"dial-{k}",
            )
        ),
        "strip": Markup(strip_svg(drawn)),
        "budget": Markup(budget_svg(budget)),
        "figures": _figures(a, reading, design),
        "impact": _impact(a.get("impact_db") or {}),
        "basis": (a.get("impact_db") or {}).get("basis"),
        "reasons": [words.as_sentence(str(r)) for r in a.get("reasons") or ()],
        "next": _next(a.get("next_evidence")),
        "views": [_view(v, numbers) for v in a.get("evidence") or ()],
        "missing": _missing(a.get("missing") or (), numbers),
        "extra": [(str(n), str(v)) for n, v in (a.get("register_extra") or {}).items()],
        "sheet": words.local_link(a.get("sheet")),
    }


def _design(design: Document) -> str:
    if design.get("azimuth_true_deg") is None:
        return words.UNKNOWN
    tolerance = design.get("tolerance_deg")
    return words.azimuth(design["azimuth_true_deg"]) + ("" if tolerance is None else f" ± {tolerance:g}°")


def _cameras(a: Document, numbers: Mapping[Any, int], stands: Mapping[Any, CameraPlace]) -> list[CameraPlace]:
    """Number and bearing from the tower of the photos that show the antenna widest; by the yaw where not known."""
    out = []
    for view in sorted(a.get("evidence") or (), key=lambda v: -(v.get("width_px") or 0.0))[:_MOST_CAMERAS]:
        name = view.get("photo")
        if name in stands:
            out.append(CameraPlace(number=stands[name].number, bearing_deg=stands[name].bearing_deg))
        elif name in numbers and a.get("azimuth_true_deg") is not None and view.get("yaw_deg") is not None:
            bearing = azimuth_deg(a["azimuth_true_deg"] - view["yaw_deg"])
            out.append(CameraPlace(number=numbers[name], bearing_deg=bearing))
    return out


def _figures(a: Document, reading: Document, design: Document) -> list[tuple[str, str]]:
    rows = [("azimuth from the photos", words.azimuth(a.get("azimuth_true_deg"), a.get("u95_deg")) + " true")]
    if a.get("azimuth_true_deg") is None:
        rows = [("azimuth from the photos", "none: " + _STATUS.get(str(a.get("status")), "not known"))]
    for o in a.get("alternatives") or ():
        figure = words.azimuth(o.get("azimuth_true_deg"), o.get("u95_deg"))
        rows.append(("also possible", f"{figure}, probability {words.probability(o.get('probability'))}"))
    if reading:
        rows.append(("reading", words.azimuth(reading.get("azimuth_true_deg"), reading.get("u95_deg")) + " true"))
        if reading.get("difference_deg") is not None and reading.get("en") is not None:
            verdict = "not judged" if reading.get("agrees") is None else "agrees" if reading["agrees"] else "DISAGREES"
            figure = f"{words.signed(reading['difference_deg'])}; En {words.number(reading['en'])} (limit 1): {verdict}"
            rows.append(("photos − reading", figure))
    else:
        rows.append(("reading", "none in the register"))
    if cause := words.likely(reading):
        rows.append(("likely cause", cause))
    others = [c for c in reading.get("causes") or () if c.get("cause") != reading.get("likely_cause")]
    for c in others[:3]:
        rows.append(("other cause", f"{words.cause_words(c.get('cause'))}, {words.probability(c.get('probability'))}"))
    rows.append(
        ("design", _design(design) + ("" if design.get("azimuth_true_deg") is None else " true (±: tolerance)"))
    )
    if design.get("deviation_deg") is not None:
        rows.append(("photos − design", words.signed(design["deviation_deg"])))
        p = words.probability(design.get("p_out_of_tolerance"))
        rows.append(("p out of tolerance", f"{p}: {_DECISIONS.get(str(design.get('decision')), 'undecided')}"))
    if design.get("guard_band_deg") is not None and design.get("acceptance_deg") is not None:
        risk = "" if design.get("risk") is None else f" (risk {100.0 * design['risk']:g} %)"
        kept = (
            f"accepted within ± {design['acceptance_deg']:.1f}°"
            if design["acceptance_deg"] > 0
            else "nothing can be accepted"
        )
        rows.append(("guard band", f"{design['guard_band_deg']:.1f}°: {kept}{risk}"))
    both = a.get("combined") or {}
    if both.get("azimuth_true_deg") is not None:
        rows.append(
            ("photos and reading together", words.azimuth(both["azimuth_true_deg"], both.get("u95_deg")) + " true")
        )
    if a.get("downtilt_deg") is not None:
        rows.append(("downtilt", _tilt(a)))
    if a.get("roll_deg") is not None:
        spread = "" if a.get("roll_u95_deg") is None else f" ± {a['roll_u95_deg']:.1f}°"
        rows.append(("roll", f"{a['roll_deg']:.1f}°{spread}"))
    return rows


def _tilt(a: Document) -> str:
    spread = "" if a.get("downtilt_u95_deg") is None else f" ± {a['downtilt_u95_deg']:.1f}°"
    said = f"{a['downtilt_deg']:.1f}°{spread}"
    reading = a.get("downtilt_reading") or {}
    if reading.get("downtilt_deg") is not None:
        u95 = "" if reading.get("u95_deg") is None else f" ± {reading['u95_deg']:.1f}°"
        said += f"; reading {reading['downtilt_deg']:.1f}°{u95}"
        if reading.get("en") is not None:
            said += f", En {words.number(reading['en'])}: {'agrees' if reading.get('agrees') else 'DISAGREES'}"
    return said


def _impact(impact: Document) -> list[tuple[str, str]]:
    if impact.get("boresight") is None:
        return []
    rows = [
        ("in the design direction", words.decibel(impact["boresight"], impact.get("boresight_interval"))),
        ("clockwise edge, +60°", words.decibel(impact.get("clockwise_edge"), impact.get("clockwise_edge_interval"))),
        (
            "other edge, −60°",
            words.decibel(impact.get("anticlockwise_edge"), impact.get("anticlockwise_edge_interval")),
        ),
    ]
    for c in impact.get("crossovers") or ():
        said = words.decibel(c.get("change"), c.get("change_interval"))
        if c.get("shift_deg") is not None:
            said += f", moved {format_difference_deg(c['shift_deg'])}"
            said += "" if c.get("shift_u95_deg") is None else f" ± {c['shift_u95_deg']:.1f}°"
        effect = {"open": "overlap or hole open"}.get(str(c.get("effect")), str(c.get("effect")))
        designed = "" if c.get("neighbour_estimated") else " (as designed)"
        rows.append((f"crossing to {c.get('neighbour_id')}{designed}", f"{said}: {effect}"))
    return rows


def _next(evidence: Document | None) -> str | None:
    return words.as_sentence(str(evidence["sentence"])) if evidence and evidence.get("sentence") else None


def _view(view: Document, numbers: Mapping[Any, int]) -> dict[str, Any]:
    return {
        "number": numbers.get(view.get("photo"), words.UNKNOWN),
        "photo": words.base_name(str(view.get("photo"))),
        "view": words.VIEWS.get(str(view.get("view")), str(view.get("view"))),
        "width": words.number(view.get("width_px"), 0),
        "yaw": words.signed(view.get("yaw_deg")),
        "quality": words.number(view.get("quality")),
        "name": "named by hand" if view.get("from_pick") else words.probability(view.get("name_probability")),
    }


def _missing(views: Sequence[Document], numbers: Mapping[Any, int]) -> list[str]:
    """'photos 3, 5: turns its back', the same reasons together."""
    by: dict[str, list[str]] = {}
    for v in views:
        number = numbers.get(v.get("photo"))
        by.setdefault(str(v.get("reason")), []).append(str(number or words.base_name(str(v.get("photo")))))
    lines = [f"photo{'s' if len(n) > 1 else ''} {', '.join(n)}: {reason}" for reason, n in by.items()]
    more = len(lines) - _MOST_MISSING
    return lines[:_MOST_MISSING] + ([f"{more} more reasons in estimates.json"] if more > 0 else [])


# ---- photos, visits, what could be wrong -----------------------------------------------------------------------------


def _photo(p: Document, number: int, stand: CameraPlace | None, antennas: Sequence[Document]) -> dict[str, Any]:
    name = words.base_name(str(p.get("photo")))
    seen = [
        str(a.get("antenna_id"))
        for a in antennas
        if any(v.get("photo") == p.get("photo") for v in a.get("evidence") or ())
    ]
    shown = ", ".join(seen[:6]) + (f" and {len(seen) - 6} more" if len(seen) > 6 else "")
    alt = f"Photo {number}, {name}, with what was found and fitted drawn on it: {shown or 'no antenna was fitted'}"
    heading = words.azimuth(p.get("heading_true_deg"), p.get("heading_u95_deg"))
    tilt = [f"{w} {p[k]:+.1f}°" for w, k in (("pitch", "pitch_deg"), ("roll", "roll_deg")) if p.get(k) is not None]
    return {
        "number": number,
        "name": name,
        "path": str(p.get("photo")),
        "status": "used" if p.get("status") == "used" else "not used",
        "reason": p.get("reason"),
        "flags": [str(f) for f in p.get("flags") or ()],
        "taken": p.get("taken") or words.UNKNOWN,
        "heading": heading,
        "tilt": ", ".join(tilt) or words.UNKNOWN,
        "stand": words.UNKNOWN if stand is None else f"{stand.distance_m or 0.0:.0f} m at {stand.bearing_deg:.0f}°",
        "shows": shown or "none",
        "overlay": words.local_link(p.get("overlay")),
        "alt": alt,
    }


def _visit(visit: Document) -> dict[str, Any]:
    first, last = visit.get("from"), visit.get("to")
    when = str(first or last or "date not known") + (f" to {last}" if first and last and first != last else "")
    return {
        "when": when,
        "photos": len(visit.get("photos") or ()),
        "antennas": [
            (
                str(a.get("antenna_id")),
                words.azimuth(a.get("azimuth_true_deg"), a.get("u95_deg")),
                a.get("reading_date") or words.UNKNOWN,
            )
            for a in visit.get("antennas") or ()
        ],
    }


def _turn_sentence(turn: Document) -> str:
    if turn.get("sentence"):
        return str(turn["sentence"])
    spread = "" if turn.get("u95_deg") is None else f" ± {turn['u95_deg']:.1f}°"
    return (
        f"{turn.get('antenna_id')} turned by {words.signed(turn.get('change_deg'))}{spread} "
        f"between {turn.get('from')} and {turn.get('to')}"
    )


def _site_words(site: Document) -> list[str]:
    said = [(site.get(k) or {}).get("sentence") for k in ("causes", "common_mode", "next_evidence")]
    return [words.as_sentence(str(s)) for s in said if s]


def _flag(flag: Document, numbers: Mapping[Any, int]) -> dict[str, Any]:
    code = str(flag.get("code"))
    return {
        "number": numbers.get(flag.get("photo")),
        "photo": words.base_name(str(flag.get("photo"))),
        "what": FLAGS.get(code, code.replace("_", " ")),
        "message": str(flag.get("message") or ""),
    }
