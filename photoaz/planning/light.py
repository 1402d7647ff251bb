"""When to go: the sun behind the photographer and out of the frame, and when the sun itself can be a control.

Never look at the sun through a viewfinder or any optics: a photo that holds the sun is aimed by the screen.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_deg
from photoaz.geodesy.sun import sun_track
from photoaz.planning.scene import Stand, in_frame

Array = NDArray[Any]

SUN_CAUTION = (
    "Never look at the sun through a viewfinder, a lens or any optics, and never point a long lens at it; "
    "aim such a photo by the screen and keep it short."
)
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
class Window:
    """From when to when, UTC; middle_azimuth_deg, middle_elevation_deg: where the sun then stands."""

    start: datetime
    end: datetime
    middle_azimuth_deg: float
    middle_elevation_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """A standpoint's day: behind: sun behind the photographer; in_frame: sun in the frame (avoid); control: the sun may

    be had in the frame of the widest lens together with the tower. up: from sunrise to sunset.
    """

    day: date
    up: tuple[Window, ...]
    behind: tuple[Window, ...]
    in_frame: tuple[Window, ...]
    control: tuple[Window, ...]


def light_of(stand: Stand, lat_deg: float, lon_deg: float, day: date, widest_mm: float) -> Light:
    """A standpoint's light on a day, counted in local mean solar time so that it is whole anywhere.

    lat_deg, lon_deg: of the site. widest_mm: of the lenses at hand.
    """
    return year_of(stand, lat_deg, lon_deg, (day,), widest_mm)[0]


def year_of(
    stand: Stand, lat_deg: float, lon_deg: float, days: tuple[date, ...], widest_mm: float
) -> tuple[Light, ...]:
    """The same of several days at once."""
    per_day = 24 * 60 // STEP_MIN
    starts = [datetime.combine(d, time(), UTC) - timedelta(hours=lon_deg / 15.0) for d in days]
    t = np.array([s.timestamp() for s in starts])[:, None] + 60.0 * STEP_MIN * np.arange(per_day + 1)
    azimuth, elevation, _ = sun_track(t, lat_deg, lon_deg)
    heading, pitch = np.degrees(stand.attitude_rad[:2])
    off = _angle_deg(azimuth, elevation, heading, pitch)
    up = elevation > -0.3
    behind = (elevation > LOWEST_DEG) & (elevation < HIGHEST_DEG) & (np.abs(wrap_deg(azimuth - heading)) > BEHIND_DEG)
    directions = _directions(azimuth, elevation)
    shown = up & in_frame(stand, stand.enu_m + 1e5 * directions.reshape(-1, 3))[1].reshape(up.shape)
    behind &= (off > BEHIND_DEG) | (elevation < 45.0)
    wide = stand.kit.camera(widest_mm)
    # turned towards the sun so that the tower is still in the frame: half the frame's width and height from its middle
    half_wide = np.degrees(np.arctan(0.45 * wide.width_px / wide.f_px))
    half_high = np.degrees(np.arctan(0.45 * wide.height_px / wide.f_px))
    control = (elevation > CONTROL_DEG[0]) & (elevation < CONTROL_DEG[1])
    control &= (np.abs(wrap_deg(azimuth - heading)) < 1.6 * half_wide) & (np.abs(elevation - pitch) < 1.6 * half_high)
    return tuple(
        Light(
            day=d,
            up=_windows(up[k], t[k], azimuth[k], elevation[k]),
            behind=_windows(behind[k], t[k], azimuth[k], elevation[k]),
            in_frame=_windows(shown[k], t[k], azimuth[k], elevation[k]),
            control=_windows(control[k], t[k], azimuth[k], elevation[k]),
        )
        for k, d in enumerate(days)
    )


def _directions(azimuth_deg: Array, elevation_deg: Array) -> Array:
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    return np.stack([np.sin(a) * np.cos(e), np.cos(a) * np.cos(e), np.sin(e)], -1)


def _angle_deg(azimuth: Array, elevation: Array, heading: float, pitch: float) -> Array:
    axis = _directions(np.asarray(heading), np.asarray(pitch))
    return np.asarray(np.degrees(np.arccos(np.clip(_directions(azimuth, elevation) @ axis, -1.0, 1.0))))


def _windows(on: Array, t: Array, azimuth: Array, elevation: Array) -> tuple[Window, ...]:
    """Runs of moments, half an hour and longer."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
    out = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if (b - a - 1) * STEP_MIN < 30:
            continue
        m = (a + b - 1) // 2
        out.append(
            Window(
                start=datetime.fromtimestamp(float(t[a]), UTC),
                end=datetime.fromtimestamp(float(t[b - 1]), UTC),
                middle_azimuth_deg=float(azimuth[m]),
                middle_elevation_deg=float(elevation[m]),
            )
        )
    return tuple(out)
