"""An adjusted network as the frozen records that people and programs read."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from photoaz.angles import Angle, Array, azimuth_deg, wrap_rad
from photoaz.estimate.controls import clock_remark
from photoaz.estimate.panels import PanelToMeasure, PhotoPanels
from photoaz.estimate.statements import GatheredPhoto, day_taken
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.norths import Declination
from photoaz.network.adjust import variance_shares
from photoaz.network.declination import DECLINATION
from photoaz.network.forecast import MAY_BE_WRONG, azimuth_covariance_rad2, next_evidence
from photoaz.network.mixture import Mixture, Peak
from photoaz.network.reliability import weak_points
from photoaz.network.site import PhotoObservations
from photoaz.network.solution import NetworkSolution
from photoaz.network.stands import Stand
from photoaz.photo.record import PhotoRecord
from photoaz.quantities import CAMERA_HEIGHT_M, K95, SHAPE_SIGMA_RAD
from photoaz.register.model import Antenna, Site
from photoaz.result import (
    Alternative,
    AntennaResult,
    AroundView,
    AzimuthCovariance,
    BudgetShare,
    ById,
    EvidenceView,
    MissingView,
    NamedPanel,
    PhotoResult,
    SiteResult,
    View,
    WithoutView,
)
from photoaz.vision.evidence import BoxMode
from photoaz.wording import percent

#: a compass's probability of being disturbed from which a person is told, where it is used nevertheless
DOUBTFUL_COMPASS = 0.3
#: parts of an azimuth's distribution that are told
MOST_PARTS = 12
#: of a panel narrower than this an outline says little, right or wrong (common practice, no source)
SMALL_PX = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPhoto:
    """What a photo that was looked at brings to the result."""

    record: PhotoRecord
    north: Declination | None
    panels: PhotoPanels
    around: AroundView | None = None


def site_result(
    site: Site,
    antennas: Sequence[Antenna],
    names: Sequence[str],
    seen: Mapping[str, SeenPhoto],
    rejected: Mapping[str, PhotoResult],
    network: NetworkSolution | None,
    *,
    outlook: bool = True,
) -> SiteResult:
    """What an adjusted site says of photos (`names`, in this order) and antennas; nothing is judged yet.

    Parameters
    ----------
    seen : per photo that was looked at; rejected : per photo that cannot take part. network : None where no photo could
        be used; then all are in `rejected`. outlook : also what limits the azimuths, what to bring next and weak
        points, beside their joint covariance; without, it takes less time.
    """
    frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0)
    photos = []
    for name in names:
        if name in rejected or network is None:
            photos.append(rejected[name])
        else:
            photos.append(_photo_result(network, name, frame, seen[name].record, seen[name].panels, seen[name].around))
    panels = {name: one.panels for name, one in seen.items()}
    north = next((one.north for one in seen.values() if one.north is not None), None)
    result = SiteResult(
        site_id=site.site_id,
        lat_deg=site.lat_deg,
        lon_deg=site.lon_deg,
        declination_deg=None if north is None else north.value_deg,
        declination_u95_deg=None if north is None else K95 * north.sigma_deg,
        photos=ById(photos),
        antennas=ById(_antenna_result(network, a, panels) for a in antennas),
    )
    if network is None:
        return result
    asked = {a.antenna_id for a in antennas}
    at = [k for k, a in enumerate(network.network.layout.antennas) if a in asked]
    names = tuple(network.network.layout.antennas[k] for k in at)
    posterior = network.posterior
    known = posterior.joint_known.about([posterior.antennas_known[a].told for a in network.network.layout.antennas])
    result = replace(
        result,
        azimuth_covariance=_covariance(names, azimuth_covariance_rad2(network)[np.ix_(at, at)]),
        azimuth_covariance_known=_covariance(names, known[np.ix_(at, at)]),
        site_error=posterior.site_error,
    )
    return _with_outlook(result, network) if outlook and names else result


def _covariance(names: tuple[str, ...], rad2: Array) -> AzimuthCovariance:
    deg2 = rad2 * np.degrees(1.0) ** 2
    return AzimuthCovariance(antenna_ids=names, deg2=tuple(tuple(float(v) for v in row) for row in deg2))


def _with_outlook(result: SiteResult, network: NetworkSolution) -> SiteResult:
    """The result with what limits its azimuths and what to bring next."""
    estimated = {a.antenna_id: a.budget for a in result.antennas if a.azimuth_true_deg is not None}
    per_antenna, whole = next_evidence(network, estimated)
    return replace(
        result,
        antennas=ById(replace(a, next_evidence=per_antenna.get(a.antenna_id)) for a in result.antennas),
        next_evidence=whole,
        weak_points=weak_points(network.observations, network.adjusted, network.network.layout, _u95_rad(result)),
    )


def _u95_rad(result: SiteResult) -> dict[str, float]:
    return {a.antenna_id: float(np.radians(a.u95_deg)) for a in result.antennas if a.u95_deg is not None}


def _view(mode: BoxMode, yaw_rad: float) -> View:
    """How the antenna is seen: by the normal's angle off the line of sight in plan."""
    off = abs(float(np.degrees(yaw_rad)))
    if off < 15.0:
        return "face"
    if off < 80.0:
        return "oblique"
    return "profile" if off <= 100.0 else "rear"


def _pairs(points: Array) -> tuple[tuple[float, float], ...]:
    return tuple((float(p[0]), float(p[1])) for p in points)


def rejected_photo(name: str, reason: str, photo: GatheredPhoto, panels: PhotoPanels) -> PhotoResult:
    """A photo that was looked at and cannot take part."""
    return PhotoResult(
        photo=name,
        status="rejected",
        reason=reason,
        taken=day_taken(photo.record),
        flags=photo.notes,
        panels=_panels(panels),
        window_px=_window(panels),
    )


def _panels(panels: PhotoPanels) -> tuple[NamedPanel, ...]:
    """What was found in a photo and what each panel was taken for."""
    if panels.found is None:
        return ()
    out = []
    for k, c in enumerate(panels.found.candidates):
        match = panels.naming.matches[k] if panels.naming is not None else None
        picked = {s.antenna_id for s in panels.to_measure if s.picked}
        panel = next(
            (s for s in panels.to_measure if s.candidate is c or (match and s.antenna_id == match.antenna in picked)),
            None,
        )
        out.append(
            NamedPanel(
                corners_px=_pairs(c.corners_px),
                probability=c.probability,
                front=c.front >= 0.5,
                antenna_id=None if panel is None else panel.antenna_id,
                name_probability=None if match is None else match.probability,
                reasons=() if match is None else match.reasons,
            )
        )
    return tuple(out)


def _window(panels: PhotoPanels) -> tuple[float, float, float, float] | None:
    if panels.found is None:
        return None
    x0, y0, x1, y1 = panels.found.window.box_px
    return float(x0), float(y0), float(x1), float(y1)


def _missing(antenna_id: str, by_photo: Mapping[str, PhotoPanels], seen_in: Collection[str]) -> tuple[MissingView, ...]:
    """The photos in which an antenna was not measured, and what the pattern of all panels says of it there."""
    out = []
    for name, panels in by_photo.items():
        expected = panels.expected(antenna_id)
        if name in seen_in or expected is None:
            continue
        if panels.found is None or not panels.found.candidates:
            status, reason = "not_found", "no panel was found in this photo"
        elif expected.status == "not_visible":
            status, reason = "not_visible", expected.reason
        else:
            status = "not_found"
            reason = (
                expected.reason
                if expected.status == "not_found"
                else "a panel may be it, but could not be measured or told apart"
            )
        out.append(
            MissingView(
                photo=name,
                status="not_visible" if status == "not_visible" else "not_found",
                reason=reason,
                pixel=expected.pixel,
                radius_px=expected.radius_px if expected.pixel is not None else None,
                size_px=expected.size_px if expected.pixel is not None else None,
            )
        )
    return tuple(out)


def _photo_result(
    result: NetworkSolution,
    name: str,
    frame: EnuFrame,
    record: PhotoRecord,
    panels: PhotoPanels,
    around: AroundView | None,
) -> PhotoResult:
    x, layout = result.adjusted.x, result.network.layout
    idx = layout.photo(name)
    lat, lon, _ = frame.geodetic_from_enu(x[idx[3:6]])
    photo = next(p for p in result.network.photos if p.name == name)
    of = result.posterior.headings[name]
    heading = of.told.azimuth_rad
    flags: list[str] = []
    p_disturbed = result.posterior.disturbed.get(name)
    if p_disturbed is not None and p_disturbed >= DOUBTFUL_COMPASS:
        flags.append(_doubted(p_disturbed, next(a for a in photo.headings if a.is_compass), heading))
    marks = {int(k) for s in photo.landmarks for k in layout.landmark(s.name)}
    stand = next((s for s in result.network.stands if any(m.photo == name for m in s.members)), None)
    if stand is not None:
        marks |= {int(k) for k in layout.stand(stand.name)}
        if (said := taken_over_remark(stand, name)) is not None:
            flags.append(said)
    for o in result.left_out:
        if np.isin(o.index, idx).any() or marks.issuperset(int(k) for k in o.index):
            flag = f"left out, contradicts the rest: {o.label.replace(name, Path(name).name)}"
            flags.append(flag + clock_remark(o, record, frame, photo.camera, x[idx]))
    if record.heading is not None and record.heading.north == "unknown":
        flags.append("compass reference not said (true or magnetic): both allowed for")
    if sloping := _sloping(x[idx[5]], result.adjusted.covariance[idx[5], idx[5]]):
        flags.append(sloping)
    if around is not None and around.state == "unsure":
        likeliest = "" if around.probability is None else f" ({percent(around.probability)} for its likeliest heading)"
        flags.append(f"the map of what stands round does not tell its heading{likeliest}")
    flags += photo.notes
    return PhotoResult(
        photo=name,
        status="used",
        taken=day_taken(record),
        heading_true_deg=float(azimuth_deg(np.degrees(heading))),
        heading_u95_deg=float(np.degrees(of.u95_rad)),
        pitch_deg=float(np.degrees(x[idx[1]])),
        roll_deg=float(np.degrees(x[idx[2]])),
        lat_deg=float(lat),
        lon_deg=float(lon),
        flags=tuple(flags),
        panels=_panels(panels),
        window_px=_window(panels),
        # one that perhaps nobody read tells nothing of how often compasses are disturbed
        p_compass_disturbed=None if any(a.placeholder_share for a in photo.headings) else p_disturbed,
        surroundings=around,
    )


def taken_over_remark(stand: Stand, name: str) -> str | None:
    """What is said of a photo that has another one's fix."""
    first = next(m.taken_over for m in stand.members if m.photo == name)
    if first is None:
        return None
    return f"its position is that of {Path(first).name} to the last digit, a fix taken over: it is used once"


def _sloping(up_m: float, variance_m2: float) -> str | None:
    """What is said of a camera that stood clearly higher or lower than somebody beside the tower would hold it."""
    off, u95 = float(up_m) - CAMERA_HEIGHT_M[0], K95 * float(np.sqrt(variance_m2))
    if abs(off) < max(u95, K95 * CAMERA_HEIGHT_M[1]):
        return None
    side = "above" if off > 0.0 else "below"
    return f"the ground slopes: by the pixels it lies {abs(off):.0f} ± {u95:.0f} m {side} the tower's base here"


def _doubted(probability: float, said: Angle, heading_rad: float) -> str:
    """What is said of a compass that is as probably off. heading_rad: as all else has it."""
    off = f"{np.degrees(wrap_rad(said.value_rad - heading_rad)):+.0f} deg"
    if said.placeholder_share:
        return f"compass says exactly 0 ({off} off): a placeholder, or disturbed ({percent(probability)})"
    if probability > 0.5:
        return f"compass disturbed by {off}"
    return f"compass may be disturbed ({percent(probability)}): nothing else here tells the heading well enough"


# longer than most: a record of many fields, each from another part of the network
def _antenna_result(
    result: NetworkSolution | None, antenna: Antenna, by_photo: Mapping[str, PhotoPanels]
) -> AntennaResult:
    a = antenna.antenna_id
    if result is None or a not in result.network.layout.antennas:
        missing = _missing(a, by_photo, ())
        hidden = bool(missing) and all(m.status == "not_visible" for m in missing)
        why = tuple(dict.fromkeys(f"{Path(m.photo).name}: {m.reason}" for m in missing))
        return AntennaResult(
            **_of_register(antenna),
            status="not_visible" if hidden else "not_found",
            remarks=why or ("no photo that could be used shows it",),
            missing=missing,
        )
    net, adjusted = result.network, result.adjusted
    idx = net.layout.antenna(a)
    x, cov = adjusted.x, adjusted.covariance
    of, known = result.posterior.antennas[a], result.posterior.antennas_known[a]
    told, *other_peaks = of.mixture.peaks()
    sigma = K95 * np.sqrt(np.diag(cov)[idx[:3]])
    rms = of.mixture.rms_about(told.azimuth_rad)
    shares = dict(variance_shares(result.observations, adjusted, int(idx[0])))
    shares["shape of the antenna"] = SHAPE_SIGMA_RAD**2
    shares[DECLINATION] = result.declination.get(a, 0.0) ** 2
    shares[MAY_BE_WRONG] = max(rms**2 - sum(shares.values()), 0.0)
    whole = sum(shares.values())
    budget = tuple(
        BudgetShare(source=s, share=v / whole, u95_deg=float(np.degrees(K95 * np.sqrt(v))))
        for s, v in sorted(shares.items(), key=lambda kv: -kv[1])
        if v / whole >= 1e-4
    )
    evidence = []
    to_measure: dict[str, PanelToMeasure] = {}
    for p in net.photos:
        if (p.name, a) in result.choice:
            to_measure[p.name] = next(s for s in by_photo[p.name].to_measure if s.antenna_id == a)
            evidence.append(_evidence(result, p, a, to_measure[p.name]))
    others = tuple(_alternative(p) for p in other_peaks if p.probability >= 0.01)
    ambiguous = any(o.probability >= 0.1 for o in others)
    reasons: list[str] = []
    if ambiguous:
        reasons.append("the outline fits in more than one way: see the alternatives")
    unsure = _unsure(to_measure)
    if unsure:
        ambiguous = True
        reasons.append(unsure)
    reasons += [
        f"its outline in {Path(v.photo).name} is probably off (right: {percent(v.p_right)})"
        if v.width_px >= SMALL_PX
        else f"it is {v.width_px:.0f} px wide in {Path(v.photo).name}: that photo tells little of it"
        for v in evidence
        if v.p_right is not None and v.p_right < 0.5
    ]
    return AntennaResult(
        **_of_register(antenna),
        status="ambiguous" if ambiguous else "estimated",
        azimuth_true_deg=float(azimuth_deg(np.degrees(told.azimuth_rad))),
        u95_deg=float(np.degrees(of.u95_rad)),
        downtilt_deg=float(np.degrees(x[idx[1]])),
        downtilt_u95_deg=float(np.degrees(sigma[1])),
        roll_deg=float(np.degrees(x[idx[2]])),
        roll_u95_deg=float(np.degrees(sigma[2])),
        alternatives=others,
        evidence=tuple(evidence),
        budget=budget,
        remarks=tuple(reasons),
        missing=_missing(a, by_photo, to_measure),
        sigma_deg=float(np.degrees(rms)),
        declination_sigma_deg=float(np.degrees(result.declination.get(a, 0.0))),
        probability=min(told.probability, 1.0),
        own_u95_deg=float(np.degrees(K95 * told.sigma_rad)),
        distribution=_distribution(of.mixture),
        distribution_known=_distribution(known.mixture),
        without=tuple(
            WithoutView(photo=p, distribution=_distribution(m), distribution_known=_distribution(known.without[p]))
            for p, m in of.without.items()
            if p in known.without
        ),
    )


def _alternative(peak: Peak) -> Alternative:
    return Alternative(
        azimuth_true_deg=float(azimuth_deg(np.degrees(peak.azimuth_rad))),
        u95_deg=float(np.degrees(K95 * peak.sigma_rad)),
        probability=peak.probability,
    )


def _distribution(mixture: Mixture) -> tuple[Alternative, ...]:
    """A mixture as its parts, the most probable first."""
    m = mixture.with_fewer(MOST_PARTS)
    order = np.argsort(-m.weight, kind="stable")
    return tuple(_alternative(Peak(float(m.value[k]), float(m.sigma[k]), float(m.weight[k]))) for k in order)


def _of_register(antenna: Antenna) -> dict[str, Any]:
    return {
        "antenna_id": antenna.antenna_id,
        "sector": antenna.sector,
        "position": antenna.position,
        "register_extra": antenna.extra,
    }


def _unsure(to_measure: Mapping[str, PanelToMeasure]) -> str | None:
    """In words, if no photo says for sure which antenna this is."""
    matches = [s.match for s in to_measure.values() if s.match is not None]
    if not matches or len(matches) < len(to_measure) or not all(m.ambiguous for m in matches):
        return None
    best = max(matches, key=lambda m: m.probability)
    many = max(len(s.chances) for s in to_measure.values())
    if many > 1:
        return f"any of {many} panels may be it: the photos and the register do not tell which"
    others = ", ".join(f"{other} ({percent(p)})" for other, p in best.alternatives if other is not None)
    told = f"which antenna it is, is not sure ({percent(best.probability)})"
    if not others and any(other is None for other, _ in best.alternatives):
        others = "one that the register does not list"
    return f"{told}; it may be {others}" if others else told


def _evidence(result: NetworkSolution, photo: PhotoObservations, antenna: str, panel: PanelToMeasure) -> EvidenceView:
    mode = photo.boxes[antenna][result.choice[photo.name, antenna]]
    x, layout = result.adjusted.x, result.network.layout
    ai, pi, si = layout.antenna(antenna), layout.photo(photo.name), layout.site()
    back = x[pi[3:5]] - (x[ai[3:5]] + x[si])
    yaw = float(wrap_rad(x[ai[0]] - np.arctan2(back[0], back[1])))

    return EvidenceView(
        photo=photo.name,
        view=_view(mode, yaw),
        corners_px=_pairs(mode.corners_px[:4]),
        outline_px=_pairs(mode.outline_px),
        inner_px=tuple((_pairs(e)[0], _pairs(e)[1]) for e in mode.inner_px),
        width_px=mode.width_px,
        yaw_deg=float(np.degrees(yaw)),
        quality=mode.quality,
        from_pick=panel.picked,
        name_probability=None if panel.match is None else panel.match.probability,
        p_right=result.posterior.outlines[antenna].get(photo.name),
        p_right_alone=mode.p_right,
    )
