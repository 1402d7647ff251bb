"""What the page shows of a site, ready for JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from photoaz.audit.edits import EDITS, VERDICTS, control_slot, standing_rows
from photoaz.audit.files import base_name
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.store import LogRow
from photoaz.desk.session import Desk, SiteNow
from photoaz.desk.solver import Answer
from photoaz.desk.states import state_of
from photoaz.desk.tiles import TILE_PX, Size
from photoaz.estimate.controls import sun_then
from photoaz.geodesy.frames import EnuFrame
from photoaz.judgement.standing import Tally, reading_standing, tally_of
from photoaz.photo.record import PhotoRecord
from photoaz.present.words import BY_CODE, READING_WORDS, antenna_state, design_words, designs_text, readings_text
from photoaz.result import SiteResult
from photoaz.wording import GOING, before_you_go


def site_view(desk: Desk, now: SiteNow) -> dict[str, Any]:
    """Everything about a site."""
    frame = EnuFrame(lat_deg=now.site.lat_deg, lon_deg=now.site.lon_deg, height_m=0.0)
    return {
        "site_id": now.site.site_id,
        "lat_deg": now.site.lat_deg,
        "lon_deg": now.site.lon_deg,
        "current": now.current,
        "notes": list(desk.given().notes),
        # by action and by decision
        "cautions": {action: before_you_go([action]) for action in GOING} | {"revisit": before_you_go(["photo"])},
        "photos": [_photo(p, frame) for p in now.photos],
        "antennas": [a.antenna_id for a in now.site.antennas],
        "document": None if now.kept is None else document_view(now.kept.result),
        **edits_view(now),
    }


def edits_view(now: SiteNow) -> dict[str, Any]:
    """What holds of people's work at a site, and the history of it. here: said at the desk, not in a table."""
    edits = now.edits
    by_id = {r.log_id: r for r in now.log}
    mine = {control_slot(c) for c in edits.controls}
    return {
        "picks": [asdict(p) | {"here": p in edits.picks} for p in now.task.given.picks],
        "controls": [asdict(c) | {"here": control_slot(c) in mine} for c in now.task.given.controls],
        "lines": _lines(now),
        "excluded": {name: asdict(e) for name, e in edits.excluded.items()},
        "changed": sorted(edits.changed),
        "decisions": [asdict(d) | {"words": VERDICTS[d.verdict]} for d in edits.decisions],
        "undo": _said(by_id.get(edits.undo or -1)),
        "redo": _said(by_id.get(edits.redo or -1)),
        "history": history(now.log),
        "state": state_of(now.log, 0 if now.kept is None else now.kept.flagged),
    }


def history(rows: Sequence[LogRow]) -> list[dict[str, Any]]:
    """Who did what and when, the newest first; what was undone says so."""
    standing = {r.log_id for r in standing_rows(rows)[0]}
    return [
        {"at": r.at, "who": r.who, "words": _words(r), "undone": r.log_id not in standing}
        for r in reversed(rows)
        if r.kind in EDITS
    ]


def answer_view(answer: Answer | None) -> dict[str, Any]:
    """What the solver came to."""
    if answer is None:
        return {"solving": True}
    return {
        "solving": False,
        "ticket": answer.ticket,
        "draft": answer.draft,
        "error": answer.error,
        "took_ms": round(1000.0 * answer.took_s),
        "document": document_view(answer.result),
    }


def document_view(result: SiteResult | None) -> dict[str, Any] | None:
    """A site's document, with how it and each of its antennas stand in the words of the report."""
    if result is None:
        return None
    document = result.document()
    for told, a in zip(document["antennas"], result.antennas, strict=True):
        state = BY_CODE[antenna_state(a)]
        verdict = {"reading": READING_WORDS[reading_standing(a)], "design": design_words(a)}
        told["standing"] = {"state": state.code, "word": state.word, **verdict}
    return document | {"tally": tally_view(tally_of(result.antennas))}


def tally_view(tally: Tally) -> dict[str, Any]:
    """How many antennas there are, and how their readings and designs stand."""
    return {"antennas": tally.antennas(), "readings": readings_text(tally), "designs": designs_text(tally)}


def _photo(photo: KeptPhoto, frame: EnuFrame) -> dict[str, Any]:
    out: dict[str, Any] = {
        "photo": photo.name,
        "label": base_name(photo.name),
        "folder": photo.name[: -len(base_name(photo.name))].rstrip("/\\"),
        "digest": photo.digest,
        "size": None,
        "reason": photo.reason,
        "copy_of": photo.copy_of,
        "flags": [f.message for f in photo.flags],
    }
    return out if photo.facts is None else out | record_view(photo.record) | {"sun": _sun(photo.record, frame)}


def record_view(record: PhotoRecord) -> dict[str, Any]:
    """What a photo's metadata tell the page."""
    size = Size(record.width_px, record.height_px)
    position = record.position
    return {
        "size": asdict(size) | {"levels": size.levels(), "tile_px": TILE_PX},
        "taken": _taken(record),
        "camera": " ".join(dict.fromkeys(w for w in (record.make, record.model) if w)) or None,
        "position": None if position is None else {"lat_deg": position.lat_deg, "lon_deg": position.lon_deg},
        "compass_deg": None if record.heading is None else record.heading.value_deg,
        "findings": [f.message for f in record.findings if f.severity != "info"],
    }


def _taken(record: PhotoRecord) -> str | None:
    if record.taken is None:
        return None
    when = record.taken.local or record.taken.utc
    return None if when is None else when.strftime("%Y-%m-%d %H:%M")


def _sun(record: PhotoRecord, frame: EnuFrame) -> dict[str, Any]:
    """Where it stood, or the reason why nobody knows."""
    then = sun_then(record, frame)
    if isinstance(then, str):
        return {"azimuth_deg": None, "elevation_deg": None, "reason": then}
    return {"azimuth_deg": round(then.sun.azimuth_deg, 2), "elevation_deg": round(then.sun.elevation_deg, 2)}


def _lines(now: SiteNow) -> list[dict[str, Any]]:
    """Plumb lines that rolls were told from, the latest of each photo."""
    rolls = {c.photo: c.value_deg for c in now.edits.controls if c.kind == "roll"}
    names = {p.digest: p.name for p in now.photos}
    out: dict[str, dict[str, Any]] = {}
    for row in standing_rows(now.log)[0]:
        line = row.body.get("line_px")
        photo = names.get(row.digest, row.photo)
        if row.kind == "control" and line and photo is not None and rolls.get(photo) == row.body.get("value_deg"):
            out[photo] = {"photo": photo, "line_px": line}
    return list(out.values())


def _said(row: LogRow | None) -> dict[str, Any] | None:
    return None if row is None else {"words": _words(row), "who": row.who}


def _words(row: LogRow) -> str:
    """A row in words."""
    body = row.body
    name = str(body.get("antenna_id", ""))
    where = "" if row.photo is None else f" in {base_name(row.photo)}"
    if row.kind == "pick":
        side = {"front": ", seen from the front", "rear": ", seen from behind", "profile": ", seen from the side"}
        held = ", held as drawn" if body.get("exact") else ""
        return f"{name} marked{where}" + held + side.get(str(body.get("view")), "")
    if row.kind == "no_pick":
        return f"mark of {name} removed{where}"
    if row.kind == "other_antenna":
        was = body.get("was")
        return f"{was or 'a panel'} named {name}{where}"
    if row.kind == "not_antenna":
        return f"{name or 'a panel'} said to be no antenna{where}"
    if body.get("kind") == "silhouette" and body.get("azimuth_true_deg") is None:
        return f"what the map told{where} {'refused' if row.kind == 'control' else 'taken again'}"
    if row.kind in ("control", "no_control"):
        kind = "plumb line" if body.get("line_px") else str(body.get("kind", ""))
        said = " ".join(w for w in (kind, str(body.get("name", ""))) if w)
        return f"{said} {'marked' if row.kind == 'control' else 'removed'}{where}"
    if row.kind == "exclude_photo":
        return f"{base_name(row.photo or '')} left out" + _noted(body)
    if row.kind == "include_photo":
        return f"{base_name(row.photo or '')} taken in again"
    if row.kind == "decision":
        return f"{name or 'the site'}: {VERDICTS.get(str(body.get('verdict')), '')}" + _noted(body)
    if row.kind == "no_decision":
        return f"{name or 'the site'}: decision withdrawn"
    return f"note{_noted(body)}" if row.kind == "note" else EDITS.get(row.kind, row.kind)


def _noted(body: Mapping[str, Any]) -> str:
    note = str(body.get("note", "")).strip()
    return f": {note}" if note else ""


def near(names: Iterable[str], site_id: str) -> tuple[str | None, str | None]:
    """The site before and the one after in a list."""
    listed = list(names)
    if site_id not in listed:
        return None, listed[0] if listed else None
    k = listed.index(site_id)
    return listed[k - 1] if k else None, listed[k + 1] if k + 1 < len(listed) else None
