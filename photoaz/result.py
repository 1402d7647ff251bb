"""A site's result: one frozen record, from which the JSON document is derived and into which it is read back.

Field names are the JSON names; where JSON wants a word that Python reserves, the field has an underscore behind it.
Figures keep their full precision here. In the document they are rounded by their names (`_plain`): degrees, decibels
and metres to what a reader can use, probabilities to four significant digits. What is not known is None.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date, datetime
from functools import cache
from typing import Any, Literal, TypeVar, get_args, get_origin, overload

from photoaz import __version__

SCHEMA = "photoaz/estimates/1"

View = Literal["face", "oblique", "profile", "rear"]
Status = Literal["estimated", "ambiguous", "not_found", "not_visible"]
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
Pair = tuple[float, float]
Interval = tuple[float, float]

# ---- what the photos show --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetShare:
    """One source's part of an azimuth's variance: share in [0, 1] (they sum to 1), u95_deg of that source alone."""

    source: str
    share: float
    u95_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """Another azimuth the same evidence allows."""

    azimuth_true_deg: float
    u95_deg: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceView:
    """How one photo shows one antenna, after the fit.

    corners_px: the front face's corners of the ideal box, (x, y) pixels of the image as shown, in the order upper left,
    upper right, lower right, lower left as seen by somebody looking at the front. outline_px: the fitted outline, a
    closed polygon. inner_px: the visible inner edges, each a pair of points. width_px: across the box as seen.
    yaw_deg: the face's normal off the line of sight in plan, clockwise seen from above positive (0 = face-on).
    quality: fraction of the outline that found its edge, [0, 1]. from_pick: a person said which antenna it is;
    name_probability: of its being this antenna where the pattern of all panels said so.
    """

    photo: str
    view: View
    corners_px: tuple[Pair, ...]
    width_px: float
    yaw_deg: float
    quality: float
    outline_px: tuple[Pair, ...] = ()
    inner_px: tuple[tuple[Pair, Pair], ...] = ()
    from_pick: bool = False
    name_probability: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingView:
    """A photo in which an antenna was not seen: why, and where it was looked for.

    status: 'not_visible' where it cannot show there, 'not_found' where it should. pixel, radius_px, size_px (width,
    height): where its middle was expected, how far off that may be, and how large; None where nothing told.
    """

    photo: str
    status: Literal["not_found", "not_visible"]
    reason: str
    pixel: Pair | None = None
    radius_px: float | None = None
    size_px: Pair | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedPanel:
    """A panel found in a photo: its outline's corners (8 pairs), what it was taken for and why.

    antenna_id: None where it is none of the register's, or nobody can tell which.
    """

    corners_px: tuple[Pair, ...]
    probability: float
    front: bool
    antenna_id: str | None
    name_probability: float | None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoResult:
    """One photo's part in the adjustment: its attitude and standpoint after it (None where rejected).

    taken: the day of the photo, UTC where its zone is known, else as the camera's clock had it. panels: what was found
    in it; window_px: the part of the frame (x0, y0, x1, y1) that was looked at. overlay: path of the picture that shows
    it, below an audit's folder of results.
    """

    photo: str
    status: Literal["used", "rejected"]
    reason: str | None = None
    heading_true_deg: float | None = None
    heading_u95_deg: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None
    lat_deg: float | None = None
    lon_deg: float | None = None
    taken: date | None = None
    flags: tuple[str, ...] = ()
    window_px: tuple[float, float, float, float] | None = None
    panels: tuple[NamedPanel, ...] = ()
    overlay: str | None = None


# ---- what to bring, and what to do -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceOption:
    """One kind of further evidence, and the U95 that the network forecasts with it.

    bring: what, in words. photo: the one it is to be found in, where it is one of those there. needs_trip: somebody
    must go to the site for it. distance_m, bearing_deg: of a photo to come, from the tower, where to stand.
    """

    kind: str
    bring: str
    photo: str | None
    needs_trip: bool
    u95_then_deg: float
    distance_m: float | None = None
    bearing_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NextEvidence:
    """What limits a figure and what to bring next, by the network's own forecast.

    limit: the budget's largest source. bring, kind, photo, needs_trip, u95_then_deg: as of `EvidenceOption`, of what
    helps most for the least trouble; None where nothing would help noticeably. options: the best of each kind.
    For a site, u95_now_deg and u95_then_deg are medians over its antennas.
    """

    limit: str
    u95_now_deg: float
    sentence: str
    bring: str | None = None
    kind: str | None = None
    photo: str | None = None
    needs_trip: bool | None = None
    u95_then_deg: float | None = None
    options: tuple[EvidenceOption, ...] = ()


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


# ---- readings and designs --------------------------------------------------------------------------------------------


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
class Reading:
    """The reading, carried to true north, beside the estimate. difference_deg: estimate minus reading.

    difference_deg, en, zeta and agrees are None where there is no estimate. u95_deg holds the declination's part as
    well; declination_u95_deg is that part, which is one error of all of a site's magnetic readings. sigma_deg: the
    reading's standard uncertainty. zeta: the difference over its standard uncertainty. shared_u95_deg: what En and zeta
    left out as common to reading and estimate (its square is the covariance). agrees: the verdict by all of the site's
    readings and photos. p_right: probability that the reading says where the antenna points now; no_fault: that besides
    the antenna hangs as designed. corrected_deg: the reading without its likely cause, where that tells by how much it
    is off. cause_odds: of the likely cause against all else. not_told_apart: causes that the readings do not tell
    apart, where there are several. departure_deg: what is left of the reading minus the estimate off the angle that all
    of the site's have in common.
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
    corrected_deg: float | None = None
    cause_odds: float | None = None
    not_told_apart: tuple[LikelyCause, ...] = ()
    departure_deg: float | None = None
    departure_u95_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DowntiltReading:
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
    risk: of deciding wrongly, either way. guard_band_deg: how far inside one limit an estimate must lie at that risk.
    acceptance_deg: the largest deviation that is accepted, None where not even 0 is, or where the photos allow several
    azimuths. consumer_risk, producer_risk: of all antennas measured as well as this one, the part that would be
    accepted although out of tolerance, and rejected although in it; None where one such rule does not hold.
    """

    azimuth_true_deg: float | None = None
    deviation_deg: float | None = None
    tolerance_deg: float = 5.0
    p_out_of_tolerance: float | None = None
    decision: Decision = "undecided"
    risk: float | None = None
    guard_band_deg: float | None = None
    acceptance_deg: float | None = None
    consumer_risk: float | None = None
    producer_risk: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """Reading and estimate together, where they agree: their weighted mean, and what it says of the design.

    weight_estimate: of the estimate, the reading has the rest. The decision that counts is the photos' own (`Design`),
    which does not lean on the reading; this one stands beside it. p_out_of_tolerance is None, and the decision
    'undecided', where the design is not known.
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


# ---- the antenna, the site -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskDecision:
    """What a person decided about an antenna, who and when (ISO 8601)."""

    verdict: str
    note: str = ""
    who: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AntennaResult:
    """One antenna's answer. The figures are None unless status is 'estimated' or 'ambiguous'.

    sigma_deg: the azimuth's standard uncertainty, of all that u95_deg allows for; u95_deg over it is the coverage
    factor, which is 1.96 only where one normal distribution does. effective_dof: its effective degrees of freedom, None
    where nothing of it was estimated from a few values. declination_sigma_deg: what one standard uncertainty of the
    declination model turns the azimuth by, clockwise positive where the declination is too large; it is in the budget.
    own_u95_deg: where there are alternatives, the U95 of azimuth_true_deg if it is the true one; u95_deg is widened so
    that it covers them too. None without any.

    remarks: what is said of the measurement itself; reasons: that and what was concluded. revisit: something is to be
    done about it. sheet: path of its second-opinion sheet, below an audit's folder of results. register_extra: columns
    of the register that photoaz does not know.
    """

    antenna_id: str
    status: Status
    sector: str | None = None
    position: int | None = None
    azimuth_true_deg: float | None = None
    u95_deg: float | None = None
    sigma_deg: float | None = None
    effective_dof: float | None = None
    declination_sigma_deg: float = 0.0
    own_u95_deg: float | None = None
    downtilt_deg: float | None = None
    downtilt_u95_deg: float | None = None
    roll_deg: float | None = None
    roll_u95_deg: float | None = None
    alternatives: tuple[Alternative, ...] = ()
    evidence: tuple[EvidenceView, ...] = ()
    missing: tuple[MissingView, ...] = ()
    next_evidence: NextEvidence | None = None
    budget: tuple[BudgetShare, ...] = ()
    downtilt_reading: DowntiltReading | None = None
    reading: Reading | None = None
    design: Design = Design()
    combined: Combined | None = None
    revisit: bool = False
    remarks: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    impact_db: Impact | None = None
    register_extra: Mapping[str, str] = field(default_factory=dict)
    sheet: str | None = None
    decision: DeskDecision | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AzimuthCovariance:
    """Joint covariance of a site's azimuths, a row and a column for each of antenna_ids.

    Its diagonal is the square of the reported u95 over the coverage factor.
    """

    antenna_ids: tuple[str, ...] = ()
    deg2: tuple[tuple[float, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitAzimuth:
    """An antenna at one visit. reading_date: of the reading in force then."""

    antenna_id: str
    azimuth_true_deg: float
    u95_deg: float | None
    reading_date: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitResult:
    """Photos taken about the same time, and what they say by themselves. Days are None where the photos do not say."""

    from_: date | None
    to: date | None
    photos: tuple[str, ...]
    antennas: tuple[VisitAzimuth, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One antenna between two visits.

    change_deg: clockwise positive, of its own against the other antennas where there were enough of them to tell that
    from what all have in common (`own`), else altogether. en: |change| over its U95 (ISO 13528's, against none). p: of
    such a change by chance, two-sided. turned: beyond what is to be expected by chance (two-sided 0.1 %).
    """

    antenna_id: str
    from_: date
    to: date
    change_deg: float
    u95_deg: float
    en: float
    p: float
    own: bool
    turned: bool
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFlag:
    """What an audit found about a photo's file."""

    photo: str
    code: str
    severity: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditNotes:
    """Of a site in an audit: how many photos it has, how many were used, what is to be said of their files."""

    photos: int
    used: int
    flags: tuple[FileFlag, ...] = ()


_R = TypeVar("_R")


class ById(tuple[_R, ...]):
    """Records in order, by number as in any tuple, or by the text that names them: `antennas["A1"]`, `"A1" in ...`."""

    __slots__ = ()

    @overload  # type: ignore[override]
    def __getitem__(self, key: str) -> _R: ...
    @overload
    def __getitem__(self, key: int) -> _R: ...
    @overload
    def __getitem__(self, key: slice) -> tuple[_R, ...]: ...
    def __getitem__(self, key: str | int | slice) -> _R | tuple[_R, ...]:
        if isinstance(key, str):
            found = self.get(key)
            if found is None:
                raise KeyError(f"{key}: not one of {', '.join(self.keys())}")
            return found
        return super().__getitem__(key)

    def __contains__(self, key: object) -> bool:
        return self.get(key) is not None if isinstance(key, str) else super().__contains__(key)

    def get(self, name: str) -> _R | None:
        """The record of that name, or None."""
        return next((r for r in self if _name_of(r) == name), None)

    def keys(self) -> tuple[str, ...]:
        """The names, in order."""
        return tuple(_name_of(r) for r in self)


def _name_of(record: Any) -> str:
    name: str = record.antenna_id if hasattr(record, "antenna_id") else record.photo
    return name


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteResult:
    """A whole site: what the photos say, and what follows for its readings, its designs, and for what to do next.

    declination_deg: at the site on the photos' date, east positive. common_mode, causes: of the site's readings
    together. weak_points: what could be wrong without any test noticing, in sentences, the worst first. visits: each
    where there are several; turns: between visits that follow one another. audit: None outside of one.

    Examples
    --------
    >>> from photoaz.result import AntennaResult, SiteResult
    >>> antenna = AntennaResult(antenna_id="A1", status="estimated", azimuth_true_deg=43.218, u95_deg=2.04)
    >>> site = SiteResult(site_id="HNT-204", lat_deg=52.1, lon_deg=5.2, antennas=ById([antenna]))
    >>> site.antennas["A1"].azimuth_true_deg
    43.218
    >>> SiteResult.from_json(site.to_json()) == site
    True
    """

    site_id: str
    lat_deg: float
    lon_deg: float
    declination_deg: float | None = None
    declination_u95_deg: float | None = None
    common_mode: CommonMode | None = None
    causes: SiteCauses | None = None
    next_evidence: NextEvidence | None = None
    weak_points: tuple[str, ...] = ()
    revisit: Revisit | None = None
    azimuth_covariance: AzimuthCovariance | None = None
    photos: ById[PhotoResult] = field(default_factory=ById)
    antennas: ById[AntennaResult] = field(default_factory=ById)
    audit: AuditNotes | None = None
    visits: tuple[VisitResult, ...] = ()
    turns: tuple[Turn, ...] = ()

    def document(self) -> dict[str, Any]:
        """Its part of estimates.json, ready for `json.dumps(..., allow_nan=False)`; what is not finite is None."""
        plain: dict[str, Any] = _plain(self, "")
        return plain

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> SiteResult:
        """The result again, its figures as rounded there. Raises ValueError, with the place, where it is none."""
        try:
            result: SiteResult = _reader().structure(document, cls)
        except Exception as e:
            from cattrs import transform_error

            raise ValueError("; ".join(transform_error(e, path="site"))) from e
        return result

    def to_json(self, created: datetime | None = None) -> str:
        """The document of `photoaz estimate --json`, of this site alone. created: with its zone."""
        return json.dumps(estimates_document([self], created), ensure_ascii=False, allow_nan=False, indent=2)

    @classmethod
    def from_json(cls, text: str) -> SiteResult:
        """The result of a document with one site. Raises ValueError where it is none."""
        sites = read_estimates(text)
        if len(sites) != 1:
            raise ValueError(f"found {len(sites)} sites; wanted one")
        return sites[0]

    def to_records(self) -> list[dict[str, Any]]:
        """A flat row for each antenna by RECORD_COLUMNS, for data frames and spreadsheets: figures rounded as in JSON.

        Dates are text in ISO 8601. Columns of the register that photoaz does not know are not in it.
        """
        return [{name: _plain(of(self, a), name) for name, (_, of) in RECORD_COLUMNS.items()} for a in self.antennas]


# ---- a flat row for each antenna -------------------------------------------------------------------------------------


def _days_seen(site: SiteResult, antenna: AntennaResult) -> list[date]:
    photos = {v.photo for v in antenna.evidence}
    return sorted(p.taken for p in site.photos if p.taken is not None and p.photo in photos)


def _likeliest_other(antenna: AntennaResult) -> Alternative | None:
    return max(antenna.alternatives, key=lambda o: o.probability, default=None)


def _p_likely(reading: Reading | None) -> float | None:
    causes = () if reading is None else reading.causes
    return next((c.probability for c in causes if reading is not None and c.cause == reading.likely_cause), None)


def _largest_share(antenna: AntennaResult) -> BudgetShare | None:
    return max(antenna.budget, key=lambda b: b.share, default=None)


def _last_turn(site: SiteResult, antenna: AntennaResult) -> Turn | None:
    return next((t for t in reversed(site.turns) if t.antenna_id == antenna.antenna_id), None)


def _at(record: Any, field_name: str) -> Any:
    """A field of a record that may be None."""
    return None if record is None else getattr(record, field_name)


_Of = Callable[[SiteResult, AntennaResult], Any]
#: the columns of `to_records` and of tables of estimates, in order: what is in them, and where it comes from
RECORD_COLUMNS: Mapping[str, tuple[type, _Of]] = {
    "site_id": (str, lambda s, a: s.site_id),
    "antenna_id": (str, lambda s, a: a.antenna_id),
    "sector": (str, lambda s, a: a.sector),
    "position": (int, lambda s, a: a.position),
    "site_lat_deg": (float, lambda s, a: s.lat_deg),
    "site_lon_deg": (float, lambda s, a: s.lon_deg),
    "status": (str, lambda s, a: a.status),
    "azimuth_true_deg": (float, lambda s, a: a.azimuth_true_deg),
    "u95_deg": (float, lambda s, a: a.u95_deg),
    "downtilt_deg": (float, lambda s, a: a.downtilt_deg),
    "downtilt_u95_deg": (float, lambda s, a: a.downtilt_u95_deg),
    "roll_deg": (float, lambda s, a: a.roll_deg),
    "roll_u95_deg": (float, lambda s, a: a.roll_u95_deg),
    "photos": (int, lambda s, a: len({v.photo for v in a.evidence})),
    "first_photo_date": (str, lambda s, a: min(_days_seen(s, a), default=None)),
    "last_photo_date": (str, lambda s, a: max(_days_seen(s, a), default=None)),
    "main_uncertainty": (str, lambda s, a: _at(_largest_share(a), "source")),
    "alternatives": (int, lambda s, a: len(a.alternatives)),
    "alternative_azimuth_true_deg": (float, lambda s, a: _at(_likeliest_other(a), "azimuth_true_deg")),
    "alternative_probability": (float, lambda s, a: _at(_likeliest_other(a), "probability")),
    "declination_deg": (float, lambda s, a: s.declination_deg),
    "reading_azimuth_true_deg": (float, lambda s, a: _at(a.reading, "azimuth_true_deg")),
    "reading_u95_deg": (float, lambda s, a: _at(a.reading, "u95_deg")),
    "reading_difference_deg": (float, lambda s, a: _at(a.reading, "difference_deg")),
    "reading_en": (float, lambda s, a: _at(a.reading, "en")),
    "reading_agrees": (bool, lambda s, a: _at(a.reading, "agrees")),
    "likely_cause": (str, lambda s, a: _at(a.reading, "likely_cause")),
    "likely_cause_probability": (float, lambda s, a: _p_likely(a.reading)),
    "downtilt_reading_deg": (float, lambda s, a: _at(a.downtilt_reading, "downtilt_deg")),
    "downtilt_reading_difference_deg": (float, lambda s, a: _at(a.downtilt_reading, "difference_deg")),
    "downtilt_reading_en": (float, lambda s, a: _at(a.downtilt_reading, "en")),
    "downtilt_reading_agrees": (bool, lambda s, a: _at(a.downtilt_reading, "agrees")),
    "design_azimuth_true_deg": (float, lambda s, a: a.design.azimuth_true_deg),
    "design_deviation_deg": (float, lambda s, a: a.design.deviation_deg),
    "tolerance_deg": (float, lambda s, a: a.design.tolerance_deg),
    "p_out_of_tolerance": (float, lambda s, a: a.design.p_out_of_tolerance),
    "decision": (str, lambda s, a: a.design.decision),
    "combined_azimuth_true_deg": (float, lambda s, a: _at(a.combined, "azimuth_true_deg")),
    "combined_u95_deg": (float, lambda s, a: _at(a.combined, "u95_deg")),
    "combined_decision": (str, lambda s, a: _at(a.combined, "decision")),
    "impact_boresight_db": (float, lambda s, a: _at(a.impact_db, "boresight")),
    "impact_edge_db": (float, lambda s, a: _at(a.impact_db, "edge")),
    "turned_deg": (float, lambda s, a: _at(_last_turn(s, a), "change_deg")),
    "turned_u95_deg": (float, lambda s, a: _at(_last_turn(s, a), "u95_deg")),
    "turned_from": (str, lambda s, a: _at(_last_turn(s, a), "from_")),
    "turned_to": (str, lambda s, a: _at(_last_turn(s, a), "to")),
    "revisit": (bool, lambda s, a: a.revisit),
    "reasons": (str, lambda s, a: "; ".join(a.reasons) or None),
}


# ---- the document ----------------------------------------------------------------------------------------------------


def estimates_document(sites: Iterable[SiteResult], created: datetime | None = None) -> dict[str, Any]:
    """Schema photoaz/estimates/1: all sites in one document. created: with its zone; now where None."""
    return {**estimates_head(created), "sites": [site.document() for site in sites]}


def estimates_head(created: datetime | None = None) -> dict[str, str]:
    """What the document begins with, before its sites."""
    when = datetime.now().astimezone() if created is None else created
    return {"schema": SCHEMA, "version": __version__, "created": when.isoformat(timespec="seconds")}


def read_estimates(text: str) -> tuple[SiteResult, ...]:
    """The sites of an estimates document. Raises ValueError where it is none, or not of this schema."""
    document = json.loads(text)
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        found = document.get("schema") if isinstance(document, dict) else type(document).__name__
        raise ValueError(f"found schema {found!r}; wanted {SCHEMA}")
    return tuple(SiteResult.from_document(site) for site in document.get("sites", ()))


# ---- from records to plain values, and back --------------------------------------------------------------------------

#: figures between 0 and 1 and sums of squares: four significant digits
_SIGNIFICANT = frozenset({"share", "quality", "no_fault", "chi2", "p", "deg2", "weight_estimate", "cause_odds"})
_SIGNIFICANT |= {"consumer_risk", "producer_risk", "w"}
#: azimuths, which are 0 and not 360 when rounded up to it
_AZIMUTHS = ("azimuth_true_deg", "heading_true_deg", "designed_deg", "corrected_deg")
_DECIMALS = {"en": 6, "zeta": 6, "effective_dof": 1, "lat_deg": 7, "lon_deg": 7, "cost": 2, "loss_avoided": 2}
_DECIMALS |= {"site_lat_deg": 7, "site_lon_deg": 7, "reading_en": 6, "downtilt_reading_en": 6}
_DECIMALS |= {"expected_loss_now": 2, "expected_loss_after": 2, "pixel": 2, "risk": 12}
#: decibels, degrees, metres; decibels need three, because pages show one: rounded from two it could be another one
_USUAL = 3


def plain(record: Any) -> Any:
    """A frozen record of the results, or of a plan, as JSON has it: mappings, lists, text and rounded numbers."""
    return _plain(record, "")


def _plain(value: Any, name: str) -> Any:
    if isinstance(value, float):
        return _rounded(value, name)
    if value is None or isinstance(value, (str, int)):
        return value
    if is_dataclass(value):
        return _plain_record(value)
    if isinstance(value, Mapping):
        return {str(k): _plain(v, name) for k, v in value.items()}
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, Sequence):
        return [_plain(v, name) for v in value]
    raise TypeError(f"{name}: no JSON of a {type(value).__name__}")


def _plain_record(value: Any) -> dict[str, Any]:
    out = {f.name.removesuffix("_"): _plain(getattr(value, f.name), f.name) for f in fields(value)}
    if isinstance(value, AntennaResult) and value.impact_db is None:
        out["impact_db"] = {"boresight": None, "edge": None}
    return out


def _rounded(value: float, name: str) -> float | None:
    if not math.isfinite(value):
        return None
    if name in _SIGNIFICANT or name.startswith("p_") or name.endswith("probability"):
        return float(f"{value:.4g}")
    decimals = 2 if name.endswith("_px") else _DECIMALS.get(name, _USUAL)
    rounded = round(float(value), decimals) + 0.0  # no -0.0
    return rounded % 360.0 if name.endswith(_AZIMUTHS) else rounded


def _is_by_id(kind: Any) -> bool:
    return get_origin(kind) is ById


@cache
def _reader() -> Any:
    from cattrs.gen import make_dict_structure_fn, override
    from cattrs.preconf.json import make_converter

    converter = make_converter()
    dated: tuple[Any, ...] = (VisitResult, Turn)
    for record in dated:
        hook = make_dict_structure_fn(record, converter, from_=override(rename="from"))
        converter.register_structure_hook(record, hook)
    converter.register_structure_hook_func(
        _is_by_id,
        lambda values, t: ById(converter.structure(v, get_args(t)[0]) for v in values),
    )
    impact = converter.get_structure_hook(Impact)
    converter.register_structure_hook_func(
        lambda t: t == (Impact | None),
        lambda value, _t: None if value is None or value.get("boresight") is None else impact(value, Impact),
    )
    return converter


def read_records(values: Any, of: Any) -> Any:
    """Plain values as `plain` gives them, read back into records. of: their type, such as `tuple[Turn, ...]`."""
    return _reader().structure(values, of)
