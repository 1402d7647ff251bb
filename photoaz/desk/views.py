"""What the page shows of a site, ready for JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from photoaz.audit.edits import EDITS, VERDICTS, Edits, control_slot, standing_rows
from photoaz.audit.files import base_name
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.store import LogRow
from photoaz.desk.session import Desk, SiteNow
from photoaz.desk.solver import Answer
from photoaz.desk.states import state_of
from photoaz.desk.tiles import TILE_PX, Size
from photoaz.estimate.controls import sun_then
from photoaz.geodesy.frames import EnuFrame
from photoaz.photo.record import PhotoRecord
from photoaz.register.model import Antenna, Control, Pick


def site_view(desk: Desk, now: SiteNow) -> dict[str, Any]:
    """Everything about a site but its document."""
    flagged = 0 if now.kept is None else now.kept.flagged
    frame = EnuFrame(lat_deg=now.site.lat_deg, lon_deg=now.site.lon_deg, height_m=0.0)
    used = {p.name for p in now.task.photos}
    return {
        "site_id": now.site.site_id,
        "lat_deg": now.site.lat_deg,
        "lon_deg": now.site.lon_deg,
        "position_u95_m": now.site.position_u95_m,
        "state": state_of(now.log, flagged),
        "current": now.current,
        "notes": list(desk.given().notes),
        "photos": [_photo(desk, now, p, frame, p.name in used) for p in now.photos],
        "antennas": [_antenna(a) for a in now.site.antennas],
        **edits_view(now),
        "failures": [] if now.kept is None else [{"photo": p, "reason": r} for p, r in now.kept.failures],
        "landmarks": _landmarks(now),
    }


def edits_view(now: SiteNow) -> dict[str, Any]:
    """What holds of people's work at a site, and the history of it."""
    edits = now.edits
    by_id = {r.log_id: r for r in now.log}
    return {
        "picks": [_pick(p, edits) for p in now.task.picks],
        "controls": [_control(c, edits) for c in now.task.controls],
        "lines": _lines(now),
        "excluded": {name: {"who": e.who, "at": e.at, "note": e.note} for name, e in edits.excluded.items()},
        "changed": sorted(edits.changed),
        "decisions": [
            {
                "antenna_id": d.antenna_id,
                "verdict": d.verdict,
                "words": VERDICTS[d.verdict],
                "note": d.note,
                "who": d.who,
                "at": d.at,
                "figures": dict(d.figures),
            }
            for d in edits.decisions
        ],
        "undo": _said(by_id.get(edits.undo or -1)),
        "redo": _said(by_id.get(edits.redo or -1)),
        "history": history(now.log),
        "state": state_of(now.log, 0 if now.kept is None else now.kept.flagged),
    }


def history(rows: Sequence[LogRow]) -> list[dict[str, Any]]:
    """Who did what and when, the newest first; what was undone says so."""
    standing = {r.log_id for r in standing_rows(rows)[0]}
    return [
        {
            "log_id": r.log_id,
            "at": r.at,
            "who": r.who,
            "kind": r.kind,
            "words": _words(r),
            "photo": r.photo,
            "undone": r.log_id not in standing,
        }
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
        "document": None if answer.result is None else answer.result.document(),
        "failures": [{"photo": p, "reason": r} for p, r in answer.failures],
    }


def _photo(desk: Desk, now: SiteNow, photo: KeptPhoto, frame: EnuFrame, used: bool) -> dict[str, Any]:
    out: dict[str, Any] = {
        "photo": photo.name,
        "label": base_name(photo.name),
        "digest": photo.digest,
        "size": None,
        "used": used,
        "reason": photo.reason,
        "copy_of": photo.copy_of,
        "how": photo.how,
        "flags": [f.message for f in photo.flags],
        "excluded": photo.name in (now.edits.excluded),
    }
    if photo.facts is None:
        return out
    record = desk.record(photo)
    size = Size(record.width_px, record.height_px)
    p = record.position
    return out | {
        "size": {
            "width_px": size.width_px,
            "height_px": size.height_px,
            "levels": size.levels(),
            "tile_px": TILE_PX,
        },
        "taken": _taken(record),
        "camera": " ".join(dict.fromkeys(w for w in (record.make, record.model) if w)) or None,
        "position": None
        if p is None
        else {"lat_deg": p.lat_deg, "lon_deg": p.lon_deg, "u95_m": round(2.45 * p.sigma_m, 1)},
        "compass_deg": None if record.heading is None else record.heading.value_deg,
        "findings": [f.message for f in record.findings if f.severity != "info"],
        "sun": _sun(record, frame),
    }


def _taken(record: PhotoRecord) -> str | None:
    if record.taken is None:
        return None
    when = record.taken.local or record.taken.utc
    return None if when is None else when.strftime("%Y-%m-%d %H:%M")


def _sun(record: PhotoRecord, frame: EnuFrame) -> dict[str, Any]:
    then = sun_then(record, frame)
    if isinstance(then, str):
        return {"azimuth_deg": None, "elevation_deg": None, "reason": then}
    return {
        "azimuth_deg": round(then.sun.azimuth_deg, 2),
        "elevation_deg": round(then.sun.elevation_deg, 2),
        "reason": None,
    }


def _antenna(a: Antenna) -> dict[str, Any]:
    return {
        "antenna_id": a.antenna_id,
        "sector": a.sector,
        "design_azimuth_deg": a.design_azimuth_deg,
        "design_north": a.design_north,
        "rad_center_m": a.rad_center_m,
        "width_m": a.width_m,
        "height_m": a.height_m,
        "has_reading": a.reading is not None,
    }


def _pick(pick: Pick, edits: Edits) -> dict[str, Any]:
    return {
        "photo": pick.photo,
        "antenna_id": pick.antenna_id,
        "corners_px": pick.corners_px,
        "seed_px": pick.seed_px,
        "exact": pick.exact,
        "absent": pick.absent,
        "here": pick in edits.picks,
    }


def _control(c: Control, edits: Edits) -> dict[str, Any]:
    mine = {control_slot(o) for o in edits.controls}
    return {
        "photo": c.photo,
        "kind": c.kind,
        "name": c.name,
        "pixel": c.pixel,
        "tip_px": c.tip_px,
        "lat_deg": c.lat_deg,
        "lon_deg": c.lon_deg,
        "height_m": c.height_m,
        "azimuth_true_deg": c.azimuth_true_deg,
        "value_deg": c.value_deg,
        "u95": c.u95,
        "here": control_slot(c) in mine,
    }


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


def _landmarks(now: SiteNow) -> list[dict[str, Any]]:
    """Landmarks known at this site, each once: to be marked in another photo without typing them again."""
    out: dict[str, dict[str, Any]] = {}
    for c in now.task.controls:
        if c.kind == "landmark" and c.name not in out:
            out[c.name] = {
                "name": c.name,
                "lat_deg": c.lat_deg,
                "lon_deg": c.lon_deg,
                "height_m": c.height_m,
                "u95": c.u95,
            }
    return list(out.values())


def _said(row: LogRow | None) -> dict[str, Any] | None:
    return None if row is None else {"log_id": row.log_id, "words": _words(row), "who": row.who}


def _words(row: LogRow) -> str:
    """A row in words."""
    body = row.body
    name = str(body.get("antenna_id", ""))
    where = "" if row.photo is None else f" in {base_name(row.photo)}"
    if row.kind == "pick":
        return f"{name} marked{where}" + (", held as drawn" if body.get("exact") else "")
    if row.kind == "no_pick":
        return f"mark of {name} removed{where}"
    if row.kind == "other_antenna":
        was = body.get("was")
        return f"{was or 'a panel'} named {name}{where}"
    if row.kind == "not_antenna":
        return f"{name or 'a panel'} said to be no antenna{where}"
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
