"""The result of a site."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal

from photoaz import __version__
from photoaz.priors import Priors
from photoaz.result.by_id import ById
from photoaz.result.evidence import (
    Alternative,
    BudgetShare,
    EvidenceView,
    MissingView,
    NextEvidence,
    PhotoResult,
    WithoutView,
)
from photoaz.result.rounding import plain, read_records
from photoaz.result.verdicts import (
    Combined,
    CommonMode,
    Design,
    Impact,
    JudgedDowntilt,
    JudgedReading,
    Revisit,
    SiteCauses,
)

SCHEMA = "photoaz/estimates/1"

Status = Literal["estimated", "ambiguous", "not_found", "not_visible"]


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
    factor, which is 1.96 only where one normal distribution does. declination_sigma_deg: what one standard uncertainty
    of the declination model turns the azimuth by, clockwise positive where the declination is too large; it is in the
    budget. probability: of azimuth_true_deg being the true one, own_u95_deg its U95 if it is; u95_deg covers all that
    is possible.
    distribution: all that is possible by the photos alone, as parts of a mixture whose probabilities come to 1, the
    most probable first; distribution_known: with what is known of antennas in general. Of a part of 235 deg and more
    nothing is known: it is flat. without: both without each of its views, where these contradict each other.

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
    declination_sigma_deg: float = 0.0
    probability: float | None = None
    own_u95_deg: float | None = None
    downtilt_deg: float | None = None
    downtilt_u95_deg: float | None = None
    roll_deg: float | None = None
    roll_u95_deg: float | None = None
    alternatives: tuple[Alternative, ...] = ()
    distribution: tuple[Alternative, ...] = ()
    distribution_known: tuple[Alternative, ...] = ()
    without: tuple[WithoutView, ...] = ()
    evidence: tuple[EvidenceView, ...] = ()
    missing: tuple[MissingView, ...] = ()
    next_evidence: NextEvidence | None = None
    budget: tuple[BudgetShare, ...] = ()
    downtilt_reading: JudgedDowntilt | None = None
    reading: JudgedReading | None = None
    design: Design = field(default_factory=Design)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteResult:
    """A whole site: what the photos say, and what follows for its readings, its designs, and for what to do next.

    declination_deg: at the site on the photos' date, east positive. common_mode, causes: of the site's readings
    together. azimuth_covariance_known: of the most probable azimuths with what is known of antennas in general, if each
    is the true one. site_error: probability that all antennas are off their designs by one angle. weak_points: what
    could be wrong without any test noticing, in sentences, the worst first. visits: each where there are several;
    turns: between visits that follow one another. audit: None outside of one.
    priors: those that it was judged with, None for the defaults. map_note: the map that its photos were laid over, with
    its date and licence as far as it gives them; None without one.

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
    site_error: float | None = None
    revisit: Revisit | None = None
    azimuth_covariance: AzimuthCovariance | None = None
    azimuth_covariance_known: AzimuthCovariance | None = None
    photos: ById[PhotoResult] = field(default_factory=ById)
    antennas: ById[AntennaResult] = field(default_factory=ById)
    audit: AuditNotes | None = None
    visits: tuple[VisitResult, ...] = ()
    turns: tuple[Turn, ...] = ()
    priors: Priors | None = None
    map_note: str | None = None

    def _repr_html_(self) -> str:
        """For notebooks: the table and the plan of azimuths."""
        import photoaz

        return photoaz.site_html(self)

    def document(self) -> dict[str, Any]:
        """Its part of estimates.json, ready for `json.dumps(..., allow_nan=False)`; what is not finite is None."""
        document: dict[str, Any] = plain(self)
        return document

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> SiteResult:
        """The result again, its figures as rounded there. Raises ValueError, with the place, where it is none."""
        result: SiteResult = read_records(document, cls)
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
        return [{name: plain(of(self, a), name) for name, (_, of) in RECORD_COLUMNS.items()} for a in self.antennas]


# ---- a flat row for each antenna -------------------------------------------------------------------------------------


def days_seen(site: SiteResult, antenna: AntennaResult) -> list[date]:
    """The days of the photos that show an antenna, in order."""
    photos = {v.photo for v in antenna.evidence}
    return sorted(p.taken for p in site.photos if p.taken is not None and p.photo in photos)


def _likeliest_other(antenna: AntennaResult) -> Alternative | None:
    return max(antenna.alternatives, key=lambda o: o.probability, default=None)


def _p_likely(reading: JudgedReading | None) -> float | None:
    causes = () if reading is None else reading.causes
    return next((c.probability for c in causes if reading is not None and c.cause == reading.likely_cause), None)


def _last_turn(site: SiteResult, antenna: AntennaResult) -> Turn | None:
    return next((t for t in reversed(site.turns) if t.antenna_id == antenna.antenna_id), None)


def action_of(site: SiteResult, antenna: AntennaResult) -> str | None:
    """What is to be done about an antenna."""
    todo = () if site.revisit is None else site.revisit.antennas
    return next((i.action for i in todo if i.antenna_id == antenna.antenna_id), None)


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
    "first_photo_date": (str, lambda s, a: min(days_seen(s, a), default=None)),
    "last_photo_date": (str, lambda s, a: max(days_seen(s, a), default=None)),
    "main_uncertainty": (str, lambda s, a: _at(max(a.budget, key=lambda b: b.share, default=None), "source")),
    "alternatives": (int, lambda s, a: len(a.alternatives)),
    "alternative_azimuth_true_deg": (float, lambda s, a: _at(_likeliest_other(a), "azimuth_true_deg")),
    "alternative_probability": (float, lambda s, a: _at(_likeliest_other(a), "probability")),
    "declination_deg": (float, lambda s, a: s.declination_deg),
    "reading_azimuth_true_deg": (float, lambda s, a: _at(a.reading, "azimuth_true_deg")),
    "reading_u95_deg": (float, lambda s, a: _at(a.reading, "u95_deg")),
    "reading_date": (str, lambda s, a: _at(a.reading, "read_on")),
    "reading_difference_deg": (float, lambda s, a: _at(a.reading, "difference_deg")),
    "reading_en": (float, lambda s, a: _at(a.reading, "en")),
    "reading_agrees": (bool, lambda s, a: _at(a.reading, "agrees")),
    "reading_p_right": (float, lambda s, a: _at(a.reading, "p_right")),
    "reading_p_right_photos_alone": (float, lambda s, a: _at(a.reading, "p_right_photos_alone")),
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
    "p_out_photos_alone": (float, lambda s, a: a.design.p_out_photos_alone),
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
    "action": (str, lambda s, a: action_of(s, a)),
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
