"""The index of all sites: what is counted of each as its page is written, and the page at the end."""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from markupsafe import Markup

from photoaz.present import words
from photoaz.present.pages.about import ReportAbout, first_failures
from photoaz.present.pages.map import SiteMap, Spot, site_map
from photoaz.present.pages.site import ACTIONS
from photoaz.present.words import Document

#: rows of the table that are laid out at once; the next ones are in the page, or on further plain pages
ROWS_SHOWN = 1000
#: sites that the index itself can search; beyond, the further pages and sites.geojson serve
MOST_ROWS = 20_000
MOST_REVISITS = 100
_DO = {
    "climb": "Climb, measure, and turn where it is out",
    "read_again": "Go and read again with an instrument from the ground",
    "photo": "Go and take one more photo from the ground",
    "desk": "Look something up at the desk",
    "check_records": "Check labels and cabling records at the desk",
    "correct_register": "Correct a row of the register",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRow:
    """What the index keeps of a site."""

    site_id: str
    page: str
    state: str
    lat_deg: float | None
    lon_deg: float | None
    antennas: int
    counts: dict[str, int]
    disagreeing: int
    worst_deg: float | None
    worst_en: float | None
    causes: tuple[str, ...]
    photos_used: int
    photos: int
    flags: int
    turns: int
    avoided: float | None
    order: tuple[float, float, str]


@dataclass(slots=True, kw_only=True)
class Tally:
    """Counted over all sites, one after another; the documents themselves are not kept."""

    rows: list[SiteRow] = field(default_factory=list)
    antennas: Counter[str] = field(default_factory=Counter)
    readings: Counter[str] = field(default_factory=Counter)
    causes: Counter[str] = field(default_factory=Counter)
    cause_sites: Counter[str] = field(default_factory=Counter)
    actions: Counter[str] = field(default_factory=Counter)
    action_sites: Counter[str] = field(default_factory=Counter)
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
    revisits: list[tuple[Any, int, str, str, Document]] = field(default_factory=list)

    def add(self, site: Document, page: str) -> None:
        """Count a site, whose page has that name."""
        antennas = list(site.get("antennas") or ())
        codes = [words.antenna_state(a) for a in antennas]
        counts = dict(Counter(codes))
        revisit = site.get("revisit") or {}
        avoided, now = revisit.get("loss_avoided"), revisit.get("expected_loss_now")
        site_id = str(site.get("site_id"))
        order = (-round(avoided or 0.0, 6), -round(now or 0.0, 6), site_id)
        causes = sorted({c for a in antennas if (c := (a.get("reading") or {}).get("likely_cause"))})
        flags = (site.get("audit") or {}).get("flags") or ()
        photos = site.get("photos") or ()
        self.antennas.update(codes)
        self.ambiguous += sum(a.get("status") == "ambiguous" for a in antennas)
        self.readings.update(_reading_state(a) for a in antennas)
        self.causes.update(c for a in antennas if (c := (a.get("reading") or {}).get("likely_cause")))
        self.cause_sites.update(causes)
        self.flags.update(str(f.get("code")) for f in flags)
        self.turned += len(site.get("turns") or ())
        self._revisit(site_id, page, revisit, order)
        reach = [abs(d) for a in antennas if (d := (a.get("design") or {}).get("deviation_deg")) is not None]
        ens = [e for a in antennas if (e := (a.get("reading") or {}).get("en")) is not None]
        self.rows.append(
            SiteRow(
                site_id=site_id,
                page=page,
                state=words.site_state(codes),
                lat_deg=site.get("lat_deg"),
                lon_deg=site.get("lon_deg"),
                antennas=len(antennas),
                counts=counts,
                disagreeing=sum((a.get("reading") or {}).get("agrees") is False for a in antennas),
                worst_deg=max(reach, default=None),
                worst_en=max(ens, default=None),
                causes=tuple(causes),
                photos_used=sum(p.get("status") == "used" for p in photos),
                photos=(site.get("audit") or {}).get("photos", len(photos)),
                flags=len(flags),
                turns=len(site.get("turns") or ()),
                avoided=avoided,
                order=order,
            )
        )

    def _revisit(self, site_id: str, page: str, revisit: Document, order: tuple[float, float, str]) -> None:
        self.loss_now += revisit.get("expected_loss_now") or 0.0
        self.loss_after += revisit.get("expected_loss_after") or 0.0
        self.cost += revisit.get("cost") or 0.0
        self.avoided += revisit.get("loss_avoided") or 0.0
        self.unit = str(revisit.get("unit") or self.unit)
        todo = [i for i in revisit.get("antennas") or () if i.get("action") != "leave"]
        if not todo:
            return
        self.todo_sites += 1
        self.trips += bool(revisit.get("trip"))
        self.actions.update(str(i.get("action")) for i in todo)
        self.action_sites.update({str(i.get("action")) for i in todo})
        # a heap with the least worthwhile on top, for the next to push out; the number breaks ties
        item = (_Reversed(order), len(self.rows), site_id, page, revisit | {"antennas": todo})
        if len(self.revisits) < MOST_REVISITS:
            heapq.heappush(self.revisits, item)
        else:
            heapq.heappushpop(self.revisits, item)


class _Reversed:
    """A key that sorts the other way round."""

    __slots__ = ("key",)

    def __init__(self, key: Any) -> None:
        self.key = key

    def __lt__(self, other: _Reversed) -> bool:
        return bool(other.key < self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Reversed) and bool(self.key == other.key)

    __hash__ = None  # type: ignore[assignment]


def _reading_state(antenna: Document) -> str:
    reading = antenna.get("reading")
    if not reading:
        return "none"
    agrees = reading.get("agrees")
    return "open" if agrees is None else "agrees" if agrees else "disagrees"


# ---- the page --------------------------------------------------------------------------------------------------------


def index_context(tally: Tally, about: ReportAbout) -> dict[str, Any]:
    """Everything that the index shows; rows in the order of the loss avoided."""
    rows = sorted(tally.rows, key=lambda r: (r.order, [s.code for s in words.STATES].index(r.state), r.page))
    placed = [k for k, r in enumerate(rows) if _placed(r)]
    plan = site_map(
        [
            Spot(site_id=r.site_id, state=r.state, lat_deg=r.lat_deg or 0.0, lon_deg=r.lon_deg or 0.0)
            for r in (rows[k] for k in placed)
        ]
    )
    places = dict(zip(placed, plan.places, strict=True)) if plan else {}
    shown = [_row(r, places.get(k)) for k, r in enumerate(rows)]
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
        "map_words": _map_words(plan, len(rows) - len(placed)),
        "revisits": _revisits(tally),
        "revisits_left": tally.todo_sites - len(tally.revisits),
        "rows": shown[:ROWS_SHOWN],
        "more_rows": shown[ROWS_SHOWN:MOST_ROWS],
        "later_rows": shown[ROWS_SHOWN:],
        "not_searched": max(0, len(rows) - MOST_ROWS),
        "states": words.STATES,
        "cause_names": [(c, words.cause_words(c)) for c in sorted(tally.causes, key=words.cause_words)],
        "about": about,
        "counts": [(k.replace("_", " "), words.grouped(v)) for k, v in about.counts.items()],
        "inputs": about.inputs,
        "parameters": [(k, str(v)) for k, v in about.parameters.items()],
        "libraries": list(about.libraries.items()),
        "failures": failures,
        "failed": failed,
    }


def _placed(r: SiteRow) -> bool:
    return r.lat_deg is not None and r.lon_deg is not None


def _row(r: SiteRow, place: tuple[float, float] | None) -> dict[str, Any]:
    found = r.antennas - r.counts.get("unseen", 0)
    return {
        "site_id": r.site_id,
        "page": r.page,
        "state": words.BY_CODE[r.state],
        "at": "" if place is None else f"{place[0]:.1f} {place[1]:.1f}",
        "found": f"{found} of {r.antennas}",
        "out": r.counts.get("out", 0),
        "reading": r.disagreeing,
        "undecided": r.counts.get("undecided", 0),
        "worst": words.magnitude(r.worst_deg),
        "en": words.number(r.worst_en),
        "causes": " ".join(r.causes),
        "cause_words": "; ".join(words.cause_words(c) for c in r.causes),
        "photos": f"{r.photos_used} of {r.photos}",
        "notes": ", ".join(
            [
                *([words.plural(r.turns, "turn")] if r.turns else []),
                *([words.plural(r.flags, "flag")] if r.flags else []),
            ]
        ),
        "avoided": words.money(r.avoided),
    }


def _summary(tally: Tally) -> list[dict[str, Any]]:
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


def _sentence(tally: Tally) -> list[str]:
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


def _causes(tally: Tally) -> list[tuple[str, str, str]]:
    return [
        (words.cause_words(c), words.grouped(n), words.grouped(tally.cause_sites[c]))
        for c, n in tally.causes.most_common()
    ]


def _actions(tally: Tally) -> list[tuple[str, str, str]]:
    known = [a for a in _DO if tally.actions[a]]
    rest = [a for a in tally.actions if a not in _DO]
    return [
        (_DO.get(a, ACTIONS.get(a, a)), words.grouped(tally.actions[a]), words.grouped(tally.action_sites[a]))
        for a in [*known, *rest]
    ]


def _revisits(tally: Tally) -> list[dict[str, Any]]:
    ranked = sorted(tally.revisits, key=lambda i: (i[0].key, i[1]))
    return [
        {
            "rank": rank,
            "site_id": site_id,
            "page": page,
            "avoided": words.money(revisit.get("loss_avoided")),
            "cost": words.money(revisit.get("cost")),
            "trip": bool(revisit.get("trip")),
            "antennas": [
                {
                    "antenna_id": str(i.get("antenna_id")),
                    "instruction": words.as_sentence(str(i.get("instruction") or "")),
                    "reasons": "; ".join(str(r) for r in i.get("reasons") or ()),
                    "bring": i.get("bring"),
                }
                for i in revisit["antennas"]
            ],
        }
        for rank, (_, _, site_id, page, revisit) in enumerate(ranked, 1)
    ]


def _map_words(plan: SiteMap | None, unplaced: int) -> str:
    said = []
    if plan is not None and plan.thinned:
        said.append("Marks of one state that would cover each other are drawn once: come nearer to part them.")
    if plan is not None and plan.outside:
        far = words.plural(plan.outside, "site lies", "sites lie")
        said.append(f"{far} far from the others, outside this view: check the coordinates.")
    if plan is not None and plan.note:
        said.append(f"Lengths hold{plan.note} and change away from it.")
    if unplaced:
        said.append(f"{words.plural(unplaced, 'site has', 'sites have')} no position.")
    return " ".join(said)


def in_pages(rows: Sequence[Any]) -> list[Sequence[Any]]:
    """Rows cut into further plain pages."""
    return [rows[k : k + ROWS_SHOWN] for k in range(0, len(rows), ROWS_SHOWN)]
