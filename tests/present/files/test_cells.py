"""CSV cells that stay what they are."""

from __future__ import annotations

import csv

import pytest

from photoaz.present.files.cells import cell, replaced, write_csv


# OWASP, 'CSV Injection' (owasp.org/www-community/attacks/CSV_Injection): a single quote before cells that begin so;
# the list with line feed, wide forms and the null character from memory
@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+1+1",
        "-1+1",
        "@SUM(A1)",
        "\tx",
        "\rx",
        "\nx",
        "\0x",
        "＝1",
        '=cmd|" /C calc"!A0',
        "+49 171",
        "-",
        "--1",
        "-1e",
    ],
)
def test_text_that_a_spreadsheet_would_reckon_with(text):
    assert cell(text) == "'" + text


@pytest.mark.parametrize("text", ["", "x=1", "a-b", " =1", "'=1", "#1", "-66.41", "+5", "-.5", "-1.5e-3", "1-2"])
def test_text_that_it_would_not(text):
    assert cell(text) == text


@pytest.mark.parametrize(
    ("value", "wanted"),
    [(-1.5, "-1.5"), (-3, "-3"), (None, ""), (True, "true"), (False, "false"), (2.5e-18, "2.5e-18")],
)
def test_numbers_and_the_like_are_left_alone(value, wanted):
    assert cell(value) == wanted


def test_failures(tmp_path):
    path = tmp_path / "failures.csv"
    rows = [("=a.jpg", 'no focal length, "none"'), ("b.jpg", "two\nlines"), ("c,d.jpg", "-")]
    write_csv(path, ("file", "reason"), iter(rows))
    with path.open(encoding="utf-8", newline="") as file:
        found = list(csv.reader(file))
    assert found == [["file", "reason"], ["'=a.jpg", rows[0][1]], list(rows[1]), ["c,d.jpg", "'-"]]
    assert path.read_bytes().startswith(b"file,reason\r\n")  # RFC 4180, 2.1


def test_a_file_takes_its_place_when_complete(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("before")

    def fail():
        with replaced(path) as file:
            file.write("half")
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert [p.name for p in tmp_path.iterdir()] == ["x.csv"]
    assert path.read_text() == "before"
    with replaced(path) as file:
        file.write("ä\r\n")
        assert path.read_text() == "before"
    assert path.read_bytes() == "ä\r\n".encode()
