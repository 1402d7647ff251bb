"""Pixels decoded on demand: the same whatever was asked for before, and bounded in memory."""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from photoaz.photo import pixels as module
from photoaz.photo.pixels import Darkroom, Picture, decode, grey_of


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "photo.jpg"
    blocks = np.random.default_rng(3).integers(0, 255, (30, 40, 3), dtype=np.uint8)
    cv2.imwrite(str(path), np.kron(blocks, np.ones((16, 16, 1), np.uint8)))
    return path


def test_luminance_is_the_same_before_and_after_the_colours(photo: Path) -> None:
    first = Picture(photo, (640, 480), Darkroom()).grey()
    other = Picture(photo, (640, 480), Darkroom())
    colour = other.colour()
    assert colour.shape == (480, 640, 3)
    assert np.array_equal(other.grey(), first)
    assert np.array_equal(first, grey_of(decode(photo)))


def test_a_large_photo_is_seen_reduced_and_measured_whole(photo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LARGE_PX", 640 * 480 // 5)
    picture = Picture(photo, (640, 480), Darkroom())
    assert picture.shrink() == 4
    assert picture.colour().shape == (120, 160, 3)
    assert picture.grey().shape == (480, 640)
    again = Picture(photo, (640, 480), Darkroom())
    assert np.array_equal(again.grey(), picture.grey())


def test_a_darkroom_holds_the_last_ones_only(tmp_path: Path) -> None:
    room = Darkroom(most_bytes=250)
    pictures = {k: np.full((10, 10), k, np.uint8) for k in range(4)}
    for k, grey in pictures.items():
        room.keep(Path(str(k)), grey)
    assert [room.find(Path(str(k))) is None for k in pictures] == [True, True, False, False]
    room.find(Path("2"))  # used again, so that 3 is the older one now
    room.keep(Path("4"), pictures[0])
    assert [room.find(Path(str(k))) is None for k in (2, 3, 4)] == [False, True, False]
    room.keep(Path("large"), np.zeros((100, 100), np.uint8))
    assert room.find(Path("large")) is not None


def test_the_digest_is_the_files(photo: Path) -> None:
    assert Picture(photo, (640, 480), Darkroom()).digest == hashlib.sha256(photo.read_bytes()).hexdigest()
    assert Picture(photo, (640, 480), Darkroom(), "known").inputs == ("known",)
