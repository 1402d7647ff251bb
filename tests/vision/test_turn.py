"""How a found panel is turned: its picture by geometry, its density by scipy's, the network on the sample."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.stats import vonmises

import photoaz.vision.turn as turn_module
from photoaz.angles import wrap_deg
from photoaz.photo.camera import Camera
from photoaz.sample import sample_dir
from photoaz.vision.finder import PanelCandidate, find_panels
from photoaz.vision.head_locator import HeadGuess
from photoaz.vision.measure import Expectation, turn_of
from photoaz.vision.turn import (
    BINS,
    COLUMNS,
    N_FACTS,
    ROWS,
    TALL_SHARE,
    WIDE_SHARE,
    TurnDensity,
    density_of,
    facts_of,
    picture_of,
    scores_of,
)

WEIGHTS = Path(turn_module.__file__).parent / "weights"
MIDDLES = np.arange(BINS) * 2 * np.pi / BINS - np.pi


def mixture(*peaks: tuple[float, float, float]) -> TurnDensity:
    """Of von Mises distributions: share, middle [deg], concentration."""
    density = sum(share * vonmises.pdf(MIDDLES, kappa, np.radians(at)) for share, at, kappa in peaks)
    return TurnDensity(np.log(2 * np.pi * np.maximum(density, 1e-9)))


# ---- the density ----------------------------------------------------------------------------------------------------


def test_density_between_its_bins_and_round_the_circle() -> None:
    d = mixture((1.0, 177.0, 20.0))
    assert d.at(np.radians(177.0)) == pytest.approx(np.log(2 * np.pi * vonmises.pdf(0.0, 20.0)), abs=0.02)
    np.testing.assert_allclose(d.at(np.radians([-181.0, 179.0, 539.0])), d.at(np.radians(179.0)), rtol=1e-9)
    assert d.at(MIDDLES) == pytest.approx(d.ln)
    assert np.degrees(d.best_rad) == pytest.approx(177.0, abs=0.6)


def test_parts_are_the_distributions_it_was_made_of() -> None:
    """A von Mises distribution of concentration k has about the normal's sigma 1 / sqrt(k) (Mardia and Jupp, 2000)."""
    parts = mixture((0.7, -120.0, 100.0), (0.3, 175.0, 60.0)).parts
    assert [p[0] for p in parts] == pytest.approx([0.7, 0.3], abs=0.01)
    assert [wrap_deg(np.degrees(p[1]) - v) for p, v in zip(parts, (-120.0, 175.0), strict=True)] == pytest.approx(
        [0.0, 0.0], abs=0.5
    )
    # a bin of 5 degrees adds its own spread
    own = np.radians(5.0) / np.sqrt(12.0)
    assert [p[2] for p in parts] == pytest.approx([np.hypot(k**-0.5, own) for k in (100.0, 60.0)], rel=0.04)


def test_scores_mean_less_than_they_say_by_the_calibration() -> None:
    """Never less than the share that every turn keeps, and one in all."""
    said = json.loads((WEIGHTS / "turn.json").read_text("utf-8"))
    d = density_of(np.where(np.arange(BINS) == 30, 60.0, 0.0))
    assert d.ln.min() == pytest.approx(np.log(said["even"]), abs=1e-6)
    assert np.exp(d.ln).mean() == pytest.approx(1.0, abs=1e-9)


# ---- the picture and the facts --------------------------------------------------------------------------------------


def box(wide: float, tall: float, lean_deg: float, at: tuple[float, float]) -> np.ndarray:
    """A flat box's corners (8, 2), leaning clockwise."""
    a = np.radians(lean_deg)
    half = np.array([[-wide, -tall], [wide, -tall], [wide, tall], [-wide, tall]]) / 2
    px = half @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + at
    return np.concatenate([px, px])


@pytest.mark.parametrize(("wide", "tall"), [(9.0, 40.0), (30.0, 150.0), (130.0, 700.0)])
@pytest.mark.parametrize("lean_deg", [-8.0, 0.0, 5.0])
def test_panel_stands_upright_in_the_middle_and_fills_its_share(wide: float, tall: float, lean_deg: float) -> None:
    corners = box(wide, tall, lean_deg, (600.3, 800.7))
    image = np.zeros((1600, 1200), np.uint8)
    # OpenCV's polygons hold the pixels on their border, half of each outside
    drawn = box(wide - 1.0, tall - 1.0, lean_deg, (600.3, 800.7))
    cv2.fillConvexPoly(image, np.round(16 * drawn[:4]).astype(np.int32), 255, cv2.LINE_AA, 4)
    bright = picture_of(image, corners, 0.7 * tall + 25.0) / 255.0
    assert bright.shape == (ROWS, COLUMNS)
    assert bright.sum(1).max() == pytest.approx(COLUMNS * WIDE_SHARE, abs=0.1 * COLUMNS * WIDE_SHARE)
    assert bright.sum(0).max() == pytest.approx(ROWS * TALL_SHARE, abs=0.05 * ROWS * TALL_SHARE)
    rows, columns = np.mgrid[:ROWS, :COLUMNS]
    middle = (bright * rows).sum() / bright.sum(), (bright * columns).sum() / bright.sum()
    assert middle == pytest.approx(((ROWS - 1) / 2, (COLUMNS - 1) / 2), abs=0.5)


def test_picture_is_scipys_resampling_where_nothing_is_reduced() -> None:
    image = cv2.GaussianBlur(np.random.default_rng(1).integers(0, 255, (200, 160), dtype=np.uint8), (0, 0), 2.0)
    wide, tall = 12.0, 50.0
    corners = box(wide, tall, 0.0, (80.0, 100.0))
    rows = 100.0 + ((np.arange(ROWS) + 0.5) / ROWS - 0.5) * tall / TALL_SHARE
    columns = 80.0 + ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * wide / WIDE_SHARE
    want = map_coordinates(image.astype(float), np.meshgrid(rows, columns, indexing="ij"), order=1)
    assert np.abs(picture_of(image, corners, 60.0) - want).max() < 2.0  # grey levels: OpenCV's fixed-point weights


def test_no_pixel_farther_off_is_looked_at() -> None:
    """What is held of a large site's photos is the part within reach."""
    corners = box(40.0, 200.0, 3.0, (500.0, 600.0))
    image = np.random.default_rng(2).integers(0, 255, (1200, 1000), dtype=np.uint8)
    other = image.copy()
    other[:434], other[767:], other[:, :334], other[:, 667:] = 0, 0, 0, 0
    np.testing.assert_array_equal(picture_of(image, corners, 165.0), picture_of(other, corners, 165.0))


def test_facts_by_hand() -> None:
    """A panel 0.3 m wide and 2 m tall, face-on and level at 50 m, seen as large as it should be."""
    camera = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)
    e = expected(camera, 0.0, 50.0, (0.3, 2.0, 0.12))
    c = PanelCandidate(
        corners_px=box(18.0, 120.0, 0.0, (1999.5, 1499.5)), probability=0.5, front=1.0, yaw_rad=0.0, visible=1.0
    )
    facts = facts_of(
        c, e.sighting(), distance_m=50.0, ln_distance_sigma=0.05, ln_size=e.ln_size, ln_size_sigma=e.ln_size_sigma
    )
    assert facts.shape == (N_FACTS,)
    assert facts[[2, 3]] == pytest.approx([0.0, 1.0], abs=1e-6)  # the line of sight rises by nothing
    assert facts[[8, 9]] == pytest.approx([0.0, 0.0], abs=1e-6)  # as wide and as tall as expected
    assert facts[[11, 12, 13, 14, 18]] == pytest.approx([1.0, 0.0, 1.0, 1.0, 0.0], abs=1e-6)


# ---- the network ----------------------------------------------------------------------------------------------------


def expected(camera: Camera, pitch_deg: float, distance_m: float, whd_m: tuple[float, float, float]) -> Expectation:
    return Expectation(
        camera=camera, pitch_rad=float(np.radians(pitch_deg)), pitch_sigma_rad=0.01, roll_rad=0.0, roll_sigma_rad=0.02,
        distance_m=distance_m, ln_distance_sigma=0.05,
        ln_size=np.log(whd_m), ln_size_sigma=np.array([0.02, 0.02, 0.05]),
        downtilt_rad=0.03, downtilt_sigma_rad=0.02, panel_roll_sigma_rad=0.02,
    )  # fmt: skip


def test_network_says_what_it_said_where_it_was_trained() -> None:
    """PyTorch's scores for numbers that anybody can draw again."""
    reference = json.loads((WEIGHTS / "turn.json").read_text("utf-8"))["reference"]
    rng = np.random.default_rng(reference["seed"])
    pictures = rng.normal(0, 1, (2, 3, ROWS, COLUMNS)).astype(np.float32)
    facts = rng.normal(0, 1, (2, N_FACTS)).astype(np.float32)
    net = turn_module._network()
    net.setInput(pictures, "picture")
    net.setInput(facts, "facts")
    np.testing.assert_allclose(net.forward()[0, ::12], reference["scores"], atol=2e-3)


def seen_turned() -> list[tuple[float, float, float]]:
    """Of each panel found in the sample's photos: error of the finder's yaw and of the network's [deg], ln density."""
    folder = sample_dir()
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    antennas = {a["antenna_id"]: a for a in truth["antennas"]}
    out = []
    for p in truth["photos"]:
        image = cv2.imread(str(folder / p["file"]), cv2.IMREAD_GRAYSCALE)
        camera = Camera(**{k: p[k] for k in ("width_px", "height_px", "f_px", "cx_px", "cy_px", "k1")})
        away = {a["antenna_id"]: np.array(a["centre_enu_m"]) - p["position_enu_m"] for a in truth["antennas"]}
        distance = float(np.median([np.linalg.norm(v) for v in away.values()]))
        guess = HeadGuess(distance_m=distance, ln_distance_sigma=0.08, width_m=0.32, height_m=2.0, rise_m=0.2)
        found = find_panels(np.repeat(image[..., None], 3, 2), camera, guess).candidates
        for seen in p["antennas"]:
            corners, d = np.array(seen["corners_px"]), away[seen["antenna_id"]]
            off = [float(np.linalg.norm(c.corners_px.mean(0) - corners.mean(0))) for c in found]
            if not off or min(off) > 0.3 * np.ptp(corners[:, 0]):
                continue
            c = found[int(np.argmin(off))]
            a = antennas[seen["antenna_id"]]
            yaw = float(wrap_deg(a["azimuth_deg"] - np.degrees(np.arctan2(-d[0], -d[1]))))
            e = expected(camera, p["pitch_deg"], float(np.linalg.norm(d)), (a["width_m"], a["height_m"], a["depth_m"]))
            said = turn_of(image, c, e)
            errors = (abs(float(wrap_deg(np.degrees(v) - yaw))) for v in (c.yaw_rad, said.best_rad))
            out.append((*errors, float(said.at(np.radians(yaw)))))
    return out


def test_turn_of_the_samples_panels_is_seen_better_than_the_finder_says_it() -> None:
    """Heads, light and camera that the network never saw."""
    finder, own, ln = np.array(seen_turned()).T
    assert len(own) >= 25
    assert np.median(own) < 7.0 < np.median(finder)
    assert np.mean(own < 25.0) >= 0.9
    # all turns alike would give 0; a wrong certainty is dear
    assert ln.mean() > 1.5


def test_a_mirror_image_is_turned_the_other_way() -> None:
    """A panel seen from its left is the mirror image of one seen from its right, for whoever looks at either."""
    rng = np.random.default_rng(3)
    picture = cv2.GaussianBlur(rng.uniform(0, 255, (ROWS, COLUMNS, 3)), (0, 0), 3.0).astype(np.uint8)
    facts = rng.normal(0.0, 0.5, N_FACTS)
    mirrored = facts.copy()
    mirrored[12] *= -1.0  # the sine of the finder's yaw
    one, other = density_of(scores_of(picture, facts)), density_of(scores_of(picture[:, ::-1], mirrored))
    assert np.ptp(one.ln) > 1.0
    yaw = np.radians([-170.0, -95.0, -20.0, 0.0, 35.0, 80.0, 180.0])
    np.testing.assert_allclose(other.at(-yaw), one.at(yaw), atol=1e-4)


def test_plain_sky_is_no_certain_turn() -> None:
    camera = Camera(width_px=4000, height_px=3000, f_px=3000.0, cx_px=1999.5, cy_px=1499.5)
    c: Any = PanelCandidate(
        corners_px=box(18.0, 120.0, 0.0, (1999.5, 1499.5)), probability=0.3, front=0.5, yaw_rad=1.0, visible=0.3
    )
    sky = np.clip(np.random.default_rng(1).normal(190, 1.5, (3000, 4000)), 0, 255).astype(np.uint8)
    said = turn_of(sky, c, expected(camera, 0.0, 50.0, (0.3, 2.0, 0.12)))
    assert max(p[2] for p in said.parts) > np.radians(6.0)
