"""The index of all sites: what is counted of each as its page is written, and the page at the end."""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from markupsafe import Markup

from photoaz.judgement.reasons import in_words
from photoaz.present import words
from photoaz.present.figures import en_text
from photoaz.present.pages.about import ReportAbout, first_failures
from photoaz.present.pages.map import SiteMap, Spot, site_map
from photoaz.result import Action, AntennaResult, LikelyCause, Revisit, SiteResult

#: rows of the table that are laid out at once; the next ones are in the page, or on further plain pages
ROWS_SHOWN = 1000
#: sites that the index itself can search; beyond, the further pages and sites.geojson serve
MOST_ROWS = 20_000
MOST_REVISITS = 100
_COUNTS = {"unusable": "not usable", "copies": "copies, counted once"}
_DO: Mapping[Action, str] = {
    "climb": "Climb, measure, and turn where it is out",
    "read_again": "Go and read again with an instrument from the ground",
    "photo": "Go and take one more photo from the ground",
    "desk": "Look something up at the desk",
    "check_records": "Check labels and cabling records at the desk",
    "correct_register": "Correct a row of the register",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRow:
    """What the index keeps of a site. counts: antennas by their state's code; order: the rows' order, least first."""

    site_id: str
    page: str
    state: str
    lat_deg: float
    lon_deg: float
    antennas: int
    counts: Counter[str]
    disagreeing: int
    worst_deg: float | None
    worst_en: float | None
    causes: tuple[LikelyCause, ...]
    photos_used: int
    photos: int
    flags: int
    turns: int
    avoided: float
    order: tuple[float, float, str]


@dataclass(slots=True, kw_only=True)
class IndexCounts:
    """Counted over all sites, one after another; the results themselves are not kept."""

    rows: list[SiteRow] = field(default_factory=list)
    antennas: Counter[str] = field(default_factory=Counter)
    readings: Counter[str] = field(default_factory=Counter)
    causes: Counter[LikelyCause] = field(default_factory=Counter)
    cause_sites: Counter[LikelyCause] = field(default_factory=Counter)
    actions: Counter[Action] = field(default_factory=Counter)
    action_sites: Counter[Action] = field(default_factory=Counter)
    flags: Counter[str] = field(default_factory=Counter)
    loss_now: float = 0.0
    loss_after: float = 0.0
    cost: float = 0.0
    avoided: float = 0.0
    unit: str = "units"
    ambiguous: int = 0
    turned: int = 0
    trips: int = 0
    todo_sites: int = 0
    revisits: list[_Listed] = field(default_factory=list)

    def add(self, site: SiteResult, page: str) -> None:
        """Count a site, whose page has that name."""
        codes = Counter(words.antenna_state(a) for a in site.antennas)
        readings = [a.reading for a in site.antennas if a.reading is not None]
        causes = Counter(r.likely_cause for r in readings if r.likely_cause is not None)
        flags = () if site.audit is None else site.audit.flags
        revisit = site.revisit or Revisit(sentence="")
        order = (-round(revisit.loss_avoided, 6), -round(revisit.expected_loss_now, 6), site.site_id)
        self.antennas += codes
        self.ambiguous += sum(a.status == "ambiguous" for a in site.antennas)
        self.readings.update(_reading_state(a) for a in site.antennas)
        self.causes += causes
        self.cause_sites.update(causes.keys())
        self.flags.update(f.code for f in flags)
        self.turned += len(site.turns)
        self._revisit(site.site_id, page, revisit, order)
        deviations = [abs(d) for a in site.antennas if (d := a.design.deviation_deg) is not None]
        self.rows.append(
            SiteRow(
                site_id=site.site_id,
                page=page,
                state=words.site_state(codes),
                lat_deg=site.lat_deg,
                lon_deg=site.lon_deg,
                antennas=len(site.antennas),
                counts=codes,
                disagreeing=sum(words.disagrees(a) for a in site.antennas),
                worst_deg=max(deviations, default=None),
                worst_en=max((r.en for r in readings if r.en is not None), default=None),
                causes=tuple(sorted(causes)),
                photos_used=sum(p.status == "used" for p in site.photos),
                photos=len(site.photos) if site.audit is None else site.audit.photos,
                flags=len(flags),
                turns=len(site.turns),
                avoided=revisit.loss_avoided,
                order=order,
            )
        )

    def _revisit(self, site_id: str, page: str, revisit: Revisit, order: tuple[float, float, str]) -> None:
        self.loss_now += revisit.expected_loss_now
        self.loss_after += revisit.expected_loss_after
        self.cost += revisit.cost
        self.avoided += revisit.loss_avoided
        self.unit = revisit.unit
        todo = tuple(i for i in revisit.antennas if i.action != "leave")
        if not todo:
            return
        self.todo_sites += 1
        self.trips += revisit.trip
        self.actions.update(i.action for i in todo)
        self.action_sites.update({i.action for i in todo})
        # a heap with the least worthwhile on top, for the next to push out
        item = _Listed(order, len(self.rows), site_id, page, replace(revisit, antennas=todo))
        if len(self.revisits) < MOST_REVISITS:
            heapq.heappush(self.revisits, item)
        else:
            heapq.heappushpop(self.revisits, item)


class _Listed(NamedTuple):
    """A site on the list of what to do; sorts the other way round, the least worthwhile first."""

    order: tuple[float, float, str]
    number: int  # breaks ties
    site_id: str
    page: str
    revisit: Revisit

    def __lt__(self, other: tuple[object, ...]) -> bool:
        return (self.order, self.number) > other[:2]


def _reading_state(antenna: AntennaResult) -> str:
    reading = antenna.reading
    if reading is None:
        return "none"
    return "open" if reading.agrees is None else "agrees" if reading.agrees else "disagrees"


# ---- the page --------------------------------------------------------------------------------------------------------


def index_context(tally: IndexCounts, about: ReportAbout) -> dict[str, Any]:
    """Everything that the index shows; rows in the order of the loss avoided."""
    rows = sorted(tally.rows, key=lambda r: (r.order, [s.code for s in words.STATES].index(r.state), r.page))
    plan = site_map([Spot(site_id=r.site_id, state=r.state, lat_deg=r.lat_deg, lon_deg=r.lon_deg) for r in rows])
    shown = [_row(r, at) for r, at in zip(rows, plan.places if plan else (), strict=True)]
    failures, failed = first_failures(about.failures)
    return {
        "sites": len(rows),
        "summary": _summary(tally),
        "sentence": _sentence(tally),
        "readings": tally.readings,
        "causes": _causes(tally),
        "todo": _actions(tally),
        "money": {k: words.money(getattr(tally, k)) for k in ("loss_now", "loss_after", "cost", "avoided")},
        "unit": tally.unit,
        "trips": tally.trips,
        "turned": tally.turned,
        "flags": [(c.replace("_", " "), n) for c, n in tally.flags.most_common()],
        "map": Markup(plan.svg) if plan else None,
        "map_words": _map_words(plan),
        "revisits": _revisits(tally),
        "revisits_left": tally.todo_sites - len(tally.revisits),
        "rows": shown[:ROWS_SHOWN],
        "more_rows": shown[ROWS_SHOWN:MOST_ROWS],
        "later_rows": shown[ROWS_SHOWN:],
        "not_searched": max(0, len(rows) - MOST_ROWS),
        "states": words.STATES,
        "cause_names": [(c, in_words(c)) for c in sorted(tally.causes, key=in_words)],
        "about": about,
        "counts": [(_COUNTS.get(k, k), words.grouped(v)) for k, v in about.counts.items()],
        "inputs": about.inputs,
        "parameters": [(k, str(v)) for k, v in about.parameters.items()],
        "libraries": list(about.libraries.items()),
        "failures": failures,
        "failed": failed,
    }


def _row(r: SiteRow, place: tuple[float, float]) -> dict[str, Any]:
    found = r.antennas - r.counts["unseen"]
    return {
        "site_id": r.site_id,
        "page": r.page,
        "state": words.BY_CODE[r.state],
        "at": f"{place[0]:.1f} {place[1]:.1f}",
        "found": f"{found} of {r.antennas}",
        "out": r.counts["out"],
        "reading": r.disagreeing,
        "undecided": r.counts["undecided"],
        "worst": words.magnitude(r.worst_deg),
        "en": en_text(r.worst_en),
        "causes": " ".join(r.causes),
        "cause_words": "; ".join(in_words(c) for c in r.causes),
        "photos": f"{r.photos_used} of {r.photos}",
        "notes": ", ".join(
            [
                *([words.plural(r.turns, "turn")] if r.turns else []),
                *([words.plural(r.flags, "flag")] if r.flags else []),
            ]
        ),
        "avoided": words.money(r.avoided),
    }


def _summary(tally: IndexCounts) -> list[dict[str, Any]]:
    sites = Counter(r.state for r in tally.rows)
    return [
        {
            "state": s,
            "sites": words.grouped(sites[s.code]),
            "site_share": _share(sites[s.code], len(tally.rows)),
            "antennas": words.grouped(tally.antennas[s.code]),
            "antenna_share": _share(tally.antennas[s.code], tally.antennas.total()),
        }
        for s in words.STATES
    ]


def _share(n: int, of: int) -> str:
    return f"{100.0 * n / of:.0f} %" if of else words.UNKNOWN


def _sentence(tally: IndexCounts) -> list[str]:
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
    if tally.ambiguous:
        said.append(f"{words.plural(tally.ambiguous, 'antenna')} may point in more than one way.")
    if tally.turned:
        was = "was" if tally.turned == 1 else "were"
        said.append(f"{words.plural(tally.turned, 'turn')} of antennas between visits {was} seen.")
    return said


def _causes(tally: IndexCounts) -> list[tuple[str, str, str]]:
    return [(in_words(c), words.grouped(n), words.grouped(tally.cause_sites[c])) for c, n in tally.causes.most_common()]


def _actions(tally: IndexCounts) -> list[tuple[str, str, str]]:
    return [
        (what, words.grouped(tally.actions[a]), words.grouped(tally.action_sites[a]))
        for a, what in _DO.items()
        if tally.actions[a]
    ]


def _revisits(tally: IndexCounts) -> list[dict[str, Any]]:
    return [
        {
            "rank": rank,
            "site_id": one.site_id,
            "page": one.page,
            "avoided": words.money(one.revisit.loss_avoided),
            "trip": one.revisit.trip,
            "antennas": [
                {
                    "antenna_id": i.antenna_id,
                    "instruction": words.as_sentence(i.instruction),
                    "reasons": "; ".join(i.reasons),
                    "bring": i.bring,
                }
                for i in one.revisit.antennas
            ],
        }
        for rank, one in enumerate(sorted(tally.revisits, key=lambda one: one[:2]), 1)
    ]


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
