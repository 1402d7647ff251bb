"""What an earlier audit or estimate told, read from its documents: azimuths, and sites to be visited again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from photoaz.angles import Array
from photoaz.errors import Fault, InputError
from photoaz.planning.trip import Task, Visit
from photoaz.quantities import K95
from photoaz.register.model import Site
from photoaz.register.tables import Row, open_table
from photoaz.register.toml import read_document
from photoaz.result import SCHEMA, Revisit, RevisitItem, SiteResult, read_records
from photoaz.wording import GOING


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierAzimuths:
    """What photos that are there already say of azimuths: joint covariance (n, n) [rad^2] of antennas `names`."""

    names: tuple[str, ...]
    azimuth_rad: Array
    covariance_rad2: Array

    def u95_rad(self, name: str) -> float | None:
        """Of one antenna; None where no photo told."""
        if name not in self.names:
            return None
        k = self.names.index(name)
        return float(K95 * np.sqrt(self.covariance_rad2[k, k]))

    def only(self, names: Sequence[str]) -> EarlierAzimuths | None:
        """Of some antennas; None where none of them was estimated."""
        keep = [k for k, n in enumerate(self.names) if n in names]
        if not keep:
            return None
        return EarlierAzimuths(
            names=tuple(self.names[k] for k in keep),
            azimuth_rad=self.azimuth_rad[keep],
            covariance_rad2=self.covariance_rad2[np.ix_(keep, keep)],
        )


def earlier_of_result(result: SiteResult) -> EarlierAzimuths | None:
    """From a site's result: its joint covariance where it has one, else each antenna's own U95.

    Raises ValueError where the covariance is no square table.
    """
    told = {a.antenna_id: a for a in result.antennas if a.azimuth_true_deg is not None and a.u95_deg}
    if not told:
        return None
    joint = result.azimuth_covariance
    if joint is not None and told.keys() <= set(joint.antenna_ids):
        names = tuple(n for n in joint.antenna_ids if n in told)
        keep = [joint.antenna_ids.index(n) for n in names]
        if {len(joint.antenna_ids)} != {len(joint.deg2), *map(len, joint.deg2)}:
            raise ValueError("azimuth_covariance.deg2: not a row and a column for each of antenna_ids")
        covariance = np.array(joint.deg2)[np.ix_(keep, keep)] * np.radians(1.0) ** 2
    else:
        names = tuple(told)
        covariance = np.diag([np.radians((told[n].u95_deg or 0.0) / K95) ** 2 for n in names])
    azimuth = np.radians([told[n].azimuth_true_deg or 0.0 for n in names])
    return EarlierAzimuths(names=names, azimuth_rad=azimuth, covariance_rad2=covariance)


def earlier_of_estimates(path: Path, site: Site) -> EarlierAzimuths | None:
    """What an estimates.json says of a site's azimuths; None where it has none of them.

    Raises InputError where the file is no estimates.json or a figure in it is none.
    """
    found = _site_documents(path).get(site.site_id)
    if found is None:
        return None
    try:
        earlier = earlier_of_result(SiteResult.from_document(found))
    except ValueError as e:
        raise InputError(Fault(file=path, column=site.site_id, found=str(e), wanted="a site's result")) from e
    known = None if earlier is None else earlier.only([a.antenna_id for a in site.antennas])
    if known is None:
        return None
    # digits are rounded in the file: kept positive definite
    hair = 1e-6 * np.radians(1.0) ** 2 * np.eye(len(known.names))
    known = replace(known, covariance_rad2=known.covariance_rad2 + hair)
    v = known.covariance_rad2
    # no sigma is more than a whole turn
    sane = np.isfinite(v).all() and np.isfinite(known.azimuth_rad).all() and (np.diag(v) <= (2.0 * np.pi) ** 2).all()
    if not (sane and np.allclose(v, v.T) and (np.linalg.eigvalsh(v) > 0.0).all()):
        wanted = "azimuths in degrees, and variances and covariances that some photos could have told"
        raise InputError(Fault(file=path, column=site.site_id, found="a covariance that is none", wanted=wanted))
    return known


def _site_documents(path: Path) -> Mapping[str, Mapping[str, Any]]:
    """An estimates.json's sites by their ids. Raises InputError where it is none."""
    sites = read_document(path, SCHEMA, "an estimates.json").get("sites")
    if not isinstance(sites, list):
        raise InputError(Fault(file=path, column="sites", found="no list", wanted="the sites' results"))
    return {str(s.get("site_id")): s for s in sites if isinstance(s, dict)}


def sites_to_visit(path: Path, sites: Mapping[str, Site]) -> tuple[Visit, ...]:
    """The sites that somebody must go to, with what is to be done there, the first in the list first.

    path: a revisit.csv or an estimates.json. Where a site stands is the register's word.

    Raises InputError: neither of them, or a site that the register does not have; every such site.
    """
    todo: dict[str, list[Task]] = {}
    lines: dict[str, int | None] = {}
    if path.suffix.lower() == ".json":
        for site_id, found in _site_documents(path).items():
            for item in _revisit(path, site_id, found):
                if item.action in GOING:
                    todo.setdefault(site_id, []).append(_task_of_item(item))
                    lines.setdefault(site_id, None)
    else:
        table = open_table(path, tuple(_TASK_COLUMNS))
        table.require(("site_id", "antenna_id", "action"))
        for row in table.rows:
            if row.cells.get("action") in GOING:
                site_id = row.cells.get("site_id", "")
                todo.setdefault(site_id, []).append(_task_of_row(path, row))
                lines.setdefault(site_id, row.line)
    faults = [
        Fault(file=path, line=lines[s], column="site_id", found=f"'{s}'", wanted="a site of the register")
        for s in todo
        if s not in sites
    ]
    if faults:
        raise InputError(faults)
    return tuple(
        Visit(site_id=s, lat_deg=sites[s].lat_deg, lon_deg=sites[s].lon_deg, tasks=tuple(some))
        for s, some in todo.items()
    )


#: columns of a revisit.csv that a trip reads
_TASK_COLUMNS = ("site_id", *(f.name for f in fields(Task)))


def _task_of_item(item: RevisitItem) -> Task:
    return Task(
        antenna_id=item.antenna_id,
        action=item.action,
        instruction=item.instruction,
        reasons="; ".join(item.reasons),
        bring=item.bring or "",
        where=item.where.words or "",
        lat_deg=item.where.lat_deg,
        lon_deg=item.where.lon_deg,
    )


def _task_of_row(path: Path, row: Row) -> Task:
    """A row's task; raises InputError where a coordinate is no number."""
    told: dict[str, Any] = {name: row.cells.get(name, "") for name in _TASK_COLUMNS if name != "site_id"}
    for column in ("lat_deg", "lon_deg"):
        try:
            told[column] = float(told[column]) if told[column] else None
        except ValueError:
            fault = Fault(file=path, line=row.line, column=column, found=told[column], wanted="degrees")
            raise InputError(fault) from None
    return Task(**told)


def _revisit(path: Path, site_id: str, document: Mapping[str, Any]) -> tuple[RevisitItem, ...]:
    """What is to be done at a site; of archives' many sites nothing else is read."""
    if document.get("revisit") is None:
        return ()
    try:
        revisit: Revisit = read_records(document["revisit"], Revisit)
    except ValueError as e:
        raise InputError(Fault(file=path, column=site_id, found=f"no revisit ({e})", wanted="a site's result")) from e
    return revisit.antennas
