"""The results as one JSON document (schema photoaz/estimates/1), which scripts outside the project read."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from photoaz import __version__
from photoaz.angles import azimuth_deg
from photoaz.judgement.cause import Cause, SiteCauses
from photoaz.judgement.common import CommonMode, Departure, common_mode_of_site
from photoaz.judgement.impact import Impact
from photoaz.judgement.judge import AntennaJudgement
from photoaz.judgement.revisit import SiteRevisit, plan_site
from photoaz.present.revisit import revisit_document
from photoaz.register.model import Antenna, Site
from photoaz.result import (
    AntennaSolution,
    EvidenceView,
    MissingView,
    NamedPanel,
    NextEvidence,
    PhotoSolution,
    SiteSolution,
)

SCHEMA = "photoaz/estimates/1"

Document = dict[str, Any]


def estimates_document(
    sites: Sequence[tuple[Site, SiteSolution, Mapping[str, AntennaJudgement]]],
    created: datetime,
    plans: Sequence[SiteRevisit] | None = None,
) -> Document:
    """Everything known about the sites, ready for `json.dumps(..., allow_nan=False)`.

    Parameters
    ----------
    sites : per site its register entry, its solution and the judgements by antenna_id.
    created : when; with its zone, so that readers elsewhere know the moment. plans : what to do about each of the
        sites, in their order; made with the default costs where None.

    Returns
    -------
    dict : degrees, metres and pixels of the image as shown; what is not known is None, and so is a figure that is not
    finite. Angles and decibels have three decimals, pixels two, probabilities and shares four significant ones.
    """
    return {
        "schema": SCHEMA,
        "version": __version__,
        "created": created.isoformat(timespec="seconds"),
        "sites": [
            _site(*one, plan) for one, plan in zip(sites, plans or [plan_site(*one) for one in sites], strict=True)
        ],
    }


def _number(value: float | None, decimals: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals) + 0.0  # no -0.0


def _angle(value: float | None) -> float | None:
    return _number(value, 3)


def _azimuth(value: float | None) -> float | None:
    rounded = _angle(value)
    return None if rounded is None else azimuth_deg(rounded)  # 359.9996 is 0.0, not 360.0


def _decibels(value: float | None) -> float | None:
    return _number(value, 3)  # pages show one decimal: rounded from two it could be another than the sheet's


def _fraction(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.4g}")


def _pixels(points: Sequence[tuple[float, float]]) -> list[list[float | None]]:
    return [[_number(x, 2), _number(y, 2)] for x, y in points]


def _site(
    site: Site, solution: SiteSolution, judgements: Mapping[str, AntennaJudgement], plan: SiteRevisit
) -> Document:
    register = {antenna.antenna_id: antenna for antenna in site.antennas}
    common = common_mode_of_site(solution, judgements)
    departures = {} if common is None else {d.antenna_id: d for d in common.departures}
    return {
        "site_id": solution.site_id,
        "lat_deg": _number(solution.lat_deg, 7),
        "lon_deg": _number(solution.lon_deg, 7),
        "declination_deg": _angle(solution.declination_deg),
        "declination_u95_deg": _angle(solution.declination_u95_deg),
        "common_mode": _common(common),
        "causes": _causes(next((j.site_causes for j in judgements.values() if j.site_causes is not None), None)),
        "next_evidence": _next(solution.next_evidence),
        "weak_points": list(solution.weak_points),
        "revisit": revisit_document(plan),
        "azimuth_covariance": _covariance(solution),
        "photos": [_photo(photo) for photo in solution.photos],
        "antennas": [
            _antenna(
                antenna,
                register.get(antenna.antenna_id),
                judgements.get(antenna.antenna_id),
                departures.get(antenna.antenna_id),
            )
            for antenna in solution.antennas
        ],
    }


def _common(common: CommonMode | None) -> Document | None:
    if common is None:
        return None
    return {
        "angle_deg": _angle(common.angle_deg),
        "u95_deg": _angle(common.u95_deg),
        "n": common.n,
        "chi2": _fraction(common.chi2),
        "dof": common.dof,
        "p": _fraction(common.p),
        "consistent": common.consistent,
        "separable": common.separable,
        "left_out": list(common.left_out),
        "sentence": common.sentence,
    }


def _causes(site: SiteCauses | None) -> Document | None:
    if site is None:
        return None
    return {"causes": [_cause(cause) for cause in site.causes], "sentence": site.sentence}


def _cause(cause: Cause) -> Document:
    return {
        "cause": cause.cause,
        "probability": _fraction(cause.probability),
        "antennas": list(cause.antennas),
    }


def _next(evidence: NextEvidence | None) -> Document | None:
    if evidence is None:
        return None
    return {
        "limit": evidence.limit,
        "bring": evidence.bring,
        "kind": evidence.kind,
        "photo": evidence.photo,
        "needs_trip": evidence.needs_trip,
        "u95_now_deg": _angle(evidence.u95_now_deg),
        "u95_then_deg": _angle(evidence.u95_then_deg),
        "sentence": evidence.sentence,
        "options": [
            {
                "kind": option.kind,
                "bring": option.bring,
                "photo": option.photo,
                "needs_trip": option.needs_trip,
                "u95_then_deg": _angle(option.u95_then_deg),
            }
            for option in evidence.options
        ],
    }


def _covariance(solution: SiteSolution) -> Document | None:
    if not solution.azimuth_ids:
        return None
    return {
        "antenna_ids": list(solution.azimuth_ids),
        "deg2": [[_fraction(value) for value in row] for row in solution.azimuth_covariance_deg2],
    }


def _photo(photo: PhotoSolution) -> Document:
    taken: date | None = getattr(photo, "taken", None)
    return {
        "photo": photo.photo,
        "status": photo.status,
        "reason": photo.reason,
        "heading_true_deg": _azimuth(photo.heading_true_deg),
        "heading_u95_deg": _angle(photo.heading_u95_deg),
        "pitch_deg": _angle(photo.pitch_deg),
        "roll_deg": _angle(photo.roll_deg),
        "lat_deg": _number(photo.lat_deg, 7),
        "lon_deg": _number(photo.lon_deg, 7),
        "taken": None if taken is None else taken.isoformat(),
        "flags": list(photo.flags),
        "window_px": None if photo.window_px is None else [_number(v, 2) for v in photo.window_px],
        "panels": [_panel(panel) for panel in photo.panels],
    }


def _panel(panel: NamedPanel) -> Document:
    return {
        "corners_px": _pixels(panel.corners_px),
        "probability": _fraction(panel.probability),
        "front": panel.front,
        "antenna_id": panel.antenna_id,
        "name_probability": _fraction(panel.name_probability),
        "reasons": list(panel.reasons),
    }


def _antenna(
    solution: AntennaSolution,
    antenna: Antenna | None,
    judgement: AntennaJudgement | None,
    departure: Departure | None,
) -> Document:
    impact = judgement.impact if judgement else None
    return {
        "antenna_id": solution.antenna_id,
        "sector": antenna.sector if antenna else None,
        "position": antenna.position if antenna else None,
        "status": solution.status,
        "azimuth_true_deg": _azimuth(solution.azimuth_true_deg),
        "u95_deg": _angle(solution.u95_deg),
        "sigma_deg": _angle(solution.sigma_deg),
        "effective_dof": _number(solution.dof, 1),
        "declination_sigma_deg": _angle(solution.declination_sigma_deg),
        "downtilt_deg": _angle(solution.downtilt_deg),
        "downtilt_u95_deg": _angle(solution.downtilt_u95_deg),
        "roll_deg": _angle(solution.roll_deg),
        "roll_u95_deg": _angle(solution.roll_u95_deg),
        "alternatives": [
            {
                "azimuth_true_deg": _azimuth(other.azimuth_true_deg),
                "u95_deg": _angle(other.u95_deg),
                "probability": _fraction(other.probability),
            }
            for other in solution.alternatives
        ],
        "evidence": [_evidence(view) for view in solution.evidence],
        "missing": [_missing(view) for view in solution.missing],
        "next_evidence": _next(solution.next_evidence),
        "budget": [
            {"source": share.source, "share": _fraction(share.share), "u95_deg": _angle(share.u95_deg)}
            for share in solution.budget
        ],
        "downtilt_reading": _downtilt_reading(judgement),
        "reading": _reading(judgement, departure),
        "design": _design(judgement, antenna),
        "combined": _combined(judgement),
        "revisit": judgement.revisit if judgement else False,
        "reasons": [*solution.reasons, *(judgement.reasons if judgement else ())],
        "impact_db": _impact(impact),
        "register_extra": dict(antenna.extra) if antenna else {},
    }


def _impact(impact: Impact | None) -> Document:
    if impact is None:
        return {"boresight": None, "edge": None}
    return {
        "boresight": _decibels(impact.boresight_db),
        "edge": _decibels(impact.edge_db),
        "clockwise_edge": _decibels(impact.clockwise_edge_db),
        "anticlockwise_edge": _decibels(impact.anticlockwise_edge_db),
        "boresight_interval": _interval(impact.boresight_interval_db),
        "clockwise_edge_interval": _interval(impact.clockwise_edge_interval_db),
        "anticlockwise_edge_interval": _interval(impact.anticlockwise_edge_interval_db),
        "crossovers": [
            {
                "side": c.side,
                "sector": c.sector,
                "neighbour_id": c.neighbour_id,
                "neighbour_estimated": c.neighbour_estimated,
                "designed_deg": _azimuth(c.designed_deg),
                "azimuth_true_deg": _azimuth(c.azimuth_deg),
                "shift_deg": _angle(c.shift_deg),
                "shift_u95_deg": _angle(c.shift_u95_deg),
                "change": _decibels(c.change_db),
                "change_interval": _interval(c.change_interval_db),
                "effect": c.word,
            }
            for c in impact.crossovers
        ],
        "basis": impact.basis,
    }


def _interval(interval: tuple[float, float] | None) -> list[float | None] | None:
    return None if interval is None else [_decibels(v) for v in interval]


def _evidence(view: EvidenceView) -> Document:
    return {
        "photo": view.photo,
        "view": view.view,
        "corners_px": _pixels(view.corners_px),
        "width_px": _number(view.width_px, 2),
        "yaw_deg": _angle(view.yaw_deg),
        "quality": _fraction(view.quality),
        "from_pick": view.from_pick,
        "name_probability": _fraction(view.name_probability),
    }


def _missing(view: MissingView) -> Document:
    return {
        "photo": view.photo,
        "status": view.status,
        "reason": view.reason,
        "pixel": None if view.pixel is None else _pixels([view.pixel])[0],
        "radius_px": _number(view.radius_px, 2),
        "size_px": None if view.size_px is None else _pixels([view.size_px])[0],
    }


def _downtilt_reading(judgement: AntennaJudgement | None) -> Document | None:
    reading = judgement.downtilt_reading if judgement else None
    if reading is None:
        return None
    return {
        "downtilt_deg": _angle(reading.downtilt_deg),
        "u95_deg": _angle(reading.u95_deg),
        "difference_deg": _angle(reading.difference_deg),
        "en": _number(reading.en, 6),
        "agrees": reading.agrees,
    }


def _reading(judgement: AntennaJudgement | None, departure: Departure | None) -> Document | None:
    reading = judgement.reading if judgement else None
    if reading is None:
        return None
    causes = reading.causes
    return {
        "azimuth_true_deg": _azimuth(reading.azimuth_true_deg),
        "u95_deg": _angle(reading.u95_deg),
        "difference_deg": _angle(reading.difference_deg),
        "en": _number(reading.en, 6),
        "agrees": reading.agrees,
        "zeta": _number(reading.zeta, 6),
        "sigma_deg": _angle(reading.sigma_deg),
        "shared_u95_deg": _angle(reading.shared_with_estimate_u95_deg),
        "likely_cause": reading.likely_cause,
        "causes": [_cause(cause) for cause in causes.causes] if causes else [],
        "no_fault": _fraction(causes.no_fault) if causes else None,
        "p_right": _fraction(causes.reading_right) if causes else None,
        "corrected_deg": _azimuth(causes.corrected_deg) if causes else None,
        "cause_odds": _fraction(causes.odds) if causes else None,
        "not_told_apart": list(causes.together) if causes else [],
        "departure_deg": _angle(departure.departure_deg) if departure else None,
        "departure_u95_deg": _angle(departure.u95_deg) if departure else None,
    }


def _design(judgement: AntennaJudgement | None, antenna: Antenna | None) -> Document:
    if judgement is None:
        return {
            "azimuth_true_deg": None,
            "deviation_deg": None,
            "tolerance_deg": antenna.tolerance_deg if antenna else None,
            "p_out_of_tolerance": None,
            "decision": "undecided",
            "risk": None,
            "guard_band_deg": None,
            "acceptance_deg": None,
            "consumer_risk": None,
            "producer_risk": None,
        }
    design = judgement.design
    return {
        "azimuth_true_deg": _azimuth(design.azimuth_true_deg),
        "deviation_deg": _angle(design.deviation_deg),
        "tolerance_deg": _angle(design.tolerance_deg),
        "p_out_of_tolerance": _fraction(design.p_out_of_tolerance),
        "decision": design.decision,
        "risk": design.risk,
        "guard_band_deg": _angle(design.guard_band_deg),
        "acceptance_deg": _angle(design.acceptance_deg),
        "consumer_risk": _fraction(design.consumer_risk),
        "producer_risk": _fraction(design.producer_risk),
    }


def _combined(judgement: AntennaJudgement | None) -> Document | None:
    combined = judgement.combined if judgement else None
    if combined is None:
        return None
    return {
        "azimuth_true_deg": _azimuth(combined.azimuth_true_deg),
        "u95_deg": _angle(combined.u95_deg),
        "weight_estimate": _fraction(combined.weight_estimate),
        "p_out_of_tolerance": _fraction(combined.p_out_of_tolerance),
        "decision": combined.decision,
    }
