"""A site's result: one frozen record, from which the JSON document is derived and into which it is read back.

Field names are the JSON names; where JSON wants a word that Python reserves, the field has an underscore behind it.
Figures keep their full precision here. In the document they are rounded by their names (`rounding`): degrees, decibels
and metres to what a reader can use, probabilities to four significant digits. What is not known is None.
"""

from photoaz.result.by_id import ById
from photoaz.result.evidence import (
    Alternative,
    AroundView,
    BudgetShare,
    EvidenceOption,
    EvidenceView,
    MissingView,
    NamedPanel,
    NextEvidence,
    Pair,
    PhotoResult,
    View,
    WithoutView,
)
from photoaz.result.rounding import plain, read_records
from photoaz.result.site import (
    RECORD_COLUMNS,
    SCHEMA,
    AntennaResult,
    AuditNotes,
    AzimuthCovariance,
    DeskDecision,
    FileFlag,
    SiteResult,
    Status,
    Turn,
    VisitAzimuth,
    VisitResult,
    action_of,
    days_seen,
    estimates_document,
    estimates_head,
    read_estimates,
)
from photoaz.result.verdicts import (
    Action,
    Cause,
    Combined,
    CommonMode,
    Crossover,
    Decision,
    Departure,
    Design,
    Impact,
    Interval,
    JudgedDowntilt,
    JudgedReading,
    LikelyCause,
    Revisit,
    RevisitItem,
    SiteCauses,
    Where,
)
