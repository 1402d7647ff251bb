"""What is expected to be lost by an antenna left as it is, by a record that is wrong, and once evidence is there.

What a photo is worth is the expected value of sample information (H. Raiffa, R. Schlaifer, Applied Statistical Decision
Theory, 1961, ch. 4 and 5): over all that it may show, by its forecast uncertainty, the best decision is made with what
is then known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from photoaz.angles import Array, difference_deg
from photoaz.judgement.conformity import Part
from photoaz.judgement.costs import Costs
from photoaz.judgement.impact import BEAMWIDTH_3DB_DEG, FLOOR_DEG, FRONT_TO_BACK_DB, SECTOR_WIDTH_DEG
from photoaz.result import LikelyCause

_HALF = 0.5 * SECTOR_WIDTH_DEG
#: nodes of the quadratures, in standard uncertainties
_NODES = np.linspace(-5.0, 5.0, 401)
_WEIGHTS = np.exp(-0.5 * _NODES**2) / np.exp(-0.5 * _NODES**2).sum()
#: farther from a piece than so many standard uncertainties nothing of a deviation lies in it, to 1e-18
_REACH = 9.0


def _pieces(tolerance_deg: float) -> list[tuple[float, float, tuple[float, float, float]]]:
    """From where to where outside the tolerance the worst loss is which polynomial of the deviation [dB]."""
    k = 12.0 / BEAMWIDTH_3DB_DEG**2
    edge_floor = FRONT_TO_BACK_DB - k * _HALF**2
    meet = math.sqrt(edge_floor / k)  # boresight loses as much as the edge at its floor
    limits = [0.0, FLOOR_DEG - _HALF, meet, FLOOR_DEG, 180.0]
    # at the edge and there at its floor; at boresight and there at its floor
    of = [(0.0, 2.0 * _HALF * k, k), (edge_floor, 0.0, 0.0), (0.0, 0.0, k), (FRONT_TO_BACK_DB, 0.0, 0.0)]
    pieces = [(max(a, tolerance_deg), b, p) for a, b, p in zip(limits, limits[1:], of, strict=False)]
    return [(a, b, p) for a, b, p in pieces if b > a]


def expected_loss(deviation_deg: Array, sigma_deg: Array, tolerance_deg: float, costs: Costs) -> Array:
    """Loss expected of leaving antennas as they are, deviations normal and wrapped: in closed form.

    Parameters
    ----------
    deviation_deg, sigma_deg : (n,) of each; sigma above 0. tolerance_deg : nothing is lost within it.

    Returns
    -------
    (n,) : years (wrong_azimuth_year P(out) + lost_db_year E[worst loss; out]), by truncated moments of the normal
    distribution up to the second.
    """
    from scipy.special import ndtr

    m, s = np.broadcast_arrays(*(np.asarray(v, float) for v in (deviation_deg, sigma_deg)))
    shape = m.shape
    m, s = np.asarray(difference_deg(m, 0.0), float).ravel(), s.ravel()
    turns = 1 if float(np.max(s, initial=0.0)) < 40.0 else 1 + math.ceil(8.0 * float(np.max(s)) / 360.0)
    a, b, side, whole, c0, c1, c2 = _terms(tolerance_deg, turns, costs.wrong_azimuth_year, costs.lost_db_year)
    u = side * m + whole
    term, at = np.nonzero((u > a - _REACH * s) & (u < b + _REACH * s))  # of the other turns and pieces nothing is left
    u, s = u[term, at], s[at]
    c0, c1, c2 = (c[term, 0] for c in (c0, c1, c2))
    low, high = (a[term, 0] - u) / s, (b[term, 0] - u) / s
    # tails, so that small probabilities are not lost beside 1
    sign = np.where(low > 0.0, -1.0, 1.0)
    p0 = sign * (ndtr(sign * high) - ndtr(sign * low))
    fl, fh = (np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi) for z in (low, high))
    p1 = fl - fh
    p2 = p0 + low * fl - high * fh
    each = (c0 + u * (c1 + c2 * u)) * p0 + s * ((c1 + 2.0 * c2 * u) * p1 + c2 * s * p2)
    out = np.bincount(at, each, len(m))
    return np.asarray(costs.years * np.maximum(out, 0.0)).reshape(shape)


@lru_cache(maxsize=256)
def _terms(tolerance_deg: float, turns: int, per_wrong: float, per_db: float) -> tuple[Array, ...]:
    """The terms of `expected_loss`, each (terms, 1): from, to, side, whole turns, and the loss as a polynomial.

    An even function: the piece on the other side is this one of the mirrored deviation.
    """
    rows = [
        (a, b, side, 360.0 * turn, per_wrong + per_db * c0, per_db * c1, per_db * c2)
        for a, b, (c0, c1, c2) in _pieces(tolerance_deg)
        for side in (1.0, -1.0)
        for turn in range(-turns, turns + 1)
    ]
    return tuple(np.array(column)[:, None] for column in np.array(rows, float).reshape(-1, 7).T)


_OUT_ONLY = Costs(wrong_azimuth_year=1.0, lost_db_year=0.0)


def _out(deviation_deg: Array, sigma_deg: Array, limit_deg: float) -> Array:
    """Probability of lying further off than the limit, vectorised; as `conformity.probability_out`."""
    return expected_loss(deviation_deg, sigma_deg, min(limit_deg, 180.0), _OUT_ONLY)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stake:
    """What is known of one antenna and what hangs on it.

    parts : of its deviation from the design, by photos, reading and what is known of antennas. tolerance_deg : about
        it. photo_sigma_deg : of the photos alone, which further evidence improves; None where that is what `parts` has.
        record_off_deg : the reading minus the design, where the reading is contradicted by the photos; None where it is
        not, or there is none. tilt_contradicted : so is the downtilt reading. cause : the likely one of what does not
        fit; alike : those that are not told apart, where none is likely. fixed_off_deg : the reading without that
        cause, minus the design; None where the cause does not tell. reading_sigma_deg : of the reading. turned : the
        antenna itself is likely turned, and out of tolerance.
    """

    parts: tuple[Part, ...]
    tolerance_deg: float
    photo_sigma_deg: float | None = None
    record_off_deg: float | None = None
    tilt_contradicted: bool = False
    cause: LikelyCause | None = None
    alike: tuple[LikelyCause, ...] = ()
    fixed_off_deg: float | None = None
    reading_sigma_deg: float = 1.0
    turned: bool = False

    @property
    def contradicted(self) -> bool:
        """Whether the register holds something that the photos contradict."""
        return self.record_off_deg is not None or self.tilt_contradicted

    def arrays(self) -> tuple[Array, Array, Array]:
        """Deviations, sigmas (no less than 0.001 degrees), probabilities (n,)."""
        return (
            np.array([p.deviation_deg for p in self.parts]),
            np.array([max(p.sigma_deg, 1e-3) for p in self.parts]),
            np.array([p.probability for p in self.parts]),
        )


def p_out_of(stake: Stake) -> float:
    """Probability of being out of tolerance."""
    m, s, p = stake.arrays()
    return float(p @ _out(m, s, stake.tolerance_deg))


def loss_now(stake: Stake, costs: Costs) -> float:
    """Expected loss if nothing is done: of the azimuth, and of a record that is wrong."""
    m, s, p = stake.arrays()
    return float(p @ (expected_loss(m, s, stake.tolerance_deg, costs) + _record_loss(m, s, stake, costs)))


def loss_corrected(stake: Stake, costs: Costs) -> float | None:
    """Expected loss with the register corrected from the photos (the work apart); None where nothing is to correct."""
    if not stake.contradicted:
        return None
    m, s, p = stake.arrays()
    azimuth = float(p @ expected_loss(m, s, stake.tolerance_deg, costs))
    return azimuth + float(_corrected_loss(m[None], s[None], p[None], stake, costs)[0])


def loss_fixed(stake: Stake, costs: Costs) -> float | None:
    """Expected loss once the likely cause is undone in the register, the work apart; None if it does not tell how."""
    if stake.fixed_off_deg is None or stake.record_off_deg is None:
        return None
    m, s, p = stake.arrays()
    azimuth = expected_loss(m, s, stake.tolerance_deg, costs)
    return float(p @ (azimuth + _wrong_record(m - stake.fixed_off_deg, s, stake, costs)))


def _wrong_record(off_deg: Array, s: Array, stake: Stake, costs: Costs) -> Array:
    """Loss expected of a record so far off."""
    return costs.years * costs.wrong_record_year * _out(off_deg, s, stake.tolerance_deg)


def _record_loss(m: Array, s: Array, stake: Stake, costs: Costs) -> Array:
    """Of the record as it stands; of a downtilt nothing but that it is contradicted is known here."""
    tilt = costs.years * costs.wrong_record_year * float(stake.tilt_contradicted)
    if stake.record_off_deg is None:
        return np.full(m.shape, tilt)
    return np.maximum(tilt, _wrong_record(m - stake.record_off_deg, s, stake, costs))


def _corrected_loss(m: Array, s: Array, p: Array, stake: Stake, costs: Costs) -> Array:
    """Of the record, once the best estimate (n, parts) -> (n,) is written into it; without the writing."""
    if stake.record_off_deg is None:
        return np.zeros(m.shape[:-1])
    best = np.take_along_axis(m, np.argmax(p, -1)[..., None], -1)
    return np.asarray((p * _wrong_record(m - best, s, stake, costs)).sum(-1))


@dataclass(frozen=True, slots=True)
class Preview:
    """What evidence may show (n,): how probable it is, and what is lost then if nobody climbs."""

    weight: Array
    left: Array

    def after(self, climb_cost: float) -> tuple[float, float]:
        """The loss expected, and the probability that the tower is climbed.

        Then an antenna may be left or climbed to for `climb_cost`, and a contradicted record be left or corrected; what
        that costs is in the loss.
        """
        best = np.minimum(self.left, climb_cost)  # up there the record is put right as well
        return float(self.weight @ best), float(self.weight @ (climb_cost < self.left))


def preview(stake: Stake, sigma_deg: float, costs: Costs) -> Preview:
    """What evidence of a standard uncertainty may show, the best being done with it.

    Preposterior expectation over the mixture of the parts, by quadrature over what each predicts.
    """
    m, s, p = stake.arrays()
    spread = np.hypot(s, sigma_deg)
    shown = (m[:, None] + spread[:, None] * _NODES[None, :]).ravel()  # what the evidence may show
    weight = (p[:, None] * _WEIGHTS[None, :]).ravel()
    off = np.asarray(difference_deg(shown[:, None], m[None, :]), float)  # (shown, parts)
    log = np.log(np.maximum(p, 1e-300)) - np.log(spread) - 0.5 * (off / spread) ** 2
    post_p = np.exp(log - log.max(1, keepdims=True))
    post_p /= post_p.sum(1, keepdims=True)
    post_m = m + off * (s / spread) ** 2
    post_s = np.broadcast_to(s * sigma_deg / spread, post_m.shape)
    azimuth = (post_p * expected_loss(post_m, post_s, stake.tolerance_deg, costs)).sum(1)
    left = azimuth + (post_p * _record_loss(post_m, post_s, stake, costs)).sum(1)
    if stake.contradicted:
        left = np.minimum(left, azimuth + costs.desk + _corrected_loss(post_m, post_s, post_p, stake, costs))
    return Preview(weight, left)


def evidence_sigma_deg(sigma_now_deg: float, sigma_then_deg: float) -> float:
    """Standard uncertainty of the evidence that brings one normal uncertainty to another; infinite if none does."""
    if not 0.0 < sigma_then_deg < sigma_now_deg:
        return math.inf
    return 1.0 / math.sqrt(sigma_then_deg**-2 - sigma_now_deg**-2)
