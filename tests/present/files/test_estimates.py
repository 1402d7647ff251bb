"""estimates.json, .csv and .parquet."""

from __future__ import annotations

import csv
import json

import pyarrow
import pyarrow.parquet
import pytest

from photoaz.present.files.estimates import (
    COLUMNS,
    estimate_rows,
    estimates_json,
    write_estimates_csv,
    write_estimates_json,
    write_estimates_parquet,
)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_json_is_that_of_the_whole(whole, head, sites, tmp_path, count):
    """Python's own json.dumps of the whole document is the reference, byte for byte."""
    wanted = json.dumps({**head, "sites": sites[:count]}, indent=1, ensure_ascii=False)
    assert "".join(estimates_json(iter(sites[:count]), head)) == wanted
    write_estimates_json(tmp_path / "e.json", iter(sites[:count]), head)
    assert (tmp_path / "e.json").read_bytes() == (wanted + "\n").encode()


def test_json_with_an_empty_head(sites):
    assert "".join(estimates_json(sites, {})) == json.dumps({"sites": sites}, indent=1, ensure_ascii=False)


def test_json_refuses_what_json_cannot_say(head, tmp_path):
    with pytest.raises(ValueError, match="JSON compliant"):
        write_estimates_json(tmp_path / "e.json", [{"a": float("nan")}], head)
    assert list(tmp_path.iterdir()) == []


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv(sites, tmp_path):
    write_estimates_csv(tmp_path / "e.csv", iter(sites))
    rows = read(tmp_path / "e.csv")
    assert tuple(rows[0]) == (*COLUMNS, "owner", "register_status", "note")
    assert len(rows) == 8
    first = rows[0]
    assert (first["site_id"], first["antenna_id"], first["sector"], first["position"]) == (
        "HNT-204",
        "HNT-204-A1",
        "A",
        "1",
    )
    assert (float(first["azimuth_true_deg"]), float(first["u95_deg"])) == (124.62, 4.03)
    assert first["reading_agrees"] == "false"  # 118 +- 2 against 124.62 +- 4.03: En = 6.62 / 4.50
    assert float(first["reading_en"]) == pytest.approx(6.62 / (2.0**2 + 4.03**2) ** 0.5, abs=1e-3)
    assert first["owner"] == "hill farm"
    assert first["main_uncertainty"] == "camera compass"
    assert float(rows[1]["alternative_azimuth_true_deg"]) == 110.0
    assert (rows[1]["photos"], rows[1]["alternatives"]) == ("2", "1")
    assert (rows[2]["status"], rows[2]["azimuth_true_deg"], rows[2]["photos"]) == ("not_visible", "", "0")
    evil = rows[4]
    assert evil["site_id"].startswith("'=HYPERLINK")
    assert (evil["register_status"], evil["owner"], evil["note"]) == ("-5", "'+49 1", "'@x")


def test_dates_and_turns(sites):
    site = sites[0]
    used = site["photos"][0]
    used["taken"] = "2019-05-02"
    site["photos"][1]["taken"] = "2023-06-01"
    site["turns"] = [
        {"antenna_id": "HNT-204-A2", "from": "2019-05-02", "to": "2023-06-01", "change_deg": 12.5, "u95_deg": 3.0}
    ]
    rows = {row["antenna_id"]: row for row, _ in estimate_rows(site)}
    a1, a2 = rows["HNT-204-A1"], rows["HNT-204-A2"]
    assert (a1["first_photo_date"], a1["last_photo_date"], a1["turned_deg"]) == ("2019-05-02", "2019-05-02", None)
    assert (a2["first_photo_date"], a2["last_photo_date"]) == ("2019-05-02", "2023-06-01")
    assert (a2["turned_deg"], a2["turned_from"], a2["turned_to"]) == (12.5, "2019-05-02", "2023-06-01")


def test_a_document_with_the_least_in_it():
    ((row, extra),) = estimate_rows({"site_id": "S", "antennas": [{"antenna_id": "A"}]})
    assert (row["site_id"], row["photos"], row["reading_agrees"], extra) == ("S", 0, None, {})


def test_parquet_has_the_csv_s_columns_with_types(sites, tmp_path):
    write_estimates_parquet(tmp_path / "e.parquet", iter(sites))
    write_estimates_csv(tmp_path / "e.csv", iter(sites))
    table = pyarrow.parquet.read_table(tmp_path / "e.parquet")
    rows = read(tmp_path / "e.csv")
    assert table.column_names == list(rows[0])
    types = {f.name: f.type for f in table.schema}
    assert types["azimuth_true_deg"] == pyarrow.float64()
    assert types["position"] == pyarrow.int32()
    assert types["revisit"] == pyarrow.bool_()
    assert types["owner"] == pyarrow.string()
    data = table.to_pylist()
    assert [d["azimuth_true_deg"] for d in data] == [
        float(r["azimuth_true_deg"]) if r["azimuth_true_deg"] else None for r in rows
    ]
    assert data[4]["site_id"] == sites[1]["site_id"]  # no apostrophe: nothing reckons with it here
    assert [d["revisit"] for d in data] == [r["revisit"] == "true" for r in rows]


def test_no_sites(tmp_path):
    write_estimates_csv(tmp_path / "e.csv", [])
    write_estimates_parquet(tmp_path / "e.parquet", [])
    assert (tmp_path / "e.csv").read_text() == ",".join(COLUMNS) + "\n"
    table = pyarrow.parquet.read_table(tmp_path / "e.parquet")
    assert (table.num_rows, table.column_names) == (0, list(COLUMNS))
