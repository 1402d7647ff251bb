"""`photoaz estimate`: what it takes, prints and writes, and how it ends."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import photoaz
from photoaz.result import AntennaResult, ById, MissingView

from .conftest import REGISTER

OTHER_SITE = "MRL-7,A1,46.7,-66.4,30,0,\n"


def test_estimate_prints_a_table(run, field, solver):
    result = run("estimate", "north.jpg", "south.jpg", "--register", "register.csv")
    assert result.exit_code == 0
    assert "124.6° ± 4.0°" in result.stdout
    assert "118.0° ± 2.0°" in result.stdout
    assert result.stderr == ""  # progress shows on terminals only
    assert [p.name for p in solver.calls[0].photos] == ["north.jpg", "south.jpg"]
    assert solver.calls[0].antenna_ids is None


def test_estimate_json_is_one_document_and_nothing_else(run, field, solver):
    result = run("estimate", "north.jpg", "--register", "register.csv", "--json", "--overlay", "pictures")
    document = json.loads(result.stdout)
    assert document["schema"] == "photoaz/estimates/1"
    a1 = document["sites"][0]["antennas"][0]
    assert a1["azimuth_true_deg"] == 124.6
    assert a1["reading"]["difference_deg"] == 6.6
    assert result.stderr == f"photoaz: wrote {Path('pictures/north.png')}\n"


def test_estimate_writes_sheets_at_the_costs_given(run, field, solver):
    (field / "costs.toml").write_text('wrong_record_year = 5000\nunit = "EUR"\n', encoding="utf-8")
    result = run("estimate", "north.jpg", "--register", "register.csv", "--costs", "costs.toml", "--sheets", "paper")
    assert result.exit_code == 0
    assert f"wrote {Path('paper/A1.html')}" in result.stderr
    assert "(EUR)" in (field / "paper/A1.html").read_text(encoding="utf-8")
    assert "data:image/jpeg" in (field / "paper/A1.html").read_text(encoding="utf-8")
    assert "What to do" in result.stdout
    assert "EUR" in result.stdout


def test_a_faulty_costs_file_ends_it_before_anything_is_solved(run, field, solver):
    (field / "costs.toml").write_text("visit = 1\nclimb = -3\n", encoding="utf-8")
    result = run("estimate", "north.jpg", "--register", "register.csv", "--costs", "costs.toml")
    assert result.exit_code == 2
    assert "costs.toml, line 2: found climb = -3; wanted a number, 0 or more" in result.stderr
    assert solver.calls == []


def test_estimate_weighs_with_the_priors_given(run, field, solver):
    def site(*options):
        result = run("estimate", "north.jpg", "--register", "register.csv", "--json", *options)
        return json.loads(result.stdout)["sites"][0]

    (field / "priors.toml").write_text("[antennas]\nturned_share = 0.9\n", encoding="utf-8")
    usual, given = site(), site("--priors", "priors.toml")
    assert usual["priors"] is None
    assert given["priors"]["antennas"]["turned_share"] == 0.9
    before, after = (s["antennas"][0]["design"] for s in (usual, given))
    assert after["p_out_of_tolerance"] > before["p_out_of_tolerance"]
    assert after["p_out_photos_alone"] == before["p_out_photos_alone"]
    said = run("estimate", "north.jpg", "--register", "register.csv", "--priors", "priors.toml").stdout
    assert "turned_share 0.9 (by default 0.15)" in " ".join(said.split())


def test_faulty_priors_end_it_before_anything_is_solved(run, field, solver):
    (field / "priors.toml").write_text("[antennas]\nturned_share = 9\n", encoding="utf-8")
    result = run("estimate", "north.jpg", "--register", "register.csv", "--priors", "priors.toml")
    assert result.exit_code == 2
    assert "priors.toml, line 2: found turned_share = 9; wanted a share above 0 and below 1" in result.stderr
    assert solver.calls == []


def a_map(path, height_m=8, east_deg=0.001):
    """A house near the site, and one further than anybody looks."""
    site = photoaz.load_register("register.csv").sites[0]

    def house(lon, lat, height):
        ring = [[lon, lat], [lon + 1e-4, lat], [lon + 1e-4, lat + 1e-4], [lon, lat]]
        geometry = {"type": "Polygon", "coordinates": [ring]}
        return {"type": "Feature", "properties": {"id": f"w{height}", "height_m": height}, "geometry": geometry}

    near, far = (site.lon_deg + east_deg, site.lat_deg), (site.lon_deg, site.lat_deg + 1.0)
    document = {"type": "FeatureCollection", "features": [house(*near, height_m), house(*far, 6)]}
    path.write_text(json.dumps(document), encoding="utf-8")


def test_estimate_is_given_what_stands_near_the_site(run, field, solver):
    a_map(field / "town.geojson")
    result = run("estimate", "north.jpg", "--register", "register.csv", "--surroundings", "town.geojson")
    assert result.exit_code == 0, result.output
    assert solver.calls[0].surroundings.names == ("w8",)
    assert solver.calls[0].surroundings.source.file == "town.geojson"


def test_a_maps_bad_feature_is_named_and_the_others_are_used(run, field, solver):
    a_map(field / "town.geojson", height_m="tall")
    result = run("estimate", "north.jpg", "--register", "register.csv", "--surroundings", "town.geojson")
    assert result.exit_code == 1
    assert "town.geojson, column feature 1: found height_m: 'tall'; wanted a height such as" in result.stderr
    assert solver.calls[0].surroundings.names == ("wtall",)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--surroundings", "register.csv"), "register.csv, line 1: found no JSON object; wanted a GeoJSON file"),
        (("--terrain", "register.csv"), "register.csv: found heights of the ground alone; wanted --surroundings"),
    ],
)
def test_a_faulty_map_ends_it_before_anything_is_solved(run, field, solver, options, says):
    result = run("estimate", "north.jpg", "--register", "register.csv", *options)
    assert result.exit_code == 2
    assert says in result.stderr
    assert solver.calls == []


def test_estimate_decides_at_the_risk_asked_for(run, field, solver):
    def design(*options):
        result = run("estimate", "north.jpg", "--register", "register.csv", "--json", *options)
        return json.loads(result.stdout)["sites"][0]["antennas"][0]["design"]

    usual, bold = design(), design("--risk", "0.2")
    assert (usual["risk"], bold["risk"]) == (0.05, 0.2)
    assert bold["acceptance_deg"] > usual["acceptance_deg"]
    assert bold["rejection_deg"] < usual["rejection_deg"]
    assert bold["p_out_of_tolerance"] == usual["p_out_of_tolerance"]
    assert run("estimate", "north.jpg", "--register", "register.csv", "--risk", "0.5").exit_code == 2


def test_estimate_hands_everything_on(run, field, solver):
    (field / "tables").mkdir()
    (field / "tables/controls.csv").write_text(
        "photo,kind,azimuth_true_deg,u95\nnorth.jpg,heading,301,0.5\n", encoding="utf-8"
    )
    (field / "tables/picks.csv").write_text(
        "photo,antenna_id,x_px,y_px\nnorth.jpg,A1,70,120\nnorth.jpg,Z9,70,120\n", encoding="utf-8"
    )
    result = run(
        *("estimate", "north.jpg", "--register", "register.csv", "--site", "HNT-204"),
        *("--antenna", "A1", "--antenna", "B1"),
        *("--controls", "tables/controls.csv", "--picks", "tables/picks.csv"),
    )
    assert result.exit_code == 1  # the second pick is not used
    call = solver.calls[0]
    assert call.antenna_ids == {"A1", "B1"}
    assert [c.kind for c in call.controls] == ["heading"]
    assert [p.antenna_id for p in call.picks] == ["A1"]
    assert result.stderr.splitlines() == [
        f"photoaz: {Path('tables/picks.csv')}, line 3, column antenna_id: found no antenna 'Z9' at site 'HNT-204'; "
        "wanted one of: A1, B1; the pick is not used"
    ]


def test_estimate_says_when_no_row_names_a_photo(run, field, solver):
    (field / "picks.csv").write_text("photo,antenna_id,x_px,y_px\nfar.jpg,A1,70,120\n", encoding="utf-8")
    result = run("estimate", "north.jpg", "--register", "register.csv", "--picks", "picks.csv")
    assert result.exit_code == 0
    assert result.stderr == "photoaz: picks.csv: none of the 1 rows names a photo given; no pick is used\n"


def test_a_photo_that_could_not_be_used(run, field, solver):
    solver.rejects.add("south.jpg")
    result = run("estimate", "north.jpg", "south.jpg", "--register", "register.csv", "--json")
    assert result.exit_code == 1
    assert result.stderr == "photoaz: south.jpg: not used: no focal length\n"
    assert [p["status"] for p in json.loads(result.stdout)["sites"][0]["photos"]] == ["used", "rejected"]


def test_no_photo_could_be_used(run, field, solver):
    solver.rejects |= {"north.jpg", "south.jpg"}
    result = run("estimate", "north.jpg", "south.jpg", "--register", "register.csv", "--json", "--overlay", "pictures")
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 2
    assert len(json.loads(result.stdout)["sites"][0]["photos"]) == 2
    assert list(Path("pictures").iterdir()) == []


def test_overlay_of_a_photo_that_was_looked_at_and_not_used(run, field, solver, monkeypatch, solver_stands_in):
    def looked_at(given, tools):
        solution = solver(given, tools)
        first = replace(solution.photos[0], window_px=(20.0, 20.0, 380.0, 280.0))
        return replace(solution, photos=ById((first, *solution.photos[1:])))

    solver_stands_in(monkeypatch, looked_at)
    solver.rejects |= {"north.jpg", "south.jpg"}
    run("estimate", "north.jpg", "south.jpg", "--register", "register.csv", "--overlay", "pictures")
    assert [p.name for p in Path("pictures").iterdir()] == ["north.png"]


def test_overlay_of_a_photo_in_which_nothing_was_found(run, field, solver, monkeypatch, solver_stands_in):
    def looked_at(given, tools):
        solution = solver(given, tools)
        photos = ById(replace(photo, window_px=(20.0, 20.0, 380.0, 280.0)) for photo in solution.photos)
        missing = MissingView(photo=photos[0].photo, status="not_found", reason="should show its front")
        unseen = AntennaResult(antenna_id="A1", status="not_found", missing=(missing,))
        return replace(solution, photos=photos, antennas=ById((unseen, solution.antennas[1])))

    solver_stands_in(monkeypatch, looked_at)
    result = run("estimate", "north.jpg", "--register", "register.csv", "--overlay", "pictures", "--explain")
    assert result.exit_code == 0
    assert "not found: should show its front" in result.stdout
    assert [p.name for p in Path("pictures").iterdir()] == ["north.png"]


def test_overlays_of_photos_with_one_name(run, field, solver):
    (field / "later").mkdir()
    (field / "later/north.jpg").write_bytes((field / "north.jpg").read_bytes())
    run("estimate", "north.jpg", "later/north.jpg", "--register", "register.csv", "--overlay", "pictures")
    assert sorted(p.name for p in Path("pictures").iterdir()) == ["north-2.png", "north.png"]
    with Image.open("pictures/north.png") as picture:
        assert picture.format == "PNG"
        assert picture.width <= 2400


def test_every_fault_of_a_register_has_its_line(run, field, solver):
    (field / "register.csv").write_text(
        REGISTER.replace("30,120", "thirty,120").replace("30,240", "30,two"), encoding="utf-8"
    )
    result = run("estimate", "north.jpg", "--register", "register.csv", "--json")
    assert result.exit_code == 2
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert [line.split(": found ")[0] for line in lines] == [
        "photoaz: register.csv, line 2, column rad_center_m",
        "photoaz: register.csv, line 3, column design_azimuth_deg",
    ]
    assert "'thirty'" in lines[0]
    assert all("wanted" in line for line in lines)
    assert solver.calls == []


def test_faults_of_all_tables_at_once(run, field, solver):
    (field / "controls.csv").write_text("photo,kind\nnorth.jpg,guess\n", encoding="utf-8")
    (field / "picks.csv").write_text("photo,antenna_id,x_px\nnorth.jpg,A1,12\n", encoding="utf-8")
    (field / "camera.json").write_text("{", encoding="utf-8")
    result = run(
        *("estimate", "north.jpg", "--register", "register.csv"),
        *("--controls", "controls.csv", "--picks", "picks.csv", "--camera", "camera.json"),
    )
    assert result.exit_code == 2
    for name in ("controls.csv", "picks.csv", "camera.json"):
        assert f"photoaz: {name}" in result.stderr


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ((), "north.jpg: wanted --site, for the photo does not say where it was taken"),
        (("--site", "QQQ"), "found no site 'QQQ'; wanted one of: HNT-204, MRL-7"),
        (("--site", "HNT-204", "--antenna", "C1"), "no antenna 'C1' at site 'HNT-204'; wanted one of: A1, B1"),
    ],
)
def test_site_and_antenna_must_be_known(run, field, solver, options, says):
    (field / "register.csv").write_text(REGISTER + OTHER_SITE, encoding="utf-8")
    result = run("estimate", "north.jpg", "--register", "register.csv", *options)
    assert result.exit_code == 2
    assert says in result.stderr
    assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize("args", [(), ("north.jpg",), ("--register", "register.csv")])
def test_estimate_needs_photos_and_a_register(run, field, args):
    result = run("estimate", *args)
    assert result.exit_code == 2
    assert result.stdout == ""


def test_the_photos_day_serves_an_undated_magnetic_reading(run, field, solver):
    # declination of 46.6 N, 66.4 W in 2026 is some -16 degrees (the World Magnetic Model); without a day there is none
    (field / "register.csv").write_text(
        REGISTER.replace(",reading_azimuth_deg", ",reading_azimuth_deg,reading_north")
        .replace(",118\n", ",134,magnetic\n")
        .replace("240,\n", "240,,\n"),
        encoding="utf-8",
    )
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2026:05:02 12:00:00"  # DateTimeOriginal
    Image.fromarray(np.full((300, 400, 3), 90, np.uint8)).save(field / "north.jpg", exif=exif)
    result = run("estimate", "north.jpg", "--register", "register.csv", "--json")
    assert result.exit_code == 0, (result.stderr, result.exception)
    site = json.loads(result.stdout)["sites"][0]
    assert site["antennas"][0]["reading"]["azimuth_true_deg"] == pytest.approx(118.0, abs=1.0)


def test_a_folder_that_cannot_be_written_is_said_in_a_line(run, field, solver):
    (field / "pictures").write_text("a file", encoding="utf-8")
    result = run("estimate", "north.jpg", "--register", "register.csv", "--overlay", "pictures/north")
    assert result.exit_code == 2
    assert result.stderr.startswith(f"photoaz: {Path('pictures/north')}: ")
    assert len(result.stderr.splitlines()) == 1


# ---------------------------------------------------------------------------------------------------------------------
# A register with headings of its own


@pytest.fixture
def own(field):
    """A register that photoaz does not know the headings of, and what says which is which."""
    (field / "own.csv").write_text(
        "Site No;Panel;Position;Ctr;Az\nHNT-204;A1;46.6, -66.4;98,4;136,2\nHNT-204;B1;46.6, -66.4;98,4;240\n",
        encoding="utf-8",
    )
    (field / "columns.toml").write_text(
        """delimiter = ";"
decimal = ","
[columns]
site_id = "Site No"
antenna_id = "Panel"
site_lat_deg = {from = "Position", part = 1}
site_lon_deg = {from = "Position", part = 2}
rad_center_m = {from = "Ctr", unit = "ft"}
design_azimuth_deg = {from = "Az", north = "magnetic"}
""",
        encoding="utf-8",
    )
    return field


def test_estimate_takes_a_register_by_its_columns(run, own, solver):
    refused = run("estimate", "north.jpg", "--register", "own.csv")
    assert refused.exit_code == 2
    assert "--columns FILE" in refused.stderr  # which the command then has to have
    result = run("estimate", "north.jpg", "--register", "own.csv", "--columns", "columns.toml")
    assert result.exit_code == 0, result.output
    (antenna, _) = solver.calls[0].site.antennas
    assert (antenna.antenna_id, antenna.design_azimuth_deg, antenna.design_north) == ("A1", 136.2, "magnetic")
    assert antenna.rad_center_m == pytest.approx(98.4 * 0.3048)  # the international foot
