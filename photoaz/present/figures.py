"""An antenna's and a site's figures in words, each once: pages, sheets, tables and pictures say the same of them."""

from __future__ import annotations

from collections.abc import Mapping

from photoaz.angles import azimuth_deg, format_azimuth_deg, format_difference_deg, format_u95_deg, u95_decimals
from photoaz.angles import format_angle_deg as deg
from photoaz.geodesy.frames import geodesic
from photoaz.judgement.reasons import format_odds, in_words
from photoaz.judgement.standing import design_standing
from photoaz.present import words
from photoaz.present.drawing import CameraPlace, Direction, Pointing, azimuth_plan
from photoaz.present.words import DESIGN_WORDS, UNSEEN_WORDS, short_label
from photoaz.result import AntennaResult, Crossover, Design, Impact, JudgedReading, SiteResult
from photoaz.wording import percent

#: what a reader gets as a row: its name, and the figure with what goes with it
Figure = tuple[str, str]

STATUS = {"estimated": "measured", "ambiguous": "may point in more than one direction", **UNSEEN_WORDS}
_MOST_CAUSES = 3
#: to be said wherever En stands beside a verdict
VERDICT_NOTE = (
    "The verdict on a reading goes by the probability that it is right, by all of the site's readings and photos; "
    "En compares this one pair."
)


def reading_text(reading: JudgedReading | None) -> str:
    """'118.0° ± 2.0°'; 'none' where there is none."""
    return "none" if reading is None else format_azimuth_deg(reading.azimuth_true_deg, reading.u95_deg)


def design_text(design: Design) -> str:
    """'120.0° ± 5°', the tolerance."""
    if design.azimuth_true_deg is None:
        return words.UNKNOWN
    return f"{format_azimuth_deg(design.azimuth_true_deg)} ± {design.tolerance_deg:g}°"


def en_text(en: float | None) -> str:
    """Two decimals; more just above 1, where '1.00' would contradict the verdict beside it."""
    text = words.number(en)
    return f"{en:.4f}" if en is not None and text == "1.00" and en > 1.0 else text


def decision_text(a: AntennaResult) -> str:
    """'within tolerance'; what needs somebody's eye in capitals: 'OUT of tolerance'."""
    return DESIGN_WORDS[design_standing(a)].replace("out of", "OUT of")


def p_out_text(design: Design) -> str:
    """'3.0 %, by the photos alone 12 %'; once where both read alike, and what is not known is left out."""
    both, alone = words.probability(design.p_out_of_tolerance), design.p_out_photos_alone
    return both if alone is None or percent(alone) == both else f"{both}, by the photos alone {percent(alone)}"


def right_text(reading: JudgedReading) -> str:
    """Of a reading's being right: '97 % by the whole site, 90 % by the photos alone'; '' where not known."""
    if reading.p_right is None:
        return ""
    both, alone = percent(reading.p_right), reading.p_right_photos_alone
    if alone is not None and percent(alone) == both:
        return f"{both}, by the whole site and by the photos alone"
    said = f"{both} by the whole site"
    return said if alone is None else f"{said}, {percent(alone)} by the photos alone"


def verdict(agrees: bool | None) -> str:
    """Of a reading against the photos."""
    return "not judged" if agrees is None else "agrees" if agrees else "DISAGREES"


def likely_cause(reading: JudgedReading | None) -> str:
    """The likely cause with its odds, or those that are not told apart; '' where none is named."""
    if reading is None:
        return ""
    if reading.likely_cause is not None:
        odds = "" if reading.cause_odds is None else f" (odds {format_odds(reading.cause_odds)})"
        return in_words(reading.likely_cause) + odds
    alike = reading.not_told_apart
    return " or ".join(in_words(c) for c in alike) + (" (not told apart)" if alike else "")


def declination_text(result: SiteResult) -> str:
    """'16.18° ± 0.75° west'."""
    value, spread = result.declination_deg, result.declination_u95_deg
    if value is None:
        return "not known (no photo has a date)"
    spelled = f"{abs(value):.{u95_decimals(spread)}f}°" + ("" if spread is None else f" ± {format_u95_deg(spread)}")
    return f"{spelled} {'east' if value >= 0.0 else 'west'}"


def antenna_figures(a: AntennaResult) -> list[Figure]:
    """All that is said of an antenna in figures; intervals are 95 %."""
    if a.azimuth_true_deg is None:
        rows = [("from the photos", f"none: {STATUS[a.status]}")]
    else:
        rows = [("from the photos", f"{words.azimuth(a.azimuth_true_deg, a.u95_deg)} true")]
    for o in a.alternatives:
        other = words.azimuth(o.azimuth_true_deg, o.u95_deg)
        rows.append(("also possible", f"{other}, probability {percent(o.probability)}"))
    rows += _reading_figures(a.reading)
    rows += _design_figures(a)
    if a.combined is not None:
        both = words.azimuth(a.combined.azimuth_true_deg, a.combined.u95_deg)
        rows.append(("both together", f"{both} true"))
    if a.downtilt_deg is not None:
        rows.append(("downtilt", _downtilt(a, a.downtilt_deg)))
    if a.roll_deg is not None:
        rows.append(("roll", deg(a.roll_deg, a.roll_u95_deg)))
    return rows


def _reading_figures(r: JudgedReading | None) -> list[Figure]:
    if r is None:
        return [("reading", "none in the register")]
    rows = [("reading", f"{reading_text(r)} true")]
    if r.difference_deg is not None and r.en is not None:
        said = f"{words.signed(r.difference_deg)}, En {en_text(r.en)} (this pair alone, limit 1)"
        rows.append(("photos − reading", f"{said}: {verdict(r.agrees)}"))
        if right := right_text(r):
            rows.append(("reading right", right))
    if cause := likely_cause(r):
        rows.append(("likely cause", cause))
    others = [c for c in r.causes if c.cause != r.likely_cause]
    rows += [("other cause", f"{in_words(c.cause)}, {percent(c.probability)}") for c in others[:_MOST_CAUSES]]
    return rows


def _design_figures(a: AntennaResult) -> list[Figure]:
    d = a.design
    known = d.azimuth_true_deg is not None
    rows = [("design", design_text(d) + (" true (±: tolerance)" if known else ""))]
    if d.deviation_deg is not None:
        rows.append(("photos − design", f"{words.signed(d.deviation_deg)}: {decision_text(a)}"))
        rows.append(("p out of tolerance", p_out_text(d)))
    if d.guard_band_deg is not None and d.acceptance_deg is not None:
        risk = "" if d.risk is None else f" (risk {100.0 * d.risk:g} %)"
        kept = f"accepted within ± {deg(d.acceptance_deg)}" if d.acceptance_deg > 0.0 else "nothing can be accepted"
        rows.append(("guard band", f"{deg(d.guard_band_deg)}: {kept}{risk}"))
    if d.consumer_risk is not None and d.producer_risk is not None:
        rows.append(("long-run rate of wrong acceptance", percent(d.consumer_risk)))
        rows.append(("long-run rate of wrong rejection", percent(d.producer_risk)))
    return rows


def _downtilt(a: AntennaResult, downtilt_deg: float) -> str:
    said = deg(downtilt_deg, a.downtilt_u95_deg)
    reading = a.downtilt_reading
    if reading is None:
        return said
    said += f"; reading {deg(reading.downtilt_deg, reading.u95_deg)}"
    return said if reading.en is None else f"{said}, En {en_text(reading.en)}: {verdict(reading.agrees)}"


def impact_figures(impact: Impact | None, site_id: str) -> list[Figure]:
    """The change of gain against the design, with 95 % intervals; none where it is not known.

    site_id : of the neighbours, whose names need not repeat it.
    """
    if impact is None:
        return []
    return [
        ("in the design direction", words.decibel(impact.boresight, impact.boresight_interval)),
        ("clockwise edge, +60°", words.decibel(impact.clockwise_edge, impact.clockwise_edge_interval)),
        ("other edge, −60°", words.decibel(impact.anticlockwise_edge, impact.anticlockwise_edge_interval)),
        *(_crossing(c, site_id) for c in impact.crossovers),
    ]


def _crossing(c: Crossover, site_id: str) -> Figure:
    effect = {"open": "overlap or gap undetermined", "hole": "gap"}.get(c.effect, c.effect)
    moved = f"moved {format_difference_deg(c.shift_deg, c.shift_u95_deg)}"
    name = f"crossing to {words.short_label(c.neighbour_id, site_id)}" + (
        "" if c.neighbour_estimated else " (as designed)"
    )
    return name, f"{words.decibel(c.change, c.change_interval)}, {moved}: {effect}"


def site_figures(result: SiteResult) -> list[Figure]:
    """What is said of a site as a whole in figures."""
    used = sum(p.status == "used" for p in result.photos)
    listed = len(result.photos) if result.audit is None else result.audit.photos
    return [
        ("position", f"{result.lat_deg:.6f}°, {result.lon_deg:.6f}° (WGS84)"),
        ("declination", declination_text(result)),
        ("photos", f"{used} of {listed} used"),
        *([] if result.map_note is None else [("map", result.map_note)]),
    ]


def directions(a: AntennaResult, most_others: int = 2) -> list[Direction]:
    """Photos' azimuth, other possible ones, reading and design."""
    out = []
    if a.azimuth_true_deg is not None:
        out.append(Direction(kind="photos", label="photos", azimuth_deg=a.azimuth_true_deg, half_deg=a.u95_deg))
        for o in a.alternatives[:most_others]:
            note = percent(o.probability)
            other = Direction(
                kind="other", label="also possible", azimuth_deg=o.azimuth_true_deg, half_deg=o.u95_deg, note=note
            )
            out.append(other)
    if a.reading is not None:
        r = a.reading
        out.append(Direction(kind="reading", label="reading", azimuth_deg=r.azimuth_true_deg, half_deg=r.u95_deg))
    if (design := a.design.azimuth_true_deg) is not None:
        out.append(Direction(kind="design", label="design", azimuth_deg=design, half_deg=a.design.tolerance_deg))
    return out


# ---- plans -----------------------------------------------------------------------------------------------------------


def site_plan(site: SiteResult, ident: str = "site") -> str:
    """The plan of a whole site as SVG: where its antennas point, and the standpoints by the photos' numbers."""
    drawn = [Pointing(label=short_label(a.antenna_id, site.site_id), directions=directions(a)) for a in site.antennas]
    return azimuth_plan(drawn, list(standpoints(site).values()), ident=ident)


def standpoints(site: SiteResult) -> dict[str, CameraPlace]:
    """By photo, with its number, where it was taken; those whose position is not known are left out."""
    out = {}
    for k, p in enumerate(site.photos, 1):
        if p.lat_deg is None or p.lon_deg is None:
            continue
        bearing, _, distance = geodesic(site.lat_deg, site.lon_deg, p.lat_deg, p.lon_deg)
        out[p.photo] = CameraPlace(
            number=k,
            bearing_deg=bearing,
            distance_m=distance,
            used=p.status == "used",
            heading_deg=p.heading_true_deg,
            half_deg=p.heading_u95_deg,
        )
    return out


def antenna_cameras(
    a: AntennaResult, numbers: Mapping[str, int], stands: Mapping[str, CameraPlace], most: int
) -> list[CameraPlace]:
    """Number and bearing from the tower of the photos that show an antenna widest; by the yaw where not known."""
    out = []
    for view in sorted(a.evidence, key=lambda v: -v.width_px)[:most]:
        if view.photo in stands:
            bearing = stands[view.photo].bearing_deg
        elif view.photo in numbers and a.azimuth_true_deg is not None:
            bearing = azimuth_deg(a.azimuth_true_deg - view.yaw_deg)
        else:
            continue
        out.append(CameraPlace(number=numbers[view.photo], bearing_deg=bearing))
    return out
