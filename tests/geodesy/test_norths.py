"""Declination and convergence against the tables of those who publish them."""

from __future__ import annotations

import math
import random
import subprocess
import sys
from datetime import date, datetime

import pytest

from photoaz.errors import InputError
from photoaz.geodesy import norths
from photoaz.geodesy.magnetism import main_field_nt

ROUNDED_2 = 0.005 + 1e-9  # half of the last digit of a table printed to 0.01 degrees
ARCSEC_DEG = 1.0 / 3600.0
NT = 0.001  # a ten thousandth of a degree of declination where the field is weakest


def dms(d, m, s, sign=1):
    return sign * (d + m / 60 + s / 3600)


# NOAA NCEI and BGS, WMM test values (tables of the WMM2025, WMM2020, WMM2015v2 and WMM2010 reports and the 100-row
# files that come with the coefficients): year, km, latitude, longitude, D.
WMM = [
    ("WMM2025", 2025.0, 0, 80, 0, 1.28),
    ("WMM2025", 2025.0, 0, 0, 120, -0.16),
    ("WMM2025", 2025.0, 0, -80, 240, 68.78),
    ("WMM2025", 2025.0, 0, -80, -120, 68.78),
    ("WMM2025", 2025.0, 100, 80, 0, 0.85),
    ("WMM2025", 2025.0, 100, -80, 240, 68.21),
    ("WMM2025", 2027.5, 0, 80, 0, 2.59),
    ("WMM2025", 2027.5, 0, -80, 240, 68.49),
    ("WMM2025", 2027.5, 100, 0, 120, -0.23),
    ("WMM2025", 2025.0, 65, 43, 93, 0.50),
    ("WMM2025", 2025.0, 94, -29, -110, 15.74),
    ("WMM2025", 2025.5, 44, 33, -118, 11.10),
    ("WMM2025", 2026.5, 12, 33, -145, 11.96),
    ("WMM2025", 2027.5, 60, 27, 65, 1.85),
    ("WMM2025", 2028.5, 28, 54, -120, 15.43),
    ("WMM2025", 2029.0, 90, -55, -171, 38.65),
    ("WMM2025", 2029.5, 64, 22, -132, 10.23),
    ("WMM2020", 2020.0, 0, 80, 0, -1.28),
    ("WMM2020", 2020.0, 100, 0, 120, 0.16),
    ("WMM2020", 2022.5, 0, -80, 240, 69.13),
    ("WMM2020", 2020.0, 65, 43, 93, 0.71),
    ("WMM2020", 2020.5, 6, -36, -137, 20.16),
    ("WMM2020", 2021.5, 12, 33, -145, 12.36),
    ("WMM2020", 2022.0, 54, 54, 178, 1.43),
    ("WMM2015v2", 2015.0, 0, 80, 0, -3.90),
    ("WMM2015v2", 2017.5, 0, 0, 120, 0.37),
    ("WMM2015v2", 2017.5, 0, -80, 240, 69.59),
    ("WMM2010", 2010.0, 0, 80, 0, -6.13),
    ("WMM2010", 2010.0, 0, 0, 120, 0.97),
]


@pytest.mark.parametrize(("model", "year", "km", "lat", "lon", "wanted"), WMM)
def test_wmm_test_values(model, year, km, lat, lon, wanted):
    field = norths.declination_in(lat, lon, km * 1000.0, year)
    assert field.model == model
    assert field.value_deg == pytest.approx(wanted, abs=ROUNDED_2)


# The WMM2025 file's horizontal intensity, same rows
@pytest.mark.parametrize(
    ("year", "km", "lat", "lon", "horizontal_nt"),
    [(2025.0, 65, 43, 93, 24300.76), (2027.5, 60, 27, 65, 33079.42), (2029.0, 90, -55, -171, 16416.54)],
)
def test_wmm_horizontal_intensity(year, km, lat, lon, horizontal_nt):
    assert math.hypot(*main_field_nt("wmm2025", lat, lon, km * 1000.0, year)) == pytest.approx(horizontal_nt, abs=0.01)


# NCEI's IGRF grid calculator, 5 km, 2010-01-01 (the test data of IAGA-VMOD's ppigrf); 0.01 year before 2010 so that
# it is IGRF that answers. The field drifts by less than 0.2 degrees a year at these places, 0.002 in the days left out.
@pytest.mark.parametrize(
    ("lat", "lon", "wanted"),
    [(51, 0, -1.616), (40, -105, 9.140), (-34, 151, 12.512), (35, 139, -6.886), (-30, 25, -22.207)],
)
def test_igrf_grid(lat, lon, wanted):
    field = norths.declination_in(lat, lon, 5000.0, 2009.99)
    assert field.model == "IGRF-14"
    assert field.value_deg == pytest.approx(wanted, abs=0.002 + 0.0005)


# BGS, IGRF-14 test values (C. Beggan; pyIGRF tests): year, colatitude, longitude, radius in km, X, Y in nT, geocentric.
# A geodetic point at that geocentric place sees the same east component and nearly the same declination; the difference
# is the tilt of north (0.19 degrees at most) on the vertical field, allowed for by turning X with Z.
@pytest.mark.parametrize(
    ("year", "colatitude", "lon", "radius_km", "x", "y", "z"),
    [
        (1960.0, 95, -30, 6500, 23647.00, -9302.27, -3610.73),
        (1975.0, 75, 0, 6550, 30050.59, -3367.82, 6332.69),
        (1990.0, 55, 30, 6600, 25224.81, 1058.25, 30965.61),
        (2005.0, 35, 60, 6650, 14718.37, 2842.99, 46050.88),
    ],
)
def test_igrf_test_values(year, colatitude, lon, radius_km, x, y, z):
    from photoaz.geodesy.frames import geodetic_from_ecef

    theta = math.radians(colatitude)
    r = radius_km * 1000.0
    lat, _, height = geodetic_from_ecef([r * math.sin(theta), 0.0, r * math.cos(theta)])
    tilt = math.radians(float(lat) - (90.0 - colatitude))  # geodetic less geocentric latitude
    # geocentric down and geodetic down differ by the tilt: geodetic north = cos(tilt) north_gc + sin(tilt) down_gc
    north = x * math.cos(tilt) + z * math.sin(tilt)
    field = norths.declination_in(float(lat), lon, float(height), year)
    assert field.value_deg == pytest.approx(math.degrees(math.atan2(y, north)), abs=1e-4)
    horizontal_nt = math.hypot(*main_field_nt("igrf14", float(lat), lon, float(height), year))
    assert horizontal_nt == pytest.approx(math.hypot(north, y), abs=0.05)


# IAGA's own implementation in Python (ppigrf) at the epochs of the table, where no rule of interpolation matters, the
# WMM's in Python (pygeomag) at any time; both answer to 0.001 nT, poles and high places included.
def test_main_field_as_others_compute_it():
    import ppigrf
    import pygeomag

    rng = random.Random(14)
    places = [(90.0, 33.0, 0.0), (-90.0, -20.0, 2800.0), (0.0, 0.0, 0.0)]
    places += [(rng.uniform(-89.9, 89.9), rng.uniform(-180, 360), rng.uniform(-400, 9000)) for _ in range(60)]
    for lat, lon, height_m in places[2:]:
        year = rng.choice(range(1900, 2011, 5))
        east, north, _ = ppigrf.igrf(lon, lat, height_m / 1000.0, datetime(year, 1, 1))
        wanted = (north.item(), east.item())
        assert main_field_nt("igrf14", lat, lon, height_m, year) == pytest.approx(wanted, abs=NT)
    for name, year in (("2010", 2010), ("2015v2", 2015), ("2020", 2020), ("2025", 2025)):
        library = pygeomag.GeoMag(coefficients_file=f"wmm/WMM_{name}.COF")
        for lat, lon, height_m in places:
            when = year + rng.uniform(0.0, 5.0)
            field = library.calculate(glat=lat, glon=lon, alt=height_m / 1000.0, time=when)
            found = main_field_nt(f"wmm{name}", lat, lon, height_m, when)
            assert found == pytest.approx((field.x, field.y), abs=NT)


def test_a_model_s_years():
    with pytest.raises(ValueError, match="2020 to 2025"):
        main_field_nt("wmm2020", 47.0, 8.0, 0.0, 2025.5)


def test_models_meet_at_2010():
    # WMM2010 and IGRF-14 are different analyses of the same field: they agree well within either's uncertainty.
    before, after = (norths.declination(47.0, 8.0, 400.0, day) for day in (date(2009, 12, 31), date(2010, 1, 1)))
    assert (before.model, after.model) == ("IGRF-14", "WMM2010")
    assert before.value_deg == pytest.approx(after.value_deg, abs=before.sigma_deg / 3)


# The error model's formula, sqrt(a^2 + (b / H)^2), as published for each WMM; H of the tables' rows (WMM2025: 23678.74
# and 33079.42 nT; WMM2020 report: 39624.4 nT at 0 N 120 E)
@pytest.mark.parametrize(
    ("year", "km", "lat", "lon", "h_nt", "a", "b"),
    [
        (2025.5, 44, 33, -118, 23678.74, 0.26, 5417.0),
        (2027.5, 60, 27, 65, 33079.42, 0.26, 5417.0),
        (2020.0, 0, 0, 120, 39624.4, 0.26, 5625.0),
    ],
)
def test_sigma_of_declination(year, km, lat, lon, h_nt, a, b):
    sigma = norths.declination_in(lat, lon, km * 1000.0, year).sigma_deg
    assert sigma == pytest.approx(math.sqrt(a * a + (b / h_nt) ** 2), abs=1e-5)


def test_sigma_near_the_magnetic_pole_is_wide():
    # 2491.7 nT at 89 N 121 W in the WMM2025 file is the caution zone
    assert norths.declination(86.0, 150.0, 0.0, date(2026, 6, 1)).sigma_deg > 1.0


def test_decimal_year():
    assert norths.decimal_year(date(2024, 7, 2)) == pytest.approx(2024.5, abs=1e-12)  # day 183 of 366
    assert norths.decimal_year(date(2025, 1, 1)) == 2025.0
    assert norths.decimal_year(date(2025, 12, 31)) == pytest.approx(2025 + 364 / 365)
    assert norths.decimal_year(date(9999, 12, 31)) == pytest.approx(9999 + 364 / 365)


@pytest.mark.parametrize("day", [date(1899, 12, 31), date(2030, 1, 2), date(2041, 5, 1)])
def test_no_model_for_the_day(day):
    with pytest.raises(InputError, match="1900 to 2029"):
        norths.declination(50.0, 8.0, 0.0, day)


def test_a_declination_asked_again_is_remembered(monkeypatch):
    asked = []
    evaluate = norths.main_field_nt
    monkeypatch.setattr(norths, "main_field_nt", lambda *place: asked.append(place) or evaluate(*place))
    told = {norths.declination(50.25, 8.125, 100.0, date(2026, 5, 1)) for _ in range(5)}
    assert len(told) == 1
    # one model is evaluated at the day and a little before and after it, for the yearly change
    assert 0 < len(asked) <= 3


def test_heavy_libraries_stay_out():
    heavy = "pandas, scipy, pyproj"
    code = (
        "import sys, photoaz.geodesy.norths, photoaz.geodesy.sun, photoaz.geodesy.frames;"
        f"sys.exit(','.join(m for m in '{heavy}'.split(', ') if m in sys.modules) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


# GDA Technical Manual (ICSM), worked line Flinders Peak - Buninyong; the manual's convergence has the opposite sign to
# PROJ's, grid bearing = azimuth + convergence there.
FLINDERS = (-dms(37, 57, 3.72030), dms(144, 25, 29.52440))
BUNINYONG = (-dms(37, 39, 10.15610), dms(143, 55, 35.38390))


@pytest.mark.parametrize(
    ("place", "crs", "gda_convergence"),
    [
        (FLINDERS, "EPSG:28355", -dms(1, 35, 3.65)),
        (BUNINYONG, "EPSG:28355", -dms(1, 52, 43.22)),
        (BUNINYONG, "EPSG:28354", dms(1, 47, 19.36)),
        # GeodePy test_convert: zone 55
        ((-dms(37, 48, 26.67598), dms(144, 58, 16.44114)), "28355", -1.2439811331),
        # ANUGA redfearn tests, 34 S 150 E in zone 56
        ((-34.0, 150.0), "EPSG:28356", -dms(1, 40, 43.13)),
    ],
)
def test_convergence_south(place, crs, gda_convergence):
    gamma = norths.meridian_convergence_deg(*place, crs)
    assert gamma == pytest.approx(-gda_convergence, abs=0.01 * ARCSEC_DEG)


@pytest.mark.parametrize(
    ("lat", "lon", "crs", "wanted", "unit"),
    [
        # DMA TM 8358.2 (1989), UTM on International 1924
        (73.0, 45.0, "+proj=utm +zone=38 +ellps=intl +type=crs", 0.0, 0.005 * ARCSEC_DEG),
        (30.0, 102.0, "+proj=utm +zone=48 +ellps=intl +type=crs", dms(1, 30, 3.76, -1), 0.01 * ARCSEC_DEG),
        (
            dms(72, 4, 32.110),
            dms(113, 54, 43.321, -1),
            "+proj=utm +zone=12 +ellps=intl +type=crs",
            dms(2, 46, 15.31, -1),
            0.01 * ARCSEC_DEG,
        ),
        # chrisveness/geodesy utm tests, UTM 32 on WGS84: the manual's sign is PROJ's here, west of 9 E and north
        (60.39135, 5.3249, "EPSG:32632", -3.196281440, 1e-8),
    ],
)
def test_convergence_north(lat, lon, crs, wanted, unit):
    assert norths.meridian_convergence_deg(lat, lon, crs) == pytest.approx(wanted, abs=unit)


@pytest.mark.parametrize("sign", [1, -1])
def test_convergence_sign_in_both_hemispheres(sign):
    # tan(gamma) = tan(dlon) sin(lat) on the sphere; the ellipsoid moves it by less than 0.001 of it
    crs = "EPSG:32633" if sign > 0 else "EPSG:32733"
    for dlon in (2.0, -2.0):
        wanted = math.degrees(math.atan(math.tan(math.radians(dlon)) * math.sin(math.radians(sign * 50.0))))
        assert norths.meridian_convergence_deg(sign * 50.0, 15.0 + dlon, crs) == pytest.approx(wanted, rel=1e-3)


def test_grid_bearing_to_true_azimuth_on_the_gda_line():
    # Grid bearings of the same worked line: 305 17 01.72 and 125 17 41.86 in zone 55; 128 57 44.43 in zone 54 (GeodePy)
    for place, crs, bearing, azimuth in (
        (FLINDERS, "EPSG:28355", dms(305, 17, 1.72), dms(306, 52, 5.37)),
        (BUNINYONG, "EPSG:28355", dms(125, 17, 41.86), dms(127, 10, 25.07)),
        (BUNINYONG, "EPSG:28354", dms(128, 57, 44.43), dms(127, 10, 25.07)),
    ):
        true = norths.to_true(bearing, "grid", lat_deg=place[0], lon_deg=place[1], grid_crs=crs)
        assert true.azimuth_deg == pytest.approx(azimuth, abs=0.02 * ARCSEC_DEG)
        assert true.sigma_deg == 0.0
        assert "GDA94" in true.how


@pytest.mark.parametrize(
    ("crs", "says"),
    [
        ("EPSG:4326", "no map projection"),
        ("EPSG:5773", "no map projection"),
        ("EPSG:4978", "no map projection"),
        ("EPSG:999999", "does not know"),
        ("somewhere", "does not know"),
        ("EPSG:28355", "made for latitudes"),
    ],
)
def test_no_convergence(crs, says):
    with pytest.raises(InputError, match=says):
        norths.meridian_convergence_deg(50.0, 8.0, crs)


def test_zone_used_beyond_its_edge_is_said():
    # UTM 33 serves the whole of a country that begins at 5 E: allowed, and told
    true = norths.to_true(10.0, "grid", lat_deg=61.0, lon_deg=5.9, grid_crs="EPSG:25833")
    assert "outside its area of use" in true.how


def test_to_true_magnetic_with_declination_of_the_day():
    # WMM2025 file: 44 km, 33 N, 118 W, 2025.5: 11.10 degrees; 2025-07-02 is 2025.4986
    true = norths.to_true(355.0, "magnetic", lat_deg=33.0, lon_deg=-118.0, height_m=44000.0, when=date(2025, 7, 2))
    assert true.azimuth_deg == pytest.approx(6.10, abs=ROUNDED_2)
    assert true.sigma_deg == pytest.approx(math.hypot(0.26, 5417 / 23678.74), abs=1e-4)
    assert "WMM2025" in true.how
    assert "+11.1°" in true.how


def test_to_true_true_is_untouched():
    true = norths.to_true(360.0, "true", lat_deg=0.0, lon_deg=0.0)
    assert (true.azimuth_deg, true.sigma_deg) == (0.0, 0.0)


def test_to_true_says_what_it_wants():
    with pytest.raises(InputError, match="wanted the day"):
        norths.to_true(10.0, "magnetic", lat_deg=1.0, lon_deg=2.0)
    with pytest.raises(InputError, match="wanted grid_crs"):
        norths.to_true(10.0, "grid", lat_deg=1.0, lon_deg=2.0)
