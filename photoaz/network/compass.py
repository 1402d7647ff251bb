"""A camera's compass: mostly good for some degrees, now and then disturbed by tens of them.

Its error is a mixture of two normal distributions. Which part a photo's compass belongs to is weighed by what all else
of the site says of the headings, for all photos together; where nothing else speaks, both remain possible.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import COMPASS
from photoaz.network.adjust import Adjusted, inverse
from photoaz.network.observations import Direct, Observation, wrap
from photoaz.priors import CompassesKnown

Array = NDArray[Any]

#: compasses whose state is weighed in all combinations; of others the likelier state is taken
_MOST = 10
#: combinations less probable than this beside the likeliest are dropped
_LEAST = 1e-3


@dataclass(frozen=True, slots=True)
class Compasses:
    """How probable every combination of disturbed compasses is, and what follows.

    photos (n): whose compass it is. disturbed (n,): posterior probability of each. likeliest: who is disturbed in the
    likeliest combination. weight (L,): of each combination kept, the likeliest first. index (m,): places among the
    unknowns of those headings whose compass's state is open; heading_rad (L, m), covariance (L, m, m): these under each
    combination, off the adjusted ones.
    """

    photos: tuple[str, ...]
    disturbed: Array
    likeliest: frozenset[str]
    weight: Array
    index: Array
    heading_rad: Array
    covariance: Array


@dataclass(frozen=True, slots=True)
class Shift:
    """What a combination of disturbed compasses does to an unknown: offset, variance added (or taken), probability."""

    offset_rad: float
    variance_rad2: float
    probability: float


def with_disturbed(
    observations: Sequence[Observation],
    index: Mapping[str, int],
    disturbed: Collection[str],
    known: CompassesKnown | None = None,
) -> tuple[Observation, ...]:
    """The observations with the compasses of some photos as wide as a disturbed one; index: of the photos' headings."""
    wide = {index[name] for name in disturbed}
    sigma = np.radians((known or CompassesKnown()).disturbed_sigma_deg)
    return tuple(
        replace(o, sigma=float(sigma)) if isinstance(o, Direct) and is_compass(o) and int(o.index[0]) in wide else o
        for o in observations
    )


def is_compass(o: Observation) -> bool:
    """Whether an observation is a camera's compass heading."""
    return isinstance(o, Direct) and o.source == COMPASS


# longer than most: one sum over all ways in which compasses may be disturbed, whose steps share their arrays
def weigh_compasses(
    observations: Sequence[Observation],
    adjusted: Adjusted,
    good_rad: Mapping[str, float],
    index: Mapping[str, int],
    known: CompassesKnown | None = None,
) -> Compasses | None:
    """Weigh which compasses are disturbed, given the adjusted network; None where no photo has one.

    Parameters
    ----------
    observations, adjusted : the network with some state of its compasses. good_rad : per photo with a compass, its
    standard uncertainty where undisturbed. index : place of each photo's heading among the unknowns. known : how often
    compasses are disturbed, and how far.

    The evidence of a combination is the probability of all compass readings under it, the headings' distribution as all
    else has it integrated over (Gaussian, linear about the adjustment).
    """
    known = known or CompassesKnown()
    share = known.disturbed_share
    at = {int(o.index[0]): o for o in observations if isinstance(o, Direct) and is_compass(o)}
    photos = tuple(name for name in good_rad if index[name] in at)
    if not photos:
        return None
    idx = np.array([index[name] for name in photos])
    said = np.array([float(wrap(np.array(at[int(k)].value - adjusted.x[k]))) for k in idx])
    good = np.array([1.0 / good_rad[name] ** 2 for name in photos])
    bad = 1.0 / np.radians(known.disturbed_sigma_deg) ** 2
    now = np.array([1.0 / at[int(k)].sigma ** 2 for k in idx])
    cov = adjusted.covariance[np.ix_(idx, idx)].copy()
    mean = np.zeros(len(idx))
    state = now <= 0.5 * (good + bad)

    def flips() -> tuple[Array, Array]:
        """What each compass's change alone brings to the ln posterior (n,), and to its precision (n,)."""
        to = np.where(state, good, bad)
        step = to - now
        # the reading's density as all else predicts it, with the one precision over that with the other
        open_ = 1.0 + step * np.diag(cov)
        gain = 0.5 * (np.log(to / now) - np.log(open_) - step * (said - mean) ** 2 / open_)
        prior = np.log(share) - np.log(1.0 - share)
        return gain + np.where(state, -prior, prior), step

    for _ in range(2 * len(idx)):
        gain, step = flips()
        k = int(gain.argmax())
        if gain[k] <= 1e-9:
            break
        pull = cov[:, k] * step[k] / (1.0 + step[k] * cov[k, k])
        mean = mean + pull * (said[k] - mean[k])
        cov = cov - np.outer(pull, cov[k])
        now[k] += step[k]
        state[k] = ~state[k]
    gain, _ = flips()
    unsure = np.argsort(-gain, kind="stable")[:_MOST]
    unsure = unsure[gain[unsure] > np.log(_LEAST)]
    rest = inverse(cov[np.ix_(unsure, unsure)]) - np.diag(now[unsure]) if len(unsure) else np.zeros((0, 0))
    rest_side = rest @ mean[unsure] + now[unsure] * (mean[unsure] - said[unsure])
    m = len(unsure)
    states = np.repeat(state[None, unsure], 2**m, 0)
    states ^= np.array(list(itertools.product([False, True], repeat=m)), bool).reshape(2**m, m)
    d = np.where(states, bad, good[unsure])
    information = rest + np.einsum("li,ij->lij", d, np.eye(m))
    spread = np.linalg.inv(information)
    side = rest_side + d * said[unsure]
    heading = (spread @ side[..., None])[..., 0]
    fit = (d * said[unsure] ** 2).sum(1) - (side * heading).sum(1)
    ln = 0.5 * (np.log(d).sum(1) - np.linalg.slogdet(information)[1] - fit)
    k = states.sum(1)
    ln = ln + k * np.log(share) + (m - k) * np.log(1.0 - share)
    order = np.argsort(-ln, kind="stable")
    order = order[ln[order] > ln[order[0]] + np.log(_LEAST)]
    weight = np.exp(ln[order] - ln[order[0]])
    weight /= weight.sum()
    disturbed = state.astype(float)
    disturbed[unsure] = weight @ states[order]
    likeliest = state.copy()
    likeliest[unsure] = states[order[0]]
    return Compasses(
        photos=photos,
        disturbed=disturbed,
        likeliest=frozenset(name for name, s in zip(photos, likeliest, strict=True) if s),
        weight=weight,
        index=idx[unsure],
        heading_rad=heading[order],
        covariance=spread[order],
    )


def shifts_of(compasses: Compasses, adjusted: Adjusted, unknown: int) -> tuple[Shift, ...]:
    """What each combination of disturbed compasses makes of one unknown, the adjusted network's own first."""
    idx = compasses.index
    if len(idx) == 0:
        return (Shift(0.0, 0.0, 1.0),)
    c = adjusted.covariance
    gain = np.linalg.solve(c[np.ix_(idx, idx)], c[idx, unknown])
    now = float(gain @ c[idx, unknown])
    offset = compasses.heading_rad @ gain
    variance = np.einsum("i,lij,j->l", gain, compasses.covariance, gain) - now
    return tuple(
        Shift(float(o - offset[0]), float(v), float(w))
        for o, v, w in zip(offset, variance, compasses.weight, strict=True)
    )
