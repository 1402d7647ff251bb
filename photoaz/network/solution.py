"""Choosing among the ways that boxes fit, doubting what contradicts the rest, and weighing what remains possible."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import COMPASS, wrap_rad
from photoaz.network.adjust import Adjusted, AdjustmentError, adjust, linearise, w_tests
from photoaz.network.compass import Compasses, Shift, is_compass, shifts_of, weigh_compasses, with_disturbed
from photoaz.network.declination import declination_pull
from photoaz.network.freedom import effective_dof
from photoaz.network.mode_weights import TILT_SIGMA_RAD, AzimuthMode, WeighedModes, weigh_modes
from photoaz.network.observations import Box, Observation
from photoaz.network.site import SiteNetwork, azimuth_of_mode, azimuths_of_modes, outline_label
from photoaz.priors import CompassesKnown
from photoaz.quantities import OUTLINE_DOF, SHAPE_SIGMA_RAD, W_CRITICAL

Array = NDArray[Any]

#: an outline's own errors have heavier tails: it is doubted later than a sensor
W_CRITICAL_BOX = 4.5
#: suspects that are tried before one is left out
MOST_TRIED = 4


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
    """The network adjusted with one choice of modes; total: -2 ln likelihood of both, up to a constant.

    Infinite where the adjustment did not converge: so no such trial ever looks better than one that did.
    """

    choice: dict[tuple[str, str], int]
    observations: tuple[Observation, ...]
    adjusted: Adjusted
    total: float


def solve_network(network: SiteNetwork, known: CompassesKnown | None = None) -> NetworkSolution:
    """Choose modes, adjust, leave out or doubt what contradicts the rest, and weigh the other modes.

    known : how often compasses are disturbed.

    Raises AdjustmentError where the network has no solution, or its adjustment does not converge.
    """
    search = _Search(network, known)
    # before anything is left out: two views that were taken for two ways of one antenna contradict all else as well
    choice = _first_choice(network)
    now = search.improved(search.adjusted(choice, _start(network, choice)), together=2)
    now, at_first = search.cleaned(now, boxes=False)
    now, later = search.cleaned(search.improved(now, together=2), boxes=True)
    if at_first or later:
        now = search.readmitted(search.improved(now, together=0))
    now = search.settled(now)
    if not now.adjusted.converged:
        raise AdjustmentError(
            f"it did not come to rest in {now.adjusted.iterations} steps, so that nothing it says can be relied on"
        )
    return _solution(search, now)


class _Search:
    """The search for a network's solution: what was left out, doubted or held to be disturbed so far.

    left_out: observations that contradict the rest. doubt: per outline the factor by which it is trusted less.
    disturbed: the photos whose compass is held to be disturbed; compasses: how they were weighed last.
    """

    def __init__(self, network: SiteNetwork, known: CompassesKnown | None = None) -> None:
        self.network, self._known = network, known
        self.headings = {p.name: int(network.layout.photo(p.name, "heading")[0]) for p in network.photos}
        self._good = {p.name: a.sigma_rad for p in network.photos for a in p.headings if a.source == COMPASS}
        self.left_out: list[Observation] = []
        self.doubt: dict[tuple[str, str], float] = {}
        self.disturbed: frozenset[str] = frozenset()
        self.compasses: Compasses | None = None

    def adjusted(self, choice: Mapping[tuple[str, str], int], start: Array) -> _Fitted:
        """The network adjusted with a choice of modes, from starting values (P,), as the search stands."""
        some = [
            o
            for o in self.network.observations(choice, self.doubt)
            if not any(_same_observation(o, x) for x in self.left_out)
        ]
        observations = with_disturbed(some, self.headings, self.disturbed, self._known)
        adjusted = adjust(observations, start, layout=self.network.layout)
        boxes = sum(p.boxes[a][choice[p.name, a]].cost for p in self.network.photos for a in p.boxes)
        total = adjusted.cost + boxes if adjusted.converged else math.inf
        return _Fitted(dict(choice), observations, adjusted, total)

    def improved(self, now: _Fitted, together: int) -> _Fitted:
        """Better modes taken while there are any: all at once in the first sweeps, then the best flip alone.

        Flips of several antennas at once can undo each other for ever, so what cost least of all is kept.
        """
        cheapest = now
        for sweep in range(together + 6):
            weighed = [self.weighed(now, a.name) for a in self.network.antennas]
            gains = sorted((w for w in weighed if w.better), key=lambda w: -w.gain)
            if not gains:
                break
            flips: dict[tuple[str, str], int] = {}
            for w in gains if sweep < together else gains[:1]:
                flips.update(w.better)
            flipped = {**now.choice, **flips}
            now = self.adjusted(flipped, _moved(self.network, now.adjusted.x, flipped, flips))
            if now.total < cheapest.total:
                cheapest = now
            elif sweep >= together:
                break
        return cheapest

    def weighed(self, now: _Fitted, antenna: str) -> WeighedModes:
        """The modes of one antenna, all else as adjusted."""
        return weigh_modes(self.network, now.adjusted, now.choice, self.doubt, antenna)

    def settled(self, now: _Fitted) -> _Fitted:
        """With the likeliest state of the compasses."""
        for _ in range(4):
            self.compasses = weigh_compasses(now.observations, now.adjusted, self._good, self.headings, self._known)
            if self.compasses is None or self.compasses.likeliest == self.disturbed:
                break
            self.disturbed = self.compasses.likeliest
            now = self.adjusted(now.choice, now.adjusted.x)
        return now

    def cleaned(self, now: _Fitted, boxes: bool) -> tuple[_Fitted, bool]:
        """Without what contradicts the rest, the worst first; and whether anything did. boxes: outlines too.

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
                now = self.settled(now)
                weighed = True
                continue
            if isinstance(suspect, Box):
                # an outline that does not fit the rest still tells something: trusted less, not thrown away
                key = next(k for k in now.choice if outline_label(*k) == suspect.label)
                self.doubt[key] = self.doubt.get(key, 1.0) * 2.0 * excess
                now = self.adjusted(now.choice, now.adjusted.x)
            else:
                now = self.without_one_of(now, [o for o, _ in suspects if not isinstance(o, Box) and not is_compass(o)])
            weighed = False
        return now, changed

    def without_one_of(self, now: _Fitted, suspects: Sequence[Observation]) -> _Fitted:
        """The network without that one of some suspects whose absence leaves the fewest contradictions.

        Their w-tests are linear, and what is grossly wrong bends the network: so each is tried.
        """
        tried: list[_Fitted] = []
        for o in suspects[:MOST_TRIED]:
            self.left_out.append(o)
            tried.append(self.adjusted(now.choice, now.adjusted.x))
            self.left_out.pop()
        best = min(range(len(tried)), key=lambda k: tried[k].total)
        self.left_out.append(suspects[best])
        return tried[best]

    def readmitted(self, now: _Fitted) -> _Fitted:
        """With what was left out and is not contradicted any more, now that the real culprit is gone."""
        fine = [o for o in self.left_out if _agrees(o, now.adjusted)]
        if not fine:
            return now
        self.left_out = [o for o in self.left_out if not any(o is f for f in fine)]
        return self.cleaned(self.adjusted(now.choice, now.adjusted.x), boxes=True)[0]


def _solution(search: _Search, now: _Fitted) -> NetworkSolution:
    """What the network ended at, with each azimuth's modes widened by what its views and all of them may err by."""
    network, best = search.network, now.adjusted
    azimuth_modes = {a.name: search.weighed(now, a.name).azimuth_modes for a in network.antennas}
    scatter = {a.name: _scatter(network, best, now.choice, search.doubt, a.name) for a in network.antennas}
    unknowns = {a.name: int(network.layout.antenna(a.name)[0]) for a in network.antennas} | search.headings
    turned = best.covariance @ declination_pull(now.observations, network.photos, network.layout, len(best.x))
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
    compasses, shifts = search.compasses, {}
    if compasses is not None:
        shifts = {name: shifts_of(compasses, best, k) for name, k in unknowns.items()}
    return NetworkSolution(
        network=network,
        adjusted=best,
        observations=now.observations,
        choice=now.choice,
        left_out=tuple(search.left_out),
        doubt=search.doubt,
        azimuth_modes=azimuth_modes,
        scatter=scatter,
        compasses=compasses,
        shifts=shifts,
        declination=declination,
        dof=dof,
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


def _same_observation(a: Observation, b: Observation) -> bool:
    return (
        a.label == b.label
        and a.source == b.source
        and len(a.index) == len(b.index)
        and bool((a.index == b.index).all())
    )
