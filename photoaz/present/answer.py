"""One antenna's answer in a paragraph: where it points, whether that agrees, and what to do next."""

from __future__ import annotations

from photoaz.angles import format_azimuth_deg, format_difference_deg
from photoaz.judgement.conformity import not_measured
from photoaz.present.figures import decision_text, design_text, likely_cause, reading_text
from photoaz.present.names import unsure
from photoaz.present.words import probability
from photoaz.result import AntennaResult, SiteResult
from photoaz.wording import before_you_go, percent


def answer(site: SiteResult, antenna: AntennaResult, *, magnetic: bool = False) -> str:
    """In sentences that stand by themselves. magnetic: the azimuth is said from magnetic north as well."""
    told = [*_azimuth(site, antenna, magnetic), *_reading(antenna), *_design(antenna), *_next(site, antenna)]
    return " ".join(told)


def _name(a: AntennaResult) -> str:
    """At the beginning of a sentence; one that nobody named is the antenna."""
    return "The antenna" if a.antenna_id == "antenna" else a.antenna_id


def _azimuth(site: SiteResult, a: AntennaResult, magnetic: bool) -> list[str]:
    if a.azimuth_true_deg is None:
        used = [p for p in site.photos if p.status == "used"]
        if not used:
            why = "; ".join(p.reason or "no reason given" for p in site.photos)
            return [f"{_name(a)} has no azimuth: no photo could be used ({why})."]
        return [f"{_name(a)} has no azimuth: {'; '.join(a.remarks) or 'it shows in no photo'}."]
    value = format_azimuth_deg(a.azimuth_true_deg, a.u95_deg)
    of_magnetic = ""
    if magnetic and site.declination_deg is not None:
        of_magnetic = f"; {format_azimuth_deg(a.azimuth_true_deg - site.declination_deg)} magnetic"
    out = [f"{_name(a)} points at {value} (true north, 95 %{of_magnetic})."]
    if a.alternatives:
        others = " or ".join(
            f"{format_azimuth_deg(o.azimuth_true_deg, o.u95_deg)} ({percent(o.probability)})" for o in a.alternatives
        )
        out.append(f"It may also be {others}.")
    if a.status == "ambiguous":
        out += [f"{said[0].upper()}{said[1:]}." for said in a.remarks[:2] if "alternatives" not in said]
    return out


def _reading(a: AntennaResult) -> list[str]:
    reading = a.reading
    if reading is None or reading.difference_deg is None:
        return []
    verdict = {
        None: "is not judged by so little of an outline",
        True: "agrees with the photos",
        False: "DISAGREES with the photos",
    }[reading.agrees]
    out = [
        f"The reading, {reading_text(reading)} true, {verdict}: photos minus reading "
        f"{format_difference_deg(reading.difference_deg)}."
    ]
    if cause := likely_cause(reading):
        out.append(f"Likely cause: {cause}.")
    return out


def _design(a: AntennaResult) -> list[str]:
    design = a.design
    if design.deviation_deg is None:
        return []
    if not_measured(a):
        return ["That is too wide to be held against the design."]
    off = f"off by {format_difference_deg(design.deviation_deg)}"
    out = f"out of tolerance with a probability of {probability(design.p_out_of_tolerance)}"
    decided = {"undecided": "it is undecided whether it is within tolerance"}
    verdict = decided.get(design.decision, f"it is {decision_text(a)}")
    return [f"Against the design, {design_text(design)} true, {verdict} ({off}; {out})."]


def _next(site: SiteResult, a: AntennaResult) -> list[str]:
    items = [] if site.revisit is None else [i for i in site.revisit.antennas if i.antenna_id == a.antenna_id]
    if not items:
        return ["Nothing is to be done."] if a.azimuth_true_deg is not None else []
    text = items[0].instruction
    out = [f"Next: {text}{'' if text.endswith('.') else '.'}"]
    if a.evidence and all(unsure(view) for view in a.evidence):
        out.append("Which panel is meant, a mark in the photo tells without a visit (--picks; photoaz manual picks).")
    if caution := before_you_go(i.action for i in items):
        out.append(f"Before you go: {caution}")
    return out
