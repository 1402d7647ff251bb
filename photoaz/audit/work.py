"""What workers do with a site: open its photos, estimate, draw. Plain functions from tasks to results.

Errors are part of the result.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import cache

from photoaz.addresses import without_secrets
from photoaz.audit.files import PhotoFile, local_copy
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.store import PATIENCE_S, Store
from photoaz.errors import InputError, LostPhotoError
from photoaz.estimate.inputs import LocalPhoto, SiteInputs, Tools
from photoaz.estimate.pipeline import estimate_again, estimate_site
from photoaz.estimate.solve import SolvedSite
from photoaz.memory import Forgetful, Memory
from photoaz.register.model import Site
from photoaz.result import AuditNotes, FileFlag, SiteResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which pictures of photos and which sheets of antennas: 'all', those of something 'flagged', or 'none'."""

    overlays: str = "all"
    sheets: str = "flagged"


#: Draws a site: called with its result, the register's site, the photos by name and what is wanted; gives the result
#: with the paths of what it drew, and the files by path below the folder of results
Draw = Callable[[SiteResult, Site, Mapping[str, LocalPhoto], Wanted], tuple[SiteResult, Mapping[str, bytes]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteTask:
    """Everything that a site's results depend on.

    given: but for its photos, which are opened by whoever solves it; controls and picks are of these photos, by the
    names that they have here. files: of the photos, with whole addresses. excluded: photos of the site that are left
    out, and why. store: URL and audit of where evidence is remembered. key: fingerprint of the rest.
    """

    given: SiteInputs
    photos: tuple[KeptPhoto, ...]
    files: tuple[PhotoFile, ...]
    excluded: tuple[tuple[str, str], ...] = ()
    wanted: Wanted = Wanted()
    draw: Draw
    store: tuple[str, str] | None = None
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOutcome:
    """Of a site's task. result: None where nothing could be made of it. files: by path below the folder of results.

    failures: (photo, reason) pairs. lost: photos that could not be had as they were read; where there are any the key
    is '', so that the site is solved again as soon as they are there.
    """

    site_id: str
    key: str
    result: SiteResult | None
    failures: tuple[tuple[str, str], ...]
    files: Mapping[str, bytes] = field(default_factory=dict)
    lost: tuple[str, ...] = ()

    @classmethod
    def none(cls, task: SiteTask, reason: str, lost: Mapping[str, str] | None = None) -> SiteOutcome:
        """Nothing could be made of a site; lost: photos that have reasons of their own."""
        own = lost or {}
        reasons = dict(task.excluded) | {p.name: own.get(p.name, reason) for p in task.photos}
        site_id, failures = task.given.site.site_id, tuple(sorted(reasons.items()))
        return cls(site_id=site_id, key="", result=None, failures=failures, lost=tuple(own))


def solve_task(
    task: SiteTask,
    tools: Tools | None = None,
    estimate: Callable[[SiteInputs, Tools | None], SiteResult] = estimate_site,
) -> SiteOutcome:
    """Estimate and draw a site. Never raises for what is wrong with photos or with photoaz itself.

    tools : of whoever solves a site again and again; else with the store's memory. estimate : as `estimate_site`.
    """
    memory: Memory = Forgetful() if task.store is None or tools else _memory(*task.store, os.getcwd())
    lost: dict[str, str] = {}
    outcome: SiteOutcome | None = None
    try:
        with ExitStack() as stack:
            local: dict[str, LocalPhoto] = {}
            for photo, file in zip(task.photos, task.files, strict=True):
                try:
                    path = stack.enter_context(local_copy(file))
                except (InputError, OSError) as e:
                    lost[photo.name] = str(e)
                    continue
                record = replace(photo.record, path=path)
                local[photo.name] = LocalPhoto(name=photo.name, path=path, digest=photo.digest, record=record)
            while local and outcome is None:
                try:
                    # own tools go before anything is drawn, and the pixels that they hold with them
                    result = estimate(replace(task.given, photos=tuple(local.values())), tools or Tools(memory=memory))
                    outcome = _outcome(task, result, local, lost)
                except LostPhotoError as e:
                    # solved once more without it: what was worked out about the others is remembered
                    gone = [name for name, p in local.items() if p.path == e.path]
                    lost |= {name: str(e).replace(str(e.path), name, 1) for name in gone}
                    local = {name: p for name, p in local.items() if name not in gone}
        why = "no photo of its site could be opened"
    except Exception as e:  # noqa: BLE001  one site's trouble must not end the audit of the others
        why = f"photoaz failed on site {task.given.site.site_id}: {type(e).__name__}: {e}"
    return outcome or SiteOutcome.none(task, without_secrets(why), lost)


def draft_task(task: SiteTask, last: SolvedSite, tools: Tools) -> SiteOutcome | None:
    """As `solve_task` of a site that was just solved, after a change of marks or controls.

    None where it must be solved anew.
    """
    local = {p.name: LocalPhoto(name=p.name, path=p.record.path, record=p.record) for p in task.photos}
    result = estimate_again(replace(task.given, photos=tuple(local.values())), last, tools)
    return None if result is None else _outcome(task, result, local, {})


def _outcome(
    task: SiteTask, result: SiteResult, photos: Mapping[str, LocalPhoto], lost: Mapping[str, str]
) -> SiteOutcome:
    flags = [(p.name, f) for p in task.photos for f in p.flags]
    notes = tuple(FileFlag(photo=name, code=f.code, severity=f.severity, message=f.message) for name, f in flags)
    # those of a neighbour are its own to count
    own = {p.name for p in task.photos if p.site_id == task.given.site.site_id}
    told = [p for p in result.photos if p.photo in own]
    used = sum(p.status == "used" for p in told)
    result = replace(result, audit=AuditNotes(photos=len(told), used=used, flags=notes))
    result, drawn = task.draw(result, task.given.site, photos, task.wanted)
    failed = {p.photo: p.reason or "no reason given" for p in told if p.status == "rejected"}
    return SiteOutcome(
        site_id=task.given.site.site_id,
        key="" if lost else task.key,
        result=result,
        failures=tuple(sorted({**dict(task.excluded), **lost, **failed}.items())),
        files=drawn,
        lost=tuple(lost),
    )


@cache
def _memory(url: str, audit: str, folder: str) -> Memory:
    """One connection to the store for each process; in another current folder a relative address is another store's."""
    return Store.open(url, audit, create=False, patience_s=PATIENCE_S)
