"""Which way the camera looked and how it was held: compass heading, pitch and roll."""

from __future__ import annotations

import math
from collections.abc import Mapping

from PIL.ExifTags import GPS, Base

from photoaz import quantities as q
from photoaz.photo.exif import maker_note, read_tags
from photoaz.photo.reader import Reader, number_in_text
from photoaz.photo.record import CompassHeading, Measured, North

#: The elevation at which a roll's error is turned into degrees.
ASSUMED_ELEVATION_DEG = 45.0
#: Header of the one maker note that carries a gravity vector; then a version, the byte order and a directory.
_GRAVITY_NOTE = b"Apple iOS\x00"
_GRAVITY_TAG = 0x0008
#: Exif directions of the stored picture's rows and columns, as (right, down) of the picture as shown in terms of
#: (right, down) of the picture as stored: shown_right = (a, b), shown_down = (c, d).
_SHOWN_AXES: Mapping[int, tuple[tuple[int, int], tuple[int, int]]] = {
    1: ((1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    6: ((0, -1), (1, 0)),
    8: ((0, 1), (-1, 0)),
}


def read_heading(reader: Reader, pose: Mapping[str, str]) -> CompassHeading | None:
    """Heading of the camera from Exif, else from a panorama's pose.

    None where there is none to believe; why is said to `reader`.
    """
    value = reader.number(GPS.GPSImgDirection, "heading", 0.0, 360.0, " deg")
    if value is not None:
        return _judged_heading(reader, value, reader.text(GPS.GPSImgDirectionRef) or "", "GPSImgDirection")
    value = _pose_angle(reader, pose, "PoseHeadingDegrees", 0.0, 360.0, "heading")
    if value is not None:
        return _judged_heading(reader, value, "", "PoseHeadingDegrees")
    reader.say("heading-missing")
    if reader.value(GPS.GPSDestBearing) is not None:
        reader.say("bearing-to-destination")
    return None


def _judged_heading(reader: Reader, value: float, letter: str, name: str) -> CompassHeading:
    """A heading in [0, 360] with what is odd about it said. XMP's has no reference at all (letter '')."""
    placeholder = 0.0
    if value == 360.0:
        reader.say("heading-is-360", tag=name)
        value = 0.0
    elif value == 0.0:
        placeholder = q.ZERO_HEADING_SHARE
        reader.say("heading-zero", tag=name)
    known: dict[str, North] = {"T": "true", "M": "magnetic"}
    north = known.get(letter.upper(), "unknown")
    if north == "unknown":
        reader.say("heading-ref-missing")
    heading = CompassHeading(
        value_deg=value, north=north, sigma_deg=q.HEADING_SIGMA_DEG, source=name, placeholder_share=placeholder
    )
    reader.say("heading-compass", tag=name, cost_deg=heading.spread_deg)
    return heading


def read_tilt(
    reader: Reader, exif: bytes, orientation: int, pose: Mapping[str, str]
) -> tuple[Measured | None, Measured | None]:
    """Pitch and roll [deg] from elevation angle, gravity or pose, in this order; None where none is to be believed.

    Disagreement between them is said to `reader`.
    """
    if reader.value(Base.Acceleration) is not None:
        reader.say("acceleration-scalar")
    gravity_pitch, gravity_roll = _gravity_tilt(reader, exif, orientation)
    elevation = reader.number(Base.CameraElevationAngle, "elevation", -90.0, 90.0, " deg")
    pitches = [
        _measured(elevation, q.ELEVATION_SIGMA_DEG, "CameraElevationAngle"),
        gravity_pitch,
        _measured(_pose_angle(reader, pose, "PosePitchDegrees", -90.0, 90.0), q.POSE_SIGMA_DEG, "XMP PosePitchDegrees"),
    ]
    rolls = [
        gravity_roll,
        _measured(_pose_angle(reader, pose, "PoseRollDegrees", -180.0, 180.0), q.POSE_SIGMA_DEG, "XMP PoseRollDegrees"),
    ]
    pitch = next((p for p in pitches if p is not None), None)
    roll = next((r for r in rolls if r is not None), None)
    for other in pitches:
        if pitch and other and abs(other.value - pitch.value) > 4.0 * math.hypot(other.sigma, pitch.sigma):
            reader.say("pitch-contradicts", first=pitch, other=other)
            pitch = Measured(value=pitch.value, sigma=abs(other.value - pitch.value), source=pitch.source)
    if pitch is None:
        reader.say("pitch-missing")
    if roll is None:
        cost = q.HELD_LEVEL_SIGMA_DEG * math.tan(math.radians(ASSUMED_ELEVATION_DEG))
        reader.say("roll-missing", cost_deg=cost, elevation_deg=ASSUMED_ELEVATION_DEG)
    return pitch, roll


def _measured(value: float | None, sigma: float, source: str) -> Measured | None:
    return None if value is None else Measured(value=value, sigma=sigma, source=source)


def _pose_angle(
    reader: Reader, pose: Mapping[str, str], name: str, low: float, high: float, code: str = "pose"
) -> float | None:
    if name not in pose:
        return None
    value = number_in_text(pose[name])
    if value is None or not low <= value <= high:
        reader.say("pose-out-of-range", code=f"{code}-out-of-range", tag=name, text=pose[name][:20], low=low, high=high)
        return None
    return value


def gravity_vector(note: bytes) -> tuple[float, float, float] | None:
    """The gravity vector [g] of a maker note that carries one; None where it is missing or cut off.

    Axes of the device held upright: x right, y up, z towards the one who holds it. Offsets in this note count from
    the note's own first byte.
    """
    if not note.startswith(_GRAVITY_NOTE):
        return None
    order = note[12:14] if note[12:14] in (b"II", b"MM") else b"MM"
    little = order == b"II"
    header = order + (42).to_bytes(2, "little" if little else "big") + (14).to_bytes(4, "little" if little else "big")
    # a block of its own: the same length of header in place of the note's first bytes, so that all offsets stay right
    value = read_tags(header + note[8:])[0].get(("Image", _GRAVITY_TAG))
    if value is None or isinstance(value, str) or len(value) != 3:
        return None
    return value[0], value[1], value[2]


def tilt_from_gravity(gravity: tuple[float, float, float], orientation: int) -> tuple[float, float | None] | None:
    """Pitch and roll [deg] of the rear camera from the gravity vector in device axes.

    The rear camera looks along -z, so sin(pitch) = g_z / |g|. The sensor's rows run along -y and its columns along -x
    (a device turned with its upper end to the left stores upright pictures), and Exif's orientation turns those into
    the picture as shown: roll = atan2(g . right, g . down). Roll is None within 11 degrees of straight up or down.
    None for mirrored orientations, whose axes are not known.
    """
    if orientation not in _SHOWN_AXES:
        return None
    x, y, z = gravity
    norm = math.sqrt(x * x + y * y + z * z)
    stored = (-y / norm, -x / norm)  # along the stored picture's right and down
    right, down = (a * stored[0] + b * stored[1] for a, b in _SHOWN_AXES[orientation])
    pitch = math.degrees(math.asin(max(-1.0, min(1.0, z / norm))))
    if math.hypot(right, down) < 0.2:
        return pitch, None
    return pitch, math.degrees(math.atan2(right, down))


def _gravity_tilt(reader: Reader, exif: bytes, orientation: int) -> tuple[Measured | None, Measured | None]:
    gravity = gravity_vector(maker_note(exif)) if _GRAVITY_NOTE in exif else None
    if gravity is None:
        return None, None
    norm = math.hypot(*gravity)
    tilt = tilt_from_gravity(gravity, orientation) if norm > 0.0 else None
    wrong = None
    if not math.isfinite(norm):
        wrong = "damaged"
    elif abs(norm - 1.0) >= 0.05:
        wrong = "not-1g"
    elif "front" in (reader.text(Base.LensModel) or "").lower():
        wrong = "front-camera"
    elif tilt is None:
        wrong = "mirrored"
    if wrong is not None or tilt is None:
        reader.say(f"acceleration-{wrong}", norm=norm)
        return None, None
    pitch = _measured(tilt[0], q.ACCELERATION_PITCH_SIGMA_DEG, "acceleration in the maker note")
    if tilt[1] is None:
        reader.say("roll-undefined")
        return pitch, None
    if abs(tilt[1]) > 45.0:
        reader.say("roll-contradicts-orientation", roll=tilt[1])
        return pitch, None
    sigma = q.ACCELERATION_ROLL_SIGMA_DEG / math.cos(math.radians(tilt[0]))
    return pitch, _measured(tilt[1], sigma, "acceleration in the maker note")
