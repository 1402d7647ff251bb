"""The sun's place against NREL's published examples."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from photoaz.geodesy import sun

SPA_UNCERTAINTY_DEG = 0.0003  # NREL/TP-560-34302
PRINTED_5 = 0.5e-5 + 1e-9
PRINTED_6 = 1e-6  # the last printed digit


def test_nrel_example():
    # Reda and Andreas, NREL/TP-560-34302 (rev. January 2008), appendix A.5
    place = sun.sun_position(
        datetime(2003, 10, 17, 12, 30, 30, tzinfo=timezone(timedelta(hours=-7))),
        39.742476,
        -105.1786,
        1830.14,
        pressure_hpa=820.0,
        temperature_c=11.0,
        delta_t_s=67.0,
    )
    assert place.azimuth_deg == pytest.approx(194.34024, abs=PRINTED_5)
    assert 90.0 - place.elevation_deg == pytest.approx(50.11162, abs=PRINTED_5)
    # appendix A.5 prints R = 0.9965422974 au; 959.63" / R = 0.267491 degrees
    assert place.semidiameter_deg == pytest.approx(959.63 / 3600 / 0.9965422974, abs=1e-7)


# Rows of NREL's spa.c (rev. 08-SEP-2014) reference output (klausbrunner/solarpositioning test data): no delta T,
# 1000 hPa, 10 degrees C: moment, latitude, longitude, azimuth, zenith.
@pytest.mark.parametrize(
    ("moment", "lat", "lon", "azimuth", "zenith"),
    [
        ("1910-03-15T00:30:00", -36.840556, 174.74, 0.188643, 34.269919),
        ("1910-03-15T03:30:00", -36.840556, 174.74, 298.894756, 53.637925),
        ("2010-03-15T06:30:00", -36.840556, 174.74, 268.277401, 88.368814),
        ("2010-09-15T06:30:00", -36.840556, 174.74, 270.397528, 94.554291),
        ("2210-12-15T09:30:00", -15.793889, -47.882778, 111.120892, 78.379530),
        ("2010-03-15T06:30:00", 78.22, 15.65, 110.910237, 87.669511),
        ("2110-09-15T06:30:00", 78.22, 15.65, 113.237610, 82.010303),
        ("2010-09-15T06:30:00", 1.283333, 103.833333, 274.852472, 22.547357),
    ],
)
def test_nrel_reference_rows(moment, lat, lon, azimuth, zenith):
    place = sun.sun_position(
        datetime.fromisoformat(moment).replace(tzinfo=UTC),
        lat,
        lon,
        pressure_hpa=1000.0,
        temperature_c=10.0,
        delta_t_s=0.0,
    )
    assert place.azimuth_deg == pytest.approx(azimuth, abs=PRINTED_6)
    assert 90.0 - place.elevation_deg == pytest.approx(zenith, abs=PRINTED_6)


def test_delta_t():
    # Espenak and Meeus, table 2 (observed): 1965 35.7, 1980 50.5, 1990 56.9, 2000 63.8, 2005 64.7 s
    for year, seconds in ((1965.0, 35.7), (1980.0, 50.5), (1990.0, 56.9), (2000.0, 63.8), (2005.0, 64.7)):
        assert sun.delta_t_in(year) == pytest.approx(seconds, abs=0.2)
    assert sun.delta_t_in(1900.0) == sun.delta_t_in(1961.0)
    assert sun.delta_t_in(2100.0) == sun.delta_t_in(2050.0)


def test_defaults_cost_less_than_the_stated_uncertainty_in_azimuth():
    # delta T of the day instead of the example's 67 s; refraction does not touch the azimuth
    place = sun.sun_position(datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC), 39.742476, -105.1786, 1830.14)
    assert place.azimuth_deg == pytest.approx(194.34024, abs=SPA_UNCERTAINTY_DEG)
    # pressure of the standard atmosphere at 1830 m is 812 hPa against 820: 1 % of 0.0163 degrees of refraction
    assert 90.0 - place.elevation_deg == pytest.approx(50.11162, abs=SPA_UNCERTAINTY_DEG)


def test_many_moments_at_once():
    moments = np.array([[1.2e9, 1.3e9], [1.4e9, 1.5e9]])
    azimuth, elevation, semidiameter = sun.sun_track(moments, 45.0, 10.0, delta_t_s=65.0)
    assert azimuth.shape == elevation.shape == semidiameter.shape == (2, 2)
    one = sun.sun_position(datetime.fromtimestamp(1.5e9, UTC), 45.0, 10.0, delta_t_s=65.0)
    assert (azimuth[1, 1], elevation[1, 1]) == (one.azimuth_deg, one.elevation_deg)


def test_standard_atmosphere():
    # ISO 2533: 1013.25 hPa at 0, 898.76 at 1000 m, 701.21 at 3000 m of geopotential height; from memory
    assert sun.standard_pressure_hpa(0.0) == pytest.approx(1013.25)
    assert sun.standard_pressure_hpa(1000.0) == pytest.approx(898.76, abs=0.05)
    assert sun.standard_pressure_hpa(3000.0) == pytest.approx(701.1, abs=0.2)


def test_a_moment_needs_its_zone():
    with pytest.raises(ValueError, match="time zone"):
        sun.sun_position(datetime(2024, 6, 1, 12), 45.0, 10.0)
