"""Wrapping, differences, means and spelling of angles. Azimuths run clockwise from true north."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, TypeVar, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]
_A = TypeVar("_A", float, Array)

#: standard uncertainty [rad] of an angle of which nothing is known: about as dense as flat within half a turn
UNKNOWN_RAD = 2.5
#: what a camera's compass is called as a source of headings, and in the error budget
COMPASS = "camera compass"


@dataclass(frozen=True, slots=True, kw_only=True)
class Angle:
    """A known angle [rad] with one standard uncertainty.

    source: what told it, as the error budget calls it. declination_sigma_rad: what the declination model's error, one
    of all of a site's compasses, adds to it: no part of sigma_rad, and 0 where no declination was added.
    placeholder_share: probability that nobody measured it, and it may be anything.
    """

    value_rad: float
    sigma_rad: float
    source: str
    label: str
    declination_sigma_rad: float = 0.0
    placeholder_share: float = 0.0

    def doubted(self, share: float, sigma_rad: float) -> tuple[float, float]:
        """How probably a compass is off by more than its own sigma, and by how much then [rad], one standard deviation.

        share, sigma_rad: the same of compasses that were read; one that was not is off by anything up to half a turn.
        """
        read, not_read = share * (1.0 - self.placeholder_share), self.placeholder_share
        total = read + not_read
        return total, math.sqrt((read * sigma_rad**2 + not_read * math.pi**2 / 3.0) / total)

    @property
    def is_compass(self) -> bool:
        """A camera's compass may be disturbed by any amount, and is then no word at all."""
        return self.source == COMPASS


def _wrapped(angle: Any, turn: float) -> Any:
    if isinstance(angle, float) and math.isfinite(angle):  # the same, ten times faster
        one = angle - turn * round(angle / turn)
        return float(one + turn if one <= -turn / 2 else one)
    x = np.asarray(angle)
    # Subtracting whole turns, instead of a modulo about half a turn, leaves an angle already in range untouched to the
    # last bit; rounding the real part only lets a complex step through.
    out = x - turn * np.rint(x.real / turn)
    low = out.real <= -turn / 2
    if low.any():
        out = np.where(low, out + turn, out)
    return out if out.ndim else out[()].item()


def _from_zero(angle: Any, turn: float) -> Any:
    out = np.mod(np.asarray(angle, dtype=float), turn)
    out = np.where(out >= turn, 0.0, out) + 0.0  # a tiny negative angle rounds up to a turn; + 0.0 drops a minus sign
    return out if out.ndim else float(out)


def wrap_deg(angle_deg: _A) -> _A:
    """Bring angles [deg], scalar or any shape, into (-180, 180]. NaN stays NaN."""
    wrapped: _A = _wrapped(angle_deg, 360.0)
    return wrapped


def wrap_rad(angle_rad: _A) -> _A:
    """Bring angles [rad], scalar or any shape, into (-pi, pi]. Complex input keeps its imaginary part."""
    wrapped: _A = _wrapped(angle_rad, 2.0 * math.pi)
    return wrapped


def azimuth_deg(angle_deg: _A) -> _A:
    """Bring angles [deg], scalar or any shape, into [0, 360). NaN stays NaN."""
    azimuth: _A = _from_zero(angle_deg, 360.0)
    return azimuth


def azimuth_rad(angle_rad: _A) -> _A:
    """Bring angles [rad], scalar or any shape, into [0, 2 pi). NaN stays NaN."""
    azimuth: _A = _from_zero(angle_rad, 2.0 * math.pi)
    return azimuth


@overload
def difference_deg(a_deg: float, b_deg: float) -> float: ...
@overload
def difference_deg(a_deg: Array, b_deg: float | Array) -> Array: ...
@overload
def difference_deg(a_deg: float, b_deg: Array) -> Array: ...
def difference_deg(a_deg: float | Array, b_deg: float | Array) -> float | Array:
    """a minus b [deg] the short way round, in (-180, 180]: positive where a lies clockwise of b."""
    wrapped: float | Array = _wrapped(np.subtract(a_deg, b_deg), 360.0)
    return wrapped


def circular_mean_deg(values_deg: ArrayLike) -> float:
    """Mean direction [deg] of angles in [0, 360): the direction of the sum of their unit vectors.

    Raises ValueError: no values, or directions that cancel, which have no mean.

    References: Mardia, Jupp: Directional Statistics (2000), section 2.2.
    """
    v = np.radians(np.asarray(values_deg, dtype=float).ravel())
    s, c = float(np.sum(np.sin(v))), float(np.sum(np.cos(v)))
    if not math.hypot(s, c) > 1e-9 * len(v):
        raise ValueError("these directions cancel (or there are none): they have no mean")
    return azimuth_deg(math.degrees(math.atan2(s, c)))


def u95_decimals(u95_deg: float | None) -> int:
    """Decimals worth printing beside an expanded uncertainty: two significant digits of it, at most three decimals.

    One where it is not known. JCGM 100:2008, 7.2.6.
    """
    if u95_deg is None or not math.isfinite(u95_deg) or u95_deg <= 0.0:
        return 1
    # 0.995 rounds to 1.0: two digits after rounding, not before
    return int(min(3, max(0, 1 - math.floor(math.log10(float(f"{u95_deg:.1e}"))))))


def format_u95_deg(u95_deg: float) -> str:
    """Spell an expanded uncertainty: '4.0°', '0.75°', with the decimals of `u95_decimals`."""
    return f"{u95_deg:.{u95_decimals(u95_deg)}f}°"


def format_azimuth_deg(value_deg: float, u95_deg: float | None = None) -> str:
    """Spell an azimuth: '124.6° ± 4.0°', '124.6°' without an uncertainty. 359.97 is '0.0°', never '360.0°'."""
    n = u95_decimals(u95_deg)
    text = f"{azimuth_deg(round(azimuth_deg(value_deg), n)):.{n}f}°"
    return text if u95_deg is None else f"{text} ± {format_u95_deg(u95_deg)}"


def format_angle_deg(value_deg: float, u95_deg: float | None = None) -> str:
    """Spell an angle that is no azimuth, to a tenth: '3.0° ± 0.4°', '3.0°' without an uncertainty."""
    text = f"{round(value_deg, 1) + 0.0:.1f}°"
    return text if u95_deg is None else f"{text} ± {u95_deg:.1f}°"


def format_difference_deg(value_deg: float, u95_deg: float | None = None) -> str:
    """Spell a signed angle, to a tenth: '+6.6°', '-0.4°', '0.0°', '+6.6° ± 2.0°'."""
    sign = "+" if round(value_deg, 1) > 0.0 else ""
    return sign + format_angle_deg(value_deg, u95_deg)


_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_PLAIN = re.compile(rf"([+-]?)\s*({_NUMBER})\s*(?:°|deg)?")
_SEXAGESIMAL = re.compile(
    rf"([+-]?)\s*(\d+)\s*(?:°|d|deg|:|\s)\s*({_NUMBER})\s*(?:'|m|:|\s|$)\s*(?:({_NUMBER})\s*(?:\"|''|s)?)?"
)


def parse_angle_deg(text: str, *, comma: bool = False) -> float:
    """Degrees from text: '-37.951', '37.951° S', '37°57\\'03.72"S', '37 57 3.72 S', '-37:57:3.72'.

    A trailing or leading N, E, S or W gives the sign (S and W negative) and then no other sign may stand. comma : a
    decimal comma is read as well, where it is the only one and there is no point.

    Raises ValueError: anything else, minutes or seconds of 60 and more, other decimal commas; says what was wrong.
    """
    if comma and "." not in text:
        text = re.sub(r"^([^,]*\d),(\d[^,]*)$", r"\1.\2", text)
    t = text.strip().replace("′", "'").replace("″", '"').replace("’", "'").replace("”", '"').replace("º", "°")
    t = t.replace("\N{MINUS SIGN}", "-")
    # Capitals only, and units in small letters only: '3s' are seconds, '3 S' is south
    hemisphere = re.fullmatch(r"([NESW])\s*(.*)|(.*?)\s*([NESW])", t, re.DOTALL)
    sign = 1.0
    if hemisphere:
        letter = hemisphere[1] or hemisphere[4]
        t = (hemisphere[2] if hemisphere[1] else hemisphere[3]).strip()
        if t[:1] in "+-":
            raise ValueError("a sign together with a hemisphere letter")
        sign = -1.0 if letter in "SW" else 1.0
    if plain := _PLAIN.fullmatch(t):
        return sign * float(plain[1] + plain[2])
    if not (parts := _SEXAGESIMAL.fullmatch(t)):
        raise ValueError("a decimal comma" if re.fullmatch(r"[+-]?\d+,\d+\D*", t) else "not an angle")
    minutes, seconds = float(parts[3]), float(parts[4] or 0.0)
    if minutes >= 60.0 or seconds >= 60.0 or (parts[4] and "." in parts[3]):
        raise ValueError("minutes or seconds out of range")
    value = float(parts[2]) + minutes / 60.0 + seconds / 3600.0
    return sign * (-value if parts[1] == "-" else value)


#: no two coordinates take more letters
_LONGEST = 100
#: where one coordinate may end and the next begin
_BETWEEN = re.compile(r"\s*[;,]\s*|\s+|(?<=[NESW\"'°″′”’º])(?=\S)")


def parse_place_deg(text: str) -> tuple[float, float]:
    """Latitude and longitude [deg] from what people type and maps copy.

    '49.155460, 14.2', '49,155460 14,2', '49°09\'19.7"N 14°12\'00"E', 'geo:49.15546,14.2' (RFC 5870). The latitude
    stands first, unless letters of hemispheres tell.

    Raises ValueError: text that is no such pair, or may be read in several ways; says what was wrong.
    """
    t = re.sub(r"^geo:([^;]*)(;.*)?$", r"\1", text.strip(), flags=re.IGNORECASE).strip("()[] \t")
    if not t:
        raise ValueError("nothing: wanted a latitude and a longitude")
    pairs: dict[tuple[float, float], bool] = {}
    exchanged = False
    for gap in _BETWEEN.finditer(t[:_LONGEST]):
        halves = t[: gap.start()], t[gap.end() :]
        first, second = map(_coordinate, halves)
        east = [bool(re.search("[EW]", half)) for half in halves]
        if first is None or second is None or all(east) or all(re.search("[NS]", half) for half in halves):
            continue
        lat, lon = (second, first) if east[0] or re.search("[NS]", halves[1]) else (first, second)
        exchanged = exchanged or (90.0 < abs(lat) <= 180.0 and abs(lon) <= 90.0)
        if abs(lat) <= 90.0 and abs(lon) <= 180.0:
            # who writes one in degrees and minutes writes both so: that parts '49 9 14 12'
            numbers = {len(re.findall(r"[\d.]+", half.replace(",", "."))) for half in halves}
            pairs[lat, lon] = pairs.get((lat, lon), False) or len(numbers) == 1
    likely = [pair for pair, alike in pairs.items() if alike] or list(pairs)
    if len(likely) == 1 and not re.fullmatch(r"[+-]?\d+,\d+", t):
        return likely[0]
    if likely:
        raise ValueError(f"'{t}' may be read in two ways or more: write it as 49.15546, 14.20000")
    if exchanged:
        raise ValueError("a latitude beyond 90 degrees: are latitude and longitude exchanged?")
    if (alone := _coordinate(t)) is not None:
        raise ValueError(f"one coordinate only ({alone:g}): wanted a latitude and a longitude")
    raise ValueError("not a latitude and a longitude, such as 49.15546, 14.20000")


def _coordinate(text: str) -> float | None:
    try:
        return parse_angle_deg(text, comma=True)
    except ValueError:
        return None
