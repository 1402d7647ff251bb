"""Rows for spreadsheets: what to do next, and a row for each site."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from photoaz.judgement.standing import Tally, reading_standing, tally_of
from photoaz.present import words
from photoaz.present.words import DESIGNS, READING_WORDS, READINGS, UNSEEN, design_words
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


_SiteCell = Callable[[SiteResult, Tally], Any]


def _largest_deviation(site: SiteResult, _: Tally) -> float | None:
    off: list[float] = [d for a in site.antennas if (d := a.design.deviation_deg) is not None]
    most = max(off, key=abs, default=None)
    return None if most is None else round(most, 2)


def _number(of: str, code: str) -> _SiteCell:
    return lambda _, tally: getattr(tally, of)[code]


#: by heading, what of a site and its tally stands there
_SITE_CELLS: dict[str, _SiteCell] = {
    "site_id": lambda s, _: s.site_id,
    "state": lambda s, _: words.BY_CODE[words.site_state([words.antenna_state(a) for a in s.antennas])].word,
    "site_lat_deg": lambda s, _: plain(s.lat_deg, "lat_deg"),
    "site_lon_deg": lambda s, _: plain(s.lon_deg, "lon_deg"),
    "antennas": lambda s, _: len(s.antennas),
    **{f"readings: {w.many}": _number("readings", w.code) for w in READINGS},
    **{f"designs: {w.many}": _number("designs", w.code) for w in DESIGNS},
    **{f"not measured: {w.many}": _number("unseen", w.code) for w in UNSEEN},
    "largest photos − design [deg]": _largest_deviation,
    "photos used": lambda s, _: sum(p.status == "used" for p in s.photos),
    "photos": lambda s, _: len(s.photos) if s.audit is None else s.audit.photos,
    "loss avoided": lambda s, _: None if s.revisit is None else two_digits(s.revisit.loss_avoided),
    "unit": lambda s, _: None if s.revisit is None else s.revisit.unit,
    "to do": lambda s, _: None if s.revisit is None else s.revisit.sentence,
}
SITE_COLUMNS = tuple(_SITE_CELLS)


def site_row(site: SiteResult) -> list[Any]:
    """By SITE_COLUMNS."""
    tally = tally_of(site.antennas)
    return [cell(site, tally) for cell in _SITE_CELLS.values()]
