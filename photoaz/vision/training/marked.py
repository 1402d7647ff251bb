"""Real photos with panels marked by eye: `python -m photoaz.vision.training.marked --out DIR --sources DIR`.

Reads the table `marked.toml` and writes DIR/labels.json and DIR/photos, as `real.py` and `calibrate.py` take them. The
folder --sources holds each repository of the table as OWNER/NAME, checked out at the table's commit. Only pixels are
kept: no metadata, so no positions.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from photoaz.errors import Fault, InputError
from photoaz.register.toml import read_toml
from photoaz.vision.training.photographs import LICENCES, QUALITY, shrink

TABLE = Path(__file__).with_name("marked.toml")
VIEWS = ("front", "oblique", "profile", "rear")
#: longest side of the photos that are written, px
LONGEST_PX = 2048


@dataclass(frozen=True, slots=True)
class Mark:
    """A panel's outline (4, 2), clockwise from the upper left, px of the photo in its repository; what side shows."""

    corners: np.ndarray
    view: str
    note: str


@dataclass(frozen=True, slots=True)
class Marked:
    """A photo, every panel in it, and boxes (K, 4: x0, y0, x1, y1) in which nothing counts."""

    name: str
    repository: str
    commit: str
    licence: str
    path: str
    panels: tuple[Mark, ...]
    ignore: np.ndarray


def read_marked(path: Path = TABLE) -> list[Marked]:
    """Photos of a table.

    Raises
    ------
    InputError : a photo lacks a field, or has a view, licence or outline that is none.
    """
    _, content = read_toml(path, what="a TOML table of marked photos", example='view = "rear"')
    return [_photo(path, number, entry) for number, entry in enumerate(content.get("photo", []), 1)]


def _photo(path: Path, number: int, entry: dict[str, object]) -> Marked:
    def wrong(found: str, wanted: str) -> InputError:
        return InputError(Fault(file=path, found=f"photo {number}: {found}", wanted=wanted))

    fields = {k: v for k, v in entry.items() if k not in ("panel", "ignore")}
    try:
        panels = tuple(
            Mark(np.array(p["corners"], float), p["view"], p.get("note", ""))
            for p in entry.get("panel", [])  # type: ignore[attr-defined]
        )
        ignore = np.array(entry.get("ignore", []), float).reshape(-1, 4)
        photo = Marked(**fields, panels=panels, ignore=ignore)  # type: ignore[arg-type]
    except (TypeError, KeyError, ValueError) as e:
        raise wrong(str(e), f"the fields {', '.join(Marked.__dataclass_fields__)}") from e
    if photo.licence not in LICENCES:
        raise wrong(f"licence = {photo.licence!r}", f"one of {', '.join(LICENCES)}")
    for mark in photo.panels:
        if mark.view not in VIEWS:
            raise wrong(f"view = {mark.view!r}", f"one of {', '.join(VIEWS)}")
        if mark.corners.shape != (4, 2) or _area(mark.corners) <= 0:
            raise wrong(f"corners = {mark.corners.tolist()}", "four corners, clockwise from the upper left")
    return photo


def _area(corners: np.ndarray) -> float:
    """Area of an outline (4, 2), positive where it goes clockwise as seen in a picture."""
    after = np.roll(corners, -1, 0)
    return 0.5 * float((corners[:, 0] * after[:, 1] - after[:, 0] * corners[:, 1]).sum())


def make(table: list[Marked], sources: Path, out: Path) -> int:
    """Write all photos and their labels; returns how many panels are marked in them.

    Raises
    ------
    InputError : a photo is missing or cannot be read.
    """
    (out / "photos").mkdir(parents=True, exist_ok=True)
    labels = []
    for photo in table:
        file = sources / photo.repository / photo.path
        picture = cv2.imread(str(file), cv2.IMREAD_COLOR) if file.is_file() else None
        if picture is None:
            wanted = f"a photo of {photo.repository} at {photo.commit}"
            raise InputError(Fault(file=file, found="no photo", wanted=wanted))
        small = shrink(picture, LONGEST_PX)
        factor = small.shape[1] / picture.shape[1]
        cv2.imwrite(str(out / "photos" / photo.name), small, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        labels.append(
            {
                "photo": photo.name,
                # a pixel's middle is its place: the picture's edge lies at -0.5
                "panels": [
                    {"corners": ((p.corners + 0.5) * factor - 0.5).tolist(), "view": p.view, "note": p.note}
                    for p in photo.panels
                ],
                "ignore": ((photo.ignore + 0.5) * factor - 0.5).tolist(),
            }
        )
    (out / "labels.json").write_text(json.dumps(labels, indent=1) + "\n", encoding="utf-8")
    return sum(len(photo.panels) for photo in table)


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--sources", type=Path, required=True)
    args = parser.parse_args()
    table = read_marked()
    print(f"{len(table)} photos, {make(table, args.sources, args.out)} panels")


if __name__ == "__main__":
    main()
