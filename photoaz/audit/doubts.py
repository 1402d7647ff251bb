"""What speaks against trusting a photo by itself: later changes, clocks and a sun that cannot be right.

Pure functions over what was read of it. Nothing here proves a forgery: every flag says what was found.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from importlib import resources
from typing import Literal

import numpy as np

from photoaz.audit.prints import PhotoPrint
from photoaz.photo.moment import FIRST_YEAR, LAST_YEAR, spell_duration, spell_zone
from photoaz.photo.record import PhotoRecord

Severity = Literal["info", "weak", "serious"]

#: the correlation of a camera's own preview with its picture is 0.95 and more; below this they differ (no source)
PREVIEW_ALIKE = 0.75
#: a file written so much later than it was taken was changed; phones need some seconds to finish
CHANGED_S = 120.0
#: satellite time and clock agree to this, as in photo/moment.py
CLOCK_S = 120.0
#: zones in use: UTC-12 to UTC+14 (IANA time zone database); they stray from the sun's time by up to so much
ZONES_S = (-12 * 3600.0, 14 * 3600.0)
ZONE_STRAYS_H = 3.6
#: GPS counts weeks modulo 1024 (IS-GPS-200, 20.3.3.3.1.1); old receivers go back by that much
ROLLOVER_S = 1024 * 7 * 86400.0
_DATA = tomllib.loads((resources.files("photoaz.audit") / "doubts.toml").read_text(encoding="utf-8"))
#: when each version of Exif was published
EXIF_PUBLISHED: Mapping[str, date] = _DATA["exif"]
#: cameras were sold with a new version so long before it was published
EXIF_EARLY = timedelta(days=365)
#: deep twilight and full daylight, elevation of the sun [deg]; exposure values at ISO 100 that there cannot be outdoors
#: then. Floodlit stadiums reach EV 9, an overcast day at a sun of 10 degrees has 10 (exposure guide ANSI PH2.7-1986,
#: from memory)
NIGHT_DEG, DAY_DEG = -12.0, 10.0
NIGHT_MOST_EV, DAY_LEAST_EV = 11.0, 4.0
#: mean levels of 255 of a picture that shows something, and of one that is not simply overexposed
SHOWS_LEVEL, OVEREXPOSED_LEVEL = 50.0, 140.0
#: what programs that change pictures call themselves, small letters
EDITORS: tuple[str, ...] = tuple(_DATA["software"]["editors"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """Something about a photo that an auditor should know.

    code is stable (snake_case); severity 'info', 'weak' (look at it) or 'serious' (do not rely on it unseen).
    """

    code: str
    message: str
    severity: Severity


def photo_flags(
    record: PhotoRecord, seen: PhotoPrint | None = None, *, written: datetime | None = None, now: datetime | None = None
) -> tuple[Flag, ...]:
    """All flags of one photo by itself.

    seen : None where the picture was not looked at. written : when the file was last written, UTC. now : for dates in
    the future; both None where they are not to be judged.
    """
    preview, level = (None, None) if seen is None else (seen.preview, seen.level)
    flags = [*edited_flags(record, preview), *time_flags(record, written=written, now=now)]
    sun = sun_flag(record, level)
    return tuple(flags if sun is None else [*flags, sun])


# ---- changed after it was taken --------------------------------------------------------------------------------------


def edited_flags(record: PhotoRecord, preview: float | None = None) -> list[Flag]:
    """Signs that the picture is not as the camera made it; preview as in PhotoPrint. One flag, naming all signs."""
    told = record.provenance
    signs: list[str] = []
    names = [name for name in dict.fromkeys((record.software, *told.tools)) if name]
    programs = [name for name in names if any(editor in name.lower() for editor in EDITORS)]
    if programs:
        signs.append(f"it was saved by {' and '.join(programs)}")
    if told.original is not None and told.modified is not None:
        later = (told.modified - told.original).total_seconds()
        # another zone's clock shows whole quarter hours
        by_zone = later <= 26 * 3600.0 and abs(later - _whole_quarters(later)) <= 5.0
        if later > CHANGED_S and not by_zone:
            signs.append(f"the file was changed {spell_duration(later)} after it was taken")
    if record.cropped:
        signs.append("it is not as large as the camera noted, and in other proportions: cut")
    elif told.noted_px is not None and _is_resized(record, told.noted_px):
        width, height = told.noted_px
        signs.append(f"it has {record.width_px} x {record.height_px} pixels, the camera noted {width} x {height}")
    other = preview is not None and preview < PREVIEW_ALIKE
    if other:
        signs.append("the preview in the file shows something else than the picture")
    if not signs:
        return []
    message = f"changed after it was taken: {'; '.join(signs)}"
    return [Flag(code="edited", message=message, severity="serious" if other else "weak")]


def _is_resized(record: PhotoRecord, noted_px: tuple[int, int]) -> bool:
    now, then = sorted((record.width_px, record.height_px)), sorted(noted_px)
    # encoders fill up to whole blocks of 16 pixels
    return min(then) >= 1 and any(abs(a - b) > 16 for a, b in zip(now, then, strict=True))


# ---- times -----------------------------------------------------------------------------------------------------------


def time_flags(record: PhotoRecord, *, written: datetime | None = None, now: datetime | None = None) -> list[Flag]:
    """Times of one photo that contradict each other or what is known: 'times_contradict', 'clock', 'zone_guessed'.

    written, now: as in `photo_flags`; they must carry their zone.
    """
    told = record.provenance
    original = told.original
    flags: list[Flag] = []

    def contradict(message: str, severity: Severity = "weak") -> None:
        flags.append(Flag(code="times_contradict", message=message, severity=severity))

    if original is not None and not FIRST_YEAR <= original.year <= LAST_YEAR:
        flags.append(_clock(f"the clock was not set: it says {original.year}"))
        original = None
    if original is None:
        return flags
    if told.modified is not None and (before := (original - told.modified).total_seconds()) > 60.0:
        contradict(f"by its own dates it was changed {spell_duration(before)} before it was taken")
    if told.digitized is not None and (apart := abs((original - told.digitized).total_seconds())) > 86400.0:
        contradict(f"it was made a file {spell_duration(apart)} from when it was taken: scanned or rewritten", "info")
    local = original.replace(tzinfo=UTC)
    zones = ZONES_S if told.zone_s is None else (told.zone_s, told.zone_s)
    latest, earliest = (local - timedelta(seconds=zone) for zone in zones)
    if now is not None and earliest > now + timedelta(minutes=10):
        contradict(f"it was taken in the future, {earliest:%Y-%m-%d}", "serious")
    if written is not None and earliest > written + timedelta(hours=14):
        contradict(f"the file was last written on {written:%Y-%m-%d}, before it was taken ({earliest:%Y-%m-%d})")
    exif = told.exif_version or ""
    published = EXIF_PUBLISHED.get(exif)
    if published is not None and latest.date() < published - EXIF_EARLY:
        version = f"{int(exif[:2])}.{exif[2:].rstrip('0') or '0'}"
        contradict(
            f"it is dated {latest:%Y-%m-%d}, but the camera writes Exif {version}, which was published in "
            f"{published:%Y}: no such camera existed",
            "serious",
        )
    if told.gps_utc is not None:
        sun_h = None if record.position is None else record.position.lon_deg / 15.0
        apart = (local - told.gps_utc).total_seconds()
        flags += _clock_flags(apart, told.zone_s, sun_h)
    return flags


def _clock_flags(apart_s: float, zone_s: float | None, sun_h: float | None) -> list[Flag]:
    """The camera's clock against the satellites', and the zone that follows.

    apart_s: local time less satellite time. zone_s: the zone stated. sun_h: the sun's time at the place less UTC.
    """
    fast = apart_s - (zone_s or 0.0)
    rolled = round(fast / ROLLOVER_S)
    if rolled and abs(fast - rolled * ROLLOVER_S) < 2 * 86400.0:
        said = f"the satellite date is {1024 * abs(rolled)} weeks off, a fault of old receivers"
        return [_clock(f"{said}; the clock's date is taken", "info")]
    if zone_s is not None:
        return [] if abs(fast) <= CLOCK_S else [_wrong_clock(fast, zone_known=True)]
    zone = _whole_quarters(apart_s)
    if ZONES_S[0] <= zone <= ZONES_S[1] and abs(apart_s - zone) <= CLOCK_S:
        strays = 0.0 if sun_h is None else (zone / 3600.0 - sun_h + 12.0) % 24.0 - 12.0
        if abs(strays) > ZONE_STRAYS_H:
            how = f"about {abs(strays):.0f} h {'fast' if strays > 0 else 'slow'}"
            said = f"clock and satellite time would fit the zone {spell_zone(zone)}, which is not used at its place"
            return [_clock(f"{said}: the clock is {how}, or set to another zone")]
        message = f"the time zone {spell_zone(zone)} was guessed from the satellite time"
        return [Flag(code="zone_guessed", message=message, severity="info")]
    # no zone: off by at least what is left of the nearest full hour that its place allows, else by what the sun's says
    hour = round(apart_s / 3600.0)
    used = ZONES_S[0] <= hour * 3600.0 <= ZONES_S[1]
    allowed = used if sun_h is None else used and abs(hour - sun_h) <= ZONE_STRAYS_H
    guess = hour if allowed else round(sun_h or 0.0)
    return [_wrong_clock(apart_s - guess * 3600.0, zone_known=False)]


def _wrong_clock(fast_s: float, *, zone_known: bool) -> Flag:
    """fast_s: clock minus satellite time."""
    size, how = spell_duration(abs(fast_s)), "fast" if fast_s > 0 else "slow"
    quarters = _whole_quarters(fast_s)
    if zone_known and 0 < abs(quarters) <= 26 * 3600.0 and abs(fast_s - quarters) <= CLOCK_S:
        wrong = spell_duration(abs(quarters))
        return _clock(f"its time zone is wrong by {wrong}, by satellite time (or the clock is {how})")
    rough = "" if zone_known else "at least " if abs(fast_s) < 3600.0 else "about "
    if 0.0 < fast_s <= 86400.0:
        return _clock(f"the clock is {rough}{size} fast by satellite time, or the position is that old")
    # a fix cannot be younger than the photo
    severity: Severity = "serious" if abs(fast_s) > 3600.0 else "weak"
    return _clock(f"the clock is {rough}{size} {how} by satellite time", severity)


def _clock(message: str, severity: Severity = "weak") -> Flag:
    return Flag(code="clock", message=message, severity=severity)


def _whole_quarters(seconds: float) -> float:
    """The nearest whole quarters of an hour: zones differ by those."""
    return round(seconds / 900.0) * 900.0


# ---- the sun ---------------------------------------------------------------------------------------------------------


def exposure_value(record: PhotoRecord) -> float | None:
    """The exposure at ISO 100, log2(N^2 / t) - log2(ISO / 100) (ISO 2720); None where the file does not say it."""
    told = record.provenance
    if told.f_number is None or told.exposure_s is None or told.iso is None:
        return None
    return math.log2(told.f_number**2 / told.exposure_s) - math.log2(told.iso / 100.0)


def sun_flag(record: PhotoRecord, level: float | None) -> Flag | None:
    """A picture far too bright for the sun at its time and place, or far too dark; level: as in PhotoPrint.

    A picture's brightness alone says nothing: cameras expose for it. The exposure with it does.
    """
    value, moments = exposure_value(record), _possible_moments(record)
    if value is None or level is None or record.position is None or not moments or record.provenance.flash_fired:
        return None
    bright = value >= NIGHT_MOST_EV and level >= SHOWS_LEVEL
    dark = value <= DAY_LEAST_EV and level <= OVEREXPOSED_LEVEL
    if not (bright or dark):
        return None
    from photoaz.geodesy.sun import sun_track

    unix_s = np.array([m.timestamp() for m in moments])
    place = record.position
    elevation = sun_track(unix_s, place.lat_deg, place.lon_deg)[1]
    wrong = float(elevation.max()) < NIGHT_DEG if bright else float(elevation.min()) > DAY_DEG
    if not wrong:
        return None
    hours = np.arange(-12.0, 12.5, 0.5)
    middle = float(unix_s.mean())
    other = sun_track(middle + 3600.0 * hours, place.lat_deg, place.lon_deg)[1]
    fits = np.abs(hours[other > 0.0 if bright else other < -6.0])
    at = float(elevation[len(elevation) // 2])
    stood = f"the sun stood {abs(at):.0f} deg {'below' if at < 0 else 'above'} the horizon"
    shows = "was taken in daylight" if bright else "is as dark as night"
    hint = f": its clock or zone is at least {float(fits.min()):g} h off, or its position is wrong" if len(fits) else ""
    message = f"at its time and place {stood}, yet the picture {shows} (exposure value {value:.0f}){hint}"
    return Flag(code="sun_contradicts", message=message, severity="serious" if bright else "weak")


def _possible_moments(record: PhotoRecord) -> list[datetime]:
    """The photo's moment, or without a zone those of all zones that its longitude allows."""
    told = record.provenance
    if told.original is None or not FIRST_YEAR <= told.original.year <= LAST_YEAR or record.position is None:
        return []
    local = told.original.replace(tzinfo=UTC)
    if told.zone_s is not None:
        return [local - timedelta(seconds=told.zone_s)]
    if record.taken is not None and record.taken.utc is not None and record.taken.local is not None:
        return [record.taken.utc]
    mean = record.position.lon_deg / 15.0
    steps = np.linspace(mean - ZONE_STRAYS_H, mean + ZONE_STRAYS_H, 15)
    return [local - timedelta(hours=float(h)) for h in steps]
