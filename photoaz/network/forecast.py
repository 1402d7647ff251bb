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

from photoaz.angles import format_u95_deg as u95
from photoaz.angles import wrap_rad
from photoaz.network.candidates import KINDS, EvidenceCandidate, candidates
from photoaz.network.declination import declination_pull
from photoaz.network.equations import Equations
from photoaz.network.mixture import FLAT_RAD
from photoaz.network.posterior import Marginal
from photoaz.network.solution import NetworkSolution
from photoaz.quantities import (
    K95,
    SHAPE_SIGMA_RAD,
)
from photoaz.result import BudgetShare, EvidenceOption, NextEvidence
from photoaz.vision.trust import usual_p_right

Array = NDArray[Any]


#: less than this share of a U95 is not worth a walk; within this share of the best is nearly as good
NOTICEABLE, NEARLY = 0.15, 0.8
#: views of one antenna agree no better than this
_AGREE_RAD = float(np.radians(1.0))
#: parts of an azimuth's distribution follow the headings up to so many of their sigmas off
_MOVED_SIGMAS = 4.0
#: of sums of probabilities
_ROUNDING = 1e-6

_PLURAL = ("edges", "verticals", "antenna dimensions", "register heights", "two ways")
#: the limit of an antenna whose outline fits twice
TWO_WAYS = "two ways to fit the outline"
#: the limit of one whose panels all may be another antenna's
WHICH_PANEL = "which panel it is"
#: above this probability of that, no interval of 95 % leaves it out
OPEN_NAMES = 0.05
#: the limit of one whose outlines, or compasses, may be wrong; a source of the budget as well
MAY_BE_WRONG = "evidence that may be wrong"


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
    the shape of an antenna's body, by outlines that may be wrong or fit otherwise, by compasses that may be disturbed.
    """
    layout = chosen.network.layout
    idx = np.array([layout.antenna(a, "azimuth")[0] for a in layout.antennas])
    declination = np.array([chosen.declination.get(a, 0.0) for a in layout.antennas])
    out: Array = chosen.adjusted.covariance[np.ix_(idx, idx)] + np.outer(declination, declination)
    own = [chosen.posterior.antennas[a].u95_rad / K95 for a in layout.antennas]
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
    now = np.diag(covariance)[idx] + turned[idx] ** 2
    then = np.empty((len(some), len(names)))
    for k, c in enumerate(some):
        index, rows = information_rows(c, chosen.adjusted.x)
        variance = np.diag(updated_covariance(covariance, index, rows, idx))
        # what holds the headings takes weight off the compasses, and with it the declination's part
        variance = variance + updated_effect(covariance, index, rows, idx, turned) ** 2
        for n, a in enumerate(names):
            wrong = 1.0 - max(chosen.posterior.outlines[a].values(), default=0.0)
            then[k, n] = _u95(chosen.posterior.antennas[a], wrong, float(now[n]), float(variance[n]), c.views.get(a))
    whole = np.array([chosen.posterior.antennas[a].u95_rad for a in names])
    return Forecast(antennas=names, candidates=some, now_rad=whole, then_rad=np.minimum(then, whole))


def _u95(of: Marginal, wrong: float, now: float, then: float, view_sigma: float | None) -> float:
    """U95 [rad] of an azimuth once its variance by the network falls from `now` to `then` [rad^2].

    wrong: probability, at most, that all its outlines are wrong. view_sigma: of a further view's own azimuth, if there
    is one: it is taken to come out at the azimuth told, and to be wrong as often as usual; other ways to fit, and
    outlines that may be wrong, lose what that makes of them. Without one, what lies many sigmas off is another way to
    fit, and the widest parts are wrong outlines, as many as there may be: nothing else moves them or narrows them.
    """
    told, m = of.told.azimuth_rad, of.mixture
    off, narrow = wrap_rad(m.value - told), m.sigma < FLAT_RAD
    shape = SHAPE_SIGMA_RAD**2
    own = np.maximum(m.sigma**2 - shape, 0.0)
    if view_sigma is None:
        left = then / now
        widest = np.argsort(-m.sigma, kind="stable")
        follows = np.empty(len(own), bool)
        follows[widest] = np.cumsum(m.weight[widest]) > wrong + _ROUNDING
        follows &= narrow
        sigma = np.where(follows, np.sqrt(shape + left * own), m.sigma)
        moved = np.where(follows & (np.abs(off) < _MOVED_SIGMAS * m.sigma), np.sqrt(left), 1.0)
        return replace(m, value=told + moved * off, sigma=sigma).u95_about(told)
    view = float(np.hypot(view_sigma, _AGREE_RAD))
    spread = np.hypot(m.sigma, view)
    agrees = np.where(narrow, np.exp(-0.5 * (off / spread) ** 2) / (np.sqrt(2.0 * np.pi) * spread), 0.5 / np.pi)
    right = usual_p_right()
    reweighted = m.reweighted(right * agrees + (1.0 - right) * 0.5 / np.pi)
    # of what is left, the view tells the azimuth as well: as much as it tells the network
    moved = np.where(narrow, 1.0 / (1.0 + own * (1.0 / then - 1.0 / now)), 1.0)
    sigma = np.where(narrow, np.sqrt(shape + moved * own), m.sigma)
    return replace(reweighted, value=told + moved * off, sigma=sigma).u95_about(told)


def next_evidence(
    chosen: NetworkSolution, budgets: Mapping[str, Sequence[BudgetShare]], made: Forecast | None = None
) -> tuple[Mapping[str, NextEvidence], NextEvidence]:
    """What limits each antenna and what to bring for it, and the same for the site's median U95.

    budgets: per antenna asked for, as reported. The rule: of all that brings nearly as much as the best does (NEARLY),
    the least trouble (the order of KINDS). Where the best would not help noticeably (NOTICEABLE), nothing, and that is
    said.
    """
    f = forecast(chosen) if made is None else made
    at = {a: n for n, a in enumerate(f.antennas) if a in budgets}
    per = {
        a: _next(f, float(f.now_rad[n]), f.then_rad[:, n], _limit(chosen, a, budgets[a]), "U95") for a, n in at.items()
    }
    sums: dict[str, float] = {}
    for shares in budgets.values():
        for s in shares:
            sums[s.source] = sums.get(s.source, 0.0) + s.share
    limit = max(sums, key=lambda s: sums[s])
    median = "U95" if len(at) == 1 else "the median U95"
    asked = list(at.values())
    site = _next(f, float(np.median(f.now_rad[asked])), np.median(f.then_rad[:, asked], axis=1), limit, median)
    return per, site if site.bring or len(at) == 1 else replace(site, sentence=site.sentence + _of_single_ones(per))


def _of_single_ones(per: Mapping[str, NextEvidence]) -> str:
    """Behind a sentence that says that nothing helps them all: which single antenna gains most, and by what."""
    helped = [(n.u95_now_deg, n.u95_then_deg, a, n.bring) for a, n in per.items() if n.u95_then_deg is not None]
    if not helped:
        return ""
    now, then, a, bring = max(helped, key=lambda one: one[0] - one[1])
    return f"; for {a} alone, {bring} would bring U95 from {u95(now)} to {u95(then)}"


def _limit(chosen: NetworkSolution, antenna: str, budget: Sequence[BudgetShare]) -> str:
    of = chosen.posterior.antennas[antenna]
    if of.u95_rad > 1.3 * K95 * of.told.sigma_rad:
        outlines = len(chosen.posterior.outlines[antenna])
        if sum(p for others, p in of.names.items() if len(others) == outlines) > OPEN_NAMES:
            return WHICH_PANEL
        return TWO_WAYS if len(of.mixture.peaks()) > 1 else MAY_BE_WRONG
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
    article = "" if limit in (TWO_WAYS, MAY_BE_WRONG, WHICH_PANEL) else "the "
    said = f"{article}{limit} {verb} this"
    if most < NOTICEABLE * now_deg:
        return NextEvidence(
            limit=limit,
            u95_now_deg=now_deg,
            options=options,
            sentence=f"{said}; nothing that could be brought would make it much better ({figure} is {u95(now_deg)})",
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
        sentence=f"{said}; {chosen.bring} would bring {figure} from {u95(now_deg)} to {u95(chosen.u95_then_deg)}",
    )
