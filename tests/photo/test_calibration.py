"""Calibration from drawn photos of a chessboard whose camera is known."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from photoaz.errors import InputError
from photoaz.photo.calibration import (
    Calibration,
    calibrate,
    camera_from_calibration,
    load_calibration,
    save_calibration,
    turned_point,
)
from photoaz.photo.camera import Camera, normalised_from_pixels
from photoaz.photo.pixels import turn
from photoaz.photo.record import PhotoRecord, Provenance

TRUE = Camera(width_px=800, height_px=600, f_px=730.0, cx_px=406.0, cy_px=291.0, k1=-0.12, k2=0.05)
PATTERN, SQUARE_MM = (8, 6), 30.0
# board tilted (rx, ry) degrees and moved (x, y, z) mm from the middle of the frame
POSES = [
    (25, 0, -60, -30, 420),
    (-25, 10, 70, 40, 430),
    (5, 30, 60, -40, 450),
    (-10, -30, -70, 40, 440),
    (30, 25, 0, 0, 480),
    (0, 0, 90, 60, 520),
    (-28, -18, -100, -60, 500),
]


def sight_lines() -> list[np.ndarray]:
    """The true camera's lines of sight, nine to a pixel."""
    y, x = np.mgrid[: TRUE.height_px, : TRUE.width_px].astype(float)
    steps = [-1 / 3, 0.0, 1 / 3]
    flat = [normalised_from_pixels(TRUE, np.stack([x + dx, y + dy], -1)) for dy in steps for dx in steps]
    return [np.concatenate([lines, np.ones_like(lines[..., :1])], -1) for lines in flat]


def drawn(pose: tuple[float, ...], lines_of_sight: list[np.ndarray]) -> np.ndarray:
    """What the true camera sees of the board: each line of sight cut with the board."""
    rotation = cv2.Rodrigues(np.radians([pose[0], pose[1], 3.0]))[0]
    middle = np.array([(PATTERN[0] - 1) / 2, (PATTERN[1] - 1) / 2, 0.0]) * SQUARE_MM
    shift = np.array(pose[2:]) - rotation @ middle
    to_board = np.linalg.inv(np.column_stack([rotation[:, :2], shift]))
    total = np.zeros((TRUE.height_px, TRUE.width_px))
    for lines in lines_of_sight:
        board = lines @ to_board.T
        squares = board[..., :2] / board[..., 2:] / SQUARE_MM
        column, row = np.floor(squares[..., 0]) + 1, np.floor(squares[..., 1]) + 1
        inside = (column >= 0) & (column <= PATTERN[0]) & (row >= 0) & (row <= PATTERN[1])
        total += np.where(inside & ((column + row) % 2 == 0), 40.0, 215.0)
    picture = cv2.GaussianBlur(total / len(lines_of_sight), (0, 0), 0.7)
    return np.clip(picture + np.random.default_rng(9).normal(0, 2.0, picture.shape), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("boards")
    paths, lines = [], sight_lines()
    for number, pose in enumerate(POSES):
        path = folder / f"board_{number}.png"
        Image.fromarray(drawn(pose, lines)).save(path)
        paths.append(path)
    return paths


@pytest.fixture(scope="module")
def calibration(photos: list[Path]) -> Calibration:
    return calibrate(photos, PATTERN, SQUARE_MM, date=datetime(2026, 5, 1, tzinfo=UTC))


def test_the_true_camera_is_found_within_its_sigmas(calibration: Calibration) -> None:
    c = calibration
    assert len(c.photos) == len(POSES)
    assert abs(c.fx_px - TRUE.f_px) < 3 * c.sigma_f_px
    assert abs(c.cx_px - TRUE.cx_px) < 3 * max(c.sigma_cx_px, 0.2)
    assert abs(c.cy_px - TRUE.cy_px) < 3 * max(c.sigma_cy_px, 0.2)
    assert abs(c.k1 - TRUE.k1) < 3 * max(c.sigma_k1, 0.002)
    assert c.fx_px == c.fy_px
    assert c.sigma_f_px < 0.01 * c.fx_px
    assert 0.01 < c.rms_px < 0.3
    assert 0.3 < c.coverage <= 1.0
    assert f"{c.fx_px:.1f}" in c.summary()


def test_turned_photos_belong_to_the_same_sensor(photos: list[Path], tmp_path: Path, calibration: Calibration) -> None:
    """A phone held upright stores the same pixels and says Orientation 6; nothing must change."""
    exif = Image.Exif()
    exif[0x0112] = 6
    paths = []
    for path in photos:
        turned = tmp_path / path.name
        Image.open(path).save(turned, exif=exif)
        paths.append(turned)
    got = calibrate(paths, PATTERN, SQUARE_MM)
    assert (got.width_px, got.height_px) == (800, 600)
    assert got.fx_px == pytest.approx(calibration.fx_px, rel=1e-6)
    assert got.cx_px == pytest.approx(calibration.cx_px, abs=1e-3)


def test_photos_without_the_board_are_named(photos: list[Path], tmp_path: Path) -> None:
    blank = tmp_path / "wall.png"
    Image.fromarray(np.full((600, 800), 128, np.uint8)).save(blank)
    text = tmp_path / "note.jpg"
    text.write_text("not a picture")
    small = tmp_path / "small.png"
    Image.open(photos[0]).resize((400, 300)).save(small)
    got = calibrate([*photos[:4], blank, text, small], PATTERN, SQUARE_MM)
    assert set(got.not_found) == {"wall.png", "note.jpg", "small.png"}
    with pytest.raises(InputError) as caught:
        calibrate([*photos[:2], blank, text, small], PATTERN, SQUARE_MM)
    message = str(caught.value)
    assert "2 usable photos; wanted at least 3" in message
    for name in ("wall.png", "note.jpg", "small.png"):
        assert name in message


@pytest.mark.parametrize(("pattern", "square"), [((1, 6), 30.0), ((8, 6), 0.0), ((8, 6), math.nan)])
def test_senseless_patterns(photos: list[Path], pattern: tuple[int, int], square: float) -> None:
    with pytest.raises(InputError, match="at least 3 x 3 inner corners"):
        calibrate(photos, pattern, square)


def test_saved_and_loaded_is_the_same(calibration: Calibration, tmp_path: Path) -> None:
    path = tmp_path / "phone.json"
    save_calibration(calibration, path)
    assert load_calibration(path) == calibration
    content = json.loads(path.read_text())
    assert content["schema"] == "photoaz/camera/1"
    content["fx_px"] = "1100"
    content["width_px"] = -4
    del content["k1"]
    path.write_text(json.dumps(content))
    with pytest.raises(InputError) as caught:
        load_calibration(path)
    assert {fault.column for fault in caught.value.faults} == {"fx_px", "width_px", "k1"}
    for text, said in (("{", "no JSON"), ("[]", "schema"), ('{"schema": "other"}', "other")):
        path.write_text(text)
        with pytest.raises(InputError, match=said):
            load_calibration(path)
    with pytest.raises(InputError, match="No such file"):
        load_calibration(tmp_path / "nowhere.json")


def photo(width: int, height: int, orientation: int = 1, **more: Any) -> PhotoRecord:
    return PhotoRecord(
        path=Path("a.jpg"), format="JPEG", width_px=width, height_px=height, orientation=orientation, **more
    )


@pytest.mark.parametrize("orientation", range(1, 9))
def test_principal_point_turns_with_the_picture(calibration: Calibration, orientation: int) -> None:
    """A marked pixel of a stored picture lies, after `turn`, where the principal point is said to be."""
    marked = np.zeros((600, 800), np.uint8)
    x, y = 407, 291
    marked[y, x] = 255
    shown = turn(marked, orientation)
    row, column = np.argwhere(shown == 255)[0]
    assert turned_point(x, y, 800, 600, orientation) == (column, row)
    moved = replace(calibration, cx_px=float(x), cy_px=float(y))
    camera = camera_from_calibration(moved, photo(shown.shape[1], shown.shape[0], orientation))
    assert (camera.cx_px, camera.cy_px) == (column, row)
    assert camera.f_px == pytest.approx(calibration.fx_px)


def test_unequal_scales_turn_too(calibration: Calibration) -> None:
    uneven = replace(calibration, fy_px=calibration.fx_px * 1.02)
    camera = camera_from_calibration(uneven, photo(600, 800, 6))
    assert camera.f_px == pytest.approx(uneven.fy_px)
    assert camera.f_px * camera.aspect == pytest.approx(uneven.fx_px)


def test_smaller_pictures_are_scaled_about_their_corner(calibration: Calibration) -> None:
    camera = camera_from_calibration(calibration, photo(400, 300))
    assert camera.f_px == pytest.approx(calibration.fx_px / 2)
    # two pixels become one: the new pixel's centre lies between theirs
    assert camera.cx_px == pytest.approx((calibration.cx_px - 0.5) / 2)
    assert camera.k1 == calibration.k1


def test_other_lenses_and_crops_are_refused(calibration: Calibration, record_of: Any, kit: Any) -> None:
    with pytest.raises(InputError, match="800 x 600, or that made smaller"):
        camera_from_calibration(calibration, photo(800, 450))
    cut = photo(800, 600, cropped=True, provenance=Provenance(noted_px=(1600, 1100)))
    with pytest.raises(InputError, match="800 x 600 pixels, cut from 1600 x 1100"):
        camera_from_calibration(calibration, cut)
    # the tele lens of the same phone has as many pixels: only the metadata tell
    tele = record_of(exif={0xA405: kit.short(77), 0xA002: kit.long(800), 0xA003: kit.long(600)}, size=(800, 600))
    with pytest.raises(InputError, match="calibrated lens"):
        camera_from_calibration(calibration, tele)
    main = record_of(exif={0xA405: kit.short(32), 0xA002: kit.long(800), 0xA003: kit.long(600)}, size=(800, 600))
    assert camera_from_calibration(calibration, main).f_px == pytest.approx(calibration.fx_px)


@pytest.mark.parametrize("noted", [False, True])
@pytest.mark.parametrize("size", [(655, 350), (1310, 700), (328, 175)])
def test_a_camera_of_unusual_proportions_takes_its_own_pictures(
    calibration: Calibration, record_of: Any, kit: Any, size: tuple[int, int], noted: bool
) -> None:
    """No camera's usual proportions, yet those of the calibration: that is no crop, whether or not a size was noted."""
    own = replace(calibration, width_px=655, height_px=350, cx_px=327.0, cy_px=174.5)
    exif = {0xA002: kit.long(size[0]), 0xA003: kit.long(size[1])} if noted else {}
    record = record_of(exif={0xA002: None, 0xA003: None, 0xA405: None, 0x920A: None, **exif}, size=size)
    assert record.cropped
    assert camera_from_calibration(own, record).f_px == pytest.approx(own.fx_px * size[0] / 655.0)
