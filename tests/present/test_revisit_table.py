"""The list of what to do next: CSV, JSON and the short list below the table."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from rich.console import Console

from photoaz.judgement.impact import with_site_impact
from photoaz.judgement.revisit import AntennaRevisit, SiteRevisit, plan_site
from photoaz.present.revisit import COLUMNS, revisit_csv
from photoaz.present.table import print_site
from photoaz.result import estimates_document

WHEN = datetime(2026, 5, 3, 12, 0, 5, tzinfo=UTC)


def item(name, now, after, cost, **fields):
    given = {
        "action": "photo",
        "reasons": ("out of tolerance, perhaps", 'it is said "so"'),
        "instruction": "photograph it, from there",
        "lat_deg": 46.60012345678,
        "lon_deg": -66.4,
        "bring": "a camera",
        "place": "62 m off",
    }
    return AntennaRevisit(antenna_id=name, loss_now=now, loss_after=after, cost=cost, **(given | fields))


@pytest.fixture
def plans():
    return [
        SiteRevisit(site_id="LOW", trip=True, items=(item("a", 500.0, 100.0, 300.0),)),
        SiteRevisit(site_id="HIGH", trip=True, items=(item("b", 1200.0, 300.0, 250.0), item("c", 400.0, 90.0, 250.0))),
        SiteRevisit(site_id="NONE", trip=False, items=()),
    ]


def test_csv_reads_back(plans):
    rows = list(csv.DictReader(io.StringIO(revisit_csv(plans), newline="")))
    assert tuple(rows[0]) == COLUMNS
    assert [(r["rank"], r["site_id"], r["antenna_id"]) for r in rows] == [
        ("1", "HIGH", "b"),
        ("2", "HIGH", "c"),
        ("3", "LOW", "a"),
    ]
    first = rows[0]
    assert first["reasons"] == 'out of tolerance, perhaps; it is said "so"'
    assert (float(first["lat_deg"]), first["where"]) == (46.600123, "62 m off")
    assert float(first["loss_avoided"]) == 1200.0 - 300.0 - 250.0
    assert first["u95_then_deg"] == ""  # not known
    assert revisit_csv(plans[::-1]) == revisit_csv(plans)
    assert all(line.endswith("\r") for line in revisit_csv(plans).split("\n")[:-1])  # RFC 4180


def test_csv_of_nothing_is_its_head():
    assert revisit_csv([]) == ",".join(COLUMNS) + "\r\n"


def test_document_has_the_plan_and_the_impact(site, solution, judgements):
    judged = with_site_impact(site, solution, judgements)
    plan = plan_site(site, solution, judged)
    document = json.loads(json.dumps(estimates_document([(site, solution, judged)], WHEN, [plan]), allow_nan=False))
    (found,) = document["sites"]
    revisit = found["revisit"]
    assert [a["antenna_id"] for a in revisit["antennas"]] == [i.antenna_id for i in plan.items]
    assert revisit["antennas"], "A1 and A2 are contradicted or undecided"
    one = revisit["antennas"][0]
    assert one["loss_avoided"] == pytest.approx(
        one["expected_loss_now"] - one["expected_loss_after"] - one["cost"], abs=0.02
    )
    assert "ordered by expected loss avoided" in revisit["sentence"] or revisit["loss_avoided"] == 0.0
    impact = next(a for a in found["antennas"] if a["antenna_id"] == "HNT-204-A1")["impact_db"]
    assert impact["edge"] == min(impact["clockwise_edge"], impact["anticlockwise_edge"])
    low, high = impact["boresight_interval"]
    assert low <= impact["boresight"] <= high + 0.01
    assert "not of this antenna" in impact["basis"]
    default = estimates_document([(site, solution, judged)], WHEN)
    assert default["sites"][0]["revisit"] == document["sites"][0]["revisit"]


def printed(solution, judgements, plan, width=100):
    console = Console(file=io.StringIO(), width=width)
    print_site(solution, judgements, console, plan)
    return console.file.getvalue()


def test_table_ends_in_what_to_do(site, solution, judgements):
    plan = SiteRevisit(site_id="HNT-204", trip=True, items=(item("HNT-204-A1", 1200.0, 300.0, 250.0),))
    text = " ".join(printed(solution, judgements, plan).split())
    assert "What to do" in text
    assert "1. HNT-204-A1: photograph it, from there" in text
    assert "expected loss 1200 now, 300 after the visit, cost 250 (units)" in text
    nothing = replace(plan, items=())
    assert "What to do" not in printed(solution, judgements, nothing)
    assert "What to do" not in printed(solution, judgements, None)
    narrow = printed(solution, judgements, plan, 40).split("What to do")[1].split("Photos")[0]
    assert all(len(line) <= 40 for line in narrow.splitlines())
