"""The sun found in rendered skies of known place, and not found in skies that only look like it.

The renderer is this file's own: radiance by angle from the sun (disc, aureole, veil of the lens), cloud, tower and
ground, exposure, clipping, the sRGB-like power 1 / 2.2, noise and JPEG. Its sky is no published model: aureole and veil
are sums of simple falls over a wide range of widths, so that the search cannot lean on one shape.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from photoaz.photo.camera import Camera, directions_from_pixels, rotation_cam_from_enu
from photoaz.vision.sun_view import NoSun, SunGuess, SunSpot
from photoaz.vision.sunspot import find_sun

Array = NDArray[Any]

SEMIDIAMETER_DEG = 0.2666
K95_PLANE = 2.4477  # radius of a circular normal distribution that holds 95 %
WIDTH, HEIGHT = 2016, 1512
F26 = 26.0 / 36.0 * WIDTH


def camera(f35: float = 26.0, *, upright: bool = False) -> Camera:
    w, h = (HEIGHT, WIDTH) if upright else (WIDTH, HEIGHT)
    return Camera(
        width_px=w,
        height_px=h,
        f_px=f35 / 36.0 * WIDTH,
        cx_px=(w - 1) / 2,
        cy_px=(h - 1) / 2,
        f_relative_sigma=0.01,
        principal_sigma_px=0.005 * w,
    )


@dataclass(frozen=True, kw_only=True)
class Sky:
    """A photo to be rendered. sun_px: where its centre is, None for no direct sun. Radiances in units of white."""

    sun_px: tuple[float, float] | None
    cam: Camera = field(default_factory=camera)
    disc: float = 3000.0
    aureole: float = 0.5
    aureole_deg: float = 4.0
    veil: float = 0.25
    base: float = 0.18
    cloud: float = 0.0
    cloud_level: float = 0.5
    thick_deg: float = 0.0
    bars: tuple[tuple[float, float], ...] = ()
    horizon_px: float | None = None
    pitch_deg: float = 20.0
    roll_deg: float = 0.0
    add: Any = None
    seed: int = 0


def clouds(shape: tuple[int, int], rng: np.random.Generator, octaves: int = 6) -> Array:
    """A field in about [0, 1] of many scales."""
    out = np.zeros(shape)
    for k in range(octaves):
        n = 2 ** (k + 2)
        coarse = rng.normal(0, 1, (n, n)).astype(np.float32)
        out += cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC) * 0.55**k
    return np.clip(0.5 + out / (3.5 * out.std()), 0, 1)


def render(sky: Sky) -> Array:
    """(H, W) grey uint8."""
    rng = np.random.default_rng(sky.seed)
    cam = sky.cam
    h, w = cam.height_px, cam.width_px
    step = 2
    y, x = np.mgrid[0:h:step, 0:w:step]
    px = np.stack([x, y], -1) + 0.5 * (step - 1)  # middles of what one rendered point becomes
    sight = directions_from_pixels(cam, px)
    level = np.full(x.shape, sky.base) * (1.0 + 0.5 * y / h)  # brighter towards the horizon
    veil = np.zeros_like(level)
    gamma = np.full(x.shape, 90.0)
    if sky.sun_px is not None:
        sun = directions_from_pixels(cam, np.array(sky.sun_px))
        gamma = np.degrees(2 * np.arcsin(np.clip(0.5 * np.linalg.norm(sight - sun, axis=-1), 0, 1)))
        level = level + sky.aureole * (np.exp(-gamma / sky.aureole_deg) + 0.5 / (1 + (gamma / 1.2) ** 2))
        direct = sky.disc * (gamma < SEMIDIAMETER_DEG)
        if sky.thick_deg > 0:  # thin cloud widens the disc to a patch of light
            direct = 1.6 * np.exp(-((gamma / sky.thick_deg) ** 2))
        level = level + direct
        veil = sky.veil / (1 + (gamma / 1.0) ** 2)
    if sky.cloud > 0:
        opacity = np.clip((clouds(x.shape, rng) - 1 + sky.cloud) / 0.25, 0, 1)
        lit = sky.cloud_level * (0.7 + 0.6 * clouds(x.shape, rng)) + 0.6 * sky.aureole * np.exp(-gamma / 6.0)
        level = level * (1 - opacity) + lit * opacity
    for at, wide in sky.bars:
        level = np.where(np.abs(x - at) < wide / 2, 0.04, level)
    if sky.horizon_px is not None:
        level = np.where(y > sky.horizon_px + 15 * np.sin(x / 90.0), 0.06, level)
    level = level + veil
    if sky.add is not None:
        level = sky.add(level, px, rng)
    small = 255.0 * np.clip(level, 0, 1) ** (1 / 2.2)
    image = cv2.resize(cv2.GaussianBlur(small.astype(np.float32), (0, 0), 0.7), (w, h), interpolation=cv2.INTER_LINEAR)
    image = np.clip(image + rng.normal(0, 2.0, (h, w)), 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 90])[1], cv2.IMREAD_GRAYSCALE)


def guess_for(
    sky: Sky,
    at_px: tuple[float, float],
    *,
    off_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    sigma_deg: tuple[float, float, float] = (5.0, 1.0, 1.0),
) -> SunGuess:
    """The prediction that puts the sun at a pixel, by an attitude that is off by so much."""
    true = np.radians([123.0, sky.pitch_deg, sky.roll_deg])
    d = rotation_cam_from_enu(*true).T @ directions_from_pixels(sky.cam, np.array(at_px))
    return SunGuess(
        azimuth_rad=float(np.arctan2(d[0], d[1])),
        elevation_rad=float(np.arcsin(d[2])),
        attitude_rad=true + np.radians(off_deg),
        attitude_sigma_rad=np.radians(sigma_deg),
    )


POSITIVE = {
    "clear, high up": Sky(sun_px=(700.0, 300.0)),
    "clear, weak aureole": Sky(sun_px=(1250.0, 420.0), aureole=0.2, base=0.1, seed=1),
    "clear, strong bloom": Sky(sun_px=(1000.0, 500.0), aureole=1.2, veil=0.8, aureole_deg=3.0, seed=2),
    "hazy": Sky(sun_px=(500.0, 350.0), aureole=0.8, aureole_deg=7.0, base=0.25, seed=3),
    "far off the axis": Sky(sun_px=(150.0, 140.0), seed=4, roll_deg=3.0),
    "cut by the border": Sky(sun_px=(12.0, 600.0), seed=5),
    "cut by the upper border": Sky(sun_px=(1300.0, 6.0), aureole=0.7, seed=6),
    "behind a bar": Sky(sun_px=(900.0, 420.0), bars=((905.0, 14.0),), seed=7),
    "behind the tower": Sky(sun_px=(900.0, 420.0), bars=((890.0, 60.0),), aureole=0.7, veil=0.4, seed=8),
    "beside the tower": Sky(sun_px=(900.0, 420.0), bars=((960.0, 90.0),), seed=9),
    "between clouds": Sky(sun_px=(1100.0, 400.0), cloud=0.35, cloud_level=0.45, seed=10),
    "among many clouds": Sky(sun_px=(180.0, 120.0), cloud=0.5, cloud_level=0.4, seed=11, aureole=0.6),
    "veiled": Sky(sun_px=(1100.0, 420.0), thick_deg=1.5, aureole=0.3, aureole_deg=5.0, base=0.2, seed=12),
    "more veiled": Sky(sun_px=(900.0, 500.0), thick_deg=2.2, aureole=0.2, veil=0.1, base=0.22, seed=13),
    "low over the land": Sky(sun_px=(1000.0, 1180.0), horizon_px=1260.0, seed=14),
    "long lens": Sky(sun_px=(900.0, 500.0), cam=camera(77.0), aureole=0.3, seed=15),
    "upright": Sky(sun_px=(500.0, 300.0), cam=camera(26.0, upright=True), seed=16),
    "rolled": Sky(sun_px=(1500.0, 300.0), roll_deg=-6.0, seed=17),
}


def _patch(shape: str, at: tuple[float, float], size_px: float, level: float = 3.0) -> Any:
    def add(levels: Array, px: Array, _rng: np.random.Generator) -> Array:
        d = np.abs(px - np.array(at))
        if shape == "round":
            inside = np.hypot(d[..., 0], d[..., 1]) < size_px
        elif shape == "tall":
            inside = (d[..., 0] < 0.22 * size_px) & (d[..., 1] < size_px)
        else:
            inside = (d[..., 0] < 0.8 * size_px) & (d[..., 1] < 0.6 * size_px)
        r = np.hypot(d[..., 0], d[..., 1])
        glare = 0.1 * level / 3.0 / (1 + (r / 12.0) ** 2)  # what the lens makes of any bright thing
        return np.where(inside, level, levels) + glare

    return add


def _burnt_overcast(strength: float) -> Any:
    def add(levels: Array, px: Array, rng: np.random.Generator) -> Array:
        return strength * (0.6 + 0.8 * clouds(levels.shape, rng, octaves=4))

    return add


def _bright_cloud(at: tuple[float, float], size_px: float, edge: float) -> Any:
    """A cloud in the light: burnt out, ragged, with soft edges."""

    def add(levels: Array, px: Array, rng: np.random.Generator) -> Array:
        r = np.hypot(*(px - np.array(at)).transpose(2, 0, 1)) / size_px
        thick = np.clip((1.0 - r + 1.6 * (clouds(levels.shape, rng) - 0.5)) / edge, 0, 1)
        return levels * (1 - thick) + 1.4 * thick

    return add


def _lit_edge(levels: Array, px: Array, rng: np.random.Generator) -> Array:
    """A dark cloud before the sun with a burnt-out rim."""
    field_ = clouds(levels.shape, rng, octaves=5)
    rim = np.exp(-(((field_ - 0.5) / 0.04) ** 2))
    return np.where(field_ > 0.5, 0.3, levels) + 1.5 * rim


def _windows(levels: Array, px: Array, _rng: np.random.Generator) -> Array:
    x, y = px[..., 0], px[..., 1]
    wall = (x > 700) & (x < 1500) & (y > 150)
    pane = wall & ((x % 130) < 55) & ((y % 160) < 70)
    out = np.where(wall, 0.15, levels)
    return np.where(pane & (np.abs(x - 1000) < 90) & (np.abs(y - 420) < 90), 4.0, np.where(pane, 0.3, out))


NEGATIVE = {
    "overexposed overcast": Sky(sun_px=None, add=_burnt_overcast(2.0), seed=30),
    "overcast, half burnt out": Sky(sun_px=None, add=_burnt_overcast(1.0), seed=31),
    "overcast, hardly burnt out": Sky(sun_px=None, add=_burnt_overcast(0.8), seed=32),
    "overcast, grey": Sky(sun_px=None, add=_burnt_overcast(0.6), seed=33),
    "white radome": Sky(sun_px=None, add=_patch("tall", (900.0, 420.0), 120.0), seed=34),
    "small white radome": Sky(sun_px=None, add=_patch("tall", (900.0, 420.0), 30.0, 1.2), seed=35),
    "white dish": Sky(sun_px=None, add=_patch("round", (900.0, 420.0), 45.0, 1.3), seed=36),
    "white ball": Sky(sun_px=None, add=_patch("round", (900.0, 420.0), 20.0, 2.0), seed=37),
    "lamp": Sky(sun_px=None, base=0.05, add=_patch("round", (900.0, 420.0), 6.0, 6.0), seed=38),
    "large lamp": Sky(sun_px=None, base=0.05, add=_patch("round", (900.0, 420.0), 12.0, 3.0), seed=39),
    "window glint": Sky(sun_px=None, add=_windows, seed=40),
    "lit cloud": Sky(sun_px=None, add=_bright_cloud((900.0, 420.0), 160.0, 0.3), seed=41),
    "soft lit cloud": Sky(sun_px=None, add=_bright_cloud((900.0, 420.0), 220.0, 0.9), seed=42),
    "small lit cloud": Sky(sun_px=None, add=_bright_cloud((900.0, 420.0), 90.0, 0.5), seed=43),
    "lit cloud's edge": Sky(sun_px=None, add=_lit_edge, seed=44),
    "blue sky without it": Sky(sun_px=None, seed=45),
    "clouds without it": Sky(sun_px=None, cloud=0.5, cloud_level=0.9, seed=46),
    "white wall": Sky(sun_px=None, add=_patch("box", (900.0, 420.0), 300.0, 1.5), seed=47),
}


@pytest.mark.parametrize("name", POSITIVE)
def test_the_sun_is_found_where_it_is(name):
    sky = POSITIVE[name]
    assert sky.sun_px is not None
    found = find_sun(render(sky), sky.cam, guess_for(sky, sky.sun_px, off_deg=(6.0, -0.8, 0.7)))
    assert isinstance(found, SunSpot), found
    off = float(np.hypot(*(found.pixel - sky.sun_px)))
    # with so few cases none should lie beyond one and a half times its U95 (probability 1e-3)
    assert off < 1.5 * K95_PLANE * found.sigma_px, (off, found)
    assert np.degrees(found.sigma_px / sky.cam.f_px) < 1.0


@pytest.mark.parametrize("name", NEGATIVE)
@pytest.mark.parametrize("heading", ["known to 5 degrees", "unknown"])
def test_what_is_not_the_sun_is_not_taken_for_it(name, heading):
    sky = NEGATIVE[name]
    sigma = (5.0 if heading != "unknown" else 180.0, 1.0, 1.0)
    found = find_sun(render(sky), sky.cam, guess_for(sky, (900.0, 420.0), sigma_deg=sigma))
    assert isinstance(found, NoSun), found
    assert found.reason


def random_sky(rng: np.random.Generator, seed: int) -> Sky:
    """A sun anywhere in the sky part of the frame, in clear, cloudy or veiled skies, some with a bar across it."""
    cam = camera(float(rng.choice([26, 40, 52])), upright=bool(rng.random() < 0.3))
    sun = (rng.uniform(0, cam.width_px), rng.uniform(0, 0.75 * cam.height_px))
    thick = float(rng.choice([0, 0, 0, 1.2, 2.0]))
    return Sky(
        sun_px=sun,
        cam=cam,
        aureole=rng.uniform(0.2, 1.0),
        aureole_deg=rng.uniform(2.5, 8),
        veil=rng.uniform(0.05, 0.6),
        base=rng.uniform(0.08, 0.3),
        cloud=float(rng.choice([0, 0, 0.3, 0.45])),
        cloud_level=rng.uniform(0.35, 0.7),
        thick_deg=thick,
        disc=0.0 if thick else 3000.0,
        bars=((sun[0] + rng.normal(0, 60), rng.uniform(8, 60)),) if rng.random() < 0.3 else (),
        horizon_px=float(sun[1] + rng.uniform(60, 700)),
        roll_deg=rng.normal(0, 2),
        seed=seed,
    )


def test_random_skies_are_covered_by_the_stated_u95():
    rng = np.random.default_rng(21)
    found, inside = 0, 0
    for k in range(40):
        sky = random_sky(rng, k)
        assert sky.sun_px is not None
        off = (rng.normal(0, 5), rng.normal(0, 1), rng.normal(0, 1))
        got = find_sun(render(sky), sky.cam, guess_for(sky, sky.sun_px, off_deg=off))
        if isinstance(got, SunSpot):
            found += 1
            inside += float(np.hypot(*(got.pixel - sky.sun_px))) < K95_PLANE * got.sigma_px
    assert found >= 16  # many of these suns stand behind cloud or are cut off: they are not told
    # of 20 at 95 %, fewer than 17 lie within with probability 0.016 (binomial)
    assert inside >= 0.85 * found
