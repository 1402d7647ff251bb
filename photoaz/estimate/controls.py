"""Controls become heading aids: landmarks, known bearings, the sun and the shadows it throws.

A new kind of control is one more function of MAKERS here, and one more class in network/heading_aids.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from photoaz.angles import Array, wrap_rad
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.sun import SunPosition, sun_position, sun_track
from photoaz.network.heading_aids import (
    AidObservation,
    HeadingAid,
    LandmarkPixel,
    PixelBearing,
    Shadow,
    SunPixel,
)
from photoaz.network.observations import Observation
from photoaz.photo.camera import Camera, directions_from_pixels, rotation_cam_from_enu
from photoaz.photo.record import PhotoRecord
from photoaz.quantities import (
    FARTHEST_LANDMARK_M,
    GROUND_SLOPE,
    K95,
    LANDMARK_GIVEN_UP_SIGMA_M,
    LANDMARK_UP_M,
    LANDMARK_UP_SIGMA_M,
    LEAN_RAD,
    RADIUS_95,
    REFRACTION_SIGMA,
    SHADOW_PICK_PX,
)
from photoaz.register.model import Control
from photoaz.vision.sun_view import NoSun, SunGuess, SunSpot

#: a shadow less sure than this tells nothing
SHADOW_LIMIT_RAD = float(np.radians(25.0))
#: an end of a shadow must lie at least so far below the horizon
LEAST_DEPRESSION_RAD = float(np.radians(1.0))
#: the sun below this elevation is neither seen nor throws a shadow
LEAST_ELEVATION_DEG = -0.3
LEAST_SHADOW_ELEVATION_DEG = 2.0
#: what the metadata may say of the time that makes it no moment at all, and that leaves it in doubt
NO_MOMENT = ("date-of-file",)
DOUBTED_MOMENT = ("gps-time-differs",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attitude:
    """Heading, pitch and roll before the adjustment and their standard uncertainties, (3,) radians.

    A heading that only a compass tells, or nothing, has a sigma of pi: a compass may be off by anything.
    """

    value_rad: Array
    sigma_rad: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class SunThen:
    """The sun at the photo's moment and place.

    sun: its position. rate (2,): change of azimuth times cos(elevation) and of elevation, radians per second, as seen.
    azimuth_rate: of azimuth itself. time_sigma_s: standard uncertainty of the moment.
    """

    sun: SunPosition
    rate: Array
    azimuth_rate: float
    time_sigma_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoContext:
    """What a photo's controls are understood by: its metadata and camera, the site's frame, the attitude so far.

    find_sun: looks for the sun in the photo, from where it should be; True: and elsewhere too. then: the sun at the
    photo's moment, or why that is not known.
    """

    record: PhotoRecord
    camera: Camera
    frame: EnuFrame
    attitude: Attitude
    find_sun: Callable[[SunGuess, bool], SunSpot | NoSun]
    then: SunThen | str


#: heading aids, and why something could not be used, in words
Made = tuple[tuple[HeadingAid, ...], tuple[str, ...]]
#: controls of a photo with their places, from 0, among all of it
Numbered = Sequence[tuple[int, Control]]


def heading_aids_of(
    controls: Sequence[Control],
    record: PhotoRecord,
    camera: Camera,
    frame: EnuFrame,
    attitude: Attitude,
    find_sun: Callable[[SunGuess, bool], SunSpot | NoSun],
) -> Made:
    """Landmarks, bearings, the sun and shadows of one photo, and why some could not be used.

    The sun is looked for by itself, with or without a control, where the photo's moment is known; what is not clearly
    the sun is not used. Without a control nothing is said of a sun that was not found.

    Parameters
    ----------
    controls : of this photo. frame : of the site, for places. find_sun : as of PhotoContext.
    """
    context = PhotoContext(
        record=record,
        camera=camera,
        frame=frame,
        attitude=attitude,
        find_sun=find_sun,
        then=sun_then(record, frame),
    )
    made = [make([(k, c) for k, c in enumerate(controls) if c.kind == kind], context) for kind, make in MAKERS.items()]
    return tuple(aid for aids, _ in made for aid in aids), tuple(note for _, notes in made for note in notes)


# ---------------------------------------------------------------------------------------------------------------------
# Landmarks and bearings


def _landmarks(controls: Numbered, context: PhotoContext) -> Made:
    """Landmarks, and why some are none: what cannot be seen from a tower's foot is a slip of the pen."""
    frame, out, notes = context.frame, [], []
    for k, c in controls:
        if c.pixel is None or c.lat_deg is None or c.lon_deg is None:
            continue
        known = c.height_m is not None
        up = c.height_m if c.height_m is not None else LANDMARK_UP_M
        name = c.name or f"landmark {k + 1}"
        far = _away_m(frame, c.lat_deg, c.lon_deg)
        if far > FARTHEST_LANDMARK_M:
            note = f"landmark {name} not used: as entered it lies {far / 1000:.0f} km from the site"
            if abs(c.lon_deg) <= 90.0 and (there := _away_m(frame, c.lon_deg, c.lat_deg)) <= FARTHEST_LANDMARK_M:
                note += f"; with latitude and longitude exchanged it would be {there / 1000:.1f} km"
            notes.append(note)
            continue
        out.append(
            LandmarkPixel(
                name=name,
                pixel=np.array(c.pixel, float),
                enu_m=frame.enu_from_geodetic(c.lat_deg, c.lon_deg, up),
                sigma_m=c.u95 / RADIUS_95,
                height_sigma_m=LANDMARK_GIVEN_UP_SIGMA_M if known else LANDMARK_UP_SIGMA_M,
            )
        )
    return tuple(out), tuple(notes)


def _away_m(frame: EnuFrame, lat_deg: float, lon_deg: float) -> float:
    return float(np.linalg.norm(frame.enu_from_geodetic(lat_deg, lon_deg, 0.0)))


def _bearings(controls: Numbered, _context: PhotoContext) -> Made:
    return tuple(
        PixelBearing(
            name=c.name or "bearing",
            pixel=np.array(c.pixel, float),
            azimuth_rad=float(np.radians(c.azimuth_true_deg)),
            sigma_rad=float(np.radians(c.u95 / K95)),
        )
        for _, c in controls
        if c.pixel is not None and c.azimuth_true_deg is not None
    ), ()


# ---------------------------------------------------------------------------------------------------------------------
# The moment


def trusted_moment(record: PhotoRecord) -> datetime | str:
    """The photo's moment in UTC, or why it is not known well enough for the sun."""
    if record.taken is None:
        return "the photo does not say when it was taken"
    if record.taken.utc is None:
        return "the photo's time has no time zone"
    codes = {f.code for f in record.findings}
    if codes & set(NO_MOMENT):
        return "the photo has only the time of the file's last change"
    return record.taken.utc


def sun_then(record: PhotoRecord, frame: EnuFrame) -> SunThen | str:
    """Where the sun stood when and where the photo was taken, or why that is not known.

    A photo without a position was taken near the site: a kilometre moves the sun by a hundredth of a degree.
    """
    utc = trusted_moment(record)
    if isinstance(utc, str):
        return utc
    assert record.taken is not None
    lat, lon, height = _place(record, frame)
    sun = sun_position(utc, lat, lon, height)
    step_s = 30.0
    t = utc.timestamp() + np.array([-step_s, step_s])
    azimuth, elevation, _ = sun_track(t, lat, lon, height)
    azimuth_rate = float(wrap_rad(np.radians(azimuth[1] - azimuth[0]))) / (2 * step_s)
    elevation_rate = float(np.radians(elevation[1] - elevation[0])) / (2 * step_s)
    return SunThen(
        sun=sun,
        rate=np.array([azimuth_rate * np.cos(np.radians(sun.elevation_deg)), elevation_rate]),
        azimuth_rate=azimuth_rate,
        time_sigma_s=record.taken.sigma_s,
    )


def _place(record: PhotoRecord, frame: EnuFrame) -> tuple[float, float, float]:
    height = record.altitude_m.value if record.altitude_m is not None else 0.0
    height = float(np.clip(height, -400.0, 8000.0))
    if record.position is not None:
        return record.position.lat_deg, record.position.lon_deg, height
    lat, lon, _ = frame.geodetic_from_enu(np.zeros(3))
    return float(lat), float(lon), height


# ---------------------------------------------------------------------------------------------------------------------
# The sun


def _suns(numbered: Numbered, context: PhotoContext) -> Made:
    """The sun as picked, or as found; at most one aid."""
    controls, then, camera = [c for _, c in numbered], context.then, context.camera
    if isinstance(then, str):
        return (), ((f"the sun could not be used: {then}",) if controls else ())
    if then.sun.elevation_deg < LEAST_ELEVATION_DEG:
        note = (
            "the sun could not be used: at the photo's time it stood "
            f"{-then.sun.elevation_deg:.0f} degrees below the horizon; the clock may be off"
        )
        return (), ((note,) if controls else ())
    picked = next((c for c in controls if c.pixel is not None), None)
    if picked is not None:
        pixel = np.array(picked.pixel, float)
        if not (-0.5 <= pixel[0] <= camera.width_px - 0.5 and -0.5 <= pixel[1] <= camera.height_px - 0.5):
            return (), ("the sun could not be used: its pixel lies outside the frame",)
        return (_sun_at(pixel, float(np.radians(picked.u95 / K95)), then),), ()
    doubted = {f.code for f in context.record.findings} & set(DOUBTED_MOMENT)
    if doubted and not controls:
        return (), ()
    guess = SunGuess(
        azimuth_rad=float(np.radians(then.sun.azimuth_deg)),
        elevation_rad=float(np.radians(then.sun.elevation_deg)),
        attitude_rad=context.attitude.value_rad,
        attitude_sigma_rad=_with_time(context.attitude, then),
    )
    found = context.find_sun(guess, bool(controls))
    if isinstance(found, NoSun):
        return (), (_no_sun(found, context) if controls else ())
    extra = float(np.radians(min(c.u95 for c in controls) / K95)) if controls else 0.0
    sigma = found.sigma_px / camera.f_px
    return (_sun_at(found.pixel, float(np.hypot(sigma, extra)), then),), ()


def _no_sun(found: NoSun, context: PhotoContext) -> tuple[str, ...]:
    """In words: why no sun was found, and which clock what was seen elsewhere would fit."""
    notes = [f"sun not found: {found.reason}"]
    if found.elsewhere is not None:
        x, y = found.elsewhere.pixel
        where = context.attitude.value_rad
        hint = clock_hint(context.record, context.frame, context.camera, found.elsewhere.pixel, where)
        notes.append(
            f"what looks like the sun at pixel {x:.0f}, {y:.0f} is not where the sun stood at the photo's "
            f"time{f'; it {hint}' if hint else ''}"
        )
    return tuple(notes)


def _with_time(attitude: Attitude, then: SunThen) -> Array:
    """The attitude's sigmas (3,), heading and pitch widened by what the clock leaves open of the sun's place."""
    out = attitude.sigma_rad.copy()
    out[0] = np.hypot(out[0], then.azimuth_rate * then.time_sigma_s)
    out[1] = np.hypot(out[1], then.rate[1] * then.time_sigma_s)
    return np.asarray(out)


def _sun_at(pixel: Array, sigma_rad: float, then: SunThen) -> SunPixel:
    """What the sun at a pixel tells.

    Its covariance is the pixel's (sigma_rad in every direction), the moment's (along the sun's path), and that of
    refraction (in elevation; Saemundsson's formula as Meeus, Astronomical Algorithms, ch. 16, gives its inverse by
    Bennett).
    """
    elevation = max(then.sun.elevation_deg, 0.0)
    refraction_deg = 1.0 / np.tan(np.radians(elevation + 7.31 / (elevation + 4.4))) / 60.0
    path = then.rate * then.time_sigma_s
    covariance = sigma_rad**2 * np.eye(2) + np.outer(path, path)
    covariance[1, 1] += np.radians(REFRACTION_SIGMA * refraction_deg) ** 2
    return SunPixel(
        pixel=pixel,
        azimuth_rad=float(np.radians(then.sun.azimuth_deg)),
        elevation_rad=float(np.radians(then.sun.elevation_deg)),
        covariance=covariance,
    )


# ---------------------------------------------------------------------------------------------------------------------
# Shadows


def _shadows(controls: Numbered, context: PhotoContext) -> Made:
    if isinstance(context.then, str):
        return (), ((f"its shadow could not be used: {context.then}",) if controls else ())
    out: list[Shadow] = []
    notes: list[str] = []
    for k, (_, c) in enumerate(controls, 1):
        if c.pixel is None or c.tip_px is None:
            continue
        name = f"shadow {c.name}" if c.name else "shadow" if len(controls) == 1 else f"shadow {k}"
        one = _shadow(name, np.array([c.pixel, c.tip_px], float), c.u95, context.then, context)
        if isinstance(one, str):
            notes.append(f"{name} could not be used: {one}")
        else:
            out.append(replace(one, name=f"{name} ({k})") if any(o.name == name for o in out) else one)
    return tuple(out), tuple(notes)


def _shadow(name: str, ends_px: Array, u95_deg: float, then: SunThen, context: PhotoContext) -> Shadow | str:
    """A shadow between two pixels (2, 2), or why it tells nothing."""
    if then.sun.elevation_deg < LEAST_SHADOW_ELEVATION_DEG:
        where = "below the horizon" if then.sun.elevation_deg < 0 else "too low for a shadow"
        return f"at the photo's time the sun stood {where}; the clock may be off"
    elevation = float(np.radians(then.sun.elevation_deg))
    spread = shadow_spread_rad(context.camera, context.attitude.value_rad, ends_px[0], ends_px[1], elevation)
    if spread is None:
        return "an end of it does not lie on the ground, below the horizon"
    # whoever says how far it may be off cannot make it better than its geometry is
    own = max(float(np.radians(u95_deg / K95)), spread)
    sigma = float(np.hypot(own, then.azimuth_rate * then.time_sigma_s))
    if sigma > SHADOW_LIMIT_RAD:
        return f"as it lies it tells its direction to {np.degrees(K95 * sigma):.0f} degrees only"
    return Shadow(
        name=name,
        foot_px=ends_px[0],
        tip_px=ends_px[1],
        azimuth_rad=float(wrap_rad(np.radians(then.sun.azimuth_deg) + np.pi)),
        sigma_rad=sigma,
    )


def shadow_spread_rad(
    camera: Camera, attitude_rad: Array, foot_px: Array, tip_px: Array, elevation_rad: float
) -> float | None:
    """Standard uncertainty [rad] of the direction of a shadow from its foot to its tip; None above the horizon.

    Three things turn it, with SHADOW_PICK_PX, GROUND_SLOPE and LEAN_RAD as their standard uncertainties:

    - the pixels of both ends, by differences;
    - ground that is not level. In plan the shadow of a plumb rod falls away from the sun on any ground: foot + t times
      the direction of light leaves the rod's own vertical plane nowhere. But the photo is read as if the ground were
      level at the foot's height. Where it rises by s along a shadow of length L, the tip lies s L higher, and its line
      of sight meets the level plane farther out by D s L / h, for a tip at the level distance D and h below the camera.
      Of that only the part across the shadow turns it, by s sin(psi) D / h = s sin(psi) cot(depression), psi being the
      angle in plan between shadow and line of sight. The shadow's length cancels, and so does the sun's elevation: a
      low camera that looks along grazing rays suffers, and a shadow seen end-on does not;
    - a rod that leans across the shadow by q puts the tip of one of height H off by H q, and as L = H / tan(e), the
      shadow turns by q tan(e): a high sun is worse.
    """
    cam_from_enu = rotation_cam_from_enu(*attitude_rad)

    def ground(px: Array) -> Array | None:
        d = directions_from_pixels(camera, px) @ cam_from_enu
        return None if d[2] > -np.sin(LEAST_DEPRESSION_RAD) else np.asarray(d[:2] / -d[2])

    a, b = ground(foot_px), ground(tip_px)
    if a is None or b is None:
        return None
    along = b - a
    bearing = np.arctan2(along[0], along[1])
    turn = 0.0
    for k in range(4):
        ends = np.stack([foot_px, tip_px])
        ends[k // 2, k % 2] += 0.5
        p, q = ground(ends[0]), ground(ends[1])
        if p is None or q is None:
            return None
        moved = wrap_rad(np.arctan2(*(q - p)) - bearing)
        turn += float(2.0 * SHADOW_PICK_PX * moved) ** 2
    out = float(np.hypot(*b))
    psi = bearing - np.arctan2(b[0], b[1])
    turn += float(GROUND_SLOPE * np.sin(psi) * out) ** 2  # with h = 1, D = out
    turn += float(LEAN_RAD * np.tan(elevation_rad)) ** 2
    return float(np.sqrt(turn))


#: what makes heading aids of a photo's controls of one kind, numbered among all of the photo's. The sun is looked for
#: without any control too
MAKERS: Mapping[str, Callable[[Numbered, PhotoContext], Made]] = {
    "landmark": _landmarks,
    "bearing": _bearings,
    "sun": _suns,
    "shadow": _shadows,
}


# ---------------------------------------------------------------------------------------------------------------------
# A clock that is off


def clock_remark(o: Observation, record: PhotoRecord, frame: EnuFrame, camera: Camera, photo: Array) -> str:
    """What to add where the sun or a shadow was left out, '' for anything else; photo (9,): the photo's unknowns."""
    aid = o.aid if isinstance(o, AidObservation) else None
    if isinstance(aid, SunPixel):
        pixel, tip = aid.pixel, None
    elif isinstance(aid, Shadow):
        pixel, tip = aid.foot_px, aid.tip_px
    else:
        return ""
    camera = replace(camera, f_px=camera.f_px * float(np.exp(photo[6])))
    hint = clock_hint(record, frame, camera, pixel - photo[7:9], photo[:3], None if tip is None else tip - photo[7:9])
    return f"; it {hint}" if hint else "; the photo's clock may be off"


def clock_hint(
    record: PhotoRecord,
    frame: EnuFrame,
    camera: Camera,
    pixel: Array,
    attitude_rad: Array,
    tip_px: Array | None = None,
    *,
    tolerance_rad: float = float(np.radians(2.5)),
) -> str | None:
    """Which whole or half hours' error of the clock the sun at a pixel (or a shadow, foot and tip) would fit.

    'fits a clock 1 h slow' where the true moment was an hour later than the photo says. None where none does, or where
    several do equally well. attitude_rad (3,): what all else says of it.
    """
    utc = trusted_moment(record)
    if isinstance(utc, str):
        return None
    lat, lon, height = _place(record, frame)
    hours = np.concatenate([np.arange(-14.0, 0.0, 0.5), np.arange(0.5, 14.5, 0.5)])
    azimuth, elevation, _ = sun_track(utc.timestamp() + 3600.0 * hours, lat, lon, height)
    az, el = np.radians(azimuth), np.radians(elevation)
    cam_from_enu = rotation_cam_from_enu(*attitude_rad)
    d = directions_from_pixels(camera, pixel) @ cam_from_enu
    if tip_px is None:
        seen = np.arctan2(d[0], d[1])
        off = np.hypot(wrap_rad(az - seen) * np.cos(el), el - np.arcsin(np.clip(d[2], -1, 1)))
    else:
        t = directions_from_pixels(camera, tip_px) @ cam_from_enu
        along = d[:2] * t[2] - t[:2] * d[2]
        off = np.abs(wrap_rad(az + np.pi - np.arctan2(along[0], along[1])))
    off = np.where(el > np.radians(LEAST_ELEVATION_DEG), off, np.inf)
    fits = np.flatnonzero(off < tolerance_rad)
    if not len(fits):
        return None
    # of neighbouring half hours near a low sun's slow path the whole hour is the likelier slip
    best = min(fits, key=lambda k: (round(float(off[k]) / tolerance_rad, 1), hours[k] % 1.0, abs(hours[k])))
    if any(abs(hours[k] - hours[best]) > 1.0 and off[k] < off[best] + 0.5 * tolerance_rad for k in fits):
        return None
    return f"fits a clock {abs(hours[best]):g} h {'slow' if hours[best] > 0 else 'fast'}"
