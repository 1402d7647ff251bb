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
    said = (
        "The photo has no usable compass heading: its direction must come from the tower's position, a landmark, the "
        "sun or other photos."
    )
    reader.say("heading-missing", "weak", "GPSImgDirection", said)
    if reader.value(GPS.GPSDestBearing) is not None:
        said = "GPSDestBearing is there, but it is the bearing to a destination, not where the camera looks; not used."
        reader.say("bearing-to-destination", "info", "GPSDestBearing", said)
    return None


def _judged_heading(reader: Reader, value: float, letter: str, name: str) -> CompassHeading:
    """A heading in [0, 360] with what is odd about it said. XMP's has no reference at all (letter '')."""
    placeholder = 0.0
    if value == 360.0:
        reader.say("heading-is-360", "info", name, f"{name} is 360, which the standard does not allow; read as 0.")
        value = 0.0
    elif value == 0.0:
        placeholder = q.ZERO_HEADING_SHARE
        said = (
            f"{name} is exactly zero, which is more often a placeholder than north: it is believed as far as other "
            "photos, the sun or landmarks bear it out."
        )
        reader.say("heading-zero", "weak", name, said)
    known: dict[str, North] = {"T": "true", "M": "magnetic"}
    north = known.get(letter.upper(), "unknown")
    if north == "unknown":
        said = (
            "The heading does not say whether it counts from true or magnetic north; both are tried, and the "
            "difference between them (the declination) is added to its uncertainty."
        )
        reader.say("heading-ref-missing", "weak", "GPSImgDirectionRef", said)
    said = "The heading is a compass's: often out of calibration, and worse beside steel."
    heading = CompassHeading(
        value_deg=value, north=north, sigma_deg=q.HEADING_SIGMA_DEG, source=name, placeholder_share=placeholder
    )
    reader.say("heading-compass", "weak", name, said, heading.spread_deg)
    return heading


def read_tilt(
    reader: Reader, exif: bytes, orientation: int, pose: Mapping[str, str]
) -> tuple[Measured | None, Measured | None]:
    """Pitch and roll [deg] from elevation angle, gravity or pose, in this order; None where none is to be believed.

    Disagreement between them is said to `reader`.
    """
    if reader.value(Base.Acceleration) is not None:
        said = "Acceleration is a single number and tells no direction; it is not used."
        reader.say("acceleration-scalar", "info", "Acceleration", said)
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
            said = (
                f"The pitch is {pitch.value:.1f} degrees by {pitch.source} but {other.value:.1f} by {other.source}; "
                "the first is used, with room for the second."
            )
            reader.say("pitch-contradicts", "weak", "CameraElevationAngle", said)
            pitch = Measured(value=pitch.value, sigma=abs(other.value - pitch.value), source=pitch.source)
    if pitch is None:
        said = "The photo does not say how far up the camera looked; it follows from the tower's height in the picture."
        reader.say("pitch-missing", "info", "CameraElevationAngle", said)
    if roll is None:
        cost = q.HELD_LEVEL_SIGMA_DEG * math.tan(math.radians(ASSUMED_ELEVATION_DEG))
        said = (
            "The photo does not say how level the camera was held; verticals in the picture must tell. (Costed as held "
            f"level by eye and looking up {ASSUMED_ELEVATION_DEG:.0f} degrees.)"
        )
        reader.say("roll-missing", "info", "roll", said, cost)
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
        said = f"{name} is '{pose[name][:20]}', not an angle from {low:g} to {high:g}; it is not used."
        reader.say(f"{code}-out-of-range", "unusable", name, said)
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
    name = "AccelerationVector"
    gravity = gravity_vector(maker_note(exif)) if _GRAVITY_NOTE in exif else None
    if gravity is None:
        return None, None
    norm = math.hypot(*gravity)
    tilt = tilt_from_gravity(gravity, orientation) if norm > 0.0 else None
    wrong = None
    if not math.isfinite(norm):
        wrong = ("damaged", "The maker note's acceleration holds fractions with denominator zero")
    elif abs(norm - 1.0) >= 0.05:
        wrong = ("not-1g", f"The acceleration is {norm:.2f} g, not 1 g: the phone was moving")
    elif "front" in (reader.text(Base.LensModel) or "").lower():
        wrong = ("front-camera", "Taken with the front camera")
    elif tilt is None:
        wrong = ("mirrored", "The picture is mirrored, which leaves open how the camera was held")
    if wrong or tilt is None:
        code, said = wrong or ("", "")
        reader.say(f"acceleration-{code}", "unusable", name, f"{said}; pitch and roll are not used.")
        return None, None
    pitch = _measured(tilt[0], q.ACCELERATION_PITCH_SIGMA_DEG, "acceleration in the maker note")
    if tilt[1] is None:
        reader.say("roll-undefined", "info", name, "The camera looked so steeply that its roll has no meaning.")
        return pitch, None
    if abs(tilt[1]) > 45.0:
        said = (
            f"By its acceleration the camera was rolled {tilt[1]:.0f} degrees against the picture as shown: the "
            "picture was turned later, or the phone mistook which way is up. The roll is not used."
        )
        reader.say("roll-contradicts-orientation", "unusable", name, said)
        return pitch, None
    sigma = q.ACCELERATION_ROLL_SIGMA_DEG / math.cos(math.radians(tilt[0]))
    return pitch, _measured(tilt[1], sigma, "acceleration in the maker note")
