"""What is typed about dropped photos becomes the tables that the commands read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from photoaz.desk.answering import WrongError
from photoaz.desk.form import form_of, seen_at_deg, tables_of
from photoaz.errors import InputError
from photoaz.photo.record import CompassHeading, Focal, GeoPosition, PhotoRecord
from photoaz.register.load import load_controls, load_picks, load_register
from photoaz.register.photos import load_manifest

DIGEST = "d" * 64
ANTENNA = {"antenna_id": "A1", "rad_center_m": "29,4", "design_azimuth_deg": "120", "tolerance_deg": "5"}


@dataclass(frozen=True)
class Photo:
    name: str
    digest: str
    record: PhotoRecord


def photo(**more: Any) -> Photo:
    """Of a camera that looks east; 1000 px wide, focal length 1000 px."""
    known: dict[str, Any] = {
        "position": GeoPosition(lat_deg=50.0, lon_deg=14.0, sigma_m=4.0, source="test"),
        "heading": CompassHeading(value_deg=90.0, north="true", sigma_deg=6.0, source="test"),
        "focal": Focal(f_px=1000.0, relative_sigma=0.01, source="test"),
    }
    path = Path("/somewhere/photos/a-1.jpg")
    record = PhotoRecord(path=path, format="JPEG", width_px=1001, height_px=801, orientation=1, **(known | more))
    return Photo(str(path), DIGEST, record)


def told(form: dict[str, Any], *photos: Photo) -> Any:
    return tables_of(form_of({"antennas": [ANTENNA]} | form), photos or (photo(),), None)


def site_of(tables: Any, folder: Path) -> Any:
    (folder / "register.csv").write_text(tables["register.csv"], encoding="utf-8")
    (site,) = load_register(folder / "register.csv").sites
    return site


def test_what_is_typed_is_read_as_a_register(tmp_path: Path) -> None:
    antenna = ANTENNA | {"reading_azimuth_deg": "134,2", "reading_north": "magnetic", "reading_date": "2026-05-14"}
    site = site_of(told({"tower": "50,001 14,002", "tower_u_m": "4,5", "antennas": [antenna]}).tables, tmp_path)
    assert (site.lat_deg, site.lon_deg, site.position_u95_m) == (50.001, 14.002, 4.5)
    (a,) = site.antennas
    assert (a.antenna_id, a.rad_center_m, a.design_azimuth_deg) == ("A1", 29.4, 120.0)
    assert (a.reading.azimuth_deg, a.reading.north, str(a.reading.date)) == (134.2, "magnetic", "2026-05-14")


@pytest.mark.parametrize(("x_px", "bearing_deg"), [(500.0, 90.0), (1500.0, 135.0), (-500.0, 45.0)])
def test_the_tower_lies_where_the_photo_looks(tmp_path: Path, x_px: float, bearing_deg: float) -> None:
    # a focal length beside the middle is 45 degrees beside the axis
    pick = {"antenna_id": "A1", "seed_px": [x_px, 300]}
    form = {"distance_m": "100", "seen_from": DIGEST, "photos": {DIGEST: {"picks": [pick]}}}
    site = site_of(told(form).tables, tmp_path)
    # metres of a degree on WGS84 at 50 degrees: 111,229 north, 71,696 east (series of the ellipsoid, by hand)
    east, north = (site.lon_deg - 14.0) * 71_696.0, (site.lat_deg - 50.0) * 111_229.0
    assert math.hypot(east, north) == pytest.approx(100.0, abs=0.1)
    assert math.degrees(math.atan2(east, north)) == pytest.approx(bearing_deg, abs=0.1)
    # the compass is not counted twice: the place says next to nothing of the direction
    assert site.position_u95_m == 100.0


def test_without_a_compass_nothing_tells_where_the_photo_looks() -> None:
    blind = photo(heading=None)
    assert seen_at_deg(blind.record, None) is None
    with pytest.raises(InputError) as e:
        told({"distance_m": "100"}, blind)
    assert [f.column for f in e.value.faults] == ["tower"]


def test_picks_controls_and_manifest_name_the_photos_of_the_folder(tmp_path: Path) -> None:
    picks = [
        {"antenna_id": "A1", "seed_px": [10, 20], "view": "rear", "panel": 2},
        {"antenna_id": "gone", "seed_px": [1, 2]},
    ]
    form = {"tower": "50.001, 14.002", "photos": {DIGEST: {"picks": picks, "place": "50.0005 N 14.0 E", "u_m": "8"}}}
    tables = told(form).tables
    for name, text in tables.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (pick,) = load_picks(tmp_path / "picks.csv")
    assert (pick.photo, pick.antenna_id, pick.seed_px, pick.view) == ("photos/a-1.jpg", "A1", (10.0, 20.0), "rear")
    (control,) = load_controls(tmp_path / "controls.csv")
    assert (control.kind, control.lat_deg, control.lon_deg, control.u95) == ("standpoint", 50.0005, 14.0, 8.0)
    assert load_manifest(tmp_path / "manifest.csv").get(str(tmp_path / "photos" / "a-1.jpg")) == "my-site"


@pytest.mark.parametrize(
    ("form", "columns"),
    [
        ({"tower": "49,155460"}, ["tower"]),
        ({}, ["distance_m"]),
        ({"distance_m": "far"}, ["distance_m"]),
        ({"tower": "50, 14", "photos": {DIGEST: {"place": "here"}}}, ["place"]),
        ({"tower": "91, 14", "photos": {DIGEST: {"place": "50 14", "u_m": "-1"}}}, ["u_m", "tower"]),
        ({"tower": "50, 14", "photos": {DIGEST: {"left_out": True}}}, ["photos"]),
    ],
)
def test_every_slip_names_its_field(form: dict[str, Any], columns: list[str]) -> None:
    with pytest.raises(InputError) as e:
        told(form)
    assert [f.column for f in e.value.faults] == columns
    assert all(f.wanted for f in e.value.faults)


def test_slips_of_the_antenna_are_those_of_the_register(tmp_path: Path) -> None:
    antenna = {"antenna_id": "A1", "design_azimuth_deg": "east", "rad_center_m": ""}
    tables = told({"tower": "50, 14", "antennas": [ANTENNA | antenna]}).tables
    (tmp_path / "register.csv").write_text(tables["register.csv"], encoding="utf-8")
    faults = load_register(tmp_path / "register.csv").faults
    assert {(f.line, f.column) for f in faults} >= {(2, "design_azimuth_deg")}


@pytest.mark.parametrize(
    "said",
    [
        {"tower": 3},
        {"tower": "x" * 201},
        {"antennas": {"antenna_id": "A1"}},
        {"antennas": ["A1"]},
        {"antennas": [{}] * 61},
        {"photos": [1]},
        {"photos": {DIGEST: {"picks": [3]}}},
    ],
)
def test_what_no_page_sends_is_refused(said: dict[str, Any]) -> None:
    with pytest.raises(WrongError):
        form_of(said)
