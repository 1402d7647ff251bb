"""Tiles hold the photo's own pixels; coarser levels are means of them."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from photoaz.desk.tiles import TILE_PX, NothingThereError, Size, Tiles


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    """A smooth picture, kept without loss, whose sides are multiples of nothing."""
    y, x = np.mgrid[0:1301, 0:2203]
    image = np.stack([x * 255 / 2203, y * 255 / 1301, 127 + 100 * np.sin(x / 90)], -1).astype(np.uint8)
    Image.fromarray(image).save(tmp_path / "p.png")
    return tmp_path / "p.png"


def shown(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), float)


def test_levels_halve_until_one_tile_is_enough() -> None:
    size = Size(2203, 1301)
    assert [size.at(k) for k in range(size.levels())] == [(2203, 1301), (1102, 651), (551, 326), (276, 163)]
    assert Size(512, 512).levels() == 1
    assert Size(8688, 5792).levels() == 6  # a 50-megapixel photo: 272 x 181 at the top


@pytest.mark.parametrize(("x", "y"), [(0, 0), (1, 2), (4, 2)])
def test_the_finest_level_is_the_photo_itself(photo: Path, x: int, y: int) -> None:
    got = shown(Tiles().tile("d", Size(2203, 1301), 0, x, y, lambda: photo))
    left, top = x * TILE_PX, y * TILE_PX
    # Pillow as the other reader; JPEG of quality 90 moves a smooth picture's levels by a few
    want = np.asarray(Image.open(photo).crop((left, top, min(left + TILE_PX, 2203), min(top + TILE_PX, 1301))), float)
    assert got.shape == want.shape
    assert np.abs(got - want).mean() < 2.0


@pytest.mark.parametrize("level", [1, 2, 3])
def test_coarser_levels_are_means_of_blocks(photo: Path, level: int) -> None:
    size = Size(2203, 1301)
    got = shown(Tiles().tile("d", size, level, 0, 0, lambda: photo))
    want = np.asarray(Image.open(photo).reduce(2**level), float)[:TILE_PX, :TILE_PX]
    assert got.shape == want.shape
    assert np.abs(got[:-1, :-1] - want[:-1, :-1]).mean() < 2.0


def test_a_jpeg_is_not_decoded_in_full_for_a_look_at_the_whole(
    photo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wide = tmp_path / "wide.jpg"
    Image.open(photo).resize((8192, 4000)).save(wide, quality=85)
    flags: list[int] = []
    decode = cv2.imdecode
    monkeypatch.setattr(cv2, "imdecode", lambda data, flag: flags.append(flag) or decode(data, flag))
    size = Size(8192, 4000)
    data = Tiles().tile("d", size, size.levels() - 1, 0, 0, lambda: wide)
    assert shown(data).shape == (250, 512, 3)
    assert all(flag & cv2.IMREAD_REDUCED_COLOR_8 == cv2.IMREAD_REDUCED_COLOR_8 for flag in flags)


@pytest.mark.parametrize(("level", "x", "y"), [(4, 0, 0), (-1, 0, 0), (0, 5, 0), (0, 0, 3), (0, -1, 0), (3, 1, 0)])
def test_there_is_no_other_tile(photo: Path, level: int, x: int, y: int) -> None:
    with pytest.raises(NothingThereError):
        Tiles().tile("d", Size(2203, 1301), level, x, y, lambda: photo)


def test_what_is_held_is_not_decoded_again(photo: Path) -> None:
    asked: list[int] = []

    def path() -> Path:
        asked.append(1)
        return photo

    tiles = Tiles()
    for x in range(5):
        tiles.tile("d", Size(2203, 1301), 0, x, 0, path)
    assert len(asked) == 1
    tiles.tile("d", Size(2203, 1301), 0, 0, 0, path)
    assert len(asked) == 1
    # as little room as one picture needs: the other one goes
    small = Tiles(most_bytes=1)
    for digest in ("a", "b", "a"):
        small.tile(digest, Size(2203, 1301), 0, 1 if len(asked) > 2 else 0, 0, path)
    assert len(asked) == 4
