"""estimates.json, .csv and .parquet, and the workbook."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from datetime import date

import openpyxl
import pyarrow
import pyarrow.parquet
import pytest

from photoaz.present.files import workbook
from photoaz.result import RECORD_COLUMNS, AntennaResult, ById, SiteResult

COLUMNS = tuple(RECORD_COLUMNS)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_json_is_that_of_the_whole(sites, head, write, tmp_path, count):
    """Python's own json.dumps of the whole document is the reference, byte for byte."""
    whole = {**head, "sites": [s.document() for s in sites[:count]]}
    write(tmp_path, iter(sites[:count]))
    assert (tmp_path / "estimates.json").read_bytes() == (
        json.dumps(whole, indent=1, ensure_ascii=False) + "\n"
    ).encode()


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv(sites, write, tmp_path):
    rows = read(write(tmp_path, iter(sites)) / "estimates.csv")
    assert tuple(rows[0]) == (*COLUMNS, "owner", "register_status", "note")
    assert len(rows) == 8
    first = rows[0]
    assert (first["site_id"], first["antenna_id"]) == ("HNT-204", "HNT-204-A1")
    assert (float(first["azimuth_true_deg"]), float(first["u95_deg"])) == (124.62, 4.03)
    assert first["reading_agrees"] == "false"  # 118 +- 2 against 124.62 +- 4.03: En = 6.62 / 4.50
    assert float(first["reading_en"]) == pytest.approx(6.62 / (2.0**2 + 4.03**2) ** 0.5, abs=1e-3)
    assert first["owner"] == "hill farm"
    assert first["main_uncertainty"] == "camera compass"
    assert float(rows[1]["alternative_azimuth_true_deg"]) == 110.0
    assert (rows[1]["photos"], rows[1]["alternatives"]) == ("2", "1")
    assert (rows[2]["status"], rows[2]["azimuth_true_deg"], rows[2]["photos"]) == ("not_visible", "", "0")
    assert rows[3]["azimuth_true_deg"] == "0.0"  # 359.99961
    evil = rows[4]
    assert evil["site_id"].startswith("'=HYPERLINK")
    assert (evil["register_status"], evil["owner"], evil["note"]) == ("-5", "'+49 1", "'@x")


def test_records_are_the_document_s_figures(sites):
    """Each column that names one figure has it as the JSON document has it."""
    site = sites[0]
    of = {a["antenna_id"]: a for a in site.document()["antennas"]}
    for row in site.to_records():
        a = of[row["antenna_id"]]
        reading, design, tilt = (a[k] or {} for k in ("reading", "design", "downtilt_reading"))
        for column, value in {
            "azimuth_true_deg": a["azimuth_true_deg"],
            "roll_u95_deg": a["roll_u95_deg"],
            "site_lat_deg": 46.6,
            "reading_azimuth_true_deg": reading.get("azimuth_true_deg"),
            "reading_difference_deg": reading.get("difference_deg"),
            "reading_en": reading.get("en"),
            "downtilt_reading_en": tilt.get("en"),
            "design_azimuth_true_deg": design["azimuth_true_deg"],
            "design_deviation_deg": design["deviation_deg"],
            "p_out_of_tolerance": design["p_out_of_tolerance"],
            "impact_boresight_db": a["impact_db"]["boresight"],
            "reasons": "; ".join(a["reasons"]) or None,
        }.items():
            assert row[column] == value, column
        for column, (kind, _) in RECORD_COLUMNS.items():
            assert row[column] is None or isinstance(row[column], kind), column


def test_dates_and_turns(sites, turn):
    site = sites[0]
    used, other = site.photos
    last = turn("HNT-204-A2", to=date(2023, 6, 1), change_deg=12.5)
    photos = ById((replace(used, taken=date(2019, 5, 2)), replace(other, taken=date(2023, 6, 1))))
    site = replace(site, photos=photos, turns=(replace(last, change_deg=1.0), last))  # the last of several
    rows = {row["antenna_id"]: row for row in site.to_records()}
    a1, a2 = rows["HNT-204-A1"], rows["HNT-204-A2"]
    assert (a1["first_photo_date"], a1["last_photo_date"], a1["turned_deg"]) == ("2019-05-02", "2019-05-02", None)
    assert (a2["first_photo_date"], a2["last_photo_date"]) == ("2019-05-02", "2023-06-01")
    assert (a2["turned_deg"], a2["turned_from"], a2["turned_to"]) == (12.5, "2019-05-02", "2023-06-01")


def test_what_is_not_finite_is_empty_everywhere(write, tmp_path):
    odd = AntennaResult(antenna_id="A", status="estimated", azimuth_true_deg=10.0, u95_deg=math.inf)
    site = SiteResult(site_id="S", lat_deg=1.0, lon_deg=2.0, antennas=ById((odd,)))
    (row,) = read(write(tmp_path, [site]) / "estimates.csv")
    assert (row["azimuth_true_deg"], row["u95_deg"], row["photos"], row["reading_agrees"]) == ("10.0", "", "0", "")


def test_parquet_has_the_csv_s_columns_with_types(sites, write, tmp_path):
    write(tmp_path, iter(sites))
    table = pyarrow.parquet.read_table(tmp_path / "estimates.parquet")
    rows = read(tmp_path / "estimates.csv")
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
    assert data[4]["site_id"] == sites[1].site_id  # no apostrophe: nothing reckons with it here
    assert [d["revisit"] for d in data] == [r["revisit"] == "true" for r in rows]


def test_no_sites(write, tmp_path):
    write(tmp_path, [])
    assert (tmp_path / "estimates.csv").read_text() == ",".join(COLUMNS) + "\n"
    table = pyarrow.parquet.read_table(tmp_path / "estimates.parquet")
    assert (table.num_rows, table.column_names) == (0, list(COLUMNS))


# ---- audit.xlsx ------------------------------------------------------------------------------------------------------


def sheets(path):
    book = openpyxl.load_workbook(path)
    return {s.title: list(s.iter_rows()) for s in book.worksheets}


def test_workbook_holds_the_rows_of_the_csv_files(sites, write, tmp_path):
    write(tmp_path, sites, [("=a.jpg", "no position"), ("b.jpg", "cut \x02short")])
    read_back = sheets(tmp_path / "audit.xlsx")
    assert list(read_back) == ["sites", "antennas", "actions", "failures"]
    for sheet, name in (("antennas", "estimates"), ("actions", "revisit")):
        head, *rows = read_back[sheet]
        plain = read(tmp_path / f"{name}.csv")
        assert [c.value for c in head] == list(plain[0])
        assert len(rows) == len(plain)
    first = dict(zip((c.value for c in read_back["antennas"][0]), read_back["antennas"][1], strict=True))
    assert first["azimuth_true_deg"].value == 124.62
    assert first["reading_agrees"].value is False
    evil = read_back["antennas"][5][0]
    assert evil.value.startswith("=HYPERLINK")
    assert evil.data_type == "s"  # text, no formula
    assert [[c.value for c in row] for row in read_back["failures"][1:]] == [
        ["=a.jpg", "no position"],
        ["b.jpg", "cut \ufffdshort"],
    ]


def test_a_sheet_that_is_full_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(workbook, "MOST_ROWS", 4)
    workbook.write_workbook(tmp_path / "w.xlsx", [("s", ("a",), [[k] for k in range(9)])])
    values = [row[0].value for row in sheets(tmp_path / "w.xlsx")["s"]]
    assert values == ["a", 0, 1, "and more, in the CSV files"]
