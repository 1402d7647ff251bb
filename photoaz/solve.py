"""Photos and a register in, a site's solution out: the one pipeline that everybody calls."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import azimuth_deg, wrap_rad
from photoaz.errors import InputError
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.norths import Declination, declination, to_true
from photoaz.geodesy.sun import sun_position
from photoaz.network.adjust import Adjusted, AdjustmentError, adjust, variance_shares, w_tests
from photoaz.network.observations import Observation
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
from photoaz.vision.measure import Expectation, measure_box

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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Photo:
    """A photo on its way into the network."""

    path: Path
    record: PhotoRecord
    camera: Camera
    controls: tuple[Control, ...]
    picks: tuple[Pick, ...]


class _Unusable(Exception):
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
    records: dict[str, PhotoRecord] = {}
    norths: dict[str, Declination] = {}
    by_id = {a.antenna_id: a for a in antennas}
    antenna_facts = {a.antenna_id: _antenna_facts(a, site) for a in antennas}
    for path in photos:
        name = str(path)
        names.append(name)
        say(f"{path.name}: reading")
        try:
            photo = _open(path, controls, controls_dir, picks, picks_dir, calibration)
            records[name] = photo.record
            north = _declination(photo.record, site)
            if north is not None:
                norths[name] = north
            say(f"{path.name}: measuring")
            facts.append(_photo_facts(name, photo, site, frame, by_id, antenna_facts, north))
        except _Unusable as e:
            rejected[name] = PhotoSolution(photo=name, status="rejected", reason=str(e))
        except InputError as e:
            rejected[name] = PhotoSolution(photo=name, status="rejected", reason=str(e))
    north0 = next(iter(norths.values()), None)
    result = None
    if facts:
        seen = [antenna_facts[a] for a in by_id if any(a in f.boxes for f in facts)]
        say(f"{site.site_id}: adjusting")
        result = _adjust(build(facts, seen, site.position_u95_m / RADIUS_95))
        if isinstance(result, str):
            for f in facts:
                rejected[f.name] = PhotoSolution(photo=f.name, status="rejected", reason=result)
            result = None
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
        raise _Unusable("its metadata give no focal length, and no calibration was given")
    here = Path()
    return _Photo(
        path=path,
        record=record,
        camera=camera,
        controls=tuple(c for c in controls if matches_photo(c.photo, path, controls_dir or here)),
        picks=tuple(p for p in picks if matches_photo(p.photo, path, picks_dir or here)),
    )


def _declination(record: PhotoRecord, site: Site) -> Declination | None:
    """Declination at the site on the photo's day; None where it has no date or lies outside the models' years."""
    if record.taken is None:
        return None
    when = record.taken.utc or record.taken.local
    if when is None:
        return None
    try:
        return declination(site.lat_deg, site.lon_deg, 0.0, when.date())
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
) -> PhotoFacts:
    picks = [p for p in photo.picks if p.antenna_id in by_id]
    if not picks:
        raise _Unusable("no pick names an antenna of this site in it")
    record, camera = photo.record, photo.camera
    standpoints = _standpoints(photo, frame)
    pitches, rolls = _tilts(photo)
    headings = _headings(photo, north)
    east_north = standpoints[0][0] if standpoints else None
    if east_north is None:
        if not headings:
            raise _Unusable("neither a position nor a heading: nothing says where the camera stood or looked")
        east_north, spread = _standpoint_from_size(photo, picks, antenna_facts, headings[0].value_rad)
        standpoints = ((east_north, spread, "standpoint guessed from the antenna's size"),)
    spread = min(s for _, s, _ in standpoints)
    pitch, pitch_sigma = _start_pitch(photo, picks, antenna_facts, east_north, spread, site, pitches)
    roll, roll_sigma = (rolls[0].value_rad, rolls[0].sigma_rad) if rolls else (0.0, HAND_HELD_ROLL_RAD)
    if not rolls:
        rolls = (Angle(value_rad=0.0, sigma_rad=HAND_HELD_ROLL_RAD, source="camera held level", label="hand-held roll"),)
    image = decode_gray(photo.path)
    boxes: dict[str, tuple[BoxMode, ...]] = {}
    for pick in picks:
        a = antenna_facts[pick.antenna_id]
        delta = np.append(a.east_north_m - east_north, a.up_m - CAMERA_HEIGHT_M[0])
        distance = float(np.linalg.norm(delta))
        flat = float(np.hypot(delta[0], delta[1]))
        along = np.hypot(spread, np.hypot(a.offset_sigma_m, site.position_u95_m / RADIUS_95))
        expectation = Expectation(
            camera=camera,
            pitch_rad=pitch,
            pitch_sigma_rad=pitch_sigma,
            roll_rad=roll,
            roll_sigma_rad=roll_sigma,
            distance_m=distance,
            ln_distance_sigma=float(np.hypot(along * flat, CAMERA_HEIGHT_M[1] * delta[2])) / distance**2
            + camera.f_relative_sigma,
            ln_size=a.ln_size,
            ln_size_sigma=a.ln_size_sigma,
            downtilt_rad=a.downtilt_rad,
            downtilt_sigma_rad=a.downtilt_sigma_rad,
            panel_roll_sigma_rad=a.roll_sigma_rad,
        )
        corners = None if pick.corners_px is None else np.array(pick.corners_px, float)
        seed = None if pick.seed_px is None else np.array(pick.seed_px, float)
        modes = measure_box(image, expectation, corners_px=corners, seed_px=seed)
        if modes:
            boxes[pick.antenna_id] = modes
    if not boxes:
        raise _Unusable("none of its picks could be fitted")
    landmarks, bearings = _sights(photo, frame)
    heading = headings[0].value_rad if headings else _heading_from_baseline(
        camera, pitch, roll, picks, antenna_facts, east_north
    )
    return PhotoFacts(
        name=name,
        camera=camera,
        start=np.array([heading, pitch, roll, *east_north, CAMERA_HEIGHT_M[0]]),
        headings=headings,
        pitches=pitches,
        rolls=rolls,
        standpoints=standpoints,
        up_m=CAMERA_HEIGHT_M[0],
        up_sigma_m=CAMERA_HEIGHT_M[1],
        boxes=boxes,
        landmarks=landmarks,
        bearings=bearings,
    )


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
        return np.array(pick.corners_px, float).mean(0)
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
    raise _Unusable("no position, and no corners picked that would tell the distance")


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
                x[network.layout.antenna(a.name, "azimuth")] = azimuth_of_mode(p, p.boxes[a.name][choice[p.name, a.name]])
                break
    return x


def _adjust(network: SiteNetwork) -> _Result | str:
    """Choose modes, adjust, leave out what contradicts the rest, and weigh the other modes. A string says why not."""
    choice = _first_choice(network)
    left_out: list[Observation] = []

    def run(c: Mapping[tuple[str, str], int], start: Array) -> tuple[tuple[Observation, ...], Adjusted]:
        obs = tuple(o for o in network.observations(c) if not any(_same_observation(o, l) for l in left_out))
        return obs, adjust(obs, start)

    try:
        obs, best = run(choice, _start(network, choice))
    except AdjustmentError as e:
        return f"the site's adjustment failed: {e}"

    def total(adjusted: Adjusted, c: Mapping[tuple[str, str], int]) -> float:
        return adjusted.cost + sum(_modes(network, k)[i].cost for k, i in c.items())

    for _ in range(4):
        w = np.array([abs(v) if o.testable else 0.0 for o, v in zip(obs, w_tests(obs, best), strict=True)])
        w = np.nan_to_num(w)
        worst = int(w.argmax())
        if w[worst] < W_CRITICAL:
            break
        suspect = obs[worst]
        left_out.append(suspect)
        try:
            obs, best = run(choice, best.x)
        except AdjustmentError:
            left_out.pop()
            break
    best_total = total(best, choice)
    trials: dict[str, list[tuple[float, float, float]]] = {}
    improved = True
    rounds = 0
    while improved and rounds < 3:
        improved, rounds = False, rounds + 1
        trials = {}
        for a in network.antennas:
            keys = [k for k in choice if k[1] == a.name]
            idx = network.layout.antenna(a.name, "azimuth")[0]
            options = list(itertools.product(*(range(len(_modes(network, k))) for k in keys)))[:24]
            current = tuple(choice[k] for k in keys)
            for option in options:
                if option == current:
                    continue
                extra = sum(_modes(network, k)[i].cost - _modes(network, k)[choice[k]].cost for k, i in zip(keys, option, strict=True))
                if extra > 25.0:
                    continue
                other = {**choice, **dict(zip(keys, option, strict=True))}
                start = best.x.copy()
                k0 = max(keys, key=lambda k: _modes(network, k)[0].width_px)
                photo = next(p for p in network.photos if p.name == k0[0])
                attitude = best.x[network.layout.photo(photo.name)[:3]]
                start[idx] = azimuth_of_mode(photo, _modes(network, k0)[other[k0]], attitude)
                try:
                    o2, adj2 = run(other, start)
                except AdjustmentError:
                    continue
                t2 = total(adj2, other)
                if t2 < best_total - 1e-6:
                    choice, obs, best, best_total, improved = other, o2, adj2, t2, True
                    current = option
                    trials = {}
                    break
                trials.setdefault(a.name, []).append((t2, float(adj2.x[idx]), float(np.sqrt(adj2.covariance[idx, idx]))))
            if improved:
                break
    branches: dict[str, tuple[_Branch, ...]] = {}
    for a in network.antennas:
        idx = network.layout.antenna(a.name, "azimuth")[0]
        merged: list[list[float]] = [[0.0, float(best.x[idx]), float(np.sqrt(best.covariance[idx, idx]))]]
        for t, az, sigma in sorted(trials.get(a.name, [])):
            near = next((m for m in merged if abs(wrap_rad(az - m[1])) < max(np.radians(1.0), 0.7 * (sigma + m[2]))), None)
            if near is None:
                merged.append([t - best_total, az, sigma])
        weight = np.exp(-0.5 * np.array([m[0] for m in merged]))
        weight /= weight.sum()
        branches[a.name] = tuple(_Branch(m[1], m[2], float(p)) for m, p in zip(merged, weight, strict=True))
    return _Result(network, best, obs, choice, tuple(left_out), branches)


def _modes(network: SiteNetwork, key: tuple[str, str]) -> tuple[BoxMode, ...]:
    return next(p for p in network.photos if p.name == key[0]).boxes[key[1]]


def _same_observation(a: Observation, b: Observation) -> bool:
    return a.label == b.label and a.source == b.source and len(a.index) == len(b.index) and bool((a.index == b.index).all())


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
            flags.append(f"left out, contradicts the rest: {o.label}")
    if record.heading is not None and record.heading.north == "unknown":
        flags.append("compass reference not said (true or magnetic): both allowed for")
    return PhotoSolution(
        photo=name,
        status="used",
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
        if (p.name, a) in result.choice and not any(o.label == f"outline of {a} in {p.name}" for o in result.left_out):
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
    if not evidence:
        return AntennaSolution(antenna_id=a, status="not_found", reasons=("its outline contradicts the rest",))
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
