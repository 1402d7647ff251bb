"""Choosing among the ways that boxes fit, doubting what contradicts the rest, and weighing what remains possible."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from photoaz.angles import wrap_rad
from photoaz.network.adjust import Adjusted, AdjustmentError, adjust, linearise, w_tests
from photoaz.network.compass import compass_errors, is_compass, likeliest_disturbed, with_disturbed
from photoaz.network.declination import declination_pull
from photoaz.network.mode_weights import better_modes
from photoaz.network.observations import Box, Observation
from photoaz.network.posterior import SitePosterior, posterior_of
from photoaz.network.site import SiteNetwork, azimuth_of_mode, outline_label
from photoaz.priors import CompassesKnown, Priors
from photoaz.quantities import STATEMENT_NONSENSE_SHARE, W_CRITICAL

Array = NDArray[Any]

#: an outline's own errors have heavier tails: it is doubted later than a sensor
W_CRITICAL_BOX = 4.5
#: what a person states is wrong so seldom that all else must contradict it more
W_CRITICAL_STATED = math.sqrt(-2.0 * math.log(STATEMENT_NONSENSE_SHARE))
#: suspects that are tried before one is left out; in place of another suspect an outline is tried from so much of its
#: own critical value on
MOST_TRIED, INSTEAD = 4, 0.5
#: an outline of which nobody doubts anything is wrong this often all the same
SELDOM = 1e-9
#: by how much all outlines are trusted less where no adjustment comes to rest otherwise
FAR_DOUBT = 5.0
#: the adjustment that is told rests within a millionth of a sigma: what is rounded next must not hang on the way there
AT_REST = 1e-13


@dataclass(frozen=True)
class NetworkSolution:
    """A site's network with its modes chosen: the adjustment, what was left out or doubted and why.

    disturbed: the photos whose compass the adjustment takes for disturbed. declination: what one standard uncertainty
    of the declination model turns each antenna and photo by [rad], by its sign. priors: what was known in general.
    """

    network: SiteNetwork
    adjusted: Adjusted
    observations: tuple[Observation, ...]
    choice: Mapping[tuple[str, str], int]
    left_out: tuple[Observation, ...]
    doubt: Mapping[tuple[str, str], float]
    disturbed: frozenset[str]
    declination: Mapping[str, float]
    priors: Priors

    @cached_property
    def posterior(self) -> SitePosterior:
        """What remains possible, all hypotheses weighed from where the adjustment came to rest."""
        return posterior_of(self.network, self.adjusted, self.observations, self.choice, self.declination, self.priors)


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


def solve_network(network: SiteNetwork, priors: Priors | None = None) -> NetworkSolution:
    """Choose modes, adjust, leave out or doubt what contradicts the rest, and weigh all that remains possible.

    priors : what is known of antennas and compasses in general.

    Raises AdjustmentError where the network has no solution, or its adjustment does not converge.
    """
    priors = priors or Priors()
    # where outlines contradict each other much, no adjustment may come to rest until all are trusted less; what is
    # possible is then weighed with all at their own word
    for doubt in (1.0, FAR_DOUBT):
        search = _Search(network, priors.compasses, doubt)
        now = _searched(search)
        if now.adjusted.converged:
            return _solution(search, now, priors)
    raise AdjustmentError(
        f"it did not come to rest in {now.adjusted.iterations} steps, so that nothing it says can be relied on"
    )


def _searched(search: _Search) -> _Fitted:
    """Where the search ends."""
    # before anything is left out: two views that were taken for two ways of one antenna contradict all else as well
    choice = _first_choice(search.network)
    now = search.improved(search.adjusted(choice, _start(search.network, choice)), together=2)
    now, at_first = search.cleaned(now, boxes=False)
    now, later = search.cleaned(search.improved(now, together=2), boxes=True)
    if at_first or later:
        now = search.readmitted(search.improved(now, together=0))
    return search.settled(now)


class _Search:
    """The search for a network's solution: what was left out, doubted or held to be disturbed so far.

    left_out: observations that contradict the rest. doubt: per outline the factor by which it is trusted less, all by
    the one given to begin with. compasses: errors of compasses, by their index, that are held to be disturbed ones'.
    """

    def __init__(self, network: SiteNetwork, known: CompassesKnown, doubt: float = 1.0) -> None:
        self.network = network
        self.headings = {p.name: int(network.layout.photo(p.name, "heading")[0]) for p in network.photos}
        self._errors = compass_errors(network, known)
        self.left_out: list[Observation] = []
        self.doubt: dict[tuple[str, str], float] = {}
        if doubt > 1.0:
            self.doubt = {(p.name, a): doubt for p in network.photos for a in p.boxes}
        self.compasses: frozenset[tuple[int, ...]] = frozenset()

    @property
    def disturbed(self) -> frozenset[str]:
        """The photos whose compass is held to be disturbed."""
        return frozenset(name for e in self._errors if e.index in self.compasses for name in e.photos)

    def adjusted(self, choice: Mapping[tuple[str, str], int], start: Array) -> _Fitted:
        """The network adjusted with a choice of modes, from starting values (P,), as the search stands."""
        some = [
            o
            for o in self.network.observations(choice, self.doubt)
            if not any(_same_observation(o, x) for x in self.left_out)
        ]
        observations = with_disturbed(some, self._errors, self.compasses)
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
            weighed = [
                better_modes(self.network, now.adjusted, now.choice, self.doubt, a.name) for a in self.network.antennas
            ]
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

    def settled(self, now: _Fitted) -> _Fitted:
        """With the likeliest state of the compasses."""
        for _ in range(4):
            likeliest = likeliest_disturbed(now.observations, now.adjusted, self._errors)
            if likeliest == self.compasses:
                break
            self.compasses = likeliest
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
                self.doubt |= self.doubted(now, suspect, excess)
                now = self.adjusted(now.choice, now.adjusted.x)
            else:
                # outlines that contradict each other bend all else: one of them, hardly a suspect itself, may be wrong
                all_ = _suspects(now.observations, now.adjusted, boxes=True, compasses=False, least=INSTEAD)
                now = self.without_one_of(now, [s for s in all_ if not is_compass(s[0])])
            weighed = False
        return now, changed

    def doubted(self, now: _Fitted, outline: Observation, excess: float) -> dict[tuple[str, str], float]:
        """How far an outline is doubted that contradicts the rest: it still tells something, so it is trusted less."""
        key = _key_of(now.choice, outline)
        return {key: self.doubt.get(key, 1.0) * 2.0 * max(excess, 1.0)}

    def unlikely(self, now: _Fitted, o: Observation) -> float:
        """-2 ln of how often such an observation is wrong."""
        if not isinstance(o, Box):
            return _critical(o) ** 2
        photo, antenna = _key_of(now.choice, o)
        modes = next(p for p in self.network.photos if p.name == photo).boxes[antenna]
        return -2.0 * math.log(max(1.0 - modes[now.choice[photo, antenna]].p_right, SELDOM))

    def without_one_of(self, now: _Fitted, suspects: Sequence[tuple[Observation, float]]) -> _Fitted:
        """The network without that one of some suspects whose absence explains the contradictions best.

        Their w-tests are linear, and what is grossly wrong bends the network: so each is tried. What is seldom wrong
        must explain more. suspects : as of `_suspects`.
        """
        as_it_is = list(self.left_out), self.doubt
        tried: list[tuple[float, _Fitted, list[Observation], dict[tuple[str, str], float]]] = []
        some = [s for s in suspects if not isinstance(s[0], Box)][:MOST_TRIED]
        some += [s for s in suspects if isinstance(s[0], Box)][:MOST_TRIED]
        for o, excess in some:
            if isinstance(o, Box):
                self.doubt = self.doubt | self.doubted(now, o, excess)
            else:
                self.left_out = [*self.left_out, o]
            fitted = self.adjusted(now.choice, now.adjusted.x)
            tried.append((fitted.total + self.unlikely(now, o), fitted, self.left_out, self.doubt))
            self.left_out, self.doubt = list(as_it_is[0]), as_it_is[1]
        _, fitted, self.left_out, self.doubt = min(tried, key=lambda t: t[0])
        return fitted

    def readmitted(self, now: _Fitted) -> _Fitted:
        """With what was left out and is not contradicted any more, now that the real culprit is gone."""
        fine = [o for o in self.left_out if _agrees(o, now.adjusted)]
        if not fine:
            return now
        self.left_out = [o for o in self.left_out if not any(o is f for f in fine)]
        return self.cleaned(self.adjusted(now.choice, now.adjusted.x), boxes=True)[0]


def _solution(search: _Search, now: _Fitted, priors: Priors) -> NetworkSolution:
    """What the network ended at."""
    network = search.network
    best = adjust(now.observations, now.adjusted.x, layout=network.layout, tolerance=AT_REST)
    if not best.converged:
        best = now.adjusted
    unknowns = {a.name: int(network.layout.antenna(a.name)[0]) for a in network.antennas} | search.headings
    turned = best.covariance @ declination_pull(now.observations, network.photos, network.layout, len(best.x))
    declination = {name: float(turned[k]) for name, k in unknowns.items()}
    return NetworkSolution(
        network=network,
        adjusted=best,
        observations=now.observations,
        choice=now.choice,
        left_out=tuple(search.left_out),
        doubt=search.doubt,
        disturbed=search.disturbed,
        declination=declination,
        priors=priors,
    )


def _suspects(
    observations: Sequence[Observation], adjusted: Adjusted, *, boxes: bool, compasses: bool, least: float = 1.0
) -> list[tuple[Observation, float]]:
    """The observations that contradict the rest, the worst first, and by how many times their critical value.

    boxes, compasses: whether such are asked. least: of that number, for an outline.
    """

    def asked(o: Observation) -> bool:
        return o.testable and (boxes or not isinstance(o, Box)) and (compasses or not is_compass(o))

    w = [
        abs(v) / _critical(o) if asked(o) else 0.0
        for o, v in zip(observations, w_tests(observations, adjusted), strict=True)
    ]
    order = np.argsort(-np.nan_to_num(w), kind="stable")
    some = [(observations[k], float(np.nan_to_num(w[k]))) for k in order]
    return [(o, v) for o, v in some if v > (least if isinstance(o, Box) else 1.0)]


def _critical(o: Observation) -> float:
    """How many sigmas an observation may be off before it is a suspect."""
    if isinstance(o, Box):
        return W_CRITICAL_BOX
    return W_CRITICAL_STATED if o.source.endswith(" control") else W_CRITICAL


def _key_of(choice: Mapping[tuple[str, str], int], outline: Observation) -> tuple[str, str]:
    """The photo and the antenna of an outline."""
    return next(k for k in choice if outline_label(*k) == outline.label)


def _agrees(o: Observation, adjusted: Adjusted) -> bool:
    """Whether an observation that is no part of the adjustment is what it predicts, within its own 95 %."""
    residual, jacobian, _ = linearise([o], adjusted.x)
    spread = np.eye(len(residual)) + jacobian @ adjusted.covariance @ jacobian.T
    return float(residual @ np.linalg.solve(spread, residual)) < float(chdtri(len(residual), 0.05))


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


def _same_observation(a: Observation, b: Observation) -> bool:
    return (
        a.label == b.label
        and a.source == b.source
        and len(a.index) == len(b.index)
        and bool((a.index == b.index).all())
    )
