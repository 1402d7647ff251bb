"""Tables and settings made to break things: each gives rows or an InputError, in bounded time and memory."""

from __future__ import annotations

import csv
import io
import json
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from photoaz.errors import InputError
from photoaz.judgement.costs import load_costs
from photoaz.photo.calibration import SCHEMA, load_calibration
from photoaz.register.columns import load_columns
from photoaz.register.history import load_readings
from photoaz.register.load import load_controls, load_picks, load_register, require_sites
from photoaz.register.photos import load_manifest
from photoaz.register.priors import read_priors
from photoaz.register.propose import UnknownColumnsError
from photoaz.sample import sample_dir

REGISTER = sample_dir() / "register.csv"
TEXT = REGISTER.read_text(encoding="utf-8")
HEADER, *ROWS = TEXT.splitlines()
COLUMNS = HEADER.split(",")
#: processor time that any one file of a few kilobytes may take [s]
MOST_S = 10.0
NO_NUMBERS = ("nan", "NaN", "inf", "-inf", "1e400", "-1e400", "9" * 400, "=1+1", "1_000", "1,5", "0x10", "--1", "#REF!")
ODD_NUMBERS = ("1e-400", "٣٤", "−5", "1e5", "+1.", ".5", "-0")


@pytest.fixture
def file(tmp_path: Path) -> Callable[[bytes | str], Path]:
    def write(content: bytes | str) -> Path:
        path = tmp_path / "file"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return write


def spelled(error: InputError) -> list[str]:
    assert all(f.wanted for f in error.faults)
    return [str(f) for f in error.faults]


def fate(load: Callable[[Path], object], path: Path) -> list[str]:
    """Every fault that a file gives, as text; anything but an InputError fails the test."""
    start = time.process_time()
    try:
        found = load(path)
    except InputError as e:
        return spelled(e)
    finally:
        assert time.process_time() - start < MOST_S
    return [str(f) for f in getattr(found, "faults", ())]


def changed(**cells: str) -> str:
    """The register's first row with other cells, or more of them."""
    row = next(csv.DictReader([HEADER, ROWS[0]])) | cells
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([row.keys(), row.values()])
    return out.getvalue()


# ---- how the text is written ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "write",
    [
        lambda t: b"\xef\xbb\xbf" + t.encode(),
        lambda t: t.replace(",", ";").encode(),
        lambda t: t.replace(",", "\t").encode(),
        lambda t: t.replace("\n", "\r\n").encode(),
        lambda t: t.replace("\n", "\r").encode(),
        lambda t: t.replace("\n", "\n,,,\n\n").encode(),
    ],
    ids=["mark", "semicolons", "tabs", "CRLF", "CR", "blank lines"],
)
def test_ways_to_write_the_same_register(write: Callable[[str], bytes], file: Callable[[bytes], Path]) -> None:
    sites = require_sites(load_register(file(write(TEXT))))
    wanted = require_sites(load_register(REGISTER))
    assert [[a.antenna_id for a in s.antennas] for s in sites] == [[a.antenna_id for a in s.antennas] for s in wanted]
    assert [s.lat_deg for s in sites] == [s.lat_deg for s in wanted]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-7", "cp1252", "shift-jis"])
def test_other_encodings(encoding: str, file: Callable[[bytes], Path]) -> None:
    content = TEXT.replace(",A", ",é")
    if encoding == "shift-jis":
        content = TEXT.replace(",A", ",塔")
    found = fate(load_register, file(content.encode(encoding)))
    if encoding != "utf-7":
        assert len(found) == 1
        assert "UTF" in found[0]


def test_decimal_commas_are_faults_and_not_other_numbers(file: Callable[[str], Path]) -> None:
    found = fate(load_register, file(TEXT.replace(",", ";").replace(".", ",")))
    assert found
    assert all("a decimal comma" in f or "nothing" in f for f in found)


def test_a_hundred_more_columns_are_carried_along(file: Callable[[str], Path]) -> None:
    more = ",".join(f"x{k}" for k in range(100))
    cells = ",".join("=1+1" for _ in range(100))
    (site,) = require_sites(load_register(file("\n".join([f"{HEADER},{more}", *(f"{r},{cells}" for r in ROWS)]))))
    assert site.antennas[0].extra["x99"] == "=1+1"


@pytest.mark.parametrize(
    "cell", ["\n", '"', "\t", "\u202e", "\x1b[31m", "=HYPERLINK()", "'; DROP TABLE sites; --", "../.."]
)
@pytest.mark.parametrize("column", ["site_id", "antenna_id", "sector", "grid_crs", "reading_date"])
def test_odd_text_is_text_or_a_fault(column: str, cell: str, file: Callable[[str], Path]) -> None:
    found = fate(load_register, file(changed(**{column: f"x{cell}y"})))
    assert bool(found) == (column == "reading_date")


# ---- numbers --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("column", [c for c in COLUMNS if c.endswith(("_deg", "_m", "_ft", "_date", "position"))])
def test_what_is_no_number_is_a_fault_of_its_cell(column: str, file: Callable[[str], Path]) -> None:
    for cell in NO_NUMBERS:
        found = fate(load_register, file(changed(**{column: cell})))
        assert any(f"line 2, column {column}" in f for f in found), cell
    for cell in ODD_NUMBERS:
        fate(load_register, file(changed(**{column: cell})))


TABLES = {
    "controls": (load_controls, "photo,kind,x_px,y_px,azimuth_true_deg,u95", "a.jpg,bearing,{},{},5,1"),
    "controls' u95": (load_controls, "photo,kind,x_px,y_px,azimuth_true_deg,u95", "a.jpg,bearing,1,2,5,{}"),
    "controls' tips": (load_controls, "photo,kind,x_px,y_px,x2_px,y2_px", "a.jpg,shadow,1,2,{},{}"),
    "landmarks": (load_controls, "photo,kind,x_px,y_px,lat_deg,lon_deg,height_m", "a.jpg,landmark,1,2,{},{},{}"),
    "picks": (load_picks, "photo,antenna_id,x_px,y_px", "a.jpg,A,{},{}"),
    "corners": (
        load_picks,
        "photo,antenna_id," + ",".join(f"{a}{k}_px" for k in range(1, 5) for a in "xy"),
        "a.jpg,A" + ",{}" * 8,
    ),
    "readings": (load_readings, "site_id,antenna_id,reading_date,reading_azimuth_deg", "S,A,2020-01-01,{}"),
    "readings' dates": (load_readings, "site_id,antenna_id,reading_date,reading_azimuth_deg", "S,A,{},12"),
}


@pytest.mark.parametrize("name", TABLES)
def test_no_number_in_other_tables(name: str, file: Callable[[str], Path]) -> None:
    load, header, row = TABLES[name]
    for cell in NO_NUMBERS:
        found = fate(load, file(f"{header}\n" + row.replace("{}", f'"{cell}"') + "\n"))
        assert found, cell
        assert all("line 2" in f for f in found)


def test_a_manifest_of_odd_names(file: Callable[[str], Path]) -> None:
    names = [
        "../" * 500 + "a.jpg",
        "x" * 5000,
        "a\nb.jpg",
        "//x/y",
        "s3://b/\u202e",
        "~",
        ".",
        "%00",
        "a" + "\u0301" * 500,
    ]
    out = io.StringIO()
    csv.writer(out).writerows([("photo", "site_id"), *((n, "S") for n in names)])
    assert fate(load_manifest, file(out.getvalue())) == []


# ---- size -----------------------------------------------------------------------------------------------------------


def test_twenty_thousand_rows_that_are_all_one(file: Callable[[str], Path]) -> None:
    result = load_register(file("\n".join([HEADER, *([ROWS[0]] * 20_000)])))
    (fault,) = result.faults
    assert "20000 rows" in fault.found
    assert result.sites == ()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("," * 1_000_000 + "\n1,2", "proposal"),
        (",".join(f"c{k}" for k in range(100_000)) + "\n1,2", "columns"),
        ("x" * 200_000 + "," + HEADER + "\n" + ROWS[0], "field larger"),
        (",".join("x" * 5000 + str(k) for k in range(100)) + "\n1,2", "letters"),
        (HEADER + '\n"' + "x" * 200_000 + '"' + ROWS[0], "field larger"),
        (HEADER + '\n"' + "x\n" * 50_000 + ROWS[0], "unexpected end"),
    ],
    ids=["commas", "columns", "a long name", "long headings", "a long cell", "a quote without end"],
)
def test_too_much_of_something(content: str, said: str, file: Callable[[str], Path]) -> None:
    found = fate(load_register, file(content))
    assert any(said in f for f in found)
    assert sum(map(len, found)) < 50_000


def test_a_fault_repeats_no_more_of_a_cell_than_can_be_read(file: Callable[[str], Path]) -> None:
    (found,) = fate(load_register, file(changed(site_lat_deg="x" * 100_000)))
    assert len(found) < 1000


def test_many_columns_that_could_be_anything(file: Callable[[str], Path]) -> None:
    path = file(",".join(f"antenna height {k}" for k in range(300)) + "\n1,2")
    with pytest.raises(UnknownColumnsError):
        load_register(path)
    fate(load_register, path)


# ---- workbooks ------------------------------------------------------------------------------------------------------

_SHEET = (
    '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>{}</sheetData></worksheet>'
)


def workbook(sheet: str, says: int | None = None) -> bytes:
    """A workbook with this XML for its sheet, which is said to unpack to so many bytes."""
    held, out = io.BytesIO(), io.BytesIO()
    openpyxl.Workbook().save(held)
    with zipfile.ZipFile(held) as good, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name in good.namelist():
            made.writestr(name, sheet if name.endswith("sheet1.xml") else good.read(name))
            if says is not None and name.endswith("sheet1.xml"):
                made.getinfo(name).file_size = says
    return out.getvalue()


def cells(row: str) -> str:
    return "".join(f'<c t="str"><v>{c}</v></c>' for c in row.split(","))


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        (
            _SHEET.format(f'<row r="1">{cells(HEADER)}</row><row r="900000000">{cells(ROWS[0])}</row>'),
            "numbered beyond",
        ),
        (_SHEET.format('<row r="1"><c r="ZZZZZ1"><v>1</v></c></row>'), ""),
        (_SHEET.format('<row r="1"><c r="XFD1"><v>1</v></c></row>'), ""),
        ("<!DOCTYPE a [<!ENTITY b 'x'>]>" + _SHEET.format("<row><c t='str'><v>&b;</v></c></row>"), ""),
        (
            "<!DOCTYPE a [<!ENTITY b SYSTEM 'file:///etc/hostname'>]>" + _SHEET.format("<row><c><v>&b;</v></c></row>"),
            "",
        ),
        ("<worksheet>", ""),
        ("", ""),
    ],
    ids=["gap", "column", "wide", "entity", "other file", "cut", "empty"],
)
def test_workbooks(sheet: str, said: str, file: Callable[[bytes], Path]) -> None:
    found = fate(load_register, file(workbook(sheet)))
    assert found
    assert any(said in f for f in found)


def test_a_workbook_that_unpacks_to_more_than_half_a_gigabyte(file: Callable[[bytes], Path]) -> None:
    # nothing reads on beyond what is said: to pack as much would tell no more, and takes 10 s
    sheet = _SHEET.format(f'<row r="1">{cells(HEADER)}</row><row r="2">{cells(ROWS[0])}</row>')
    (found,) = fate(load_register, file(workbook(sheet, says=500_000_001)))
    assert "500 MB unpacked" in found


def test_workbooks_cut_anywhere(file: Callable[[bytes], Path]) -> None:
    whole = workbook(_SHEET.format(f"<row>{cells(HEADER)}</row><row>{cells(ROWS[0])}</row>"))
    assert fate(load_register, file(whole)) == []
    for end in range(0, len(whole), 64):
        assert fate(load_register, file(whole[:end]))


# ---- settings -------------------------------------------------------------------------------------------------------


def mapped(path: Path) -> object:
    return load_register(REGISTER, load_columns(path))


NO_TOML = {
    "arrays in arrays": "x = " + "[" * 100_000,
    "closed arrays": "x = " + "[" * 3000 + "]" * 3000,
    "tables in tables": "x = " + "{a=" * 3000,
    "a number of 5000 digits": "visit = " + "9" * 5000,
    "a number of 400 digits": "visit = " + "9" * 400,
    "hexadecimal": "visit = 0x" + "f" * 400,
    "not a number": "visit = nan",
    "beyond a float": "visit = 1e400",
    "truth": "visit = true",
    "dots": "a." * 50_000 + "b = 1",
    "many dots": "\n".join("a" + ".a" * k + " = 1" for k in range(0, 3000, 10)),
    "bytes": "\0\1",
    "megabytes": "#" * 2_000_000,
    "a date": "visit = 2020-01-01",
}


@pytest.mark.parametrize("name", NO_TOML)
def test_costs_and_columns_that_are_none(name: str, file: Callable[[str], Path]) -> None:
    path = file(NO_TOML[name])
    assert fate(load_costs, path)
    assert fate(load_columns, path)
    assert fate(read_priors, path)
    fate(read_priors, file("[antennas]\n" + NO_TOML[name]))
    fate(mapped, file("[columns]\n" + NO_TOML[name]))
    fate(mapped, file("[constants]\n" + NO_TOML[name]))


@pytest.mark.parametrize(
    "line",
    [
        *(f'encoding = "{e}"' for e in ("rot13", "hex", "zip", "punycode", "undefined", "utf-16", "utf-8\\u0000x", "")),
        *(f'delimiter = "{d}"' for d in ("", "ab", '\\"', "\\n", "\\u0000")),
        *(f"header_line = {n}" for n in ("0", "-1", "99999999999999999999", "true", "nan")),
        *(f'[columns]\nreading_date = {{from="reading_date", format="{f}"}}' for f in ("%", "%Q", "%Y%Y", "(%")),
        *(f'[columns]\nrad_center_m = {{from="rad_center_m", factor={f}}}' for f in ("nan", "0", "9" * 400, "1e400")),
        *(f'[columns]\nsite_id = {{from="site_id", part={p}}}' for p in ("0", "-1", "9" * 30)),
        *(
            f'[columns]\nsite_position = {{easting="site_lat_deg", northing="site_lon_deg", crs="{crs}"}}'
            for crs in ("EPSG:4326", "+proj=utm +zone=20 +nadgrids=no", "x" * 10_000)
        ),
    ],
)
def test_settings_that_cannot_be(line: str, file: Callable[[str], Path]) -> None:
    assert fate(mapped, file(line))


@pytest.mark.parametrize(
    "crs", ["", "x" * 10_000, "EPSG:99999999999999999999", "+proj=pipeline", '{"a": 1}', "EPSG:4326"]
)
def test_a_grid_that_is_none(crs: str, file: Callable[[str], Path]) -> None:
    found = fate(load_register, file(changed(grid_crs=crs, design_north="grid")))
    assert any("grid_crs" in f for f in found)


@pytest.mark.parametrize("value", ["9" * 400, "-1", "true", "1e400", "NaN", '"x"', "[1, 1]", "null", "{}"])
def test_a_calibration_of_other_values(value: str, file: Callable[[str], Path]) -> None:
    names = ("width_px", "height_px", "fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "sigma_f_px", "square_mm", "date")
    body = ", ".join(f'"{n}": {value}' for n in names)
    assert fate(load_calibration, file(f'{{"schema": "{SCHEMA}", {body}}}'))


@pytest.mark.parametrize("text", ["[" * 100_000, "9" * 5000, "{", "[]", "\0", "NaN", json.dumps({"schema": SCHEMA})])
def test_what_is_no_calibration(text: str, file: Callable[[str], Path]) -> None:
    assert fate(load_calibration, file(text))
