"""Where the camera stood, and how well that is known."""

from __future__ import annotations

import math
import re
from typing import Any

from PIL.ExifTags import GPS

from photoaz import quantities as q
from photoaz.photo.exif import first_number
from photoaz.photo.reader import Reader, number_in_text
from photoaz.photo.record import GeoPosition, Measured

#: The distance at which a position's error is turned into degrees for the reader.
ASSUMED_DISTANCE_M = 50.0
#: The least error or dilution of precision that is believed, metres or none
LEAST_STATED = 1e-3


def read_position(reader: Reader) -> GeoPosition | None:
    """Where the photo was taken and how well that is known; None where the tags give no position, and why is said."""
    has = [reader.value(tag) is not None for tag in (GPS.GPSLatitude, GPS.GPSLongitude)]
    if not any(has):
        reader.say("position-missing")
        return None
    if not all(has):
        lacking = "GPSLongitude" if has[0] else "GPSLatitude"
        reader.say("position-half-missing", tag=lacking)
        return None
    lat = _coordinate(reader, GPS.GPSLatitude, GPS.GPSLatitudeRef, "NS", 90.0)
    lon = _coordinate(reader, GPS.GPSLongitude, GPS.GPSLongitudeRef, "EW", 180.0)
    if lat is None or lon is None:
        return None
    if lat[0] == 0.0 and lon[0] == 0.0:
        reader.say("position-zero")
        return None
    sigma, source = _position_sigma(reader)
    coarse = max(lat[1], lon[1])
    if coarse > 0.0:
        sigma = math.hypot(sigma, coarse)
        source += ", coordinates without seconds"
    cost = position_cost_deg(sigma)
    reader.say(
        "position-accuracy",
        distance_m=ASSUMED_DISTANCE_M,
        severity="info" if cost <= 3.0 else "weak",
        cost_deg=cost,
        sigma=sigma,
        source=source,
    )
    return GeoPosition(lat_deg=lat[0], lon_deg=lon[0], sigma_m=sigma, source=source)


def position_cost_deg(sigma_m: float) -> float:
    """What a position's error does to the direction of a tower ASSUMED_DISTANCE_M away, degrees."""
    return math.degrees(math.atan(sigma_m / ASSUMED_DISTANCE_M))


def _coordinate(reader: Reader, tag: GPS, ref_tag: GPS, letters: str, limit: float) -> tuple[float, float] | None:
    """Signed degrees and the sigma [m] that missing seconds add."""
    name = tag.name
    value = reader.value(tag)

    def refuse(why: str, **told: Any) -> tuple[float, float] | None:
        reader.say(f"position-{why}", tag=name, **told)
        return None

    if isinstance(value, str):
        parts = _coordinate_text(value)
        if parts is None:
            return refuse("text-unreadable", text=value[:40])
        reader.say("position-as-text", tag=name, text=value[:40])
    else:
        parts = (value or (math.nan,))[:3]
    if not math.isfinite(parts[0]):
        return refuse("not-a-number")
    coarse = 0.0
    if len(parts) > 1 and not math.isfinite(parts[1]):
        if parts[0] == int(parts[0]):
            return refuse("minutes-missing")
        parts = parts[:1]
    if len(parts) > 2 and not math.isfinite(parts[2]):
        if parts[1] == int(parts[1]):
            coarse = 1852.0 / math.sqrt(12.0)
            reader.say("position-seconds-missing", tag=name)
        parts = parts[:2]
    if any(not 0.0 <= p < 60.0 + 1e-9 for p in parts[1:]):
        return refuse("out-of-range")
    degrees = abs(parts[0]) + sum(p / 60.0 ** (i + 1) for i, p in enumerate(parts[1:]))
    if degrees > limit:
        return refuse("too-far", degrees=degrees, limit=limit)
    ref = (reader.text(ref_tag) or "").upper()[:1]
    if ref not in tuple(letters):
        return refuse("hemisphere-missing", first=letters[0], second=letters[1])
    if parts[0] < 0.0 and ref == letters[0]:
        return refuse("sign-contradicts", ref=ref)
    return (-degrees if ref == letters[1] else degrees), coarse


def _position_sigma(reader: Reader) -> tuple[float, str]:
    sigma, source = _stated_sigma(reader)
    method = (reader.text(GPS.GPSProcessingMethod) or "").upper()
    for word, least, means in (
        ("CELLID", 1000.0, "cell tower location"),
        ("WLAN", 50.0, "wireless network location"),
        ("NETWORK", 50.0, "network location"),
    ):
        if word in method and sigma < least:
            reader.say("position-coarse", means=means)
            sigma, source = least, means
            break
    if (reader.text(GPS.GPSStatus) or "").upper() == "V":
        reader.say("position-void")
        sigma, source = max(sigma, 50.0), f"{source}, fix not valid"
    datum = reader.text(GPS.GPSMapDatum)
    if datum and re.sub(r"[^A-Z0-9]", "", datum.upper()) not in ("WGS84", "WGS1984", "EPSG4326", "WGS"):
        reader.say("datum-not-wgs84", datum=datum)
        sigma, source = math.hypot(sigma, 200.0), f"{source}, datum {datum}"
    return sigma, source


def _stated_sigma(reader: Reader) -> tuple[float, str]:
    error = reader.number(GPS.GPSHPositioningError, "position-error", LEAST_STATED, 1e5, " m")
    if error is not None:
        return max(error / q.RADIUS_68_PER_SIGMA, q.MIN_POSITION_SIGMA_M), "GPSHPositioningError"
    # the standard has a dilution, whose kind the measurement mode tells (Exif 2.32, tags 0x000A and 0x000B); PDOP holds
    # the vertical too, and of the three axes' variance about half is vertical
    axes = {"2": 2.0, "3": 4.0}.get(reader.text(GPS.GPSMeasureMode) or "")
    dop = reader.number(GPS.GPSDOP, "dop", LEAST_STATED, 1e5 if axes is None else 100.0)
    if dop is not None and axes is not None:
        return max(dop * q.RANGE_ERROR_M / math.sqrt(axes), q.MIN_POSITION_SIGMA_M), "GPSDOP"
    if dop is not None:
        reader.say("dop-in-metres", dop=dop)
        return max(dop / q.RADIUS_68_PER_SIGMA, q.RANGE_ERROR_M), "GPSDOP, read as metres"
    return q.POSITION_SIGMA_M, "assumed, the photo does not say"


def read_altitude(reader: Reader) -> Measured | None:
    """Altitude [m] of the camera with its standard uncertainty; None where there is none to believe."""
    value = reader.number(GPS.GPSAltitude, "altitude", -500.0, 20_000.0, " m")
    if value is None:
        return None
    ref = reader.value(GPS.GPSAltitudeRef)
    code = number_in_text(ref) if isinstance(ref, str) else first_number(ref)
    if code in (1.0, 3.0):
        value = -abs(value)
    elif code not in (0.0, 2.0):
        reader.say("altitude-ref-missing")
    # 2 and 3 are of the sea level for sure; 0 and 1 were so by name until Exif 3.0 gave them to the ellipsoid (from
    # memory), and phones wrote either
    if code in (2.0, 3.0):
        return Measured(value=value, sigma=q.ALTITUDE_SIGMA_M, source="GPSAltitude, above sea level")
    datum = "above sea level or the ellipsoid"
    sigma = math.hypot(q.ALTITUDE_SIGMA_M, q.GEOID_SIGMA_M * math.sqrt(0.5))
    return Measured(value=value, sigma=sigma, source=f"GPSAltitude, {datum}: the file does not tell which")


def _coordinate_text(text: str) -> tuple[float, ...] | None:
    """Degrees, minutes, seconds from text; decimal commas, as in '52,00000,50,00000,34,01180', are understood."""
    numbers = re.findall(r"\d+", text)
    if re.fullmatch(r"\s*\d+,\d+(?:\s*,\s*\d+,\d+){1,2}\s*", text) and len(numbers) in (4, 6):
        return tuple(float(f"{a}.{b}") for a, b in zip(numbers[::2], numbers[1::2], strict=True))
    parts = re.fullmatch(r"\s*(\d+(?:\.\d+)?)(?:[\s,;°/:]+(\d+(?:\.\d+)?))?(?:[\s,;'/:]+(\d+(?:\.\d+)?))?[\s\"]*", text)
    return tuple(float(p) for p in parts.groups() if p is not None) if parts else None
