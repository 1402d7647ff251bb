"""From a photo and what is known of its tower to the panels in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.photo.camera import Camera
from photoaz.vision.candidate import Candidate
from photoaz.vision.finder import candidates_in
from photoaz.vision.where import Crowd, HeadGuess, Window, crowd_of, distances_m, fills_frame, locate_heads, window_at

Array = NDArray[Any]

#: raw score from which a box is worth telling; what it means as a probability comes with it
THRESHOLD = -0.3
#: this many panels, probabilities summed, and nobody looks for the head elsewhere
ENOUGH = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Panels found in a photo, in its pixels, and the window that was looked at."""

    candidates: tuple[Candidate, ...]
    window: Window


def find_panels(image: Array, camera: Camera, guess: HeadGuess) -> Found:
    """Find the panels of a tower's head.

    Parameters
    ----------
    image : (H, W, 3) BGR uint8, as shown. camera : its interior orientation, for the scale. guess : what the register
    and the metadata say of the head's place and distance.

    Returns
    -------
    Found, its candidates the surest first; empty where nothing looks like a panel.
    """
    best: tuple[float, Found] | None = None
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


def _look(image: Array, camera: Camera, guess: HeadGuess, middle: Array, distance: float) -> Found:
    """What the finder sees about a place; looked at again where the panels are, if they lie off the window's middle."""
    window = window_at(camera, guess, middle, distance)
    found = candidates_in(window.cut(image), THRESHOLD)
    if found:
        centres = window.to_frame(np.array([c.corners_px.mean(0) for c, _ in found]))
        weight = np.array([c.probability for c, _ in found])
        now = (weight[:, None] * centres).sum(0) / weight.sum()
        x0, y0, x1, y1 = window.box_px
        off = np.abs(now - 0.5 * np.array([x0 + x1, y0 + y1])) / np.array([x1 - x0, y1 - y0])
        if (off > 0.2).any():
            window = window_at(camera, guess, now, distance)
            found = candidates_in(window.cut(image), THRESHOLD)
    return Found(
        candidates=tuple(replace(c, corners_px=window.to_frame(c.corners_px)) for c, _ in found), window=window
    )


def enlarged_found(found: Found, factor: int) -> Found:
    """What was found in a photo reduced by a whole factor, in the pixels of the photo."""
    x0, y0, x1, y1 = (factor * v for v in found.window.box_px)
    return Found(
        candidates=tuple(replace(c, corners_px=(c.corners_px + 0.5) * factor - 0.5) for c in found.candidates),
        window=Window(box_px=(x0, y0, x1, y1), scale=found.window.scale / factor),
    )
