"""Angles: definitions, published means, and the edges where floating point bites."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from photoaz import angles

ULP_DEG = 1e-9  # hypothesis draws up to 1e6 degrees; its last bit is worth 1.2e-10


@pytest.mark.parametrize(
    ("angle", "wanted"),
    [(0, 0), (180, 180), (-180, 180), (540, 180), (-540, 180), (181, -179), (359, -1), (-359, 1), (720.5, 0.5)],
)
def test_wrap_deg_by_definition(angle, wanted):
    assert angles.wrap_deg(float(angle)) == wanted
    assert angles.wrap_rad(math.radians(angle)) == pytest.approx(math.radians(wanted), abs=1e-14)


def test_an_angle_in_range_is_left_to_the_last_bit():
    x = np.array([1e-17, -1e-17, 0.1, -179.99999999999997])
    assert np.array_equal(angles.wrap_deg(x), x)


def test_just_past_half_a_turn():
    assert angles.wrap_deg(np.nextafter(180.0, 200.0)) == pytest.approx(-180.0)
    assert angles.wrap_deg(np.nextafter(180.0, 200.0)) > -180.0
    assert angles.wrap_deg(np.nextafter(-180.0, -200.0)) <= 180.0


def test_tiny_negative_azimuth_is_zero_not_360():
    assert angles.azimuth_deg(-1e-20) == 0.0
    assert math.copysign(1.0, angles.azimuth_deg(-0.0)) == 1.0
    assert angles.azimuth_deg(360.0) == 0.0


@settings(deadline=None)  # busy machines
@given(st.floats(-1e6, 1e6))
def test_wrapping_keeps_the_direction(x):
    for wrapped in (angles.wrap_deg(x), angles.azimuth_deg(x)):
        assert math.cos(math.radians(wrapped - x)) == pytest.approx(1.0, abs=1e-12)
    assert -180.0 < angles.wrap_deg(x) <= 180.0
    assert 0.0 <= angles.azimuth_deg(x) < 360.0
    assert angles.wrap_deg(angles.azimuth_deg(x)) == pytest.approx(angles.wrap_deg(x), abs=ULP_DEG) or abs(
        angles.wrap_deg(x)
    ) == pytest.approx(180.0, abs=ULP_DEG)


@settings(deadline=None)  # busy machines
@given(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=8))
def test_arrays_do_what_scalars_do(values):
    array = np.array(values)
    for function in (angles.wrap_deg, angles.wrap_rad, angles.azimuth_deg):
        assert function(array).tolist() == [function(v) for v in values]
        assert function(array.reshape(1, -1)).shape == (1, len(values))


def test_scalars_come_back_as_plain_floats():
    assert type(angles.wrap_deg(370)) is float
    assert type(angles.azimuth_deg(-10)) is float
    assert type(angles.difference_deg(359, 2)) is float


def test_wrap_rad_lets_a_complex_step_through():
    out = angles.wrap_rad(np.array([3.5 + 1e-30j]))
    assert out.imag[0] == 1e-30
    assert out.real[0] == pytest.approx(3.5 - 2 * math.pi, abs=1e-15)


def test_difference():
    # 359 against 2 is the pair of the wrapped E_n example, common practice
    assert angles.difference_deg(359.0, 2.0) == -3.0
    assert angles.difference_deg(2.0, 359.0) == 3.0
    assert angles.difference_deg(np.array([10.0, 350.0]), 0.0).tolist() == [10.0, -10.0]


def test_circular_mean():
    # Computed by hand from the four unit vectors; the arithmetic mean, 178.75, points the other way.
    assert angles.circular_mean_deg([350, 355, 2, 8]) == pytest.approx(358.749, abs=5e-4)
    scipy_stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(7)
    v = rng.normal(20.0, 40.0, 50)
    assert angles.circular_mean_deg(v) == pytest.approx(float(scipy_stats.circmean(v, high=360.0)), abs=1e-9)


@pytest.mark.parametrize("values", [[0, 180], []])
def test_circular_mean_refuses(values):
    with pytest.raises(ValueError, match="mean"):
        angles.circular_mean_deg(values)


@pytest.mark.parametrize(
    ("value", "u95", "wanted"),
    [
        (124.63, 4.04, "124.6° ± 4.0°"),  # two significant digits: JCGM 100:2008, 7.2.6
        (124.63, 12.3, "125° ± 12°"),
        (124.634, 0.52, "124.63° ± 0.52°"),
        (124.634, 0.996, "124.6° ± 1.0°"),
        (124.634, 120.0, "125° ± 120°"),
        (124.63, None, "124.6°"),
        (359.97, 1.5, "0.0° ± 1.5°"),
        (-0.04, None, "0.0°"),
    ],
)
def test_format(value, u95, wanted):
    assert angles.format_azimuth_deg(value, u95) == wanted


def test_format_difference():
    assert angles.format_difference_deg(6.62) == "+6.6°"
    assert angles.format_difference_deg(-0.04) == "0.0°"


@pytest.mark.parametrize(
    "text",
    [
        "-37°57'03.72030\"",
        "37°57'03.72030\"S",
        "37 57 03.72030 S",
        "S 37:57:03.72030",
        "-37.9510334167",
        "37.9510334167° S",
        "-37d57m3.7203s",
        "\N{MINUS SIGN}37.9510334167",
        "37d57m3.7203s S",
        "37° 57.062005' S",
    ],
)
def test_parse_angle_flinders_peak(text):
    # Flinders Peak, GDA Technical Manual (ICSM): -37 57' 03.72030" = -37.95103341667
    assert angles.parse_angle_deg(text) == pytest.approx(-37.95103341667, abs=1e-10)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "abc",
        "37,95",
        "37°61'0\"",
        "37 57 60",
        "37 57.5 3",
        "-37 S",
        "37D57M3S",
        "1_000",
        "nan",
        "inf",
        "1 2 3 4",
        "12 m",
    ],
)
def test_parse_angle_refuses(text):
    with pytest.raises(ValueError, match=r".+"):
        angles.parse_angle_deg(text)


@pytest.mark.parametrize(
    "text",
    [
        "49.155460, 14.2",
        "49.155460,14.2",
        "49.155460 14.2",
        "49,155460 14,2",
        "49,155460, 14,2",
        "49,155460; 14,2",
        "49,155460,14,2",
        "49,155460\t14,2",
        "49.155460° N, 14.2° E",
        "14,2° E 49,155460° N",  # letters tell which is which, whatever the order
        "N 49.155460 E 14.2",
        "49°09'19.656\"N 14°12'00\"E",
        "49°09'19,656\"N14°12'00,0\"E",
        "49° 9' 19.656\", 14° 12' 0\"",
        "49 9 19.656 14 12 0",
        "49:09:19.656 14:12:00",
        "49° 9.3276' N, 14° 12.0' E",
        "geo:49.155460,14.2",  # RFC 5870
        "geo:49.155460,14.2;u=8",
        "(49.155460, 14.2)",
    ],
)
def test_a_place_is_read_in_the_spellings_that_people_and_maps_write(text):
    # 49 deg 9' 19.656" = 49 + 9/60 + 19.656/3600 = 49.155460; 14 deg 12' = 14.2, by hand
    assert angles.parse_place_deg(text) == pytest.approx((49.155460, 14.2), abs=1e-9)


def test_a_place_south_and_west():
    wanted = pytest.approx((-33.45, -70.6667), abs=1e-9)
    for text in (
        "-33.45,-70.6667",
        "-33,45 -70,6667",
        "33.45 S, 70.6667 W",
        "\N{MINUS SIGN}33.45 \N{MINUS SIGN}70.6667",
    ):
        assert angles.parse_place_deg(text) == wanted


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("49,155460", "one coordinate"),  # never 49 and 155460
        ("49.155460", "one coordinate"),
        ("49,14", "two ways"),  # 49.14 alone, or a pair
        ("49,5,14", "two ways"),
        ("1,2 3 4", "two ways"),
        ("1 2 3 4 5 6 7", "not a latitude"),
        ("151.2, -33.9", "exchanged"),
        ("14.2 E, 15.2 E", "not a latitude"),
        ("49.1 N, 200", "not a latitude"),
        ("here", "not a latitude"),
        ("", "nothing"),
    ],
)
def test_a_place_that_can_be_read_in_several_ways_or_none_is_refused(text, said):
    with pytest.raises(ValueError, match=said):
        angles.parse_place_deg(text)


@settings(deadline=None)  # busy machines
@given(st.floats(-90, 90), st.floats(-180, 180), st.sampled_from([".", ","]), st.sampled_from([" ", "; ", ", "]))
def test_a_written_place_is_read_back(lat, lon, decimal, between):
    text = between.join(f"{v:.7f}".replace(".", decimal) for v in (lat, lon))
    assert angles.parse_place_deg(text) == pytest.approx((lat, lon), abs=1e-7)
