"""How far found outlines are believed, and how wrong ones err: as in the tables that the model of it was fitted to.

Quantiles at LEVELS of the 10 932 fits of found panels of 306 rendered heads, of which those count that show for the
most part and are not given up. `photoaz.vision.training.trust_fit` prints them (`spread`);
vision/training/MODEL_CARD.md says what was rendered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from photoaz.accuracy.views import on_wrong_edges, ways
from photoaz.angles import Array, wrap_rad
from photoaz.photo.camera import Camera, rotation_cam_from_enu
from photoaz.vision.evidence import TILT_SIGMA_RAD, BoxMode, Spread, azimuths_of
from photoaz.vision.trust import model, wrong_of

LEVELS = (0.01, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99)
#: a class of views goes up to this yaw off the sight [deg], of widths to this [px], of outlines to this p_right
YAWS_DEG, WIDTHS_PX = (50.0, 75.0, 105.0), (16.0, 24.0, 40.0, 80.0, np.inf)
BELIEVED = (0.05, 0.2, 0.5, 0.8, 0.95, 1.0)
#: of p_right by view and width
P_RIGHT = (
    (
        (0.000, 0.004, 0.017, 0.056, 0.101, 0.164, 0.308, 0.488, 0.629, 0.837, 0.906, 0.962),
        (0.001, 0.044, 0.150, 0.294, 0.449, 0.594, 0.735, 0.828, 0.906, 0.950, 0.970, 0.985),
        (0.005, 0.246, 0.515, 0.663, 0.779, 0.858, 0.913, 0.947, 0.964, 0.981, 0.988, 0.995),
        (0.029, 0.414, 0.664, 0.803, 0.880, 0.919, 0.944, 0.962, 0.978, 0.988, 0.993, 0.996),
        (0.070, 0.535, 0.771, 0.856, 0.906, 0.935, 0.961, 0.973, 0.983, 0.992, 0.994, 0.997),
    ),
    (
        (0.000, 0.001, 0.006, 0.022, 0.079, 0.188, 0.415, 0.563, 0.743, 0.868, 0.906, 0.955),
        (0.001, 0.039, 0.127, 0.287, 0.535, 0.658, 0.746, 0.821, 0.904, 0.941, 0.964, 0.976),
        (0.004, 0.329, 0.541, 0.668, 0.777, 0.862, 0.922, 0.951, 0.969, 0.985, 0.989, 0.994),
        (0.013, 0.292, 0.556, 0.731, 0.852, 0.900, 0.933, 0.960, 0.976, 0.989, 0.992, 0.995),
        (0.006, 0.396, 0.672, 0.817, 0.858, 0.901, 0.934, 0.953, 0.965, 0.978, 0.990, 0.994),
    ),
    (
        (0.000, 0.005, 0.020, 0.053, 0.099, 0.169, 0.281, 0.430, 0.606, 0.793, 0.873, 0.945),
        (0.001, 0.030, 0.130, 0.234, 0.359, 0.473, 0.595, 0.709, 0.806, 0.921, 0.951, 0.989),
        (0.001, 0.127, 0.367, 0.571, 0.689, 0.800, 0.870, 0.909, 0.936, 0.968, 0.984, 0.991),
        (0.013, 0.149, 0.370, 0.607, 0.748, 0.832, 0.877, 0.914, 0.955, 0.976, 0.981, 0.995),
        (0.007, 0.100, 0.547, 0.660, 0.759, 0.790, 0.871, 0.921, 0.951, 0.981, 0.988, 0.991),
    ),
)
#: of the sigma with which the turn was seen [deg], by view; of those seen with one peak, as nearly all are
SHARP_DEG = (
    (5.7, 6.7, 7.2, 7.7, 8.4, 8.9, 9.6, 10.9, 11.2, 11.5, 12.0, 15.2),
    (5.4, 6.2, 6.8, 7.5, 8.2, 9.0, 9.4, 10.0, 11.1, 11.2, 11.8, 15.9),
    (5.0, 5.8, 6.2, 6.6, 7.1, 7.6, 8.6, 9.6, 10.8, 11.1, 12.0, 16.5),
)
#: of how far the turn as seen lies off the outline, either way, in such sigmas, by p_right
APART = (
    (0.07, 0.51, 1.19, 1.65, 1.98, 2.39, 2.85, 3.70, 5.53, 9.95, 14.01, 22.05),
    (0.02, 0.22, 0.48, 0.65, 0.86, 1.09, 1.33, 1.58, 1.86, 2.36, 3.57, 9.91),
    (0.02, 0.15, 0.31, 0.46, 0.60, 0.78, 0.95, 1.13, 1.37, 1.82, 2.15, 2.95),
    (0.01, 0.10, 0.22, 0.34, 0.47, 0.60, 0.76, 0.90, 1.15, 1.43, 1.70, 2.15),
    (0.01, 0.09, 0.16, 0.24, 0.34, 0.46, 0.56, 0.69, 0.88, 1.13, 1.31, 1.67),
    (0.01, 0.06, 0.12, 0.17, 0.23, 0.30, 0.38, 0.50, 0.64, 0.84, 1.03, 1.35),
)
#: of how far the turn as seen is off where the outline is wrong, likewise, by view
WRONGLY_SEEN = (
    (0.01, 0.12, 0.22, 0.31, 0.41, 0.53, 0.68, 0.85, 1.07, 1.46, 1.80, 3.19),
    (0.01, 0.10, 0.20, 0.30, 0.41, 0.55, 0.71, 0.89, 1.12, 1.62, 2.23, 6.89),
    (0.01, 0.09, 0.17, 0.24, 0.32, 0.47, 0.62, 0.76, 0.96, 1.35, 1.67, 4.12),
)
#: place of the azimuth among the unknowns of `box_quantities`
_AZIMUTH = 9


def p_right_of(width_px: float, yaw_rad: float, rng: np.random.Generator) -> float:
    """How far a found panel's outline is believed, one of its width and view."""
    return _one_of(P_RIGHT[_view_of(yaw_rad)][_class_of(width_px, WIDTHS_PX)], rng)


def turn_of(p_right: float, yaw_rad: float, rng: np.random.Generator) -> Spread:
    """How a panel of such a view was seen turned, off an outline that is believed so far."""
    sigma = float(np.radians(_one_of(SHARP_DEG[_view_of(yaw_rad)], rng)))
    return Spread(1.0, sigma, sigma * _either_way(APART[_class_of(p_right, BELIEVED)], rng))


def believed(
    camera: Camera,
    truth: Array,
    mode: BoxMode,
    seen: tuple[float, float],
    more_wrong: float,
    rng: np.random.Generator,
) -> tuple[tuple[BoxMode, ...], float | None]:
    """A right mode with how far it is believed, right as often as that says; and by how much it is off if wrong [deg].

    The turn that was seen tells right outlines from wrong ones no further than p_right does already. So it lies off
    both alike, and the truth of a wrong one lies about that turn.

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
    turn = turn_of(p, yaw_rad, rng)
    off: float | None = None
    if rng.random() >= p * (1.0 - more_wrong):
        error = turn.sigma_rad * _either_way(WRONGLY_SEEN[_view_of(yaw_rad)], rng)
        azimuth = truth[_AZIMUTH] + error - turn.off_rad
        off = float(np.degrees(wrap_rad(azimuth - _azimuths([mode], camera, truth)[0])))
        mode = on_wrong_edges(camera, truth, mode, off, rng)
    told = _azimuths([mode], camera, truth)[0] + turn.off_rad
    # the model asks for what the fit itself states, which is smaller by the usual factor
    found = model()["found"]
    stated = sigma_rad / float(found["usual"]["widened"])
    out = []
    modes = ways(camera, truth, mode, rng)
    for m, own in zip(modes, _azimuths(modes, camera, truth), strict=True):
        off_it = replace(turn, off_rad=float(wrap_rad(told - own)))
        out.append(replace(m, p_right=p, wrong=wrong_of(found["wrong"], stated, [off_it])))
    return tuple(out), off


def _azimuths(modes: Sequence[BoxMode], camera: Camera, truth: Array) -> Array:
    """Of modes (M,) [rad], by the photo's true attitude."""
    return azimuths_of(modes, camera, rotation_cam_from_enu(*truth[:3]), TILT_SIGMA_RAD)[0]


def _one_of(table: Sequence[float], rng: np.random.Generator) -> float:
    """A value that is spread as a table's quantiles."""
    return float(np.interp(rng.random(), LEVELS, table))


def _either_way(table: Sequence[float], rng: np.random.Generator) -> float:
    return _one_of(table, rng) * float(rng.choice([-1.0, 1.0]))


def _view_of(yaw_rad: float) -> int:
    return _class_of(abs(np.degrees(yaw_rad)), YAWS_DEG)


def _class_of(value: float, limits: tuple[float, ...]) -> int:
    """The class that a value lies in; the last one holds what is beyond."""
    return min(int(np.searchsorted(limits, value, side="right")), len(limits) - 1)
