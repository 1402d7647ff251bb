"""A solved site as an audit's results have it: its document, the pictures of its photos, the sheets of its antennas."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import Any

from photoaz.angles import azimuth_deg
from photoaz.audit.work import Presented, Solved
from photoaz.judgement.drift import Turn, Visit
from photoaz.present.document import estimates_document
from photoaz.present.pictures import overlays, sheets
from photoaz.result import SiteSolution


def present(solved: Solved) -> Presented:
    """Document and files of a site, below the folder of results: overlays/..., sheets/..."""
    solution, judgements = solved.solution, solved.judgements
    created = datetime.now(UTC)
    document = estimates_document([(solved.site, solution, judgements)], created, [solved.plan])["sites"][0]
    antennas = {a["antenna_id"]: a for a in document["antennas"]}
    for turn in solved.turns:
        if turn.turned and turn.antenna_id in antennas:
            antennas[turn.antenna_id]["revisit"] = True
            antennas[turn.antenna_id]["reasons"].append(turn.sentence)
    for name, notes in solved.notes.items():
        if name in antennas:
            antennas[name]["reasons"] += notes
    flagged = [name for name, a in antennas.items() if a["revisit"]]
    files: dict[str, bytes] = {}
    photos = {p["photo"]: p for p in document["photos"]}
    for p in photos.values():
        p["overlay"] = None
    if wanted(solved.overlays, bool(flagged)):
        for name, picture in overlays(solution, judgements, solved.files, encoding="jpeg"):
            photos[name]["overlay"] = path = f"overlays/{file_name(name)}.jpg"
            files[path] = picture
    for a in antennas.values():
        a["sheet"] = None
    if wanted(solved.sheets, bool(flagged)):
        only = None if solved.sheets == "all" else flagged
        for antenna_id, page in sheets(
            solved.site, solution, judgements, solved.plan, solved.files, created, only=only
        ):
            antennas[antenna_id]["sheet"] = path = f"sheets/{file_name(solution.site_id)}/{file_name(antenna_id)}.html"
            files[path] = page.encode()
    document["audit"] = {
        "photos": len(solution.photos),
        "used": sum(p.status == "used" for p in solution.photos),
        "flags": [
            {"photo": name, "code": flag.code, "severity": flag.severity, "message": flag.message}
            for name, flags in solved.flags.items()
            for flag in flags
        ],
    }
    document["visits"] = [_visit(visit, of, solved) for visit, of in solved.visits]
    document["turns"] = [_turn(turn) for turn in solved.turns]
    return Presented(document=document, files=files)


def wanted(which: str, flagged: bool) -> bool:
    """Of 'all', 'flagged' or 'none': whether a site's files are to be made."""
    return which == "all" or (which == "flagged" and flagged)


def file_name(name: str) -> str:
    """A name for a file, without a suffix: what is readable of the last part, and what tells it from all others."""
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", PurePosixPath(name).stem).strip("_")[:60]
    return f"{stem or 'photo'}-{digest[:8]}"


def _visit(visit: Visit, solution: SiteSolution, solved: Solved) -> dict[str, Any]:
    return {
        "from": None if visit.first is None else visit.first.isoformat(),
        "to": None if visit.last is None else visit.last.isoformat(),
        "photos": list(visit.photos),
        "antennas": [
            {
                "antenna_id": a.antenna_id,
                "azimuth_true_deg": azimuth_deg(round(a.azimuth_true_deg, 3)),
                "u95_deg": None if a.u95_deg is None else round(a.u95_deg, 3),
                "reading_date": _reading_date(solved, visit, a.antenna_id),
            }
            for a in solution.antennas
            if a.azimuth_true_deg is not None
        ],
    }


def _reading_date(solved: Solved, visit: Visit, antenna_id: str) -> str | None:
    """Of the reading in force at a visit."""
    site = solved.sites[visit]
    reading = next((a.reading for a in site.antennas if a.antenna_id == antenna_id), None)
    return None if reading is None or reading.date is None else reading.date.isoformat()


def _turn(turn: Turn) -> dict[str, Any]:
    return {
        "antenna_id": turn.antenna_id,
        "from": turn.earlier.isoformat(),
        "to": turn.later.isoformat(),
        "change_deg": round(turn.change_deg, 3),
        "u95_deg": round(turn.u95_deg, 3),
        "en": round(turn.en, 3),
        "p": float(f"{turn.p:.4g}"),
        "own": turn.own,
        "turned": turn.turned,
        "sentence": turn.sentence,
    }
