"""Is an azimuth within its tolerance, when it is known with an uncertainty only? After JCGM 106:2012."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from photoaz.angles import Array, wrap_deg
from photoaz.priors import Spread
from photoaz.quantities import DECISION_RISK, K95, LEAST_EDGE_FOUND, NOT_MEASURED_U95_DEG
from photoaz.result import AntennaResult, Decision

Limits = tuple[float, float]
#: how antennas hang in general: parts about the design
Known = tuple[Spread, ...]

#: a normal density as wide as that is flat round the circle, to 1e-8; one as high as a flat one is, to a tenth of it
_FLAT_DEG = 360.0
_ANYWHERE_DEG = 360.0 / math.sqrt(2.0 * math.pi)
#: parts less probable than exp(-this) beside the best are left out
_NEGLIGIBLE = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A normal part of what is known of an azimuth's deviation from its design [deg]; probability: its weight."""

    deviation_deg: float
    sigma_deg: float
    probability: float = 1.0


def _upper_tail(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def probability_out(deviation_deg: float, sigma_deg: float, tolerance_deg: float) -> float:
    """Probability that the true deviation lies outside +-tolerance, given an estimate of it.

    Normal, wrapped round the circle (a deviation of 170 with a sigma of 90 degrees may well be -10).

    Parameters
    ----------
    deviation_deg : estimated deviation. sigma_deg : its standard uncertainty, 0 or more. tolerance_deg : above 0.

    Raises
    ------
    ValueError : a negative sigma, a tolerance that is none.

    References
    ----------
    JCGM 106:2012, 7.4 (two-sided tolerance interval).
    """
    if not (sigma_deg >= 0.0 and tolerance_deg > 0.0):
        raise ValueError("sigma must not be negative and the tolerance must be above 0")
    d = wrap_deg(float(deviation_deg))
    if tolerance_deg >= 180.0:
        return 0.0
    if sigma_deg == 0.0:
        return float(abs(d) > tolerance_deg)
    # Outside = the arc from +T round to -T, summed over the turns that sigma can reach; tails, so that a probability of
    # 1e-12 is not lost beside 1
    turns = 1 + math.ceil(8.0 * sigma_deg / 360.0)
    out = 0.0
    for k in range(-turns, turns):
        low = (tolerance_deg + 360.0 * k - d) / sigma_deg
        high = (360.0 * (k + 1) - tolerance_deg - d) / sigma_deg
        if low < 0.0 and high <= 0.0:
            low, high = -high, -low
        out += _upper_tail(low) - _upper_tail(high)
    return min(1.0, max(0.0, out))


def decide(p_out: float, risk: float = DECISION_RISK) -> Decision:
    """accept where the probability of being out is at most `risk`, reject where that of being in is, else undecided."""
    if not (0.0 <= p_out <= 1.0 and 0.0 < risk < 0.5):
        raise ValueError("p_out must lie in [0, 1] and risk in (0, 0.5)")
    if p_out <= risk:
        return "accept"
    return "reject" if 1.0 - p_out <= risk else "undecided"


# ---- with what is known of antennas in general -----------------------------------------------------------------------


def p_out(parts: Sequence[Part], tolerance_deg: float) -> float:
    """Probability that a deviation lies outside +-tolerance; parts : of all that is known of it, weights to 1."""
    return min(1.0, sum(x.probability * probability_out(x.deviation_deg, x.sigma_deg, tolerance_deg) for x in parts))


def with_known(parts: Sequence[Part], known: Known) -> tuple[Part, ...]:
    """What was measured of a deviation, weighed with what is known of deviations in general: Bayes' theorem.

    Both are mixtures of normal distributions wrapped round the circle, and so is their product: of two normal parts a
    normal one with the weight of the one's value under both together, JCGM 106:2012, A.4.4 (normal prior and
    measurement), for each whole turn between them that matters. A known part 'anywhere' leaves a measured one as it is.

    Parameters
    ----------
    parts : measured, weights to 1. known : about 0, see `Priors.deviations`; with none the parts come back.

    Returns
    -------
    The parts with weights to 1; those of next to no weight are left out.
    """
    if not known:
        return tuple(parts)
    found: list[tuple[float, Part]] = []
    for x in parts:
        if x.probability <= 0.0:
            continue
        deviation, measured = wrap_deg(x.deviation_deg), min(x.sigma_deg, _FLAT_DEG)
        for share, spread in known:
            if not math.isfinite(spread):
                found.append((math.log(x.probability * share / 360.0), x))
                continue
            both2 = measured**2 + spread**2
            turns = math.ceil(8.0 * math.sqrt(both2) / 360.0)
            for k in range(-turns, turns + 1):
                at = deviation + 360.0 * k
                log = math.log(x.probability * share) - 0.5 * (at**2 / both2 + math.log(2.0 * math.pi * both2))
                part = Part(deviation_deg=at * spread**2 / both2, sigma_deg=measured * spread / math.sqrt(both2))
                found.append((log, part))
    top = max(log for log, _ in found)
    kept = [(math.exp(log - top), x) for log, x in found if log > top - _NEGLIGIBLE]
    total = sum(w for w, _ in kept)
    return tuple(replace(x, probability=w / total) for w, x in kept)


def known_parts(known: Known) -> tuple[Part, ...]:
    """What is known of an antenna that nobody has measured; 'anywhere' as wide as a normal part needs to be."""
    return tuple(Part(deviation_deg=0.0, sigma_deg=min(s, _ANYWHERE_DEG), probability=share) for share, s in known)


def decision_of(
    photos: Sequence[Part],
    everything: Sequence[Part],
    tolerance_deg: float,
    risk: float = DECISION_RISK,
    without: Sequence[tuple[Sequence[Part], Sequence[Part]]] = (),
) -> Decision:
    """What is decided of a deviation.

    Parameters
    ----------
    photos : what is believed of it by the photos alone. everything : with what is known of antennas in general, and
        with readings. tolerance_deg : of it. risk : of deciding wrongly, either way. without : the first two without
        each of the views, where these contradict each other.

    Returns
    -------
    Decision : it follows everything that is known, and the photos must speak. To accept, a deviation of twice the
    tolerance and more must be improbable (no more than the risk) by them alone; to reject, one out of tolerance
    probable. Nothing is decided where without one view the opposite would be, be it at twice the risk.
    """
    decided = decide(p_out(everything, tolerance_deg), risk)
    if decided == "accept" and p_out(photos, 2.0 * tolerance_deg) > risk:
        return "undecided"
    if decided == "reject" and p_out(photos, tolerance_deg) < 0.5:
        return "undecided"
    if decided != "undecided" and any(
        decision_of(*fewer, tolerance_deg, min(2.0 * risk, 0.4)) not in (decided, "undecided") for fewer in without
    ):
        return "undecided"
    return decided


def _decision_of_one(
    deviation_deg: float, sigma_deg: float, tolerance_deg: float, risk: float, known: Known
) -> Decision:
    """Of a deviation measured with a normal error, readings aside."""
    photos = [Part(deviation_deg=deviation_deg, sigma_deg=sigma_deg)]
    return decision_of(photos, with_known(photos, known), tolerance_deg, risk)


@lru_cache(maxsize=1024)
def decision_limits_deg(
    sigma_deg: float, tolerance_deg: float, risk: float = DECISION_RISK, known: Known = ()
) -> tuple[float | None, float | None]:
    """The largest deviation [deg] that is accepted, and the smallest that is rejected; None where there is none."""

    def decided(deviation_deg: float) -> Decision:
        return _decision_of_one(deviation_deg, sigma_deg, tolerance_deg, risk, known)

    if tolerance_deg >= 180.0:
        return 180.0, None
    accepted = rejected = None
    if decided(0.0) == "accept":
        accepted = _last(lambda d: decided(d) == "accept", 0.0, min(2.0 * tolerance_deg, 180.0), 1e-9)
    if decided(180.0) == "reject":
        rejected = _last(lambda d: decided(d) != "reject", 0.0, 180.0, 1e-9)
    return accepted, rejected


def _last(holds: Callable[[float], bool], low: float, high: float, within: float) -> float:
    """Where something ceases that holds at `low` and not at `high`, by halving."""
    while high - low > within:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def deciding_u95_deg(
    deviation_deg: float, u95_deg: float, tolerance_deg: float, risk: float = DECISION_RISK, known: Known = ()
) -> float | None:
    """The largest U95 at which a deviation that is undecided would be decided; None where hardly any would do."""

    def decided(u95: float) -> bool:
        return _decision_of_one(deviation_deg, u95 / K95, tolerance_deg, risk, known) != "undecided"

    return _last(decided, 0.1, u95_deg, 1e-3) if decided(0.1) else None


def not_measured(found: AntennaResult) -> bool:
    """Whether an azimuth is so wide that nothing is decided by it."""
    return found.u95_deg is not None and found.u95_deg >= NOT_MEASURED_U95_DEG


def least_found(found: AntennaResult) -> float | None:
    """Share of the edge found of the best outline that an azimuth rests on, where that is too little to decide by.

    None where it is enough, or nobody knows the outlines. One that is more likely another thing's is none to rest on.
    """
    views = [v for v in found.evidence if v.p_right is None or v.p_right >= 0.5] or list(found.evidence)
    best = max((v.quality for v in views), default=1.0)
    return best if best < LEAST_EDGE_FOUND else None


# ---- risks before anything is measured -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Risks:
    """Of all items measured alike: out_of_tolerance, the part out of it; consumer, that accepted although out;
    producer, that rejected although in. The global risks of JCGM 106:2012, 9.5; the specific ones, of one measured
    item, are its probability of being out if it is accepted, and of being in if it is rejected (9.3).
    """

    out_of_tolerance: float
    consumer: float
    producer: float


def global_risks(
    density: Callable[[Array], Array],
    support: Limits,
    sigma: float,
    tolerance: Limits,
    accepted: Limits | None,
    rejected: Limits | None = None,
) -> Risks:
    """Consumer's and producer's risk of a measurement with a decision rule, over all that is measured with it.

    Parameters
    ----------
    density : of the true values, (N,) to (N,), of integral 1 over `support`. sigma : standard uncertainty of the
        measurement, normal, above 0. tolerance : lower and upper limit of the true value. accepted : measured values
        between these are accepted, None where none is. rejected : those outside these are rejected; by default all
        that are not accepted, else what lies between is undecided.

    Raises
    ------
    ValueError : a sigma that is none.

    References
    ----------
    JCGM 106:2012, 9.5 (global consumer's and producer's risk).
    """
    if not sigma > 0.0:
        raise ValueError("sigma must be above 0")
    from scipy.special import ndtr

    low, high = support
    bounds = [b for b in (*tolerance, *(accepted or ()), *(rejected or ())) if low < b < high]
    near = [b + k * sigma for b in bounds for k in (-6.0, -3.0, -1.5, 0.0, 1.5, 3.0, 6.0)]
    edges = np.unique(np.clip([*np.linspace(low, high, 129), *near], low, high))
    nodes, weights = np.polynomial.legendre.leggauss(12)
    half = 0.5 * np.diff(edges)
    x = (edges[:-1] + half)[:, None] + half[:, None] * nodes
    mass = density(x) * half[:, None] * weights

    def between(limits: Limits) -> Array:
        return np.asarray(ndtr((limits[1] - x) / sigma) - ndtr((limits[0] - x) / sigma))

    accepts = np.zeros(x.shape) if accepted is None else between(accepted)
    outer = rejected or accepted
    rejects = np.ones(x.shape) if outer is None else 1.0 - between(outer)
    inside = (x >= tolerance[0]) & (x <= tolerance[1])
    return Risks(
        out_of_tolerance=float(mass[~inside].sum()),
        consumer=float((mass * accepts)[~inside].sum()),
        producer=float((mass * rejects)[inside].sum()),
    )


def hung_density(deviation_deg: Array, known: Known, variance_deg2: float = 0.0) -> Array:
    """Density [1/deg] of antennas' deviations from their design, measured with a variance."""
    out: Array = np.zeros(np.shape(deviation_deg))
    for share, sigma in known:
        variance = sigma**2 + variance_deg2
        normal = np.exp(-0.5 * np.square(deviation_deg) / variance) / math.sqrt(2.0 * math.pi * variance)
        out = out + share * (normal if math.isfinite(sigma) else 1.0 / 360.0)
    return out


@lru_cache(maxsize=1024)
def risks_of(sigma_deg: float, tolerance_deg: float, risk: float, known: Known) -> Risks | None:
    """Global risks of deciding on antennas' azimuths measured with a standard uncertainty, as `decision_of` does.

    None where the tolerance leaves nothing to decide, or the measurement tells nothing (a sigma of 60 degrees or more).
    """
    if not (0.0 < sigma_deg < 60.0 and tolerance_deg < 90.0):
        return None
    accepted, rejected = decision_limits_deg(sigma_deg, tolerance_deg, risk, known)
    beyond = math.inf if rejected is None else rejected
    return global_risks(
        lambda d: hung_density(d, known),
        (-180.0, 180.0),
        sigma_deg,
        (-tolerance_deg, tolerance_deg),
        None if accepted is None else (-accepted, accepted),
        (-beyond, beyond),
    )
