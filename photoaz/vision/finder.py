"""From a photo and what is known of its tower to the panels in it: rough boxes only, the fit measures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from scipy.special import expit, logit

from photoaz.photo.camera import Array, Camera
from photoaz.vision.head_locator import (
    Crowd,
    HeadGuess,
    HeadWindow,
    crowd_of,
    distances_m,
    fills_frame,
    locate_heads,
    window_at,
)
from photoaz.vision.panel_network import (
    CAP,
    CHANNELS,
    FRONT,
    STRIDE,
    STRUCTURE,
    WORK_PX,
    decode,
    probability,
    run_network,
    union_share,
)
from photoaz.vision.patch import enlarged_px, reduced_px

Cover = Literal["structure", "panel", "frame"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelCandidate:
    """A panel found in a photo; rough, and never evidence: the fit measures.

    corners_px (8, 2): of the ideal box, pixels of the image as shown: the front's upper left, upper right, lower right,
    lower left as seen by somebody looking at the front, then those behind them in the same order (as
    `box.ideal_corners_px`). probability: that it is a panel antenna. front: probability that its front, not its rear,
    faces the camera. yaw_rad: rough angle of the front's normal off the direction to the camera, in plan, positive
    clockwise from above. visible: share of the body that nothing hides. hidden_by: what hides the rest, if anything.
    """

    corners_px: Array
    probability: float
    front: float
    yaw_rad: float
    visible: float
    hidden_by: Cover | None = None


#: raw score from which a box is worth telling; what it means as a probability comes with it
THRESHOLD = -0.3
#: score of a network that does not see a box, and the share of the union from which two boxes are the same
UNSEEN, SAME_SHARE = -3.0, 0.33
#: what is less probable than not and lies on a surer box with this share of its area is no panel of its own
WITHIN = 0.8
#: a single network's logit counts no farther than this; from this probability a box is told
LOGIT, LEAST_TOLD = 4.0, 0.15
#: a window is made wider so many times at most where a panel hangs within so many panels' widths of its border
WIDENINGS, BORDER = 2, 2.5
#: corners are told in steps of so many px
STEADY_PX = 0.5
#: this many panels, probabilities summed, and nobody looks for the head elsewhere
ENOUGH = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPanels:
    """Panels found in a photo, in its pixels, and the window that was looked at."""

    candidates: tuple[PanelCandidate, ...]
    window: HeadWindow


def find_panels(image: Array, camera: Camera, guess: HeadGuess) -> FoundPanels:
    """Find the panels of a tower's head.

    image : (H, W, 3) BGR uint8, as shown. camera : its interior orientation, for the scale. guess : what the register
    and the metadata say of the head's place and distance.

    Returns FoundPanels, its candidates the surest first; empty where nothing looks like a panel.
    """
    best: tuple[float, FoundPanels] | None = None
    crowd: Crowd | None = None
    for distance in distances_m(camera, guess):
        if fills_frame(camera, guess, distance):
            places = [0.5 * (np.array([camera.width_px, camera.height_px]) - 1.0)]
        else:
            crowd = crowd or crowd_of(image)
            places = locate_heads(crowd, camera, guess, distance)
        for middle in places:
            found = _look(image, camera, guess, middle, distance)
            sure = sum(c.probability for c in found.candidates)
            if best is None or sure > best[0]:
                best = (sure, found)
            if sure >= ENOUGH:
                break
    assert best is not None
    return best[1]


def _look(image: Array, camera: Camera, guess: HeadGuess, middle: Array, distance: float) -> FoundPanels:
    """What the finder sees about a place; looked at again where the panels are, if they lie off the window's middle.

    Where to look the network of photos says alone; both look there once.
    """
    window = window_at(camera, guess, middle, distance)
    seen = candidates_in(window.cut(image), UNSEEN)
    if told := _told(seen):
        centres = window.to_frame(np.array([c.corners_px.mean(0) for c in told]))
        weight = np.array([c.probability for c in told])
        now = (weight[:, None] * centres).sum(0) / weight.sum()
        x0, y0, x1, y1 = window.box_px
        off = np.abs(now - 0.5 * np.array([x0 + x1, y0 + y1])) / np.array([x1 - x0, y1 - y0])
        if (off > 0.2).any():
            window = window_at(camera, guess, now, distance)
            seen = candidates_in(window.cut(image), UNSEEN)
    for _ in range(WIDENINGS):
        wider = _widened(window, _told(seen), camera)
        if wider == window:
            break
        window, seen = wider, candidates_in(wider.cut(image), UNSEEN)
    found = candidates_by_both(window.cut(image), seen)
    return FoundPanels(candidates=tuple(_steady(c, window) for c in found), window=window)


def _told(seen: list[PanelCandidate]) -> list[PanelCandidate]:
    """Those that are worth telling."""
    return [c for c in seen if c.probability >= LEAST_TOLD]


def _steady(c: PanelCandidate, window: HeadWindow) -> PanelCandidate:
    """A candidate of a window in the frame's pixels, as every processor finds it: last bits hang on its vectors.

    Rounded far within what a finder knows.
    """
    return replace(
        c,
        corners_px=np.round(window.to_frame(c.corners_px) / STEADY_PX) * STEADY_PX,
        probability=round(c.probability, 4),
        front=round(c.front, 3),
        yaw_rad=round(c.yaw_rad, 3),
        visible=round(c.visible, 3),
    )


def _widened(window: HeadWindow, found: list[PanelCandidate], camera: Camera) -> HeadWindow:
    """A window wider by half its width on each side where a panel hangs at its border, as on tanks and roofs.

    found: in the window's picture.
    """
    x0, y0, x1, y1 = window.box_px
    columns = [window.to_frame(c.corners_px)[:, 0] for c in found if c.probability >= 0.5]
    near, more = BORDER * WORK_PX / window.scale, (x1 - x0) // 2
    left = any(c.min() < x0 + near for c in columns)
    right = any(c.max() > x1 - near for c in columns)
    box = max(x0 - more * left, 0), y0, min(x1 + more * right, camera.width_px), y1
    return HeadWindow(box_px=box, scale=window.scale)


def enlarged_found(found: FoundPanels, factor: int) -> FoundPanels:
    """What was found in a photo reduced by a whole factor, in the pixels of the photo."""
    x0, y0, x1, y1 = (factor * v for v in found.window.box_px)
    return FoundPanels(
        candidates=tuple(replace(c, corners_px=enlarged_px(c.corners_px, factor)) for c in found.candidates),
        window=HeadWindow(box_px=(x0, y0, x1, y1), scale=found.window.scale / factor),
    )


def both_found(first: FoundPanels, second: FoundPanels) -> FoundPanels:
    """What was found in two windows of a photo, each panel once; the window holds both."""
    hulls = [cv2.convexHull(c.corners_px.astype(np.float32)) for c in first.candidates]
    new = [
        c
        for c in second.candidates
        if all(union_share(h, cv2.convexHull(c.corners_px.astype(np.float32))) <= SAME_SHARE for h in hulls)
    ]
    a, b = np.array(first.window.box_px), np.array(second.window.box_px)
    x0, y0, x1, y1 = (int(v) for v in (*np.minimum(a, b)[:2], *np.maximum(a, b)[2:]))
    return FoundPanels(
        candidates=tuple(sorted((*first.candidates, *new), key=lambda c: -c.probability)),
        window=HeadWindow(box_px=(x0, y0, x1, y1), scale=first.window.scale),
    )


def hiding(out: Array, corners_px: Array) -> Cover | None:
    """What covers the part of a box that does not show as one of a panel's faces, from the network's picture of faces.

    out (N_CHANNELS, H / 4, W / 4): of the network. corners_px: in its picture.
    """
    shows = out[CHANNELS["shows"]]
    hull = cv2.convexHull(reduced_px(corners_px, STRIDE).astype(np.float32))
    mask = np.zeros(shows.shape[1:], np.uint8)
    cv2.fillConvexPoly(mask, np.round(hull).astype(np.int32), 1)
    inside = shows[:, mask > 0]
    if inside.size == 0:
        return "frame"
    kinds = np.bincount(inside.argmax(0), minlength=6) / inside.shape[1]
    if kinds[STRUCTURE] > 0.15:
        return "structure"
    return "panel" if kinds[FRONT : CAP + 1].sum() > 0.9 else None


def candidates_by_both(picture: Array, photos: Sequence[PanelCandidate] | None = None) -> list[PanelCandidate]:
    """Panels in a picture (h, w, 3) BGR of a tower's head at the networks' scale; its pixels; the surest first.

    photos: what `fine` sees in it down to UNSEEN, where it has looked already.

    `towers` knows rendered heads alone, and their corners better; `fine` has seen photos, and knows better what is no
    panel. The logit of a box's probability is the mean of both; a network that does not see the box doubts it.
    """
    towers = candidates_in(picture, UNSEEN, "towers")
    unseen = {name: probability(UNSEEN, name) for name in ("towers", "fine")}
    merged, left = [], list(candidates_in(picture, UNSEEN) if photos is None else photos)
    for own in towers:
        hull = cv2.convexHull(own.corners_px.astype(np.float32))
        shares = [union_share(hull, cv2.convexHull(c.corners_px.astype(np.float32))) for c in left]
        same = left.pop(int(np.argmax(shares))) if shares and max(shares) > SAME_SHARE else None
        best = own if same is None or own.probability >= 0.5 else same
        merged.append(
            replace(best, probability=mean_probability(own.probability, same.probability if same else unseen["fine"]))
        )
    merged += [replace(c, probability=mean_probability(c.probability, unseen["towers"])) for c in left]
    told: list[PanelCandidate] = []
    for c in sorted(_told(merged), key=lambda c: -c.probability):
        if c.probability >= 0.5 or not any(_inside(c, sure) for sure in told):
            told.append(c)
    return told


def _inside(candidate: PanelCandidate, surer: PanelCandidate) -> bool:
    """Whether a doubtful box lies on a surer one, and is but another view of the same panel."""
    own, other = (cv2.convexHull(c.corners_px.astype(np.float32)) for c in (candidate, surer))
    return bool(cv2.intersectConvexConvex(own, other)[0] >= WITHIN * cv2.contourArea(own))


def mean_probability(p: float, q: float) -> float:
    """The probability whose logit is the mean of two probabilities' logits, each held to +-`LOGIT`."""
    return float(expit(np.clip(logit([p, q]), -LOGIT, LOGIT).mean()))


def candidates_in(picture: Array, threshold: float, network: str = "fine") -> list[PanelCandidate]:
    """Panels in a picture (h, w, 3) BGR at the network's scale whose raw score is above a threshold; its pixels."""
    out = run_network(network, picture)
    h, w = picture.shape[:2]
    found = []
    for raw in decode(out, threshold):
        middle = raw.corners_px.mean(0)
        if not (-8 < middle[0] < w + 8 and -8 < middle[1] < h + 8):
            continue  # in the border that was added
        cover: Cover | None = None
        if raw.visible < 0.85:
            beyond = (raw.corners_px < -2).any() or (raw.corners_px > np.array([w + 1, h + 1])).any()
            cover = "frame" if beyond else hiding(out, raw.corners_px)
        found.append(
            PanelCandidate(
                corners_px=raw.corners_px,
                probability=probability(raw.score, network),
                front=raw.front,
                yaw_rad=raw.yaw_rad,
                visible=raw.visible,
                hidden_by=cover,
            )
        )
    return found
