"""Local frames and geodesics against published lines and against PROJ."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from photoaz.angles import difference_deg
from photoaz.geodesy import frames

MILLIMETRE = 1e-3
MICROMETRE = 1e-6
ARCSEC_DEG = 1.0 / 3600.0


def dms(d, m, s):
    return math.copysign(abs(d) + m / 60 + s / 3600, d)


# Karney, geographiclib test set (geographiclib/test/test_geodesic.py): lat1, lon1, azi1, lat2, lon2, azi2, s12; azi2 is
# the forward azimuth at point 2, WGS84.
KARNEY = [
    (35.60777, -139.44815, 111.098748429560326, -11.17491, -69.95921, 129.289270889708762, 8935244.5604818305),
    (55.52454, 106.05087, 22.0200598809828, 77.03196, 197.18234, 109.11204111067151, 4105086.171392441),
    (-21.97856, 142.59065, -32.44456876433189, 41.84138, 98.56635, -41.84359951440466, 8394328.894657671),
    (-68.82867, -74.28391, 93.77434776311487, -50.63005, -8.36685, 34.65564085411343, 3956936.926063544),
    (-19.79938, -174.47484, 71.16727578017154, -11.99349, -154.35109, 65.58909977519923, 2319004.860116939),
    (-25.72959, -144.90758, -153.6474686931172, -57.70581, -269.17879, -48.34398315887649, 9413446.745245311),
]


@pytest.mark.parametrize(("lat1", "lon1", "azi1", "lat2", "lon2", "azi2", "s12"), KARNEY)
def test_geodesic_karney(lat1, lon1, azi1, lat2, lon2, azi2, s12):
    azimuth, back, distance = frames.geodesic(lat1, lon1, lat2, lon2)
    assert difference_deg(azimuth, azi1) == pytest.approx(0.0, abs=1e-11)
    assert difference_deg(back, azi2 + 180.0) == pytest.approx(0.0, abs=1e-11)
    assert distance == pytest.approx(s12, abs=10e-9)
    assert frames.destination(lat1, lon1, azi1, s12)[0] == pytest.approx(lat2, abs=1e-12)
    assert difference_deg(frames.destination(lat1, lon1, azi1, s12)[1], lon2) == pytest.approx(0.0, abs=1e-11)


def test_geodesic_gda_line():
    # GDA Technical Manual (ICSM), Flinders Peak to Buninyong; GRS80 there, which differs from WGS84 by 0.1 mm of axis.
    azimuth, back, distance = frames.geodesic(
        dms(-37, 57, 3.72030), dms(144, 25, 29.52440), dms(-37, 39, 10.15610), dms(143, 55, 35.38390)
    )
    assert azimuth == pytest.approx(dms(306, 52, 5.37), abs=0.01 * ARCSEC_DEG)
    assert back == pytest.approx(dms(127, 10, 25.07), abs=0.01 * ARCSEC_DEG)
    assert distance == pytest.approx(54972.271, abs=MILLIMETRE)


def test_geodesic_across_britain():
    # chrisveness/geodesy test suite (Vincenty, WGS84): 969954.166 m, 9.1418775 degrees, arriving at 11.2972204
    azimuth, back, distance = frames.geodesic(50.06632, -5.71475, 58.64402, -3.07009)
    assert azimuth == pytest.approx(9.1418775, abs=1e-7)
    assert back == pytest.approx(191.2972204, abs=1e-7)
    assert distance == pytest.approx(969954.166, abs=MILLIMETRE)


def test_enu_epsg_example():
    # EPSG guidance note 7-2, method 9837 (geographic/topocentric), from memory; PROJ gives the same (next test).
    frame = frames.EnuFrame(lat_deg=55.0, lon_deg=5.0, height_m=200.0)
    enu = frame.enu_from_geodetic(dms(53, 48, 33.82), dms(2, 7, 46.38), 73.0)
    assert enu == pytest.approx([-189013.869, -128642.040, -4220.171], abs=MILLIMETRE)


@pytest.mark.parametrize(
    ("lat", "lon", "height"), [(-37.95, 144.42, 352.0), (0.0, 179.9999, -5.0), (78.2, 15.6, 0.0), (-89.9, 10.0, 3000.0)]
)
def test_enu_against_proj(lat, lon, height):
    pyproj = pytest.importorskip("pyproj")
    pipeline = pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84 "
        f"+step +proj=topocentric +ellps=WGS84 +lat_0={lat} +lon_0={lon} +h_0={height}"
    )
    rng = np.random.default_rng(3)
    lats = np.clip(lat + rng.uniform(-0.05, 0.05, 20), -90, 90)
    lons, heights = lon + rng.uniform(-0.05, 0.05, 20), height + rng.uniform(-100, 100, 20)
    frame = frames.EnuFrame(lat_deg=lat, lon_deg=lon, height_m=height)
    enu = frame.enu_from_geodetic(lats, lons, heights)
    assert enu.shape == (20, 3)
    assert enu == pytest.approx(np.stack(pipeline.transform(lons, lats, heights), -1), abs=MICROMETRE)


@settings(deadline=None)  # busy machines
@given(
    lat=st.floats(-90, 90),
    lon=st.floats(-180, 180),
    height=st.floats(-400, 8000),
    offset=st.tuples(st.floats(-2e4, 2e4), st.floats(-2e4, 2e4), st.floats(-500, 500)),
)
def test_enu_round_trip(lat, lon, height, offset):
    frame = frames.EnuFrame(lat_deg=lat, lon_deg=lon, height_m=height)
    there = frame.geodetic_from_enu(offset)
    # earth-centred coordinates are 6.4e6 m, so that a double's last bit is worth a nanometre
    assert frame.enu_from_geodetic(*there) == pytest.approx(np.array(offset), abs=MICROMETRE)


def test_geodetic_from_ecef_against_proj():
    # PROJ's closed form there, ours back (PROJ's own way back takes one step of the iteration only: micrometres off)
    pyproj = pytest.importorskip("pyproj")
    to_ecef = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    rng = np.random.default_rng(5)
    lon, lat, height = rng.uniform(-180, 180, 200), rng.uniform(-90, 90, 200), rng.uniform(-500, 4e5, 200)
    lat[:3], height[3:6] = (90.0, -90.0, 0.0), (0.0, 8848.0, -400.0)
    got_lat, got_lon, got_height = frames.geodetic_from_ecef(np.stack(to_ecef.transform(lon, lat, height), -1))
    assert got_lat == pytest.approx(lat, abs=1e-12)
    assert got_lon[3:] == pytest.approx(lon[3:], abs=1e-12)
    assert got_height == pytest.approx(height, abs=10e-9)


def test_frame_and_geodesic_agree_nearby():
    # In plan the two differ by terms of the third order in distance over the earth's radius.
    frame = frames.EnuFrame(lat_deg=48.0, lon_deg=11.0)
    lat, lon = frames.destination(48.0, 11.0, 37.0, 1000.0)
    east, north, up = frame.enu_from_geodetic(lat, lon)
    assert math.degrees(math.atan2(east, north)) == pytest.approx(37.0, abs=1e-5)
    assert up == pytest.approx(-(1000.0**2) / (2 * 6.378e6), rel=0.01)


@pytest.mark.parametrize("bad", [{"lat_deg": 91.0, "lon_deg": 0.0}, {"lat_deg": math.nan, "lon_deg": 0.0}])
def test_no_frame_off_the_earth(bad):
    with pytest.raises(ValueError, match="no frame"):
        frames.EnuFrame(**bad)


def test_drop() -> None:
    """Levelling's rule (textbooks): 0.0785 m at 1 km by curvature alone, 0.068 m with refraction of 0.13."""
    assert frames.drop_m(1000.0, 0.0) == pytest.approx(0.0785, abs=1e-4)
    assert frames.drop_m(1000.0, 0.13) == pytest.approx(0.0683, abs=1e-4)
    assert frames.drop_m([2000.0], 0.13) == pytest.approx(4 * frames.drop_m([1000.0], 0.13))
