"""Panels seen in one photo of which nothing else is known: no register, position or heading is needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from photoaz.angles import Array
from photoaz.photo.pixels import Picture
from photoaz.vision.box import width_across
from photoaz.vision.patch import enlarged_px
from photoaz.vision.scan import scan

#: from this probability a panel is told
LEAST_PROBABILITY = 0.5
_COLOURS = {"front": (80, 220, 60), "rear": (40, 140, 255)}  # blue, green, red


@dataclass(frozen=True, slots=True, kw_only=True)
class VisiblePanel:
    """A panel as the finder sees it, roughly.

    corners_px: the eight of its box, pixels of the photo as shown: upper left, upper right, lower right, lower left of
    the face that is turned to the camera, as seen in the photo, then those behind them. probability: that it is a panel
    antenna. view: which face is turned to the camera. width_px: of the whole box, across its long axis.
    """

    corners_px: tuple[tuple[float, float], ...]
    probability: float
    view: Literal["front", "rear"]
    width_px: float


def visible_panels(picture: Picture) -> tuple[VisiblePanel, ...]:
    """The panels in a photo, the surest first, looked for everywhere in it and at every size that panels have.

    Raises InputError where the photo cannot be decoded.
    """
    panels = []
    for candidate in scan(picture.colour()):
        if candidate.probability >= LEAST_PROBABILITY:
            front = candidate.front >= 0.5
            # corners are named as seen from in front: behind the panel, left and right change places
            corners = enlarged_px(candidate.corners_px, picture.shrink())
            box = corners if front else corners[[5, 4, 7, 6, 1, 0, 3, 2]]
            panels.append(
                VisiblePanel(
                    corners_px=tuple((round(float(x), 1), round(float(y), 1)) for x, y in box),
                    probability=round(candidate.probability, 3),
                    view="front" if front else "rear",
                    width_px=round(width_across(candidate.corners_px), 1),
                )
            )
    return tuple(panels)


def draw_panels(image: Array, panels: Sequence[VisiblePanel]) -> bytes:
    """A PNG of the photo (H, W, 3) BGR, as shown, with the panels' boxes and faces; green fronts, orange rears."""
    drawn = image.copy()
    thick = max(round(max(image.shape[:2]) / 1000), 1)
    for panel in panels:
        corners = np.rint(np.array(panel.corners_px)).astype(np.int32)
        outline = cv2.convexHull(corners)
        cv2.polylines(drawn, [outline, corners[:4]], isClosed=True, color=_COLOURS[panel.view], thickness=thick)
        text, at = f"{panel.view} {100 * panel.probability:.0f} %", corners.min(0) - [0, 4 * thick]
        cv2.putText(drawn, text, at.tolist(), cv2.FONT_HERSHEY_SIMPLEX, 0.6 * thick, _COLOURS[panel.view], thick)
    return cv2.imencode(".png", drawn)[1].tobytes()
