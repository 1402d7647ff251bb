"""Looking for panels in a whole photo of which nothing is known: coarse sizes everywhere, fine ones where it pays."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from photoaz.photo.camera import Array
from photoaz.vision.finder import SAME_SHARE, THRESHOLD, UNSEEN, PanelCandidate, candidates_in
from photoaz.vision.head_locator import HeadWindow, crowd_of
from photoaz.vision.panel_network import WORK_PX, probability, score_of, union_share

#: long sides [px] of the reduced frame at which all of it is looked at; each step finds panels half as wide
WHOLE_PX = (256, 512, 1024)
#: the same, looked at in windows only, and how many of them
PARTS_PX = ((2048, 4), (4096, 3))
#: side of such a window, px of the reduced frame
WINDOW_PX = 448
#: what is narrower than this in a finer frame is worth looking at there, px
NARROW_PX = 65.0
#: raw score from which what may be a panel is worth a closer look
_HINT = -2.5
#: a cell of the coarse network that is as sure as this is worth one as well
_CROWD = 0.1
#: of two boxes that share this much of the smaller one, one is kept
_SHARED = 0.5
#: each box is looked at again alone, the panel about so wide [px], as it is or mirrored: what is none seldom looks like
#: one each time
AGAIN = ((20.0, True), (WORK_PX, False), (38.0, False))
#: side of the picture that is looked at then, px, and how much longer than the box it is at least
_AGAIN_PX, _ROOM = 224.0, 1.8


def scan(image: Array) -> tuple[PanelCandidate, ...]:
    """Panels anywhere in a photo (H, W, 3) BGR uint8 as shown, of 8 px to a third of the frame; the surest first.

    The whole frame is looked at reduced. Where that, or the coarse network, sees what may be small panels, windows are
    looked at closer, a bounded number of them. What each box is worth is told by several looks at it alone.
    """
    told = [replace(c, probability=probability(score, of="looks")) for c, score in scored(image)]
    return tuple(sorted(told, key=lambda c: -c.probability))


def scored(image: Array) -> list[tuple[PanelCandidate, float]]:
    """What may be panels, each with the mean score of several looks; its probability is that of the first look.

    image : (H, W, 3) BGR uint8, as shown.

    Returns list of candidates in the photo's pixels, and their scores.
    """
    tall, wide = image.shape[:2]
    long = max(tall, wide)
    found: list[PanelCandidate] = []
    for side in WHOLE_PX:
        if side <= 1.5 * long:
            found += _look(image, HeadWindow(box_px=(0, 0, wide, tall), scale=side / long))
    crowd = crowd_of(image)
    rows, columns = np.nonzero(crowd.heat > _CROWD)
    hints = np.column_stack([crowd.x[columns], crowd.y[rows], crowd.heat[rows, columns]])
    for side, most in PARTS_PX:
        if side > 1.5 * long:
            break
        small = [c for c in found if _width_px(c) * side / long < NARROW_PX]
        points = np.array([[*c.corners_px.mean(0), c.probability] for c in small]).reshape(-1, 3)
        for box in _windows(np.vstack([points, hints]), WINDOW_PX * long / side, (wide, tall), most):
            found += _look(image, HeadWindow(box_px=box, scale=side / long))
    hinted = _one_of_each([c for c in found if c.probability >= probability(THRESHOLD)])
    return [_looked_again(image, c) for c in hinted]


def _looked_again(image: Array, candidate: PanelCandidate) -> tuple[PanelCandidate, float]:
    """A box as the look at the networks' scale sees it, and the mean score of the look that found it and of several."""
    hull = cv2.convexHull(candidate.corners_px.astype(np.float32))
    scores, best = [score_of(candidate.probability)], candidate
    middle = candidate.corners_px.mean(0)
    for wide, mirrored in AGAIN:
        scale = wide / _width_px(candidate)
        half = 0.5 * max(_AGAIN_PX / scale, _ROOM * float(np.ptp(candidate.corners_px, axis=0).max()))
        low = np.maximum(np.floor(middle - half), 0).astype(int)
        high = np.minimum(np.ceil(middle + half), [image.shape[1], image.shape[0]]).astype(int)
        window = HeadWindow(box_px=(int(low[0]), int(low[1]), int(high[0]), int(high[1])), scale=scale)
        picture = window.cut(image)
        flip = np.array([[picture.shape[1] - 1.0, 0.0], [-1.0, 1.0]]) if mirrored else np.array([[0.0], [1.0]])
        score = UNSEEN
        for seen in candidates_in(picture[:, ::-1].copy() if mirrored else picture, UNSEEN):
            corners = window.to_frame(flip[0] + seen.corners_px * flip[1])
            same = union_share(hull, cv2.convexHull(corners.astype(np.float32))) > SAME_SHARE
            if same and score_of(seen.probability) > score:
                score = score_of(seen.probability)
                if wide == WORK_PX:
                    best = replace(seen, corners_px=corners, probability=candidate.probability)
        scores.append(score)
    return best, float(np.mean(scores))


def _look(image: Array, window: HeadWindow) -> list[PanelCandidate]:
    """What may be panels in a part of the photo, in the photo's pixels."""
    found = candidates_in(window.cut(image), _HINT)
    return [replace(c, corners_px=window.to_frame(c.corners_px)) for c in found]


def _width_px(candidate: PanelCandidate) -> float:
    """How wide a panel would be face on: from its length where it is turned away."""
    (_, (a, b), _) = cv2.minAreaRect(candidate.corners_px.astype(np.float32))
    return float(max(min(a, b), max(a, b) / 7.0))


def _windows(points: Array, side: float, size: tuple[int, int], most: int) -> list[tuple[int, int, int, int]]:
    """Squares of a side [px] about points (N, 3: x, y, weight) of a frame, each with the most weight yet uncovered."""
    boxes = []
    left = points[:, 2].copy()
    for _ in range(most):
        near = np.abs(points[:, None, :2] - points[None, :, :2]).max(2) < 0.45 * side
        gain = near @ left if len(left) else left
        if not len(gain) or gain.max() <= 0.0:
            break
        best = int(gain.argmax())
        inside = near[best] & (left > 0)
        x, y = np.average(points[inside, :2], axis=0, weights=left[inside])
        x0, y0 = (int(np.clip(v - side / 2, 0, max(w - side, 0))) for v, w in ((x, size[0]), (y, size[1])))
        boxes.append((x0, y0, min(int(x0 + side), size[0]), min(int(y0 + side), size[1])))
        covered = (np.abs(points[:, :2] - [x0 + side / 2, y0 + side / 2]).max(1)) < 0.5 * side
        left[covered | near[best]] = 0.0
    return boxes


def _one_of_each(found: list[PanelCandidate]) -> tuple[PanelCandidate, ...]:
    """Of boxes on the same thing the surest, the surest first."""
    kept: list[PanelCandidate] = []
    hulls: list[Array] = []
    for candidate in sorted(found, key=lambda c: -c.probability):
        hull = cv2.convexHull(candidate.corners_px.astype(np.float32))
        area = cv2.contourArea(hull)
        if all(
            cv2.intersectConvexConvex(hull, other)[0] <= _SHARED * min(area, cv2.contourArea(other)) for other in hulls
        ):
            kept.append(candidate)
            hulls.append(hull)
    return tuple(kept)
