"""Hours of light against published positions of the sun."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from photoaz.planning.equipment import Equipment
from photoaz.planning.foreseen import aimed, scene_of_site
from photoaz.planning.light import light_on

# Reda and Andreas, NREL/TP-560-34302 (2008), appendix A.5: 2003-10-17, 12:30:30 at UTC-7, 39.742476 N 105.1786 W:
# zenith 50.11162, azimuth 194.34024 degrees
PUBLISHED = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
LAT, LON, AZIMUTH, ELEVATION = 39.742476, -105.1786, 194.34024, 90.0 - 50.11162
# NREL's spa.c (2014), its table of 512 rows: 1910-03-15 03:30 UTC, 36.840556 S 174.74 E
SOUTH = (datetime(1910, 3, 15, 3, 30, tzinfo=UTC), -36.840556, 174.74, 298.894756, 90.0 - 53.637925)


def stand_towards(site, heading_deg, pitch_deg=20.0, lens_mm=26.0):
    scene = scene_of_site(site)
    stand = aimed("x", scene, np.array([50.0, 0.0]), Equipment(), lens_mm)
    return replace(stand, attitude_rad=np.radians([heading_deg, pitch_deg, 0.0]))


def holds(windows, when) -> bool:
    return any(start <= when <= end for start, end in windows)


@pytest.mark.parametrize(
    ("when", "lat", "lon", "azimuth", "elevation"), [(PUBLISHED, LAT, LON, AZIMUTH, ELEVATION), SOUTH]
)
def test_sun_where_it_is_published(site, when, lat, lon, azimuth, elevation) -> None:
    day = (when + timedelta(hours=lon / 15.0)).date()
    behind = light_on(stand_towards(site, azimuth + 180.0), lat, lon, (day,), 26.0)[0]
    assert holds(behind.sun_up, when)
    assert holds(behind.sun_behind, when)
    assert not holds(behind.sun_in_frame, when)
    into = light_on(stand_towards(site, azimuth, elevation), lat, lon, (day,), 26.0)[0]
    assert holds(into.sun_in_frame, when)
    assert not holds(into.sun_behind, when)
    assert holds(into.sun_as_control, when)


def test_a_window_s_middle_is_where_the_sun_is_published(site) -> None:
    """Shifted so that the window about the published moment is short: its middle lies within half an hour of it."""
    light = light_on(stand_towards(site, AZIMUTH, ELEVATION, 77.0), LAT, LON, (PUBLISHED.date(),), 77.0)[0]
    ((start, end),) = light.sun_in_frame
    assert abs(start + (end - start) / 2 - PUBLISHED) < timedelta(minutes=30)


def test_polar_night_and_midnight_sun(site) -> None:
    stand = stand_towards(site, 180.0)
    winter, summer = light_on(stand, 69.65, 18.96, (date(2026, 12, 21), date(2026, 6, 21)), 26.0)
    assert winter.sun_up == ()
    assert winter.sun_behind == ()
    (up,) = summer.sun_up
    assert up[1] - up[0] == timedelta(hours=24)
