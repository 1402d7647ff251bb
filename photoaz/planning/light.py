"""When to go, and in whose time that is told: the sun behind the photographer, out of the frame, or a control itself.

Never look at the sun through a viewfinder or any optics: a photo that holds the sun is aimed by the screen.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.angles import Array, wrap_deg
from photoaz.errors import Fault, InputError
from photoaz.geodesy.sun import sun_track
from photoaz.photo.moment import spell_zone
from photoaz.planning.equipment import PlannedPhoto, in_frame

#: minutes between the moments looked at
STEP_MIN = 10
#: lower than this a panel lies in others' shade and its colours go, degrees
LOWEST_DEG = 6.0
#: sun at least this far off the line of sight, so that it lights what is photographed, degrees
BEHIND_DEG = 100.0
#: high enough that a panel's front is lit at a grazing angle only: the sun above this is no light from behind, degrees
HIGHEST_DEG = 65.0
#: sun as a control: not lower (refraction) nor higher (no wide lens holds it with the tower) than this, degrees
CONTROL_DEG = (3.0, 45.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """A standpoint's day.

    sun_up: from sunrise to sunset. sun_behind: behind the photographer. sun_in_frame: to be avoided. sun_as_control:
    the sun can be had in the frame of the widest lens together with the tower.
    """

    date: dt.date
    sun_up: tuple[Span, ...]
    sun_behind: tuple[Span, ...]
    sun_in_frame: tuple[Span, ...]
    sun_as_control: tuple[Span, ...]


def light_on(
    stand: PlannedPhoto, lat_deg: float, lon_deg: float, days: Sequence[dt.date], widest_mm: float
) -> tuple[Light, ...]:
    """A standpoint's light on days, each counted in local mean solar time so that it is whole anywhere.

    lat_deg, lon_deg: of the site. widest_mm: of the lenses at hand.
    """
    t = _moments(lon_deg, days)
    azimuth, elevation, _ = sun_track(t, lat_deg, lon_deg)
    heading, pitch = np.degrees(stand.attitude_rad[:2])
    directions = _directions(azimuth, elevation)
    off = np.degrees(np.arccos(np.clip(directions @ _directions(np.asarray(heading), np.asarray(pitch)), -1.0, 1.0)))
    up = elevation > -0.3
    behind = (elevation > LOWEST_DEG) & (elevation < HIGHEST_DEG) & (np.abs(wrap_deg(azimuth - heading)) > BEHIND_DEG)
    shown = up & in_frame(stand, stand.enu_m + 1e5 * directions.reshape(-1, 3))[1].reshape(up.shape)
    behind &= (off > BEHIND_DEG) | (elevation < 45.0)
    wide = stand.equipment.camera(widest_mm)
    # turned towards the sun so that the tower is still in the frame: half the frame's width and height from its middle
    half_wide = np.degrees(np.arctan(0.45 * wide.width_px / wide.f_px))
    half_high = np.degrees(np.arctan(0.45 * wide.height_px / wide.f_px))
    control = (elevation > CONTROL_DEG[0]) & (elevation < CONTROL_DEG[1])
    control &= (np.abs(wrap_deg(azimuth - heading)) < 1.6 * half_wide) & (np.abs(elevation - pitch) < 1.6 * half_high)
    return tuple(
        Light(
            date=d,
            sun_up=_spans(up[k], t[k]),
            sun_behind=_spans(behind[k], t[k]),
            sun_in_frame=_spans(shown[k], t[k]),
            sun_as_control=_spans(control[k], t[k]),
        )
        for k, d in enumerate(days)
    )


def daylight(lat_deg: float, lon_deg: float, day: dt.date) -> tuple[Span, ...]:
    """From sunrise to sunset on a day, counted in local mean solar time so that it is whole anywhere."""
    (t,) = _moments(lon_deg, [day])
    return _spans(sun_track(t, lat_deg, lon_deg)[1] > -0.3, t)


def _moments(lon_deg: float, days: Sequence[dt.date]) -> Array:
    """Unix seconds (days, steps) of whole days of local mean solar time."""
    starts = [dt.datetime.combine(d, dt.time(), dt.UTC) - dt.timedelta(hours=lon_deg / 15.0) for d in days]
    steps = 60.0 * STEP_MIN * np.arange(24 * 60 // STEP_MIN + 1)
    return np.asarray(np.array([s.timestamp() for s in starts])[:, None] + steps)


def _directions(azimuth_deg: Array, elevation_deg: Array) -> Array:
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    return np.stack([np.sin(a) * np.cos(e), np.cos(a) * np.cos(e), np.sin(e)], -1)


def _spans(on: Array, t: Array) -> tuple[Span, ...]:
    """Runs of moments, half an hour and longer, to the next whole minute."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
    minutes = np.ceil(t / 60.0)
    return tuple(
        (dt.datetime.fromtimestamp(60.0 * minutes[a], dt.UTC), dt.datetime.fromtimestamp(60.0 * minutes[b - 1], dt.UTC))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if (b - a - 1) * STEP_MIN >= 30
    )


# ---- in whose time ---------------------------------------------------------------------------------------------------


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
