"""What a further piece of evidence would bring, from the adjusted network alone: nothing is measured or adjusted anew.

An observation that is not there yet has a Jacobian all the same. Added to a network of covariance C, rows J of whitened
observations leave C' = C - C J^T (I + J C J^T)^-1 J C (the matrix inversion lemma; Koch, Parameter Estimation and
Hypothesis Testing in Linear Models, 1999, ch. 1 and 3). Unknowns that come with it (a landmark's place, another photo's
attitude) are eliminated from its rows first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import wrap_rad
from photoaz.network.candidates import KINDS, EvidenceCandidate, candidates
from photoaz.network.declination import declination_pull
from photoaz.network.equations import Equations
from photoaz.network.solution import NetworkSolution
from photoaz.network.uncertainty import mixture_u95, stated_u95, widening_of_few
from photoaz.quantities import (
    K95,
    SHAPE_SIGMA_RAD,
)
from photoaz.result import BudgetShare, EvidenceOption, NextEvidence

Array = NDArray[Any]


#: less than this share of a U95 is not worth a walk; within this share of the best is nearly as good
NOTICEABLE, NEARLY = 0.15, 0.8
#: views of one antenna agree no better than this
_AGREE_RAD = float(np.radians(1.0))

_PLURAL = ("edges", "verticals", "antenna dimensions", "register heights", "two ways")
#: the limit of an antenna whose outline fits twice
TWO_WAYS = "two ways to fit the outline"


# ---- the covariance --------------------------------------------------------------------------------------------------


def information_rows(candidate: EvidenceCandidate, x: Array) -> tuple[Array, Array]:
    """What a candidate says of the network's unknowns x (P,): which of them (K,), and whitened rows (R, K).

    Its own unknowns are eliminated: with rows [J_x, J_e] the projection off the columns of J_e leaves of J_x just what
    the normal equations leave of them (Schur complement).
    """
    whole = np.concatenate([x, candidate.extra])
    _, jacobian = Equations(candidate.observations, len(whole)).jacobian(whole)
    index = np.unique(np.concatenate([o.index for o in candidate.observations]))
    own = index >= len(x)
    rows, extra = jacobian[:, index[~own]], jacobian[:, index[own]]
    if extra.shape[1]:
        basis, _ = np.linalg.qr(extra / np.linalg.norm(extra, axis=0))
        rows = rows - basis @ (basis.T @ rows)
    return index[~own], rows


def updated_covariance(covariance: Array, index: Array, rows: Array, keep: Array) -> Array:
    """Covariance (A, A) of the unknowns `keep` (A,) after whitened rows (R, K) in the unknowns `index` (K,) are added.

    covariance (P, P): before. Only the blocks concerned are touched, whatever the network's size.
    """
    cross = covariance[np.ix_(keep, index)] @ rows.T  # (A, R)
    inner = np.eye(len(rows)) + rows @ covariance[np.ix_(index, index)] @ rows.T
    out: Array = covariance[np.ix_(keep, keep)] - cross @ np.linalg.solve(inner, cross.T)
    return out


def updated_effect(covariance: Array, index: Array, rows: Array, keep: Array, effect: Array) -> Array:
    """What an error that moves the unknowns by `effect` (P,) still moves `keep` (A,) by, after rows it has no part in.

    As of `updated_covariance`; effect = C g for some right side g, which becomes C' g.
    """
    cross = covariance[np.ix_(keep, index)] @ rows.T
    inner = np.eye(len(rows)) + rows @ covariance[np.ix_(index, index)] @ rows.T
    out: Array = effect[keep] - cross @ np.linalg.solve(inner, rows @ effect[index])
    return out


def azimuth_covariance_rad2(chosen: NetworkSolution) -> Array:
    """Joint covariance (A, A) [rad^2] of the antennas' azimuths, in the network's order, as they are reported.

    The network's own and the declination's common part, whose diagonal is widened as the reported uncertainties are: by
    the scatter of an antenna's views, by the shape of its body, by other ways in which its outline fits, and by
    compasses that may be disturbed.
    """
    layout = chosen.network.layout
    idx = np.array([layout.antenna(a, "azimuth")[0] for a in layout.antennas])
    declination = np.array([chosen.declination.get(a, 0.0) for a in layout.antennas])
    out: Array = chosen.adjusted.covariance[np.ix_(idx, idx)] + np.outer(declination, declination)
    own = [stated_u95(chosen, a) / K95 for a in layout.antennas]
    out[range(len(idx)), range(len(idx))] = np.maximum(np.square(own), np.diag(out))
    return out


# ---- what each would bring -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """U95 [rad] of each antenna (A,) as it is, and (C, A) with each of the candidates (C) alone."""

    antennas: tuple[str, ...]
    candidates: tuple[EvidenceCandidate, ...]
    now_rad: Array
    then_rad: Array


def forecast(chosen: NetworkSolution, tried: Sequence[EvidenceCandidate] | None = None) -> Forecast:
    """U95 of every antenna with each candidate (by default `candidates`), from the adjusted covariance alone."""
    some = candidates(chosen) if tried is None else tuple(tried)
    layout, covariance = chosen.network.layout, chosen.adjusted.covariance
    names = layout.antennas
    idx = np.array([layout.antenna(a, "azimuth")[0] for a in names])
    pull = declination_pull(chosen.observations, chosen.network.photos, layout, len(covariance))
    turned = covariance @ pull  # every unknown, by one standard uncertainty of the declination
    now = np.diag(covariance)[idx]
    then = np.empty((len(some), len(names)))
    for k, c in enumerate(some):
        index, rows = information_rows(c, chosen.adjusted.x)
        variance = np.diag(updated_covariance(covariance, index, rows, idx))
        # what holds the headings takes weight off the compasses, and with it the declination's part
        less = turned[idx] ** 2 - updated_effect(covariance, index, rows, idx, turned) ** 2
        for n, a in enumerate(names):
            gain = chosen.scatter[a] ** 2 * (now[n] - variance[n]) + less[n]
            then[k, n] = _u95(chosen, a, float(gain), c.views.get(a))
    whole = np.array([stated_u95(chosen, a) for a in names])
    # what a compass that may be disturbed moves goes with its weight, and so with the variance that is left
    ways = np.array([mixture_u95(chosen.azimuth_modes[a]) for a in names])
    few = np.array([widening_of_few(chosen, a) for a in names])
    open_ = np.maximum((whole / few) ** 2 - ways**2, 0.0)
    then = few * np.sqrt(then**2 + open_ * np.minimum(then / ways, 1.0) ** 4)
    return Forecast(antennas=names, candidates=some, now_rad=whole, then_rad=np.minimum(then, whole))


def _u95(chosen: NetworkSolution, antenna: str, gain: float, view_sigma: float | None) -> float:
    """U95 [rad] of an antenna as it is reported, after the variance of its azimuth fell by `gain` [rad^2].

    view_sigma: of a further view's own azimuth, which tells the ways apart in which the outline fits: each other way
    loses what it would cost on the average, half the square of its distance over the sigma of that distance.
    """
    azimuth_modes = chosen.azimuth_modes[antenna]
    sigma = [float(np.sqrt(max(b.sigma_rad**2 - gain, SHAPE_SIGMA_RAD**2))) for b in azimuth_modes]
    if len(azimuth_modes) == 1:
        return K95 * sigma[0]  # what mixture_u95 would find by bisection
    p = np.array([b.probability for b in azimuth_modes])
    if view_sigma is not None:
        off = np.array([float(wrap_rad(b.azimuth_rad - azimuth_modes[0].azimuth_rad)) for b in azimuth_modes])
        p = p * np.exp(-0.5 * off**2 / (view_sigma**2 + _AGREE_RAD**2))
        p /= p.sum()
    return mixture_u95(
        [replace(b, sigma_rad=s, probability=float(w)) for b, s, w in zip(azimuth_modes, sigma, p, strict=True)]
    )


def next_evidence(
    chosen: NetworkSolution, budgets: Mapping[str, Sequence[BudgetShare]], made: Forecast | None = None
) -> tuple[Mapping[str, NextEvidence], NextEvidence]:
    """What limits each antenna and what to bring for it, and the same for the site's median U95.

    budgets: per antenna, as reported. The rule: of all that brings nearly as much as the best does (NEARLY), the least
    trouble (the order of KINDS). Where the best would not help noticeably (NOTICEABLE), nothing, and that is said.
    """
    f = forecast(chosen) if made is None else made
    per = {
        a: _next(f, float(f.now_rad[n]), f.then_rad[:, n], _limit(chosen, a, budgets[a]), "U95")
        for n, a in enumerate(f.antennas)
    }
    sums: dict[str, float] = {}
    for shares in budgets.values():
        for s in shares:
            sums[s.source] = sums.get(s.source, 0.0) + s.share
    limit = max(sums, key=lambda s: sums[s])
    median = "U95" if len(f.antennas) == 1 else "the median U95"
    site = _next(f, float(np.median(f.now_rad)), np.median(f.then_rad, axis=1), limit, median)
    return per, site


def _limit(chosen: NetworkSolution, antenna: str, budget: Sequence[BudgetShare]) -> str:
    azimuth_modes = chosen.azimuth_modes[antenna]
    if mixture_u95(azimuth_modes) > 1.3 * K95 * azimuth_modes[0].sigma_rad:
        return TWO_WAYS
    return max(budget, key=lambda s: s.share).source


def _next(f: Forecast, now: float, then: Array, limit: str, figure: str) -> NextEvidence:
    best: dict[str, int] = {}
    for k, c in enumerate(f.candidates):
        if c.kind not in best or then[k] < then[best[c.kind]]:
            best[c.kind] = k
    options = tuple(
        EvidenceOption(
            kind=c.kind,
            bring=c.bring,
            photo=c.photo,
            needs_trip=c.needs_trip,
            u95_then_deg=float(np.degrees(then[k])),
            distance_m=None if c.stand is None else c.stand[0],
            bearing_deg=None if c.stand is None else c.stand[1],
        )
        for c, k in ((f.candidates[k], k) for k in best.values())
    )
    now_deg = float(np.degrees(now))
    most = max((now_deg - o.u95_then_deg for o in options), default=0.0)
    verb = "limit" if limit.startswith(_PLURAL) else "limits"
    article = "" if limit.startswith("two") else "the "
    said = f"{article}{limit} {verb} this"
    if most < NOTICEABLE * now_deg:
        return NextEvidence(
            limit=limit,
            u95_now_deg=now_deg,
            options=options,
            sentence=f"{said}; nothing that could be brought would improve {figure} of {now_deg:.1f} deg noticeably",
        )
    good = [o for o in options if now_deg - o.u95_then_deg >= NEARLY * most]
    chosen = min(good, key=lambda o: KINDS.index(o.kind))
    return NextEvidence(
        limit=limit,
        bring=chosen.bring,
        kind=chosen.kind,
        photo=chosen.photo,
        needs_trip=chosen.needs_trip,
        u95_now_deg=now_deg,
        u95_then_deg=chosen.u95_then_deg,
        options=options,
        sentence=f"{said}; {chosen.bring} would bring {figure} from {now_deg:.1f} to {chosen.u95_then_deg:.1f} deg",
    )
