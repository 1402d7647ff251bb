"""How probable a hypothesis about one photo is: costs of candidates' being antennas, and of the hypothesis as a whole.

Costs are minus the natural logarithm of likelihoods, relative to 'all candidates are false, all antennas missed'.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from photoaz import quantities as q
from photoaz.angles import Array
from photoaz.naming.facing import BINS, GRID, STEP_RAD, bell, mean_azimuth
from photoaz.naming.model import KnownPhoto
from photoaz.naming.mount import Mount
from photoaz.naming.observed import ObservedPanels, cost_of_none
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
#: a residual of so many sigmas weighs half
GROSS = 3.0
#: a finder's errors are not independent of each other: that share of what they would tell if they were
TRUSTED = 0.6
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


def ln_normal(sigma: Array) -> Array:
    """Minus ln of a normal density where it is highest; sigma (...): its standard deviations."""
    return np.asarray(np.log(sigma) + 0.5 * np.log(2.0 * np.pi))


@dataclass(frozen=True, slots=True)
class NamingProblem:
    """A photo against a mount: what does not change while its hypotheses are tried.

    named: antennas of the candidates that a person named. ln_shown (n, m): ln of the width that an antenna would show
    at the candidate's yaw, and its sigma; tall_sigma (n, m): of ln of its height as seen; facing (BINS, n, m): cost of
    the yaws; azimuth (m,): the likeliest, NaN where nothing tells it; toward_cost (BINS,): of the direction to the
    tower by the standpoint; false_cost (n,): of a candidate's being none of the register's; over_sigma: of the shift
    in height, as a tangent. unlisted: panels that the register lacks hang on the tower as well.
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
    unlisted: bool


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
        unlisted=unlisted,
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


def heading_cost(problem: NamingProblem, toward: Array, shift: Array, grain_rad: float) -> tuple[Array, Array]:
    """Cost (H,) of what is said of the heading, and how sharply it is said there: one over a variance [rad^-2], (H,).

    grain_rad: how coarse the hypotheses are.
    """
    implied = GRID[toward] - problem.observed.axis_rad - np.arctan(shift)
    cost, precision = np.zeros(np.shape(implied)), np.zeros(np.shape(implied))
    for said in problem.photo.headings:
        off = implied - said.value_rad
        wide, nonsense = 0.0, q.STATEMENT_NONSENSE_SHARE
        if said.is_compass:
            wide, nonsense = q.COMPASS_DISTURBED_SHARE, q.COMPASS_NONSENSE_SHARE
        wide, nonsense = (1.0 - said.placeholder_share) * wide, max(nonsense, said.placeholder_share)
        own_sigma = float(np.hypot(said.sigma_rad, grain_rad))
        wide_sigma = float(np.hypot(q.COMPASS_DISTURBED_RAD, grain_rad))
        own = (1.0 - wide - nonsense) * bell(off, own_sigma)
        disturbed = wide * bell(off, wide_sigma) if wide else np.zeros(np.shape(off))
        density = nonsense + own + disturbed
        cost = cost - np.log(density)
        precision = precision + (own / own_sigma**2 + disturbed / wide_sigma**2) / density
    return cost, precision


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


def size_residuals(problem: NamingProblem, places: ExpectedPlaces) -> tuple[Array, Array]:
    """ln of height and of width as seen, over those of each antenna: two (H, n, m)."""
    o = problem.observed
    ln_slant = np.log(places.slant_m)[:, None, :]
    expected = problem.mount.ln_size[:, 1] + np.log(places.distance_m)[:, None, :] - 2.0 * ln_slant
    return o.ln_height[:, None] - expected, o.ln_extent[:, None] - (problem.ln_shown - ln_slant)


def _none_costs(problem: NamingProblem, tall: Array, wide: Array) -> Array:
    """Cost (H, n) of candidates being none of the register's by their sizes, relative to `false_cost`.

    tall, wide (H, n, m): as of `size_residuals`. Panels that the register lacks are often like those that it lists:
    then a size that fits a row proves nothing.
    """
    if not problem.unlisted:
        return np.zeros(tall.shape[:2])
    fit = -0.5 * ((tall / problem.tall_sigma) ** 2 + (wide / problem.ln_shown_sigma) ** 2)
    density = np.exp(fit - ln_normal(problem.tall_sigma) - ln_normal(problem.ln_shown_sigma)).mean(-1)
    density = q.UNLISTED_MORE * q.UNLISTED_LIKE_LISTED_SHARE * density / np.prod(q.UNLISTED_REGION_M)
    return -np.asarray(np.log1p(density * np.exp(problem.false_cost)))


def pair_costs(problem: NamingProblem, h: Hypotheses, places: ExpectedPlaces) -> tuple[Array, Array]:
    """Cost (H, n, m) of each candidate being each antenna, relative to none of them, that one missed.

    And the cost (H, n) of its being none of them, relative to `false_cost`.
    """
    o = problem.observed
    tall, wide = size_residuals(problem, places)
    cost = ln_normal(problem.tall_sigma) + ln_normal(problem.ln_shown_sigma) - problem.false_cost[:, None]
    cost = cost + _robust(tall / problem.tall_sigma) + _robust(wide / problem.ln_shown_sigma)
    across = places.across + h.shift[:, None] + np.outer(h.beside, problem.mount.axis_sigma_m > 0.0)
    for seen, at, sigma_m in (
        (o.across, across, places.across_sigma_m),
        (o.over, places.over + h.over[:, None], places.over_sigma_m),
    ):
        r = (seen[:, None] - at[:, None, :]) * (places.distance_m / sigma_m)[:, None, :]
        cost += _robust(r) + ln_normal(sigma_m)[:, None, :]
    cost += problem.facing[h.toward]
    _, inside = pixels(o, places, h.shift, h.over)
    hidden = hidden_share(problem, h.toward, places).max(-1, initial=0.0)
    p = _found_probability(problem, h.toward, hidden, inside)
    cost += (np.log(1.0 - p) - np.log(p))[:, None, :]
    none = _none_costs(problem, tall, wide)
    return cost - none[..., None], none


def slopes(o: ObservedPanels) -> tuple[float, float]:
    """How ln of a body's height and of its width as seen change with ln of its level distance d.

    At a given elevation both go as 1/d; at a given rise z a plumb body's height goes as d / (d^2 + z^2), its width as
    (d^2 + z^2)^-0.5.
    """
    if o.rise_follows:
        return -1.0, -1.0
    steep = abs(o.rise_m) / o.distance_m
    return (steep**2 - 1.0) / (steep**2 + 1.0), -1.0 / (steep**2 + 1.0)


def total_cost(problem: NamingProblem, h: Hypotheses, places: ExpectedPlaces, names: Array, sums: Array) -> Array:
    """Cost (H,) of hypotheses with names (H, n) whose pairs cost sums (H,).

    What was fitted to the named ones - shifts, distance - is integrated over, by Laplace's method (D. J. C. MacKay,
    Bayesian interpolation, Neural Computation 4 (1992) 415, from memory): a place that could have been fitted wherever
    it lay proves nothing. Where none is named nothing was fitted.
    """
    o = problem.observed
    has = names >= 0
    i, j = np.broadcast_to(np.arange(names.shape[1]), names.shape), np.maximum(names, 0)

    def of(x: Array) -> Array:
        return np.asarray(np.take_along_axis(x, j, 1))

    def information(r: Array, sigma: Array) -> Array:
        """Of residuals (H, n), each with its sigma, about what shifts them all alike; gross ones tell less."""
        return np.asarray(has / sigma**2 / (1.0 + (r / sigma / GROSS) ** 2))

    distance = of(places.distance_m)
    others = has & (problem.mount.axis_sigma_m[j] > 0.0)
    across = o.across - of(places.across) - h.shift[:, None] - others * h.beside[:, None]
    across_info = information(across, of(places.across_sigma_m) / distance)
    over_info = information(o.over - of(places.over) - h.over[:, None], of(places.over_sigma_m) / distance)
    tall, wide = (np.take_along_axis(x, j[..., None], 2)[..., 0] for x in size_residuals(problem, places))
    slope, wide_slope = slopes(o)
    scale_info = information(tall, problem.tall_sigma[i, j]) * slope**2
    scale_info += information(wide, problem.ln_shown_sigma[i, j]) * wide_slope**2
    # of each that was fitted: its cost by what is known beforehand, and how much room it had
    beside_sigma = max(problem.mount.axis_sigma_m.max(initial=0.0), 0.1) / o.distance_m
    known, precision = heading_cost(problem, h.toward, h.shift, GRID_SIGMA_RAD)
    room = 0.5 * np.log(2.0 * np.pi * (across_info.sum(-1) + precision + 1.0))
    for value, info, sigma in (
        (h.over, over_info, problem.over_sigma),
        (h.ln_scale, scale_info, o.ln_sigma),
        (h.beside, others * across_info, beside_sigma),
    ):
        known = known + 0.5 * (value / sigma) ** 2
        room = room + 0.5 * np.log1p(info.sum(-1) * sigma**2)
    return np.asarray(problem.toward_cost[h.toward] + TRUSTED * sums + has.any(-1) * (known + TRUSTED * room))
