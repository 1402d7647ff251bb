"""What an audit is given, read with all faults of all files at once."""

from __future__ import annotations

import hashlib
import platform
import re
from collections.abc import Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

from photoaz import __version__
from photoaz.addresses import without_secrets
from photoaz.audit.run import AuditInputs
from photoaz.audit.work import Draw, Wanted
from photoaz.errors import Fault, FileReader, InputError
from photoaz.judgement.costs import Costs, load_costs
from photoaz.photo.calibration import load_calibration
from photoaz.priors import Priors
from photoaz.register.columns import load_columns
from photoaz.register.history import history_faults, history_of, load_readings
from photoaz.register.load import load_controls, load_picks, load_register
from photoaz.register.manifest import load_manifest
from photoaz.register.photos import PhotoIndex
from photoaz.register.priors import read_priors
from photoaz.surroundings.reading import scenery_of

#: options that name a file, as the report lists them
FILES = (
    *("register", "columns", "readings", "manifest", "controls", "picks", "camera", "costs", "priors"),
    *("surroundings", "terrain"),
)


def audit_inputs(
    paths: Sequence[str],
    draw: Draw,
    *,
    register: Path,
    columns: Path | None = None,
    readings: Path | None = None,
    manifest: Path | None = None,
    controls: Path | None = None,
    picks: Path | None = None,
    camera: Path | None = None,
    costs: Path | None = None,
    priors: Path | None = None,
    surroundings: Path | None = None,
    terrain: Path | None = None,
    risk: float = 0.05,
    overlays: str = "all",
    sheets: str = "flagged",
) -> tuple[AuditInputs, tuple[Fault, ...]]:
    """Read everything; a register's bad rows, and a map's bad features, come back as faults beside what is good.

    Raises InputError with every fault of every other file, and where the register has no good row.
    """
    reading = FileReader()
    read = reading.read
    mapping = read(load_columns, columns)
    known = read(load_register, register, mapping)
    history = read(load_readings, readings, mapping) or ()
    places = read(load_manifest, manifest, mapping, paths)
    rows = read(load_controls, controls) or ()
    marks = read(load_picks, picks) or ()
    calibration = read(load_calibration, camera)
    prices = read(load_costs, costs)
    known_before = read(read_priors, priors)
    scenery = read(lambda _path: scenery_of(surroundings, terrain), surroundings or terrain)
    reading.done()
    assert known is not None  # a register without any good row is a fault of its own
    if not known.sites:
        raise InputError(known.faults or Fault(file=register, found="a header only", wanted="a row per antenna"))
    strangers = history_faults(readings, history, known.sites) if readings else ()
    return AuditInputs(
        paths=tuple(paths),
        sites=known.sites,
        draw=draw,
        manifest=places,
        controls=PhotoIndex([(c.photo, c) for c in rows], controls.parent, paths) if controls else None,
        picks=PhotoIndex([(p.photo, p) for p in marks], picks.parent, paths) if picks else None,
        history=history_of(history),
        calibration=calibration,
        risk=risk,
        costs=prices or Costs(),
        priors=known_before or Priors(),
        scenery=scenery,
        wanted=Wanted(overlays=overlays, sheets=sheets),
    ), (*known.faults, *strangers, *(scenery.map.faults if scenery else ()))


def about_run(command: str, options: Mapping[str, Any], inputs: AuditInputs, faults: Sequence[Fault]) -> dict[str, Any]:
    """How a run was called and with what, for the store and the report; ready for JSON."""
    return {
        "command": command,
        "version": __version__,
        "libraries": libraries(),
        "paths": [without_secrets(path) for path in inputs.paths],
        "folder": str(Path.cwd()),
        "sites_in_register": len(inputs.sites),
        "inputs": [
            {"role": role, "name": str(path), "sha256": file_digest(path)}
            for role in FILES
            if (path := options.get(role)) is not None
        ],
        "parameters": {k: v for k, v in options.items() if k not in FILES and v is not None},
        "faults": [{"file": str(f.file), "reason": str(f)} for f in faults],
    }


def file_digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal; maps may be larger than what should be held at once."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def libraries() -> dict[str, str]:
    """Versions of Python and of the libraries that photoaz needs."""
    found = {"Python": platform.python_version()}
    try:
        needs = metadata.requires("photoaz") or []
    except metadata.PackageNotFoundError:
        needs = []
    for need in needs:
        if "extra ==" not in need and (name := re.match(r"[\w.-]+", need)):
            try:
                found[name[0]] = metadata.version(name[0])
            except metadata.PackageNotFoundError:
                found[name[0]] = "is not installed"
    return found
