"""Where the camera stood, and how well that is known."""

from __future__ import annotations

import math
import re

from photoaz.photo.reader import Reader, number_in_text
from photoaz.photo.record import GeoPosition, Measured

#: Position without any statement of its error (Merry & Bettinger 2019: 7 to 13 m radial in town).
POSITION_SIGMA_M = 8.0
#: Range error that a dilution of precision multiplies.
RANGE_ERROR_M = 5.0
#: The standard leaves GPSHPositioningError's confidence open. Taken as the 68.3 % radius of a circular normal
#: distribution, sigma sqrt(-2 ln(1 - 0.683)) = 1.515 sigma.
RADIUS_68_PER_SIGMA = 1.515
MIN_POSITION_SIGMA_M = 1.0
ALTITUDE_SIGMA_M = 15.0
#: The distance at which a position's error is turned into degrees for the reader.
ASSUMED_DISTANCE_M = 50.0


def read_position(reader: Reader) -> GeoPosition | None:
    """Where the photo was taken and how well that is known; None where the tags give no position, and why is said."""
    has = [reader.has("GPS", tag) for tag in (2, 4)]
    if not any(has):
        reader.say(
            "position-missing",
            "weak",
            "GPSLatitude",
            "The photo does not say where it was taken; the standpoint must come from elsewhere.",
        )
        return None
    if not all(has):
        lacking = "GPSLatitude" if not has[0] else "GPSLongitude"
        reader.say("position-half-missing", "unusable", lacking, f"{lacking} is missing: half a position is none.")
        return None
    lat = _coordinate(reader, 2, 1, "GPSLatitude", "NS", 90.0)
    lon = _coordinate(reader, 4, 3, "GPSLongitude", "EW", 180.0)
    if lat is None or lon is None:
        return None
    if lat[0] == 0.0 and lon[0] == 0.0:
        reader.say(
            "position-zero", "unusable", "GPSLatitude", "Latitude and longitude are both exactly zero: a placeholder."
        )
        return None
    sigma, source = _position_sigma(reader)
    coarse = max(lat[1], lon[1])
    if coarse > 0.0:
        sigma = math.hypot(sigma, coarse)
        source += ", coordinates without seconds"
    cost = _bearing_cost_deg(sigma)
    reader.say(
        "position-accuracy",
        "info" if cost <= 3.0 else "weak",
        "GPSHPositioningError",
        f"The position is good to {sigma:.1f} m (1 sigma: {source}), which turns the direction of a tower "
        f"{ASSUMED_DISTANCE_M:.0f} m away.",
        cost,
    )
    return GeoPosition(lat_deg=lat[0], lon_deg=lon[0], sigma_m=sigma, source=source)


def _bearing_cost_deg(sigma_m: float) -> float:
    return math.degrees(math.atan(sigma_m / ASSUMED_DISTANCE_M))


def _coordinate(
    reader: Reader, tag: int, ref_tag: int, name: str, letters: str, limit: float
) -> tuple[float, float] | None:
    """Signed degrees and the sigma [m] that missing seconds add."""
    value = reader.tags[("GPS", tag)]
    if isinstance(value, str):
        parts = _coordinate_text(value)
        if parts is None:
            reader.say("position-not-a-number", "unusable", name, f"{name} holds the text '{value[:40]}'.")
            return None
        reader.say("position-as-text", "weak", name, f"{name} is written as text ('{value[:40]}'); it was understood.")
        value = parts
    parts = tuple(value[:3])
    if not math.isfinite(parts[0]):
        reader.say(
            "position-not-a-number", "unusable", name, f"{name} holds no number (fractions with denominator zero)."
        )
        return None
    coarse = 0.0
    if len(parts) > 1 and not math.isfinite(parts[1]):
        if parts[0] == int(parts[0]):
            reader.say("position-not-a-number", "unusable", name, f"{name} has whole degrees but no minutes.")
            return None
        parts = parts[:1]
    if len(parts) > 2 and not math.isfinite(parts[2]):
        if parts[1] == int(parts[1]):
            coarse = 1852.0 / math.sqrt(12.0)
            reader.say(
                "position-seconds-missing", "weak", name, f"{name} has whole minutes but no seconds: good to 0.5 km."
            )
        parts = parts[:2]
    if any(p < 0.0 for p in parts[1:]) or any(p >= 60.0 + 1e-9 for p in parts[1:]):
        reader.say("position-out-of-range", "unusable", name, f"{name} has minutes or seconds outside 0 to 60.")
        return None
    degrees = abs(parts[0]) + sum(p / 60.0 ** (i + 1) for i, p in enumerate(parts[1:]))
    if degrees > limit:
        reader.say(
            "position-out-of-range", "unusable", name, f"{name} is {degrees:.6g} degrees; {limit:g} is the most."
        )
        return None
    ref = (reader.text("GPS", ref_tag) or "").upper()[:1]
    if ref not in tuple(letters):
        reader.say(
            "position-hemisphere-missing",
            "unusable",
            f"{name}Ref",
            f"{name}Ref does not say which hemisphere ({letters[0]} or {letters[1]}): the position could be either.",
        )
        return None
    if parts[0] < 0.0 and ref == letters[0]:
        reader.say(
            "position-sign-contradicts",
            "unusable",
            name,
            f"{name} is negative although {name}Ref says {ref}: the position could be either.",
        )
        return None
    return (-degrees if ref == letters[1] else degrees), coarse


def _position_sigma(reader: Reader) -> tuple[float, str]:
    sigma, source = _stated_sigma(reader)
    method = (reader.text("GPS", 0x001B) or "").upper()
    for word, least, said in (
        ("CELLID", 1000.0, "cell tower location"),
        ("WLAN", 50.0, "wireless network location"),
        ("NETWORK", 50.0, "network location"),
    ):
        if word in method and sigma < least:
            reader.say(
                "position-coarse",
                "weak",
                "GPSProcessingMethod",
                f"The position comes from {said}, not from satellites.",
            )
            sigma, source = least, said
            break
    if (reader.text("GPS", 0x0009) or "").upper() == "V":
        reader.say(
            "position-void",
            "weak",
            "GPSStatus",
            "The receiver had no valid fix when the photo was taken: the position may be an old one.",
        )
        sigma, source = max(sigma, 50.0), f"{source}, fix not valid"
    datum = reader.text("GPS", 0x0012)
    if datum and re.sub(r"[^A-Z0-9]", "", datum.upper()) not in ("WGS84", "WGS1984", "EPSG4326", "WGS"):
        reader.say(
            "datum-not-wgs84",
            "weak",
            "GPSMapDatum",
            f"The position is on the datum '{datum}', not WGS84; it can be hundreds of metres off.",
        )
        sigma, source = math.hypot(sigma, 200.0), f"{source}, datum {datum}"
    return sigma, source


def _stated_sigma(reader: Reader) -> tuple[float, str]:
    error = reader.number("GPS", 0x001F, "GPSHPositioningError", "position-error")
    if error is not None:
        if 0.0 < error <= 1e5:
            return max(error / RADIUS_68_PER_SIGMA, MIN_POSITION_SIGMA_M), "GPSHPositioningError"
        reader.say(
            "position-error-out-of-range",
            "unusable",
            "GPSHPositioningError",
            f"GPSHPositioningError is {error:g} m, which cannot be; it is not used.",
        )
    dop = reader.number("GPS", 0x000B, "GPSDOP", "dop")
    if dop is not None:
        if 0.0 < dop <= 100.0:
            # PDOP holds the vertical too; of the three axes' variance about half is vertical
            axes = 4.0 if reader.text("GPS", 0x000A) == "3" else 2.0
            return max(dop * RANGE_ERROR_M / math.sqrt(axes), MIN_POSITION_SIGMA_M), "GPSDOP"
        reader.say("dop-out-of-range", "unusable", "GPSDOP", f"GPSDOP is {dop:g}, which cannot be; it is not used.")
    return POSITION_SIGMA_M, "assumed, the photo does not say"


def read_altitude(reader: Reader) -> Measured | None:
    """Altitude [m] of the camera with its standard uncertainty; None where there is none to believe."""
    value = reader.number("GPS", 0x0006, "GPSAltitude", "altitude")
    if value is None:
        return None
    if not -500.0 <= value <= 20_000.0:
        reader.say("altitude-out-of-range", "unusable", "GPSAltitude", f"GPSAltitude is {value:g} m; it is not used.")
        return None
    ref = reader.tags.get(("GPS", 0x0005))
    code: float | None = None
    if isinstance(ref, str):
        code = number_in_text(ref)
    elif ref and math.isfinite(ref[0]):
        code = ref[0]
    if code in (1.0, 3.0):
        value = -abs(value)
    elif code not in (0.0, 2.0):
        reader.say(
            "altitude-ref-missing",
            "info",
            "GPSAltitudeRef",
            "The altitude does not say whether it is above or below sea level; above is assumed.",
        )
    datum = "above the ellipsoid" if code in (2.0, 3.0) else "above sea level"
    return Measured(value=value, sigma=ALTITUDE_SIGMA_M, source=f"GPSAltitude, {datum} as the phone works it out")


def _coordinate_text(text: str) -> tuple[float, ...] | None:
    """Degrees, minutes, seconds from text; decimal commas, as in '52,00000,50,00000,34,01180', are understood."""
    numbers = re.findall(r"\d+", text)
    if re.fullmatch(r"\s*\d+,\d+(?:\s*,\s*\d+,\d+){1,2}\s*", text) and len(numbers) in (4, 6):
        return tuple(float(f"{a}.{b}") for a, b in zip(numbers[::2], numbers[1::2], strict=True))
    parts = re.fullmatch(r"\s*(\d+(?:\.\d+)?)(?:[\s,;°/:]+(\d+(?:\.\d+)?))?(?:[\s,;'/:]+(\d+(?:\.\d+)?))?[\s\"]*", text)
    return tuple(float(p) for p in parts.groups() if p is not None) if parts else None
