"""The index of all sites, from what was counted of each as its page was written."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from photoaz import __version__
from photoaz.judgement.reasons import in_words
from photoaz.present import words
from photoaz.present.archive_charts import archive_charts
from photoaz.present.counts import ArchiveCounts
from photoaz.present.pages.map import site_map
from photoaz.wording import before_you_go

#: rows of the table that are laid out at once; the next ones are in the page, or on further plain pages
ROWS_SHOWN = 1000
#: failures shown; all are in failures.csv
MOST_FAILURES = 50
#: sites that the index itself can search; beyond, the further pages and sites.geojson serve
MOST_ROWS = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportAbout:
    """How results came about.

    created : when, with its zone. command : what to type to make them again. version : of photoaz. libraries : name and
    version of each. parameters : name and value of each. inputs : files, each with role (register, controls, ...), name
    and sha256. counts : of photos, in the order to show them: 'listed', 'used', 'rejected', 'failed', 'duplicates' and
    others. failures : file and reason of each.
    """

    created: datetime
    command: str = ""
    version: str = __version__
    libraries: Mapping[str, str] = field(default_factory=dict)
    parameters: Mapping[str, object] = field(default_factory=dict)
    inputs: Sequence[Mapping[str, str | None]] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    failures: Sequence[tuple[str, str]] = ()


def index_context(tally: ArchiveCounts, about: ReportAbout) -> dict[str, Any]:
    """Everything that the index shows; rows, each with its place on the map, in the order of the loss avoided."""
    rows = sorted(tally.rows, key=lambda r: (r.order, [s.code for s in words.STATES].index(r.state), r.page))
    plan = site_map(rows)
    shown = list(zip(rows, plan.places if plan else (), strict=True))
    return {
        "tally": tally,
        "charts": archive_charts(tally.numbers),
        "states": Counter(r.state for r in rows),
        "map": plan,
        "before": before_you_go(action for action, n in tally.actions.items() if n),
        "revisits": sorted(tally.revisits, key=lambda one: one[:2]),
        "rows": shown[:ROWS_SHOWN],
        "more_rows": shown[ROWS_SHOWN:MOST_ROWS],
        "later_rows": shown[ROWS_SHOWN:],
        "cause_names": [(c, in_words(c)) for c in sorted(tally.causes, key=in_words)],
        "about": about,
        "failures": about.failures[:MOST_FAILURES],
    }


def in_pages(rows: Sequence[Any]) -> list[Sequence[Any]]:
    """Rows cut into further plain pages."""
    return [rows[k : k + ROWS_SHOWN] for k in range(0, len(rows), ROWS_SHOWN)]
