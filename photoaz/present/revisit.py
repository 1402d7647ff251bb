"""The list of what to do next, as rows for spreadsheets and as part of the JSON document."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from photoaz.judgement.revisit import SiteRevisit
from photoaz.present.files.cells import CsvTable, replaced

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


def revisit_csv(plans: Sequence[SiteRevisit]) -> str:
    """A row for each antenna, the worst first: sites by the loss avoided, so that one visit stays together.

    Returns
    -------
    str : CSV with COLUMNS and CRLF line ends (RFC 4180); several reasons are parted by '; '. Write it in UTF-8 and
    without translating line ends.
    """
    out = io.StringIO(newline="")
    table = CsvTable(out, COLUMNS)
    for row in revisit_rows({"site_id": plan.site_id, "revisit": revisit_document(plan)} for plan in plans):
        table.row(row)
    return out.getvalue()


def write_revisit_csv(path: Path | str, sites: Iterable[Mapping[str, Any]]) -> None:
    """Write revisit.csv from site documents; see `revisit_csv`."""
    with replaced(path) as file:
        table = CsvTable(file, COLUMNS)
        for row in revisit_rows(sites):
            table.row(row)


def revisit_rows(sites: Iterable[Mapping[str, Any]]) -> Iterator[list[Any]]:
    """Rows by COLUMNS from the part `revisit` of site documents, the worst first.

    Of the documents only this part is kept, of sites where something is to be done.
    """
    plans = [(site["site_id"], plan) for site in sites if (plan := site.get("revisit")) and plan["antennas"]]
    plans.sort(key=lambda one: (-one[1]["loss_avoided"], -one[1]["expected_loss_now"], one[0]))
    rank = 0
    for site_id, plan in plans:
        for item in plan["antennas"]:
            rank += 1
            yield [
                rank,
                site_id,
                item["antenna_id"],
                item["action"],
                item["instruction"],
                "; ".join(item["reasons"]),
                item["bring"],
                item["where"]["words"],
                item["where"]["lat_deg"],
                item["where"]["lon_deg"],
                _rounded(item["u95_then_deg"], 2),
                item["p_out_of_tolerance"],
                item["expected_loss_now"],
                item["expected_loss_after"],
                item["cost"],
                item["loss_avoided"],
                plan["unit"],
            ]


def revisit_document(plan: SiteRevisit) -> dict[str, Any]:
    """A site's part of the JSON document: what all of it comes to, and its antennas in order."""
    return {
        "sentence": plan.sentence,
        "trip": plan.trip,
        "expected_loss_now": _rounded(plan.loss_now, 2),
        "expected_loss_after": _rounded(plan.loss_after, 2),
        "cost": _rounded(plan.cost, 2),
        "loss_avoided": _rounded(plan.avoided, 2),
        "unit": plan.unit,
        "antennas": [
            {
                "rank": rank,
                "antenna_id": item.antenna_id,
                "action": item.action,
                "instruction": item.instruction,
                "reasons": list(item.reasons),
                "bring": item.bring,
                "where": {
                    "words": item.place,
                    "lat_deg": _rounded(item.lat_deg, 6),
                    "lon_deg": _rounded(item.lon_deg, 6),
                },
                "u95_then_deg": _rounded(item.u95_then_deg, 3),
                "p_out_of_tolerance": None if item.p_out is None else float(f"{item.p_out:.4g}"),
                "expected_loss_now": _rounded(item.loss_now, 2),
                "expected_loss_after": _rounded(item.loss_after, 2),
                "cost": _rounded(item.cost, 2),
                "loss_avoided": _rounded(item.avoided, 2),
                "figures": item.figures,
            }
            for rank, item in enumerate(plan.items, 1)
        ],
    }


def _rounded(value: float | None, decimals: int) -> float | None:
    return None if value is None else round(float(value), decimals) + 0.0
