"""The ways in which one antenna's outlines can fit, weighed against all else that is known of the site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_rad
from photoaz.network.adjust import Adjusted, rest_information
from photoaz.network.box_batch import BoxBatch
from photoaz.network.observations import Box
from photoaz.network.site import PhotoObservations, SiteNetwork, azimuth_of_mode, azimuths_of_modes
from photoaz.vision.evidence import TILT_SIGMA_RAD

Array = NDArray[Any]

Choice = Mapping[tuple[str, str], int]
Doubt = Mapping[tuple[str, str], float]

#: views of one antenna agree no better than this: attitudes are not known exactly while modes are chosen
_AGREE_RAD = float(np.radians(1.0))
#: combinations of modes that are adjusted, of those that cost less than this more than the cheapest
MOST_OPTIONS, OPTION_COST = 8, 16.0
#: what one view may cost that contradicts the others altogether
_LONELY = 25.0
_MOST_STEPS = 40


@dataclass(frozen=True, slots=True)
class BetterModes:
    """One antenna's better choice of modes, empty where there is none, and what it gains (-2 ln likelihood)."""

    better: dict[tuple[str, str], int]
    gain: float


def better_modes(network: SiteNetwork, best: Adjusted, choice: Choice, doubt: Doubt, antenna: str) -> BetterModes:
    """The better choice among all ways in which the boxes of one antenna can fit, all else as adjusted."""
    photos = [p for p in network.photos if antenna in p.boxes]
    keys = [(p.name, antenna) for p in photos]
    attitudes = [best.x[network.layout.photo(p.name)[:3]] for p in photos]
    current = tuple(choice[k] for k in keys)
    options = _options(photos, antenna, attitudes, [doubt.get(k, 1.0) for k in keys])
    if options == [current]:
        return BetterModes({}, 0.0)
    if current not in options:
        options.append(current)
    cost = _adjusted_costs(network, best, photos, antenna, options, current, doubt)
    cheapest = int(np.argmin(cost))
    gain = float(cost[options.index(current)] - cost[cheapest])
    return BetterModes(dict(zip(keys, options[cheapest], strict=True)), gain) if gain > 1e-6 else BetterModes({}, 0.0)


# longer than most: one batch of Levenberg-Marquardt, whose steps share their arrays
def _adjusted_costs(
    network: SiteNetwork,
    best: Adjusted,
    photos: Sequence[PhotoObservations],
    antenna: str,
    options: Sequence[tuple[int, ...]],
    current: tuple[int, ...],
    doubt: Doubt,
) -> Array:
    """Cost (O,) of each combination of modes, adjusted with all else of the site.

    All else is what the adjustment's covariance says of the unknowns in question, less what the present modes say
    themselves; views whose mode no option changes stay in it. Levenberg-Marquardt, all options as one batch.
    """
    table = np.array(options)
    varied = [v for v in range(len(photos)) if (table[:, v] != current[v]).any()]
    layout = network.layout
    ai, si = layout.antenna(antenna), layout.site()
    keep = np.concatenate([*(layout.photo(photos[v].name) for v in varied), ai, si])
    n_photo = len(layout.photo(photos[0].name)) if photos else 0
    tail = np.arange(n_photo * len(varied), len(keep))
    local = np.stack([np.concatenate([n_photo * n + np.arange(n_photo), tail]) for n in range(len(varied))])
    stack = _stack(network, [photos[v] for v in varied], antenna, table[:, varied], doubt)
    mine = options.index(current)
    at = best.x[keep]

    def normal(dq: Array) -> tuple[Array, Array, Array]:
        """Cost, normal matrix and right side of the varied views alone, at dq (O, k) off the adjusted unknowns."""
        r, j = stack.evaluate((at + dq)[:, local])
        n, g = np.zeros((len(dq), len(keep), len(keep))), np.zeros_like(dq)
        t = np.swapaxes(j, -1, -2)
        blocks, sides = t @ j, -(t @ r[..., None])[..., 0]
        for v, idx in enumerate(local):
            n[:, idx[:, None], idx] += blocks[:, v]
            g[:, idx] += sides[:, v]
        return (r * r).sum((1, 2)), n, g

    dq = np.zeros((len(options), len(keep)))
    _, own_n, own_g = normal(dq)
    # at the minimum the gradients of all else and of the present modes cancel
    rest = rest_information(best, keep, own_n[mine])
    rest_g = -own_g[mine]
    widest = max(range(len(photos)), key=lambda n: photos[n].boxes[antenna][0].width_px)
    p = photos[widest]
    attitude = best.x[layout.photo(p.name)[:3]]
    for k, option in enumerate(options):
        if option != current:
            azimuth = azimuth_of_mode(p, p.boxes[antenna][option[widest]], attitude)
            dq[k, tail[0]] = wrap_rad(azimuth - best.x[ai[0]])

    def whole(dq: Array) -> tuple[Array, Array, Array]:
        c, n, g = normal(dq)
        moved = dq @ rest
        return c + (dq * moved).sum(1) - 2.0 * dq @ rest_g, n + rest, g + rest_g - moved

    cost, n, g = whole(dq)
    damping = np.full(len(options), 1e-4)
    unsettled = np.ones(len(options), bool)
    for _ in range(_MOST_STEPS):
        scale = np.maximum(np.einsum("oii->oi", n), 1e-12)
        damped = n + np.einsum("oi,ij->oij", damping[:, None] * scale, np.eye(len(keep)))
        step = np.linalg.solve(damped, g[..., None])[..., 0]
        with np.errstate(all="ignore"):
            trial = whole(dq + step)
        ok = np.isfinite(trial[0]) & (trial[0] <= cost + 1e-9)
        gain = np.where(ok, cost - trial[0], np.inf)
        dq[ok] += step[ok]
        for now, then in zip((cost, n, g), trial, strict=True):
            now[ok] = then[ok]
        damping = np.where(ok, np.maximum(damping / 10.0, 1e-9), damping * 10.0)
        unsettled = gain >= 1e-3 * (1.0 + np.abs(cost))
        if not unsettled.any():
            break
    # what does not come to rest is no answer; the present one has come to rest before
    unsettled[mine] = False
    cost = np.where(unsettled, np.inf, cost)
    modes = sum(np.array([m.cost for m in photos[v].boxes[antenna]])[table[:, v]] for v in range(len(photos)))
    out: Array = cost + modes
    return out


def _stack(
    network: SiteNetwork, photos: Sequence[PhotoObservations], antenna: str, table: Array, doubt: Doubt
) -> BoxBatch:
    """The boxes (O, V) that the options' modes (O, V) make."""
    boxes: list[Box] = []
    place: list[int] = []
    for p in photos:
        place.append(len(boxes))
        factor = doubt.get((p.name, antenna), 1.0)
        boxes += [network.box(p, antenna, m, factor) for m in p.boxes[antenna]]
    return BoxBatch.of(boxes).take(table + np.array(place))


def _options(
    photos: Sequence[PhotoObservations], antenna: str, attitudes: Sequence[Array], doubts: Sequence[float]
) -> list[tuple[int, ...]]:
    """Combinations of modes of one antenna over its photos worth weighing, the likeliest first.

    What a combination costs is guessed from its modes' costs and from how well their azimuths agree, the attitudes (3,)
    taken as known. Tried are, for every azimuth that a mode stands for, the modes that suit it best, and from the best
    of these each change of a single view.
    """
    views = len(photos)
    most = max(len(p.boxes[antenna]) for p in photos)
    azimuth, weight, cost = np.zeros((views, most)), np.ones((views, most)), np.full((views, most), np.inf)
    for v, (p, attitude, doubt) in enumerate(zip(photos, attitudes, doubts, strict=True)):
        modes = p.boxes[antenna]
        own = np.array([m.cost for m in modes])
        n = len(modes)
        azimuth[v, :n], sigma = azimuths_of_modes(p, modes, attitude, TILT_SIGMA_RAD)
        weight[v, :n] = 1.0 / np.hypot(sigma * doubt, _AGREE_RAD) ** 2
        cost[v, :n] = np.where(own < own.min() + OPTION_COST, own, np.inf)
    rows = np.arange(views)

    def total(options: Array) -> Array:
        az, w = azimuth[rows, options], weight[rows, options]
        middle = np.arctan2((w * np.sin(az)).sum(1), (w * np.cos(az)).sum(1))
        off = np.minimum(wrap_rad(az - middle[:, None]) ** 2 * w, _LONELY).sum(1)
        return np.asarray(off + cost[rows, options].sum(1))

    stands_for = azimuth[np.isfinite(cost)]
    off = np.minimum(wrap_rad(azimuth - stands_for[:, None, None]) ** 2 * weight, _LONELY) + cost
    options = np.unique(off.argmin(-1), axis=0)
    options = options[np.argsort(total(options), kind="stable")][:MOST_OPTIONS]
    changed = np.repeat(options[:, None], views * most, 1)
    changed[:, np.arange(views * most), np.repeat(rows, most)] = np.tile(np.arange(most), views)
    options = np.unique(np.concatenate([options, changed.reshape(-1, views)]), axis=0)
    guess = total(options)
    order = np.argsort(guess, kind="stable")[:MOST_OPTIONS]
    return [tuple(int(i) for i in options[k]) for k in order if guess[k] < guess[order[0]] + OPTION_COST]
