"""When the photo was taken, in local time and in UTC."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta

from photoaz.photo.reader import Reader
from photoaz.photo.record import TakenAt


def read_taken(reader: Reader) -> TakenAt | None:
    """When the photo was taken, local and UTC as far as the tags tell; None where no date is to be believed."""
    local, source, offset_tag = None, "", 0
    for group, tag, name, offset in (
        ("EXIF", 0x9003, "DateTimeOriginal", 0x9011),
        ("EXIF", 0x9004, "DateTimeDigitized", 0x9012),
        ("Image", 0x0132, "DateTime", 0x9010),
    ):
        text = reader.text(group, tag)
        if text is None or not text.strip(" :0"):
            continue
        local = date_time(text)
        if local is None:
            reader.say("date-unreadable", "unusable", name, f"{name} is '{text[:30]}', which is not a date.")
            continue
        if local.year < 1995:
            reader.say("date-implausible", "unusable", name, f"{name} is in {local.year}: the clock was not set.")
            local = None
            continue
        source, offset_tag = name, offset
        break
    gps = gps_time(reader)
    if local is None:
        if gps is None:
            reader.say(
                "date-missing",
                "weak",
                "DateTimeOriginal",
                "The photo does not say when it was taken: neither that day's declination nor the sun can be used.",
            )
            return None
        reader.say("date-from-gps", "info", "GPSDateStamp", "The time is that of the satellite fix, which may be old.")
        return TakenAt(local=None, utc=gps, sigma_s=60.0, source="GPSDateStamp")
    if source == "DateTime":
        reader.say(
            "date-of-file", "info", "DateTime", "Only the date of the file's last change is there; it may be later."
        )
    zone = zone_seconds(reader.text("EXIF", offset_tag))
    if zone is None and reader.text("EXIF", offset_tag) and offset_tag != 0x9011:
        zone = zone_seconds(reader.text("EXIF", 0x9011))
    if zone is not None:
        utc = _shift(local, -zone)
        sigma = 30.0
        if gps is not None and utc is not None:
            apart = abs((utc - gps).total_seconds())
            sigma = 2.0 if apart <= 10.0 else 30.0
            if apart > 120.0:
                reader.say(
                    "gps-time-differs",
                    "weak",
                    "GPSTimeStamp",
                    f"The camera's clock and the satellite time are {_duration(apart)} apart: the position is an old "
                    "one, or the clock or its zone is wrong.",
                )
        return TakenAt(local=local, utc=utc, sigma_s=sigma, source=f"{source} with its offset from UTC")
    if gps is not None:
        return _zone_by_gps(reader, local, gps, source)
    reader.say(
        "zone-unknown",
        "weak",
        source,
        "The time of the photo has no time zone and there is no satellite time: the sun cannot be used.",
    )
    return TakenAt(local=local, utc=None, sigma_s=30.0, source=f"{source}, time zone unknown")


def _zone_by_gps(reader: Reader, local: datetime, gps: datetime, source: str) -> TakenAt:
    """The zone is the multiple of a quarter of an hour that is nearest to local minus satellite time."""
    apart = (local - gps.replace(tzinfo=None)).total_seconds()
    zone = round(apart / 900.0) * 900.0
    left = abs(apart - zone)
    if abs(zone) <= 14 * 3600 and left <= 120.0:
        reader.say(
            "zone-from-gps",
            "info",
            "GPSTimeStamp",
            f"The time zone (UTC{_zone(zone)}) follows from the satellite time.",
        )
        utc = _shift(local, -zone)
        return TakenAt(local=local, utc=utc, sigma_s=max(2.0, left), source=f"{source}, zone by satellite time")
    reader.say(
        "gps-time-differs",
        "weak",
        "GPSTimeStamp",
        f"The camera's clock and the satellite time are {_duration(abs(apart))} apart, which is no time zone; the "
        "satellite time is used.",
    )
    return TakenAt(local=local, utc=gps, sigma_s=600.0, source="GPSDateStamp")


def gps_time(reader: Reader) -> datetime | None:
    """The moment of the satellite fix; None, and said, where it cannot be read."""
    date, time = reader.text("GPS", 0x001D), reader.tags.get(("GPS", 0x0007))
    if not date or time is None or len(time) == 0:
        return None
    match = re.fullmatch(r"(\d{4})\D(\d{1,2})\D(\d{1,2})", date)
    if isinstance(time, str):
        time = tuple(float(t) for t in re.findall(r"\d+(?:\.\d+)?", time)[:3])
    if match is None or len(time) != 3 or not all(math.isfinite(t) for t in time):
        reader.say("gps-time-unreadable", "info", "GPSTimeStamp", "The satellite time cannot be read; it is not used.")
        return None
    hours, minutes, seconds = time
    try:
        start = datetime(int(match[1]), int(match[2]), int(match[3]), tzinfo=UTC)
        if not (0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds < 61) or start.year < 1995:
            raise ValueError
        return start + timedelta(hours=hours, minutes=minutes, seconds=seconds)
    except (ValueError, OverflowError):
        reader.say("gps-time-unreadable", "info", "GPSTimeStamp", "The satellite time cannot be read; it is not used.")
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


def _zone(seconds: float) -> str:
    minutes = round(abs(seconds) / 60.0)
    return f"{'-' if seconds < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _duration(seconds: float) -> str:
    if seconds < 180.0:
        return f"{seconds:.0f} seconds"
    if seconds < 3 * 3600.0:
        return f"{seconds / 60.0:.0f} minutes"
    return f"{seconds / 3600.0:.0f} hours" if seconds < 3 * 86400.0 else f"{seconds / 86400.0:.0f} days"
