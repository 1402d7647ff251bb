"""One antenna's estimate held against its reading and its design, and said in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from photoaz.angles import difference_deg, format_azimuth_deg, format_difference_deg
from photoaz.errors import InputError
from photoaz.geodesy.norths import TrueAzimuth, declination, meridian_convergence_deg, to_true
from photoaz.judgement.agreement import en_score, zeta_score
from photoaz.judgement.cause import Case, Explanations, Neighbour, ReadingCauses, likely_causes
from photoaz.judgement.combined import weighted_mean
from photoaz.judgement.common import common_mode_of_site
from photoaz.judgement.conformity import (
    RISK,
    acceptance_limit_deg,
    decide,
    guard_band_deg,
    probability_out,
    risks_of,
)
from photoaz.judgement.impact import impact_db
from photoaz.quantities import K95
from photoaz.register.model import Antenna, ReadingNorth, Site
from photoaz.result import (
    AntennaResult,
    ById,
    Combined,
    Decision,
    Design,
    DowntiltReading,
    Reading,
    SiteResult,
)
from photoaz.wording import percent_words

# An alternative less probable than this does not save a reading
_MIN_PROBABILITY = 0.05
# zeta from which a difference calls for action, ISO 13528; up to 2 is fair, between them a warning
ACTION = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    azimuth_deg: float
    u95_deg: float
    probability: float
    sigma_deg: float


def _candidates(solution: AntennaResult) -> list[_Candidate]:
    """The estimate and its alternatives, each with the uncertainty that it has if it is the true one; none without an
    estimate.
    """
    if solution.azimuth_true_deg is None or solution.u95_deg is None:
        return []
    others = [
        _Candidate(
            azimuth_deg=a.azimuth_true_deg, u95_deg=a.u95_deg, probability=a.probability, sigma_deg=a.u95_deg / K95
        )
        for a in solution.alternatives
    ]
    rest = max(0.0, 1.0 - sum(c.probability for c in others))
    sigma = solution.u95_deg / K95 if solution.sigma_deg is None else solution.sigma_deg
    azimuth, u95 = solution.azimuth_true_deg, solution.u95_deg
    if others and solution.own_u95_deg is not None:
        u95 = solution.own_u95_deg  # the whole U95 covers the others too, which are counted by themselves here
        sigma = u95 / K95
    return [_Candidate(azimuth_deg=azimuth, u95_deg=u95, probability=rest, sigma_deg=sigma), *others]


def _carried(
    what: str,
    angle_deg: float,
    north: ReadingNorth,
    antenna: Antenna,
    site: Site,
    own_date: date | None,
    photo_date: date | None,
    reasons: list[str],
) -> TrueAzimuth | None:
    """An angle of the register in true north; None, and a reason, where that cannot be done."""
    when = own_date or photo_date
    try:
        true = to_true(
            angle_deg, north, lat_deg=site.lat_deg, lon_deg=site.lon_deg, when=when, grid_crs=antenna.grid_crs
        )
    except InputError as e:
        reasons.append(f"The {what} of {angle_deg:.1f}° ({north} north) could not be carried to true north: {e}.")
        return None
    if north != "true":
        note = ""
        if north == "magnetic" and own_date is None:
            note = " (it bears no date, so that of the photo is used)"
        reasons.append(
            f"The {what} of {angle_deg:.1f}° is {format_azimuth_deg(true.azimuth_deg)} true: {true.how}{note}."
        )
    return true


def _quadrature(u95_deg: float, sigma_deg: float) -> float:
    return math.hypot(u95_deg, K95 * sigma_deg)


def _shared_sigma(solution: AntennaResult, declination_sigma_deg: float, limit_deg: float) -> float:
    """Root of the covariance [deg] of the estimate and something carried over by the same declination; never below 0.

    The model's error is mostly of the crust at the site, one for all days. JCGM 100:2008, 5.2.2: u(x1, x2) is the
    product of what the common quantity does to each.
    """
    return min(math.sqrt(max(solution.declination_sigma_deg, 0.0) * declination_sigma_deg), limit_deg)


def contradicted(en: float, zeta: float, right: float | None, risk: float = RISK) -> bool:
    """Whether a reading counts as contradicted by the photos.

    Parameters
    ----------
    en, zeta : of the reading and its own antenna's estimate. right : probability that the reading says where the
        antenna points, by all readings and photos of the site; None where not known. risk : of deciding wrongly.

    Returns
    -------
    bool : by En > 1 alone where only that is known. Of right readings one in twenty is so far off; the whole site says
        more. A reading is contradicted where by all the site's evidence it is right with no more than the risk; or
        where En is above 1 and it is more likely wrong than right, or zeta calls for action (3 or more, ISO 13528).
    """
    if right is None:
        return en > 1.0
    return right <= risk or (en > 1.0 and (right < 0.5 or zeta >= ACTION))


def _judge_reading(
    antenna: Antenna,
    site: Site,
    solution: AntennaResult,
    photo_date: date | None,
    risk: float,
    right: float | None,
    reasons: list[str],
) -> Reading | None:
    reading = antenna.reading
    if reading is None:
        return None
    true = _carried("reading", reading.azimuth_deg, reading.north, antenna, site, reading.date, photo_date, reasons)
    if true is None:
        return None
    u95 = _quadrature(reading.u95_deg, true.sigma_deg)
    sigma = math.hypot(reading.u95_deg / (reading.k or K95), true.sigma_deg)
    judgement = Reading(
        azimuth_true_deg=true.azimuth_deg, u95_deg=u95, declination_u95_deg=K95 * true.sigma_deg, sigma_deg=sigma
    )
    candidates = _candidates(solution)
    if not candidates:
        return judgement
    of_declination = true.sigma_deg if reading.north == "magnetic" else 0.0

    def shared_with(c: _Candidate) -> float:
        return K95 * _shared_sigma(solution, of_declination, math.sqrt(c.u95_deg * u95) / K95)

    def score(c: _Candidate) -> float:
        return en_score(c.azimuth_deg, c.u95_deg, true.azimuth_deg, u95, shared_with(c))

    chosen = candidates[0]
    if score(chosen) > 1.0:  # a reading that fits another azimuth the photos allow is not contradicted by them
        chosen = min((c for c in candidates[1:] if c.probability >= _MIN_PROBABILITY), key=score, default=chosen)
        if score(chosen) > 1.0:
            chosen = candidates[0]
    en = score(chosen)
    difference = difference_deg(chosen.azimuth_deg, true.azimuth_deg)
    photos = format_azimuth_deg(chosen.azimuth_deg, chosen.u95_deg)
    other = "" if chosen is candidates[0] else " (the second azimuth that they allow)"
    shared = shared_with(chosen)
    common = min(shared / K95, math.sqrt(chosen.sigma_deg * sigma))
    zeta = zeta_score(chosen.azimuth_deg, chosen.sigma_deg, true.azimuth_deg, sigma, common)
    agrees = not contradicted(en, zeta, right, risk)
    verb = "agrees" if agrees else "disagrees"
    limit = "within" if en <= 1.0 else "more than"
    said = (
        f"The reading, {format_azimuth_deg(true.azimuth_deg, u95)} true, {verb} with the photos, {photos}{other}: "
        f"they differ by {abs(difference):.1f}°, {limit} what the two uncertainties allow (En {en:.2f})"
    )
    if right is not None and agrees != (en <= 1.0):
        by_all = f"by all of the site's readings and photos it is right with a probability of {percent_words(right)}"
        said += f", but {by_all}" if agrees else f"; but {by_all}"
    reasons.append(f"{said}.")
    return replace(
        judgement,
        difference_deg=difference,
        en=en,
        agrees=agrees,
        zeta=zeta,
        shared_u95_deg=shared,
    )


def _judge_downtilt(antenna: Antenna, solution: AntennaResult, reasons: list[str]) -> DowntiltReading | None:
    reading = antenna.downtilt_reading
    if reading is None:
        return None
    tilt, u95 = solution.downtilt_deg, solution.downtilt_u95_deg
    if tilt is None or u95 is None:
        return DowntiltReading(downtilt_deg=reading.downtilt_deg, u95_deg=reading.u95_deg)
    en = en_score(tilt, u95, reading.downtilt_deg, reading.u95_deg)
    difference = difference_deg(tilt, reading.downtilt_deg)
    reasons.append(
        f"The downtilt reading, {reading.downtilt_deg:.1f}° ± {reading.u95_deg:.1f}°, "
        f"{'agrees' if en <= 1.0 else 'disagrees'} with the photos, {tilt:.1f}° ± {u95:.1f}° (En {en:.2f})."
    )
    return DowntiltReading(
        downtilt_deg=reading.downtilt_deg, u95_deg=reading.u95_deg, difference_deg=difference, en=en, agrees=en <= 1.0
    )


def _sigma_off(u95_deg: float, declination_sigma_deg: float, true: TrueAzimuth, of_declination_deg: float) -> float:
    """Standard uncertainty of an azimuth off a design, both perhaps carried over by the one declination."""
    common = 2.0 * declination_sigma_deg * of_declination_deg
    return math.sqrt(max((u95_deg / K95) ** 2 + true.sigma_deg**2 - common, 0.0))


def _judge_design(
    antenna: Antenna, site: Site, solution: AntennaResult, photo_date: date | None, risk: float, reasons: list[str]
) -> Design:
    tolerance = antenna.tolerance_deg
    true = _carried(
        "design azimuth", antenna.design_azimuth_deg, antenna.design_north, antenna, site, None, photo_date, reasons
    )
    candidates = _candidates(solution)
    if true is None or not candidates:
        return Design(azimuth_true_deg=true.azimuth_deg if true else None, tolerance_deg=tolerance, risk=risk)
    of_declination = true.sigma_deg if antenna.design_north == "magnetic" else 0.0
    sigmas = [_sigma_off(c.u95_deg, solution.declination_sigma_deg, true, of_declination) for c in candidates]
    total = sum(c.probability for c in candidates)
    p_out = sum(
        c.probability / total * probability_out(difference_deg(c.azimuth_deg, true.azimuth_deg), sigma, tolerance)
        for c, sigma in zip(candidates, sigmas, strict=True)
    )
    p_out = min(1.0, p_out)
    decision = decide(p_out, risk)
    acceptance = acceptance_limit_deg(sigmas[0], tolerance, risk) if len(candidates) == 1 else None
    risks = risks_of(sigmas[0], tolerance, risk) if len(candidates) == 1 else None
    deviation = difference_deg(candidates[0].azimuth_deg, true.azimuth_deg)
    photos = format_azimuth_deg(candidates[0].azimuth_deg, candidates[0].u95_deg)
    design = f"the design, {format_azimuth_deg(true.azimuth_deg)} true ± {tolerance:g}°"
    text = f"The azimuth from the photos, {photos}, is {format_difference_deg(deviation)} off {design}: "
    chance = f"the probability of being out of tolerance is {percent_words(p_out)}"
    if decision == "accept":
        text += f"accepted, {chance}."
    elif decision == "reject":
        text += f"rejected, {chance}."
    else:
        text += f"undecided, {chance}. "
        if len(candidates) == 1:
            text += _guarded(acceptance, sigmas[0], tolerance, risk)
        text += _what_would_decide(deviation, tolerance, len(candidates) > 1, risk)
    reasons.append(text)
    return Design(
        azimuth_true_deg=true.azimuth_deg,
        tolerance_deg=tolerance,
        deviation_deg=deviation,
        p_out_of_tolerance=p_out,
        decision=decision,
        risk=risk,
        guard_band_deg=guard_band_deg(sigmas[0], risk),
        acceptance_deg=acceptance,
        consumer_risk=None if risks is None else risks.consumer,
        producer_risk=None if risks is None else risks.producer,
    )


def _guarded(acceptance_deg: float | None, sigma_deg: float, tolerance_deg: float, risk: float) -> str:
    """What deviations would be decided at this uncertainty."""
    rejected = f"rejected beyond {tolerance_deg + guard_band_deg(sigma_deg, risk):.1f}°"
    at = f"At a risk of {100.0 * risk:g} % "
    if acceptance_deg is None:
        return f"{at}no deviation could be accepted with this uncertainty; it would be {rejected}. "
    return f"{at}a deviation is accepted up to {acceptance_deg:.1f}° and {rejected}. "


def _what_would_decide(deviation_deg: float, tolerance_deg: float, ambiguous: bool, risk: float) -> str:
    """How small the U95 must get for this deviation to be decided, by the one-sided guard band."""
    if ambiguous:
        return "A photo from another side would tell which of the possible azimuths is the true one."
    needed = abs(tolerance_deg - abs(deviation_deg)) * K95 / guard_band_deg(1.0, risk)
    if needed < 0.1:
        return "It lies at the limit of the tolerance, where no measurement decides."
    return f"An uncertainty of ± {needed:.1f}° or better would decide it, if the azimuth stays as it is."


def _combined(
    antenna: Antenna,
    site: Site,
    solution: AntennaResult,
    reading: Reading | None,
    design: Design,
    photo_date: date | None,
    reasons: list[str],
) -> Combined | None:
    """Reading and estimate together; None unless they agree, and while the photos allow more than one azimuth."""
    if reading is None or not reading.agrees or len(_candidates(solution)) != 1:
        return None
    azimuth, u95 = solution.azimuth_true_deg, solution.u95_deg
    if azimuth is None or u95 is None or not (u95 > 0.0 and reading.u95_deg > 0.0):
        return None
    mean = weighted_mean(azimuth, u95, reading.azimuth_true_deg, reading.u95_deg, reading.shared_u95_deg)
    p_out: float | None = None
    decision: Decision = "undecided"
    said = ""
    if design.azimuth_true_deg is not None:
        true = _carried("", antenna.design_azimuth_deg, antenna.design_north, antenna, site, None, photo_date, [])
        sigma = mean.u95_deg / K95
        if true is not None:
            read = reading.declination_u95_deg / K95 if antenna.reading and antenna.reading.north == "magnetic" else 0.0
            moved = mean.weight_first * solution.declination_sigma_deg + (1.0 - mean.weight_first) * read
            of_declination = true.sigma_deg if antenna.design_north == "magnetic" else 0.0
            sigma = _sigma_off(mean.u95_deg, moved, true, of_declination)
        deviation = difference_deg(mean.azimuth_deg, design.azimuth_true_deg)
        p_out = probability_out(deviation, sigma, design.tolerance_deg)
        decision = decide(p_out, design.risk or RISK)
        if decision != design.decision:
            word = {"accept": "accepted", "reject": "rejected", "undecided": "undecided"}[decision]
            said = f", by which it would be {word} (probability of being out of tolerance {percent_words(p_out)})"
    reasons.append(
        f"Reading and photos together: {format_azimuth_deg(mean.azimuth_deg, mean.u95_deg)}, "
        f"{100.0 * mean.weight_first:.0f} % of the weight with the photos{said}."
    )
    return Combined(
        azimuth_true_deg=mean.azimuth_deg,
        u95_deg=mean.u95_deg,
        weight_estimate=mean.weight_first,
        p_out_of_tolerance=p_out,
        decision=decision,
    )


def judge_antenna(
    antenna: Antenna,
    site: Site,
    found: AntennaResult,
    photo_date: date | None,
    risk: float = RISK,
    right: float | None = None,
) -> AntennaResult:
    """Hold one antenna's estimate against its reading, its downtilt reading and its design.

    Parameters
    ----------
    antenna, site : from the register. found : the estimate, which may be none. photo_date : the day of the photos;
        stands in where a magnetic reading bears no date, and serves for a magnetic design. risk : of deciding wrongly
        about the design, either way. right : probability that the reading is right, by the whole site (`contradicted`).

    Returns
    -------
    AntennaResult : `found` with what follows from it. Magnetic angles are carried to true north with the declination of
    their day and place, and its uncertainty is added in quadrature (k = 1.96). Where the photos allow more than one
    azimuth, the probability of being out is the mixture's, and a reading agrees if it agrees with any of them that has
    at least 5 %. revisit: the reading (azimuth or downtilt) disagrees with the photos, or the design's tolerance is not
    met. An undecided case alone sends nobody out: a better photo may decide it, and `reasons` say how good.
    """
    reasons: list[str] = []
    reading = _judge_reading(antenna, site, found, photo_date, risk, right, reasons)
    downtilt = _judge_downtilt(antenna, found, reasons)
    design = _judge_design(antenna, site, found, photo_date, risk, reasons)
    combined = _combined(antenna, site, found, reading, design, photo_date, reasons)
    impact = None
    if design.deviation_deg is not None:
        impact = impact_db(design.deviation_deg)
        if design.decision != "accept":
            reasons.append(
                f"Pointing {abs(design.deviation_deg):.1f}° off costs {abs(impact.boresight):.1f} dB in the design "
                f"direction and {abs(impact.edge):.1f} dB at one edge of a 120° sector (65° reference pattern)."
            )
    if found.azimuth_true_deg is None:
        seen = {"not_visible": "does not show in any photo", "not_found": "was not found in the photos"}
        reasons.append(f"The antenna {seen.get(found.status, 'has no estimate')}: nothing is decided about it.")
    disagrees = (reading is not None and reading.agrees is False) or (downtilt is not None and downtilt.agrees is False)
    return replace(
        found,
        reading=reading,
        downtilt_reading=downtilt,
        design=design,
        impact_db=impact,
        revisit=disagrees or design.decision == "reject",
        reasons=(*found.remarks, *reasons),
        combined=combined,
    )


def judge_site(
    site: Site, result: SiteResult, photo_dates: Mapping[str, date | None], risk: float = RISK
) -> SiteResult:
    """Judge every antenna of a solved site that the register knows, and say what may explain its readings.

    Parameters
    ----------
    site : from the register. result : the whole site's estimates. photo_dates : per antenna_id the day of its photos,
        as for `judge_antenna`. risk : of deciding wrongly about a design, either way.

    Returns
    -------
    SiteResult : with readings, designs, likely causes by `photoaz.judgement.cause`, and the readings' common angle.
    """
    register = {antenna.antenna_id: antenna for antenna in site.antennas}

    def judged(found: AntennaResult, right: float | None = None) -> AntennaResult:
        antenna = register.get(found.antenna_id)
        if antenna is None:
            return found
        return judge_antenna(antenna, site, found, photo_dates.get(found.antenna_id), risk, right)

    result = replace(result, antennas=ById(judged(found) for found in result.antennas))
    explained = _site_causes(site, result, photo_dates)
    antennas = []
    for found in result.antennas:
        own = None if explained is None else explained.of(found.antenna_id)
        reading = found.reading
        if own is not None and reading is not None:
            en, zeta, right = reading.en, reading.zeta, own.reading_right
            if en is not None and zeta is not None and contradicted(en, zeta, right, risk) is reading.agrees:
                found = judged(found, right)
            found = _with_causes(found, own)
        antennas.append(found)
    return _with_common_mode(
        replace(result, antennas=ById(antennas), causes=None if explained is None else explained.site)
    )


def _with_causes(found: AntennaResult, own: ReadingCauses) -> AntennaResult:
    if found.reading is None:
        return found
    reading = replace(
        found.reading,
        likely_cause=own.likely_cause,
        causes=own.causes,
        no_fault=own.no_fault,
        p_right=own.reading_right,
        corrected_deg=own.corrected_deg,
        cause_odds=own.odds,
        not_told_apart=own.together,
    )
    said = (own.sentence,) if own.sentence is not None and (reading.agrees is False or own.likely_cause) else ()
    # beside what is said of the reading, before the design
    none = len(found.remarks) - 1
    at = 1 + max((k for k, r in enumerate(found.reasons) if r.startswith("The reading")), default=none)
    reasons = (*found.reasons[:at], *said, *found.reasons[at:])
    # a fault that the whole site's readings make likely sends somebody out, though this antenna's alone might agree
    return replace(found, reading=reading, reasons=reasons, revisit=found.revisit or own.likely_cause is not None)


def _with_common_mode(result: SiteResult) -> SiteResult:
    """The angle that all readings have in common, and each reading's departure from it."""
    common = common_mode_of_site(result)
    if common is None:
        return result
    of = {d.antenna_id: d for d in common.departures}
    antennas = [
        replace(a, reading=replace(a.reading, departure_deg=d.departure_deg, departure_u95_deg=d.u95_deg))
        if a.reading is not None and (d := of.get(a.antenna_id)) is not None
        else a
        for a in result.antennas
    ]
    return replace(result, common_mode=common, antennas=ById(antennas))


def _site_causes(site: Site, result: SiteResult, photo_dates: Mapping[str, date | None]) -> Explanations | None:
    register = {antenna.antenna_id: antenna for antenna in site.antennas}
    joint = result.azimuth_covariance
    cases, rows = [], []
    for row, name in enumerate(() if joint is None else joint.antenna_ids):
        found = result.antennas.get(name)
        if name in register and found is not None:
            case = _case(register[name], site, found, photo_dates.get(name))
            if case is not None:
                cases.append(case)
                rows.append(row)
    if joint is None or not cases:
        return None
    covariance = [[joint.deg2[i][j] for j in rows] for i in rows]
    known = {c.antenna_id for c in cases}
    others = [
        Neighbour(
            antenna_id=a.antenna_id,
            design_deg=design,
            tolerance_deg=a.tolerance_deg,
            sector=a.sector,
            position=a.position,
        )
        for a in site.antennas
        if a.antenna_id not in known
        and (found := result.antennas.get(a.antenna_id)) is not None
        and (design := found.design.azimuth_true_deg) is not None
    ]
    return likely_causes(cases, np.array(covariance), others)


def _case(antenna: Antenna, site: Site, solution: AntennaResult, photo_date: date | None) -> Case | None:
    reading, judged = antenna.reading, solution.reading
    azimuth = solution.azimuth_true_deg
    if reading is None or judged is None or azimuth is None:
        return None
    when = reading.date or photo_date
    north = None
    if when is not None:
        try:
            north = declination(site.lat_deg, site.lon_deg, 0.0, when)
        except InputError:
            north = None  # a day that no model covers
    grids = []
    for crs in dict.fromkeys(c for c in (_utm_crs(site.lat_deg, site.lon_deg), antenna.grid_crs) if c is not None):
        try:
            grids.append(meridian_convergence_deg(site.lat_deg, site.lon_deg, crs))
        except InputError:
            continue  # no grid that a reading here was taken from
    own = difference_deg(judged.azimuth_true_deg, reading.azimuth_deg) if reading.north == "grid" else 0.0
    named = [v.name_probability for v in solution.evidence if v.name_probability is not None and not v.from_pick]
    sure = any(v.from_pick or v.name_probability is None for v in solution.evidence) or not named
    return Case(
        antenna_id=antenna.antenna_id,
        stated_deg=reading.azimuth_deg,
        reading_deg=judged.azimuth_true_deg,
        reading_u95_deg=judged.u95_deg,
        estimate_deg=azimuth,
        stated_north=reading.north,
        shared_u95_deg=judged.declination_u95_deg,
        estimate_shared_u95_deg=K95 * solution.declination_sigma_deg,
        group=f"{reading.north} {reading.date}",
        declination_deg=None if north is None else north.value_deg,
        declination_sigma_deg=0.0 if north is None else north.sigma_deg,
        convergences_deg=tuple(grids),
        own_convergence_deg=own,
        design_deg=solution.design.azimuth_true_deg,
        tolerance_deg=antenna.tolerance_deg,
        design_sigma_deg=0.0 if north is None or antenna.design_north != "magnetic" else north.sigma_deg,
        sector=antenna.sector,
        position=antenna.position,
        name_probability=1.0 if sure else max(named),
        alternatives=tuple((a.azimuth_true_deg, a.probability) for a in solution.alternatives),
    )


def _utm_crs(lat_deg: float, lon_deg: float) -> str | None:
    """The UTM zone of a place on WGS84; None towards the poles, where there is none."""
    if not -80.0 <= lat_deg <= 84.0:
        return None
    zone = int((lon_deg + 180.0) % 360.0 // 6.0) + 1
    if 56.0 <= lat_deg < 64.0 and 3.0 <= lon_deg < 6.0:
        zone = 32  # widened over the south-west of Norway
    return f"EPSG:{(32600 if lat_deg >= 0.0 else 32700) + zone}"
