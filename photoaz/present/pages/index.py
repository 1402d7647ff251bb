"""The index of all sites, from what was counted of each as its page was written."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from photoaz.judgement.reasons import in_words
from photoaz.present import words
from photoaz.present.counts import ArchiveCounts
from photoaz.present.pages.about import ReportAbout
from photoaz.present.pages.map import SiteMap, Spot, site_map

#: rows of the table that are laid out at once; the next ones are in the page, or on further plain pages
ROWS_SHOWN = 1000
#: failures shown; all are in failures.csv
MOST_FAILURES = 50
#: sites that the index itself can search; beyond, the further pages and sites.geojson serve
MOST_ROWS = 20_000


def index_context(tally: ArchiveCounts, about: ReportAbout) -> dict[str, Any]:
    """Everything that the index shows; rows, each with its place on the map, in the order of the loss avoided."""
    rows = sorted(tally.rows, key=lambda r: (r.order, [s.code for s in words.STATES].index(r.state), r.page))
    plan = site_map([Spot(site_id=r.site_id, state=r.state, lat_deg=r.lat_deg, lon_deg=r.lon_deg) for r in rows])
    shown = list(zip(rows, plan.places if plan else (), strict=True))
    return {
        "tally": tally,
        "states": Counter(r.state for r in rows),
        "sentence": _sentence(tally),
        "map": Markup(plan.svg) if plan else None,
        "map_words": _map_words(plan),
        "revisits": sorted(tally.revisits, key=lambda one: one[:2]),
        "rows": shown[:ROWS_SHOWN],
        "more_rows": shown[ROWS_SHOWN:MOST_ROWS],
        "later_rows": shown[ROWS_SHOWN:],
        "cause_names": [(c, in_words(c)) for c in sorted(tally.causes, key=in_words)],
        "about": about,
        "failures": about.failures[:MOST_FAILURES],
    }


def _sentence(tally: ArchiveCounts) -> list[str]:
    sites, antennas = len(tally.rows), tally.antennas.total()
    if not sites:
        return ["No site was judged: nothing in these results can be signed."]
    n = Counter(r.state for r in tally.rows)
    parts = [
        words.plural(n["out"], "has an antenna out of tolerance", "have an antenna out of tolerance")
        if n["out"]
        else "",
        f"at {words.plural(n['reading'], 'a reading disagrees', 'a reading disagrees')}" if n["reading"] else "",
        words.plural(n["undecided"], "is undecided", "are undecided") if n["undecided"] else "",
        f"at {words.grouped(n['unseen'])} an antenna was not found" if n["unseen"] else "",
        words.plural(n["ok"], "agrees throughout", "agree throughout") if n["ok"] else "none agrees throughout",
    ]
    said = [
        f"{words.plural(sites, 'site')} with {words.plural(antennas, 'antenna')} "
        f"{'was' if sites == 1 else 'were'} judged from photos: {', '.join(p for p in parts if p)}."
    ]
    r = tally.readings
    if r["agrees"] or r["disagrees"]:
        none = f" {words.plural(r['none'], 'antenna has', 'antennas have')} no reading." if r["none"] else ""
        said.append(
            f"Of {words.plural(r['agrees'] + r['disagrees'], 'reading')} that could be compared, "
            f"{words.plural(r['disagrees'], 'disagrees', 'disagree')}.{none}"
        )
    if tally.statuses["ambiguous"]:
        said.append(f"{words.plural(tally.statuses['ambiguous'], 'antenna')} may point in more than one way.")
    if tally.seen_turns:
        was = "was" if tally.seen_turns == 1 else "were"
        said.append(f"{words.plural(tally.seen_turns, 'turn')} of antennas between visits {was} seen.")
    return said


def _map_words(plan: SiteMap | None) -> str:
    said = []
    if plan is not None and plan.thinned:
        said.append("Marks of one state that would cover each other are drawn once: come nearer to part them.")
    if plan is not None and plan.outside:
        far = words.plural(plan.outside, "site lies", "sites lie")
        said.append(f"{far} far from the others, outside this view: check the coordinates.")
    if plan is not None and plan.note:
        said.append(f"Lengths hold{plan.note} and change away from it.")
    return " ".join(said)


def in_pages(rows: Sequence[Any]) -> list[Sequence[Any]]:
    """Rows cut into further plain pages."""
    return [rows[k : k + ROWS_SHOWN] for k in range(0, len(rows), ROWS_SHOWN)]
