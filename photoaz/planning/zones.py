"""In whose time a plan's hours are told, and where that is from."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass

from photoaz.errors import Fault, InputError
from photoaz.photo.moment import spell_zone

#: from when to when, UTC
Span = tuple[dt.datetime, dt.datetime]
_OFFSET = re.compile(r"(?:UTC)?(?P<sign>[+-\u2212])(?P<hours>\d{1,2})(?::?(?P<minutes>\d{2}))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class CivilTime:
    """A zone of civil time, and what it is known from, in words."""

    zone: dt.tzinfo
    name: str
    source: str

    @property
    def sentence(self) -> str:
        """'Times in Europe/Vienna (given).'"""
        return f"Times in {self.name} ({self.source})."

    def hours(self, spans: Iterable[Span]) -> str:
        """'08:20-11:40'; 'none' of none."""
        return ", ".join("-".join(f"{t.astimezone(self.zone):%H:%M}" for t in span) for span in spans) or "none"

    def moment(self, when: dt.datetime) -> str:
        """'2026-05-20 11:30 UTC+02:00'."""
        return f"{when.astimezone(self.zone):%Y-%m-%d %H:%M} {self.name}"

    def hour_of(self, when: dt.datetime, day: dt.date) -> float:
        """Hours since a day began here."""
        return (when - dt.datetime.combine(day, dt.time(), self.zone)).total_seconds() / 3600.0


#: no place says which zone it lies in without a map of zones: nothing is guessed from the longitude
UTC = CivilTime(zone=dt.UTC, name="UTC", source="no zone known: give --zone for local time")


def civil_time(text: str) -> CivilTime:
    """The zone that somebody names: of the IANA database, or hours ahead of UTC ('+02:00').

    Raises InputError where it is neither, or this machine has no such zone.
    """
    import zoneinfo

    if found := _OFFSET.fullmatch(text.strip()):
        ahead = dt.timedelta(hours=int(found["hours"]), minutes=int(found["minutes"] or 0))
        if ahead <= dt.timedelta(hours=14):
            return fixed(-ahead if found["sign"] != "+" else ahead, "given")
    try:
        return CivilTime(zone=zoneinfo.ZoneInfo(text.strip()), name=text.strip(), source="given")
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        wanted = "a zone such as Europe/Vienna (this machine must know it), or hours ahead of UTC such as +02:00"
        raise InputError(Fault(file="--zone", found=f"'{text}'", wanted=wanted)) from None


def fixed(ahead: dt.timedelta, source: str) -> CivilTime:
    """A zone that is always so far ahead of UTC."""
    whole = dt.timedelta(minutes=round(ahead.total_seconds() / 60.0))
    return CivilTime(zone=dt.timezone(whole), name=spell_zone(whole.total_seconds()), source=source)


def of_photos(taken: Iterable[tuple[dt.datetime | None, dt.datetime | None]]) -> CivilTime | None:
    """The zone of the latest photo's clock; None where none says it. taken: local time and UTC of each."""
    known = [(utc, local.replace(tzinfo=None)) for local, utc in taken if local is not None and utc is not None]
    if not known:
        return None
    utc, local = max(known)
    ahead = local - utc.astimezone(dt.UTC).replace(tzinfo=None)
    quarter = dt.timedelta(minutes=15 * round(ahead.total_seconds() / 900.0))
    source = f"as the photo of {local.date().isoformat()} has it; no change to or from summer time is counted"
    return fixed(quarter, source)
