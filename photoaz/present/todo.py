"""What is to be done at a site, an entry for each action: 'correct the 7 readings of A1, A2, ...'."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from photoaz.angles import format_u95_deg as spelled
from photoaz.present.words import short_label
from photoaz.result import Action, RevisitItem

_CORRECTED = re.compile(r"^(?P<what>.*?)[;,] corrected, that of .+? is (?P<value>.+)$", re.DOTALL)
_MOST_REASONS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Todo:
    """One action about some antennas of a site; items: what it is made of, in their order."""

    action: Action
    antennas: str
    instruction: str
    reasons: tuple[str, ...]
    bring: tuple[str, ...]
    items: tuple[RevisitItem, ...]


def merged(items: Iterable[RevisitItem], site_id: str) -> tuple[Todo, ...]:
    """The same action about several antennas as one; each antenna's own figures stay in it."""
    groups: dict[tuple[str, str], list[RevisitItem]] = {}
    for item in items:
        groups.setdefault((item.action, _alike(item)), []).append(item)
    return tuple(_todo(tuple(some), site_id) for some in groups.values())


def _alike(item: RevisitItem) -> str:
    """What tells actions of one kind apart: a photo's place, a correction's cause."""
    if item.action == "correct_register" and (found := _CORRECTED.match(item.instruction)):
        return found["what"]
    if item.action in ("photo", "desk"):
        return item.instruction.split("; U95 then")[0].replace(item.antenna_id, "…")
    return ""


def _todo(items: tuple[RevisitItem, ...], site_id: str) -> Todo:
    names = [short_label(i.antenna_id, site_id) for i in items]
    reasons = list(dict.fromkeys(r for i in items for r in i.reasons))
    if len(reasons) > _MOST_REASONS:
        reasons = [*reasons[:_MOST_REASONS], f"and {len(reasons) - _MOST_REASONS} more reasons on the site's page"]
    return Todo(
        action=items[0].action,
        antennas=", ".join(names),
        instruction=items[0].instruction if len(items) == 1 else _together(items, names),
        reasons=tuple(reasons),
        bring=tuple(dict.fromkeys(i.bring for i in items if i.bring)),
        items=items,
    )


def _together(items: tuple[RevisitItem, ...], names: list[str]) -> str:
    """The instructions of some antennas as one sentence."""
    action, every = items[0].action, ", ".join(names)
    own = [f"{n}: {_own(i)}" for n, i in zip(names, items, strict=True)]
    if action == "correct_register":
        found = [_CORRECTED.match(i.instruction) for i in items]
        if all(found):
            cause = found[0]["what"].split(": ", 1)[-1] if found[0] else ""
            corrected = ", ".join(f"{n} {m['value']}" for n, m in zip(names, found, strict=True) if m)
            return f"correct the {len(items)} readings of {every}, no visit needed: {cause}; corrected: {corrected}"
        return f"correct the register for {every}: {'; '.join(own)}"
    if action == "climb":
        return f"climb once and measure {every}: {'; '.join(own)}"
    if action == "read_again":
        return (
            f"read the azimuths of {every} again, from the ground, with another instrument or from another place"
            + "".join(f"; {o}" for o in own if "correct the reading" in o)
        )
    if action in ("photo", "desk"):
        first = items[0].instruction.split("; U95 then")[0].replace(items[0].antenna_id, every)
        then = [
            f"{n} ± {spelled(i.u95_then_deg)}" for n, i in zip(names, items, strict=True) if i.u95_then_deg is not None
        ]
        return first + (f"; U95 then: {', '.join(then)}" if then else "")
    return "; ".join(own)


def _own(item: RevisitItem) -> str:
    """What an instruction says of one antenna besides its name and the action's."""
    said = item.instruction.removeprefix("climb: ").removeprefix("correct the register: ")
    for opening in (f"measure {item.antenna_id}, and ", f"{item.antenna_id} is "):
        said = said.removeprefix(opening)
    return said
