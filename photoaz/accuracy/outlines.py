"""How far found outlines are believed, and how wrong ones err: as in the tables that the model of it was fitted to.

Quantiles at LEVELS of the 9 960 fits of found panels of rendered heads, of which those count that show for the most
part and are not given up. `photoaz.vision.training.trust_fit` prints them (`spread`); vision/training/MODEL_CARD.md
says what was rendered.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from photoaz.accuracy.views import on_wrong_edges, ways
from photoaz.angles import Array
from photoaz.photo.camera import Camera
from photoaz.vision.evidence import BoxMode
from photoaz.vision.trust import model, wrong_of

LEVELS = (0.01, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.99)
#: a class of views goes up to this yaw off the sight [deg], a class of widths to this [px]
YAWS_DEG, WIDTHS_PX = (50.0, 75.0, 105.0), (16.0, 24.0, 40.0, 80.0, np.inf)
#: of p_right by view and width
P_RIGHT = (
    (
        (0.209, 0.338, 0.454, 0.599, 0.719, 0.803, 0.869, 0.905, 0.938, 0.965, 0.975),
        (0.245, 0.408, 0.593, 0.723, 0.822, 0.889, 0.924, 0.946, 0.963, 0.972, 0.978),
        (0.241, 0.552, 0.731, 0.835, 0.898, 0.935, 0.955, 0.964, 0.970, 0.974, 0.978),
        (0.304, 0.699, 0.874, 0.930, 0.952, 0.961, 0.968, 0.972, 0.975, 0.976, 0.980),
        (0.321, 0.860, 0.919, 0.949, 0.962, 0.969, 0.972, 0.974, 0.976, 0.977, 0.979),
    ),
    (
        (0.207, 0.309, 0.436, 0.610, 0.751, 0.839, 0.887, 0.927, 0.948, 0.961, 0.975),
        (0.214, 0.502, 0.662, 0.779, 0.836, 0.887, 0.916, 0.940, 0.956, 0.968, 0.976),
        (0.235, 0.547, 0.699, 0.808, 0.891, 0.923, 0.947, 0.961, 0.968, 0.972, 0.978),
        (0.246, 0.520, 0.687, 0.835, 0.884, 0.920, 0.944, 0.963, 0.971, 0.975, 0.978),
        (0.300, 0.740, 0.876, 0.929, 0.958, 0.965, 0.969, 0.974, 0.975, 0.976, 0.978),
    ),
    (
        (0.208, 0.279, 0.374, 0.504, 0.591, 0.694, 0.778, 0.851, 0.912, 0.950, 0.975),
        (0.234, 0.335, 0.437, 0.537, 0.677, 0.768, 0.831, 0.902, 0.933, 0.963, 0.975),
        (0.214, 0.442, 0.546, 0.676, 0.783, 0.852, 0.894, 0.930, 0.947, 0.967, 0.974),
        (0.242, 0.400, 0.599, 0.743, 0.823, 0.876, 0.909, 0.943, 0.960, 0.974, 0.976),
        (0.242, 0.304, 0.432, 0.544, 0.853, 0.903, 0.936, 0.947, 0.953, 0.974, 0.976),
    ),
)
#: of how far wrong ones are off [deg], either way, by view
WRONG_DEG = (
    (0.4, 3.1, 5.5, 8.4, 10.8, 14.9, 20.0, 28.1, 42.0, 81.2, 158.8),
    (0.4, 2.4, 5.3, 8.6, 12.8, 18.2, 22.4, 31.3, 47.1, 67.9, 97.4),
    (0.1, 2.1, 4.3, 6.6, 9.6, 12.1, 16.2, 20.7, 25.2, 39.9, 82.0),
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
