"""Registers with headings and units of their own."""

from __future__ import annotations

from datetime import date

import openpyxl
import pytest

from photoaz.errors import InputError
from photoaz.register.columns import load_columns
from photoaz.register.load import load_register, require_sites

TOML = """
decimal = ","
blank = ["n/a"]

[columns]
site_id = "Site No"
antenna_id = {from = ["Sector", "Pos"], join = "-"}
sector = "Sector"
site_lat_deg = {from = "Position", part = 1, separator = "/"}
site_lon_deg = {from = "Position", part = 2, separator = "/"}
rad_center_m = {from = "Rad Ctr", unit = "ft"}
antenna_height_m = {from = "Length", unit = "in"}
design_azimuth_deg = {from = "Azimuth", unit = "gon", north = "magnetic"}
design_downtilt_deg = {from = "Uptilt", factor = -1}
reading_azimuth_deg = "Measured"
reading_date = {from = "Measured on", format = "%d.%m.%Y"}
reading_north = {from = "Ref", values = {T = "true", M = "magnetic"}}

[constants]
tolerance_deg = 3
reading_north = "true"
"""

HEADER = "Site No;Sector;Pos;Position;Rad Ctr;Length;Azimuth;Uptilt;Measured;Measured on;Ref;Colour"
ROW = "HNT-204;A;1;46°37'48\" N / 66°24'36\" W;96,5;55;100;-2,5;39,1;28.04.2026;m;grey"


def write(tmp_path, text, name):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def load(tmp_path, rows, toml=TOML, header=HEADER):
    table = write(
        tmp_path, "\n".join([header, *rows]).replace('"', '""').replace("46°", '"46°').replace("W;", 'W";'), "r.csv"
    )
    return load_register(table, load_columns(write(tmp_path, toml, "columns.toml")))


def test_headings_units_and_spellings(tmp_path):
    (site,) = require_sites(load(tmp_path, [ROW]))
    (antenna,) = site.antennas
    assert (site.site_id, antenna.antenna_id, antenna.sector) == ("HNT-204", "A-1", "A")
    assert site.lat_deg == pytest.approx(46.63, abs=1e-9)  # 37' 48" = 0.63 deg
    assert site.lon_deg == pytest.approx(-66.41, abs=1e-9)
    # The international foot and inch are 0.3048 m and 0.0254 m (agreement of 1959); 400 gon are a turn (from memory)
    assert antenna.rad_center_m == pytest.approx(29.4132, abs=1e-9)
    assert antenna.height_m == pytest.approx(1.397, abs=1e-9)
    assert (antenna.design_azimuth_deg, antenna.design_north) == (90.0, "magnetic")
    assert antenna.design_downtilt_deg == 2.5
    assert antenna.tolerance_deg == 3.0
    reading = antenna.reading
    assert (reading.azimuth_deg, reading.north, reading.date) == (39.1, "magnetic", date(2026, 4, 28))
    assert antenna.extra == {"Colour": "grey"}


def test_blank_cells_and_constants_for_them(tmp_path):
    row = ROW.replace(";39,1;28.04.2026;m;", ";39,1;n/a;;")
    (site,) = require_sites(load(tmp_path, [row]))
    assert (site.antennas[0].reading.north, site.antennas[0].reading.date) == ("true", None)


def test_faults_name_the_file_s_own_heading_and_cell(tmp_path):
    row = (
        ROW.replace("96,5", "96.5,0")
        .replace(";100;", ";500;")
        .replace("28.04.2026", "04/28/2026")
        .replace("m;g", "x;g")
    )
    faults = load(tmp_path, [ROW, row.replace("A;1", "A;2")]).faults
    assert [(f.line, f.column) for f in faults] == [
        (3, "Azimuth (for design_azimuth_deg)"),
        (3, "Ref (for reading_north)"),
        (3, "Rad Ctr (for rad_center_m)"),
        (3, "Measured on (for reading_date)"),
    ]
    assert [f.found for f in faults] == [
        "'500'",
        "'x'",
        "'96.5,0' (both a point and a comma)",
        "'04/28/2026' (not a date as %d.%m.%Y)",
    ]
    assert faults[0].wanted == "degrees clockwise from north, 0 to 360"


def test_the_interface_s_own_columns_need_no_naming(tmp_path):
    toml = '[columns]\nsite_id = "Tower"\n'
    header = "Tower,antenna_id,site_lat_deg,site_lon_deg,rad_center_ft,design_azimuth_deg"
    (site,) = require_sites(load(tmp_path, ["T1,A,46.6,-66.4,100,25"], toml, header))
    assert site.site_id == "T1"
    assert site.antennas[0].rad_center_m == pytest.approx(30.48)


def test_xlsx_on_a_named_sheet_below_a_title(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["nothing here"])
    sheet = book.create_sheet("Antennas")
    sheet.append(["Towers of the district"])
    sheet.append(["Tower\nno.", "antenna_id", "site_lat_deg", "site_lon_deg", "Height", "design_azimuth_deg"])
    sheet.append([7, "A", 46.6, -66.4, 9840, 25])
    book.save(tmp_path / "r.xlsx")
    toml = (
        'sheet = "Antennas"\nheader_line = 2\n'
        '[columns]\nsite_id = "tower no."\nrad_center_m = {from="Height", unit="cm"}\n'
    )
    columns = load_columns(write(tmp_path, toml, "c.toml"))
    (site,) = require_sites(load_register(tmp_path / "r.xlsx", columns))
    assert (site.site_id, site.antennas[0].rad_center_m) == ("7", pytest.approx(98.4))
    with pytest.raises(InputError, match="no sheet 'Masts'; wanted one of: Sheet, Antennas"):
        load_register(tmp_path / "r.xlsx", load_columns(write(tmp_path, toml.replace("Antennas", "Masts"), "c.toml")))


def test_other_encodings(tmp_path):
    (tmp_path / "r.csv").write_bytes(
        "Straße,antenna_id,site_lat_deg,site_lon_deg,rad_center_m,design_azimuth_deg\nS1,A,46.6,-66.4,30,25\n".encode(
            "cp1252"
        )
    )
    columns = load_columns(write(tmp_path, 'encoding = "cp1252"\n[columns]\nsite_id = "Straße"\n', "c.toml"))
    assert require_sites(load_register(tmp_path / "r.csv", columns))[0].site_id == "S1"


# PROJ, called another way round, is the reference
def test_positions_on_a_grid(tmp_path):
    import pyproj

    east, north = pyproj.Proj("EPSG:32619")(-66.41, 46.63)
    toml = '[columns]\nsite_position = {easting = "X", northing = "Y", crs = "EPSG:32619", unit = "km"}\n'
    header = "site_id,antenna_id,X,Y,rad_center_m,design_azimuth_deg"
    row = f"S,A,{east / 1000:.7f},{north / 1000:.7f},30,25"
    (site,) = require_sites(load(tmp_path, [row], toml, header))
    assert (site.lat_deg, site.lon_deg) == pytest.approx((46.63, -66.41), abs=1e-8)  # 1 mm
    faults = load(tmp_path, ["S,A,east,5000,30,25"], toml, header).faults
    assert {f.column for f in faults} == {"X, Y (for site_lat_deg)", "X, Y (for site_lon_deg)"}
    assert "'east, 5000' (not a number)" in str(faults[0])


@pytest.mark.parametrize(
    ("unit", "text", "wanted"),
    [
        ("ddmmss", "463748.5", 46.0 + 37.0 / 60.0 + 48.5 / 3600.0),
        ("ddmmss", "0663748W", -(66.0 + 37.0 / 60.0 + 48.0 / 3600.0)),
        ("ddmmss", "-12", -12.0 / 3600.0),
        ("ddmm", "4637.8", 46.63),
        ("deg", "46 37 48 S", -46.63),
        ("rad", "0.8138470302", 46.63),
        ("mil", "800", 45.0),
    ],
)
def test_angles(tmp_path, unit, text, wanted):
    toml = f'[columns]\nsite_lat_deg = {{from = "L", unit = "{unit}"}}\n'
    header = "site_id,antenna_id,L,site_lon_deg,rad_center_m,design_azimuth_deg"
    (site,) = require_sites(load(tmp_path, [f"S,A,{text},0,30,25"], toml, header))
    assert site.lat_deg == pytest.approx(wanted, abs=1e-8)


def test_angles_that_are_none(tmp_path):
    toml = '[columns]\nsite_lat_deg = {from = "L", unit = "ddmmss"}\n'
    header = "site_id,antenna_id,L,site_lon_deg,rad_center_m,design_azimuth_deg"
    rows = [f"S{i},A,{text},0,30,25" for i, text in enumerate(("466048", "N46", "-4600W", "46.6.1"))]
    faults = load(tmp_path, rows, toml, header).faults
    assert [(f.line, f.column) for f in faults] == [
        (2, "L (for site_lat_deg)"),
        (4, "L (for site_lat_deg)"),
        (5, "L (for site_lat_deg)"),
    ]


BAD = """
delimeter = ";"
sheet = 1.5
[columns]
site_idd = "Site"
rad_center_m = {from = "H", unit = "feet"}
sector = {from = "S", unit = "m", north = "true"}
position = 3
reading_date = {from = "D", format = "dmy"}
design_azimuth_deg = {from = "A", nort = "true"}
reading_azimuth_deg = {from = "B", north = "up", part = 0, factor = 0}
[constants]
tolerance = 5
reading_north = {a = 1}
[readings.columns]
site = "S"
"""


def test_every_wrong_key_is_told_at_once(tmp_path):
    with pytest.raises(InputError) as e:
        load_columns(write(tmp_path, BAD, "c.toml"))
    assert {(f.column, f.line) for f in e.value.faults} == {
        ("delimeter", 2),
        ("sheet", 3),
        ("columns.site_idd", 5),
        ("columns.rad_center_m.unit", 6),
        ("columns.sector.unit", 7),
        ("columns.sector.north", 7),
        ("columns.position", 8),
        ("columns.reading_date.format", 9),
        ("columns.design_azimuth_deg.nort", 10),
        ("columns.reading_azimuth_deg.north", 11),
        ("columns.reading_azimuth_deg.part", 11),
        ("columns.reading_azimuth_deg.factor", 11),
        ("constants.tolerance", 13),
        ("constants.reading_north", 14),
        ("readings.columns.site", 16),
    }
    text = str(e.value)
    assert "found the unknown key 'delimeter'; wanted delimiter, perhaps" in text
    assert "c.toml, line 5, column columns.site_idd: found the unknown key 'site_idd'; wanted site_id, perhaps" in text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[columns\n", "line 1.*no TOML"),
        ('[columns]\nsite_position = {easting = "X", northing = "Y", crs = "EPSG:4326"}', "no map projection"),
        ('[columns]\nsite_position = {easting = "X"}', "no northing"),
        (
            '[columns]\nsite_lat_deg = "L"\nsite_position = {easting = "X", northing = "Y", crs = "EPSG:32619"}',
            "one of the two ways",
        ),
        (
            '[columns]\nreading_azimuth_deg = {from = "A", north = "true"}\n[constants]\nreading_north = "grid"',
            "one of",
        ),
    ],
)
def test_wrong_files(tmp_path, text, says):
    with pytest.raises(InputError, match=says):
        load_columns(write(tmp_path, text, "c.toml"))


def test_headings_that_the_file_lacks(tmp_path):
    with pytest.raises(InputError) as e:
        load(tmp_path, ["a,b"], '[columns]\nsite_id = "Site No"\nsector = "Sec"\n', "Site No.,Zone")
    assert [f.column for f in e.value.faults] == ["columns.site_id", "columns.sector"]
    assert "'Site No.', perhaps" in str(e.value)
