"""The list of what to do next, as rows for spreadsheets."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from photoaz.present.standing import READING_WORDS, design_words, reading_standing
from photoaz.result import Revisit, SiteResult, plain
from photoaz.wording import before_you_go

COLUMNS = (
    "rank",
    "site_id",
    "antenna_id",
    "reading",
    "design",
    "action",
    "instruction",
    "reasons",
    "bring",
    "before_you_go",
    "where",
    "lat_deg",
    "lon_deg",
    "u95_then_deg",
    "p_out_of_tolerance",
    "expected_loss_now",
    "expected_loss_after",
    "cost",
    "loss_avoided",
    "unit",
)


#: by antenna, how its reading and its design stand, in words
Standings = Mapping[str, tuple[str, str]]


def standings_of(site: SiteResult) -> Standings:
    """How a site's readings and designs stand."""
    return {a.antenna_id: (READING_WORDS[reading_standing(a)], design_words(a)) for a in site.antennas}


def revisit_rows(plans: Iterable[tuple[str, Revisit, Standings]]) -> Iterator[list[Any]]:
    """Rows by COLUMNS of what is to be done, the worst first: sites by the loss avoided, so that visits stay together.

    What is to be left as it is stands in the tables of estimates alone.

    plans : site_id, what to do there, and how its antennas stand.
    """
    worst_first = sorted(plans, key=lambda p: (-round(p[1].loss_avoided, 2), -round(p[1].expected_loss_now, 2), p[0]))
    items = ((s, plan, stand, i) for s, plan, stand in worst_first for i in plan.antennas if i.action != "leave")
    for rank, (site_id, plan, stand, item) in enumerate(items, 1):
        row = plain(item)
        reading, design = stand.get(item.antenna_id, (None, None))
        row |= {
            "reading": reading,
            "design": design,
            "rank": rank,
            "site_id": site_id,
            "reasons": "; ".join(item.reasons),
            "before_you_go": before_you_go((item.action,)),
            "where": item.where.words,
            "lat_deg": row["where"]["lat_deg"],
            "lon_deg": row["where"]["lon_deg"],
            "u95_then_deg": None if item.u95_then_deg is None else round(item.u95_then_deg, 2),
            "unit": plan.unit,
        }
        yield [row[name] for name in COLUMNS]
