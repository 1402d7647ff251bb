"""Attitude from upright lines: scenes projected and drawn by OpenCV and SciPy alone, and the sample photos.

Scenes are flat strips that face the camera, standing on end: their edges are plumb in space, or lean by a known angle.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from photoaz.photo.camera import Camera
from photoaz.photo.pixels import decode_gray
from photoaz.vision.verticals import Verticals, find_verticals

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images"

WIDE = Camera(width_px=1600, height_px=1200, f_px=1200.0, cx_px=805.0, cy_px=595.0)
LONG = Camera(width_px=1600, height_px=1200, f_px=6000.0, cx_px=799.5, cy_px=599.5)
#: what is known of an attitude before [deg]: a sensor's or the register's pitch, a hand-held roll
PITCH_SIGMA_DEG, ROLL_SIGMA_DEG = 1.0, 1.5
#: the roll's standard uncertainty that is asked for where a mast is in view [deg]
WANTED_DEG = 0.3

Strip = tuple[tuple[float, float, float], tuple[float, float, float], float, float]


@dataclass(frozen=True, slots=True)
class Scene:
    """Strips (foot, top, widths of both; metres east, north and up of the camera) before a camera that looks north."""

    strips: list[Strip]
    pitch_deg: float
    roll_deg: float
    camera: Camera = WIDE
    noise: float = 2.0

    def _pixels(self, points: np.ndarray) -> np.ndarray:
        c = self.camera
        level = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
        turn = Rotation.from_euler("yx", [self.roll_deg, self.pitch_deg], degrees=True).as_matrix()
        matrix = np.array([[c.f_px, 0, c.cx_px], [0, c.f_px, c.cy_px], [0, 0, 1]])
        rvec = cv2.Rodrigues(level @ turn.T)[0]
        return cv2.projectPoints(points, rvec, np.zeros(3), matrix, np.array([c.k1, c.k2, 0, 0]))[0].reshape(-1, 2)

    def draw(self, rng: np.random.Generator) -> np.ndarray:
        image = np.full((self.camera.height_px, self.camera.width_px), 190, np.uint8)
        along = np.linspace(0, 1, 25)[:, None]  # a lens's distortion bends an edge
        for foot, top, below, above in self.strips:
            axis = np.array(foot) * (1 - along) + np.array(top) * along
            half = (below * (1 - along) + above * along) / 2 * np.array([1.0, 0, 0])
            outline = np.concatenate([self._pixels(axis - half), self._pixels(axis + half)[::-1]])
            cv2.fillPoly(
                image,
                [np.round(outline * 256).astype(np.int32)],
                int(rng.integers(40, 150)),
                cv2.LINE_AA,
                shift=8,
            )
        stored = cv2.GaussianBlur(image, (0, 0), 0.8) + rng.normal(0, self.noise, image.shape)
        return np.clip(np.round(stored), 0, 255).astype(np.uint8)

    def look(self, rng: np.random.Generator, camera: Camera | None = None, **known: Any) -> Verticals | None:
        """Draw it and look for verticals, knowing the pitch and the roll as well as a photo's metadata."""
        pitch_off = rng.normal(0, PITCH_SIGMA_DEG)
        return find_verticals(
            self.draw(rng),
            camera or self.camera,
            **{
                "pitch_rad": np.radians(self.pitch_deg + pitch_off),
                "pitch_sigma_rad": np.radians(PITCH_SIGMA_DEG),
                "roll_rad": 0.0,
                "roll_sigma_rad": np.radians(ROLL_SIGMA_DEG),
                **known,
            },
        )

    def score(self, v: Verticals) -> float:
        """The roll's error at the true pitch over its standard uncertainty."""
        return float((v.roll_at(np.radians(self.pitch_deg)) - np.radians(self.roll_deg)) / v.sigma_roll_rad)


def pipes(rng: np.random.Generator, count: int = 8, spread: float = 0.5) -> list[Strip]:
    """Plumb pipes at any distance, over a share of the frame's width about the north."""
    out = []
    for x in np.linspace(-spread, spread, count) + rng.normal(0, 0.02, count):
        far = rng.uniform(20, 40)
        up = far * rng.uniform(0.15, 0.35), far * rng.uniform(0.5, 0.8)
        w = rng.uniform(0.15, 0.5)
        out.append(((x * far, far, up[0]), (x * far, far, up[1]), w, w))
    return out


def monopole(x: float = 2.0, far: float = 30.0) -> list[Strip]:
    """A pole that tapers by 0.6 deg on either side: no edge of it is plumb, its axis is."""
    return [((x, far, 0.0), (x, far, 28.0), 1.5, 0.9)]


def out_of_plumb(strips: list[Strip], rng: np.random.Generator, lean_deg: float, own_deg: float) -> list[Strip]:
    """The strips leaning sideways: all by one angle, and each by its own."""
    common = rng.normal(0, lean_deg)
    slopes = np.tan(np.radians(common + rng.normal(0, own_deg, len(strips))))
    return [
        (foot, (top[0] + m * (top[2] - foot[2]), *top[1:]), a, b)
        for (foot, top, a, b), m in zip(strips, slopes, strict=True)
    ]


def lattice(x: float = -2.0, far: float = 30.0) -> list[Strip]:
    """Four legs that lean inwards by 2.6 and 1.1 deg, crossed by diagonals."""
    out: list[Strip] = []
    for half, slope in ((1.6, 0.045), (0.7, 0.019)):
        for s in (-1, 1):
            out.append(((x + s * half, far, 0.0), (x + s * (half - slope * 25), far, 25.0), 0.15, 0.15))
    for z in np.arange(1.0, 24.0, 2.0):
        for s in (-1, 1):
            out.append(
                (
                    (x + s * (1.6 - 0.045 * z), far, z),
                    (x - s * (1.6 - 0.045 * (z + 2)), far, z + 2.0),
                    0.08,
                    0.08,
                )
            )
    return out


def panels(rng: np.random.Generator, count: int = 6) -> list[Strip]:
    """Antennas seen from the side, tilted by up to 6 deg to the right or the left."""
    out = []
    for x in np.linspace(-4, 4, count) + rng.normal(0, 0.2, count):
        z, lean = rng.uniform(17, 22), np.radians(rng.uniform(0, 6)) * np.sign(x)
        out.append(((x, 29.0, z), (x + 2.0 * np.tan(lean), 29.0, z + 2.0), 0.3, 0.3))
    return out


@pytest.mark.parametrize(("pitch", "roll"), [(10.0, 0.0), (25.0, 2.0), (35.0, -2.5), (0.5, 1.0)])
def test_roll_from_plumb_pipes(pitch: float, roll: float) -> None:
    scene = Scene(pipes(np.random.default_rng(3), 12), pitch, roll)
    v = scene.look(np.random.default_rng(4))
    assert v is not None
    assert abs(np.degrees(v.roll_at(np.radians(pitch))) - roll) < WANTED_DEG
    assert abs(scene.score(v)) < 2.0
    assert np.degrees(v.sigma_roll_rad) < ROLL_SIGMA_DEG / 4


@pytest.mark.parametrize("roll", [-2.0, 0.3, 1.5])
def test_a_pole_that_tapers_stands_in_the_middle_of_its_edges(roll: float) -> None:
    scene = Scene(monopole(), 20.0, roll)
    v = scene.look(np.random.default_rng(1))
    assert v is not None
    assert abs(scene.score(v)) < 2.0
    # not as good as a plumb line: either edge may be one
    assert np.degrees(v.sigma_roll_rad) > 0.4


@pytest.mark.parametrize("roll", [-2.0, 0.3, 1.5])
def test_legs_and_diagonals_of_a_lattice_balance(roll: float) -> None:
    """A lattice with a ladder and a feeder that are plumb; most of its lines lean."""
    plumb: list[Strip] = [((x, 30.0, 0.0), (x, 30.0, 26.0), 0.1, 0.1) for x in (-2.3, -1.8)]
    scene = Scene([*lattice(), *plumb], 20.0, roll)
    v = scene.look(np.random.default_rng(1))
    assert v is not None
    assert abs(scene.score(v)) < 2.0
    alone = Scene(lattice(), 20.0, roll).look(np.random.default_rng(1))
    assert alone is None or abs(scene.score(alone)) < 2.0


@pytest.mark.parametrize("camera", [WIDE, LONG], ids=["wide", "long"])
def test_intervals_hold_what_they_promise(camera: Camera) -> None:
    """Towers, pipes, tilted panels, none quite plumb: the error over its standard uncertainty, over 40 scenes.

    All lean by 0.17 deg together (0.3 % of the height: common practice, no source) and each by 0.4 deg of its own.
    By the binomial distribution 33 or fewer of 40 within a true 95 % interval have a chance of 1 in 300. An interval
    that is much too wide is wrong too.
    """
    scores, sigmas = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        kit: list[Strip] = [*panels(rng), *(monopole() if seed % 2 else lattice(2.0))]
        kit += pipes(rng, int(rng.integers(2, 7)))
        kit += [((x, 29.5, 16.0), (x, 29.5, 22.0), 0.12, 0.12) for x in rng.uniform(-4, 4, 4)]
        pitch = 20.0 if camera is WIDE else 33.0
        kit = out_of_plumb(kit, rng, 0.17, 0.4)
        scene = Scene(kit, pitch, float(np.clip(rng.normal(0, 1.5), -3.5, 3.5)), camera)
        v = scene.look(rng)
        if v is not None:
            scores.append(scene.score(v))
            sigmas.append(np.degrees(v.sigma_roll_rad))
    assert len(scores) >= 25
    assert np.mean(np.abs(scores) < 1.96) > 33 / 40
    assert 0.3 < np.sqrt(np.mean(np.square(scores))) < 1.3
    assert np.median(sigmas) < 0.4  # degrees


def test_distortion_of_the_lens_is_taken_out() -> None:
    """Pipes on one side of a frame with 4 % barrel distortion at its corner: they lean all alike if it is left in."""
    bent = replace(WIDE, k1=-0.06, k2=0.01)
    scene = Scene([s for s in pipes(np.random.default_rng(5), 16) if s[0][0] < -0.15 * s[0][1]], 30.0, 1.0, bent)
    right, wrong = (scene.look(np.random.default_rng(6), camera) for camera in (bent, WIDE))
    assert right is not None
    assert wrong is not None
    assert abs(scene.score(right)) < 2.0
    assert abs(scene.score(wrong)) > 2 * abs(scene.score(right))


def test_lines_all_over_a_wide_frame_tell_the_pitch_too() -> None:
    scene = Scene(pipes(np.random.default_rng(7), 14, 0.55), 30.0, 1.0)
    v = scene.look(
        np.random.default_rng(8), pitch_rad=np.radians(33.0), pitch_sigma_rad=np.radians(4.0), roll_rad=np.radians(-0.5)
    )
    assert v is not None
    assert v.root.shape == (2, 5)
    best = v.mean + np.linalg.solve(v.root[:, :2], v.offset)
    sigma = np.sqrt(np.diag(np.linalg.inv(v.root[:, :2].T @ v.root[:, :2])))
    assert (np.abs(np.degrees(best) - [30.0, 1.0]) < 2 * np.degrees(sigma)).all()
    assert np.degrees(sigma[0]) < 1.5


def test_through_a_long_lens_the_roll_alone() -> None:
    scene = Scene([s for x in (-1.0, 0.5) for s in monopole(x, 40.0)], 30.0, -1.2, LONG)
    scene.strips.extend(((x, 40.0, 18.0), (x, 40.0, 28.0), 0.1, 0.1) for x in (-2.0, 2.0))
    v = scene.look(np.random.default_rng(9))
    assert v is not None
    assert v.root.shape == (1, 5)
    assert abs(scene.score(v)) < 2.0


def test_what_was_known_before_is_not_counted_again() -> None:
    """A prior that is off changes the answer by less than its uncertainty, and a narrow one does not narrow it."""
    scene = Scene(pipes(np.random.default_rng(10)), 20.0, 1.0)
    at, sigma = [], []
    for roll, spread in ((0.0, 1.5), (2.0, 1.5), (1.0, 0.5), (1.0, 4.0)):
        v = scene.look(np.random.default_rng(11), roll_rad=np.radians(roll), roll_sigma_rad=np.radians(spread))
        assert v is not None
        at.append(v.roll_at(np.radians(20.0)))
        sigma.append(v.sigma_roll_rad)
    assert np.ptp(at) < 0.5 * min(sigma)
    assert max(sigma) / min(sigma) < 1.3


def test_the_picture_mirrored_has_the_opposite_roll() -> None:
    scene = Scene([*lattice(), *pipes(np.random.default_rng(12), 4)], 20.0, 1.3)
    image = scene.draw(np.random.default_rng(13))
    known = {
        "pitch_rad": np.radians(20.5),
        "pitch_sigma_rad": np.radians(1.0),
        "roll_rad": 0.0,
        "roll_sigma_rad": np.radians(1.5),
    }
    one = find_verticals(image, WIDE, **known)
    turned = replace(WIDE, cx_px=WIDE.width_px - 1 - WIDE.cx_px)
    other = find_verticals(np.ascontiguousarray(image[:, ::-1]), turned, **known)
    assert one is not None
    assert other is not None
    assert abs(one.roll_at(0.35) + other.roll_at(0.35)) < 0.3 * one.sigma_roll_rad


def test_another_lens_than_assumed_is_undone_by_the_rows() -> None:
    """Focal length 3 % off, the axis 15 px off: the rows' columns give the answer of the right lens."""
    scene = Scene(pipes(np.random.default_rng(14), 8, 0.2), 30.0, 1.0)
    scene.strips[:] = [((f[0] + 8.0, *f[1:]), (t[0] + 8.0, *t[1:]), a, b) for f, t, a, b in scene.strips]
    assumed = replace(WIDE, f_px=WIDE.f_px / 1.03, cx_px=WIDE.cx_px - 15.0, cy_px=WIDE.cy_px + 15.0)
    right, wrong = (scene.look(np.random.default_rng(15), camera) for camera in (WIDE, assumed))
    assert right is not None
    assert wrong is not None
    truth = np.array([*(np.radians([30.0, 1.0]) - wrong.mean), np.log(1.03), 15.0, -15.0])
    undone = wrong.root @ truth - wrong.offset
    left = wrong.root[:, :2] @ truth[:2] - wrong.offset
    assert np.linalg.norm(undone) < 2.0
    assert np.linalg.norm(left) > np.linalg.norm(undone) + 1.0


def test_the_same_said_of_another_focal_length() -> None:
    """Lines seen through a lens 5 % longer than assumed: carried over to its focal length they tell the truth."""
    scene = Scene(pipes(np.random.default_rng(14), 8, 0.2), 30.0, 1.0)
    scene.strips[:] = [((f[0] + 8.0, *f[1:]), (t[0] + 8.0, *t[1:]), a, b) for f, t, a, b in scene.strips]
    wrong = scene.look(np.random.default_rng(15), replace(WIDE, f_px=WIDE.f_px / 1.05))
    assert wrong is not None
    carried = wrong.at_focal(float(np.log(1.05)))
    attitude = np.radians([30.0, 1.0])
    before = wrong.root[:, :2] @ (attitude - wrong.mean) - wrong.offset
    after = carried.root[:, :2] @ (attitude - carried.mean) - carried.offset
    assert np.linalg.norm(after) < 2.0
    assert np.linalg.norm(before) > np.linalg.norm(after) + 1.0
    back = carried.at_focal(float(-np.log(1.05)))
    assert back.offset == pytest.approx(wrong.offset)


def test_lines_come_from_the_region_alone() -> None:
    scene = Scene(pipes(np.random.default_rng(16)), 20.0, 0.5)
    region = np.array([500.0, 100.0, 1100.0, 1100.0])
    v = scene.look(np.random.default_rng(17), region_px=region)
    assert v is not None
    low, high = v.lines_px.reshape(-1, 2).min(0), v.lines_px.reshape(-1, 2).max(0)
    assert (low >= region[:2] - 1).all()
    assert (high <= region[2:] + 1).all()
    assert v.share.sum() == pytest.approx(1.0)
    assert len(v.share) == len(v.plumb) == len(v.lines_px)
    assert ((v.plumb >= 0) & (v.plumb <= 1)).all()


@pytest.mark.parametrize("seed", range(6))
def test_nothing_upright_is_no_answer(seed: int) -> None:
    """Sticks at any angle, as in a heap or a wood's twigs: none, or hardly better than a hand-held camera's roll."""
    rng = np.random.default_rng(seed)
    image = np.full((1200, 1600), 190, np.uint8)
    for _ in range(150 * (1 + seed % 3)):
        a, length, c = rng.uniform(0, np.pi), rng.uniform(30, 120), rng.uniform(0, [1600, 1200])
        d = length / 2 * np.array([np.cos(a), np.sin(a)])
        p, q = (tuple(np.round((c + s * d) * 256).astype(int).tolist()) for s in (-1, 1))
        cv2.line(image, p, q, int(rng.integers(40, 150)), 4, cv2.LINE_AA, shift=8)
    v = find_verticals(
        cv2.GaussianBlur(image, (0, 0), 0.8),
        WIDE,
        pitch_rad=0.4,
        pitch_sigma_rad=0.02,
        roll_rad=0.0,
        roll_sigma_rad=np.radians(ROLL_SIGMA_DEG),
    )
    assert v is None or np.degrees(v.sigma_roll_rad) > 0.7


@pytest.mark.parametrize("what", ["blank", "noise", "level", "small region", "region outside"])
def test_pictures_with_nothing_to_see(what: str) -> None:
    image = np.full((1200, 1600), 120, np.uint8)
    region = None
    if what == "noise":
        image = np.clip(np.random.default_rng(0).normal(120, 20, image.shape), 0, 255).astype(np.uint8)
    if what == "level":
        image[::60] = 30
        image[1::60] = 30
    if what != "blank" and "region" in what:
        image[:, ::50] = 0
        region = np.array([100, 100, 112, 900]) if what == "small region" else np.array([-900, -900, -100, -50])
    got = find_verticals(
        image,
        WIDE,
        pitch_rad=0.3,
        pitch_sigma_rad=0.02,
        roll_rad=0.0,
        roll_sigma_rad=0.03,
        region_px=region,
    )
    assert got is None


def test_sample_photos() -> None:
    """Roll of the sample photos against their truth: the head of the tower and twice its height below."""
    truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))
    errors, scores = [], []
    for k, p in enumerate(truth["photos"]):
        gray = decode_gray(SAMPLE / p["file"])
        camera = Camera(
            width_px=p["width_px"],
            height_px=p["height_px"],
            f_px=p["f_px"],
            cx_px=p["cx_px"],
            cy_px=p["cy_px"],
            k1=p["k1"],
        )
        corners = np.concatenate([view["corners_px"] for view in p["antennas"]])
        low, high = corners.min(0), corners.max(0)
        v = find_verticals(
            gray,
            camera,
            pitch_rad=np.radians(p["pitch_deg"] + (0.8 if k % 2 else -0.8)),
            pitch_sigma_rad=np.radians(PITCH_SIGMA_DEG),
            roll_rad=0.0,
            roll_sigma_rad=np.radians(ROLL_SIGMA_DEG),
            region_px=np.array([*(low - 200), high[0] + 200, high[1] + 2 * (high[1] - low[1])]),
        )
        if v is not None:
            errors.append(np.degrees(v.roll_at(np.radians(p["pitch_deg"]))) - p["roll_deg"])
            scores.append(errors[-1] / np.degrees(v.sigma_roll_rad))
    assert len(errors) >= 7
    assert np.sqrt(np.mean(np.square(errors))) < WANTED_DEG
    assert np.abs(scores).max() < 2.5
