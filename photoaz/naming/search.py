"""Ways to read one photo: which direction to the tower, and which candidate is which antenna, makes the whole likely.

All directions to the tower round the circle are tried, with a shift across and along the height and a change of the
distance in each; the rest is an assignment. Costs are minus the natural logarithm of likelihoods, relative to 'all
candidates are false, all antennas missed'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np

from photoaz import quantities as q
from photoaz.angles import Array, wrap_rad
from photoaz.naming.facing import BINS, GRID, STEP_RAD, bell, mean_azimuth
from photoaz.naming.model import KnownPhoto
from photoaz.naming.mount import Mount
from photoaz.naming.observed import FALSE_REGION_M, ObservedPanels, cost_of_none
from photoaz.photo.camera import project

#: a panel behind another is found less often by this share; one out of the frame hardly ever
HIDDEN_LOSS = 0.8
OUT_OF_FRAME = 0.02
#: what a size as seen scatters besides its corners (ln): tilt, focal length, the finder
SIZE_LN_SIGMA = 0.04
#: the tails: so many residuals are four times as wide
TAIL = 0.05
#: no residual counts for more than so many sigmas: the logarithm of its tail is none any more
FARTHEST_OFF = 100.0
#: where the search starts: shifts across [m], and so many hypotheses
SHIFTS_M: Array = np.arange(-3.0, 3.01, 0.5)
STARTS = 160
#: after each round those within so much of the best (ln) are fitted again
REFITTED_WITHIN = (20.0, 14.0, 10.0)
#: hypotheses less likely than the best one by more than this are dropped (ln)
DROP = 9.0
#: a finder's errors are not independent of each other: that share of what they would tell if they were
TRUSTED = 0.6
#: the cost of what must not be
NEVER = 1e6
#: azimuths of the grid lie anywhere within a step
GRID_SIGMA_RAD = STEP_RAD / float(np.sqrt(12.0))


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way to name a photo's candidates.

    names (n,): antenna of each candidate, -1 for none; cost: minus ln of its likelihood. toward: bin of the direction
    to the tower; shift: tan of the axis's azimuth off the observed middle; over: tan by which all lie higher than
    expected; ln_scale: ln of the distance over the expected one.
    """

    names: tuple[int, ...]
    cost: float
    toward: int
    shift: float
    over: float
    ln_scale: float


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """A batch of H hypotheses: as `Hypothesis`, each (H,). beside: tan by which a neighbour's are shifted more."""

    toward: Array
    shift: Array
    over: Array
    ln_scale: Array
    beside: Array

    def one(self, k: int, names: Array, cost: float) -> Hypothesis:
        """One of them, with the names (n,) that suit it."""
        return Hypothesis(
            tuple(names.tolist()),
            float(cost),
            int(self.toward[k]),
            float(self.shift[k]),
            float(self.over[k]),
            float(self.ln_scale[k]),
        )


@dataclass(frozen=True, slots=True)
class ExpectedPlaces:
    """Where the antennas are expected in a batch of hypotheses, each (H, m).

    across, over: tangents as in `ObservedPanels`, before the shifts; distance_m, slant_m; across_sigma_m, over_sigma_m.
    """

    across: Array
    over: Array
    distance_m: Array
    slant_m: Array
    across_sigma_m: Array
    over_sigma_m: Array


_Batch = TypeVar("_Batch", Hypotheses, ExpectedPlaces)


def _taken(batch: _Batch, k: Array) -> _Batch:
    """Some hypotheses of a batch, or what belongs to them."""
    return type(batch)(*(getattr(batch, f.name)[k] for f in fields(batch)))


def expected_places(observed: ObservedPanels, mount: Mount, toward: Array, ln_scale: Array) -> ExpectedPlaces:
    """Expected places as seen; toward (H,) bins, ln_scale (H,)."""
    beta = GRID[toward]
    side, side_sigma = mount.along(np.stack([np.cos(beta), -np.sin(beta)], -1))
    ahead, ahead_sigma = mount.along(np.stack([np.sin(beta), np.cos(beta)], -1))
    scale = np.exp(ln_scale)[:, None]
    distance = np.maximum(observed.distance_m * scale + ahead, 1.0)
    # a pitch taken from where the panels lie makes the elevation right whatever the distance: the rise alone is known
    rise = observed.rise_m * (scale if observed.rise_follows else 1.0)
    own = mount.up_m - mount.up_m.mean()
    over = (observed.rise_m * scale + own) / distance
    return ExpectedPlaces(
        across=side / distance,
        over=over,
        distance_m=distance,
        slant_m=np.hypot(distance, rise + own),
        across_sigma_m=side_sigma,
        over_sigma_m=np.hypot(mount.up_sigma_m, ahead_sigma * over),
    )


def _robust(r: Array) -> Array:
    r = np.minimum(np.abs(r), FARTHEST_OFF)
    return np.asarray(-np.log((1.0 - TAIL) * np.exp(-0.5 * r * r) + TAIL / 4.0 * np.exp(-r * r / 32.0)))


def _ln_normal(sigma: Array) -> Array:
    return np.asarray(np.log(sigma) + 0.5 * np.log(2.0 * np.pi))


@dataclass(frozen=True, slots=True)
class NamingProblem:
    """A photo against a mount: what does not change while its hypotheses are tried.

    named: antennas of the candidates that a person named. ln_shown (n, m): ln of the width that an antenna would show
    at the candidate's yaw, and its sigma; tall_sigma (n, m): of ln of its height as seen; facing (BINS, n, m): cost of
    the yaws; azimuth (m,): the likeliest, NaN where nothing tells it; toward_cost (BINS,): of the direction to the
    tower by the standpoint; false_cost (n,): of a candidate's being none of the register's; over_sigma: of the shift
    in height, as a tangent.
    """

    photo: KnownPhoto
    observed: ObservedPanels
    mount: Mount
    named: Mapping[int, int]
    ln_shown: Array
    ln_shown_sigma: Array
    tall_sigma: Array
    facing: Array
    azimuth: Array
    toward_cost: Array
    false_cost: Array
    over_sigma: float


def naming_problem(
    photo: KnownPhoto,
    observed: ObservedPanels,
    mount: Mount,
    named: Mapping[int, int],
    beliefs: Array,
    site_sigma_m: float,
    *,
    unlisted: bool = False,
) -> NamingProblem:
    """Prepare a photo; beliefs (m, BINS) about the azimuths, from all but this photo.

    unlisted: panels that the register lacks hang on the tower as well.
    """
    yaw = observed.yaw_rad[:, None]
    w, d = np.exp(mount.ln_size[:, 0]), np.exp(mount.ln_size[:, 2])
    shown = w * np.abs(np.cos(yaw)) + d * np.abs(np.sin(yaw))
    turned = np.abs(d * np.abs(np.cos(yaw)) - w * np.abs(np.sin(yaw))) / shown * np.radians(8.0)
    own = np.hypot(mount.ln_size_sigma, SIZE_LN_SIGMA)
    steep = abs(observed.rise_m) / observed.distance_m
    # with neighbours the rise of what is seen does not follow from where it is seen
    beside = steep * mount.apart_m + photo.height[1] if mount.apart_m > 0.0 else 0.0
    return NamingProblem(
        photo=photo,
        observed=observed,
        mount=mount,
        named=named,
        ln_shown=np.log(shown),
        ln_shown_sigma=np.sqrt(turned**2 + own[:, 0] ** 2 + observed.ln_extent_sigma[:, None] ** 2),
        tall_sigma=np.hypot(own[:, 1], observed.ln_height_sigma[:, None]),
        facing=-np.log(np.maximum(observed.likelihood @ beliefs.T, 1e-12)).transpose(1, 0, 2),
        azimuth=np.array([mean_azimuth(b)[0] for b in beliefs]),
        toward_cost=_toward_cost(photo, site_sigma_m),
        false_cost=cost_of_none(observed.probability, unlisted=unlisted),
        over_sigma=(0.5 + 1.2 * steep + beside) / observed.distance_m,
    )


def _toward_cost(photo: KnownPhoto, site_sigma_m: float) -> Array:
    """Cost (BINS,) of the direction to the tower by the standpoint."""
    if photo.standpoint is None:
        return np.zeros(BINS)
    (east, north), own = -np.asarray(photo.standpoint[0], float), photo.standpoint[1]
    flat = max(float(np.hypot(east, north)), 1.0)
    sigma = float(np.hypot(np.hypot(own, site_sigma_m) / flat, GRID_SIGMA_RAD))
    off = GRID - np.arctan2(east, north)
    good = 1.0 - q.STANDPOINT_WIDE_SHARE - q.STANDPOINT_NONSENSE_SHARE
    density = q.STANDPOINT_NONSENSE_SHARE + good * bell(off, sigma) + q.STANDPOINT_WIDE_SHARE * bell(off, 3.0 * sigma)
    return -np.asarray(np.log(density))


def heading_cost(problem: NamingProblem, toward: Array, shift: Array, grain_rad: float) -> Array:
    """Cost (H,) of what is said of the heading; grain_rad: how coarse the hypotheses are."""
    implied = GRID[toward] - problem.observed.axis_rad - np.arctan(shift)
    cost = np.zeros(np.shape(implied))
    for said in problem.photo.headings:
        off = implied - said.value_rad
        wide, nonsense = 0.0, q.STATEMENT_NONSENSE_SHARE
        if said.is_compass:
            wide, nonsense = q.COMPASS_DISTURBED_SHARE, q.COMPASS_NONSENSE_SHARE
        wide, nonsense = (1.0 - said.placeholder_share) * wide, max(nonsense, said.placeholder_share)
        density = nonsense + (1.0 - wide - nonsense) * bell(off, float(np.hypot(said.sigma_rad, grain_rad)))
        if wide:
            density = density + wide * bell(off, float(np.hypot(q.COMPASS_DISTURBED_RAD, grain_rad)))
        cost = cost - np.log(density)
    return cost


def _found_probability(problem: NamingProblem, toward: Array, hidden: Array, inside: Array) -> Array:
    yaw = problem.azimuth - GRID[toward][:, None] - np.pi
    front = np.nan_to_num(1.0 / (1.0 + np.exp(-6.0 * np.cos(yaw))), nan=0.5)
    p = q.FOUND_SHARE[1] + (q.FOUND_SHARE[0] - q.FOUND_SHARE[1]) * front
    p = p * (1.0 - HIDDEN_LOSS * hidden)
    return np.asarray(np.where(inside, p, OUT_OF_FRAME))


def hidden_share(problem: NamingProblem, toward: Array, places: ExpectedPlaces) -> Array:
    """Share (H, m, m) of each antenna (rows) that lies behind each other one (columns)."""
    m = problem.mount
    yaw = np.nan_to_num(problem.azimuth - GRID[toward][:, None])
    w, h, d = np.exp(m.ln_size).T
    half = 0.5 * (w * np.abs(np.cos(yaw)) + d * np.abs(np.sin(yaw)))
    # as seen, brought to one distance: nearer panels stand higher in the frame
    x, y = places.across * problem.observed.distance_m, places.over * problem.observed.distance_m

    def overlap(at: Array, half_size: Array) -> Array:
        low = np.maximum((at - half_size)[:, :, None], (at - half_size)[:, None, :])
        high = np.minimum((at + half_size)[:, :, None], (at + half_size)[:, None, :])
        return np.asarray(np.clip((high - low) / np.maximum(2.0 * half_size[:, :, None], 1e-3), 0.0, 1.0))

    nearer = places.distance_m[:, None, :] < places.distance_m[:, :, None] - 0.25
    return np.asarray(overlap(x, half) * overlap(y, np.broadcast_to(h / 2.0, half.shape)) * nearer)


def pixels(observed: ObservedPanels, places: ExpectedPlaces, shift: Array, over: Array) -> tuple[Array, Array]:
    """Expected pixels (H, m, 2) of the antennas' centres, and whether they lie in the frame (H, m)."""
    azimuth = observed.axis_rad + np.arctan(places.across + shift[:, None])
    level = np.stack([np.sin(azimuth), np.cos(azimuth), places.over + over[:, None]], -1)
    cam = level @ observed.level_from_cam()
    ahead = cam[..., 2] > 0.05
    cam = np.where(ahead[..., None], cam, np.array([0.0, 0.0, 1.0]))
    px = project(observed.camera, cam)
    c = observed.camera
    inside = ahead & (px > -0.5).all(-1) & (px[..., 0] < c.width_px - 0.5) & (px[..., 1] < c.height_px - 0.5)
    return px, inside


def _size_residuals(problem: NamingProblem, places: ExpectedPlaces) -> tuple[Array, Array]:
    """ln of height and of width as seen, over those of each antenna: two (H, n, m)."""
    o = problem.observed
    ln_slant = np.log(places.slant_m)[:, None, :]
    expected = problem.mount.ln_size[:, 1] + np.log(places.distance_m)[:, None, :] - 2.0 * ln_slant
    return o.ln_height[:, None] - expected, o.ln_extent[:, None] - (problem.ln_shown - ln_slant)


def _pair_costs(problem: NamingProblem, h: Hypotheses, places: ExpectedPlaces) -> Array:
    """Cost (H, n, m) of each candidate being each antenna, relative to a false box beside a missed antenna."""
    o = problem.observed
    tall, wide = _size_residuals(problem, places)
    cost = _ln_normal(problem.tall_sigma) + _ln_normal(problem.ln_shown_sigma) - problem.false_cost[:, None]
    cost = cost + _robust(tall / problem.tall_sigma) + _robust(wide / problem.ln_shown_sigma)
    across = places.across + h.shift[:, None] + np.outer(h.beside, problem.mount.axis_sigma_m > 0.0)
    for seen, at, sigma_m in (
        (o.across, across, places.across_sigma_m),
        (o.over, places.over + h.over[:, None], places.over_sigma_m),
    ):
        r = (seen[:, None] - at[:, None, :]) * (places.distance_m / sigma_m)[:, None, :]
        cost += _robust(r) + _ln_normal(sigma_m)[:, None, :]
    cost += problem.facing[h.toward]
    _, inside = pixels(o, places, h.shift, h.over)
    hidden = hidden_share(problem, h.toward, places).max(-1, initial=0.0)
    p = _found_probability(problem, h.toward, hidden, inside)
    cost += (np.log(1.0 - p) - np.log(p))[:, None, :]
    return cost


def _coarse(problem: NamingProblem) -> Hypotheses:
    """Hypotheses worth a closer look, from across, sizes and facing alone; no candidate waits for another."""
    o, m = problem.observed, problem.mount
    scales = np.array([-1.3, 0.0, 1.3]) * o.ln_sigma if o.ln_sigma > 0.05 else np.zeros(1)
    toward, scale = (g.ravel() for g in np.meshgrid(np.arange(BINS), scales, indexing="ij"))
    places = expected_places(o, m, toward, scale)
    tall, wide = _size_residuals(problem, places)
    tall_sigma, wide_sigma = np.hypot(problem.tall_sigma, 0.05), np.hypot(problem.ln_shown_sigma, 0.05)
    rest = np.minimum(0.5 * (tall / tall_sigma) ** 2, 5.0) + np.minimum(0.5 * (wide / wide_sigma) ** 2, 5.0)
    rest += problem.facing[toward] + _ln_normal(tall_sigma) + _ln_normal(wide_sigma)
    # what is seen may crowd about this site's axis or a neighbour's
    beta = GRID[toward]
    axes = np.unique(m.axis, axis=0)
    aside, ahead = axes @ np.stack([np.cos(beta), -np.sin(beta)]), axes @ np.stack([np.sin(beta), np.cos(beta)])
    crowd = -aside / np.maximum(o.distance_m * np.exp(scale) + ahead, 1.0)  # (axes, H)
    sigma = np.hypot(places.across_sigma_m, 0.15)[:, None, :]
    rest += _ln_normal(sigma) - problem.false_cost[:, None] + np.log(FALSE_REGION_M[1])
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
    score = score + problem.toward_cost[toward][:, None] + heading_cost(problem, toward[:, None], shift, grain)
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
        return np.asarray(some / sigma**2 / (1.0 + (r / sigma / 3.0) ** 2))

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
    tall, wide = (np.take_along_axis(x, j[..., None], 2)[..., 0] for x in _size_residuals(problem, places))
    w, v = weight(tall, problem.tall_sigma[i, j]), weight(wide, problem.ln_shown_sigma[i, j])
    # by how much each changes with ln of the distance, at a given rise or a given elevation
    steep = np.abs(o.rise_m) / o.distance_m
    slope = -1.0 if o.rise_follows else (steep**2 - 1.0) / (steep**2 + 1.0)
    wide_slope = -1.0 if o.rise_follows else -1.0 / (steep**2 + 1.0)
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
        cost = _pair_costs(problem, h, places)
        names, sums = _assign_each(cost, problem.named)
        total = TRUSTED * sums + _prior_cost(problem, h)
        if leeway is not None:
            near = np.flatnonzero(total <= total.min() + leeway)
            h = _refit(problem, _taken(h, near), _taken(places, near), names[near])
    likely = [h.one(k, names[k], total[k]) for k in np.flatnonzero(total <= total.min() + DROP).tolist()]
    likely += _next_best(problem, h, cost, names, total)
    best: dict[tuple[int, tuple[int, ...]], Hypothesis] = {}
    for one in sorted(likely, key=lambda one: (one.cost, one.toward)):
        best.setdefault((one.toward, one.names), one)
    least = min(one.cost for one in best.values())
    return tuple(one for one in best.values() if one.cost <= least + DROP)


def _prior_cost(problem: NamingProblem, h: Hypotheses) -> Array:
    return np.asarray(
        problem.toward_cost[h.toward]
        + heading_cost(problem, h.toward, h.shift, GRID_SIGMA_RAD)
        + 0.5 * (h.over / problem.over_sigma) ** 2
        + 0.5 * (h.ln_scale / problem.observed.ln_sigma) ** 2
        + 0.5 * (h.beside * problem.observed.distance_m / max(problem.mount.axis_sigma_m.max(initial=0.0), 0.1)) ** 2
    )


def _next_best(problem: NamingProblem, h: Hypotheses, cost: Array, names: Array, total: Array) -> list[Hypothesis]:
    """The next best hypotheses: each pair of a best one forbidden in turn."""
    out: list[Hypothesis] = []
    seen: set[tuple[int, tuple[int, ...]]] = set()
    best = total.min()
    for k in np.argsort(total, kind="stable")[:24]:
        if total[k] > best + 5.0:
            break
        key = (int(h.toward[k]), tuple(names[k].tolist()))
        if key in seen:
            continue
        seen.add(key)
        prior = total[k] - TRUSTED * _assign(cost[k], problem.named)[1]
        for i, j in enumerate(names[k].tolist()):
            if i in problem.named:
                continue
            changed = cost[k].copy()
            if j >= 0:
                changed[i, j] = NEVER
            else:
                changed[i] -= 100.0  # anything rather than false
            other, s = _assign(changed, problem.named)
            s += 100.0 if j < 0 and other[i] >= 0 else 0.0
            if prior + TRUSTED * s <= best + DROP:
                out.append(h.one(int(k), other, float(prior + TRUSTED * s)))
    return out


def weights(hypotheses: Sequence[Hypothesis]) -> Array:
    """Probabilities of hypotheses: they sum to 1."""
    c = np.array([one.cost for one in hypotheses])
    w = np.exp(-(c - c.min()))
    return np.asarray(w / w.sum())
