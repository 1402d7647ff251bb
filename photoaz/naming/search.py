"""Readings of one photo: which direction to the tower, and which candidate is which antenna, makes the whole likely.

All directions to the tower round the circle are tried, with a shift across and along the height and a change of the
distance in each; the rest is an assignment. Costs are minus the natural logarithm of likelihoods, relative to 'all
candidates are false, all antennas missed'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.naming.facing import BINS, GRID, STEP_RAD, mean_azimuth
from photoaz.naming.model import HeadingStatement, PhotoView
from photoaz.naming.mount import Mount
from photoaz.naming.observed import Observed
from photoaz.photo.camera import project

Array = NDArray[Any]

#: false boxes lie anywhere in this part of the tower's head [m], with sizes within these ranges (ln)
FALSE_REGION_M = (8.0, 6.0)
FALSE_LN_SIZES = (2.0, 2.0)
#: a panel in full view is found with this probability when it shows its front, its rear
FOUND = (0.88, 0.45)
HIDDEN_LOSS = 0.8
OUT_OF_FRAME = 0.02
#: what a size as seen scatters besides its corners (ln): tilt, focal length, the finder
SIZE_LN_SIGMA = 0.04
#: the tails: so many residuals are four times as wide
TAIL = 0.05
#: a compass beside steel is off by tens of degrees that often, and no word at all that often
COMPASS_WIDE, COMPASS_NONSENSE = 0.15, 0.20
COMPASS_WIDE_RAD = float(np.radians(20.0))
#: a statement of a person, or one made from a landmark, is a slip that often
STATEMENT_NONSENSE = 1e-4
#: a standpoint is three times worse, or nonsense, that often
STANDPOINT_WIDE, STANDPOINT_NONSENSE = 0.10, 0.02
SHIFTS_M: Array = np.arange(-3.0, 3.01, 0.5)
STARTS = 160
ROUNDS = 3
#: readings less likely than the best one by more than this are dropped (ln)
DROP = 9.0
#: a finder's errors are not independent of each other: that share of what they would tell if they were
TRUSTED = 0.6
NEVER = 1e6


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read a photo. names (n,): antenna of each candidate, -1 for none; cost: minus ln of its likelihood.

    toward: bin of the direction to the tower; shift: tan of the axis's azimuth off the observed middle; over: tan by
    which all lie higher than expected; ln_scale: ln of the distance over the expected one.
    """

    names: tuple[int, ...]
    cost: float
    toward: int
    shift: float
    over: float
    ln_scale: float


@dataclass(frozen=True, slots=True)
class Starts:
    """Hypotheses in a batch of H: as `Reading`, each (H,)."""

    toward: Array
    shift: Array
    over: Array
    ln_scale: Array

    def take(self, k: Array) -> Starts:
        return Starts(self.toward[k], self.shift[k], self.over[k], self.ln_scale[k])


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the antennas are expected in a batch of hypotheses, each (H, m).

    across, over: tangents as in `Observed`, before the shifts; distance_m, slant_m; across_sigma_m, over_sigma_m.
    """

    across: Array
    over: Array
    distance_m: Array
    slant_m: Array
    across_sigma_m: Array
    over_sigma_m: Array


def layout(observed: Observed, mount: Mount, toward: Array, ln_scale: Array) -> Layout:
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
    return Layout(
        across=side / distance,
        over=over,
        distance_m=distance,
        slant_m=np.hypot(distance, rise + own),
        across_sigma_m=side_sigma,
        over_sigma_m=np.hypot(mount.up_sigma_m, ahead_sigma * over),
    )


def _robust(r: Array) -> Array:
    out: Array = -np.log((1.0 - TAIL) * np.exp(-0.5 * r * r) + TAIL / 4.0 * np.exp(-r * r / 32.0))
    return out


def _ln_normal(sigma: Array) -> Array:
    out: Array = np.log(sigma) + 0.5 * np.log(2.0 * np.pi)
    return out


@dataclass(frozen=True, slots=True)
class Scene:
    """A photo against a mount: what does not change while its hypotheses are tried.

    sizes (n, m): ln of the width that an antenna would show at the candidate's yaw; facing (BINS, n, m): cost of the
    yaws; azimuth (m,): the likeliest; toward_cost (BINS,): of the direction to the tower by the standpoint.
    """

    observed: Observed
    mount: Mount
    ln_shown: Array
    ln_shown_sigma: Array
    facing: Array
    azimuth: Array
    toward_cost: Array
    headings: tuple[HeadingStatement, ...]
    named: Mapping[int, int]
    false_cost: Array
    over_sigma: float


def scene_of(
    photo: PhotoView, observed: Observed, mount: Mount, beliefs: Array, site_sigma_m: float, named: Mapping[int, int]
) -> Scene:
    """Prepare a photo; beliefs (m, BINS) about the azimuths, from all but this photo."""
    yaw = observed.yaw_rad[:, None]
    w, d = np.exp(mount.ln_size[:, 0]), np.exp(mount.ln_size[:, 2])
    shown = w * np.abs(np.cos(yaw)) + d * np.abs(np.sin(yaw))
    turned = np.abs(d * np.abs(np.cos(yaw)) - w * np.abs(np.sin(yaw))) / shown * np.radians(8.0)
    own = np.hypot(mount.ln_size_sigma[:, 0], SIZE_LN_SIGMA)
    facing = -np.log(np.maximum(observed.likelihood @ beliefs.T, 1e-12)).transpose(1, 0, 2)
    steep = abs(observed.rise_m) / observed.distance_m
    p = observed.probability
    false_ln_density = -np.log(FALSE_REGION_M).sum() - np.log(FALSE_LN_SIZES).sum()
    return Scene(
        observed=observed,
        mount=mount,
        ln_shown=np.log(shown),
        ln_shown_sigma=np.sqrt(turned**2 + own**2 + observed.ln_extent_sigma[:, None] ** 2),
        facing=facing,
        azimuth=np.array([mean_azimuth(b)[0] for b in beliefs]),
        toward_cost=_toward_cost(photo, site_sigma_m),
        headings=photo.headings,
        named=named,
        false_cost=-np.log(1.0 - p) - false_ln_density + np.log(p),
        over_sigma=(0.5 + 1.2 * steep) / observed.distance_m,
    )


def _wrap(angle: Array) -> Array:
    out: Array = angle - 2 * np.pi * np.round(angle / (2 * np.pi))
    return out


def _toward_cost(photo: PhotoView, site_sigma_m: float) -> Array:
    if photo.east_north_m is None:
        return np.zeros(BINS)
    east, north = -np.asarray(photo.east_north_m, float)
    flat = max(float(np.hypot(east, north)), 1.0)
    sigma = np.hypot(np.hypot(photo.east_north_sigma_m, site_sigma_m) / flat, STEP_RAD / np.sqrt(12.0))
    off = _wrap(GRID - np.arctan2(east, north))
    density = STANDPOINT_NONSENSE / (2 * np.pi) + sum(
        share * np.exp(-0.5 * (off / s) ** 2) / (s * np.sqrt(2 * np.pi))
        for share, s in ((1.0 - STANDPOINT_WIDE - STANDPOINT_NONSENSE, sigma), (STANDPOINT_WIDE, 3.0 * sigma))
    )
    out: Array = -np.log(2 * np.pi * density)
    return out


def heading_cost(scene: Scene, toward: Array, shift: Array, grain_rad: float) -> Array:
    """Cost (H,) of what is said of the heading; grain_rad: how coarse the hypotheses are."""
    implied = GRID[toward] - scene.observed.axis_rad - np.arctan(shift)
    cost = np.zeros(np.shape(implied))
    for said in scene.headings:
        off = _wrap(implied - said.value_rad)
        wide = COMPASS_WIDE if said.compass else 0.0
        nonsense = COMPASS_NONSENSE if said.compass else STATEMENT_NONSENSE
        density = np.full(off.shape, nonsense)
        for share, own in ((1.0 - wide - nonsense, said.sigma_rad), (wide, COMPASS_WIDE_RAD)):
            sigma = float(np.hypot(own, grain_rad))
            density += share * np.exp(-0.5 * (off / sigma) ** 2) * np.sqrt(2 * np.pi) / sigma
        cost = cost - np.log(density)
    return cost


def _found_probability(scene: Scene, toward: Array, hidden: Array, inside: Array) -> Array:
    yaw = scene.azimuth - GRID[toward][:, None] - np.pi
    front = 1.0 / (1.0 + np.exp(-6.0 * np.cos(yaw)))
    p = FOUND[1] + (FOUND[0] - FOUND[1]) * front
    p = p * (1.0 - HIDDEN_LOSS * hidden)
    out: Array = np.where(inside, p, OUT_OF_FRAME)
    return out


def hidden_share(scene: Scene, toward: Array, lay: Layout) -> Array:
    """Share (H, m, m) of each antenna (rows) that lies behind each other one (columns)."""
    m = scene.mount
    yaw = scene.azimuth - GRID[toward][:, None]
    w, h, d = np.exp(m.ln_size).T
    half = 0.5 * (w * np.abs(np.cos(yaw)) + d * np.abs(np.sin(yaw)))
    # as seen, brought to one distance: nearer panels stand higher in the frame
    x, y = lay.across * scene.observed.distance_m, lay.over * scene.observed.distance_m

    def overlap(at: Array, half_size: Array) -> Array:
        low = np.maximum((at - half_size)[:, :, None], (at - half_size)[:, None, :])
        high = np.minimum((at + half_size)[:, :, None], (at + half_size)[:, None, :])
        share: Array = np.clip((high - low) / np.maximum(2.0 * half_size[:, :, None], 1e-3), 0.0, 1.0)
        return share

    nearer = lay.distance_m[:, None, :] < lay.distance_m[:, :, None] - 0.25
    out: Array = overlap(x, half) * overlap(y, np.broadcast_to(h / 2.0, half.shape)) * nearer
    return out


def pixels(observed: Observed, lay: Layout, shift: Array, over: Array) -> tuple[Array, Array]:
    """Expected pixels (H, m, 2) of the antennas' centres, and whether they lie in the frame (H, m)."""
    azimuth = observed.axis_rad + np.arctan(lay.across + shift[:, None])
    level = np.stack([np.sin(azimuth), np.cos(azimuth), lay.over + over[:, None]], -1)
    cam = level @ observed.level_from_cam()
    ahead = cam[..., 2] > 0.05
    cam = np.where(ahead[..., None], cam, np.array([0.0, 0.0, 1.0]))
    px = project(observed.camera, cam)
    c = observed.camera
    inside = ahead & (px > -0.5).all(-1) & (px[..., 0] < c.width_px - 0.5) & (px[..., 1] < c.height_px - 0.5)
    return px, inside


def _pair_costs(scene: Scene, h: Starts, lay: Layout) -> Array:
    """Cost (H, n, m) of each candidate being each antenna, relative to a false box beside a missed antenna."""
    o, m = scene.observed, scene.mount
    distance = lay.distance_m[:, None, :]
    r = (o.across[:, None] - (lay.across + h.shift[:, None])[:, None, :]) * distance / lay.across_sigma_m[:, None, :]
    cost = _robust(r) + _ln_normal(lay.across_sigma_m)[:, None, :]
    r = (o.over[:, None] - (lay.over + h.over[:, None])[:, None, :]) * distance / lay.over_sigma_m[:, None, :]
    cost += _robust(r) + _ln_normal(lay.over_sigma_m)[:, None, :]
    own = np.hypot(m.ln_size_sigma[:, 1], SIZE_LN_SIGMA)
    sigma = np.hypot(own[None, :], o.ln_height_sigma[:, None])
    ln_slant = np.log(lay.slant_m)[:, None, :]
    expected = m.ln_size[:, 1] + np.log(distance) - 2.0 * ln_slant
    cost += _robust((o.ln_height[:, None] - expected) / sigma) + _ln_normal(sigma)
    expected = scene.ln_shown - ln_slant
    cost += _robust((o.ln_extent[:, None] - expected) / scene.ln_shown_sigma) + _ln_normal(scene.ln_shown_sigma)
    cost += scene.facing[h.toward]
    _, inside = pixels(o, lay, h.shift, h.over)
    hidden = hidden_share(scene, h.toward, lay).max(-1, initial=0.0)
    p = _found_probability(scene, h.toward, hidden, inside)
    cost += (np.log(1.0 - p) - np.log(p))[:, None, :]
    cost -= scene.false_cost[:, None]
    return cost


def _coarse(scene: Scene) -> Starts:
    """Hypotheses worth a closer look, from across, sizes and facing alone; no candidate waits for another."""
    o, m = scene.observed, scene.mount
    scales = np.array([-1.3, 0.0, 1.3]) * o.ln_sigma if o.ln_sigma > 0.05 else np.zeros(1)
    toward, scale = (g.ravel() for g in np.meshgrid(np.arange(BINS), scales, indexing="ij"))
    lay = layout(o, m, toward, scale)
    distance = lay.distance_m[:, None, :]
    own = np.hypot(np.hypot(m.ln_size_sigma[:, 1], SIZE_LN_SIGMA)[None, :], o.ln_height_sigma[:, None])
    own = np.hypot(own, 0.05)
    ln_slant = np.log(lay.slant_m)[:, None, :]
    tall = (o.ln_height[:, None] - (m.ln_size[:, 1] + np.log(distance) - 2.0 * ln_slant)) / own
    wide_sigma = np.hypot(scene.ln_shown_sigma, 0.05)
    wide = (o.ln_extent[:, None] - (scene.ln_shown - ln_slant)) / wide_sigma
    rest = np.minimum(0.5 * tall**2, 5.0) + np.minimum(0.5 * wide**2, 5.0) + scene.facing[toward]
    rest += _ln_normal(own) + _ln_normal(wide_sigma) - scene.false_cost[:, None] + np.log(FALSE_REGION_M[1])
    sigma = np.hypot(lay.across_sigma_m, 0.15)[:, None, :]
    off = (o.across[:, None] - lay.across[:, None, :]) * distance
    rest += _ln_normal(sigma)
    scores = []
    for t in SHIFTS_M:
        r = (off - t) / sigma
        scores.append(np.minimum(rest + np.minimum(0.5 * r * r, 5.0), 0.0).min(-1).sum(-1))
    score = np.stack(scores, -1)  # (BINS * scales, shifts)
    shift = np.broadcast_to(SHIFTS_M / o.distance_m, score.shape)
    grain = float(np.hypot(STEP_RAD / 2, 0.25 / o.distance_m))
    score = score + scene.toward_cost[toward][:, None] + heading_cost(scene, toward[:, None], shift, grain)
    score = score + 0.5 * (scale / o.ln_sigma)[:, None] ** 2
    by_toward = score.reshape(BINS, -1)
    keep = np.argsort(by_toward, axis=-1)[:, :3]
    flat = (np.arange(BINS)[:, None] * by_toward.shape[1] + keep).ravel()
    flat = flat[np.argsort(score.ravel()[flat], kind="stable")[:STARTS]]
    row = flat // len(SHIFTS_M)
    return Starts(toward[row], shift.ravel()[flat].copy(), np.zeros(len(flat)), scale[row])


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


def _refit(scene: Scene, h: Starts, lay: Layout, names: Array) -> Starts:
    """Shifts and scale (H,) that suit the names (H, n) best."""
    o, m = scene.observed, scene.mount
    has = names >= 0
    j = np.maximum(names, 0)

    def of(x: Array) -> Array:
        out: Array = np.take_along_axis(x, j, 1)
        return out

    def mean(value: Array, sigma: Array, at: Array, prior: Array | float, prior_sigma: float) -> Array:
        # residuals from where it stood, so that gross ones weigh less
        r = (value - at[:, None]) / sigma
        w = has / sigma**2 / (1.0 + (r / 3.0) ** 2)
        out: Array = ((w * value).sum(-1) + prior / prior_sigma**2) / (w.sum(-1) + 1.0 / prior_sigma**2)
        return out

    distance = of(lay.distance_m)
    prior, prior_sigma = np.zeros(len(j)), 3.0 / o.distance_m
    firm = [s for s in scene.headings if not s.compass]
    if firm:
        best = min(firm, key=lambda s: s.sigma_rad)
        off = _wrap(GRID[h.toward] - o.axis_rad - best.value_rad)
        prior = np.clip(np.tan(np.clip(off, -1.0, 1.0)), -4.0 / o.distance_m, 4.0 / o.distance_m)
        prior_sigma = float(np.hypot(best.sigma_rad, STEP_RAD / np.sqrt(12.0)))
    shift = mean(o.across - of(lay.across), of(lay.across_sigma_m) / distance, h.shift, prior, prior_sigma)
    over = mean(o.over - of(lay.over), of(lay.over_sigma_m) / distance, h.over, 0.0, scene.over_sigma)
    slant = of(lay.slant_m)
    tall = o.ln_height - (m.ln_size[j, 1] + np.log(distance) - 2.0 * np.log(slant))
    steep = np.abs(o.rise_m) / o.distance_m
    slope = -1.0 if o.rise_follows else (steep**2 - 1.0) / (steep**2 + 1.0)
    sigma = np.hypot(np.hypot(m.ln_size_sigma[j, 1], SIZE_LN_SIGMA), o.ln_height_sigma)
    w = has / sigma**2 / (1.0 + (tall / sigma / 3.0) ** 2)
    i = np.broadcast_to(np.arange(j.shape[1]), j.shape)
    wide = o.ln_extent - (scene.ln_shown[i, j] - np.log(slant))
    wide_sigma = scene.ln_shown_sigma[i, j]
    wide_slope = -1.0 if o.rise_follows else -1.0 / (steep**2 + 1.0)
    v = has / wide_sigma**2 / (1.0 + (wide / wide_sigma / 3.0) ** 2)
    # residuals at the present scale; the prior pulls towards none
    info = (w * slope**2 + v * wide_slope**2).sum(-1) + 1.0 / o.ln_sigma**2
    step = ((w * slope * tall + v * wide_slope * wide).sum(-1) - h.ln_scale / o.ln_sigma**2) / info
    return Starts(h.toward, shift, over, np.clip(h.ln_scale + np.clip(step, -0.2, 0.2), -1.5, 1.5))


def _first_over(scene: Scene, h: Starts, lay: Layout) -> Array:
    """A first shift in height (H,): the median over candidates of what their likeliest antennas would need."""
    o = scene.observed
    r = (o.across[:, None] - (lay.across + h.shift[:, None])[:, None, :]) * lay.distance_m[:, None, :]
    cost = 0.5 * (r / lay.across_sigma_m[:, None, :]) ** 2 + scene.facing[h.toward]
    j = cost.argmin(-1)
    out: Array = np.median(o.over - np.take_along_axis(lay.over, j, 1), axis=-1)
    return out


def read(scene: Scene) -> tuple[Reading, ...]:
    """The likely readings of a photo, the likeliest first; none where it has no candidates."""
    n, m = len(scene.observed.across), len(scene.mount.names)
    if n == 0 or m == 0:
        return ()
    h = _coarse(scene)
    h = Starts(
        h.toward, h.shift, _first_over(scene, h, layout(scene.observed, scene.mount, h.toward, h.ln_scale)), h.ln_scale
    )
    found: dict[tuple[int, tuple[int, ...]], Reading] = {}
    names = np.empty((0, n), int)
    total = np.empty(0)
    cost = np.empty((0, n, m))
    for k in range(ROUNDS + 1):
        lay = layout(scene.observed, scene.mount, h.toward, h.ln_scale)
        cost = _pair_costs(scene, h, lay)
        solved = [_assign(c, scene.named) for c in cost]
        names = np.array([s[0] for s in solved])
        total = TRUSTED * np.array([s[1] for s in solved]) + _prior_cost(scene, h)
        if k < ROUNDS:
            near = np.flatnonzero(total <= total.min() + (20.0, 14.0, 10.0)[k])
            h = _refit(scene, h.take(near), Layout(*(getattr(lay, f)[near] for f in Layout.__slots__)), names[near])
    for near_best in np.flatnonzero(total <= total.min() + DROP).tolist():
        _note(found, h, near_best, names[near_best], float(total[near_best]))
    _others(scene, h, cost, total, found)
    best = min(r.cost for r in found.values())
    kept = [r for r in found.values() if r.cost <= best + DROP]
    return tuple(sorted(kept, key=lambda r: (r.cost, r.toward)))


def _prior_cost(scene: Scene, h: Starts) -> Array:
    o = scene.observed
    out: Array = (
        scene.toward_cost[h.toward]
        + heading_cost(scene, h.toward, h.shift, STEP_RAD / np.sqrt(12.0))
        + 0.5 * (h.over / scene.over_sigma) ** 2
        + 0.5 * (h.ln_scale / o.ln_sigma) ** 2
    )
    return out


def _note(found: dict[tuple[int, tuple[int, ...]], Reading], h: Starts, k: int, names: Array, cost: float) -> None:
    key = (int(h.toward[k]), tuple(int(x) for x in names))
    if key not in found or found[key].cost > cost:
        found[key] = Reading(key[1], cost, key[0], float(h.shift[k]), float(h.over[k]), float(h.ln_scale[k]))


def _others(
    scene: Scene, h: Starts, cost: Array, total: Array, found: dict[tuple[int, tuple[int, ...]], Reading]
) -> None:
    """The next best readings: each pair of a best one forbidden in turn."""
    by_cost = np.argsort(total, kind="stable")
    seen: set[tuple[int, tuple[int, ...]]] = set()
    best = total.min()
    for k in by_cost[:24]:
        if total[k] > best + 5.0:
            break
        names, summed = _assign(cost[k], scene.named)
        key = (int(h.toward[k]), tuple(int(x) for x in names))
        if key in seen:
            continue
        seen.add(key)
        prior = total[k] - TRUSTED * summed
        for i, j in enumerate(names.tolist()):
            if i in scene.named:
                continue
            changed = cost[k].copy()
            if j >= 0:
                changed[i, j] = NEVER
            else:
                changed[i] -= 100.0  # anything rather than false
            other, s = _assign(changed, scene.named)
            s += 100.0 if j < 0 and other[i] >= 0 else 0.0
            if prior + TRUSTED * s <= best + DROP:
                _note(found, h, int(k), other, float(prior + TRUSTED * s))


def weights(readings: Sequence[Reading]) -> Array:
    """Probabilities of readings: they sum to 1."""
    c = np.array([r.cost for r in readings])
    w = np.exp(-(c - c.min()))
    out: Array = w / w.sum()
    return out
