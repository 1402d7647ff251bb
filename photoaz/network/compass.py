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

from photoaz.network.adjust import Adjusted, inverse
from photoaz.network.observations import Direct, Observation, wrap

Array = NDArray[Any]

#: the compass's name in the error budget
COMPASS = "camera compass"
#: how often a compass is disturbed, and its standard deviation then. Read off five real photos, errors -7, -19, 12, -12
#: and -90 degrees, which is little to go by: common practice, no source
DISTURBED_SHARE = 0.2
DISTURBED_RAD = float(np.radians(35.0))
#: compasses whose state is weighed in all combinations; of others the likelier state is taken
_MOST = 10
#: combinations less probable than this beside the likeliest are dropped
_LEAST = 1e-3


@dataclass(frozen=True, slots=True)
class Compasses:
    """How probable every combination of disturbed compasses is, and what follows.

    photos (n): whose compass it is. disturbed (n,): posterior probability of each. likeliest: who is disturbed in the
    likeliest combination. weight (L,): of each combination kept, the likeliest first. heading_rad (L, n), covariance
    (L, n, n): the photos' headings under each, off the adjusted ones, and index (n,): their places among the unknowns.
    """

    photos: tuple[str, ...]
    index: Array
    disturbed: Array
    likeliest: frozenset[str]
    weight: Array
    heading_rad: Array
    covariance: Array


@dataclass(frozen=True, slots=True)
class Shift:
    """What a combination of disturbed compasses does to an unknown: offset, variance added (or taken), probability."""

    offset_rad: float
    variance_rad2: float
    probability: float


def with_disturbed(
    observations: Sequence[Observation], index: Mapping[str, int], disturbed: Collection[str]
) -> tuple[Observation, ...]:
    """The observations with the compasses of some photos as wide as a disturbed one; index: of the photos' headings."""
    wide = {index[name] for name in disturbed}
    return tuple(
        replace(o, sigma=DISTURBED_RAD) if isinstance(o, Direct) and is_compass(o) and int(o.index[0]) in wide else o
        for o in observations
    )


def is_compass(o: Observation) -> bool:
    """Whether an observation is a camera's compass heading."""
    return isinstance(o, Direct) and o.source == COMPASS


def weigh_compasses(
    observations: Sequence[Observation], adjusted: Adjusted, good_rad: Mapping[str, float], index: Mapping[str, int]
) -> Compasses | None:
    """Weigh which compasses are disturbed, given the adjusted network; None where no photo has one.

    Parameters
    ----------
    observations, adjusted : the network with some state of its compasses. good_rad : per photo with a compass, its
    standard uncertainty where undisturbed. index : place of each photo's heading among the unknowns.

    The evidence of a combination is the probability of all compass readings under it, the headings' distribution as all
    else has it integrated over (Gaussian, linear about the adjustment).
    """
    at = {int(o.index[0]): o for o in observations if isinstance(o, Direct) and is_compass(o)}
    photos = tuple(name for name in good_rad if index[name] in at)
    if not photos:
        return None
    idx = np.array([index[name] for name in photos])
    said = np.array([float(wrap(np.array(at[int(k)].value - adjusted.x[k]))) for k in idx])
    present = np.array([1.0 / at[int(k)].sigma ** 2 for k in idx])
    rest = inverse(adjusted.covariance[np.ix_(idx, idx)]) - np.diag(present)
    good = np.array([1.0 / good_rad[name] ** 2 for name in photos])
    n = len(photos)

    def evidence(states: Array) -> tuple[Array, Array, Array]:
        """ln posterior (L,), headings' mean (L, n) and covariance (L, n, n) for states (L, n), True: disturbed."""
        d = np.where(states, 1.0 / DISTURBED_RAD**2, good)
        information = rest + np.einsum("li,ij->lij", d, np.eye(n))
        cov = np.linalg.inv(information)
        b = (d - present) * said
        mean = (cov @ b[..., None])[..., 0]
        fit = (d * said**2).sum(1) - (b * mean).sum(1)
        ln = 0.5 * (np.log(d).sum(1) - np.linalg.slogdet(information)[1] - fit)
        k = states.sum(1)
        return ln + k * np.log(DISTURBED_SHARE) + (n - k) * np.log(1.0 - DISTURBED_SHARE), mean, cov

    best = np.zeros(n, bool)
    flips = np.eye(n, dtype=bool)
    for _ in range(2 * n):
        tried = np.concatenate([best[None], best ^ flips])
        ln, _, _ = evidence(tried)
        if int(ln.argmax()) == 0:
            break
        best = tried[int(ln.argmax())]
    unsure = np.argsort(ln[0] - ln[1:], kind="stable")[:_MOST]
    states = np.repeat(best[None], 2 ** len(unsure), 0)
    states[:, unsure] ^= np.array(list(itertools.product([False, True], repeat=len(unsure))))
    ln, mean, cov = evidence(states)
    order = np.argsort(-ln, kind="stable")
    order = order[ln[order] > ln[order[0]] + np.log(_LEAST)]
    weight = np.exp(ln[order] - ln[order[0]])
    weight /= weight.sum()
    return Compasses(
        photos=photos,
        index=idx,
        disturbed=weight @ states[order],
        likeliest=frozenset(name for name, s in zip(photos, states[order[0]], strict=True) if s),
        weight=weight,
        heading_rad=mean[order],
        covariance=cov[order],
    )


def shifts_of(compasses: Compasses, adjusted: Adjusted, unknown: int) -> tuple[Shift, ...]:
    """What each combination of disturbed compasses makes of one unknown, the adjusted network's own first."""
    idx = compasses.index
    c = adjusted.covariance
    gain = np.linalg.solve(c[np.ix_(idx, idx)], c[idx, unknown])
    now = float(gain @ c[idx, unknown])
    offset = compasses.heading_rad @ gain
    variance = np.einsum("i,lij,j->l", gain, compasses.covariance, gain) - now
    return tuple(
        Shift(float(o - offset[0]), float(v), float(w))
        for o, v, w in zip(offset, variance, compasses.weight, strict=True)
    )
