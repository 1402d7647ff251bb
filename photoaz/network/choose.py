"""Choosing among the ways that boxes fit, doubting what contradicts the rest, and weighing what remains possible."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_rad
from photoaz.network.adjust import Adjusted, AdjustmentError, adjust, marginal, w_tests
from photoaz.network.observations import Box, Known, Observation
from photoaz.network.site import PhotoFacts, SiteNetwork, azimuth_of_mode, azimuth_sigma_of_mode, outline_label

Array = NDArray[Any]

#: standardised residual above which an observation is held to be wrong (two-sided 0.1 %)
W_CRITICAL = 3.29
#: an outline's own errors have heavier tails: it is doubted later than a sensor
W_CRITICAL_BOX = 4.5
#: what a real body's shape differs from the model, the same in every photo of it (measured on rendered tower heads)
SHAPE_SIGMA_RAD = float(np.radians(0.35))
#: a view's tilt and roll are held by the plumb mounting to about this while its own azimuth is judged
_TILT_SIGMA_RAD = float(np.radians(1.5))
#: views of one antenna agree no better than this: attitudes are not known exactly while modes are chosen
_AGREE_RAD = float(np.radians(1.0))


@dataclass(frozen=True, slots=True)
class Branch:
    """Another azimuth of one antenna: difference [rad] from the chosen one, its sigma [rad], its probability."""

    azimuth_rad: float
    sigma_rad: float
    probability: float


@dataclass(frozen=True, slots=True)
class Chosen:
    """A site's network with its modes chosen: the adjustment, what was left out or doubted and why.

    branches: per antenna the distinct azimuths that remain possible, the chosen one first. scatter: per antenna by how
    much its views differ more than their own uncertainties allow (Birge ratio, at least 1).
    """

    network: SiteNetwork
    adjusted: Adjusted
    observations: tuple[Observation, ...]
    choice: Mapping[tuple[str, str], int]
    left_out: tuple[Observation, ...]
    doubt: Mapping[tuple[str, str], float]
    branches: Mapping[str, tuple[Branch, ...]]
    scatter: Mapping[str, float]


def _first_choice(network: SiteNetwork) -> dict[tuple[str, str], int]:
    """The mode of each box to begin with: the best in the photo that shows the antenna widest; elsewhere the mode that

    agrees best with it.
    """
    out: dict[tuple[str, str], int] = {}
    for a in network.antennas:
        views = sorted((p for p in network.photos if a.name in p.boxes), key=lambda p: -p.boxes[a.name][0].width_px)
        reference = None
        for p in views:
            modes = p.boxes[a.name]
            if reference is None:
                out[p.name, a.name] = 0
                reference = azimuth_of_mode(p, modes[0])
                continue
            off = [float(wrap_rad(azimuth_of_mode(p, m) - reference)) for m in modes]
            score = [m.cost + (o / np.radians(8.0)) ** 2 for m, o in zip(modes, off, strict=True)]
            out[p.name, a.name] = int(np.argmin(score))
    return out


def _start(network: SiteNetwork, choice: Mapping[tuple[str, str], int]) -> Array:
    x = network.start.copy()
    for a in network.antennas:
        for p in sorted((p for p in network.photos if a.name in p.boxes), key=lambda p: -p.boxes[a.name][0].width_px):
            if (p.name, a.name) in choice:
                x[network.layout.antenna(a.name, "azimuth")] = azimuth_of_mode(
                    p, p.boxes[a.name][choice[p.name, a.name]]
                )
                break
    return x


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The network adjusted with one choice of modes; total: -2 ln likelihood of both, up to a constant."""

    choice: dict[tuple[str, str], int]
    observations: tuple[Observation, ...]
    adjusted: Adjusted
    total: float


@dataclass(frozen=True, slots=True)
class _Weighed:
    """One antenna's ways: the better choice if there is one and by how much, and its distinct azimuths."""

    better: dict[tuple[str, str], int]
    gain: float
    branches: tuple[Branch, ...]


def choose_and_adjust(network: SiteNetwork) -> Chosen:
    """Choose modes, adjust, leave out or doubt what contradicts the rest, and weigh the other modes.

    Raises AdjustmentError where the network has no solution.
    """
    left_out: list[Observation] = []
    doubt: dict[tuple[str, str], float] = {}
    choice = _first_choice(network)

    def run(c: Mapping[tuple[str, str], int], start: Array) -> _Fitted:
        obs = tuple(o for o in network.observations(c, doubt) if not any(_same_observation(o, x) for x in left_out))
        adjusted = adjust(obs, start)
        boxes = sum(p.boxes[a][c[p.name, a]].cost for p in network.photos for a in p.boxes)
        return _Fitted(dict(c), obs, adjusted, adjusted.cost + boxes)

    def improved(now: _Fitted, together: int) -> _Fitted:
        """Better modes taken while there are any: all at once in the first sweeps, then the best flip alone.

        Flips of several antennas at once can undo each other for ever, so what cost least of all is kept.
        """
        cheapest = now
        for sweep in range(together + 6):
            weighed = [
                _weigh(network, now.observations, now.adjusted, now.choice, doubt, a.name) for a in network.antennas
            ]
            gains = sorted((w for w in weighed if w.better), key=lambda w: -w.gain)
            if not gains:
                break
            flips: dict[tuple[str, str], int] = {}
            for w in gains if sweep < together else gains[:1]:
                flips.update(w.better)
            flipped = {**now.choice, **flips}
            now = run(flipped, _moved(network, now.adjusted.x, flipped, flips))
            if now.total < cheapest.total:
                cheapest = now
            elif sweep >= together:
                break
        return cheapest

    now = improved(run(choice, _start(network, choice)), together=2)
    for _ in range(4):
        suspect, excess = _suspect(now.observations, now.adjusted)
        if suspect is None:
            break
        if isinstance(suspect, Box):
            # an outline that does not fit the rest still tells something: trusted less, not thrown away
            key = next(k for k in now.choice if _label(k) == suspect.label)
            doubt[key] = doubt.get(key, 1.0) * 2.0 * excess
        else:
            left_out.append(suspect)
        now = run(now.choice, now.adjusted.x)
    if left_out or doubt:
        now = improved(now, together=0)
    obs, best, choice = now.observations, now.adjusted, now.choice
    branches = {a.name: _weigh(network, obs, best, choice, doubt, a.name).branches for a in network.antennas}
    scatter = {a.name: _scatter(network, best, choice, doubt, a.name) for a in network.antennas}
    for name, factor in scatter.items():
        branches[name] = tuple(
            replace(b, sigma_rad=float(np.hypot(factor * b.sigma_rad, SHAPE_SIGMA_RAD))) for b in branches[name]
        )
    return Chosen(network, best, obs, choice, tuple(left_out), doubt, branches, scatter)


def _suspect(observations: Sequence[Observation], adjusted: Adjusted) -> tuple[Observation | None, float]:
    """The observation that contradicts the rest most, if any does, and by how many times its critical value."""
    w = [
        abs(v) / (W_CRITICAL_BOX if isinstance(o, Box) else W_CRITICAL) if o.testable else 0.0
        for o, v in zip(observations, w_tests(observations, adjusted), strict=True)
    ]
    worst = int(np.nan_to_num(w).argmax())
    return (observations[worst], float(w[worst])) if w[worst] > 1.0 else (None, 0.0)


def _moved(
    network: SiteNetwork, x: Array, choice: Mapping[tuple[str, str], int], flips: Mapping[tuple[str, str], int]
) -> Array:
    """Starting values after some boxes changed their mode: the azimuths of those antennas."""
    out = x.copy()
    for name in {k[1] for k in flips}:
        widest = max((p for p in network.photos if name in p.boxes), key=lambda p: p.boxes[name][0].width_px)
        attitude = x[network.layout.photo(widest.name)[:3]]
        mode = widest.boxes[name][choice[widest.name, name]]
        out[network.layout.antenna(name, "azimuth")] = azimuth_of_mode(widest, mode, attitude)
    return out


def _weigh(
    network: SiteNetwork,
    observations: Sequence[Observation],
    best: Adjusted,
    choice: Mapping[tuple[str, str], int],
    doubt: Mapping[tuple[str, str], float],
    antenna: str,
) -> _Weighed:
    """Every way the boxes of one antenna can fit, all else as adjusted: the better choice if there is one, and the

    distinct azimuths with their probabilities, the chosen one first.
    """
    layout = network.layout
    ai = layout.antenna(antenna)
    chosen = Branch(float(best.x[ai[0]]), float(np.sqrt(best.covariance[ai[0], ai[0]])), 1.0)
    photos = [p for p in network.photos if antenna in p.boxes]
    keys = [(p.name, antenna) for p in photos]
    attitudes = [best.x[layout.photo(p.name)[:3]] for p in photos]
    options = _options(photos, antenna, attitudes, [doubt.get(k, 1.0) for k in keys])
    if options == [tuple(choice[k] for k in keys)]:
        return _Weighed({}, 0.0, (chosen,))
    keep = np.concatenate([*(layout.photo(p.name) for p in photos), ai, layout.site()])
    own = [s for o, s in zip(observations, best.rows, strict=True) if o.label in {_label(k) for k in keys}]
    root, offset = marginal(best, own, keep)
    known = Known("everything else", "", np.arange(len(keep)), best.x[keep], root, offset)
    place = {int(k): n for n, k in enumerate(keep)}
    current = tuple(choice[k] for k in keys)
    if current not in options:
        options.append(current)
    rows: list[tuple[float, float, float, tuple[int, ...]]] = []
    widest = max(range(len(photos)), key=lambda n: photos[n].boxes[antenna][0].width_px)
    for option in options:
        boxes = [
            replace(o, index=np.array([place[int(k)] for k in o.index]))
            for o in (
                network.box(p, antenna, p.boxes[antenna][i], doubt.get((p.name, antenna), 1.0))
                for p, i in zip(photos, option, strict=True)
            )
        ]
        start = best.x[keep].copy()
        if option != current:
            p = photos[widest]
            attitude = best.x[layout.photo(p.name)[:3]]
            start[place[int(ai[0])]] = azimuth_of_mode(p, p.boxes[antenna][option[widest]], attitude)
        try:
            adjusted = adjust([known, *boxes], start, max_iterations=12, tolerance=1e-4)
        except AdjustmentError:
            continue
        k = place[int(ai[0])]
        cost = adjusted.cost + sum(p.boxes[antenna][i].cost for p, i in zip(photos, option, strict=True))
        rows.append((cost, float(adjusted.x[k]), float(np.sqrt(adjusted.covariance[k, k])), option))
    if not rows:
        return _Weighed({}, 0.0, (chosen,))
    rows.sort(key=lambda r: r[0])
    merged: list[tuple[float, float, float]] = []
    for cost, azimuth, sigma, _ in rows:
        if all(abs(wrap_rad(azimuth - m[1])) > max(np.radians(1.0), 0.7 * (sigma + m[2])) for m in merged):
            merged.append((cost, azimuth, sigma))
    weight = np.exp(-0.5 * (np.array([m[0] for m in merged]) - merged[0][0]))
    weight /= weight.sum()
    branches = [Branch(m[1], m[2], float(p)) for m, p in zip(merged, weight, strict=True)]
    own_cost = next((r[0] for r in rows if r[3] == current), np.inf)
    better = {} if own_cost <= rows[0][0] + 1e-6 else dict(zip(keys, rows[0][3], strict=True))
    # the chosen way stands first, whatever it costs: it is the one whose azimuth is told
    mine = min(range(len(branches)), key=lambda n: abs(float(wrap_rad(branches[n].azimuth_rad - chosen.azimuth_rad))))
    first = replace(branches.pop(mine), azimuth_rad=chosen.azimuth_rad, sigma_rad=chosen.sigma_rad)
    gain = float(own_cost - rows[0][0]) if np.isfinite(own_cost) else np.inf
    return _Weighed(better, gain, (first, *branches))


def _scatter(
    network: SiteNetwork,
    best: Adjusted,
    choice: Mapping[tuple[str, str], int],
    doubt: Mapping[tuple[str, str], float],
    antenna: str,
) -> float:
    """Birge ratio of the azimuths that an antenna's views give one by one, at least 1.

    Each view's azimuth at the adjusted attitude, with the uncertainty of its own outline alone. R. T. Birge, The
    calculation of errors by the method of least squares, Phys. Rev. 40 (1932) 207.
    """
    azimuth = float(best.x[network.layout.antenna(antenna, "azimuth")[0]])
    misfit: list[float] = []
    for p in network.photos:
        if antenna not in p.boxes:
            continue
        mode = p.boxes[antenna][choice[p.name, antenna]]
        attitude = best.x[network.layout.photo(p.name)[:3]]
        sigma = azimuth_sigma_of_mode(p, mode, attitude, _TILT_SIGMA_RAD) * doubt.get((p.name, antenna), 1.0)
        misfit.append(float(wrap_rad(azimuth_of_mode(p, mode, attitude) - azimuth)) / sigma)
    if len(misfit) < 2:
        return 1.0
    return max(1.0, float(np.sqrt(np.square(misfit).sum() / (len(misfit) - 1))))


#: combinations of modes that are adjusted, of those that cost less than this more than the cheapest
MOST_OPTIONS, OPTION_COST = 8, 16.0
#: what one view may cost that contradicts the others altogether
_LONELY = 25.0


def _options(
    photos: Sequence[PhotoFacts],
    antenna: str,
    attitudes: Sequence[Array],
    doubts: Sequence[float],
) -> list[tuple[int, ...]]:
    """Combinations of modes of one antenna over its photos worth weighing, the likeliest first.

    What a combination costs is guessed from its modes' costs and from how well their azimuths agree, the attitudes (3,)
    taken as known: an adjustment of each would take a hundred times as long.
    """
    per_photo, azimuth, sigma, cost = [], [], [], []
    for p, attitude, doubt in zip(photos, attitudes, doubts, strict=True):
        modes = p.boxes[antenna]
        floor = min(m.cost for m in modes)
        per_photo.append([i for i, m in enumerate(modes) if m.cost < floor + OPTION_COST])
        azimuth.append(np.array([azimuth_of_mode(p, m, attitude) for m in modes]))
        own = [azimuth_sigma_of_mode(p, m, attitude, _TILT_SIGMA_RAD) for m in modes]
        sigma.append(np.hypot(np.array(own) * doubt, _AGREE_RAD))
        cost.append(np.array([m.cost for m in modes]))
    while np.prod([len(o) for o in per_photo], dtype=float) > 4096:  # the costliest mode of all goes first
        worst = max(
            (k for k in range(len(photos)) if len(per_photo[k]) > 1),
            key=lambda k: max(cost[k][i] for i in per_photo[k]) - cost[k].min(),
        )
        per_photo[worst].remove(max(per_photo[worst], key=lambda i: cost[worst][i]))
    options = np.array(list(itertools.product(*per_photo)))
    columns = range(len(photos))
    az = np.stack([azimuth[k][options[:, k]] for k in columns], 1)
    weight = np.stack([sigma[k][options[:, k]] ** -2.0 for k in columns], 1)
    middle = np.arctan2((weight * np.sin(az)).sum(1), (weight * np.cos(az)).sum(1))
    off = np.minimum(wrap_rad(az - middle[:, None]) ** 2 * weight, _LONELY).sum(1)
    total = off + sum(cost[k][options[:, k]] for k in columns)
    order = np.argsort(total, kind="stable")[:MOST_OPTIONS]
    return [tuple(int(i) for i in options[k]) for k in order if total[k] < total[order[0]] + OPTION_COST]


def _label(key: tuple[str, str]) -> str:
    return outline_label(*key)


def _same_observation(a: Observation, b: Observation) -> bool:
    return (
        a.label == b.label
        and a.source == b.source
        and len(a.index) == len(b.index)
        and bool((a.index == b.index).all())
    )


def mixture_u95(branches: Sequence[Branch]) -> float:
    """Half-width [rad] of the interval about the first branch that holds 95 % of the mixture of all."""
    from scipy.special import ndtr

    offset = np.array([float(wrap_rad(b.azimuth_rad - branches[0].azimuth_rad)) for b in branches])
    sigma = np.array([b.sigma_rad for b in branches])
    p = np.array([b.probability for b in branches])

    def inside(r: float) -> float:
        return float((p * (ndtr((r - offset) / sigma) - ndtr((-r - offset) / sigma))).sum())

    lo, hi = 0.0, float(np.pi)
    for _ in range(60):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if inside(mid) < 0.95 else (lo, mid)
    return hi
