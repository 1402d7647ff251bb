"""The list of what to do next, as rows for spreadsheets and as part of the JSON document."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from photoaz.judgement.revisit import AntennaRevisit, SiteRevisit, in_order

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
    table = csv.writer(out)
    table.writerow(COLUMNS)
    rank = 0
    for plan in in_order(plans):
        for item in plan.items:
            rank += 1
            table.writerow(["" if v is None else v for v in (rank, plan.site_id, *_cells(item))])
    return out.getvalue()


def _cells(item: AntennaRevisit) -> list[Any]:
    return [
        item.antenna_id,
        item.action,
        item.instruction,
        "; ".join(item.reasons),
        item.bring,
        item.place,
        _rounded(item.lat_deg, 6),
        _rounded(item.lon_deg, 6),
        _rounded(item.u95_then_deg, 2),
        None if item.p_out is None else float(f"{item.p_out:.4g}"),
        *(_rounded(v, 2) for v in (item.loss_now, item.loss_after, item.cost, item.avoided)),
        item.unit,
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
