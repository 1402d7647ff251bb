"""All result files of an audit, from its sites as they pass through."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from photoaz.present.files.cells import replaced, write_csv
from photoaz.present.files.estimates import EstimatesJson, parquet_is_there, waiting_rows, write_parquet
from photoaz.present.files.maps import GeoJson, Kml
from photoaz.present.files.rows import COLUMNS, SITE_COLUMNS, Standings, revisit_rows, site_row, standings_of
from photoaz.present.files.shapes import site_shapes
from photoaz.present.files.workbook import write_workbook
from photoaz.result import Revisit, SiteResult

_FAILURES = ("file", "reason")


def written(
    folder: Path, sites: Iterable[SiteResult], head: Mapping[str, str], failures: Sequence[tuple[str, str]] = ()
) -> Iterator[SiteResult]:
    """The sites, each given on when it is written; the files take their places when all have passed.

    They are estimates.json, .csv and .parquet (where pyarrow is installed), audit.xlsx, revisit.csv, sites.geojson,
    sites.kml and failures.csv. The earlier ones stay if anything goes wrong. Of all sites only a row and what to do
    next are kept.

    folder : made where it does not exist. head : of estimates.json: schema, version, created. failures : file and
    reason, of what was not used.
    """
    folder.mkdir(parents=True, exist_ok=True)
    todo: list[tuple[str, Revisit, Standings]] = []
    by_site: list[list[Any]] = []
    with ExitStack() as files:
        rows = files.enter_context(waiting_rows())
        document = EstimatesJson(files.enter_context(replaced(folder / "estimates.json")), head)
        plan_view = GeoJson(files.enter_context(replaced(folder / "sites.geojson")))
        globe = Kml(files.enter_context(replaced(folder / "sites.kml")))
        for site in sites:
            document.add(site)
            rows.add(site)
            shapes = site_shapes(site)
            plan_view.add(shapes)
            globe.add(shapes)
            if site.revisit is not None and site.revisit.antennas:
                todo.append((site.site_id, site.revisit, standings_of(site)))
            by_site.append(site_row(site))
            yield site
        for close in (document.close, plan_view.close, globe.close):
            close()
        write_csv(folder / "estimates.csv", rows.columns(), rows)
        if parquet_is_there():
            write_parquet(folder / "estimates.parquet", rows)
        revisit = list(revisit_rows(todo))
        write_csv(folder / "revisit.csv", COLUMNS, revisit)
        write_csv(folder / "failures.csv", _FAILURES, failures)
        write_workbook(
            folder / "audit.xlsx",
            [
                ("sites", SITE_COLUMNS, by_site),
                ("antennas", rows.columns(), rows),
                ("actions", COLUMNS, revisit),
                ("failures", _FAILURES, failures),
            ],
        )
