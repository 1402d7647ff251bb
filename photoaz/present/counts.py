"""What an archive's sites come to, counted one after another as they pass; the results themselves are not kept."""

from __future__ import annotations

import heapq
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from markupsafe import Markup

from photoaz.judgement.standing import Tally, tally_of
from photoaz.present import words
from photoaz.present.antenna_rows import MOST_ROWS, Badness, ChartNumbers, antenna_rows
from photoaz.result import LikelyCause, Revisit, SiteResult

MOST_REVISITS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRow:
    """What is kept of a site. counts: antennas by their state's code; order: the rows' order, least first."""

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


class Listed(NamedTuple):
    """A site on the list of what to do; sorts the other way round, the least worthwhile first."""

    order: tuple[float, float, str]
    number: int  # breaks ties
    site_id: str
    page: str
    revisit: Revisit

    def __lt__(self, other: tuple[object, ...]) -> bool:
        return (self.order, self.number) > other[:2]


@dataclass(slots=True, kw_only=True)
class ArchiveCounts:
    """Counted over all sites.

    antennas: by state; tally: by how readings and designs stand; statuses, decisions, causes, actions, flags: by their
    names, with the sites that have any. loss_now, loss_after, cost, avoided: sums, in `unit`. seen_turns:
    between visits, turned: those of them that stand out. wanted, wanted_sites: antennas to be visited again.
    revisits: the most worthwhile, with what is to be done. antenna_rows, numbers: for the report's table and charts.
    """

    rows: list[SiteRow] = field(default_factory=list)
    antennas: Counter[str] = field(default_factory=Counter)
    statuses: Counter[str] = field(default_factory=Counter)
    decisions: Counter[str] = field(default_factory=Counter)
    tally: Tally = field(default_factory=Tally)
    causes: Counter[LikelyCause] = field(default_factory=Counter)
    cause_sites: Counter[LikelyCause] = field(default_factory=Counter)
    actions: Counter[str] = field(default_factory=Counter)
    action_sites: Counter[str] = field(default_factory=Counter)
    flags: Counter[str] = field(default_factory=Counter)
    loss_now: float = 0.0
    loss_after: float = 0.0
    cost: float = 0.0
    avoided: float = 0.0
    unit: str = "units"
    seen_turns: int = 0
    turned: int = 0
    trips: int = 0
    todo_sites: int = 0
    wanted: int = 0
    wanted_sites: int = 0
    revisits: list[Listed] = field(default_factory=list)
    antenna_rows: list[tuple[Badness, Markup]] = field(default_factory=list)
    numbers: ChartNumbers = field(default_factory=ChartNumbers)

    def add(self, site: SiteResult, page: str = "") -> None:
        """Count a site, whose page has that name."""
        self.numbers.add(site, page)
        for a, line in zip(site.antennas, antenna_rows(site, page), strict=True):
            if len(self.antenna_rows) < MOST_ROWS or words.antenna_state(a) != "ok":
                self.antenna_rows.append(line)
        states = Counter(words.antenna_state(a) for a in site.antennas)
        readings = [a.reading for a in site.antennas if a.reading is not None]
        causes = Counter(r.likely_cause for r in readings if r.likely_cause is not None)
        wanted = sum(a.revisit for a in site.antennas)
        self.antennas += states
        self.statuses.update(a.status for a in site.antennas)
        self.decisions.update(a.design.decision for a in site.antennas)
        self.tally += tally_of(site.antennas)
        self.causes.update(causes)
        self.cause_sites.update(causes.keys())
        self.flags.update(f.code for f in (() if site.audit is None else site.audit.flags))
        self.seen_turns += len(site.turns)
        self.turned += sum(t.turned for t in site.turns)
        self.wanted += wanted
        self.wanted_sites += wanted > 0
        revisit = site.revisit or Revisit(sentence="")
        row = _row(site, page, states, tuple(sorted(causes)), revisit)
        self._revisit(row, revisit)
        self.rows.append(row)

    def _revisit(self, row: SiteRow, revisit: Revisit) -> None:
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
        item = Listed(row.order, len(self.rows), row.site_id, row.page, replace(revisit, antennas=todo))
        if len(self.revisits) < MOST_REVISITS:
            heapq.heappush(self.revisits, item)
        else:
            heapq.heappushpop(self.revisits, item)


def _row(
    site: SiteResult, page: str, states: Counter[str], causes: tuple[LikelyCause, ...], revisit: Revisit
) -> SiteRow:
    deviations = [abs(d) for a in site.antennas if (d := a.design.deviation_deg) is not None]
    en = [r.en for a in site.antennas if (r := a.reading) is not None and r.en is not None]
    return SiteRow(
        site_id=site.site_id,
        page=page,
        state=words.site_state(states),
        lat_deg=site.lat_deg,
        lon_deg=site.lon_deg,
        antennas=len(site.antennas),
        counts=states,
        disagreeing=sum(words.disagrees(a) for a in site.antennas),
        worst_deg=max(deviations, default=None),
        worst_en=max(en, default=None),
        causes=causes,
        photos_used=sum(p.status == "used" for p in site.photos),
        photos=len(site.photos) if site.audit is None else site.audit.photos,
        flags=0 if site.audit is None else len(site.audit.flags),
        turns=len(site.turns),
        avoided=revisit.loss_avoided,
        order=(-round(revisit.loss_avoided, 6), -round(revisit.expected_loss_now, 6), site.site_id),
    )
