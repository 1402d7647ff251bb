"""How far found outlines are believed, and how wrong ones err: as in the tables that the model of it was fitted to.

Quantiles at LEVELS of the 16 690 fits of found panels of rendered heads, of which those count that show for the most
part and are not given up. `photoaz.vision.training.trust_fit` prints them (`spread`); vision/training/MODEL_CARD.md
says what was rendered.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.accuracy.views import on_wrong_edges, ways
from photoaz.photo.camera import Camera
from photoaz.vision.evidence import BoxMode
from photoaz.vision.trust import model, wrong_of

Array = NDArray[Any]

LEVELS = (0.01, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.99)
#: a class of views goes up to this yaw off the sight [deg], a class of widths to this [px]
YAWS_DEG, WIDTHS_PX = (50.0, 75.0, 105.0), (16.0, 24.0, 40.0, 80.0, np.inf)
#: of p_right by view and width
P_RIGHT = (
    (
        (0.214, 0.316, 0.416, 0.531, 0.658, 0.752, 0.838, 0.894, 0.939, 0.970, 0.992),
        (0.241, 0.464, 0.662, 0.798, 0.863, 0.907, 0.949, 0.971, 0.983, 0.991, 0.995),
        (0.299, 0.682, 0.861, 0.925, 0.955, 0.972, 0.982, 0.988, 0.992, 0.994, 0.995),
        (0.339, 0.760, 0.900, 0.946, 0.968, 0.979, 0.986, 0.990, 0.993, 0.995, 0.995),
        (0.317, 0.776, 0.906, 0.951, 0.967, 0.980, 0.986, 0.990, 0.993, 0.994, 0.995),
    ),
    (
        (0.224, 0.326, 0.483, 0.588, 0.710, 0.837, 0.908, 0.950, 0.970, 0.986, 0.993),
        (0.233, 0.483, 0.696, 0.832, 0.894, 0.930, 0.957, 0.972, 0.982, 0.990, 0.995),
        (0.256, 0.553, 0.792, 0.885, 0.937, 0.963, 0.976, 0.985, 0.991, 0.994, 0.995),
        (0.299, 0.690, 0.849, 0.917, 0.953, 0.971, 0.983, 0.990, 0.993, 0.994, 0.995),
        (0.298, 0.653, 0.828, 0.900, 0.938, 0.976, 0.984, 0.989, 0.992, 0.994, 0.995),
    ),
    (
        (0.211, 0.339, 0.448, 0.555, 0.691, 0.763, 0.831, 0.894, 0.936, 0.969, 0.991),
        (0.227, 0.411, 0.545, 0.660, 0.782, 0.869, 0.931, 0.964, 0.978, 0.988, 0.994),
        (0.228, 0.393, 0.565, 0.695, 0.778, 0.884, 0.939, 0.963, 0.985, 0.991, 0.995),
        (0.229, 0.456, 0.620, 0.808, 0.895, 0.931, 0.956, 0.979, 0.988, 0.993, 0.995),
        (0.219, 0.493, 0.611, 0.779, 0.921, 0.962, 0.976, 0.982, 0.985, 0.990, 0.995),
    ),
)
#: of how far wrong ones are off [deg], either way, by view
WRONG_DEG = (
    (0.2, 1.9, 3.6, 5.5, 7.6, 10.0, 13.1, 17.3, 22.3, 33.8, 97.0),
    (0.1, 1.6, 3.3, 4.9, 6.9, 9.4, 12.7, 17.0, 23.2, 37.0, 78.9),
    (0.1, 1.2, 2.8, 4.2, 6.1, 8.4, 10.2, 13.0, 17.5, 24.8, 58.1),
)


def p_right_of(width_px: float, yaw_rad: float, rng: np.random.Generator) -> float:
    """How far a found panel's outline is believed, one of its width and view."""
    of_view = P_RIGHT[_class_of(abs(np.degrees(yaw_rad)), YAWS_DEG)]
    return float(np.interp(rng.random(), LEVELS, of_view[_class_of(width_px, WIDTHS_PX)]))


def wrong_by_deg(yaw_rad: float, rng: np.random.Generator) -> float:
    """How far a wrong outline of such a view is off."""
    size = np.interp(rng.random(), LEVELS, WRONG_DEG[_class_of(abs(np.degrees(yaw_rad)), YAWS_DEG)])
    return float(size * rng.choice([-1.0, 1.0]))


def believed(
    camera: Camera,
    truth: Array,
    mode: BoxMode,
    seen: tuple[float, float],
    more_wrong: float,
    rng: np.random.Generator,
) -> tuple[tuple[BoxMode, ...], float | None]:
    """A right mode with how far it is believed, right as often as that says; and by how much it is off if wrong [deg].

    Parameters
    ----------
    camera, truth, mode : as of `views.measured`, which the mode comes from. seen : its standard uncertainty with which
        its azimuth enters, and its yaw off the sight [rad]. more_wrong : share of the right ones that are wrong all the
        same.

    Returns
    -------
    Its ways to fit, the cheapest first, and None where it is right.
    """
    sigma_rad, yaw_rad = seen
    p = p_right_of(mode.width_px, yaw_rad, rng)
    off: float | None = None
    if rng.random() >= p * (1.0 - more_wrong):
        off = wrong_by_deg(yaw_rad, rng)
        mode = on_wrong_edges(camera, truth, mode, off, rng)
    # the model asks for what the fit itself states, which is smaller by the usual factor
    found = model()["found"]
    wrong = wrong_of(found["wrong"], sigma_rad / float(found["usual"]["widened"]))
    return tuple(replace(m, p_right=p, wrong=wrong) for m in ways(camera, truth, mode, rng)), off


def _class_of(value: float, limits: tuple[float, ...]) -> int:
    """The class that a value lies in; the last one holds what is beyond."""
    return min(int(np.searchsorted(limits, value, side="right")), len(limits) - 1)
