"""What a register's own headings may mean: proposed, never taken."""

from __future__ import annotations

import tomllib
from datetime import date

import openpyxl
import pytest

from photoaz.errors import InputError
from photoaz.register.columns import load_columns
from photoaz.register.load import load_register, require_sites
from photoaz.register.propose import UnknownColumnsError, propose_columns

OWN = """Towers of the district;;;;;;;;;
Site No;Sector;Pos;Coordinates;Rad Ctr (ft);Azimuth (mag);Tol;Measured Az;Survey Date;Colour
HNT-204;A;1;46°37'48.0"N 66°24'36.0"W;96,5;36,2;5;39,1;28.04.2026;grey
HNT-204;B;1;46°37'48.0"N 66°24'36.0"W;95,0;156,2;5;n/a;28.04.2026;grey
HNT-205;A;1;46°30'00.0"N 66°20'06.0"W;80,0;16,2;5;19,1;13.04.2026;
"""

PLAIN = """TowerID\tCell Name\tLatitude\tLongitude\tCenterline (m)\tAntenna Height\tPlanned Azimuth\tM-Tilt\t\
Actual Azimuth (T)\tDate
T1\tT1-A\t46.63\t-66.41\t30.5\t2.0\t25\t3\t24.1\t2024-05-31
T1\tT1-B\t46.63\t-66.41\t30.5\t1.4\t145\t2\t149.7\t2024-05-31
T2\tT2-A\t46.53\t-66.31\t42.0\t2.0\t85\t0\t84.2\t2024-06-02
"""


def write(tmp_path, text, name="r.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def by_column(proposal):
    return {c.column: c for c in proposal.columns}


def test_a_register_with_headings_of_its_own(tmp_path):
    proposal = propose_columns(write(tmp_path, OWN))
    assert (proposal.shape.delimiter, proposal.shape.header_line, proposal.decimal) == (";", 2, ",")
    assert proposal.blank == ("n/a",)
    found = by_column(proposal)
    assert {c: i.heading for c, i in found.items()} == {
        "site_id": "Site No",
        "site_lat_deg": "Coordinates",
        "site_lon_deg": "Coordinates",
        "sector": "Sector",
        "position": "Pos",
        "rad_center_m": "Rad Ctr (ft)",
        "design_azimuth_deg": "Azimuth (mag)",
        "tolerance_deg": "Tol",
        "reading_azimuth_deg": "Measured Az",
        "reading_date": "Survey Date",
    }
    assert dict(found["rad_center_m"].settings) == {"unit": "ft"}
    assert dict(found["design_azimuth_deg"].settings) == {"north": "magnetic"}
    assert dict(found["reading_date"].settings) == {"format": "%d.%m.%Y"}
    assert dict(found["site_lon_deg"].settings) == {"part": 2, "separator": " "}
    assert "its heading says ft" in found["rad_center_m"].reasons
    assert any("no north in its heading" in reason for reason in found["reading_azimuth_deg"].reasons)
    assert proposal.missing == ("antenna_id",)
    assert proposal.unused == ("Colour",)


def test_a_plain_register(tmp_path):
    found = {c: i.heading for c, i in by_column(propose_columns(write(tmp_path, PLAIN))).items()}
    assert found == {
        "site_id": "TowerID",
        "antenna_id": "Cell Name",
        "site_lat_deg": "Latitude",
        "site_lon_deg": "Longitude",
        "rad_center_m": "Centerline (m)",
        "antenna_height_m": "Antenna Height",
        "design_azimuth_deg": "Planned Azimuth",
        "design_downtilt_deg": "M-Tilt",
        "reading_azimuth_deg": "Actual Azimuth (T)",
        "reading_date": "Date",
    }


def test_content_speaks_against_a_name(tmp_path):
    """A column called azimuth that holds words is none; one that could be either is said to be doubtful."""
    text = "Site,Antenna,Lat,Lon,Height AGL,Azimuth\nS,A,46.6,-66.4,30,north\nS,B,46.6,-66.4,30,east\n"
    proposal = propose_columns(write(tmp_path, text))
    assert "design_azimuth_deg" in proposal.missing
    assert "Azimuth" in proposal.unused


def test_nothing_is_taken_without_being_asked(tmp_path):
    path = write(tmp_path, PLAIN)
    with pytest.raises(UnknownColumnsError) as e:
        load_register(path)
    text = str(e.value)
    assert "wanted also site_id, antenna_id" in text
    assert "Check every line" in text
    assert "# the heading is 'latitude'; it holds numbers from -90 to 90\nsite_lat_deg = \"Latitude\"" in text
    assert e.value.proposal.missing == ()


def test_the_saved_proposal_reads_the_register_once_checked(tmp_path):
    path = write(tmp_path, PLAIN)
    write(tmp_path, propose_columns(path).to_toml(), "columns.toml")
    sites = require_sites(load_register(path, load_columns(tmp_path / "columns.toml")))
    assert [(s.site_id, [a.antenna_id for a in s.antennas]) for s in sites] == [
        ("T1", ["T1-A", "T1-B"]),
        ("T2", ["T2-A"]),
    ]
    assert sites[0].antennas[1].reading.azimuth_deg == 149.7


def test_what_is_missing_is_hinted_at_in_comments(tmp_path):
    toml = propose_columns(write(tmp_path, OWN)).to_toml()
    assert "antenna_id" not in tomllib.loads(toml)["columns"]
    assert '# antenna_id = {from = ["Sector", "Pos"], join = "-"}' in toml
    (tmp_path / "c.toml").write_text(toml.replace("# antenna_id", "antenna_id"), encoding="utf-8")
    sites = require_sites(load_register(tmp_path / "r.csv", load_columns(tmp_path / "c.toml")))
    assert sites[0].lat_deg == pytest.approx(46.63)
    assert sites[0].antennas[0].rad_center_m == pytest.approx(96.5 * 0.3048)
    grid = propose_columns(write(tmp_path, "Site,Antenna,Easting,Northing\nS,A,2500000,7400000\n", "g.csv")).to_toml()
    assert '# site_position = {easting = "Easting", northing = "Northing", crs = "EPSG:"}' in grid


def test_headings_that_toml_must_escape(tmp_path):
    heading = 'Site "A" \\ no\tx'
    text = f'"{heading.replace(chr(34), chr(34) * 2)}",lat\nS,46.6\n'
    proposal = propose_columns(write(tmp_path, text))
    document = tomllib.loads(proposal.to_toml())
    assert heading in (*proposal.unused, *document["columns"].values())


def test_day_and_month_that_could_be_swapped_are_said(tmp_path):
    found = by_column(propose_columns(write(tmp_path, "Site,Survey Date\nS,03/04/2024\nT,05/06/2024\n")))
    assert any("check" in reason for reason in found["reading_date"].reasons)


def test_a_workbook(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["Towers of the district"])
    book.active.append([])
    book.active.append(["Site ID", "Antenna ID", "Latitude", "Longitude", "RAD Center [ft]", "Azimuth", "Survey Date"])
    book.active.append([7, "7-A", 46.63, -66.41, 96.5, 25, date(2024, 5, 31)])
    book.active.append([7, "7-B", 46.63, -66.41, 95.0, 145, date(2024, 5, 31)])
    book.save(tmp_path / "r.xlsx")
    proposal = propose_columns(tmp_path / "r.xlsx")
    assert (proposal.shape.delimiter, proposal.shape.header_line, proposal.missing) == (None, 3, ())
    write(tmp_path, proposal.to_toml(), "c.toml")
    (site,) = require_sites(load_register(tmp_path / "r.xlsx", load_columns(tmp_path / "c.toml")))
    assert [a.rad_center_m for a in site.antennas] == pytest.approx([96.5 * 0.3048, 95.0 * 0.3048])


@pytest.mark.parametrize(("data", "says"), [(b"", "empty"), (b"\x00\x01", "binary"), (b"PK\x03\x04x", "workbook")])
def test_what_is_no_table(tmp_path, data, says):
    (tmp_path / "r.csv").write_bytes(data)
    with pytest.raises(InputError, match=says):
        propose_columns(tmp_path / "r.csv")
    with pytest.raises(InputError, match="No such file"):
        propose_columns(tmp_path / "absent.csv")
