"""What an earlier audit or estimate told, read from its documents: azimuths, and sites to be visited again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from photoaz.errors import Fault, InputError
from photoaz.planning.prospect import Earlier
from photoaz.quantities import K95
from photoaz.register.model import Site
from photoaz.register.tables import read_table

#: what sends somebody to a site
GOING = ("photo", "read_again", "climb")
_SCHEMA = "photoaz/estimates/"


def load_estimates(path: Path) -> Mapping[str, Any]:
    """An estimates.json, by site. Raises InputError where it is none."""
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as e:
        raise InputError(Fault(file=path, found=e.strerror or str(e), wanted="an estimates.json")) from e
    except (ValueError, RecursionError) as e:  # no UTF-8, no JSON, numbers of thousands of digits
        line = e.lineno if isinstance(e, json.JSONDecodeError) else None
        raise InputError(Fault(file=path, line=line, found=f"no JSON ({e})", wanted="an estimates.json")) from e
    schema = document.get("schema") if isinstance(document, dict) else None
    if not str(schema).startswith(_SCHEMA) or not isinstance(document.get("sites"), list):
        raise InputError(Fault(file=path, column="schema", found=repr(schema), wanted=f"{_SCHEMA}1"))
    return {str(s.get("site_id")): s for s in document["sites"] if isinstance(s, dict)}


def earlier_of_estimates(path: Path, site: Site) -> Earlier | None:
    """What an estimates.json says of a site's azimuths; None where it has none of them.

    Raises InputError where the file is no estimates.json or a figure in it is none.
    """
    found = load_estimates(path).get(site.site_id)
    if found is None:
        return None
    ours = {a.antenna_id for a in site.antennas}
    try:
        told = {
            str(a["antenna_id"]): (float(a["azimuth_true_deg"]), float(a["u95_deg"]))
            for a in found.get("antennas", ())
            if a["antenna_id"] in ours and a.get("azimuth_true_deg") is not None and a.get("u95_deg")
        }
        if not told:
            return None
        joint = found.get("azimuth_covariance") or {}
        ids = [str(n) for n in joint.get("antenna_ids", ())]
        names = tuple(n for n in ids if n in told) if set(told) <= set(ids) else tuple(told)
        if set(told) <= set(ids):
            at = [ids.index(n) for n in names]
            covariance = np.array(joint["deg2"], float)[np.ix_(at, at)]
        else:
            covariance = np.diag([(told[n][1] / K95) ** 2 for n in names])
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError) as e:
        raise InputError(Fault(file=path, column=site.site_id, found=f"no figure ({e})", wanted="numbers")) from e
    # digits are rounded in the file: kept positive definite
    covariance = covariance + np.diag(np.full(len(names), 1e-6))
    azimuth = np.radians([told[n][0] for n in names])
    return Earlier(names=names, azimuth_rad=azimuth, covariance_rad2=covariance * np.radians(1.0) ** 2)


def sites_to_visit(path: Path, sites: Mapping[str, Site]) -> tuple[tuple[str, float, float, str], ...]:
    """Site, latitude, longitude and what is to be done, of those that somebody must go to, the first in the list first.

    path: a revisit.csv or an estimates.json. Where a site stands is the register's word.

    Raises
    ------
    InputError : neither of them, or a site that the register does not have; every such site.
    """
    todo: dict[str, list[str]] = {}
    lines: dict[str, int | None] = {}
    if path.suffix.lower() == ".json":
        for site_id, found in load_estimates(path).items():
            for item in (found.get("revisit") or {}).get("antennas", ()):
                if item.get("action") in GOING:
                    todo.setdefault(site_id, []).append(f"{item['action']} {item['antenna_id']}")
                    lines.setdefault(site_id, None)
    else:
        table = read_table(path, ("rank", "site_id", "antenna_id", "action"))
        missing = [c for c in ("site_id", "antenna_id", "action") if c not in table.columns]
        if missing:
            raise InputError([Fault(file=path, line=1, column=c, found="no such column", wanted=c) for c in missing])
        for row in table.rows:
            if row.cells.get("action") in GOING:
                site_id = row.cells.get("site_id", "")
                todo.setdefault(site_id, []).append(f"{row.cells['action']} {row.cells.get('antenna_id', '')}")
                lines.setdefault(site_id, row.line)
    faults = [
        Fault(file=path, line=lines[s], column="site_id", found=f"'{s}'", wanted="a site of the register")
        for s in todo
        if s not in sites
    ]
    if faults:
        raise InputError(faults)
    return tuple((s, sites[s].lat_deg, sites[s].lon_deg, _said(some)) for s, some in todo.items())


def _said(some: list[str]) -> str:
    words = [s.replace("_", " ") for s in some]
    return "; ".join(words[:4]) + (f" and {len(words) - 4} more" if len(words) > 4 else "")
