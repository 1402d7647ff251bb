"""One antenna's estimate held against its reading and its design; then the whole site's readings together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

from photoaz.angles import difference_deg, format_azimuth_deg
from photoaz.angles import format_angle_deg as deg
from photoaz.errors import InputError
from photoaz.geodesy.norths import Declination, TrueAzimuth, declination, meridian_convergence_deg, to_true
from photoaz.judgement import conformity, reasons
from photoaz.judgement.agreement import en_score, weighted_mean
from photoaz.judgement.beliefs import by_photos, possible_azimuths, with_priors
from photoaz.judgement.causes import Explained, likely_causes
from photoaz.judgement.common_mode import common_mode_of_site, covariance_of
from photoaz.judgement.impact import impact_db
from photoaz.judgement.reading_faults import Case
from photoaz.priors import Priors
from photoaz.quantities import DECISION_RISK, K95, LEAST_ALTERNATIVE
from photoaz.register.model import Antenna, Reading, ReadingNorth, Site
from photoaz.result import (
    Alternative,
    AntennaResult,
    ById,
    Combined,
    Decision,
    Design,
    JudgedDowntilt,
    JudgedReading,
    SiteResult,
)

#: a U95 within this factor of one normal distribution's is taken for one
NEARLY_NORMAL = 1.05


#: causes that a single reading has for itself, or none: others are told by several readings
OF_ONE_READING = (None, "antenna_turned", "reading_wrong", "digits_transposed")


def contradicted(en: float, right: float | None) -> bool:
    """Whether a reading counts as contradicted by the photos.

    Parameters
    ----------
    en : of the reading and its own antenna's estimate. right : probability that the reading says where the antenna
        points, by all readings and photos of the site; None where not known.

    Returns
    -------
    bool : by En > 1 where only that is known. Of right readings one in twenty is so far off, and the whole site says
        more: a reading is contradicted where by all the site's evidence it is more likely wrong than right.
    """
    return en > 1.0 if right is None else right < 0.5


# longer than most: half of it says what goes in and comes out
def judge_antenna(
    antenna: Antenna,
    site: Site,
    found: AntennaResult,
    photo_date: date | None,
    risk: float = DECISION_RISK,
    explained: JudgedReading | None = None,
    priors: Priors | None = None,
) -> AntennaResult:
    """Hold one antenna's estimate against its reading, its downtilt reading and its design.

    Parameters
    ----------
    antenna, site : from the register. found : the estimate, which may be none. photo_date : the day of the photos;
        stands in where a magnetic reading bears no date, and serves for a magnetic design. risk : of deciding wrongly
        about the design, either way. explained : the reading with what the whole site says of it (`likely_causes`).
        priors : how antennas hang in general.

    Returns
    -------
    AntennaResult : `found` with what follows from it. Magnetic angles are carried to true north with
    the declination of their day and place, and its uncertainty is added in quadrature (k = 1.96). Where the photos
    allow more than one azimuth, the probability of being out is the mixture's, weighed with what is known of antennas
    in general, and a reading agrees if it agrees with any of them that has at least 5 %. revisit: the reading (azimuth
    or downtilt) disagrees with the photos, the site makes a fault of it likely, or the design's tolerance is not met.
    An undecided case alone sends nobody out: a better photo may decide it, and `reasons` say how good.
    """
    said = list(found.remarks)
    reading = downtilt = both = impact = None
    if (stated := antenna.reading) is not None:
        true = _carried("reading", stated.azimuth_deg, stated.north, antenna, site, stated.date, photo_date, said)
        if true is not None:
            reading = _judge_reading(explained or _read(stated, true), true, found, said)
    if antenna.downtilt_reading is not None:
        downtilt = _judge_downtilt(antenna, found, said)
    design_deg, north = antenna.design_azimuth_deg, antenna.design_north
    designed = None
    if (unfilled := site.unfilled_design_deg) is None:
        designed = _carried("design azimuth", design_deg, north, antenna, site, None, photo_date, said)
    else:
        said.append(reasons.unfilled_sentence(unfilled))
    known = (priors or Priors()).deviations(antenna.tolerance_deg)
    design = _judge_design(antenna.tolerance_deg, designed, found, risk, known, said)
    if reading is not None and reading.agrees and len(possible_azimuths(found)) == 1:
        both = _combined(found, reading, design, designed, risk, known)
    if both is not None:
        said.append(reasons.combined_sentence(both, design))
    if design.deviation_deg is not None:
        impact = impact_db(design.deviation_deg)
        if design.decision != "accept":
            said.append(reasons.impact_sentence(design.deviation_deg, impact))
    if found.azimuth_true_deg is None:
        said.append(reasons.unseen_sentence(found))
    disagrees = any(r is not None and r.agrees is False for r in (reading, downtilt))
    # a fault that the whole site's readings make likely sends somebody out, though this antenna's alone might agree
    faulty = reading is not None and reading.likely_cause is not None
    return replace(
        found,
        reading=reading,
        downtilt_reading=downtilt,
        design=design,
        impact_db=impact,
        revisit=disagrees or faulty or design.decision == "reject",
        reasons=tuple(said),
        combined=both,
    )


def _carried(
    what: str,
    angle_deg: float,
    north: ReadingNorth,
    antenna: Antenna,
    site: Site,
    own_date: date | None,
    photo_date: date | None,
    said: list[str],
) -> TrueAzimuth | None:
    """An angle of the register in true north; None where that cannot be done. What there is to say of it is added."""
    place = {"lat_deg": site.lat_deg, "lon_deg": site.lon_deg}
    stated = f"The {what} of {deg(angle_deg)}"
    try:
        true = to_true(angle_deg, north, **place, when=own_date or photo_date, grid_crs=antenna.grid_crs)
    except InputError as e:
        said.append(f"{stated} ({north} north) could not be carried to true north: {e}.")
        return None
    if north != "true":
        note = " (it has no date, so the photo's is used)" if north == "magnetic" and own_date is None else ""
        said.append(f"{stated} is {format_azimuth_deg(true.azimuth_deg)} true: {true.how}{note}.")
    return true


# ---- the reading -----------------------------------------------------------------------------------------------------


def _read(stated: Reading, true: TrueAzimuth) -> JudgedReading:
    return JudgedReading(
        azimuth_true_deg=true.azimuth_deg,
        u95_deg=math.hypot(stated.u95_deg, K95 * true.sigma_deg),
        declination_u95_deg=K95 * true.sigma_deg,
        sigma_deg=math.hypot(stated.u95_deg / (stated.k or K95), true.sigma_deg),
        read_on=stated.date,
    )


def _judge_reading(reading: JudgedReading, true: TrueAzimuth, found: AntennaResult, said: list[str]) -> JudgedReading:
    """With its verdict, where there is an estimate."""
    azimuths = possible_azimuths(found)
    if not azimuths:
        return reading

    def shared(a: Alternative) -> float:
        # JCGM 100:2008, 5.2.2: covariance is the product of what the common quantity does to each. The declination
        # model's error is mostly of the crust at the site, one for all days.
        covariance = max(found.declination_sigma_deg, 0.0) * true.sigma_deg
        return min(K95 * math.sqrt(covariance), math.sqrt(a.u95_deg * reading.u95_deg))

    def en_of(a: Alternative) -> float:
        return en_score(a.azimuth_true_deg, a.u95_deg, reading.azimuth_true_deg, reading.u95_deg, shared(a))

    # a reading that fits another azimuth the photos allow is not contradicted by them
    others = [a for a in azimuths[1:] if a.probability >= LEAST_ALTERNATIVE and en_of(a) <= 1.0]
    photos = min(others, key=en_of) if others and en_of(azimuths[0]) > 1.0 else azimuths[0]
    en = en_of(photos)
    sigma = photos.u95_deg / K95 if len(azimuths) > 1 or found.sigma_deg is None else found.sigma_deg
    own = reading.u95_deg / K95 if reading.sigma_deg is None else reading.sigma_deg
    common = min(shared(photos) / K95, math.sqrt(sigma * own))
    # zeta (ISO 13528:2022; IUPAC Gold Book 08095): the same with standard uncertainties, each U over its own factor
    zeta = en_score(photos.azimuth_true_deg, sigma, reading.azimuth_true_deg, own, common)
    agrees: bool | None = not contradicted(en, reading.p_right)
    weak = conformity.least_found(found)
    if not agrees and weak is not None and reading.likely_cause in OF_ONE_READING:
        # half an outline calls nobody's reading wrong; what all of the site's readings say together stands
        agrees, reading = None, replace(reading, likely_cause=None)
    reading = replace(
        reading,
        difference_deg=difference_deg(photos.azimuth_true_deg, reading.azimuth_true_deg),
        en=en,
        agrees=agrees,
        zeta=zeta,
        shared_u95_deg=shared(photos),
    )
    said.append(reasons.reading_sentence(reading, azimuths, photos, weak))
    cause = reasons.cause_sentence(reading)
    if cause is not None and (reading.agrees is False or reading.likely_cause is not None):
        said.append(cause)
    return reading


def _judge_downtilt(antenna: Antenna, found: AntennaResult, said: list[str]) -> JudgedDowntilt | None:
    stated, tilt, u95 = antenna.downtilt_reading, found.downtilt_deg, found.downtilt_u95_deg
    if stated is None:
        return None
    reading = JudgedDowntilt(downtilt_deg=stated.downtilt_deg, u95_deg=stated.u95_deg)
    if tilt is None or u95 is None:
        return reading
    en = en_score(tilt, u95, stated.downtilt_deg, stated.u95_deg)
    reading = replace(reading, difference_deg=difference_deg(tilt, stated.downtilt_deg), en=en, agrees=en <= 1.0)
    said.append(reasons.downtilt_sentence(reading, tilt, u95))
    return reading


# ---- the design ------------------------------------------------------------------------------------------------------


def _sigma_off(u95_deg: float, declination_sigma_deg: float, design: TrueAzimuth) -> float:
    """Standard uncertainty of an azimuth off a design, both perhaps carried over by the one declination."""
    common = 2.0 * declination_sigma_deg * design.sigma_deg
    return math.sqrt(max((u95_deg / K95) ** 2 + design.sigma_deg**2 - common, 0.0))


def _judge_design(
    tolerance: float,
    true: TrueAzimuth | None,
    found: AntennaResult,
    risk: float,
    known: conformity.Known,
    said: list[str],
) -> Design:
    ways = possible_azimuths(found)
    if true is None or not ways:
        return Design(azimuth_true_deg=true.azimuth_deg if true else None, tolerance_deg=tolerance, risk=risk)

    def off(some: Sequence[Alternative]) -> list[conformity.Part]:
        return [
            conformity.Part(
                deviation_deg=difference_deg(a.azimuth_true_deg, true.azimuth_deg),
                sigma_deg=_sigma_off(a.u95_deg, found.declination_sigma_deg, true),
                probability=a.probability,
            )
            for a in some
        ]

    photos, everything = off(by_photos(found)), off(with_priors(found, true.azimuth_deg, known))
    told = off(ways)[0]
    design = Design(
        azimuth_true_deg=true.azimuth_deg,
        tolerance_deg=tolerance,
        deviation_deg=told.deviation_deg,
        p_out_of_tolerance=conformity.p_out(everything, tolerance),
        p_out_photos_alone=conformity.p_out(photos, tolerance),
        risk=risk,
    )
    if conformity.not_measured(found):
        said.append(reasons.not_measured_sentence(design, ways))
        return design
    without = {w.photo: (off(w.distribution), off(w.distribution_known)) for w in found.without}
    decision = conformity.decision_of(photos, everything, tolerance, risk, tuple(without.values()))
    if decision != (by_all := conformity.decision_of(photos, everything, tolerance, risk)):
        said.append(reasons.hangs_on_one_sentence(design, ways, by_all))
        return design
    little = conformity.least_found(found)
    if decision != "undecided" and little is not None:
        said.append(reasons.little_found_sentence(design, ways, little))
        return design
    design, needed = replace(design, decision=decision), None
    if len(ways) == 1 and found.u95_deg is not None and found.u95_deg < NEARLY_NORMAL * K95 * told.sigma_deg:
        design = _with_limits(design, told, known)
        if decision == "undecided":
            needed = conformity.deciding_u95_deg(told.deviation_deg, K95 * told.sigma_deg, tolerance, risk, known)
    both, far = design.p_out_of_tolerance, conformity.p_out(photos, 2.0 * tolerance)
    vetoed = design.decision == "undecided" and both is not None and both <= risk
    said.append(reasons.design_sentence(design, ways, needed, far if vetoed else None))
    return design


def _with_limits(design: Design, told: conformity.Part, known: conformity.Known) -> Design:
    """With the limits and risks of one normal measurement, readings aside."""
    accepted, rejected = conformity.decision_limits_deg(told.sigma_deg, design.tolerance_deg, design.risk, known)
    risks = conformity.risks_of(told.sigma_deg, design.tolerance_deg, design.risk, known)
    return replace(
        design,
        guard_band_deg=None if accepted is None else design.tolerance_deg - accepted,
        acceptance_deg=accepted,
        rejection_deg=rejected,
        consumer_risk=None if risks is None else risks.consumer,
        producer_risk=None if risks is None else risks.producer,
    )


def _combined(
    found: AntennaResult,
    reading: JudgedReading,
    design: Design,
    designed: TrueAzimuth | None,
    risk: float,
    known: conformity.Known,
) -> Combined | None:
    """Reading and estimate together, which agree; None where one of them has no uncertainty."""
    azimuth, u95 = found.azimuth_true_deg, found.u95_deg
    if azimuth is None or u95 is None or not (u95 > 0.0 and reading.u95_deg > 0.0):
        return None
    mean = weighted_mean(azimuth, u95, reading.azimuth_true_deg, reading.u95_deg, reading.shared_u95_deg)
    out: float | None = None
    decision: Decision = "undecided"
    if designed is not None:
        of_reading = (1.0 - mean.weight_first) * reading.declination_u95_deg / K95
        sigma = _sigma_off(mean.u95_deg, mean.weight_first * found.declination_sigma_deg + of_reading, designed)
        deviation = difference_deg(mean.azimuth_deg, designed.azimuth_deg)
        both = [conformity.Part(deviation_deg=deviation, sigma_deg=sigma)]
        out = conformity.p_out(conformity.with_known(both, known), design.tolerance_deg)
        decision = conformity.decision_of(both, conformity.with_known(both, known), design.tolerance_deg, risk)
    return Combined(
        azimuth_true_deg=mean.azimuth_deg,
        u95_deg=mean.u95_deg,
        weight_estimate=mean.weight_first,
        p_out_of_tolerance=out,
        decision=decision,
    )


# ---- a whole site ----------------------------------------------------------------------------------------------------


def judge_site(
    site: Site,
    result: SiteResult,
    photo_dates: Mapping[str, date | None],
    risk: float = DECISION_RISK,
    priors: Priors | None = None,
) -> SiteResult:
    """Judge every antenna of a solved site that the register knows, and say what may explain its readings.

    Parameters
    ----------
    site : from the register. result : the whole site's estimates. photo_dates : per antenna_id the day of its photos,
        as for `judge_antenna`. risk : of deciding wrongly about a design, either way. priors : what is known of
        antennas and readings in general.

    Returns
    -------
    SiteResult : with readings, designs, likely causes by `photoaz.judgement.causes`, and the readings' common angle.
    """
    priors = priors or Priors()
    register = {antenna.antenna_id: antenna for antenna in site.antennas}

    def judged(found: AntennaResult, explained: JudgedReading | None = None) -> AntennaResult:
        antenna = register.get(found.antenna_id)
        if antenna is None:
            return found
        return judge_antenna(antenna, site, found, photo_dates.get(found.antenna_id), risk, explained, priors)

    result = replace(result, antennas=ById(judged(found) for found in result.antennas))
    got = _explained(site, result, photo_dates, priors)
    if got is None:
        return _with_common_mode(result)
    # what readings tell of azimuths is part of what is known of them from here on
    again = [
        judged(replace(a, distribution_known=got.azimuths[a.antenna_id]), got.readings[a.antenna_id])
        if a.antenna_id in got.readings
        else a
        for a in result.antennas
    ]
    return _with_common_mode(replace(result, antennas=ById(again), causes=got.causes))


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


def _explained(
    site: Site, result: SiteResult, photo_dates: Mapping[str, date | None], priors: Priors
) -> Explained | None:
    """The readings of a judged site with what may explain them; None where there are none beside estimates."""
    register = {antenna.antenna_id: antenna for antenna in site.antennas}
    joint = result.azimuth_covariance
    cases = []
    for name in () if joint is None else joint.antenna_ids:
        antenna, found = register.get(name), result.antennas.get(name)
        case = None if antenna is None or found is None else _case(antenna, site, found, photo_dates.get(name), priors)
        if case is not None:
            cases.append(case)
    if joint is None or not cases:
        return None
    names = [c.antenna.antenna_id for c in cases]
    others = [
        (a, design)
        for a in site.antennas
        if a.antenna_id not in names
        and (found := result.antennas.get(a.antenna_id)) is not None
        and (design := found.design.azimuth_true_deg) is not None
    ]
    known = result.azimuth_covariance_known
    return likely_causes(
        cases, covariance_of(joint, names), others, priors, None if known is None else covariance_of(known, names)
    )


def _case(antenna: Antenna, site: Site, found: AntennaResult, photo_date: date | None, priors: Priors) -> Case | None:
    photos = by_photos(found)
    if antenna.reading is None or found.reading is None or not photos:
        return None
    when = antenna.reading.date or photo_date
    north: Declination | None = None
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
    return Case(
        antenna=antenna,
        stated=antenna.reading,
        reading=found.reading,
        found=found,
        photos=photos,
        known=with_priors(found, found.design.azimuth_true_deg, priors.deviations(antenna.tolerance_deg)),
        declination=north,
        convergences_deg=tuple(grids),
    )


def _utm_crs(lat_deg: float, lon_deg: float) -> str | None:
    """The UTM zone of a place on WGS84; None towards the poles, where there is none."""
    if not -80.0 <= lat_deg <= 84.0:
        return None
    zone = int((lon_deg + 180.0) % 360.0 // 6.0) + 1
    if 56.0 <= lat_deg < 64.0 and 3.0 <= lon_deg < 6.0:
        zone = 32  # widened over the south-west of Norway
    return f"EPSG:{(32600 if lat_deg >= 0.0 else 32700) + zone}"
