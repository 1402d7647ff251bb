"""Sun and shadows of a photo as observations: their directions, their uncertainties, and why one cannot be used."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from photoaz.estimate.controls import (
    GROUND_SLOPE,
    LEAN_RAD,
    SHADOW_PICK_PX,
    Attitude,
    clock_hint,
    clock_remark,
    heading_aids_of,
    shadow_spread_rad,
    sun_then,
    trusted_moment,
)
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.sun import sun_position
from photoaz.network.heading_aids import AidObservation, HeadingAid, LandmarkPixel, PixelBearing, Shadow, SunPixel
from photoaz.photo.camera import Camera, directions_from_pixels, project, rotation_cam_from_enu
from photoaz.photo.record import Finding, GeoPosition, Measured, PhotoRecord, TakenAt
from photoaz.register.model import Control
from photoaz.vision.sun_view import NoSun, SunGuess, SunSpot
from photoaz.vision.sunspot import find_sun

Array = NDArray[Any]

DEG = float(np.radians(1.0))
SPA_UNCERTAINTY_DEG = 0.0003  # NREL/TP-560-34302
# Reda and Andreas, NREL/TP-560-34302 (rev. January 2008), appendix A.5
NREL_UTC = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
NREL_PLACE = GeoPosition(lat_deg=39.742476, lon_deg=-105.1786, sigma_m=4.0, source="test")
NREL_AZIMUTH_DEG, NREL_ZENITH_DEG = 194.34024, 50.11162

CAM = Camera(width_px=2016, height_px=1512, f_px=1456.0, cx_px=1007.5, cy_px=755.5, f_relative_sigma=0.01)
FRAME = EnuFrame(lat_deg=NREL_PLACE.lat_deg, lon_deg=NREL_PLACE.lon_deg, height_m=0.0)
GREY = np.full((CAM.height_px, CAM.width_px), 90, np.uint8)


def record(utc: datetime | None = NREL_UTC, *, sigma_s: float = 2.0, codes: tuple[str, ...] = ()) -> PhotoRecord:
    return PhotoRecord(
        path=Path("a.jpg"),
        format="JPEG",
        width_px=CAM.width_px,
        height_px=CAM.height_px,
        orientation=1,
        position=NREL_PLACE,
        altitude_m=Measured(value=1830.14, sigma=20.0, source="test"),
        taken=TakenAt(local=None, utc=utc, sigma_s=sigma_s, source="test"),
        findings=tuple(Finding(code=c, severity="weak", tag="t", message="m") for c in codes),
    )


def attitude(
    heading: float, pitch: float, roll: float = 0.0, sigma: tuple[float, float, float] = (5, 1, 1)
) -> Attitude:
    return Attitude(value_rad=np.radians([heading, pitch, roll]), sigma_rad=np.radians(sigma))


TOWARDS = attitude(NREL_AZIMUTH_DEG - 9.0, 90.0 - NREL_ZENITH_DEG - 12.0, 1.5)
DOWN = attitude(20.0, -15.0, 1.0)


def sun_control(pixel: tuple[float, float] | None = None, u95: float = 0.3) -> Control:
    return Control(photo="a.jpg", kind="sun", u95=u95, pixel=pixel)


def direction(azimuth_rad: float, elevation_rad: float) -> Array:
    c = np.cos(elevation_rad)
    return np.array([np.sin(azimuth_rad) * c, np.cos(azimuth_rad) * c, np.sin(elevation_rad)])


def pixel_towards(look: Attitude, enu: Array) -> tuple[float, float]:
    """By OpenCV."""
    v = rotation_cam_from_enu(*look.value_rad) @ enu
    lens = np.array([[CAM.f_px, 0, CAM.cx_px], [0, CAM.f_px, CAM.cy_px], [0, 0, 1.0]])
    px, _ = cv2.projectPoints(v[None], np.zeros(3), np.zeros(3), lens, None)
    return float(px[0, 0, 0]), float(px[0, 0, 1])


@dataclass(frozen=True)
class Told:
    """What controls and sun became."""

    aids: tuple[HeadingAid, ...]
    notes: tuple[str, ...]

    def of(self, kind: type[HeadingAid]) -> list[Any]:
        return [a for a in self.aids if isinstance(a, kind)]


def see(*controls: Control, photo: PhotoRecord | None = None, look: Attitude = TOWARDS, image: Array = GREY) -> Told:
    def look_for_sun(guess: SunGuess, anywhere: bool) -> SunSpot | NoSun:
        return find_sun(image, CAM, guess, anywhere=anywhere)

    return Told(*heading_aids_of(controls, photo or record(), CAM, FRAME, look, look_for_sun))


# ---- the sun ---------------------------------------------------------------------------------------------------------


def test_the_suns_direction_is_nrels():
    (sun,) = see(sun_control((1200.0, 500.0))).of(SunPixel)
    assert np.degrees(sun.azimuth_rad) % 360 == pytest.approx(NREL_AZIMUTH_DEG, abs=SPA_UNCERTAINTY_DEG)
    # refraction of the standard atmosphere at that height, 0.0163 degrees, to 1 per cent
    assert 90 - np.degrees(sun.elevation_rad) == pytest.approx(NREL_ZENITH_DEG, abs=SPA_UNCERTAINTY_DEG)
    assert tuple(sun.pixel) == (1200.0, 500.0)


@pytest.mark.parametrize(("lat", "hour"), [(45.0, 8), (45.0, 15), (60.0, 12), (-34.0, 17), (1.0, 9)])
def test_the_suns_path_is_that_of_spherical_astronomy(lat, hour):
    """dA/dt = w (sin lat - cos lat cos A tan h), dh/dt = w cos lat sin A: from memory, any textbook has them."""
    place = replace(NREL_PLACE, lat_deg=lat, lon_deg=0.0)
    photo = replace(record(datetime(2024, 6, 21, hour, tzinfo=UTC)), position=place, altitude_m=None)
    then = sun_then(photo, FRAME)
    assert not isinstance(then, str)
    a, h = np.radians([then.sun.azimuth_deg, then.sun.elevation_deg])
    w = 2 * np.pi / 86400.0  # a turn in a mean solar day
    sl, cl = np.sin(np.radians(lat)), np.cos(np.radians(lat))
    want = w * np.array([(sl - cl * np.cos(a) * np.tan(h)) * np.cos(h), cl * np.sin(a)])
    one_per_cent = 0.01 * w  # equation of time, refraction
    assert np.abs(then.rate - want).max() < one_per_cent


def test_an_uncertain_moment_widens_the_direction_along_the_suns_path():
    sure, unsure = (see(sun_control((1, 1)), photo=record(sigma_s=s)).of(SunPixel)[0].covariance for s in (0.0, 120.0))
    before, later = (
        sun_position(NREL_UTC + timedelta(seconds=t), NREL_PLACE.lat_deg, NREL_PLACE.lon_deg, 1830.14)
        for t in (-120.0, 120.0)
    )
    moved = 0.5 * np.radians(
        [
            (later.azimuth_deg - before.azimuth_deg) * np.sin(np.radians(NREL_ZENITH_DEG)),
            later.elevation_deg - before.elevation_deg,
        ]
    )
    assert np.allclose(unsure - sure, np.outer(moved, moved), rtol=0.01, atol=1e-9)
    # u95 of 0.3 degrees; refraction's share at this elevation is a thousandth of it
    assert np.sqrt(np.diag(sure)) / DEG == pytest.approx([0.3 / 1.96, 0.3 / 1.96], rel=0.01)


@pytest.mark.parametrize(
    ("photo", "why"),
    [
        (replace(record(), taken=None), "does not say when"),
        (record(None), "no time zone"),
        (record(codes=("date-of-file",)), "file's last change"),
        (record(datetime(2003, 10, 17, 6, tzinfo=UTC)), "below the horizon"),
    ],
)
def test_without_a_moment_neither_sun_nor_shadow_is_used(photo, why):
    shadow = Control(photo="a.jpg", kind="shadow", u95=2.0, pixel=(700.0, 1000.0), tip_px=(1200.0, 1100.0))
    got = see(sun_control((1000.0, 200.0)), shadow, photo=photo, look=DOWN)
    assert not got.of(SunPixel)
    assert not got.of(Shadow)
    assert len(got.notes) == 2
    assert all(why in n for n in got.notes)
    assert not see(photo=photo).notes, "nothing is said where nobody asked"


def test_a_suns_pixel_outside_the_frame_is_not_used():
    got = see(sun_control((2100.0, 10.0)))
    assert not got.of(SunPixel)
    assert "outside the frame" in got.notes[0]


def test_a_control_without_pixel_says_why_no_sun_was_found():
    assert see(sun_control()).notes == ("sun not found: nothing there glows like it",)
    assert "outside the frame" in see(sun_control(), look=DOWN).notes[0]


def sunny(at: tuple[float, float]) -> Array:
    """A sun with its glow in a sky of one brightness."""
    y, x = np.mgrid[0 : CAM.height_px, 0 : CAM.width_px]
    sight = directions_from_pixels(CAM, np.stack([x, y], -1).astype(float))
    gamma = np.degrees(np.arccos(np.clip(sight @ directions_from_pixels(CAM, np.array(at)), -1, 1)))
    level = 0.2 + 0.7 * np.exp(-gamma / 4.0) + 0.5 / (1 + gamma**2) + 100.0 * (gamma < 0.267)
    noise = np.random.default_rng(1).normal(0, 2, gamma.shape)
    return np.clip(255 * np.clip(level, 0, 1) ** (1 / 2.2) + noise, 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def sun_at() -> tuple[float, float]:
    return pixel_towards(TOWARDS, direction(np.radians(NREL_AZIMUTH_DEG), np.radians(90 - NREL_ZENITH_DEG)))


@pytest.fixture(scope="module")
def sunny_image(sun_at) -> Array:
    return sunny(sun_at)


@pytest.mark.parametrize("asked", [True, False])
def test_the_sun_is_found_by_itself(sun_at, sunny_image, asked):
    off = attitude(*(np.degrees(TOWARDS.value_rad) + np.array([7.0, -0.9, 0.5])))
    got = see(*([sun_control()] if asked else []), look=off, image=sunny_image)
    (sun,) = got.of(SunPixel)
    assert np.hypot(*(sun.pixel - sun_at)) < 1.0
    assert not got.notes


def test_two_clocks_that_differ_are_not_used_unasked(sunny_image):
    photo = record(codes=("gps-time-differs",))
    assert not see(photo=photo, image=sunny_image).of(SunPixel)
    assert see(sun_control(), photo=photo, image=sunny_image).of(SunPixel)


@pytest.mark.parametrize(("hours", "said"), [(1.0, "1 h slow"), (-1.0, "1 h fast"), (2.5, "2.5 h slow")])
def test_a_sun_elsewhere_tells_of_the_clock(sunny_image, hours, said):
    """The photo is seen with its true sun; its clock says `hours` less."""
    photo = record(NREL_UTC - timedelta(hours=hours))
    got = see(sun_control(), photo=photo, image=sunny_image)
    assert not got.of(SunPixel)
    assert got.notes[-1].endswith(f"it fits a clock {said}")
    assert not see(photo=photo, image=sunny_image).of(SunPixel)


def test_the_remark_on_what_was_left_out_names_the_hour(sun_at):
    photo = record(NREL_UTC + timedelta(hours=1))
    unknowns = np.concatenate([TOWARDS.value_rad, np.zeros(6)])
    aid = SunPixel(pixel=np.array(sun_at), azimuth_rad=0.0, elevation_rad=0.0, covariance=np.eye(2))
    sun = AidObservation(aid, CAM, "l", np.arange(9))
    assert clock_remark(sun, photo, FRAME, CAM, unknowns) == "; it fits a clock 1 h fast"
    elsewhere = replace(sun, aid=replace(aid, pixel=np.array(sun_at) + np.array([900.0, -500.0])))
    assert clock_remark(elsewhere, photo, FRAME, CAM, unknowns) == "; the photo's clock may be off"


# ---- shadows ---------------------------------------------------------------------------------------------------------


def shadow_ends(
    look: Attitude,
    sun: tuple[float, float],
    *,
    up_m: float = 1.6,
    slope: tuple[float, float] = (0.0, 0.0),
    lean: tuple[float, float] = (0.0, 0.0),
    foot: tuple[float, float] = (3.0, 8.0),
    tall_m: float = 1.5,
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Pixels of foot and tip of a rod's shadow on a plane that rises by `slope` (east, north) from the foot."""
    to_sun = direction(*sun)
    base = np.array([*foot, 0.0])
    top = base + tall_m * np.array([*lean, 1.0])
    g = np.array(slope)
    # (top - t to_sun) lies on the plane: its height equals g times its level distance from the foot
    t = (top[2] - g @ (top[:2] - base[:2])) / (to_sun[2] - g @ to_sun[:2])
    tip = top - t * to_sun
    here = np.array([0, 0, up_m])
    return pixel_towards(look, base - here), pixel_towards(look, tip - here)


def shadow_azimuth(look: Attitude, ends: tuple[tuple[float, float], tuple[float, float]]) -> float:
    """As the observation reads it [rad]."""
    aid = Shadow(name="s", foot_px=np.array(ends[0]), tip_px=np.array(ends[1]), azimuth_rad=0.0, sigma_rad=1.0)
    return float(aid.residual(CAM, np.concatenate([look.value_rad, np.zeros(6)]))[0])


SUN = (float(np.radians(NREL_AZIMUTH_DEG)), float(np.radians(90 - NREL_ZENITH_DEG)))


def test_a_shadow_falls_away_from_nrels_sun():
    foot, tip = shadow_ends(DOWN, SUN)
    got = see(Control(photo="a.jpg", kind="shadow", u95=2.0, pixel=foot, tip_px=tip), look=DOWN)
    (shadow,) = got.of(Shadow)
    assert np.degrees(shadow.azimuth_rad) == pytest.approx(NREL_AZIMUTH_DEG - 180.0, abs=SPA_UNCERTAINTY_DEG)
    assert np.degrees(shadow_azimuth(DOWN, (foot, tip))) == pytest.approx(NREL_AZIMUTH_DEG - 180.0, abs=1e-6)
    assert shadow.name == "shadow"
    assert not got.notes


@pytest.mark.parametrize("foot", [(3.0, 8.0), (-2.0, 6.0), (1.0, 12.0)])
@pytest.mark.parametrize("elevation_deg", [15.0, 40.0, 60.0])
def test_sloping_ground_turns_a_shadow_as_derived(foot, elevation_deg):
    """s sin(psi) cot(depression) to first order, whatever the sun's elevation; across the shadow it turns nothing."""
    sun = (SUN[0] + 1.2, np.radians(elevation_deg))
    away = np.array([np.sin(sun[0] + np.pi), np.cos(sun[0] + np.pi)])
    level = shadow_ends(DOWN, sun, foot=foot)
    s = 1e-5
    along = shadow_azimuth(DOWN, shadow_ends(DOWN, sun, foot=foot, slope=tuple(s * away)))
    across = shadow_azimuth(DOWN, shadow_ends(DOWN, sun, foot=foot, slope=(-s * away[1], s * away[0])))
    before = shadow_azimuth(DOWN, level)
    assert abs(across - before) < 1e-9
    tip = np.array(foot) + 1.5 / np.tan(sun[1]) * away
    cot = np.hypot(*tip) / 1.6
    sin_psi = np.sin(sun[0] + np.pi - np.arctan2(*tip))
    assert abs(along - before) == pytest.approx(s * abs(sin_psi) * cot, rel=1e-3)


@pytest.mark.parametrize("elevation_deg", [15.0, 40.0, 60.0])
def test_a_leaning_rod_turns_its_shadow_as_derived(elevation_deg):
    sun = (SUN[0], np.radians(elevation_deg))
    q = 1e-5
    across = q * np.array([np.cos(sun[0]), -np.sin(sun[0])])
    off = shadow_azimuth(DOWN, shadow_ends(DOWN, sun, lean=tuple(across))) - shadow_azimuth(
        DOWN, shadow_ends(DOWN, sun)
    )
    assert abs(off) == pytest.approx(q * np.tan(sun[1]), rel=1e-3)


@pytest.mark.parametrize("elevation_deg", [15.0, 40.0, 60.0])
def test_spread_of_a_shadow_equals_monte_carlo(elevation_deg):
    sun = (SUN[0] + 1.2, np.radians(elevation_deg))
    rng = np.random.default_rng(3)
    drawn = []
    for _ in range(1500):
        slope, lean = rng.normal(0, GROUND_SLOPE, 2), rng.normal(0, LEAN_RAD, 2)
        ends = shadow_ends(DOWN, sun, slope=tuple(slope), lean=tuple(lean))
        moved = np.array(ends) + rng.normal(0, SHADOW_PICK_PX, (2, 2))
        drawn.append(shadow_azimuth(DOWN, (tuple(moved[0]), tuple(moved[1]))))
    foot, tip = shadow_ends(DOWN, sun)
    told = shadow_spread_rad(CAM, DOWN.value_rad, np.array(foot), np.array(tip), sun[1])
    assert told is not None
    # 1500 draws give a standard deviation to 2 per cent (1 sigma)
    assert told == pytest.approx(float(np.std(drawn)), rel=0.08)


def test_u95_of_a_shadow_is_taken_but_never_below_its_geometry():
    foot, tip = shadow_ends(DOWN, SUN)
    wide, bold = (
        see(Control(photo="a.jpg", kind="shadow", u95=u, pixel=foot, tip_px=tip), look=DOWN).of(Shadow)[0].sigma_rad
        for u in (12.0, 0.01)
    )
    least = shadow_spread_rad(CAM, DOWN.value_rad, np.array(foot), np.array(tip), SUN[1])
    assert least is not None
    assert wide == pytest.approx(12.0 / 1.96 * DEG, rel=0.01)
    assert bold == pytest.approx(least, rel=0.01)


@pytest.mark.parametrize(
    ("ends", "why"),
    [
        (((700.0, 100.0), (900.0, 1200.0)), "below the horizon"),
        (((700.0, 1200.0), (900.0, 100.0)), "below the horizon"),
        (((700.0, 1200.0), (702.0, 1200.0)), "degrees only"),
    ],
)
def test_a_shadow_that_cannot_be_used_says_why(ends, why):
    got = see(Control(photo="a.jpg", kind="shadow", u95=2.0, name="pole", pixel=ends[0], tip_px=ends[1]), look=DOWN)
    assert not got.of(Shadow)
    assert got.notes[0].startswith("shadow pole could not be used: ")
    assert why in got.notes[0]


def test_several_shadows_have_names_of_their_own():
    foot, tip = shadow_ends(DOWN, SUN)
    one = Control(photo="a.jpg", kind="shadow", u95=2.0, pixel=foot, tip_px=tip)
    got = see(one, one, replace(one, name="pole"), replace(one, name="pole"), look=DOWN)
    names = [s.name for s in got.of(Shadow)]
    assert len(set(names)) == 4
    assert "shadow pole" in names


@pytest.mark.parametrize("hours", [-1.0, 1.0, 2.0])
def test_a_shadow_tells_of_the_clock(hours):
    then = sun_position(NREL_UTC, NREL_PLACE.lat_deg, NREL_PLACE.lon_deg, 1830.14)
    foot, tip = shadow_ends(DOWN, (np.radians(then.azimuth_deg), np.radians(then.elevation_deg)))
    photo = record(NREL_UTC - timedelta(hours=hours))
    hint = clock_hint(photo, FRAME, CAM, np.array(foot), DOWN.value_rad, np.array(tip))
    assert hint == f"fits a clock {abs(hours):g} h {'slow' if hours > 0 else 'fast'}"


# ---- landmarks and bearings ------------------------------------------------------------------------------------------


def test_landmarks_and_bearings_are_taken_as_given():
    controls = (
        Control(photo="a", kind="landmark", u95=4.8954, pixel=(1.0, 2.0), lat_deg=39.75, lon_deg=-105.18),
        Control(
            photo="a", kind="landmark", u95=10.0, name="x", pixel=(3.0, 2.0), lat_deg=39.7, lon_deg=-105, height_m=9
        ),
        Control(photo="a", kind="bearing", u95=1.96, pixel=(5.0, 6.0), azimuth_true_deg=350.0),
    )
    got = see(*controls, photo=record(None))
    assert [s.name for s in got.of(LandmarkPixel)] == ["landmark 1", "x"]
    assert got.of(LandmarkPixel)[0].sigma_m == pytest.approx(2.0, abs=1e-4)
    assert got.of(LandmarkPixel)[0].height_sigma_m > 10 * got.of(LandmarkPixel)[1].height_sigma_m
    (bearing,) = got.of(PixelBearing)
    assert (np.degrees(bearing.azimuth_rad), bearing.sigma_rad / DEG) == pytest.approx((350.0, 1.0), abs=1e-3)
    assert not got.notes


def test_the_moment_is_trusted_with_a_zone_only():
    assert trusted_moment(record()) == NREL_UTC
    assert isinstance(trusted_moment(record(None)), str)


def test_project_agrees_with_this_files_projection(sun_at):
    v = rotation_cam_from_enu(*TOWARDS.value_rad) @ direction(*SUN)
    assert np.abs(project(CAM, v) - sun_at).max() < 1e-6  # px
