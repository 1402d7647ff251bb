"""Tables: what spreadsheets and editors really write."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import openpyxl
import pytest

from photoaz.errors import InputError
from photoaz.register.tables import open_table

KNOWN = ("site_id", "antenna_id", "lat")


def read_table(path, known):
    """All rows at once."""
    table = open_table(path, known)
    return replace(table, rows=tuple(table.rows))


def write(tmp_path, data, name="t.csv"):
    path = tmp_path / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_byte_order_mark_and_line_ends(tmp_path, bom, end):
    path = write(tmp_path, bom + end.join([b"site_id,antenna_id", "S1,Südmast".encode(), b""]))
    table = read_table(path, KNOWN)
    assert table.columns == ("site_id", "antenna_id")
    assert [(r.line, r.cells) for r in table.rows] == [(2, {"site_id": "S1", "antenna_id": "Südmast"})]


def test_lines_count_through_quotes_and_blank_lines(tmp_path):
    path = write(tmp_path, 'site_id,note\nS1,"two\nlines, one cell"\n\n,\nS2,x\n')
    table = read_table(path, KNOWN)
    assert [(r.line, r.cells["site_id"]) for r in table.rows] == [(2, "S1"), (6, "S2")]
    assert table.rows[0].cells["note"] == "two\nlines, one cell"


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiters(tmp_path, delimiter):
    path = write(tmp_path, f"SITE_ID {delimiter} Antenna_Id{delimiter}colour\nS1{delimiter}A1{delimiter}grey\n")
    (row,) = read_table(path, KNOWN).rows
    assert row.cells == {"site_id": "S1", "antenna_id": "A1", "colour": "grey"}


def test_commas_where_the_delimiter_is_not_plain(tmp_path):
    table = read_table(write(tmp_path, "site_id,antenna_id;lat\n1,2\n"), KNOWN)
    assert table.columns == ("site_id", "antenna_id;lat")


def test_rows_too_long_are_faults_and_too_short_are_blank(tmp_path):
    table = read_table(write(tmp_path, "site_id,antenna_id\nS1,A1,A2\nS2\nS3,A3,,\n"), KNOWN)
    assert [(f.line, f.found) for f in table.faults] == [(2, "3 cells")]
    assert [r.cells for r in table.rows] == [{"site_id": "S2"}, {"site_id": "S3", "antenna_id": "A3"}]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty table"),
        (b"\n,,\n", "empty table"),
        ("site_id,Straße\n".encode("latin-1"), "line 1: found byte 0xdf"),
        ("site_id,antenna_id\n".encode("utf-16"), "UTF-16"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "old XLS"),
        (b"PK\x03\x04rubbish", "workbook that cannot be read"),
        (b"site_id\0", "binary"),
        (b"site_id,Site_ID\nS1,S2\n", "column site_id: found this column twice"),
        (b'site_id,antenna_id\nS1,"open', "line 2: found unexpected end of data"),
    ],
)
def test_what_is_no_table(tmp_path, data, says):
    with pytest.raises(InputError, match=says):
        read_table(write(tmp_path, data), KNOWN)


def test_no_file(tmp_path):
    with pytest.raises(InputError, match="No such file"):
        read_table(tmp_path / "absent.csv", KNOWN)


def test_xlsx(tmp_path):
    book = openpyxl.Workbook()
    for row in (
        ["site_id", "antenna_id", "lat", "read", "stamp"],
        [1001, "A1", -37.9510334, datetime(2024, 5, 31), datetime(2024, 5, 31, 9, 30)],
        [None, None, None, None, None],
        [1002.0, "A2", 12.5, None, None],
    ):
        book.active.append(row)
    path = tmp_path / "register.xlsx"
    book.save(path)
    table = read_table(path, KNOWN)
    assert [(r.line, r.cells) for r in table.rows] == [
        (
            2,
            {
                "site_id": "1001",
                "antenna_id": "A1",
                "lat": "-37.9510334",
                "read": "2024-05-31",
                "stamp": "2024-05-31T09:30:00",
            },
        ),
        (4, {"site_id": "1002", "antenna_id": "A2", "lat": "12.5"}),
    ]
