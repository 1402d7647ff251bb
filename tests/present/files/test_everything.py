"""All result files in one go."""

from __future__ import annotations

import csv
from dataclasses import replace

import openpyxl
import pytest

from photoaz.judgement.standing import tally_of
from photoaz.present.words import DESIGNS, READINGS

NAMES = [
    "audit.xlsx",
    "estimates.csv",
    "estimates.json",
    "estimates.parquet",
    "failures.csv",
    "revisit.csv",
    "sites.geojson",
    "sites.kml",
]


def test_everything_from_sites_that_come_once(sites, write, tmp_path):
    write(tmp_path / "new" / "out", iter(sites), [("a.jpg", "no position")])
    assert sorted(f.name for f in (tmp_path / "new" / "out").iterdir()) == NAMES
    assert (tmp_path / "new" / "out" / "failures.csv").read_bytes() == b"file,reason\r\na.jpg,no position\r\n"


def test_without_pyarrow_there_is_no_parquet_and_the_rest_is_the_same(sites, write, tmp_path, monkeypatch):
    write(tmp_path / "with", iter(sites))
    monkeypatch.setattr("photoaz.present.results.parquet_is_there", lambda: False)
    write(tmp_path / "without", iter(sites))
    files = list((tmp_path / "without").iterdir())
    assert sorted(f.name for f in files) == [name for name in NAMES if name != "estimates.parquet"]
    for file in files:
        if file.suffix != ".xlsx":  # it holds the time of its making
            assert file.read_bytes() == (tmp_path / "with" / file.name).read_bytes()


def test_nothing_is_replaced_by_half_a_file(sites, write, tmp_path):
    write(tmp_path, sites)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}

    def broken():
        yield sites[0]
        raise OSError("the store went away")

    with pytest.raises(OSError, match="went away"):
        write(tmp_path, broken())
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_the_worst_site_comes_first_and_text_is_no_formula(sites, write, tmp_path):
    first, second = (
        replace(
            s,
            revisit=replace(
                s.revisit,
                loss_avoided=s.revisit.loss_avoided + k,
                antennas=(replace(s.revisit.antennas[0], reasons=("@x",)), *s.revisit.antennas[1:]),
            ),
        )
        for k, s in enumerate(sites)
    )
    write(tmp_path, [first, second, replace(first, site_id="T", revisit=None)])
    with (tmp_path / "revisit.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["site_id"].startswith("'=HYPERLINK")
    assert rows[0]["reasons"] == "'@x"
    assert [r["rank"] for r in rows] == [str(k) for k in range(1, len(rows) + 1)]


def test_the_workbook_has_four_sheets_with_filters_and_widths(sites, write, tmp_path):
    write(tmp_path, sites, [("a.jpg", "no position")])
    book = openpyxl.load_workbook(tmp_path / "audit.xlsx")
    assert book.sheetnames == ["sites", "antennas", "actions", "failures"]
    for sheet in book:
        assert sheet.auto_filter.ref == sheet.dimensions
        assert sheet.freeze_panes in ("A2", "C2")
        widths = [sheet.column_dimensions[c[0].column_letter].width for c in sheet.columns]
        assert all(8 < w <= 60 for w in widths)
        # short texts are seen whole
        for column, width in zip(sheet.columns, widths, strict=True):
            assert all(len(str(c.value)) <= width for c in column if c.value is not None and len(str(c.value)) < 58)
    head, first, second = book["sites"].iter_rows(values_only=True)
    row = dict(zip(head, first, strict=True))
    tally = tally_of(sites[0].antennas)
    assert [row[f"readings: {w.many}"] for w in READINGS] == [tally.readings[w.code] for w in READINGS]
    assert [row[f"designs: {w.many}"] for w in DESIGNS] == [tally.designs[w.code] for w in DESIGNS]
    assert second[0].startswith("=HYPERLINK")  # text, and no formula
    assert book["sites"]["A3"].data_type == "s"
