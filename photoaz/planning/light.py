"""When to go: the sun behind the photographer and out of the frame, and when the sun itself can be a control.

Never look at the sun through a viewfinder or any optics: a photo that holds the sun is aimed by the screen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from photoaz.angles import Array, wrap_deg
from photoaz.geodesy.sun import sun_track
from photoaz.planning.equipment import PlannedPhoto, in_frame
from photoaz.planning.zones import Span as Span

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
