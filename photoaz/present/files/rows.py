"""Rows for spreadsheets: what to do next, and a row for each site."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from photoaz.judgement.standing import reading_standing, tally_of
from photoaz.present import words
from photoaz.present.standing import DESIGNS, READING_WORDS, READINGS, UNSEEN, design_words
from photoaz.result import Revisit, SiteResult, plain
from photoaz.wording import before_you_go, two_digits

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


# ---- a row for each site ---------------------------------------------------------------------------------------------


SITE_COLUMNS = (
    "site_id",
    "state",
    "site_lat_deg",
    "site_lon_deg",
    "antennas",
    *(f"readings: {w.many}" for w in READINGS),
    *(f"designs: {w.many}" for w in DESIGNS),
    *(f"not measured: {w.many}" for w in UNSEEN),
    "largest photos − design [deg]",
    "photos used",
    "photos",
    "loss avoided",
    "unit",
    "to do",
)


def site_row(site: SiteResult) -> list[Any]:
    """By SITE_COLUMNS."""
    tally = tally_of(site.antennas)
    off: list[float] = [d for a in site.antennas if (d := a.design.deviation_deg) is not None]
    most = max(off, key=abs, default=None)
    plan = site.revisit
    return [
        site.site_id,
        words.BY_CODE[words.site_state([words.antenna_state(a) for a in site.antennas])].word,
        plain(site.lat_deg, "lat_deg"),
        plain(site.lon_deg, "lon_deg"),
        len(site.antennas),
        *(tally.readings[w.code] for w in READINGS),
        *(tally.designs[w.code] for w in DESIGNS),
        *(tally.unseen[w.code] for w in UNSEEN),
        None if most is None else round(most, 2),
        sum(p.status == "used" for p in site.photos),
        len(site.photos) if site.audit is None else site.audit.photos,
        None if plan is None else two_digits(plan.loss_avoided),
        None if plan is None else plan.unit,
        None if plan is None else plan.sentence,
    ]
