"""Photos and a register in, a site's solution out: the one pipeline that everybody calls."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import azimuth_deg, wrap_rad
from photoaz.errors import InputError
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.norths import Declination, declination, to_true
from photoaz.geodesy.sun import sun_position
from photoaz.network.adjust import Adjusted, AdjustmentError, adjust, marginal, variance_shares, w_tests
from photoaz.network.observations import Box, Known, Observation
from photoaz.network.site import (
    K95,
    RADIUS_95,
    Angle,
    AntennaFacts,
    BearingSight,
    LandmarkSight,
    PhotoFacts,
    SiteNetwork,
    azimuth_of_mode,
    build,
    outline_label,
)
from photoaz.photo.calibration import Calibration, camera_from_calibration
from photoaz.photo.camera import Camera, camera_from_record, normalised_from_pixels
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import decode_gray
from photoaz.photo.record import PhotoRecord
from photoaz.register.load import matches_photo
from photoaz.register.model import Antenna, Control, Pick, Site
from photoaz.solution import (
    Alternative,
    AntennaSolution,
    BudgetShare,
    EvidenceView,
    PhotoSolution,
    SiteSolution,
    View,
)
from photoaz.vision.evidence import BoxMode
from photoaz.vision.measure import Expectation, Look, look_at, measure_again, measure_box

Array = NDArray[Any]

#: what is assumed where nobody says (one standard uncertainty; common practice, no source)
CAMERA_HEIGHT_M = (1.5, 1.5)
HAND_HELD_ROLL_RAD = float(np.radians(1.5))
DOWNTILT_RAD = (float(np.radians(3.5)), float(np.radians(3.0)))
DESIGN_DOWNTILT_SIGMA_RAD = float(np.radians(1.5))
PLUMB_SIGMA_RAD = float(np.radians(0.7))
STAND_OFF_M = (1.4, 1.0)
TYPICAL_SIZE_M = {"width": (0.30, 0.30), "height": (1.7, 0.35), "depth": (0.14, 0.30)}
#: of a size that the register gives: a hundredth, and 4 mm of rounding
SIZE_SIGMA = (0.01, 0.004)
#: standardised residual above which an observation is held to be wrong (two-sided 0.1 %)
W_CRITICAL = 3.29
#: an outline's own errors have heavier tails: it is doubted later than a sensor
W_CRITICAL_BOX = 4.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Photo:
    """A photo on its way into the network."""

    path: Path
    record: PhotoRecord
    camera: Camera
    controls: tuple[Control, ...]
    picks: tuple[Pick, ...]


class _UnusableError(Exception):
    """Why a photo cannot take part; becomes its reason."""


def solve_site(
    site: Site,
    photos: Sequence[Path],
    *,
    controls: Sequence[Control] = (),
    controls_dir: Path | None = None,
    picks: Sequence[Pick] = (),
    picks_dir: Path | None = None,
    calibration: Calibration | None = None,
    antenna_ids: Collection[str] | None = None,
    progress: Callable[[str], None] | None = None,
) -> SiteSolution:
    """Azimuths of a site's antennas from its photos.

    Parameters
    ----------
    site : the register's rows of this site. photos : paths, each used once. controls, picks : of any photos; those that
    name one of `photos` are used (`controls_dir`, `picks_dir`: the tables' folders, for paths relative to them).
    calibration : interior orientation for all photos, else from each one's metadata. antenna_ids : only these.
    progress : called with a line of text before each photo.

    Returns
    -------
    SiteSolution, with an entry for every photo and every antenna asked for; what could not be used says why.
    """
    say = progress or (lambda _text: None)
    antennas = [a for a in site.antennas if antenna_ids is None or a.antenna_id in antenna_ids]
    frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0)
    rejected: dict[str, PhotoSolution] = {}
    names: list[str] = []
    facts: list[PhotoFacts] = []
    looks: dict[str, Mapping[str, Look]] = {}
    records: dict[str, PhotoRecord] = {}
    norths: dict[str, Declination] = {}
    by_id = {a.antenna_id: a for a in antennas}
    antenna_facts = {a.antenna_id: _antenna_facts(a, site) for a in antennas}
    for path in photos:
        name = str(path)
        names.append(name)
        say(f"{path.name}: measuring")
        try:
            photo = _open(path, controls, controls_dir, picks, picks_dir, calibration)
            records[name] = photo.record
            north = _declination(photo.record, site)
            if north is not None:
                norths[name] = north
            fact, look = _photo_facts(name, photo, site, frame, by_id, antenna_facts, north)
            facts.append(fact)
            looks[name] = look
        except (_UnusableError, InputError) as e:
            rejected[name] = PhotoSolution(photo=name, status="rejected", reason=str(e))
    north0 = next(iter(norths.values()), None)
    result: _Result | None = None
    if facts:
        site_sigma = site.position_u95_m / RADIUS_95
        say(f"{site.site_id}: adjusting")
        try:
            first = _adjust(_network(facts, antenna_facts, site_sigma))
            # measured once more, now that all photos together say how the cameras were held and how far away they stood
            facts = [_measured_again(f, looks[f.name], antenna_facts, first) for f in facts]
            result = _adjust(_network(facts, antenna_facts, site_sigma))
        except AdjustmentError as e:
            for f in facts:
                reason = f"the site's adjustment failed: {e}"
                rejected[f.name] = PhotoSolution(photo=f.name, status="rejected", reason=reason)
    photo_solutions, antenna_solutions = _report(result, names, rejected, antennas, frame, records, norths)
    return SiteSolution(
        site_id=site.site_id,
        lat_deg=site.lat_deg,
        lon_deg=site.lon_deg,
        declination_deg=None if north0 is None else north0.value_deg,
        declination_u95_deg=None if north0 is None else K95 * north0.sigma_deg,
        photos=photo_solutions,
        antennas=antenna_solutions,
    )


# ---- facts ----------------------------------------------------------------------------------------------------------


def _open(
    path: Path,
    controls: Sequence[Control],
    controls_dir: Path | None,
    picks: Sequence[Pick],
    picks_dir: Path | None,
    calibration: Calibration | None,
) -> _Photo:
    record = read_record(path)
    camera = camera_from_record(record) if calibration is None else camera_from_calibration(calibration, record)
    if camera is None:
        raise _UnusableError("its metadata give no focal length, and no calibration was given")
    here = Path()
    return _Photo(
        path=path,
        record=record,
        camera=camera,
        controls=tuple(c for c in controls if matches_photo(c.photo, path, controls_dir or here)),
        picks=tuple(p for p in picks if matches_photo(p.photo, path, picks_dir or here)),
    )


def _day(record: PhotoRecord) -> date | None:
    """The photo's day: UTC where its zone is known, else as the camera's clock had it."""
    when = None if record.taken is None else record.taken.utc or record.taken.local
    return None if when is None else when.date()


def _declination(record: PhotoRecord, site: Site) -> Declination | None:
    """Declination at the site on the photo's day; None where it has no date or lies outside the models' years."""
    day = _day(record)
    if day is None:
        return None
    try:
        return declination(site.lat_deg, site.lon_deg, 0.0, day)
    except InputError:
        return None


def _antenna_facts(a: Antenna, site: Site) -> AntennaFacts:
    design = np.radians(_design_true_deg(a, site))
    known = a.offset_east_m is not None and a.offset_north_m is not None
    offset = (
        np.array([a.offset_east_m, a.offset_north_m], float)
        if known
        else STAND_OFF_M[0] * np.array([np.sin(design), np.cos(design)])
    )
    size, sigma = [], []
    for value, name in ((a.width_m, "width"), (a.height_m, "height"), (a.depth_m, "depth")):
        if value is None:
            typical, s = TYPICAL_SIZE_M[name]
            size.append(np.log(typical))
            sigma.append(s)
        else:
            size.append(np.log(value))
            sigma.append(float(np.hypot(SIZE_SIGMA[0], SIZE_SIGMA[1] / value)))
    designed = a.design_downtilt_deg is not None
    return AntennaFacts(
        name=a.antenna_id,
        design_rad=float(design),
        east_north_m=offset,
        offset_sigma_m=0.15 if known else STAND_OFF_M[1],
        up_m=a.rad_center_m,
        up_sigma_m=a.rad_center_u95_m / K95,
        ln_size=np.array(size),
        ln_size_sigma=np.array(sigma),
        sizes_known=None not in (a.width_m, a.height_m, a.depth_m),
        downtilt_rad=float(np.radians(a.design_downtilt_deg)) if a.design_downtilt_deg is not None else DOWNTILT_RAD[0],
        downtilt_sigma_rad=DESIGN_DOWNTILT_SIGMA_RAD if designed else DOWNTILT_RAD[1],
        roll_sigma_rad=PLUMB_SIGMA_RAD,
    )


def _design_true_deg(a: Antenna, site: Site) -> float:
    """Design azimuth carried to true north as well as can be: it only tells where the antenna stands off the axis."""
    try:
        return to_true(
            a.design_azimuth_deg,
            a.design_north,
            lat_deg=site.lat_deg,
            lon_deg=site.lon_deg,
            when=a.reading.date if a.reading else None,
            grid_crs=a.grid_crs,
        ).azimuth_deg
    except InputError:
        return a.design_azimuth_deg


def _faces_camera(design_rad: float, towards_camera_m: Array) -> bool | None:
    """Whether the antenna shows its front by design; None within 25 degrees of the profile view.

    Only a person's single point leaves that open, and a box looks much the same from the rear.
    """
    bearing = float(np.arctan2(towards_camera_m[0], towards_camera_m[1]))
    off = abs(float(np.degrees(wrap_rad(design_rad - bearing))))
    return None if 65.0 < off < 115.0 else off <= 65.0


def _controlled(photo: _Photo, kind: str) -> tuple[Control, ...]:
    return tuple(c for c in photo.controls if c.kind == kind)


def _photo_facts(
    name: str,
    photo: _Photo,
    site: Site,
    frame: EnuFrame,
    by_id: Mapping[str, Antenna],
    antenna_facts: Mapping[str, AntennaFacts],
    north: Declination | None,
) -> tuple[PhotoFacts, Mapping[str, Look]]:
    picks = [p for p in photo.picks if p.antenna_id in by_id]
    if not picks:
        raise _UnusableError("no pick names an antenna of this site in it")
    camera = photo.camera
    standpoints = _standpoints(photo, frame)
    pitches, rolls = _tilts(photo)
    headings = _headings(photo, north)
    east_north = standpoints[0][0] if standpoints else None
    if east_north is None:
        if not headings:
            raise _UnusableError("neither a position nor a heading: nothing says where the camera stood or looked")
        east_north, spread = _standpoint_from_size(photo, picks, antenna_facts, headings[0].value_rad)
        standpoints = ((east_north, spread, "standpoint guessed from the antenna's size"),)
    spread = min(s for _, s, _ in standpoints)
    pitch, pitch_sigma = _start_pitch(photo, picks, antenna_facts, east_north, spread, site, pitches)
    roll, roll_sigma = (rolls[0].value_rad, rolls[0].sigma_rad) if rolls else (0.0, HAND_HELD_ROLL_RAD)
    if not rolls:
        rolls = (
            Angle(value_rad=0.0, sigma_rad=HAND_HELD_ROLL_RAD, source="camera held level", label="hand-held roll"),
        )
    heading_guess = headings[0].value_rad if headings else None
    camera, ln_focal = _focal_from_size(camera, picks, antenna_facts, east_north)
    image = decode_gray(photo.path)
    looks: dict[str, Look] = {}
    boxes: dict[str, tuple[BoxMode, ...]] = {}
    for pick in picks:
        a = antenna_facts[pick.antenna_id]
        delta = np.append(a.east_north_m - east_north, a.up_m - CAMERA_HEIGHT_M[0])
        along = float(np.hypot(spread, np.hypot(a.offset_sigma_m, site.position_u95_m / RADIUS_95)))
        position_sigma = np.hypot(along * np.hypot(delta[0], delta[1]), CAMERA_HEIGHT_M[1] * delta[2])
        expectation = _expectation(
            camera,
            a,
            (pitch, pitch_sigma),
            (roll, roll_sigma),
            float(np.linalg.norm(delta)),
            float(position_sigma / (delta @ delta)),
            faces_camera=_faces_camera(a.design_rad, -delta),
            design_off_rad=None if heading_guess is None else a.design_rad - heading_guess,
        )
        corners = None if pick.corners_px is None else np.array(pick.corners_px, float)
        seed = None if pick.seed_px is None else np.array(pick.seed_px, float)
        looks[pick.antenna_id] = look_at(image, expectation, corners_px=corners, seed_px=seed)
        modes = measure_box(looks[pick.antenna_id], expectation)
        if modes:
            boxes[pick.antenna_id] = modes
    if not boxes:
        raise _UnusableError("none of its picks could be fitted")
    landmarks, bearings = _sights(photo, frame)
    heading = (
        headings[0].value_rad
        if headings
        else _heading_from_baseline(camera, pitch, roll, picks, antenna_facts, east_north)
    )
    facts = PhotoFacts(
        name=name,
        camera=camera,
        start=np.array([heading, pitch, roll, *east_north, CAMERA_HEIGHT_M[0]]),
        headings=headings,
        pitches=pitches,
        rolls=rolls,
        standpoints=standpoints,
        up_m=CAMERA_HEIGHT_M[0],
        up_sigma_m=CAMERA_HEIGHT_M[1],
        ln_focal=ln_focal,
        boxes=boxes,
        landmarks=landmarks,
        bearings=bearings,
    )
    return facts, looks


def _expectation(
    camera: Camera,
    a: AntennaFacts,
    pitch: tuple[float, float],
    roll: tuple[float, float],
    distance_m: float,
    ln_distance_sigma: float,
    *,
    faces_camera: bool | None = None,
    design_off_rad: float | None = None,
) -> Expectation:
    return Expectation(
        faces_camera=faces_camera,
        design_off_rad=design_off_rad,
        camera=camera,
        pitch_rad=pitch[0],
        pitch_sigma_rad=pitch[1],
        roll_rad=roll[0],
        roll_sigma_rad=roll[1],
        distance_m=distance_m,
        ln_distance_sigma=float(np.hypot(ln_distance_sigma, min(camera.f_relative_sigma, 0.06))),
        ln_size=a.ln_size,
        ln_size_sigma=a.ln_size_sigma,
        downtilt_rad=a.downtilt_rad,
        downtilt_sigma_rad=a.downtilt_sigma_rad,
        panel_roll_sigma_rad=a.roll_sigma_rad,
    )


def _focal_from_size(
    camera: Camera, picks: Sequence[Pick], antennas: Mapping[str, AntennaFacts], east_north: Array
) -> tuple[Camera, float]:
    """A camera of hardly known focal length, made one that shows the picked antennas as tall as they are.

    Returns it and ln of the metadata's focal length over the new one: the network still weighs what the metadata said.
    """
    if camera.f_relative_sigma < 0.06:
        return camera, 0.0
    found = []
    for pick in picks:
        if pick.corners_px is not None:
            a = antennas[pick.antenna_id]
            c = np.array(pick.corners_px, float)
            tall = float(np.hypot(*(c[:2].mean(0) - c[2:].mean(0))))
            flat = float(np.hypot(*(a.east_north_m - east_north)))
            # a plumb body of height H at a distance flat / cos(e) is seen under H cos(e) of it
            cos_e = flat / float(np.hypot(flat, a.up_m - CAMERA_HEIGHT_M[0]))
            found.append(np.log(tall * flat / cos_e**2) - a.ln_size[1])
    if not found:
        return camera, 0.0
    f = float(np.exp(np.median(found)))
    return replace(camera, f_px=f), float(np.log(camera.f_px / f))


def _network(facts: Sequence[PhotoFacts], antennas: Mapping[str, AntennaFacts], site_sigma_m: float) -> SiteNetwork:
    seen = [a for name, a in antennas.items() if any(name in f.boxes for f in facts)]
    return build(facts, seen, site_sigma_m)


def _measured_again(
    f: PhotoFacts, looks: Mapping[str, Look], antennas: Mapping[str, AntennaFacts], result: _Result
) -> PhotoFacts:
    """A photo's boxes measured from what a first adjustment expects of them."""
    x, cov, layout = result.adjusted.x, result.adjusted.covariance, result.network.layout
    pi, si = layout.photo(f.name), layout.site()
    camera = replace(f.camera, f_px=f.camera.f_px * float(np.exp(x[pi[6]])))
    sigma = np.sqrt(np.diag(cov))
    boxes: dict[str, tuple[BoxMode, ...]] = {}
    for name, look in looks.items():
        if name not in f.boxes:
            continue
        ai = layout.antenna(name)
        delta = np.append(x[ai[3:5]] + x[si], x[ai[5]]) - x[pi[3:6]]
        distance = float(np.linalg.norm(delta))
        along = np.zeros(len(x))
        along[ai[3:6]], along[si], along[pi[3:6]] = delta / distance, delta[:2] / distance, -delta / distance
        along[pi[6]] = -distance  # what matters is focal length over distance
        expectation = _expectation(
            replace(camera, f_relative_sigma=0.0),
            antennas[name],
            (float(x[pi[1]]), float(sigma[pi[1]])),
            (float(x[pi[2]]), float(sigma[pi[2]])),
            distance,
            float(np.sqrt(along @ cov @ along)) / distance + 0.01,
            design_off_rad=antennas[name].design_rad - float(x[pi[0]]),
        )
        boxes[name] = measure_again(look, expectation, f.boxes[name]) or f.boxes[name]
    start = np.concatenate([x[pi[:3]], x[pi[3:6]]])
    return replace(f, camera=camera, ln_focal=f.ln_focal - float(x[pi[6]]), start=start, boxes=boxes)


def _standpoints(photo: _Photo, frame: EnuFrame) -> tuple[tuple[Array, float, str], ...]:
    """Statements of where the camera stood, the best first: (east, north) [m], sigma per axis [m], source."""
    out: list[tuple[Array, float, str]] = []
    for c in _controlled(photo, "standpoint"):
        if c.lat_deg is not None and c.lon_deg is not None:
            out.append((frame.enu_from_geodetic(c.lat_deg, c.lon_deg)[:2], c.u95 / RADIUS_95, "standpoint control"))
    p = photo.record.position
    if p is not None:
        out.append((frame.enu_from_geodetic(p.lat_deg, p.lon_deg)[:2], p.sigma_m, "camera position"))
    return tuple(sorted(out, key=lambda s: s[1]))


def _tilts(photo: _Photo) -> tuple[tuple[Angle, ...], tuple[Angle, ...]]:
    """Statements about pitch and roll, controls first."""
    out: list[tuple[Angle, ...]] = []
    for kind, measured in (("pitch", photo.record.pitch_deg), ("roll", photo.record.roll_deg)):
        angles = [
            Angle(
                value_rad=float(np.radians(c.value_deg)),
                sigma_rad=float(np.radians(c.u95 / K95)),
                source=f"{kind} control",
                label=f"{kind} control",
            )
            for c in _controlled(photo, kind)
            if c.value_deg is not None
        ]
        if measured is not None:
            angles.append(
                Angle(
                    value_rad=float(np.radians(measured.value)),
                    sigma_rad=float(np.radians(measured.sigma)),
                    source=f"camera {kind}",
                    label=f"camera {kind} ({measured.source})",
                )
            )
        out.append(tuple(angles))
    return out[0], out[1]


def _headings(photo: _Photo, north: Declination | None) -> tuple[Angle, ...]:
    """Statements about the heading from true north, controls first."""
    out = [
        Angle(
            value_rad=float(np.radians(c.azimuth_true_deg)),
            sigma_rad=float(np.radians(c.u95 / K95)),
            source="heading control",
            label="heading control",
        )
        for c in _controlled(photo, "heading")
        if c.azimuth_true_deg is not None
    ]
    h = photo.record.heading
    if h is not None:
        value, sigma = h.value_deg, h.sigma_deg
        if h.north == "magnetic":
            if north is not None:
                value, sigma = value + north.value_deg, float(np.hypot(sigma, north.sigma_deg))
            else:
                sigma = float(np.hypot(sigma, 10.0))  # declination not known: most of the inhabited earth is within
        elif h.north != "true" and north is not None:
            # either reading is possible: their middle, with half their difference in the sigma
            value, sigma = value + north.value_deg / 2, float(np.hypot(sigma, north.value_deg / 2))
        out.append(
            Angle(
                value_rad=float(np.radians(value)),
                sigma_rad=float(np.radians(sigma)),
                source="camera compass",
                label="compass",
            )
        )
    return tuple(out)


def _corner_or_seed(pick: Pick) -> Array:
    """Middle of a pick (2,) px."""
    if pick.corners_px is not None:
        middle: Array = np.array(pick.corners_px, float).mean(0)
        return middle
    return np.array(pick.seed_px, float)


def _standpoint_from_size(
    photo: _Photo, picks: Sequence[Pick], antennas: Mapping[str, AntennaFacts], heading_rad: float
) -> tuple[Array, float]:
    """Where the camera stood if nobody says: as far out as the picked antennas look small, against the heading."""
    for pick in picks:
        if pick.corners_px is not None:
            c = np.array(pick.corners_px, float)
            tall = float(np.hypot(*(c[:2].mean(0) - c[2:].mean(0))))
            a = antennas[pick.antenna_id]
            distance = photo.camera.f_px * float(np.exp(a.ln_size[1])) / max(tall, 1.0)
            flat = float(np.sqrt(max(distance**2 - a.up_m**2, (0.3 * distance) ** 2)))
            return -flat * np.array([np.sin(heading_rad), np.cos(heading_rad)]), 0.25 * flat
    raise _UnusableError("no position, and no corners picked that would tell the distance")


def _start_pitch(
    photo: _Photo,
    picks: Sequence[Pick],
    antennas: Mapping[str, AntennaFacts],
    east_north: Array,
    spread_m: float,
    site: Site,
    pitches: tuple[Angle, ...],
) -> tuple[float, float]:
    """Pitch [rad] and its sigma: as the camera says, together with the elevation that the register implies."""
    values, weights = [], []
    for pick in picks:
        a = antennas[pick.antenna_id]
        flat = float(np.hypot(*(a.east_north_m - east_north)))
        rise = a.up_m - CAMERA_HEIGHT_M[0]
        elevation = np.arctan2(rise, flat)
        x, y = normalised_from_pixels(photo.camera, _corner_or_seed(pick))
        length = np.sqrt(1 + x * x + y * y)
        values.append(float(np.arctan(y) + np.arcsin(np.clip(length * np.sin(elevation) / np.sqrt(1 + y * y), -1, 1))))
        along = np.hypot(spread_m, site.position_u95_m / RADIUS_95)
        weights.append(float(np.hypot(along * rise, CAMERA_HEIGHT_M[1] * flat) / (flat**2 + rise**2)))
    sigma = max(min(weights), np.radians(0.3))
    value = float(np.mean(values))
    for p in pitches[:1]:
        w1, w2 = 1 / sigma**2, 1 / p.sigma_rad**2
        value, sigma = (value * w1 + p.value_rad * w2) / (w1 + w2), float(np.sqrt(1 / (w1 + w2)))
    return value, sigma


def _heading_from_baseline(
    camera: Camera,
    pitch: float,
    roll: float,
    picks: Sequence[Pick],
    antennas: Mapping[str, AntennaFacts],
    east_north: Array,
) -> float:
    """Heading [rad] at which the picks lie in the direction of the tower as seen from the standpoint."""
    from photoaz.photo.camera import directions_from_pixels, rotation_cam_from_enu

    level = rotation_cam_from_enu(0.0, pitch, roll)
    angles = []
    for pick in picks:
        d = level.T @ directions_from_pixels(camera, _corner_or_seed(pick))
        delta = antennas[pick.antenna_id].east_north_m - east_north
        angles.append(np.arctan2(delta[0], delta[1]) - np.arctan2(d[0], d[1]))
    return float(np.arctan2(np.mean(np.sin(angles)), np.mean(np.cos(angles))))


def _sights(photo: _Photo, frame: EnuFrame) -> tuple[tuple[LandmarkSight, ...], tuple[BearingSight, ...]]:
    landmarks: list[LandmarkSight] = []
    bearings: list[BearingSight] = []
    for k, c in enumerate(photo.controls):
        if c.kind == "landmark" and c.pixel is not None and c.lat_deg is not None and c.lon_deg is not None:
            known = c.height_m is not None
            enu = frame.enu_from_geodetic(c.lat_deg, c.lon_deg, c.height_m if c.height_m is not None else 10.0)
            landmarks.append(
                LandmarkSight(
                    name=c.name or f"landmark {k + 1}",
                    pixel=np.array(c.pixel, float),
                    enu_m=enu,
                    sigma_m=c.u95 / RADIUS_95,
                    height_sigma_m=5.0 if known else 60.0,
                )
            )
        elif c.kind == "bearing" and c.pixel is not None and c.azimuth_true_deg is not None:
            bearings.append(
                BearingSight(
                    name=c.name or "bearing",
                    pixel=np.array(c.pixel, float),
                    azimuth_rad=float(np.radians(c.azimuth_true_deg)),
                    sigma_rad=float(np.radians(c.u95 / K95)),
                )
            )
        elif c.kind == "sun" and c.pixel is not None:
            utc = photo.record.taken.utc if photo.record.taken else None
            place = photo.record.position
            if utc is None or place is None:
                continue  # without a trusted time the sun says nothing
            sun = sun_position(utc, place.lat_deg, place.lon_deg)
            bearings.append(
                BearingSight(
                    name="sun",
                    pixel=np.array(c.pixel, float),
                    azimuth_rad=float(np.radians(sun.azimuth_deg)),
                    sigma_rad=float(np.radians(c.u95 / K95)),
                )
            )
    return tuple(landmarks), tuple(bearings)


# ---- adjustment -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Branch:
    """Another azimuth of one antenna: difference [rad] from the chosen one, its sigma [rad], its probability."""

    azimuth_rad: float
    sigma_rad: float
    probability: float


@dataclass(frozen=True, slots=True)
class _Result:
    network: SiteNetwork
    adjusted: Adjusted
    observations: tuple[Observation, ...]
    choice: Mapping[tuple[str, str], int]
    left_out: tuple[Observation, ...]
    doubt: Mapping[tuple[str, str], float]
    branches: Mapping[str, tuple[_Branch, ...]]


def _first_choice(network: SiteNetwork) -> dict[tuple[str, str], int]:
    """The mode of each box to begin with: the best in the photo that shows the antenna widest; elsewhere the mode that

    agrees best with it.
    """
    out: dict[tuple[str, str], int] = {}
    for a in network.antennas:
        views = sorted((p for p in network.photos if a.name in p.boxes), key=lambda p: -p.boxes[a.name][0].width_px)
        reference = None
        for p in views:
            modes = p.boxes[a.name]
            if reference is None:
                out[p.name, a.name] = 0
                reference = azimuth_of_mode(p, modes[0])
                continue
            off = [float(wrap_rad(azimuth_of_mode(p, m) - reference)) for m in modes]
            score = [m.cost + (o / np.radians(8.0)) ** 2 for m, o in zip(modes, off, strict=True)]
            out[p.name, a.name] = int(np.argmin(score))
    return out


def _start(network: SiteNetwork, choice: Mapping[tuple[str, str], int]) -> Array:
    x = network.start.copy()
    for a in network.antennas:
        for p in sorted((p for p in network.photos if a.name in p.boxes), key=lambda p: -p.boxes[a.name][0].width_px):
            if (p.name, a.name) in choice:
                x[network.layout.antenna(a.name, "azimuth")] = azimuth_of_mode(
                    p, p.boxes[a.name][choice[p.name, a.name]]
                )
                break
    return x


def _adjust(network: SiteNetwork) -> _Result:
    """Choose modes, adjust, leave out or doubt what contradicts the rest, and weigh the other modes.

    Raises AdjustmentError where the network has no solution.
    """
    choice = _first_choice(network)
    left_out: list[Observation] = []
    doubt: dict[tuple[str, str], float] = {}

    def run(c: Mapping[tuple[str, str], int], start: Array) -> tuple[tuple[Observation, ...], Adjusted]:
        obs = tuple(o for o in network.observations(c, doubt) if not any(_same_observation(o, x) for x in left_out))
        return obs, adjust(obs, start)

    obs, best = run(choice, _start(network, choice))
    branches: dict[str, tuple[_Branch, ...]] = {}
    for sweep in range(4):
        flips: dict[tuple[str, str], int] = {}
        for a in network.antennas:
            better, branches[a.name] = _weigh(network, obs, best, choice, doubt, a.name)
            flips.update(better)
        if not flips or sweep == 3:
            break
        choice = {**choice, **flips}
        obs, best = run(choice, _moved(network, best.x, choice, flips))
    for _ in range(4):
        suspect, excess = _suspect(obs, best)
        if suspect is None:
            break
        if isinstance(suspect, Box):
            # an outline that does not fit the rest still tells something: trusted less, not thrown away
            key = next(k for k in choice if _label(k) == suspect.label)
            doubt[key] = doubt.get(key, 1.0) * 2.0 * excess
        else:
            left_out.append(suspect)
        obs, best = run(choice, best.x)
    if left_out or doubt:
        for a in network.antennas:
            branches[a.name] = _weigh(network, obs, best, choice, doubt, a.name)[1]
    return _Result(network, best, obs, choice, tuple(left_out), doubt, branches)


def _suspect(observations: Sequence[Observation], adjusted: Adjusted) -> tuple[Observation | None, float]:
    """The observation that contradicts the rest most, if any does, and by how many times its critical value."""
    w = [
        abs(v) / (W_CRITICAL_BOX if isinstance(o, Box) else W_CRITICAL) if o.testable else 0.0
        for o, v in zip(observations, w_tests(observations, adjusted), strict=True)
    ]
    worst = int(np.nan_to_num(w).argmax())
    return (observations[worst], float(w[worst])) if w[worst] > 1.0 else (None, 0.0)


def _moved(
    network: SiteNetwork, x: Array, choice: Mapping[tuple[str, str], int], flips: Mapping[tuple[str, str], int]
) -> Array:
    """Starting values after some boxes changed their mode: the azimuths of those antennas."""
    out = x.copy()
    for name in {k[1] for k in flips}:
        widest = max((p for p in network.photos if name in p.boxes), key=lambda p: p.boxes[name][0].width_px)
        attitude = x[network.layout.photo(widest.name)[:3]]
        mode = widest.boxes[name][choice[widest.name, name]]
        out[network.layout.antenna(name, "azimuth")] = azimuth_of_mode(widest, mode, attitude)
    return out


def _weigh(
    network: SiteNetwork,
    observations: Sequence[Observation],
    best: Adjusted,
    choice: Mapping[tuple[str, str], int],
    doubt: Mapping[tuple[str, str], float],
    antenna: str,
) -> tuple[dict[tuple[str, str], int], tuple[_Branch, ...]]:
    """Every way the boxes of one antenna can fit, all else as adjusted: the better choice if there is one, and the

    distinct azimuths with their probabilities, the chosen one first.
    """
    layout = network.layout
    ai = layout.antenna(antenna)
    chosen = _Branch(float(best.x[ai[0]]), float(np.sqrt(best.covariance[ai[0], ai[0]])), 1.0)
    photos = [p for p in network.photos if antenna in p.boxes]
    keys = [(p.name, antenna) for p in photos]
    options = _options(photos, antenna)
    if len(options) < 2:
        return {}, (chosen,)
    keep = np.concatenate([*(layout.photo(p.name) for p in photos), ai, layout.site()])
    own = [s for o, s in zip(observations, best.rows, strict=True) if o.label in {_label(k) for k in keys}]
    root, offset = marginal(best, own, keep)
    known = Known("everything else", "", np.arange(len(keep)), best.x[keep], root, offset)
    place = {int(k): n for n, k in enumerate(keep)}
    current = tuple(choice[k] for k in keys)
    rows: list[tuple[float, float, float, tuple[int, ...]]] = []
    widest = max(range(len(photos)), key=lambda n: photos[n].boxes[antenna][0].width_px)
    for option in options:
        boxes = [
            replace(o, index=np.array([place[int(k)] for k in o.index]))
            for o in (
                network.box(p, antenna, p.boxes[antenna][i], doubt.get((p.name, antenna), 1.0))
                for p, i in zip(photos, option, strict=True)
            )
        ]
        start = best.x[keep].copy()
        if option != current:
            p = photos[widest]
            attitude = best.x[layout.photo(p.name)[:3]]
            start[place[int(ai[0])]] = azimuth_of_mode(p, p.boxes[antenna][option[widest]], attitude)
        try:
            adjusted = adjust([known, *boxes], start, max_iterations=12)
        except AdjustmentError:
            continue
        k = place[int(ai[0])]
        cost = adjusted.cost + sum(p.boxes[antenna][i].cost for p, i in zip(photos, option, strict=True))
        rows.append((cost, float(adjusted.x[k]), float(np.sqrt(adjusted.covariance[k, k])), option))
    if not rows:
        return {}, (chosen,)
    rows.sort(key=lambda r: r[0])
    merged: list[tuple[float, float, float]] = []
    for cost, azimuth, sigma, _ in rows:
        if all(abs(wrap_rad(azimuth - m[1])) > max(np.radians(1.0), 0.7 * (sigma + m[2])) for m in merged):
            merged.append((cost, azimuth, sigma))
    weight = np.exp(-0.5 * (np.array([m[0] for m in merged]) - merged[0][0]))
    weight /= weight.sum()
    branches = tuple(_Branch(m[1], m[2], float(p)) for m, p in zip(merged, weight, strict=True))
    better = {} if rows[0][3] == current else dict(zip(keys, rows[0][3], strict=True))
    if not better:
        branches = (replace(branches[0], azimuth_rad=chosen.azimuth_rad, sigma_rad=chosen.sigma_rad), *branches[1:])
    return better, branches


def _options(photos: Sequence[PhotoFacts], antenna: str, *, most: int = 40) -> list[tuple[int, ...]]:
    """Combinations of modes of one antenna over its photos worth weighing, the likeliest first."""
    per_photo = []
    for p in photos:
        modes = p.boxes[antenna]
        floor = min(m.cost for m in modes)
        per_photo.append([i for i, m in enumerate(modes) if m.cost < floor + 25.0])
    ranked = sorted(
        itertools.product(*per_photo),
        key=lambda o: sum(p.boxes[antenna][i].cost for p, i in zip(photos, o, strict=True)),
    )
    return ranked[:most]


def _label(key: tuple[str, str]) -> str:
    return outline_label(*key)


def _same_observation(a: Observation, b: Observation) -> bool:
    return (
        a.label == b.label
        and a.source == b.source
        and len(a.index) == len(b.index)
        and bool((a.index == b.index).all())
    )


# ---- report ---------------------------------------------------------------------------------------------------------


def mixture_u95(branches: Sequence[_Branch]) -> float:
    """Half-width [rad] of the interval about the first branch that holds 95 % of the mixture of all."""
    from scipy.special import ndtr

    offset = np.array([float(wrap_rad(b.azimuth_rad - branches[0].azimuth_rad)) for b in branches])
    sigma = np.array([b.sigma_rad for b in branches])
    p = np.array([b.probability for b in branches])

    def inside(r: float) -> float:
        return float((p * (ndtr((r - offset) / sigma) - ndtr((-r - offset) / sigma))).sum())

    lo, hi = 0.0, float(np.pi)
    for _ in range(60):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if inside(mid) < 0.95 else (lo, mid)
    return hi


def _view(mode: BoxMode, yaw_rad: float) -> View:
    """How the antenna is seen: by the normal's angle off the line of sight in plan."""
    off = abs(float(np.degrees(yaw_rad)))
    if off < 15.0:
        return "face"
    if off < 80.0:
        return "oblique"
    return "profile" if off <= 100.0 else "rear"


def _report(
    result: _Result | None,
    names: Sequence[str],
    rejected: Mapping[str, PhotoSolution],
    antennas: Sequence[Antenna],
    frame: EnuFrame,
    records: Mapping[str, PhotoRecord],
    norths: Mapping[str, Declination],
) -> tuple[tuple[PhotoSolution, ...], tuple[AntennaSolution, ...]]:
    photos = tuple(
        rejected[n] if n in rejected else _photo_solution(result, n, frame, records[n], norths.get(n)) for n in names
    )
    return photos, tuple(_antenna_solution(result, a) for a in antennas)


def _photo_solution(
    result: _Result | None, name: str, frame: EnuFrame, record: PhotoRecord, north: Declination | None
) -> PhotoSolution:
    assert result is not None
    x, cov, layout = result.adjusted.x, result.adjusted.covariance, result.network.layout
    idx = layout.photo(name)
    lat, lon, _ = frame.geodetic_from_enu(x[idx[3:6]])
    facts = next(p for p in result.network.photos if p.name == name)
    heading = float(x[idx[0]])
    flags: list[str] = []
    for o in result.left_out:
        if idx[0] in o.index and o.source == "camera compass":
            said = next(a.value_rad for a in facts.headings if a.source == "camera compass")
            flags.append(f"compass disturbed by {np.degrees(wrap_rad(said - heading)):+.0f} deg")
        elif np.isin(o.index, idx).any():
            flags.append(f"left out, contradicts the rest: {o.label.replace(name, Path(name).name)}")
    if record.heading is not None and record.heading.north == "unknown":
        flags.append("compass reference not said (true or magnetic): both allowed for")
    return PhotoSolution(
        photo=name,
        status="used",
        taken=_day(record),
        heading_true_deg=float(azimuth_deg(np.degrees(heading))),
        heading_u95_deg=float(np.degrees(K95 * np.sqrt(cov[idx[0], idx[0]]))),
        pitch_deg=float(np.degrees(x[idx[1]])),
        roll_deg=float(np.degrees(x[idx[2]])),
        lat_deg=float(lat),
        lon_deg=float(lon),
        flags=tuple(flags),
    )


def _antenna_solution(result: _Result | None, antenna: Antenna) -> AntennaSolution:
    a = antenna.antenna_id
    if result is None or a not in result.network.layout.antennas:
        return AntennaSolution(
            antenna_id=a, status="not_found", reasons=("no photo that could be used shows it with a pick",)
        )
    net, adjusted = result.network, result.adjusted
    idx = net.layout.antenna(a)
    x, cov = adjusted.x, adjusted.covariance
    branches = result.branches[a]
    u95 = mixture_u95(branches)
    sigma = K95 * np.sqrt(np.diag(cov)[idx[:3]])
    shares = variance_shares(result.observations, adjusted, int(idx[0]))
    whole = sum(shares.values())
    budget = tuple(
        BudgetShare(source=s, share=v / whole, u95_deg=float(np.degrees(K95 * np.sqrt(v))))
        for s, v in sorted(shares.items(), key=lambda kv: -kv[1])
        if v / whole >= 1e-4
    )
    evidence = []
    for p in net.photos:
        if (p.name, a) in result.choice:
            evidence.append(_evidence(result, p, a))
    others = tuple(
        Alternative(
            azimuth_true_deg=float(azimuth_deg(np.degrees(b.azimuth_rad))),
            u95_deg=float(np.degrees(K95 * b.sigma_rad)),
            probability=b.probability,
        )
        for b in branches[1:]
        if b.probability >= 0.01
    )
    ambiguous = any(o.probability >= 0.1 for o in others)
    reasons: list[str] = []
    if ambiguous:
        reasons.append("the outline fits in more than one way: see the alternatives")
    reasons += [
        f"its outline in {Path(photo).name} contradicts the rest of the site and is trusted {factor:.1f} times less"
        for (photo, name), factor in result.doubt.items()
        if name == a
    ]
    return AntennaSolution(
        antenna_id=a,
        status="ambiguous" if ambiguous else "estimated",
        azimuth_true_deg=float(azimuth_deg(np.degrees(x[idx[0]]))),
        u95_deg=float(np.degrees(u95)),
        downtilt_deg=float(np.degrees(x[idx[1]])),
        downtilt_u95_deg=float(np.degrees(sigma[1])),
        roll_deg=float(np.degrees(x[idx[2]])),
        roll_u95_deg=float(np.degrees(sigma[2])),
        alternatives=others,
        evidence=tuple(evidence),
        budget=budget,
        reasons=tuple(reasons),
    )


def _evidence(result: _Result, photo: PhotoFacts, antenna: str) -> EvidenceView:
    mode = photo.boxes[antenna][result.choice[photo.name, antenna]]
    x, layout = result.adjusted.x, result.network.layout
    ai, pi, si = layout.antenna(antenna), layout.photo(photo.name), layout.site()
    back = x[pi[3:5]] - (x[ai[3:5]] + x[si])
    yaw = float(wrap_rad(x[ai[0]] - np.arctan2(back[0], back[1])))

    def pairs(points: Array) -> tuple[tuple[float, float], ...]:
        return tuple((float(p[0]), float(p[1])) for p in points)

    return EvidenceView(
        photo=photo.name,
        view=_view(mode, yaw),
        corners_px=pairs(mode.corners_px[:4]),
        outline_px=pairs(mode.outline_px),
        inner_px=tuple((pairs(e)[0], pairs(e)[1]) for e in mode.inner_px),
        width_px=mode.width_px,
        yaw_deg=float(np.degrees(yaw)),
        quality=mode.quality,
        from_pick=True,
    )
