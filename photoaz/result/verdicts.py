"""What follows for readings and designs, and what is to be done."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

Decision = Literal["accept", "reject", "undecided"]
LikelyCause = Literal[
    "declination_omitted",
    "declination_sign",
    "grid_for_true",
    "reversed_180",
    "sectors_swapped",
    "digits_transposed",
    "common_offset",
    "antenna_turned",
    "reading_wrong",
]
Action = Literal["leave", "correct_register", "check_records", "desk", "photo", "read_again", "climb"]
Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """An explanation of what does not fit, the probability that it is at work, and the antennas it is about."""

    cause: LikelyCause
    probability: float
    antennas: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteCauses:
    """The explanations named for a site's readings, taken together."""

    causes: tuple[Cause, ...]
    sentence: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedReading:
    """The reading, carried to true north, beside the estimate. difference_deg: estimate minus reading.

    difference_deg, en, zeta and agrees are None where there is no estimate. u95_deg holds the declination's part as
    well; declination_u95_deg is that part, which is one error of all of a site's magnetic readings. sigma_deg: the
    reading's standard uncertainty. zeta: the difference over its standard uncertainty. shared_u95_deg: what En and zeta
    left out as common to reading and estimate (its square is the covariance). agrees: the verdict by all of the site's
    readings and photos; None also where less than half of the best outline's edge is found, which calls no single
    reading wrong. p_right: probability that the reading says where the antenna points now; p_right_photos_alone:
    the same without what is known of antennas in general, that they mostly hang as designed; no_fault: that besides the
    antenna does. corrected_deg: the reading without its likely cause, where that tells by how much it is off.
    cause_odds: of the likely cause against all else. not_told_apart: causes that the readings do not tell apart, where
    there are several. departure_deg: what is left of the reading minus the estimate off the angle that all of the
    site's have in common. read_on: its day, where the register says it.
    """

    azimuth_true_deg: float
    u95_deg: float
    difference_deg: float | None = None
    en: float | None = None
    agrees: bool | None = None
    zeta: float | None = None
    sigma_deg: float | None = None
    shared_u95_deg: float = 0.0
    declination_u95_deg: float = 0.0
    likely_cause: LikelyCause | None = None
    causes: tuple[Cause, ...] = ()
    no_fault: float | None = None
    p_right: float | None = None
    p_right_photos_alone: float | None = None
    corrected_deg: float | None = None
    cause_odds: float | None = None
    not_told_apart: tuple[LikelyCause, ...] = ()
    departure_deg: float | None = None
    departure_u95_deg: float | None = None
    read_on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedDowntilt:
    """The downtilt reading beside the estimate. difference_deg: estimate minus reading; None without an estimate."""

    downtilt_deg: float
    u95_deg: float
    difference_deg: float | None = None
    en: float | None = None
    agrees: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """The design, carried to true north, beside the estimate. deviation_deg: estimate minus design.

    None where unknown: azimuth_true_deg without a usable north, the others without an estimate (then 'undecided').
    p_out_of_tolerance: by the photos and what is known of antennas in general (the priors), which the decision follows;
    p_out_photos_alone: by the photos alone. risk: of deciding wrongly, either way. acceptance_deg, rejection_deg: the
    largest deviation that is accepted, and the smallest that is rejected; None where there is none, or where the photos
    allow several azimuths. guard_band_deg: the tolerance less acceptance_deg (JCGM 106:2012, 8.3). consumer_risk,
    producer_risk: of all antennas measured as well as this one, the part that would be accepted although out of
    tolerance, and rejected although in it; None where one such rule does not hold.
    """

    azimuth_true_deg: float | None = None
    deviation_deg: float | None = None
    tolerance_deg: float = 5.0
    p_out_of_tolerance: float | None = None
    p_out_photos_alone: float | None = None
    decision: Decision = "undecided"
    risk: float | None = None
    guard_band_deg: float | None = None
    acceptance_deg: float | None = None
    rejection_deg: float | None = None
    consumer_risk: float | None = None
    producer_risk: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """Reading and estimate together, where they agree: their weighted mean, and what it says of the design.

    weight_estimate: of the estimate, the reading has the rest. The decision that counts is the photos' own (`Design`),
    which does not lean on the reading; this one stands beside it. Both count what is known of antennas in general.
    p_out_of_tolerance is None, and the decision 'undecided', where the design is not known.
    """

    azimuth_true_deg: float
    u95_deg: float
    weight_estimate: float
    p_out_of_tolerance: float | None = None
    decision: Decision = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossover:
    """Where this antenna's pattern and that of the neighbouring sector's are equally strong. change: in dB.

    side: of this antenna, as seen from above. neighbour_estimated: the neighbour's azimuth is estimated; else its
    design is taken, without uncertainty. designed_deg, azimuth_true_deg: the direction as designed and now. shift_deg:
    now minus designed, clockwise positive, and its U95. change: of both gains there, now minus designed (positive: more
    overlap; negative: a hole), with the 95 % interval. effect: 'overlap', 'hole' or 'as designed'; 'open' where the
    interval allows more than one.
    """

    side: str
    sector: str | None
    neighbour_id: str
    neighbour_estimated: bool
    designed_deg: float
    azimuth_true_deg: float
    shift_deg: float
    shift_u95_deg: float
    change: float
    change_interval: Interval
    effect: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Impact:
    """Change of gain in dB (negative = loss) by pointing elsewhere than designed.

    boresight: in the design direction. edge: at that edge of the sector which loses more; clockwise_edge and
    anticlockwise_edge: at each edge, seen from above. The intervals hold 95 % of what the azimuth's uncertainty
    allows, None where it was not given. crossovers: with the neighbouring sectors, where there are any.
    """

    boresight: float
    edge: float
    clockwise_edge: float = 0.0
    anticlockwise_edge: float = 0.0
    boresight_interval: Interval | None = None
    clockwise_edge_interval: Interval | None = None
    anticlockwise_edge_interval: Interval | None = None
    crossovers: tuple[Crossover, ...] = ()
    basis: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """One antenna's reading minus estimate (difference_deg), and what is left of it off the common angle.

    w: the shift of its own against all others in the common angle, over its standard uncertainty; a standard normal
    deviate where the antenna is like the others. left_out: it stands apart and has no part in the common angle.
    departure_deg, u95_deg, w are None where there are too few antennas to separate the two.
    """

    antenna_id: str
    difference_deg: float
    departure_deg: float | None
    u95_deg: float | None
    w: float | None
    left_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonMode:
    """The angle by which a site's readings lie clockwise of its estimates, all together.

    n: the antennas that it rests on. chi2, dof, p: how well those agree with one angle (p None where dof is 0).
    consistent: p is not below 0.05; where it is, u95_deg is widened by sqrt(chi2 / dof) (Birge ratio). separable: there
    were enough antennas to tell common from own. left_out: the antennas that stand apart.
    """

    angle_deg: float
    u95_deg: float
    n: int
    chi2: float
    dof: int
    p: float | None
    consistent: bool
    separable: bool
    left_out: tuple[str, ...]
    sentence: str
    departures: tuple[Departure, ...] = ()


# ---- what to do ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """Where somebody stands or goes: in words, and on the map where that is known."""

    words: str | None = None
    lat_deg: float | None = None
    lon_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisitItem:
    """What to do about one antenna; rank 1 comes first.

    expected_loss_now: if nothing is done. expected_loss_after: after the action, with all that it may call for. cost:
    of the action, with its part of the visit and the climb, by what each antenna gains. loss_avoided: now less after
    less cost. reasons: why it is on the list. bring: what to take along. u95_then_deg: the azimuth's, after a photo.
    figures: the losses in words.
    """

    antenna_id: str
    action: Action
    instruction: str
    reasons: tuple[str, ...]
    expected_loss_now: float
    expected_loss_after: float
    cost: float
    loss_avoided: float
    figures: str
    rank: int = 1
    bring: str | None = None
    where: Where = Where()
    u95_then_deg: float | None = None
    p_out_of_tolerance: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Revisit:
    """What to do about a site: its antennas that something is to be done about, the most loss avoided first.

    trip: whether somebody goes there, once. The figures are sums over the antennas, in the costs' unit.
    """

    sentence: str
    trip: bool = False
    expected_loss_now: float = 0.0
    expected_loss_after: float = 0.0
    cost: float = 0.0
    loss_avoided: float = 0.0
    unit: str = "units"
    antennas: tuple[RevisitItem, ...] = ()
