"""Registers, controls and picks: good ones whole, bad ones with every fault in its place."""

from __future__ import annotations

import itertools
import pickle
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import openpyxl
import pytest

from photoaz.errors import InputError
from photoaz.quantities import CONTROL_U95
from photoaz.register import load
from photoaz.register.model import DowntiltReading, Reading
from photoaz.register.photos import PhotoIndex

HEADER = "site_id,antenna_id,site_lat_deg,site_lon_deg,rad_center_m,design_azimuth_deg"


def write(tmp_path, text, name="t.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def register(tmp_path, more, *rows):
    """A register with further columns; rows are lists of cells."""
    lines = [HEADER + ("," + more if more else "")] + [",".join(r) for r in rows]
    return load.load_register(write(tmp_path, "\n".join(lines) + "\n"))


GOOD = ["S1", "A1", "45.1", "7.5", "30.5", "120"]


def test_least_row_gets_the_interface_defaults(tmp_path):
    result = register(tmp_path, "", GOOD)
    (site,) = load.require_sites(result)
    (antenna,) = site.antennas
    assert (site.site_id, site.lat_deg, site.lon_deg, site.position_u95_m) == ("S1", 45.1, 7.5, 3.0)
    assert (antenna.rad_center_m, antenna.rad_center_u95_m, antenna.tolerance_deg) == (30.5, 1.0, 5.0)
    assert (antenna.design_azimuth_deg, antenna.design_north) == (120.0, "true")
    assert (antenna.reading, antenna.downtilt_reading, antenna.height_m, antenna.line) == (None, None, None, 2)


def test_full_row(tmp_path):
    columns = (
        "site_position_u_m,sector,position,rad_center_u_m,antenna_height_m,antenna_width_m,antenna_depth_m,"
        "offset_east_m,offset_north_m,design_north,tolerance_deg,design_downtilt_deg,reading_azimuth_deg,reading_north,"
        "reading_u95_deg,reading_date,reading_downtilt_deg,reading_downtilt_u95_deg,grid_crs,colour"
    )
    cells = "5,A,2,0.5,2.0,0.35,0.15,0.4,-0.3,Grid,3,2.5,360,magnetic,1.5,2024-05-31T09:30:00Z,3.1,0.2,32632,grey"
    (site,) = load.require_sites(register(tmp_path, columns, GOOD + cells.split(",")))
    (a,) = site.antennas
    assert site.position_u95_m == 5.0
    assert (a.sector, a.position, a.rad_center_u95_m) == ("A", 2, 0.5)
    assert (a.height_m, a.width_m, a.depth_m, a.offset_east_m, a.offset_north_m) == (2.0, 0.35, 0.15, 0.4, -0.3)
    assert (a.design_north, a.tolerance_deg, a.design_downtilt_deg, a.grid_crs) == ("grid", 3.0, 2.5, "32632")
    assert a.reading == Reading(azimuth_deg=0.0, north="magnetic", u95_deg=1.5, date=date(2024, 5, 31))
    assert a.downtilt_reading == DowntiltReading(downtilt_deg=3.1, u95_deg=0.2)
    assert a.extra == {"colour": "grey"}
    assert pickle.loads(pickle.dumps(site)) == site  # sites travel to worker processes


def test_reading_defaults(tmp_path):
    (site,) = register(tmp_path, "reading_azimuth_deg,reading_downtilt_deg", [*GOOD, "77.5", "2"]).sites
    assert site.antennas[0].reading == Reading(azimuth_deg=77.5, north="true", u95_deg=2.0)
    assert site.antennas[0].downtilt_reading == DowntiltReading(downtilt_deg=2.0, u95_deg=0.5)


def test_stated_coverage_factor(tmp_path):
    (site,) = register(tmp_path, "reading_azimuth_deg,reading_u95_deg,reading_k", [*GOOD, "77.5", "1.2", "2.26"]).sites
    assert site.antennas[0].reading == Reading(azimuth_deg=77.5, north="true", u95_deg=1.2, k=2.26)


def test_feet(tmp_path):
    header = HEADER.replace("rad_center_m", "rad_center_ft")
    (site,) = load.load_register(write(tmp_path, f"{header}\nS1,A1,45.1,7.5,100,120\n")).sites
    assert site.antennas[0].rad_center_m == pytest.approx(30.48)  # the international foot is 0.3048 m by definition


def test_feet_and_metres_must_agree(tmp_path):
    (fault,) = register(tmp_path, "rad_center_ft", [*GOOD, "30.5"]).faults
    assert (fault.line, fault.column) == (2, "rad_center_ft")
    assert register(tmp_path, "rad_center_ft", [*GOOD, "100"]).faults == ()


def test_the_ground_s_height_may_stand_on_one_row_only(tmp_path):
    (site,) = load.require_sites(register(tmp_path, "site_ground_m", [*GOOD, ""], ["S1", "A2", *GOOD[2:], "312.5"]))
    assert site.ground_m == 312.5
    assert register(tmp_path, "", GOOD).sites[0].ground_m is None
    (fault,) = register(tmp_path, "site_ground_m", [*GOOD, "10"], ["S1", "A2", *GOOD[2:], "11"]).faults
    assert (fault.line, fault.column) == (3, "site_ground_m")
    (fault,) = register(tmp_path, "site_ground_m", [*GOOD, "about 10"]).faults
    assert (fault.line, fault.column) == (2, "site_ground_m")


def test_positions_in_degrees_minutes_seconds_and_east_of_180(tmp_path):
    (site,) = register(tmp_path, "", ["S1", "A1", '37°57\'03.72""S'.replace('""', '"'), "190", "30", "0"]).sites
    assert site.lat_deg == pytest.approx(-37.9510333, abs=1e-7)
    assert site.lon_deg == -170.0


def test_order_is_the_file_s(tmp_path):
    rows = [["S2", "B", *GOOD[2:]], ["S1", "Z", *GOOD[2:]], ["S2", "A", *GOOD[2:]]]
    sites = register(tmp_path, "", *rows).sites
    assert [(s.site_id, [a.antenna_id for a in s.antennas]) for s in sites] == [("S2", ["B", "A"]), ("S1", ["Z"])]


# One slip a row: column, what stands there, a piece of what the fault must say
SLIPS = [
    ("site_lat_deg", "95", "-90 to 90"),
    ("site_lat_deg", "", "found nothing"),
    ("site_lon_deg", "7,5", "decimal comma"),
    ("site_lon_deg", "-181", "-180 to 360"),
    ("rad_center_m", "nan", "not a finite number"),
    ("rad_center_m", "inf", "not a finite number"),
    ("rad_center_m", "1_0", "not a finite number"),
    ("rad_center_m", "30 m", "not a finite number"),
    ("rad_center_m", "0", "above 0"),
    ("rad_center_m", "", "rad_center_m or rad_center_ft"),
    ("design_azimuth_deg", "-5", "0 to 360"),
    ("design_azimuth_deg", "361", "0 to 360"),
    ("design_azimuth_deg", "north", "not an angle"),
    ("design_north", "compass", "true, magnetic or grid"),
    ("tolerance_deg", "0", "above 0"),
    ("antenna_height_m", "2000", "metres"),
    ("antenna_width_m", "-0.3", "metres, 0.05 to 5"),
    ("position", "1.5", "not a whole number"),
    ("position", "0", "1, 2, 3"),
    ("reading_u95_deg", "0", "0.001 to 180"),
    ("reading_k", "0.5", "coverage factor"),
    ("reading_date", "31.05.2024", "a date like 2024-05-31"),
    ("reading_date", "2024-13-01", "a date like 2024-05-31"),
    ("site_position_u_m", "-3", "0.001 to"),
    ("antenna_id", "", "found nothing"),
]


def test_every_slip_is_told_at_once_with_its_place(tmp_path):
    columns = [*HEADER.split(","), *dict.fromkeys(c for c, _, _ in SLIPS if c not in HEADER)]
    lines = [",".join(columns)]
    for i, (column, cell, _) in enumerate(SLIPS):
        cells = dict(zip(HEADER.split(","), [f"S{i}", *GOOD[1:]], strict=True)) | {column: cell}
        lines.append(",".join(f'"{cells.get(c, "")}"' for c in columns))
    lines.append(",".join([*GOOD, *[""] * (len(columns) - len(GOOD))]))
    result = load.load_register(write(tmp_path, "\n".join(lines)))
    assert [(f.line, f.column) for f in result.faults] == [(i + 2, column) for i, (column, _, _) in enumerate(SLIPS)]
    for fault, (column, cell, says) in zip(result.faults, SLIPS, strict=True):
        assert says in str(fault), column
        assert cell in str(fault)
        assert f"t.csv, line {fault.line}, column {column}" in str(fault)
    assert [s.site_id for s in result.sites] == ["S1"]  # the good row goes on
    with pytest.raises(InputError) as e:
        load.require_sites(result)
    assert e.value.faults == result.faults


def test_several_faults_of_one_row(tmp_path):
    faults = register(tmp_path, "", ["S1", "A1", "95", "x", "-1", "400"]).faults
    assert [f.column for f in faults] == ["site_lat_deg", "site_lon_deg", "rad_center_m", "design_azimuth_deg"]


def test_missing_columns_are_named_with_those_found(tmp_path):
    with pytest.raises(InputError, match=r"found the columns site_id, lat; wanted also antenna_id, .*rad_center_ft"):
        load.load_register(write(tmp_path, "site_id,lat\nS1,45\n"))


def test_header_only(tmp_path):
    with pytest.raises(InputError, match="row per antenna"):
        load.require_sites(load.load_register(write(tmp_path, HEADER + "\n")))


def test_repeated_antenna_keeps_neither(tmp_path):
    result = register(tmp_path, "", GOOD, [*GOOD[:5], "240"], ["S1", "A2", *GOOD[2:]], ["S2", "A1", *GOOD[2:]])
    ((line, column, text),) = [(f.line, f.column, str(f)) for f in result.faults]
    assert (line, column) == (3, "antenna_id")
    assert "S1 / A1, which line 2 has too" in text
    assert [(s.site_id, [a.antenna_id for a in s.antennas]) for s in result.sites] == [("S1", ["A2"]), ("S2", ["A1"])]


def test_the_odd_position_of_a_site_is_told(tmp_path):
    rows = [["S1", f"A{i}", "45.1" if i else "45.2", *GOOD[3:]] for i in range(3)]
    result = register(tmp_path, "", *rows)
    ((line, column, text),) = [(f.line, f.column, str(f)) for f in result.faults]
    assert (line, column) == (2, "site_lat_deg")
    assert "45.1, which line 3 gives" in text
    assert [a.antenna_id for a in result.sites[0].antennas] == ["A1", "A2"]


def test_position_uncertainty_may_stand_on_one_row_only(tmp_path):
    result = register(tmp_path, "site_position_u_m", [*GOOD, ""], ["S1", "A2", *GOOD[2:], "12"])
    assert result.faults == ()
    assert result.sites[0].position_u95_m == 12.0


@pytest.mark.parametrize(
    ("more", "cells", "says"),
    [
        ("design_north", ["grid"], "found nothing; wanted an EPSG code, as design_north says grid"),
        ("reading_azimuth_deg,reading_north", ["10", "grid"], "as reading_north says grid"),
        ("design_north,grid_crs", ["grid", "EPSG:4326"], "no map projection"),
        ("design_north,grid_crs", ["grid", "EPSG:28355"], "a CRS that covers 45.100, 7.500"),
        ("design_north,grid_crs", ["grid", "mine"], "does not know"),
    ],
)
def test_grid_needs_a_grid(tmp_path, more, cells, says):
    (fault,) = register(tmp_path, more, [*GOOD, *cells]).faults
    assert (fault.line, fault.column) == (2, "grid_crs")
    assert says in str(fault)


def test_grid_north_without_a_reading_asks_for_nothing(tmp_path):
    assert register(tmp_path, "reading_azimuth_deg,reading_north", [*GOOD, "", "grid"]).faults == ()


def test_magnetic_reading_on_a_day_without_a_model(tmp_path):
    more = "reading_azimuth_deg,reading_north,reading_date"
    (fault,) = register(tmp_path, more, [*GOOD, "10", "magnetic", "1850-01-01"]).faults
    assert (fault.column, fault.found) == ("reading_date", "1850-01-01")
    assert register(tmp_path, more, [*GOOD, "10", "true", "1850-01-01"]).faults == ()


def test_xlsx_reads_like_csv(tmp_path):
    book = openpyxl.Workbook()
    book.active.append([*HEADER.split(","), "reading_azimuth_deg", "reading_date"])
    book.active.append([1001, "A1", 45.1, 7.5, 30.5, 120, 77.5, date(2024, 5, 31)])
    book.active.append([1001, "A2", 45.1, 7.5, -3, 120, None, None])
    book.save(tmp_path / "r.xlsx")
    result = load.load_register(tmp_path / "r.xlsx")
    assert [(f.line, f.column, f.found) for f in result.faults] == [(3, "rad_center_m", "'-3'")]
    assert result.sites[0].site_id == "1001"
    assert result.sites[0].antennas[0].reading == Reading(
        azimuth_deg=77.5, north="true", u95_deg=2.0, date=date(2024, 5, 31)
    )


# ---------------------------------------------------------------------------------------------------------------------

CONTROLS = "photo,kind,name,x_px,y_px,lat_deg,lon_deg,height_m,azimuth_true_deg,u95,value_deg"


def controls(tmp_path, *rows):
    return load.load_controls(write(tmp_path, "\n".join([CONTROLS, *rows]) + "\n"))


def test_controls_of_every_kind(tmp_path):
    got = controls(
        tmp_path,
        "a.jpg,landmark,spire,10,20.5,45.2,7.6,310,,3,",
        "a.jpg,landmark,tank,10,20.5,45.2,7.6,,,,",
        "a.jpg,sun,,,,,,,,,",
        "a.jpg,Sun,,1,2,,,,,,",
        "a.jpg,bearing,fence,5,6,,,,360,,",
        "a.jpg,heading,,,,,,,12.5,0.2,",
        "a.jpg,pitch,,,,,,,,,-3.5",
        "a.jpg,roll,,,,,,,-1.25,,",
        "a.jpg,standpoint,,,,45.0,7.4,,,,",
    )
    assert [(c.kind, c.u95) for c in got] == [
        ("landmark", 3.0),
        ("landmark", 10.0),
        ("sun", 0.3),
        ("sun", 0.3),
        ("bearing", 1.0),
        ("heading", 0.2),
        ("pitch", 1.0),
        ("roll", 1.0),
        ("standpoint", 5.0),
    ]
    assert (got[0].pixel, got[0].lat_deg, got[0].lon_deg, got[0].height_m) == ((10.0, 20.5), 45.2, 7.6, 310.0)
    assert got[1].height_m is None
    assert (got[2].pixel, got[3].pixel) == (None, (1.0, 2.0))
    assert (got[4].azimuth_true_deg, got[5].azimuth_true_deg) == (0.0, 12.5)
    assert (got[6].value_deg, got[6].azimuth_true_deg) == (-3.5, None)
    assert (got[7].value_deg, got[7].azimuth_true_deg) == (-1.25, None)
    assert (got[8].lat_deg, got[8].lon_deg, got[8].line) == (45.0, 7.4, 10)


def test_controls_every_fault(tmp_path):
    with pytest.raises(InputError) as e:
        controls(
            tmp_path,
            "a.jpg,landmark,x,10,,45.2,,,,,",
            "a.jpg,beacon,,,,,,,,,",
            "a.jpg,sun,,1,,,,,,,",
            "a.jpg,heading,,,,,,,-5,,",
            "a.jpg,pitch,,,,,,,,,95",
            "a.jpg,roll,,,,,,,,,",
            "a.jpg,roll,,,,,,,2,,3",
            "a.jpg,heading,,,,,,,5,200,",
            ",heading,,,,,,,5,0,",
        )
    assert [(f.line, f.column) for f in e.value.faults] == [
        (2, "y_px"),
        (2, "lon_deg"),
        (3, "kind"),
        (4, "y_px"),
        (5, "azimuth_true_deg"),
        (6, "value_deg"),
        (7, "value_deg"),
        (8, "azimuth_true_deg"),
        (9, "u95"),
        (10, "photo"),
        (10, "u95"),
    ]
    assert "landmark, sun, bearing, heading, pitch, roll, standpoint, shadow, silhouette" in str(e.value)


def test_controls_without_a_value_column(tmp_path):
    path = write(tmp_path, "photo,kind,azimuth_true_deg,u95\na.jpg,heading,10,0.2\n")
    assert load.load_controls(path)[0].azimuth_true_deg == 10.0


SHADOWS = "photo,kind,x_px,y_px,x2_px,y2_px,u95"


def test_shadows(tmp_path):
    given, blank = load.load_controls(
        write(tmp_path, f"{SHADOWS}\na.jpg,shadow,900,3000,1500.5,3100,1.5\na.jpg,Shadow,1,2,3,4,\n")
    )
    assert (given.kind, given.pixel, given.tip_px, given.u95) == ("shadow", (900.0, 3000.0), (1500.5, 3100.0), 1.5)
    assert (blank.kind, blank.pixel, blank.tip_px) == ("shadow", (1.0, 2.0), (3.0, 4.0))
    assert blank.u95 == CONTROL_U95["shadow"]


def test_shadows_every_fault(tmp_path):
    rows = [
        "a.jpg,shadow,900,3000,,,",
        "a.jpg,shadow,900,,1500,3100,",
        "a.jpg,shadow,900,3000,900,3000,",
        "a.jpg,shadow,900,3000,1500,left,",
        "a.jpg,shadow,900,3000,1500,3100,181",
        "a.jpg,sun,900,3000,1500,3100,",
    ]
    with pytest.raises(InputError) as e:
        load.load_controls(write(tmp_path, "\n".join([SHADOWS, *rows])))
    assert [(f.line, f.column) for f in e.value.faults] == [
        (2, "x2_px"),
        (2, "y2_px"),
        (3, "y_px"),
        (4, "x2_px"),
        (5, "y2_px"),
        (6, "u95"),
        (7, "x2_px"),
        (7, "y2_px"),
    ]
    assert "only a shadow has a tip" in str(e.value)


PICKS = "photo,antenna_id,x_px,y_px,x1_px,y1_px,x2_px,y2_px,x3_px,y3_px,x4_px,y4_px,exact"


def test_picks(tmp_path):
    text = f"{PICKS}\na.jpg,A1,10,20,,,,,,,,,\na.jpg,A2,,,1,2,3,4,5,6,7,8,Yes\nb.jpg,A2,9,9,1,2,3,4,5,6,7,8,no\n"
    seed, corners, both = load.load_picks(write(tmp_path, text))
    assert (seed.seed_px, seed.corners_px, seed.exact) == ((10.0, 20.0), None, False)
    assert corners.seed_px is None
    assert corners.corners_px == ((1.0, 2.0), (3.0, 4.0), (5.0, 6.0), (7.0, 8.0))
    assert corners.exact
    assert (both.seed_px, len(both.corners_px), both.exact, both.line) == ((9.0, 9.0), 4, False, 4)


def test_seed_picks_need_no_corner_columns(tmp_path):
    (pick,) = load.load_picks(write(tmp_path, "photo,antenna_id,x_px,y_px\na.jpg,A1,0,0\n"))
    assert pick.seed_px == (0.0, 0.0)


def test_the_side_that_a_pick_shows(tmp_path):
    """front, rear or profile, in any case; empty where nobody can tell; anything else is a fault in its place."""
    head = "photo,antenna_id,x_px,y_px,absent,view\n"
    rows = "a.jpg,A1,1,1,,Rear\na.jpg,A2,1,1,,profile\na.jpg,A3,1,1,,\nb.jpg,A1,1,1,no,front\n"
    assert [p.view for p in load.load_picks(write(tmp_path, head + rows))] == ["rear", "profile", None, "front"]
    with pytest.raises(InputError) as e:
        load.load_picks(write(tmp_path, head + "a.jpg,A1,1,1,,back\na.jpg,A2,1,1,yes,rear\n"))
    assert [(f.line, f.column) for f in e.value.faults] == [(2, "view"), (3, "view")]
    assert "front, rear or profile" in str(e.value)


def test_picks_every_fault(tmp_path):
    rows = [
        "a.jpg,A1,10,,,,,,,,,,",
        "a.jpg,A2,,,1,2,3,4,5,6,7,,",
        "a.jpg,A3,,,,,,,,,,,",
        "a.jpg,A4,1,1,,,,,,,,,maybe",
        "a.jpg,A5,1,1,,,,,,,,,",
        "a.jpg,A5,1,1,,,,,,,,,",
        "a.jpg,A6,,,,2,3,4,5,6,7,8,",
    ]
    with pytest.raises(InputError) as e:
        load.load_picks(write(tmp_path, "\n".join([PICKS, *rows])))
    assert [(f.line, f.column) for f in e.value.faults] == [
        (2, "y_px"),
        (3, "y4_px"),
        (4, "x_px"),
        (5, "exact"),
        (7, "antenna_id"),
        (8, "x1_px"),
    ]


def test_names_of_photos(tmp_path):
    photo = tmp_path / "north" / "Übersicht.jpg"
    assert PhotoIndex([("Übersicht.jpg", 1)], tmp_path).of(photo)
    assert PhotoIndex([("U\N{COMBINING DIAERESIS}bersicht.jpg", 1)], tmp_path).of(photo)
    assert PhotoIndex([("north/Übersicht.jpg", 1)], tmp_path).of(photo)
    assert PhotoIndex([("north\\Übersicht.jpg", 1)], tmp_path).of(photo)
    assert PhotoIndex([("../north/Übersicht.jpg", 1)], tmp_path / "tables").of(photo)
    assert not PhotoIndex([("south/Übersicht.jpg", 1)], tmp_path).of(photo)
    assert not PhotoIndex([("bersicht.jpg", 1)], tmp_path).of(photo)


def _region(places: Iterator[tuple[float, float]], n: int) -> str:
    rows = [f"NORTH,A{k},{lat!r},{lon!r},30,120" for k, (lat, lon) in zip(range(n), places, strict=False)]
    other = [f"S1,A{k},46.2,-64.4,30,{k * 120}" for k in range(3)]
    return "\n".join(["site_id,antenna_id,site_lat_deg,site_lon_deg,rad_center_m,design_azimuth_deg", *rows, *other])


@pytest.mark.parametrize(
    ("places", "n", "found"),
    [
        (itertools.repeat((46.1, -64.3)), 4000, "4000 rows of 'NORTH'"),
        (((46.0 + 0.01 * (k % 9), -64.0) for k in itertools.count()), 90, "9 places of 'NORTH', up to 8.89 km apart"),
    ],
)
def test_a_regions_name_in_the_column_of_sites(
    tmp_path: Path, places: Iterator[tuple[float, float]], n: int, found: str
) -> None:
    """4000 antennas of one site ended the process at 22 GB of memory."""
    path = tmp_path / "register.csv"
    path.write_text(_region(places, n))
    loaded = load.load_register(path)
    assert [s.site_id for s in loaded.sites] == ["S1"]
    (fault,) = loaded.faults
    assert (fault.line, fault.column, fault.found) == (2, "site_id", found)
    assert "region" in fault.wanted


def test_a_slip_in_one_position_costs_its_row_only(tmp_path: Path) -> None:
    path = tmp_path / "register.csv"
    path.write_text(_region(iter([(46.1, -64.3)] * 5 + [(64.3, -46.1)]), 6))
    loaded = load.load_register(path)
    assert [len(s.antennas) for s in loaded.sites] == [5, 3]
    assert [f.column for f in loaded.faults] == ["site_lat_deg"]


@pytest.mark.parametrize("cell", ["0.03", "1e-300", "6"])
def test_a_width_that_no_panel_has(tmp_path: Path, cell: str) -> None:
    """0.03 m had the head of the tower looked at in a picture that took 3.6 GB."""
    path = tmp_path / "register.csv"
    head = "site_id,antenna_id,site_lat_deg,site_lon_deg,rad_center_m,design_azimuth_deg,antenna_width_m"
    path.write_text(f"{head}\nS1,A1,46.2,-64.4,30,120,{cell}\n")
    (fault,) = load.load_register(path).faults
    assert (fault.column, fault.wanted) == ("antenna_width_m", "metres, 0.05 to 5")
