"""Ways to read one photo: which direction to the tower, and which candidate is which antenna, makes the whole likely.

All directions to the tower round the circle are tried, with a shift across and along the height and a change of the
distance in each; the rest is an assignment.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any, TypeVar

import numpy as np

from photoaz.angles import Array, wrap_rad
from photoaz.naming.costs import (
    GRID_SIGMA_RAD,
    GROSS,
    ExpectedPlaces,
    Hypotheses,
    Hypothesis,
    NamingProblem,
    expected_places,
    heading_cost,
    ln_normal,
    pair_costs,
    size_residuals,
    slopes,
    total_cost,
)
from photoaz.naming.facing import BINS, GRID, STEP_RAD
from photoaz.naming.observed import FALSE_REGION_M

#: where the search starts: shifts across [m], and so many hypotheses
SHIFTS_M: Array = np.arange(-3.0, 3.01, 0.5)
STARTS = 160
#: after each round those within so much of the best (ln) are fitted again
REFITTED_WITHIN = (20.0, 14.0, 10.0)
#: hypotheses less likely than the best one by more than this are dropped (ln)
DROP = 9.0
#: the cost of what must not be
NEVER = 1e6

_Batch = TypeVar("_Batch", Hypotheses, ExpectedPlaces)


def _taken(batch: _Batch, k: Array) -> _Batch:
    """Some hypotheses of a batch, or what belongs to them."""
    return type(batch)(*(getattr(batch, f.name)[k] for f in fields(batch)))


def _coarse(problem: NamingProblem) -> Hypotheses:
    """Hypotheses worth a closer look, from across, sizes and facing alone; no candidate waits for another."""
    o, m = problem.observed, problem.mount
    scales = np.array([-1.3, 0.0, 1.3]) * o.ln_sigma if o.ln_sigma > 0.05 else np.zeros(1)
    toward, scale = (g.ravel() for g in np.meshgrid(np.arange(BINS), scales, indexing="ij"))
    places = expected_places(o, m, toward, scale)
    tall, wide = size_residuals(problem, places)
    tall_sigma, wide_sigma = np.hypot(problem.tall_sigma, 0.05), np.hypot(problem.ln_shown_sigma, 0.05)
    rest = np.minimum(0.5 * (tall / tall_sigma) ** 2, 5.0) + np.minimum(0.5 * (wide / wide_sigma) ** 2, 5.0)
    rest += problem.facing[toward] + ln_normal(tall_sigma) + ln_normal(wide_sigma)
    # what is seen may crowd about this site's axis or a neighbour's
    beta = GRID[toward]
    axes = np.unique(m.axis, axis=0)
    aside, ahead = axes @ np.stack([np.cos(beta), -np.sin(beta)]), axes @ np.stack([np.sin(beta), np.cos(beta)])
    crowd = -aside / np.maximum(o.distance_m * np.exp(scale) + ahead, 1.0)  # (axes, H)
    sigma = np.hypot(places.across_sigma_m, 0.15)[:, None, :]
    rest += ln_normal(sigma) - problem.false_cost[:, None] + np.log(FALSE_REGION_M[1])
    off = (o.across[:, None] - places.across[:, None, :]) * places.distance_m[:, None, :]
    scores = []
    for about in crowd:
        from_crowd = off - (about[:, None] * places.distance_m)[:, None, :]
        for t in SHIFTS_M:
            r = (from_crowd - t) / sigma
            scores.append(np.minimum(rest + np.minimum(0.5 * r * r, 5.0), 0.0).min(-1).sum(-1))
    score = np.stack(scores, -1)  # (BINS * scales, shifts)
    shift = (crowd[:, :, None] + SHIFTS_M / o.distance_m).transpose(1, 0, 2).reshape(score.shape)
    grain = float(np.hypot(STEP_RAD / 2, 0.25 / o.distance_m))
    score = score + problem.toward_cost[toward][:, None] + heading_cost(problem, toward[:, None], shift, grain)[0]
    score = score + 0.5 * (scale / o.ln_sigma)[:, None] ** 2
    by_toward = score.reshape(BINS, -1)
    keep = np.argsort(by_toward, axis=-1)[:, :3]
    flat = (np.arange(BINS)[:, None] * by_toward.shape[1] + keep).ravel()
    flat = flat[np.argsort(score.ravel()[flat], kind="stable")[:STARTS]]
    row = flat // score.shape[1]
    return Hypotheses(toward[row], shift.ravel()[flat].copy(), np.zeros(len(flat)), scale[row], np.zeros(len(flat)))


def _assign(cost: Array, named: Mapping[int, int]) -> tuple[Array, float]:
    """Best names (n,) for costs (n, m), -1 for none, and the sum of their costs."""
    from scipy.optimize import linear_sum_assignment

    n, m = cost.shape
    whole = np.zeros((n, m + n))
    whole[:, :m] = cost
    for i, j in named.items():
        kept = whole[i, j]
        whole[i, :] = NEVER
        whole[:, j] = NEVER
        whole[i, j] = kept
    _, column = linear_sum_assignment(whole)
    return np.where(column < m, column, -1), float(whole[np.arange(n), column].sum())


def _assign_each(cost: Array, named: Mapping[int, int]) -> tuple[Array, Array]:
    """Of each of H hypotheses what `_assign` gives: names (H, n) and sums (H,), for costs (H, n, m)."""
    best, least = cost.argmin(-1), cost.min(-1)
    names, sums = np.where(least < 0.0, best, -1), np.minimum(least, 0.0).sum(-1)
    # where each candidate's own best is no other's too, nothing is left to weigh
    taken = (names[..., None] == np.arange(cost.shape[-1])).sum(1)
    unlike = ((cost == least[..., None]).sum(-1) == 1).all(-1)
    for k in np.flatnonzero((taken > 1).any(-1) | ~unlike | bool(named)).tolist():
        names[k], sums[k] = _assign(cost[k], named)
    return names, sums


def _refit(problem: NamingProblem, h: Hypotheses, places: ExpectedPlaces, names: Array) -> Hypotheses:
    """Shifts and scale (H,) that suit the names (H, n) best."""
    o = problem.observed
    has = names >= 0
    j = np.maximum(names, 0)
    i = np.broadcast_to(np.arange(j.shape[1]), j.shape)

    def of(x: Array) -> Array:
        """Of the antennas named (H, n), from all (H, m)."""
        return np.asarray(np.take_along_axis(x, j, 1))

    def weight(r: Array, sigma: Array, some: Array = has) -> Array:
        """Of residuals from where it stood, so that gross ones weigh less."""
        return np.asarray(some / sigma**2 / (1.0 + (r / sigma / GROSS) ** 2))

    def mean(value: Array, sigma: Array, at: Array, prior: Any, prior_sigma: float, some: Array = has) -> Array:
        w = weight(value - at[:, None], sigma, some)
        return np.asarray(((w * value).sum(-1) + prior / prior_sigma**2) / (w.sum(-1) + 1.0 / prior_sigma**2))

    distance = of(places.distance_m)
    apart = problem.mount.apart_m  # the middle of what is seen may be off this site's axis by that
    prior, prior_sigma = np.zeros(len(j)), (3.0 + apart) / o.distance_m
    firm = [s for s in problem.photo.headings if not s.is_compass]
    if firm:
        best = min(firm, key=lambda s: s.sigma_rad)
        off = wrap_rad(GRID[h.toward] - o.axis_rad - best.value_rad)
        prior = np.clip(np.tan(np.clip(off, -1.0, 1.0)), *(np.array([-4.0, 4.0]) * (4.0 + apart) / 4.0 / o.distance_m))
        prior_sigma = float(np.hypot(best.sigma_rad, GRID_SIGMA_RAD))
    across, across_sigma = o.across - of(places.across), of(places.across_sigma_m) / distance
    others = has & (problem.mount.axis_sigma_m[j] > 0.0)
    shift = mean(across - others * h.beside[:, None], across_sigma, h.shift, prior, prior_sigma)
    beside = h.beside
    if others.any():
        beside_sigma = float(problem.mount.axis_sigma_m.max()) / o.distance_m
        beside = mean(across - shift[:, None], across_sigma, h.beside, 0.0, beside_sigma, others)
    over = mean(o.over - of(places.over), of(places.over_sigma_m) / distance, h.over, 0.0, problem.over_sigma)
    tall, wide = (np.take_along_axis(x, j[..., None], 2)[..., 0] for x in size_residuals(problem, places))
    w, v = weight(tall, problem.tall_sigma[i, j]), weight(wide, problem.ln_shown_sigma[i, j])
    slope, wide_slope = slopes(o)
    # residuals at the present scale; the prior pulls towards none
    info = (w * slope**2 + v * wide_slope**2).sum(-1) + 1.0 / o.ln_sigma**2
    step = ((w * slope * tall + v * wide_slope * wide).sum(-1) - h.ln_scale / o.ln_sigma**2) / info
    return Hypotheses(h.toward, shift, over, np.clip(h.ln_scale + np.clip(step, -0.2, 0.2), -1.5, 1.5), beside)


def _first_over(problem: NamingProblem, h: Hypotheses) -> Array:
    """A first shift in height (H,): the median over candidates of what their likeliest antennas would need."""
    o = problem.observed
    places = expected_places(o, problem.mount, h.toward, h.ln_scale)
    r = (o.across[:, None] - (places.across + h.shift[:, None])[:, None, :]) * places.distance_m[:, None, :]
    cost = 0.5 * (r / places.across_sigma_m[:, None, :]) ** 2 + problem.facing[h.toward]
    j = cost.argmin(-1)
    return np.asarray(np.median(o.over - np.take_along_axis(places.over, j, 1), axis=-1))


def likely_hypotheses(problem: NamingProblem) -> tuple[Hypothesis, ...]:
    """The likely ways to name a photo's candidates, the likeliest first; none where it has no candidates."""
    if len(problem.observed.across) == 0:
        return ()
    h = _coarse(problem)
    h = replace(h, over=_first_over(problem, h))
    for leeway in (*REFITTED_WITHIN, None):
        places = expected_places(problem.observed, problem.mount, h.toward, h.ln_scale)
        cost, none = pair_costs(problem, h, places)
        names, sums = _assign_each(cost, problem.named)
        total = total_cost(problem, h, places, names, sums + none.sum(-1))
        if leeway is not None:
            near = np.flatnonzero(total <= total.min() + leeway)
            h = _refit(problem, _taken(h, near), _taken(places, near), names[near])
    likely = [h.one(k, names[k], total[k]) for k in np.flatnonzero(total <= total.min() + DROP).tolist()]
    likely += _next_best(problem, h, places, (cost, none), names, total)
    best: dict[tuple[int, tuple[int, ...]], Hypothesis] = {}
    for one in sorted(likely, key=lambda one: (one.cost, one.toward)):
        best.setdefault((one.toward, one.names), one)
    least = min(one.cost for one in best.values())
    return tuple(one for one in best.values() if one.cost <= least + DROP)


def _next_best(
    problem: NamingProblem,
    h: Hypotheses,
    places: ExpectedPlaces,
    costs: tuple[Array, Array],
    names: Array,
    total: Array,
) -> list[Hypothesis]:
    """The next best hypotheses: each pair of a best one forbidden in turn. costs: as of `pair_costs`."""
    cost, none = costs
    tried: list[tuple[int, Array, float]] = []
    seen: set[tuple[int, tuple[int, ...]]] = set()
    best = total.min()
    for k in np.argsort(total, kind="stable")[:24].tolist():
        if total[k] > best + 5.0:
            break
        key = (int(h.toward[k]), tuple(names[k].tolist()))
        if key in seen:
            continue
        seen.add(key)
        for i, j in enumerate(names[k].tolist()):
            if i in problem.named:
                continue
            changed = cost[k].copy()
            if j >= 0:
                changed[i, j] = NEVER
            else:
                changed[i] -= 100.0  # anything rather than false
            other, s = _assign(changed, problem.named)
            tried.append((k, other, s + none[k].sum() + (100.0 if j < 0 and other[i] >= 0 else 0.0)))
    if not tried:
        return []
    of, others, sums = (np.array(x) for x in zip(*tried, strict=True))
    totals = total_cost(problem, _taken(h, of), _taken(places, of), others, sums)
    near = np.flatnonzero(totals <= best + DROP).tolist()
    return [h.one(int(of[n]), others[n], float(totals[n])) for n in near]


def weights(hypotheses: Sequence[Hypothesis]) -> Array:
    """Probabilities of hypotheses: they sum to 1."""
    c = np.array([one.cost for one in hypotheses])
    w = np.exp(-(c - c.min()))
    return np.asarray(w / w.sum())
