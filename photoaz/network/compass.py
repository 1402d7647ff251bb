"""A camera's compass: mostly good for some degrees, now and then disturbed by tens of them.

Its error is a mixture of normal distributions. Photos taken moments apart have one compass error in common, good or
disturbed, and a small one of their own. Which part holds is weighed with all else of the site (`posterior`); here is
only found which state the network is best adjusted with.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import COMPASS
from photoaz.network.adjust import Adjusted
from photoaz.network.observations import Direct, Known, Observation, wrap
from photoaz.priors import CompassesKnown
from photoaz.quantities import COMPASS_ALONE_SHARE, COMPASS_OWN_SHARE

if TYPE_CHECKING:
    from photoaz.network.site import SiteNetwork

Array = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class CompassError:
    """An error of compasses: that of one photo, the one that a stand's photos share, what one of those has beside it.

    owner: the photo or stand. photos: whose compasses it is of. index: unknowns whose sum its observation states, and
    said_rad: what it states. parts: (share, sigma [rad]) of what it may be, the good one first; disturbed: of these,
    those in which the compass is.
    """

    owner: str
    photos: tuple[str, ...]
    index: tuple[int, ...]
    said_rad: float
    parts: tuple[tuple[float, float], ...]
    disturbed: frozenset[int]


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
                        disturbed=frozenset({1}),
                    )
                )
    for s in network.stands:
        if s.compass_sigma_rad is None:
            continue
        share, wide = usual
        k = int(layout.stand(s.name, "compass")[0])
        mine = [m for m in s.members if m.compass is not None]
        both = (1.0 - share, s.compass_sigma_rad), (share, wide * math.sqrt(1.0 - COMPASS_OWN_SHARE**2))
        names = tuple(m.photo for m in mine)
        out.append(CompassError(owner=s.name, photos=names, index=(k,), said_rad=0.0, parts=both, disturbed=_SECOND))
        for m in mine:
            # beside a disturbed one the own part is larger, as often as compasses are disturbed at all
            small, alone = 1.0 - share, COMPASS_ALONE_SHARE * share
            more = math.hypot(m.compass_own_rad, COMPASS_OWN_SHARE * wide)
            out.append(
                CompassError(
                    owner=m.photo,
                    photos=(m.photo,),
                    index=(int(layout.photo(m.photo, "heading")[0]), k),
                    said_rad=m.compass.value_rad if m.compass is not None else 0.0,
                    parts=((small, m.compass_own_rad), (share - alone, more), (alone, wide)),
                    disturbed=frozenset({2}),
                )
            )
    return tuple(out)


_SECOND = frozenset({1})


def with_states(
    observations: Sequence[Observation], errors: Sequence[CompassError], states: Mapping[tuple[int, ...], int]
) -> tuple[Observation, ...]:
    """The observations with compasses as wide as their errors' states are; states: by index, those not the first."""
    sigma = {e.index: e.parts[states[e.index]][1] for e in errors if e.index in states}

    def widened(o: Observation) -> Observation:
        wide = sigma.get(tuple(o.index.tolist())) if is_compass(o) else None
        if wide is None:
            return o
        return replace(o, sigma=wide) if isinstance(o, Direct) else replace(o, root=np.ones_like(o.root) / wide)  # type: ignore[attr-defined,type-var]

    return tuple(widened(o) for o in observations)


def is_compass(o: Observation) -> bool:
    """Whether an observation is of a camera's compass: its heading, or the error that those of a stand share."""
    return isinstance(o, (Direct, Known)) and o.source == COMPASS


def compass_sigma(o: Direct | Known) -> float:
    """Standard uncertainty [rad] of a compass's observation."""
    return o.sigma if isinstance(o, Direct) else 1.0 / float(o.root[0, 0])


def likeliest_states(
    observations: Sequence[Observation], adjusted: Adjusted, errors: Sequence[CompassError]
) -> dict[tuple[int, ...], int]:
    """The states of compass errors that are likeliest, given all else of the adjusted network; by index, but for the
    first state's.

    Changed one by one, the most telling first, as long as the probability of all compass readings rises, the unknowns'
    distribution as all else has it integrated over (Gaussian, linear about the adjustment).
    """
    at = {tuple(o.index.tolist()): o for o in observations if isinstance(o, (Direct, Known)) and is_compass(o)}
    some = [e for e in errors if e.index in at]
    if not some:
        return {}
    rows = np.zeros((len(some), len(adjusted.x)))
    for row, e in zip(rows, some, strict=True):
        row[list(e.index)] = 1.0
    said = np.array([float(wrap(np.array(e.said_rad - row @ adjusted.x))) for row, e in zip(rows, some, strict=True)])
    most = max(len(e.parts) for e in some)
    share, precision = np.zeros((len(some), most)), np.ones((len(some), most))
    for k, e in enumerate(some):
        share[k, : len(e.parts)], sigma = np.array(e.parts).T
        precision[k, : len(e.parts)] = sigma**-2.0
    with np.errstate(divide="ignore"):
        prior = np.log(share)
    now = np.array([compass_sigma(at[e.index]) ** -2.0 for e in some])
    state = np.abs(np.log(precision / now[:, None])).argmin(1)
    cov, mean = rows @ adjusted.covariance @ rows.T, np.zeros(len(some))
    each = np.arange(len(some))
    for _ in range(2 * most * len(some)):
        step = precision - now[:, None]
        # the reading's density as all else predicts it, with the one precision over that with the other
        open_ = 1.0 + step * np.diag(cov)[:, None]
        off = ((said - mean) ** 2)[:, None]
        gain = 0.5 * (np.log(precision / now[:, None]) - np.log(open_) - step * off / open_)
        gain = gain + prior - prior[each, state][:, None]
        k, to = divmod(int(gain.argmax()), most)
        if gain[k, to] <= 1e-9:
            break
        pull = cov[:, k] * step[k, to] / (1.0 + step[k, to] * cov[k, k])
        mean = mean + pull * (said[k] - mean[k])
        cov = cov - np.outer(pull, cov[k])
        now[k], state[k] = precision[k, to], to
    return {e.index: int(s) for e, s in zip(some, state, strict=True) if s}
