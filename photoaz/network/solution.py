"""Choosing among the ways that boxes fit, doubting what contradicts the rest, and weighing what remains possible."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import COMPASS, wrap_rad
from photoaz.network.adjust import Adjusted, adjust, linearise, w_tests
from photoaz.network.compass import Compasses, Shift, is_compass, shifts_of, weigh_compasses, with_disturbed
from photoaz.network.declination import declination_pull
from photoaz.network.freedom import coverage_factor, effective_dof
from photoaz.network.mode_weights import TILT_SIGMA_RAD, AzimuthMode, weigh_modes
from photoaz.network.observations import Box, Observation
from photoaz.network.site import SiteNetwork, azimuth_of_mode, azimuths_of_modes, outline_label

Array = NDArray[Any]

#: standardised residual above which an observation is held to be wrong (two-sided 0.1 %)
W_CRITICAL = 3.29
#: an outline's own errors have heavier tails: it is doubted later than a sensor
W_CRITICAL_BOX = 4.5
#: suspects that are tried before one is left out
MOST_TRIED = 4
#: what a real body's shape differs from the model, the same in every photo of it (measured on rendered tower heads)
SHAPE_SIGMA_RAD = float(np.radians(0.35))
#: degrees of freedom of what was known of the outlines' uncertainties before their scatter was seen: good to a quarter,
#: which counts as 8 values (JCGM 100:2008, G.4.2). The quarter is common practice, no source
OUTLINE_DOF = 8.0


@dataclass(frozen=True, slots=True)
class NetworkSolution:
    """A site's network with its modes chosen: the adjustment, what was left out or doubted and why.

    azimuth_modes: per antenna the distinct azimuths that remain possible, the chosen one first. scatter: per antenna by
    how much its views differ more than their own uncertainties allow (Birge ratio, at least 1). compasses: which of
    them are disturbed, None where no photo has one; shifts: what that leaves open of each azimuth and photo's heading.
    declination: what one standard uncertainty of the declination model turns each of these by [rad], by its sign; it
    is in the sigmas of azimuth_modes. dof: effective degrees of freedom of each azimuth's uncertainty, as far as it
    rests on the scatter of a few views; infinite where it does not.
    """

    network: SiteNetwork
    adjusted: Adjusted
    observations: tuple[Observation, ...]
    choice: Mapping[tuple[str, str], int]
    left_out: tuple[Observation, ...]
    doubt: Mapping[tuple[str, str], float]
    azimuth_modes: Mapping[str, tuple[AzimuthMode, ...]]
    scatter: Mapping[str, float]
    compasses: Compasses | None = None
    shifts: Mapping[str, tuple[Shift, ...]] = field(default_factory=dict)
    declination: Mapping[str, float] = field(default_factory=dict)
    dof: Mapping[str, float] = field(default_factory=dict)


#: azimuths of views agree no better than this before anything is adjusted; what one view may cost that agrees with none
FIRST_AGREE_RAD, FIRST_LONELY = float(np.radians(8.0)), 25.0


def _first_choice(network: SiteNetwork) -> dict[tuple[str, str], int]:
    """The mode of each box to begin with: those that agree best with one azimuth, which any mode of any view may name.

    An adjustment that begins with two views taken for different ways of one antenna may turn a whole photo about.
    """
    out: dict[tuple[str, str], int] = {}
    for a in network.antennas:
        views = sorted((p for p in network.photos if a.name in p.boxes), key=lambda p: -p.boxes[a.name][0].width_px)
        azimuth = [np.array([azimuth_of_mode(p, m) for m in p.boxes[a.name]]) for p in views]
        cost = [np.array([m.cost for m in p.boxes[a.name]]) for p in views]
        best: tuple[float, list[int]] | None = None
        for reference in np.concatenate(azimuth):
            score = [
                c + np.minimum((wrap_rad(az - reference) / FIRST_AGREE_RAD) ** 2, FIRST_LONELY)
                for az, c in zip(azimuth, cost, strict=True)
            ]
            total = float(sum(v.min() for v in score))
            if best is None or total < best[0]:
                best = total, [int(v.argmin()) for v in score]
        if best is not None:
            out.update(zip(((p.name, a.name) for p in views), best[1], strict=True))
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


def solve_network(network: SiteNetwork) -> NetworkSolution:
    """Choose modes, adjust, leave out or doubt what contradicts the rest, and weigh the other modes.

    Raises AdjustmentError where the network has no solution.
    """
    left_out: list[Observation] = []
    doubt: dict[tuple[str, str], float] = {}
    disturbed: frozenset[str] = frozenset()
    headings = {p.name: int(network.layout.photo(p.name, "heading")[0]) for p in network.photos}
    good = {p.name: a.sigma_rad for p in network.photos for a in p.headings if a.source == COMPASS}
    choice = _first_choice(network)

    def run(c: Mapping[tuple[str, str], int], start: Array) -> _Fitted:
        obs = tuple(o for o in network.observations(c, doubt) if not any(_same_observation(o, x) for x in left_out))
        obs = with_disturbed(obs, headings, disturbed)
        adjusted = adjust(obs, start, layout=network.layout)
        boxes = sum(p.boxes[a][c[p.name, a]].cost for p in network.photos for a in p.boxes)
        return _Fitted(dict(c), obs, adjusted, adjusted.cost + boxes)

    def improved(now: _Fitted, together: int) -> _Fitted:
        """Better modes taken while there are any: all at once in the first sweeps, then the best flip alone.

        Flips of several antennas at once can undo each other for ever, so what cost least of all is kept.
        """
        cheapest = now
        for sweep in range(together + 6):
            weighed = [weigh_modes(network, now.adjusted, now.choice, doubt, a.name) for a in network.antennas]
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

    def settled(now: _Fitted) -> tuple[_Fitted, Compasses | None]:
        """With the likeliest state of the compasses."""
        nonlocal disturbed
        for _ in range(4):
            compasses = weigh_compasses(now.observations, now.adjusted, good, headings)
            if compasses is None or compasses.likeliest == disturbed:
                break
            disturbed = compasses.likeliest
            now = run(now.choice, now.adjusted.x)
        return now, compasses

    def cleaned(now: _Fitted, boxes: bool) -> tuple[_Fitted, bool]:
        """Without what contradicts the rest, the worst first; and whether anything did.

        A compass is not left out but weighed, with all others, once it is the worst: before that, what is left out may
        have been what made it look bad.
        """
        changed, weighed = False, False
        for _ in range(8):
            suspects = _suspects(now.observations, now.adjusted, boxes=boxes, compasses=not weighed)
            if not suspects:
                break
            changed = True
            suspect, excess = suspects[0]
            if is_compass(suspect):
                now, _ = settled(now)
                weighed = True
                continue
            if isinstance(suspect, Box):
                # an outline that does not fit the rest still tells something: trusted less, not thrown away
                key = next(k for k in now.choice if _label(k) == suspect.label)
                doubt[key] = doubt.get(key, 1.0) * 2.0 * excess
                now = run(now.choice, now.adjusted.x)
            else:
                now = without_one_of(now, [o for o, w in suspects if not isinstance(o, Box) and not is_compass(o)])
            weighed = False
        return now, changed

    def without_one_of(now: _Fitted, suspects: Sequence[Observation]) -> _Fitted:
        """The network without that one of some suspects whose absence leaves the fewest contradictions.

        Their w-tests are linear, and what is grossly wrong bends the network: so each is tried.
        """
        best: tuple[_Fitted, Observation] | None = None
        for o in suspects[:MOST_TRIED]:
            left_out.append(o)
            tried = run(now.choice, now.adjusted.x)
            left_out.pop()
            if best is None or tried.total < best[0].total:
                best = tried, o
        assert best is not None
        left_out.append(best[1])
        return best[0]

    def readmitted(now: _Fitted) -> _Fitted:
        """With what was left out and is not contradicted any more, now that the real culprit is gone."""
        fine = [o for o in left_out if _agrees(o, now.adjusted)]
        if not fine:
            return now
        left_out[:] = [o for o in left_out if not any(o is f for f in fine)]
        return cleaned(run(now.choice, now.adjusted.x), boxes=True)[0]

    # before anything is left out: two views that were taken for two ways of one antenna contradict all else as well
    now = improved(run(choice, _start(network, choice)), together=2)
    now, at_first = cleaned(now, boxes=False)
    now, later = cleaned(improved(now, together=2), boxes=True)
    if at_first or later:
        now = readmitted(improved(now, together=0))
    now, compasses = settled(now)
    obs, best, choice = now.observations, now.adjusted, now.choice
    azimuth_modes = {a.name: weigh_modes(network, best, choice, doubt, a.name).azimuth_modes for a in network.antennas}
    scatter = {a.name: _scatter(network, best, choice, doubt, a.name) for a in network.antennas}
    unknowns = {a.name: int(network.layout.antenna(a.name)[0]) for a in network.antennas} | headings
    turned = best.covariance @ declination_pull(obs, network.photos, network.layout, len(best.x))
    declination = {name: float(turned[k]) for name, k in unknowns.items()}
    dof: dict[str, float] = {}
    for name, factor in scatter.items():
        common = np.hypot(SHAPE_SIGMA_RAD, declination[name])
        network_variance = float(best.covariance[unknowns[name], unknowns[name]])
        views = sum(name in p.boxes for p in network.photos)
        # only what the views' scatter adds to what was known beforehand is estimated from them
        added, known = np.sqrt((factor**2 - 1.0) * network_variance), np.sqrt(network_variance + common**2)
        dof[name] = effective_dof([(float(known), math.inf), (float(added), OUTLINE_DOF + max(views - 1, 1))])
        azimuth_modes[name] = tuple(
            replace(b, sigma_rad=float(np.hypot(factor * b.sigma_rad, common))) for b in azimuth_modes[name]
        )
    shifts: dict[str, tuple[Shift, ...]] = {}
    if compasses is not None:
        shifts = {name: shifts_of(compasses, best, k) for name, k in unknowns.items()}
    return NetworkSolution(
        network, best, obs, choice, tuple(left_out), doubt, azimuth_modes, scatter, compasses, shifts, declination, dof
    )


def _suspects(
    observations: Sequence[Observation], adjusted: Adjusted, *, boxes: bool, compasses: bool
) -> list[tuple[Observation, float]]:
    """The observations that contradict the rest, the worst first, and by how many times their critical value.

    boxes, compasses: whether such are asked.
    """

    def asked(o: Observation) -> bool:
        return o.testable and (boxes or not isinstance(o, Box)) and (compasses or not is_compass(o))

    w = [
        abs(v) / (W_CRITICAL_BOX if isinstance(o, Box) else W_CRITICAL) if asked(o) else 0.0
        for o, v in zip(observations, w_tests(observations, adjusted), strict=True)
    ]
    order = np.argsort(-np.nan_to_num(w), kind="stable")
    return [(observations[k], float(w[k])) for k in order if np.nan_to_num(w[k]) > 1.0]


def _agrees(o: Observation, adjusted: Adjusted) -> bool:
    """Whether an observation that is no part of the adjustment is what it predicts, within its own 95 %."""
    from scipy.stats import chi2

    residual, jacobian, _ = linearise([o], adjusted.x)
    spread = np.eye(len(residual)) + jacobian @ adjusted.covariance @ jacobian.T
    return float(residual @ np.linalg.solve(spread, residual)) < float(chi2.ppf(0.95, len(residual)))


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
        said, sigma = azimuths_of_modes(p, [mode], attitude, TILT_SIGMA_RAD)
        misfit.append(float(wrap_rad(said[0] - azimuth) / (sigma[0] * doubt.get((p.name, antenna), 1.0))))
    if len(misfit) < 2:
        return 1.0
    return max(1.0, float(np.sqrt(np.square(misfit).sum() / (len(misfit) - 1))))


def _label(key: tuple[str, str]) -> str:
    return outline_label(*key)


def _same_observation(a: Observation, b: Observation) -> bool:
    return (
        a.label == b.label
        and a.source == b.source
        and len(a.index) == len(b.index)
        and bool((a.index == b.index).all())
    )


def stated_u95(chosen: NetworkSolution, name: str) -> float:
    """Expanded uncertainty [rad] of an antenna's azimuth: all its ways to fit, under all states of the compasses."""
    return mixture_u95(_all_ways(chosen, name)) * widening_of_few(chosen, name)


def u95_of_mode(chosen: NetworkSolution, name: str, way: int) -> float:
    """Expanded uncertainty [rad] of one of an antenna's ways to fit, if it is the true one, under all states of the
    compasses."""
    alone = (replace(chosen.azimuth_modes[name][way], probability=1.0),)
    ways = shifted(alone, chosen.shifts.get(name, ()), chosen.scatter[name])
    return mixture_u95(ways) * widening_of_few(chosen, name)


def standard_u(chosen: NetworkSolution, name: str) -> float:
    """Standard uncertainty [rad] of an antenna's azimuth: root mean square about it of all that `stated_u95` counts."""
    ways = _all_ways(chosen, name)
    p = np.array([b.probability for b in ways])
    off = np.array([float(wrap_rad(b.azimuth_rad - ways[0].azimuth_rad)) for b in ways])
    sigma = np.array([b.sigma_rad for b in ways])
    return float(np.sqrt(p @ (sigma**2 + off**2) / p.sum()))


def widening_of_few(chosen: NetworkSolution, name: str) -> float:
    """By how much (1 or more) Student's t widens an interval whose width rests on the scatter of a few views."""
    return coverage_factor(chosen.dof.get(name, math.inf)) / coverage_factor(math.inf)


def _all_ways(chosen: NetworkSolution, name: str) -> tuple[AzimuthMode, ...]:
    return shifted(chosen.azimuth_modes[name], chosen.shifts.get(name, ()), chosen.scatter[name])


def shifted(
    azimuth_modes: Sequence[AzimuthMode], shifts: Sequence[Shift], scatter: float = 1.0
) -> tuple[AzimuthMode, ...]:
    """Modes of an azimuth under all states of the compasses; scatter: the factor by which their sigmas were widened."""
    if len(shifts) < 2:
        return tuple(azimuth_modes)
    return tuple(
        AzimuthMode(
            b.azimuth_rad + s.offset_rad,
            float(np.sqrt(max(b.sigma_rad**2 + scatter**2 * s.variance_rad2, SHAPE_SIGMA_RAD**2))),
            b.probability * s.probability,
        )
        for b in azimuth_modes
        for s in shifts
    )


def mixture_u95(azimuth_modes: Sequence[AzimuthMode]) -> float:
    """Half-width [rad] of the interval about the first mode that holds 95 % of the mixture of all."""
    from scipy.special import ndtr

    offset = np.array([float(wrap_rad(b.azimuth_rad - azimuth_modes[0].azimuth_rad)) for b in azimuth_modes])
    sigma = np.array([b.sigma_rad for b in azimuth_modes])
    p = np.array([b.probability for b in azimuth_modes])

    def inside(r: float) -> float:
        return float((p * (ndtr((r - offset) / sigma) - ndtr((-r - offset) / sigma))).sum())

    lo, hi = 0.0, float(np.pi)
    for _ in range(60):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if inside(mid) < 0.95 else (lo, mid)
    return hi
