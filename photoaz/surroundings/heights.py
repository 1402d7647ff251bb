"""How high a map's buildings are: what it says in words of its own, and what is assumed where it does not."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np

from photoaz import quantities as q
from photoaz.angles import Array

#: where a height comes from
GIVEN, STOREYS, ASSUMED = 0, 1, 2

_UNITS = {"": 1.0, "m": 1.0, "meter": 1.0, "meters": 1.0, "metre": 1.0, "metres": 1.0}
_UNITS |= dict.fromkeys(("ft", "foot", "feet", "'"), 0.3048)
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_LENGTH = re.compile(rf"\s*{_NUMBER}\s*([a-z']*)\s*", re.IGNORECASE)
_FEET_INCHES = re.compile(rf"\s*(\d+)\s*'\s*{_NUMBER}\s*\"\s*")
_HIGHEST_M = 1000.0
WANTED = "a height such as 12.5, '12.5 m' or '41 ft', or storeys such as 4"


def metres(value: Any) -> float | None:
    """A length [m] given as a number of metres, or as text with a unit (m, ft, feet and inches); None if it is none."""
    if isinstance(value, str):
        return _metres_of(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


@lru_cache(maxsize=4096)  # maps say the same few heights again and again
def _metres_of(text: str) -> float | None:
    if both := _FEET_INCHES.fullmatch(text):
        return 0.3048 * (int(both[1]) + float(both[2].replace(",", ".")) / 12.0)
    found = _LENGTH.fullmatch(text)
    if found is None or found[2].lower() not in _UNITS:
        return None
    return float(found[1].replace(",", ".")) * _UNITS[found[2].lower()]


def stated_height(properties: Mapping[str, Any]) -> tuple[float, int] | str:
    """A building's height [m] above its ground, NaN where nobody says it, and where it is from.

    By the keys `height_m`, `height` (less `roof:height`: the eaves') and `building:levels`, in this order. What is
    wrong, as text, where a value is no height.
    """
    for key in ("height_m", "height"):
        value = properties.get(key)
        if value is None or value == "":
            continue
        height = metres(value)
        if height is None or not 0.0 <= height <= _HIGHEST_M:
            return f"{key}: {value!r}"
        if key == "height" and (rise := stated_rise(properties)) is not None and rise < height:
            height -= rise
        return height, GIVEN
    value = properties.get("building:levels")
    if value is None or value == "":
        return math.nan, ASSUMED
    storeys = metres(value)
    if storeys is None or not 0.0 <= storeys * q.STOREY_M <= _HIGHEST_M:
        return f"building:levels: {value!r}"
    return max(storeys, 1.0) * q.STOREY_M, STOREYS


def stated_rise(properties: Mapping[str, Any]) -> float | None:
    """How far [m] a roof rises above the eaves, by `roof:height`, or 0 by `roof:shape: flat`; None if nobody says."""
    rise = metres(properties["roof:height"]) if "roof:height" in properties else None
    if rise is not None and 0.0 <= rise <= 50.0:
        return rise
    return 0.0 if properties.get("roof:shape") == "flat" else None


def eaves_and_ridges(
    height_m: Array, origin: Array, rise_m: Array, area_m2: Array, width_m: Array
) -> tuple[Array, Array, Array]:
    """Eaves, their sigma, and what a roof may rise above them, each (n,) [m].

    height_m : as stated, NaN where it is not; origin : (n,) GIVEN, STOREYS or ASSUMED. rise_m : as stated, NaN where it
    is not. area_m2, width_m : the footprint's area and narrow side.
    """
    classes = np.searchsorted([c[0] for c in q.EAVES_BY_FOOTPRINT_M], area_m2)
    table = np.array(q.EAVES_BY_FOOTPRINT_M)
    eaves = np.where(origin == ASSUMED, table[classes, 1], height_m)
    sigma = np.select(
        [origin == GIVEN, origin == STOREYS],
        [
            np.hypot(q.MAP_HEIGHT_SIGMA_M, q.MAP_HEIGHT_SHARE * eaves),
            np.hypot(q.STOREYS_SIGMA_M, q.STOREYS_SHARE * eaves),
        ],
        table[classes, 2],
    )
    pitched = (width_m <= q.PITCHED_WIDTH_M) & (eaves <= q.PITCHED_EAVES_M) & (width_m > 0.0)
    rise = np.where(np.isnan(rise_m), np.where(pitched, q.ROOF_RISE_SHARE * width_m, 0.0), rise_m)
    return eaves, sigma, rise
