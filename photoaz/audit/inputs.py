"""What an audit is given, read with all faults of all files at once."""

from __future__ import annotations

import hashlib
import platform
import re
from collections.abc import Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any, TypeVar

from photoaz import __version__
from photoaz.addresses import without_secrets
from photoaz.audit.run import AuditInputs
from photoaz.audit.work import Draw, Wanted
from photoaz.errors import Fault, FileReader, InputError
from photoaz.estimate.inputs import FILES, read_beside
from photoaz.judgement.costs import Costs
from photoaz.priors import Priors
from photoaz.register.columns import load_columns
from photoaz.register.history import history_faults, history_of, load_readings
from photoaz.register.load import load_register
from photoaz.register.model import Control, Pick
from photoaz.register.photos import PhotoIndex, load_manifest

_Row = TypeVar("_Row", Control, Pick)


def audit_inputs(
    paths: Sequence[str],
    draw: Draw,
    *,
    register: Path,
    columns: Path | None = None,
    readings: Path | None = None,
    manifest: Path | None = None,
    risk: float = 0.05,
    overlays: str = "all",
    sheets: str = "flagged",
    **files: Path | None,
) -> tuple[AuditInputs, tuple[Fault, ...]]:
    """Read everything; a register's bad rows, and a map's bad features, come back as faults beside what is good.

    files : as of `read_beside`.
    Raises InputError with every fault of every other file, and where the register has no good row.
    """
    reading = FileReader()
    read = reading.read
    mapping = read(load_columns, columns)
    known = read(load_register, register, mapping)
    history = read(load_readings, readings, mapping) or ()
    places = read(load_manifest, manifest, mapping, paths)
    beside = read_beside(reading, files)
    reading.done()
    assert known is not None  # a register without any good row is a fault of its own
    if not known.sites:
        raise InputError(known.faults or Fault(file=register, found="a header only", wanted="a row per antenna"))
    scenery = beside["scenery"]
    strangers = history_faults(readings, history, known.sites) if readings else ()
    return AuditInputs(
        paths=tuple(paths),
        sites=known.sites,
        draw=draw,
        manifest=places,
        controls=_index(beside["controls"], beside["controls_dir"], paths),
        picks=_index(beside["picks"], beside["picks_dir"], paths),
        history=history_of(history),
        calibration=beside["calibration"],
        risk=risk,
        costs=beside["costs"] or Costs(),
        priors=beside["priors"] or Priors(),
        scenery=scenery,
        wanted=Wanted(overlays=overlays, sheets=sheets),
    ), (*known.faults, *strangers, *(scenery.map.faults if scenery else ()))


def _index(rows: Sequence[_Row], folder: Path | None, paths: Sequence[str]) -> PhotoIndex[_Row] | None:
    return None if folder is None else PhotoIndex([(row.photo, row) for row in rows], folder, paths)


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
