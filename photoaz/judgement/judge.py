"""One antenna's estimate held against its reading and its design, and said in words."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from photoaz.angles import difference_deg, format_azimuth_deg, format_difference_deg
from photoaz.errors import InputError
from photoaz.geodesy.norths import TrueAzimuth, to_true
from photoaz.judgement.agreement import en_score
from photoaz.judgement.conformity import RISK, Decision, decide, guard_band_deg, probability_out
from photoaz.judgement.impact import Impact, impact_db
from photoaz.register.model import Antenna, ReadingNorth, Site
from photoaz.solution import AntennaSolution

LikelyCause = Literal[
    "declination_omitted",
    "declination_sign",
    "grid_for_true",
    "reversed_180",
    "sectors_swapped",
    "digits_transposed",
    "common_offset",
    "antenna_turned",
    "reading_wrong",
]

K95 = 1.959964  # coverage factor of a normal distribution, JCGM 100:2008 table G.1
# An alternative less probable than this does not save a reading
_MIN_PROBABILITY = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingJudgement:
    """The reading, carried to true north, beside the estimate. difference_deg: estimate minus reading.

    difference_deg, en and agrees are None where there is no estimate. u95_deg holds the declination's part as well;
    shared_u95_deg is that part, which is one error of all of a site's magnetic readings.
    """

    azimuth_true_deg: float
    u95_deg: float
    difference_deg: float | None = None
    en: float | None = None
    agrees: bool | None = None
    likely_cause: LikelyCause | None = None
    shared_u95_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DowntiltJudgement:
    """The downtilt reading beside the estimate. difference_deg: estimate minus reading; None without an estimate."""

    downtilt_deg: float
    u95_deg: float
    difference_deg: float | None = None
    en: float | None = None
    agrees: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignJudgement:
    """The design, carried to true north, beside the estimate. deviation_deg: estimate minus design.

    None where unknown: azimuth_true_deg without a usable north, the others without an estimate (then 'undecided').
    """

    azimuth_true_deg: float | None
    tolerance_deg: float
    deviation_deg: float | None = None
    p_out_of_tolerance: float | None = None
    decision: Decision = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class AntennaJudgement:
    """What is to be said and done about one antenna.

    revisit: the reading (azimuth or downtilt) disagrees with the photos, or the design's tolerance is not met. An
    undecided case alone does not send anybody out: a better photo may decide it, and `reasons` say how good.
    """

    antenna_id: str
    reading: ReadingJudgement | None
    downtilt_reading: DowntiltJudgement | None
    design: DesignJudgement
    impact: Impact | None
    revisit: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    azimuth_deg: float
    u95_deg: float
    probability: float


def _candidates(solution: AntennaSolution) -> list[_Candidate]:
    """The estimate and its alternatives; none without an estimate."""
    if solution.azimuth_true_deg is None or solution.u95_deg is None:
        return []
    others = [
        _Candidate(azimuth_deg=a.azimuth_true_deg, u95_deg=a.u95_deg, probability=a.probability)
        for a in solution.alternatives
    ]
    rest = max(0.0, 1.0 - sum(c.probability for c in others))
    return [_Candidate(azimuth_deg=solution.azimuth_true_deg, u95_deg=solution.u95_deg, probability=rest), *others]


def _percent(p: float) -> str:
    if p < 0.001:
        return "less than 0.1 %"
    return "more than 99.9 %" if p > 0.999 else f"{100.0 * p:.1f} %" if min(p, 1.0 - p) < 0.1 else f"{100.0 * p:.0f} %"


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


def _shared_declination_u95(solution: AntennaSolution, declination_u95_deg: float, limit_deg: float) -> float:
    """What the estimate and a magnetic reading have in common: the declination, as far as the estimate leans on it."""
    own = math.hypot(*(b.u95_deg for b in solution.budget if "declination" in b.source.lower()))
    return min(own, declination_u95_deg, limit_deg)


def _judge_reading(
    antenna: Antenna, site: Site, solution: AntennaSolution, photo_date: date | None, reasons: list[str]
) -> ReadingJudgement | None:
    reading = antenna.reading
    if reading is None:
        return None
    true = _carried("reading", reading.azimuth_deg, reading.north, antenna, site, reading.date, photo_date, reasons)
    if true is None:
        return None
    u95 = _quadrature(reading.u95_deg, true.sigma_deg)
    judgement = ReadingJudgement(azimuth_true_deg=true.azimuth_deg, u95_deg=u95, shared_u95_deg=K95 * true.sigma_deg)
    candidates = _candidates(solution)
    if not candidates:
        return judgement

    def score(c: _Candidate) -> float:
        shared = _shared_declination_u95(solution, K95 * true.sigma_deg, min(c.u95_deg, u95))
        return en_score(c.azimuth_deg, c.u95_deg, true.azimuth_deg, u95, shared)

    chosen = candidates[0]
    if score(chosen) > 1.0:  # a reading that fits another azimuth the photos allow is not contradicted by them
        chosen = min((c for c in candidates[1:] if c.probability >= _MIN_PROBABILITY), key=score, default=chosen)
        if score(chosen) > 1.0:
            chosen = candidates[0]
    en = score(chosen)
    difference = difference_deg(chosen.azimuth_deg, true.azimuth_deg)
    photos = format_azimuth_deg(chosen.azimuth_deg, chosen.u95_deg)
    other = "" if chosen is candidates[0] else " (the second azimuth that they allow)"
    verb = "agrees" if en <= 1.0 else "disagrees"
    limit = "within" if en <= 1.0 else "more than"
    reasons.append(
        f"The reading, {format_azimuth_deg(true.azimuth_deg, u95)} true, {verb} with the photos, {photos}{other}: "
        f"they differ by {abs(difference):.1f}°, {limit} what the two uncertainties allow (En {en:.2f})."
    )
    return replace(judgement, difference_deg=difference, en=en, agrees=en <= 1.0)


def _judge_downtilt(antenna: Antenna, solution: AntennaSolution, reasons: list[str]) -> DowntiltJudgement | None:
    reading = antenna.downtilt_reading
    if reading is None:
        return None
    tilt, u95 = solution.downtilt_deg, solution.downtilt_u95_deg
    if tilt is None or u95 is None:
        return DowntiltJudgement(downtilt_deg=reading.downtilt_deg, u95_deg=reading.u95_deg)
    en = en_score(tilt, u95, reading.downtilt_deg, reading.u95_deg)
    difference = difference_deg(tilt, reading.downtilt_deg)
    reasons.append(
        f"The downtilt reading, {reading.downtilt_deg:.1f}° ± {reading.u95_deg:.1f}°, "
        f"{'agrees' if en <= 1.0 else 'disagrees'} with the photos, {tilt:.1f}° ± {u95:.1f}° (En {en:.2f})."
    )
    return DowntiltJudgement(
        downtilt_deg=reading.downtilt_deg, u95_deg=reading.u95_deg, difference_deg=difference, en=en, agrees=en <= 1.0
    )


def _judge_design(
    antenna: Antenna, site: Site, solution: AntennaSolution, photo_date: date | None, reasons: list[str]
) -> DesignJudgement:
    tolerance = antenna.tolerance_deg
    true = _carried(
        "design azimuth", antenna.design_azimuth_deg, antenna.design_north, antenna, site, None, photo_date, reasons
    )
    candidates = _candidates(solution)
    if true is None or not candidates:
        return DesignJudgement(azimuth_true_deg=true.azimuth_deg if true else None, tolerance_deg=tolerance)
    sigmas = [_quadrature(c.u95_deg, true.sigma_deg) / K95 for c in candidates]
    total = sum(c.probability for c in candidates)
    p_out = sum(
        c.probability / total * probability_out(difference_deg(c.azimuth_deg, true.azimuth_deg), sigma, tolerance)
        for c, sigma in zip(candidates, sigmas, strict=True)
    )
    p_out = min(1.0, p_out)
    decision = decide(p_out)
    deviation = difference_deg(candidates[0].azimuth_deg, true.azimuth_deg)
    photos = format_azimuth_deg(candidates[0].azimuth_deg, candidates[0].u95_deg)
    design = f"the design, {format_azimuth_deg(true.azimuth_deg)} true ± {tolerance:g}°"
    text = f"The azimuth from the photos, {photos}, is {format_difference_deg(deviation)} off {design}: "
    chance = f"the probability of being out of tolerance is {_percent(p_out)}"
    if decision == "accept":
        text += f"accepted, {chance}."
    elif decision == "reject":
        text += f"rejected, {chance}."
    else:
        text += f"undecided, {chance}. {_what_would_decide(deviation, tolerance, len(candidates) > 1)}"
    reasons.append(text)
    return DesignJudgement(
        azimuth_true_deg=true.azimuth_deg,
        tolerance_deg=tolerance,
        deviation_deg=deviation,
        p_out_of_tolerance=p_out,
        decision=decision,
    )


def _what_would_decide(deviation_deg: float, tolerance_deg: float, ambiguous: bool) -> str:
    """How small the U95 must get for this deviation to be decided, by the one-sided guard band."""
    if ambiguous:
        return "A photo from another side would tell which of the possible azimuths is the true one."
    needed = abs(tolerance_deg - abs(deviation_deg)) * K95 / guard_band_deg(1.0, RISK)
    if needed < 0.1:
        return "It lies at the limit of the tolerance, where no measurement decides."
    return f"An uncertainty of ± {needed:.1f}° or better would decide it, if the azimuth stays as it is."


def judge_antenna(antenna: Antenna, site: Site, solution: AntennaSolution, photo_date: date | None) -> AntennaJudgement:
    """Hold one antenna's estimate against its reading, its downtilt reading and its design.

    Parameters
    ----------
    antenna, site : from the register. solution : the estimate, which may be none. photo_date : the day of the photos;
        stands in where a magnetic reading bears no date, and serves for a magnetic design.

    Returns
    -------
    AntennaJudgement. Magnetic angles are carried to true north with the declination of their day and place, and its
    uncertainty is added in quadrature (k = 1.96). Where the photos allow more than one azimuth, the probability of
    being out is the mixture's, and a reading agrees if it agrees with any of them that has at least 5 %.
    """
    reasons: list[str] = []
    reading = _judge_reading(antenna, site, solution, photo_date, reasons)
    downtilt = _judge_downtilt(antenna, solution, reasons)
    design = _judge_design(antenna, site, solution, photo_date, reasons)
    impact = None
    if design.deviation_deg is not None:
        impact = impact_db(design.deviation_deg)
        if design.decision != "accept":
            reasons.append(
                f"Pointing {abs(design.deviation_deg):.1f}° off costs {abs(impact.boresight_db):.1f} dB in the design "
                f"direction and {abs(impact.edge_db):.1f} dB at one edge of a 120° sector (65° reference pattern)."
            )
    if solution.azimuth_true_deg is None:
        seen = {"not_visible": "does not show in any photo", "not_found": "was not found in the photos"}
        reasons.append(f"The antenna {seen.get(solution.status, 'has no estimate')}: nothing is decided about it.")
    disagrees = (reading is not None and reading.agrees is False) or (downtilt is not None and downtilt.agrees is False)
    return AntennaJudgement(
        antenna_id=antenna.antenna_id,
        reading=reading,
        downtilt_reading=downtilt,
        design=design,
        impact=impact,
        revisit=disagrees or design.decision == "reject",
        reasons=tuple(reasons),
    )
