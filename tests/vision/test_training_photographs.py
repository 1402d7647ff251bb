"""The photo folders for training are made again from checked-out sources: which files, which size, which names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from photoaz.errors import InputError
from photoaz.vision.training.photographs import LONGEST, Source, files, make, read_table

SOURCE = Source(
    repository="harbour/quays",
    commit="0" * 40,
    licence="CC0-1.0",
    use="train",
    prefix="ground",
    take=("quay/*.jpg",),
    leave_out=("quay/crane.jpg",),
)


@pytest.fixture
def sources(tmp_path: Path) -> Path:
    folder = tmp_path / "sources" / "harbour" / "quays" / "quay"
    folder.mkdir(parents=True)
    rng = np.random.default_rng(3)
    shapes = {"wide": (300, 2400), "tall": (2600, 650), "small": (90, 120), "crane": (90, 120)}
    for stem, (height, width) in shapes.items():
        coarse = rng.integers(0, 255, (6, 6, 3), np.uint8)
        cv2.imwrite(str(folder / f"{stem}.jpg"), cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC))
    return tmp_path / "sources"


def test_photos_are_shrunk_but_not_enlarged(sources: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    sky = replace(SOURCE, use="check", prefix="sky")
    assert make([SOURCE, sky], sources, out) == {"harbour/quays train": 3, "harbour/quays check": 3}
    shapes = {p.relative_to(out).as_posix(): cv2.imread(str(p)).shape[:2] for p in out.rglob("*.jpg")}
    assert shapes == {
        "train/ground_quays_quay_wide.jpg": (128, 1024),
        "train/ground_quays_quay_tall.jpg": (1024, 256),
        "train/ground_quays_quay_small.jpg": (90, 120),
        "check/sky_quays_quay_wide.jpg": (256, 2048),
        "check/sky_quays_quay_tall.jpg": (2048, 512),
        "check/sky_quays_quay_small.jpg": (90, 120),
    }
    # the means of a block average stay: INTER_AREA neither shifts nor brightens
    whole = cv2.imread(str(sources / "harbour/quays/quay/wide.jpg")).mean((0, 1))
    small = cv2.imread(str(out / "train/ground_quays_quay_wide.jpg")).mean((0, 1))
    assert np.abs(whole - small).max() < 1


def test_what_is_missing_or_unreadable_is_said(sources: Path, tmp_path: Path) -> None:
    for wrong in (replace(SOURCE, take=("pier/*.jpg",)), replace(SOURCE, leave_out=("quay/ship.jpg",))):
        with pytest.raises(InputError, match="harbour/quays at 0000"):
            files(wrong, sources)
    (sources / "harbour/quays/quay/broken.jpg").write_bytes(b"no picture")
    with pytest.raises(InputError, match=r"broken\.jpg"):
        make([SOURCE], sources, tmp_path / "out")
    (sources / "harbour/quays/quay/broken.jpg").unlink()
    with pytest.raises(InputError, match="a second photo named"):
        make([SOURCE, SOURCE], sources, tmp_path / "out")


@pytest.mark.parametrize(
    ("line", "said"), [('licence = "GPL-3.0"', "GPL-3.0"), ('use = "both"', "both"), ('colour = "red"', "colour")]
)
def test_a_wrong_entry_is_refused(tmp_path: Path, line: str, said: str) -> None:
    fields = (
        'repository = "a/b"',
        'commit = "1"',
        'licence = "MIT"',
        'use = "train"',
        'prefix = "sky"',
        'take = ["*"]',
    )
    kept = [f for f in fields if f.split()[0] != line.split()[0]]
    path = tmp_path / "table.toml"
    path.write_text("[[source]]\n" + "\n".join([*kept, line]) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=said):
        read_table(path)


def test_table_keeps_train_and_check_apart() -> None:
    table = read_table()
    places = {use: {s.repository for s in table if s.use == use} for use in LONGEST}
    assert places["train"]
    assert places["check"]
    assert not (places["train"] | places["learn"]) & places["check"]
    card = (Path(__file__).parents[2] / "photoaz/vision/training/MODEL_CARD.md").read_text(encoding="utf-8")
    for source in table:
        assert source.commit, source.repository
        rows = [line for line in card.splitlines() if f"| {source.use} | {source.repository} |" in line]
        assert any(f"| {source.commit[:10]}" in row and f"| {source.licence} |" in row for row in rows), (
            source.repository
        )
