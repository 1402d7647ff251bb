"""The list of what to do next, as rows for spreadsheets."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from photoaz.present.files.cells import CsvTable, replaced
from photoaz.result import SiteResult, plain

COLUMNS = (
    "rank",
    "site_id",
    "antenna_id",
    "action",
    "instruction",
    "reasons",
    "bring",
    "where",
    "lat_deg",
    "lon_deg",
    "u95_then_deg",
    "p_out_of_tolerance",
    "expected_loss_now",
    "expected_loss_after",
    "cost",
    "loss_avoided",
    "unit",
)


def write_revisit_csv(path: Path | str, sites: Iterable[SiteResult]) -> None:
    """Write revisit.csv: a row for each antenna, the worst first; see `revisit_rows`."""
    with replaced(path) as file:
        table = CsvTable(file, COLUMNS)
        for row in revisit_rows(sites):
            table.row(row)


def revisit_rows(sites: Iterable[SiteResult]) -> Iterator[list[Any]]:
    """Rows by COLUMNS of what is to be done, the worst first: sites by the loss avoided, so that visits stay together.

    Of the sites only this part is kept, where something is to be done.
    """
    plans = [(s.site_id, s.revisit) for s in sites if s.revisit is not None and s.revisit.antennas]
    plans.sort(key=lambda one: (-round(one[1].loss_avoided, 2), -round(one[1].expected_loss_now, 2), one[0]))
    rank = 0
    for site_id, plan in plans:
        for item in plan.antennas:
            rank += 1
            row = plain(item)
            yield [
                rank,
                site_id,
                row["antenna_id"],
                row["action"],
                row["instruction"],
                "; ".join(item.reasons),
                row["bring"],
                row["where"]["words"],
                row["where"]["lat_deg"],
                row["where"]["lon_deg"],
                None if item.u95_then_deg is None else round(item.u95_then_deg, 2),
                row["p_out_of_tolerance"],
                row["expected_loss_now"],
                row["expected_loss_after"],
                row["cost"],
                row["loss_avoided"],
                plan.unit,
            ]
