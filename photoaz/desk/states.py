"""Where each site stands, and what is to be seen of it in a list."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from photoaz.audit.edits import standing_rows
from photoaz.audit.store import KeptSite, LogRow, SiteLine, Store
from photoaz.present.words import UNKNOWN, designs_counted, money, readings_counted
from photoaz.wording import before_you_go

State = Literal["open", "looked", "decided"]
STATES: tuple[State, ...] = ("open", "looked", "decided")
SHOWS = ("flagged", "all", "unsolved", "clear")
ORDERS = ("loss", "name", "flagged")
MOST_ROWS = 200


def state_of(rows: Iterable[LogRow], flagged: int) -> State:
    """Of a site by the rows of its log, and how many of its antennas need action.

    Decided: about the site as a whole, or about every antenna that wanted it when it was decided, where any does.
    """
    kept = list(rows)
    standing, _, _ = standing_rows(kept)
    decided: dict[str, bool] = {}
    for row in standing:
        name = str(row.body.get("antenna_id", ""))
        if row.kind == "decision":
            decided[name] = bool(row.body.get("flagged", True))
        elif row.kind == "no_decision":
            decided.pop(name, None)
    if "" in decided or (decided and sum(decided.values()) >= flagged):
        return "decided"
    return "looked" if kept else "open"


@dataclass(slots=True)
class States:
    """Follows the log, so that a list of many sites needs only what is new in it."""

    store: Store
    _rows: dict[str, list[LogRow]] = field(default_factory=dict)
    _last: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def rows(self) -> Mapping[str, Sequence[LogRow]]:
        """All rows of the log by site, up to now."""
        with self._lock:
            for row in self.store.log(after=self._last):
                self._rows.setdefault(row.site_id, []).append(row)
                self._last = max(self._last, row.log_id)
            return dict(self._rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class SitesWanted:
    """What part of the list somebody wants to see."""

    text: str = ""
    state: str = "any"
    show: str = "flagged"
    order: str = "loss"


def listed(
    lines: Sequence[SiteLine], rows: Mapping[str, Sequence[LogRow]], wanted: SitesWanted
) -> tuple[list[tuple[SiteLine, State]], dict[str, int]]:
    """The sites wanted, in order, and how many of those there are in each state before the state is asked for."""
    text = wanted.text.strip().casefold()
    chosen: list[tuple[SiteLine, State]] = []
    counts: dict[str, int] = dict.fromkeys(STATES, 0)
    for line in lines:
        if text and text not in line.site_id.casefold():
            continue
        if wanted.show == "flagged" and not line.flagged:
            continue
        if wanted.show == "unsolved" and line.solved:
            continue
        if wanted.show == "clear" and (line.flagged or not line.solved):
            continue
        mine = rows.get(line.site_id)
        state: State = "open" if not mine else state_of(mine, line.flagged)
        counts[state] += 1
        if wanted.state in ("any", state):
            chosen.append((line, state))
    if wanted.order == "name":
        chosen.sort(key=lambda c: c[0].site_id)
    elif wanted.order == "flagged":
        chosen.sort(key=lambda c: (-c[0].flagged, -c[0].loss_avoided, c[0].site_id))
    else:
        chosen.sort(key=lambda c: (-c[0].loss_avoided, -c[0].flagged, c[0].site_id))
    return chosen, counts


def row_of(line: SiteLine, state: State, kept: KeptSite | None) -> dict[str, Any]:
    """A site's row in the list, ready for JSON."""
    result = None if kept is None else kept.result
    plan = None if result is None else result.revisit
    todo = () if plan is None else plan.antennas
    return {
        "site_id": line.site_id,
        "state": state,
        "solved": line.solved,
        "photos_used": line.used,
        "failures": 0 if kept is None else len(kept.failures),
        "antennas": 0 if result is None else len(result.antennas),
        "flagged": line.flagged,
        "loss_avoided": line.loss_avoided,
        "loss": money(line.loss_avoided) if line.loss_avoided > 0.0 else UNKNOWN,
        "worst": (todo[0].instruction if todo else None)
        or (None if line.solved else "not solved yet: open it, and it will be"),
        "caution": before_you_go([todo[0].action]) if todo else "",
        "why": todo[0].reasons[0] if todo and todo[0].reasons else None,
        "tally": None
        if line.standing is None
        else {"readings": readings_counted(line.standing), "designs": designs_counted(line.standing)},
        "warnings": 0 if result is None or result.audit is None else len(result.audit.flags),
    }
