"""The list of what to do next: CSV, JSON and the short list below the table."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
from rich.console import Console

from photoaz.present.files.cells import write_csv
from photoaz.present.files.rows import COLUMNS, revisit_rows, standings_of
from photoaz.present.table import print_site
from photoaz.result import NextEvidence, Revisit, RevisitItem, SiteResult, Where
from photoaz.wording import before_you_go


def item(name, now, after, cost):
    return RevisitItem(
        antenna_id=name,
        action="photo",
        reasons=("out of tolerance, perhaps", 'it is said "so"'),
        instruction="photograph it, from there",
        expected_loss_now=now,
        expected_loss_after=after,
        cost=cost,
        loss_avoided=now - after - cost,
        figures=f"expected loss {now:.0f} now, {after:.0f} after the visit, cost {cost:.0f} (units)",
        bring="a camera",
        where=Where(words="62 m off", lat_deg=46.60012345678, lon_deg=-66.4),
    )


def site_of(name, *items):
    total = sum(i.loss_avoided for i in items)
    revisit = Revisit(sentence="one visit for all", trip=bool(items), loss_avoided=total, antennas=items)
    return SiteResult(site_id=name, lat_deg=46.6, lon_deg=-66.4, revisit=revisit)


@pytest.fixture
def sites():
    return [
        site_of("LOW", item("a", 500.0, 100.0, 300.0)),
        site_of("HIGH", item("b", 1200.0, 300.0, 250.0), item("c", 400.0, 90.0, 250.0)),
        site_of("NONE"),
    ]


def written(sites, path):
    write_csv(path, COLUMNS, revisit_rows((s.site_id, s.revisit, standings_of(s)) for s in sites))
    return path.read_bytes().decode()


def test_csv_reads_back(sites, tmp_path):
    text = written(sites, tmp_path / "r.csv")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert tuple(rows[0]) == COLUMNS
    assert [(r["rank"], r["site_id"], r["antenna_id"]) for r in rows] == [
        ("1", "HIGH", "b"),
        ("2", "HIGH", "c"),
        ("3", "LOW", "a"),
    ]
    first = rows[0]
    assert first["reasons"] == 'out of tolerance, perhaps; it is said "so"'
    assert (float(first["lat_deg"]), first["where"]) == (46.6001235, "62 m off")
    assert float(first["loss_avoided"]) == 1200.0 - 300.0 - 250.0
    assert first["u95_then_deg"] == ""  # not known
    assert all(r["before_you_go"] == before_you_go(["photo"]) != "" for r in rows)
    assert written(sites[::-1], tmp_path / "s.csv") == text
    assert all(line.endswith("\r") for line in text.split("\n")[:-1])  # RFC 4180


def test_what_is_to_be_left_is_not_on_the_list(sites, tmp_path):
    left = replace(item("d", 10.0, 10.0, 0.0), action="leave")
    at_desk = replace(item("e", 90.0, 10.0, 20.0), action="correct_register")
    text = written([*sites, site_of("MIXED", left, at_desk)], tmp_path / "r.csv")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [(r["antenna_id"], r["rank"], r["before_you_go"]) for r in rows if r["site_id"] == "MIXED"] == [
        ("e", "4", "")
    ]


def test_csv_of_nothing_is_its_head(tmp_path):
    assert written([], tmp_path / "r.csv") == ",".join(COLUMNS) + "\r\n"


def test_document_has_the_plan_and_the_impact(judged):
    document = judged.document()
    todo = document["revisit"]["antennas"]
    assert [a["antenna_id"] for a in todo] == [i.antenna_id for i in judged.revisit.antennas]
    assert todo, "A1 and A2 are contradicted or undecided"
    one = todo[0]
    assert one["loss_avoided"] == pytest.approx(
        one["expected_loss_now"] - one["expected_loss_after"] - one["cost"], abs=0.02
    )
    assert "ordered by expected loss avoided" in document["revisit"]["sentence"] or not document["revisit"]["trip"]
    impact = next(a for a in document["antennas"] if a["antenna_id"] == "HNT-204-A1")["impact_db"]
    assert impact["edge"] == min(impact["clockwise_edge"], impact["anticlockwise_edge"])
    low, high = impact["boresight_interval"]
    assert low <= impact["boresight"] <= high + 0.01
    assert "not of this antenna" in impact["basis"]


NO_ADVICE = NextEvidence(limit="camera compass", u95_now_deg=4.0, sentence="the camera compass limits this")


def printed(result, width=100):
    console = Console(file=io.StringIO(), width=width)
    print_site(result, console)
    return console.file.getvalue()


def test_table_ends_in_what_to_do(judged):
    plan = Revisit(sentence="one visit", trip=True, antennas=(item("HNT-204-A1", 1200.0, 300.0, 250.0),))
    result = replace(judged, revisit=plan)
    text = " ".join(printed(result).split())
    assert "What to do" in text
    assert "1. HNT-204-A1: photograph it, from there" in text
    assert "expected loss 1200 now, 300 after the visit, cost 250 (units)" in text
    assert f"Before you go: {before_you_go(['photo'])}" in text
    assert "What to do" not in printed(replace(result, revisit=replace(plan, antennas=())))
    assert "What to do" not in printed(replace(result, revisit=None))
    # what would help sends somebody out, too
    advice = replace(result.next_evidence or NO_ADVICE, needs_trip=True)
    assert f"Before you go: {before_you_go(['photo'])}" in " ".join(
        printed(replace(result, revisit=None, next_evidence=advice)).split()
    )
    narrow = printed(result, 40).split("What to do")[1].split("Photos")[0]
    assert all(len(line) <= 40 for line in narrow.splitlines())
