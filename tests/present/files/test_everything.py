"""All result files in one go."""

from __future__ import annotations

import csv
import json

import pytest

from photoaz.present.files.everything import write_results
from photoaz.present.revisit import COLUMNS, revisit_csv, write_revisit_csv

NAMES = [
    "estimates.csv",
    "estimates.json",
    "estimates.parquet",
    "failures.csv",
    "revisit.csv",
    "sites.geojson",
    "sites.kml",
]


def test_everything_from_sites_that_come_once(whole, head, sites, tmp_path):
    files = write_results(tmp_path / "new" / "out", iter(sites), head, iter([("a.jpg", "no position")]))
    assert sorted(f.name for f in files) == NAMES == sorted(f.name for f in (tmp_path / "new" / "out").iterdir())
    assert json.loads((tmp_path / "new/out/estimates.json").read_text(encoding="utf-8")) == whole


def test_without_pyarrow_there_is_no_parquet_and_the_rest_is_the_same(head, sites, tmp_path, monkeypatch):
    write_results(tmp_path / "with", iter(sites), head)
    monkeypatch.setattr("photoaz.present.files.everything.parquet_is_there", lambda: False)
    files = write_results(tmp_path / "without", iter(sites), head)
    assert sorted(f.name for f in files) == [name for name in NAMES if name != "estimates.parquet"]
    for file in files:
        assert file.read_bytes() == (tmp_path / "with" / file.name).read_bytes()


def test_nothing_is_replaced_by_half_a_file(head, sites, tmp_path):
    write_results(tmp_path, sites, head)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}

    def broken():
        yield sites[0]
        raise OSError("the store went away")

    with pytest.raises(OSError, match="went away"):
        write_results(tmp_path, broken(), head)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_revisit_from_documents_is_that_from_plans(site, solution, judgements, sites, tmp_path):
    from photoaz.judgement.revisit import plan_site

    plan = plan_site(site, solution, judgements)
    write_revisit_csv(tmp_path / "r.csv", iter(sites[:1]))
    assert (tmp_path / "r.csv").read_bytes().decode() == revisit_csv([plan])
    sites[1]["revisit"]["loss_avoided"] += 1.0
    for site_document in sites:
        site_document["revisit"]["antennas"][0]["reasons"] = ["@x"]
    write_revisit_csv(tmp_path / "r.csv", iter([*sites, {"site_id": "T", "revisit": None, "antennas": []}]))
    with (tmp_path / "r.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    assert rows[0]["site_id"].startswith("'=HYPERLINK")  # the worst first
    assert rows[0]["reasons"] == "'@x"
    assert [r["rank"] for r in rows] == [str(k) for k in range(1, len(rows) + 1)]
