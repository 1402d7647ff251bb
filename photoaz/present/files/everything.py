"""All result files of an audit in one go over its site documents."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from photoaz.present.files.cells import write_failures_csv
from photoaz.present.files.estimates import Document, EstimatesJson, EstimatesTables, parquet_is_there
from photoaz.present.files.geojson import GeoJson
from photoaz.present.files.kml import Kml
from photoaz.present.revisit import write_revisit_csv
from photoaz.result import ById, SiteResult


def write_results(
    folder: Path | str, sites: Iterable[SiteResult], head: Document, failures: Iterable[tuple[str, str]] = ()
) -> tuple[Path, ...]:
    """Write estimates.json, .csv and .parquet, revisit.csv, sites.geojson, sites.kml and failures.csv into a folder.

    estimates.parquet is left out where pyarrow is not installed.

    Parameters
    ----------
    sites : each is asked for once, and of all of them only the parts on what to do next are kept.
    head : of estimates.json: schema, version, created. failures : file and reason.

    Returns
    -------
    The files. Each takes its place when it is complete; the earlier ones stay if anything goes wrong.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    todo = []
    parquet = folder / "estimates.parquet" if parquet_is_there() else None
    with ExitStack() as files:
        document = files.enter_context(EstimatesJson(folder / "estimates.json", head))
        tables = files.enter_context(EstimatesTables(folder / "estimates.csv", parquet))
        plan_view = files.enter_context(GeoJson(folder / "sites.geojson"))
        globe = files.enter_context(Kml(folder / "sites.kml"))
        for site in sites:
            plain = site.document()
            document.add(plain)
            tables.add(plain)
            plan_view.add(plain)
            globe.add(plain)
            if site.revisit is not None and site.revisit.antennas:
                todo.append(replace(site, photos=ById(), antennas=ById()))
    write_revisit_csv(folder / "revisit.csv", todo)
    write_failures_csv(folder / "failures.csv", failures)
    names = ("estimates.json", "estimates.csv", "revisit.csv", "sites.geojson", "sites.kml", "failures.csv")
    return (*(folder / name for name in names), *([parquet] if parquet else []))
