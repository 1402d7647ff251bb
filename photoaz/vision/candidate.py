"""A panel as the finder sees it: where its box's corners lie, which faces show, how sure it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from numpy.typing import NDArray

Array = NDArray[Any]

Cover = Literal["structure", "panel", "frame"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
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
