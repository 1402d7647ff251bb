"""What the finder's scores are worth on real photos: `python -m photoaz.vision.training.calibrate --marked DIR ...`.

Looks at the real photos that were kept out of training, panels marked by eye and photos without any, as the finder
looks where nothing is known; both kinds count as if there were as many photos of each. Their boxes give the slope and
offset that turn the mean score of several looks into a probability. One look is taken at towers that are known to be
there: what its score means is fitted to the photos with panels and to the rendered views held out (--trained FILE.pt),
half the weight each. Both are written into weights/fine.json.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch

from photoaz.photo.camera import Array
from photoaz.photo.pixels import decode
from photoaz.vision.finder import PanelCandidate
from photoaz.vision.panel_network import score_of
from photoaz.vision.scan import scored
from photoaz.vision.training.evaluate import calibrated
from photoaz.vision.training.real import HIDDEN, kept_out

#: a box is right that shares this much of its union with a panel, or lies on it and is as large within the factor
_UNION, _FACTOR = 0.5, 1.5
#: of a panel that is partly hidden a box must cover this much
_COVERED = 0.6


def main() -> None:
    """Parse the command line, look, fit, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--marked", type=Path, required=True, help="folder with labels.json and photos/")
    parser.add_argument("--photos", type=Path, required=True, help="folder of photos without panels")
    parser.add_argument("--trained", type=Path, required=True, help="the network as trained, with its rendered scores")
    args = parser.parse_args()
    rows: list[tuple[float, float, bool]] = []
    panels = found = shown = empty = 0
    for entry in json.loads((args.marked / "labels.json").read_text(encoding="utf-8")):
        if kept_out(entry["photo"]):
            boxes = scored(decode(args.marked / "photos" / entry["photo"]))
            told, hits = judged([c for c, _ in boxes], entry)
            rows += [
                (score_of(c.probability), mean, right)
                for (c, mean), right in zip(boxes, told, strict=True)
                if right is not None
            ]
            panels, found, shown = panels + len(entry["panels"]), found + hits, shown + 1
    with_panels = len(rows)
    for file in sorted(args.photos.glob("*.jpg")):
        if kept_out(file.name):
            rows += [(score_of(c.probability), mean, False) for c, mean in scored(decode(file))]
            empty += 1
    real = np.array(rows, float)
    # photos that people ask about show panels as often as not, these rarely do
    share = np.repeat([1.0, shown / max(empty, 1)], [with_panels, len(rows) - with_panels])
    drawn = np.array(torch.load(args.trained, map_location="cpu", weights_only=True)["figures"]["scores"])
    drawn = drawn[drawn[:, 0] > real[:, 0].min()]
    towers = real[:with_panels, [0, 2]]
    both = np.vstack([towers, drawn])
    weight = np.repeat([0.5 / len(towers), 0.5 / len(drawn)], [len(towers), len(drawn)]) * len(both)
    look = calibrated(both[:, 0], both[:, 1] > 0, weight)
    looks = calibrated(real[:, 1], real[:, 2] > 0, share)
    path = Path(__file__).resolve().parents[1] / "weights" / "fine.json"
    figures = json.loads(path.read_text(encoding="utf-8"))
    figures["calibration"] = {
        name: dict(zip(("slope", "offset"), line, strict=True)) for name, line in (("look", look), ("looks", looks))
    }
    figures["real_photos_kept_out"] = {
        "panels": panels,
        "found": found,
        "photos_without_panels": empty,
        "reliability_of_one_look": reliability(towers, share[:with_panels], *look),
        "reliability_of_several_looks": reliability(real[:, [1, 2]], share, *looks),
    }
    path.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    print(json.dumps({k: figures[k] for k in ("calibration", "real_photos_kept_out")}, indent=1))


def judged(boxes: list[PanelCandidate], entry: dict[str, Any]) -> tuple[list[bool | None], int]:
    """Whether each box is on a marked panel, None where nothing counts, and how many panels were found.

    A second box on the same panel is wrong.
    """
    marks = [cv2.convexHull(np.array(p["corners"], np.float32)) for p in entry["panels"]]
    hidden = [any(word in p["note"] for word in HIDDEN) for p in entry["panels"]]
    left = set(range(len(marks)))
    told: list[bool | None] = []
    for box in boxes:
        hull = cv2.convexHull(box.corners_px.astype(np.float32))
        match = next((k for k in left if _same(hull, marks[k], hidden[k])), None)
        x, y = box.corners_px.mean(0)
        spared = any(x0 <= x <= x1 and y0 <= y <= y1 for x0, y0, x1, y1 in entry["ignore"])
        told.append(None if match is None and spared else match is not None)
        left.discard(-1 if match is None else match)
    return told, len(marks) - len(left)


def _same(box: Array, mark: Array, hidden: bool) -> bool:
    both = float(cv2.intersectConvexConvex(box, mark)[0])
    area, own = cv2.contourArea(box), cv2.contourArea(mark)
    if both >= _UNION * (area + own - both):
        return True
    (_, size, _), (_, wanted, _) = cv2.minAreaRect(box), cv2.minAreaRect(mark)
    ratio = np.sort(size) / np.maximum(np.sort(wanted), 1e-6)
    alike = bool((ratio < _FACTOR).all() and (ratio > 1 / _FACTOR).all())
    centre = box.reshape(-1, 2).mean(0)
    inside = cv2.pointPolygonTest(mark, (float(centre[0]), float(centre[1])), False) >= 0
    return (inside and alike) or (hidden and both >= _COVERED * own and bool(ratio[0] < _FACTOR))


def reliability(scores: Array, share: Array, slope: float, offset: float) -> list[dict[str, float]]:
    """What was said and how often it was right, of scores (N, 2: score, right) with weights (N,), by what was said."""
    said = 1 / (1 + np.exp(-(slope * scores[:, 0] + offset)))
    out = []
    for low in (0.0, 0.2, 0.4, 0.6, 0.8):
        mask = (said >= low) & (said < low + 0.2 + (low == 0.8))
        if mask.any():
            mean_said, right = (float(np.average(v[mask], weights=share[mask])) for v in (said, scores[:, 1]))
            out.append({"n": int(mask.sum()), "said": round(mean_said, 3), "right": round(right, 3)})
    return out


if __name__ == "__main__":
    main()
