"""What workers do: read a file, solve a site. Plain functions from tasks to results; errors are part of the result."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from photoaz.audit.doubts import Flag
from photoaz.audit.files import PhotoFile, local_copy
from photoaz.audit.store import Store
from photoaz.errors import InputError
from photoaz.estimate.gather import LocalPhoto, day_taken
from photoaz.judgement.drift import Turn, Visit, turns_between, visits_of
from photoaz.judgement.impact import with_site_impact
from photoaz.judgement.judge import AntennaJudgement, judge_site
from photoaz.judgement.revisit import Costs, SiteRevisit, plan_site
from photoaz.memory import Forgetful, Memory
from photoaz.photo.calibration import Calibration
from photoaz.photo.picture import Darkroom
from photoaz.photo.record import PhotoRecord
from photoaz.register.history import ReadingHistory, notes_at, site_at
from photoaz.register.model import Control, Pick, Site
from photoaz.result import AntennaSolution, SiteSolution

if TYPE_CHECKING:
    from photoaz.estimate.solve import Bench

# ---------------------------------------------------------------------------------------------------------------------
# Solving


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePhoto:
    """A photo of a site. name: as results have it. flags: what the audit found about the file."""

    name: str
    file: PhotoFile
    digest: str
    record: PhotoRecord
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteTask:
    """Everything that a site's results depend on.

    controls, picks: of these photos, by the names that the photos have here. excluded: photos of the site that are left
    out, and why. store: URL and audit of where evidence is
    remembered. key: fingerprint of the rest.
    """

    site: Site
    photos: tuple[SitePhoto, ...]
    excluded: tuple[tuple[str, str], ...] = ()
    history: ReadingHistory = field(default_factory=dict)
    controls: tuple[Control, ...] = ()
    picks: tuple[Pick, ...] = ()
    calibration: Calibration | None = None
    risk: float | None = None
    costs: Costs | None = None
    overlays: str = "all"
    sheets: str = "flagged"
    present: Present
    store: tuple[str, str] | None = None
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """One site, solved and judged. site: with the readings and designs in force when the photos were taken.

    visits: each with its solution, where there are several; sites: as `site` at each. turns: between visits that follow
    one another. notes: on the readings in force, by antenna_id. files: where the photos lie, by name. flags: of photos,
    by name. overlays, sheets: as `AuditInputs`.
    """

    site: Site
    solution: SiteSolution
    judgements: Mapping[str, AntennaJudgement]
    plan: SiteRevisit
    visits: tuple[tuple[Visit, SiteSolution], ...]
    sites: Mapping[Visit, Site]
    turns: tuple[Turn, ...]
    notes: Mapping[str, tuple[str, ...]]
    files: Mapping[str, Path]
    flags: Mapping[str, tuple[Flag, ...]]
    overlays: str
    sheets: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Presented:
    """What people read of a site. document: its part of estimates.json; files: by path below the folder of results."""

    document: Mapping[str, Any]
    files: Mapping[str, bytes]


Present = Callable[[Solved], Presented]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOutcome:
    """Of a site's task. presented: None where nothing could be made of it; failures: (photo, reason) pairs."""

    site_id: str
    key: str
    presented: Presented | None
    failures: tuple[tuple[str, str], ...]
    used: int
    flagged: int

    @classmethod
    def none(cls, task: SiteTask, reason: str, failures: Mapping[str, str] | None = None) -> SiteOutcome:
        """Nothing could be made of a site; failures: of photos that have reasons of their own."""
        own = failures or {}
        reasons = dict(task.excluded) | {p.name: own.get(p.name, reason) for p in task.photos}
        return cls(
            site_id=task.site.site_id,
            key=task.key,
            presented=None,
            failures=tuple(sorted(reasons.items())),
            used=0,
            flagged=0,
        )


def solve_task(
    task: SiteTask, *, memory: Memory | None = None, room: Darkroom | None = None, bench: Bench | None = None
) -> SiteOutcome:
    """Solve, judge and present a site. Never raises for what is wrong with photos or with photoaz itself.

    memory, room, bench : of whoever solves a site again and again; else the store's, and none.
    """
    if memory is None:
        memory = Forgetful() if task.store is None else _memory(*task.store)
    failures: dict[str, str] = dict(task.excluded)
    try:
        with ExitStack() as stack:
            local: list[LocalPhoto] = []
            for photo in task.photos:
                try:
                    path = stack.enter_context(local_copy(photo.file))
                except (InputError, OSError) as e:
                    failures[photo.name] = str(e)
                    continue
                record = replace(photo.record, path=path)
                local.append(LocalPhoto(name=photo.name, path=path, digest=photo.digest, record=record))
            if not local:
                return SiteOutcome.none(task, "no photo of its site could be opened", failures)
            solved = solved_site(task, local, memory, room, bench)
            presented = task.present(solved)
    except Exception as e:  # noqa: BLE001  one site's trouble must not end the audit of the others
        why = f"photoaz failed on site {task.site.site_id}: {type(e).__name__}: {e}"
        return SiteOutcome.none(task, why, failures)
    return _outcome(task, presented, solved.solution, failures)


def _outcome(task: SiteTask, presented: Presented, solution: SiteSolution, failures: Mapping[str, str]) -> SiteOutcome:
    failed = {p.photo: p.reason or "no reason given" for p in solution.photos if p.status == "rejected"}
    failures = {**failures, **failed}
    antennas = presented.document.get("antennas", ())
    return SiteOutcome(
        site_id=task.site.site_id,
        key=task.key,
        presented=presented,
        failures=tuple(sorted(failures.items())),
        used=sum(p.status == "used" for p in solution.photos),
        flagged=sum(bool(a.get("revisit")) for a in antennas),
    )


@cache
def _memory(url: str, audit: str) -> Memory:
    """One connection to the store for each process."""
    return Store.open(url, audit, create=False).memory()


def solved_site(
    task: SiteTask,
    photos: Sequence[LocalPhoto],
    memory: Memory,
    room: Darkroom | None = None,
    bench: Bench | None = None,
) -> Solved:
    """All visits by themselves where there are several, and together what no turn parts.

    photos : the task's, opened. memory, room : as of `solve_task`.
    """
    days = {p.name: None if p.record is None else day_taken(p.record) for p in photos}
    visits = visits_of(days)
    files = {p.name: p for p in photos}

    def solve(names: Sequence[str], site: Site) -> SiteSolution:
        from photoaz.estimate.solve import solve_site

        return solve_site(
            site,
            [files[name] for name in names],
            controls=task.controls,
            picks=task.picks,
            calibration=task.calibration,
            memory=memory,
            room=room,
            bench=bench,
        )

    def then(visit: Visit) -> Site:
        return site_at(task.site, task.history, visit.last)

    each: tuple[tuple[Visit, SiteSolution], ...] = ()
    turns: tuple[Turn, ...] = ()
    names = list(files)
    dated = [v for v in visits if v.last is not None]
    site = then(dated[-1]) if dated else task.site
    if len(visits) > 1:
        each = tuple((v, solve(v.photos, then(v))) for v in visits)
        known = [(v, s) for v, s in each if v.last is not None]
        turns = tuple(turn for (v1, s1), (v2, s2) in pairwise(known) for turn in turns_between(s1, s2, v1, v2))
        last_turn = max((t.later for t in turns if t.turned), default=None)
        # what was there before an antenna turned says nothing of how it stands now
        since = [v for v in visits if last_turn is None or (v.first is not None and v.first >= last_turn)]
        names = [name for v in since for name in v.photos]
    solution = solve(names, site)
    left = [name for name in files if name not in names]
    if left:
        solution = replace(solution, photos=(*solution.photos, *_earlier(each, left)))
    return _judged(task, photos, site, solution, each, turns)


def draft_task(task: SiteTask, bench: Bench, *, memory: Memory) -> SiteOutcome | None:
    """As `solve_task` of a site that was just solved, after a change of marks or controls, from `solve_again`.

    None where that cannot do it, or photos of several visits are weighed against each other.
    """
    from photoaz.estimate.solve import solve_again

    days = {p.name: day_taken(p.record) for p in task.photos}
    visits = visits_of(days)
    if len(visits) > 1:
        return None
    solution = solve_again(bench, controls=task.controls, picks=task.picks, memory=memory)
    if solution is None or {p.photo for p in solution.photos} != set(days):
        return None
    dated = [v for v in visits if v.last is not None]
    site = site_at(task.site, task.history, dated[-1].last) if dated else task.site
    local = [LocalPhoto(name=p.name, path=p.record.path, record=p.record) for p in task.photos]
    return _outcome(task, task.present(_judged(task, local, site, solution)), solution, dict(task.excluded))


def _judged(
    task: SiteTask,
    photos: Sequence[LocalPhoto],
    site: Site,
    solution: SiteSolution,
    each: tuple[tuple[Visit, SiteSolution], ...] = (),
    turns: tuple[Turn, ...] = (),
) -> Solved:
    """A solution with what follows from it. site: as it was when the photos were taken."""
    days = {p.name: None if p.record is None else day_taken(p.record) for p in photos}
    dated = [v for v in visits_of(days) if v.last is not None]
    photo_days = {a.antenna_id: _day_seen(a, days) for a in solution.antennas}
    judgements = (
        judge_site(site, solution, photo_days)
        if task.risk is None
        else judge_site(site, solution, photo_days, task.risk)
    )
    judgements = with_site_impact(site, solution, judgements)
    return Solved(
        site=site,
        solution=solution,
        judgements=judgements,
        plan=plan_site(site, solution, judgements, task.costs),
        visits=each,
        sites={v: site_at(task.site, task.history, v.last) for v, _ in each},
        turns=turns,
        notes=notes_at(task.site, task.history, dated[-1].last if dated else None),
        files={p.name: p.path for p in photos},
        flags={p.name: p.flags for p in task.photos if p.flags},
        overlays=task.overlays,
        sheets=task.sheets,
    )


def _earlier(visits: Sequence[tuple[Visit, SiteSolution]], names: Sequence[str]) -> list[Any]:
    """The photos of visits before a turn, as their own visit's solution has them."""
    flag = "taken before an antenna of the site turned: used for the history only"
    return [
        replace(photo, flags=(*photo.flags, flag)) if photo.status == "used" else photo
        for _, solution in visits
        for photo in solution.photos
        if photo.photo in names
    ]


def _day_seen(antenna: AntennaSolution, days: Mapping[str, date | None]) -> date | None:
    """The day of the latest photo that shows the antenna; of the latest at all where none does."""
    seen = [day for view in antenna.evidence if (day := days.get(view.photo)) is not None]
    return max(seen or [day for day in days.values() if day is not None], default=None)
