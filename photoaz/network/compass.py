"""A camera's compass: mostly good for some degrees, now and then disturbed by tens of them.

Its error is a mixture of normal distributions. Photos taken moments apart have one compass error in common, good or
disturbed, and a small one of their own. Which part holds is weighed with all else of the site (`posterior`); here is
only found which state the network is best adjusted with.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import COMPASS
from photoaz.network.adjust import Adjusted
from photoaz.network.observations import Direct, Known, Observation, wrap
from photoaz.priors import CompassesKnown
from photoaz.quantities import COMPASS_ALONE_SHARE

if TYPE_CHECKING:
    from photoaz.network.site import SiteNetwork

Array = NDArray[Any]

#: which part of a compass's error is the disturbed one
DISTURBED = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class CompassError:
    """An error of compasses: that of one photo, the one that a stand's photos share, what one of those has beside it.

    owner: the photo or stand. photos: whose compasses it is of. index: unknowns whose sum its observation states, and
    said_rad: what it states. parts: (share, sigma [rad]) of a good one and of a disturbed one.
    """

    owner: str
    photos: tuple[str, ...]
    index: tuple[int, ...]
    said_rad: float
    parts: tuple[tuple[float, float], tuple[float, float]]


def compass_errors(network: SiteNetwork, known: CompassesKnown) -> tuple[CompassError, ...]:
    """All of a network."""
    out = []
    usual = known.disturbed_share, math.radians(known.disturbed_sigma_deg)
    layout = network.layout
    shared = {m.photo for s in network.stands for m in s.members if m.compass is not None}
    for p in network.photos:
        for a in p.headings:
            if a.is_compass and p.name not in shared:
                bad, sigma = a.doubted(*usual)
                out.append(
                    CompassError(
                        owner=p.name,
                        photos=(p.name,),
                        index=(int(layout.photo(p.name, "heading")[0]),),
                        said_rad=a.value_rad,
                        parts=((1.0 - bad, a.sigma_rad), (bad, sigma)),
                    )
                )
    for s in network.stands:
        if s.compass_sigma_rad is None:
            continue
        share, wide = usual
        k = int(layout.stand(s.name, "compass")[0])
        mine = {m.photo: m for m in s.members if m.compass is not None}
        # each is disturbed by itself or with the others, as often as any compass is
        alone = COMPASS_ALONE_SHARE * share
        all_ = 1.0 - (1.0 - share) / (1.0 - alone)
        parts = (1.0 - all_, s.compass_sigma_rad), (all_, wide)
        out.append(CompassError(owner=s.name, photos=tuple(mine), index=(k,), said_rad=0.0, parts=parts))
        for name, m in mine.items():
            index = int(layout.photo(name, "heading")[0]), k
            said_rad = 0.0 if m.compass is None else m.compass.value_rad
            parts = (1.0 - alone, m.compass_own_rad), (alone, wide)
            out.append(CompassError(owner=name, photos=(name,), index=index, said_rad=said_rad, parts=parts))
    return tuple(out)


def with_disturbed(
    observations: Sequence[Observation], errors: Sequence[CompassError], disturbed: Collection[tuple[int, ...]]
) -> tuple[Observation, ...]:
    """The observations with some compass errors, by their index, as wide as disturbed ones."""
    sigma = {e.index: e.parts[DISTURBED][1] for e in errors if e.index in disturbed}

    def widened(o: Observation) -> Observation:
        wide = sigma.get(tuple(o.index.tolist())) if is_compass(o) else None
        if wide is not None and isinstance(o, Direct):
            return replace(o, sigma=wide)
        return replace(o, root=np.ones_like(o.root) / wide) if wide is not None and isinstance(o, Known) else o

    return tuple(widened(o) for o in observations)


def is_compass(o: Observation) -> bool:
    """Whether an observation is of a camera's compass: its heading, or the error that those of a stand share."""
    return isinstance(o, (Direct, Known)) and o.source == COMPASS


def compass_sigma(o: Direct | Known) -> float:
    """Standard uncertainty [rad] of a compass's observation."""
    return o.sigma if isinstance(o, Direct) else 1.0 / float(o.root[0, 0])


def likeliest_disturbed(
    observations: Sequence[Observation], adjusted: Adjusted, errors: Sequence[CompassError]
) -> frozenset[tuple[int, ...]]:
    """The compass errors, by their index, that are likelier those of disturbed ones, given all else of the network.

    Changed one by one, the most telling first, as long as the probability of all compass readings rises, the unknowns'
    distribution as all else has it integrated over (Gaussian, linear about the adjustment).
    """
    at = {tuple(o.index.tolist()): o for o in observations if isinstance(o, (Direct, Known)) and is_compass(o)}
    some = [e for e in errors if e.index in at]
    if not some:
        return frozenset()
    rows = np.zeros((len(some), len(adjusted.x)))
    for row, e in zip(rows, some, strict=True):
        row[list(e.index)] = 1.0
    said = np.array([float(wrap(np.array(e.said_rad - row @ adjusted.x))) for row, e in zip(rows, some, strict=True)])
    share, sigma = np.moveaxis(np.array([e.parts for e in some]), 2, 0)  # each (n, 2): good, disturbed
    good, bad = sigma.T**-2.0
    prior = np.log(share[:, DISTURBED]) - np.log(share[:, 0])
    now = np.array([compass_sigma(at[e.index]) ** -2.0 for e in some])
    cov, mean = rows @ adjusted.covariance @ rows.T, np.zeros(len(some))
    state = now <= 0.5 * (good + bad)
    for _ in range(2 * len(some)):
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
    return frozenset(e.index for e, s in zip(some, state, strict=True) if s)
