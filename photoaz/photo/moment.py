"""When the photo was taken, in local time and in UTC, and what else its file tells of how it came to be."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta

from PIL.ExifTags import GPS, Base

from photoaz.photo.exif import first_number
from photoaz.photo.reader import Reader
from photoaz.photo.record import Provenance, TakenAt

#: Of photos by a digital camera; later ones are of a clock that was not set
FIRST_YEAR, LAST_YEAR = 1995, 2100
#: Dates in the order of trust, with the tag of each one's offset from UTC
_DATES = (
    (Base.DateTimeOriginal, Base.OffsetTimeOriginal),
    (Base.DateTimeDigitized, Base.OffsetTimeDigitized),
    (Base.DateTime, Base.OffsetTime),
)


def read_taken(reader: Reader) -> TakenAt | None:
    """When the photo was taken, local and UTC as far as the tags tell; None where no date is to be believed."""
    local, source, zone = _local_time(reader)
    gps = gps_time(reader)
    if local is None and gps is None:
        reader.say("date-missing")
        return None
    if local is None:
        reader.say("date-from-gps")
        return TakenAt(local=None, utc=gps, sigma_s=60.0, source="GPSDateStamp")
    if zone is not None:
        utc = _shift(local, -zone)
        apart = abs((utc - gps).total_seconds()) if gps is not None and utc is not None else math.inf
        if 120.0 < apart < math.inf:
            reader.say("gps-time-differs", apart=spell_duration(apart))
        sigma_s = 2.0 if apart <= 10.0 else 30.0
        return TakenAt(local=local, utc=utc, sigma_s=sigma_s, source=f"{source} with its offset from UTC")
    if gps is not None:
        return _zone_by_gps(reader, local, gps, source)
    reader.say("zone-unknown", tag=source)
    return TakenAt(local=local, utc=None, sigma_s=30.0, source=f"{source}, time zone unknown")


def _local_time(reader: Reader) -> tuple[datetime | None, str, float | None]:
    """The first date to be believed, its tag's name, and the seconds east of UTC that are stated with it."""
    for tag, offset in _DATES:
        text = reader.text(tag)
        if text is None or not text.strip(" :0"):
            continue
        local = date_time(text)
        if local is None:
            reader.say("date-unreadable", tag=tag.name, text=text[:30])
        elif not FIRST_YEAR <= local.year <= LAST_YEAR:
            reader.say("date-implausible", tag=tag.name, year=local.year)
        else:
            if tag == Base.DateTime:
                reader.say("date-of-file", tag=tag.name)
            stated = reader.text(offset)
            zone = zone_seconds(stated)
            if zone is None and stated:
                zone = zone_seconds(reader.text(Base.OffsetTimeOriginal))
            return local, tag.name, zone
    return None, "", None


def _zone_by_gps(reader: Reader, local: datetime, gps: datetime, source: str) -> TakenAt:
    """The zone is the multiple of a quarter of an hour that is nearest to local minus satellite time."""
    apart = (local - gps.replace(tzinfo=None)).total_seconds()
    zone = round(apart / 900.0) * 900.0
    left = abs(apart - zone)
    if abs(zone) <= 14 * 3600 and left <= 120.0:
        reader.say("zone-from-gps", zone=spell_zone(zone))
        utc = _shift(local, -zone)
        return TakenAt(local=local, utc=utc, sigma_s=max(2.0, left), source=f"{source}, zone by satellite time")
    reader.say("gps-time-no-zone", apart=spell_duration(abs(apart)))
    return TakenAt(local=local, utc=gps, sigma_s=600.0, source="GPSDateStamp")


def gps_time(reader: Reader) -> datetime | None:
    """The moment of the satellite fix; None, and said, where it cannot be read."""
    date, time = reader.text(GPS.GPSDateStamp), reader.value(GPS.GPSTimeStamp)
    if not date or time is None:
        return None
    if isinstance(time, str):
        time = tuple(float(t) for t in re.findall(r"\d+(?:\.\d+)?", time)[:3])
    try:
        match = re.fullmatch(r"(\d{4})\D(\d{1,2})\D(\d{1,2})", date)
        if match is None:
            raise ValueError
        start = datetime(int(match[1]), int(match[2]), int(match[3]), tzinfo=UTC)
        hours, minutes, seconds = time
        if (
            not (0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds < 61)
            or not FIRST_YEAR <= start.year <= LAST_YEAR
        ):
            raise ValueError
        return start + timedelta(hours=hours, minutes=minutes, seconds=seconds)
    except (ValueError, OverflowError):
        reader.say("gps-time-unreadable")
        return None


def date_time(text: str) -> datetime | None:
    """The moment that an Exif date spells, without a zone; None where it spells none."""
    match = re.match(r"(\d{4})[:\-/.](\d{1,2})[:\-/.](\d{1,2})[ T](\d{1,2}):(\d{1,2})(?::(\d{1,2}))?", text)
    if match is None:
        return None
    try:
        return datetime(*(int(part or 0) for part in match.groups()))  # type: ignore[arg-type]
    except ValueError:
        return None


def zone_seconds(text: str | None) -> float | None:
    """Seconds east of UTC of '+HH:MM'; None where blank or not that."""
    match = re.fullmatch(r"([+\-−])(\d{2}):?(\d{2})", text.strip()) if text else None
    if match is None:
        return 0.0 if text is not None and text.strip() == "Z" else None
    seconds = int(match[2]) * 3600.0 + int(match[3]) * 60.0
    if seconds > 14 * 3600 or int(match[3]) >= 60:
        return None
    return seconds if match[1] == "+" else -seconds


def _shift(local: datetime, seconds: float) -> datetime | None:
    try:
        return (local + timedelta(seconds=seconds)).replace(tzinfo=UTC)
    except OverflowError:
        return None


def spell_zone(seconds: float) -> str:
    """'UTC+05:45', of seconds ahead."""
    minutes = round(abs(seconds) / 60.0)
    return f"UTC{'-' if seconds < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def spell_duration(seconds: float) -> str:
    """'45 seconds', '37 minutes', '5 hours', '12 days', '3.2 years'."""
    for limit, unit, name in ((180.0, 1.0, "seconds"), (10_800.0, 60.0, "minutes"), (259_200.0, 3600.0, "hours")):
        if seconds < limit:
            return f"{seconds / unit:.0f} {name}"
    days = seconds / 86400.0
    return f"{days:.0f} days" if days < 730.0 else f"{days / 365.25:.1f} years"


def read_provenance(reader: Reader, noted: tuple[int, int] | None, tools: tuple[str, ...]) -> Provenance:
    """What the tags hold of how the photo came to be. Nothing is judged or said here: audits do that."""
    quiet = Reader(reader.tags)
    original, digitized, modified = (date_time(quiet.text(tag) or "") for tag, _ in _DATES)
    numbers = [first_number(quiet.value(tag)) for tag in (Base.ExposureTime, Base.FNumber, Base.ISOSpeedRatings)]
    exposure, f_number, iso = (n if n is not None and n > 0.0 else None for n in numbers)
    flash = first_number(quiet.value(Base.Flash))
    digits = quiet.text(Base.SubsecTimeOriginal) or ""
    version = quiet.text(Base.ExifVersion) or ""
    return Provenance(
        original=original,
        digitized=digitized,
        modified=modified,
        gps_utc=gps_time(quiet),
        zone_s=zone_seconds(quiet.text(Base.OffsetTimeOriginal)),
        subsecond_s=float(f"0.{digits}") if digits.isascii() and digits.isdigit() else 0.0,
        exposure_s=exposure,
        f_number=f_number,
        iso=iso,
        flash_fired=None if flash is None else bool(int(flash) & 1),
        noted_px=noted,
        exif_version=version if len(version) == 4 and version.isascii() and version.isdigit() else None,
        serial=quiet.text(Base.BodySerialNumber),
        tools=tools,
        tags=len(quiet.tags),
    )
