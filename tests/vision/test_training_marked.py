"""The photos with marked panels are made again from checked-out sources: sizes, corners, and what a table may say."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from photoaz.errors import InputError
from photoaz.vision.training.marked import LONGEST_PX, Mark, Marked, make, read_marked
from photoaz.vision.training.photographs import read_table

PHOTO = Marked(
    name="harbour_mast.jpg",
    repository="harbour/quays",
    commit="0" * 40,
    licence="CC0-1.0",
    path="quay/mast.png",
    panels=(Mark(np.array([[1000, 400], [1100, 400], [1100, 1200], [1000, 1200]], float), "rear", "a pole before it"),),
    ignore=np.array([[0, 0, 99, 199]], float),
)


def test_corners_shrink_with_the_photo(tmp_path: Path) -> None:
    picture = np.full((2 * LONGEST_PX, 1600, 3), 40, np.uint8)
    picture[400:1200, 1000:1100] = 230
    file = tmp_path / "sources/harbour/quays/quay/mast.png"
    file.parent.mkdir(parents=True)
    cv2.imwrite(str(file), picture)
    assert make([PHOTO], tmp_path / "sources", tmp_path / "out") == 1
    (entry,) = json.loads((tmp_path / "out/labels.json").read_text())
    small = cv2.imread(str(tmp_path / "out/photos" / entry["photo"]))
    assert small.shape[:2] == (LONGEST_PX, 800)
    # the white rectangle begins at pixel 500, 200 of the half-size picture, whose left edge is at 499.5
    corners = np.array(entry["panels"][0]["corners"])
    assert corners == pytest.approx(np.array([[500, 200], [550, 200], [550, 600], [500, 600]]) - 0.25)
    assert small[210:590, 505:545].min() > 200
    assert small[210:590, 480:495].max() < 60
    assert entry["ignore"] == [pytest.approx([-0.25, -0.25, 49.25, 99.25])]


def test_a_missing_photo_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="harbour/quays at 0000"):
        make([PHOTO], tmp_path, tmp_path / "out")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('licence = "MIT"', 'licence = "GPL-3.0"', "GPL-3.0"),
        ('view = "rear"', 'view = "above"', "above"),
        ("[[1, 1], [3, 1], [3, 9], [1, 9]]", "[[1, 1], [1, 9], [3, 9], [3, 1]]", "clockwise"),
        ("[[1, 1], [3, 1], [3, 9], [1, 9]]", "[[1, 1], [3, 1], [3, 9]]", "four corners"),
        ('path = "a.jpg"', 'file = "a.jpg"', "file"),
    ],
)
def test_a_wrong_mark_is_refused(tmp_path: Path, old: str, new: str, said: str) -> None:
    text = (
        '[[photo]]\nname = "a_b.jpg"\nrepository = "a/b"\ncommit = "1"\nlicence = "MIT"\npath = "a.jpg"\n'
        '[[photo.panel]]\nview = "rear"\nnote = ""\ncorners = [[1, 1], [3, 1], [3, 9], [1, 9]]\n'
    )
    path = tmp_path / "table.toml"
    path.write_text(text, encoding="utf-8")
    assert len(read_marked(path)) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=said):
        read_marked(path)


def test_marked_photos_are_upright_panels_each_with_a_row_in_the_card() -> None:
    table = read_marked()
    card = (Path(__file__).parents[2] / "photoaz/vision/training/MODEL_CARD.md").read_text(encoding="utf-8")
    checked = {s.repository for s in read_table() if s.use == "check"}
    assert len({photo.name for photo in table}) == len(table)
    assert len({(photo.repository, photo.path) for photo in table}) == len(table)
    for photo in table:
        assert photo.panels, photo.name
        assert photo.repository not in checked
        row = next((line for line in card.splitlines() if f"| {photo.repository} |" in line), "")
        assert photo.commit[:10] in row, photo.repository
        assert photo.licence in row, photo.repository
        for mark in photo.panels:
            across = np.linalg.norm(mark.corners[1] - mark.corners[0])
            along = np.linalg.norm(mark.corners[3] - mark.corners[0])
            assert along > 1.1 * across, (photo.name, mark.corners)
