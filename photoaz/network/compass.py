"""A camera's compass: mostly good for some degrees, now and then disturbed by tens of them.

Its error is a mixture of two normal distributions. Which part a photo's compass belongs to is weighed with all else of
the site (`posterior`); here is only found which state the network is best adjusted with.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import COMPASS
from photoaz.network.adjust import Adjusted
from photoaz.network.observations import Direct, Observation, wrap

Array = NDArray[Any]


def with_disturbed(
    observations: Sequence[Observation],
    index: Mapping[str, int],
    doubted: Mapping[str, tuple[float, float]],
) -> tuple[Observation, ...]:
    """The observations with the compasses of some photos as wide as disturbed ones.

    index : of the photos' headings. doubted : of the disturbed ones, as `likeliest_disturbed` has it.
    """
    wide = {index[name]: sigma for name, (_, sigma) in doubted.items()}
    return tuple(
        replace(o, sigma=wide[int(o.index[0])])
        if isinstance(o, Direct) and is_compass(o) and int(o.index[0]) in wide
        else o
        for o in observations
    )


def is_compass(o: Observation) -> bool:
    """Whether an observation is a camera's compass heading."""
    return isinstance(o, Direct) and o.source == COMPASS


def likeliest_disturbed(
    observations: Sequence[Observation],
    adjusted: Adjusted,
    good_rad: Mapping[str, float],
    index: Mapping[str, int],
    doubted: Mapping[str, tuple[float, float]],
) -> frozenset[str]:
    """The photos whose compass is likelier disturbed than not, given all else of the adjusted network.

    Parameters
    ----------
    observations, adjusted : the network with some state of its compasses. good_rad : per photo with a compass, its
        standard uncertainty where undisturbed. index : place of each photo's heading among the unknowns. doubted : per
        photo how probably its compass is disturbed, and how far [rad], as `Angle.doubted` has it.

    Changed one by one, the most telling first, as long as the probability of all compass readings rises, the headings'
    distribution as all else has it integrated over (Gaussian, linear about the adjustment).
    """
    at = {int(o.index[0]): o for o in observations if isinstance(o, Direct) and is_compass(o)}
    photos = tuple(name for name in good_rad if index[name] in at)
    if not photos:
        return frozenset()
    idx = np.array([index[name] for name in photos])
    said = np.array([float(wrap(np.array(at[int(k)].value - adjusted.x[k]))) for k in idx])
    good = np.array([1.0 / good_rad[name] ** 2 for name in photos])
    share, wide = np.array([doubted[name] for name in photos]).T
    bad = wide**-2.0
    now = np.array([1.0 / at[int(k)].sigma ** 2 for k in idx])
    cov = adjusted.covariance[np.ix_(idx, idx)].copy()
    mean = np.zeros(len(idx))
    state = now <= 0.5 * (good + bad)
    prior = np.log(share) - np.log(1.0 - share)
    for _ in range(2 * len(idx)):
        step = np.where(state, good, bad) - now
        # the reading's density as all else predicts it, with the one precision over that with the other
        open_ = 1.0 + step * np.diag(cov)
        gain = 0.5 * (np.log((now + step) / now) - np.log(open_) - step * (said - mean) ** 2 / open_)
        gain = gain + np.where(state, -prior, prior)
        k = int(gain.argmax())
        if gain[k] <= 1e-9:
            break
        pull = cov[:, k] * step[k] / (1.0 + step[k] * cov[k, k])
        mean = mean + pull * (said[k] - mean[k])
        cov = cov - np.outer(pull, cov[k])
        now[k] += step[k]
        state[k] = ~state[k]
    return frozenset(name for name, s in zip(photos, state, strict=True) if s)
