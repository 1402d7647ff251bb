"""The commands: what they print where, and how they end."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import photoaz
from photoaz.cli import main
from photoaz.result import AntennaResult, BudgetShare, ById, EvidenceView, MissingView, PhotoResult, SiteResult
from photoaz.sample import sample_dir, sample_files

REGISTER = """site_id,antenna_id,site_lat_deg,site_lon_deg,rad_center_m,design_azimuth_deg,reading_azimuth_deg
HNT-204,A1,46.6,-66.4,30,120,118
HNT-204,B1,46.6,-66.4,30,240,
"""
OTHER_SITE = "MRL-7,A1,46.7,-66.4,30,0,\n"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()

    def call(*args):
        return runner.invoke(main, [str(a) for a in args], prog_name="photoaz")

    return call


@pytest.fixture
def field(tmp_path):
    """A register and two photos in the current folder."""
    (tmp_path / "register.csv").write_text(REGISTER, encoding="utf-8")
    for name in ("north.jpg", "south.jpg"):
        Image.fromarray(np.full((300, 400, 3), 90, np.uint8)).save(tmp_path / name)
    return tmp_path


@pytest.fixture
def solver(monkeypatch, solver_stands_in):
    """Stands in for the pipeline: remembers what it was called with; photos named in `rejects` are not used."""
    calls = []
    rejects = set()

    def solve(given, tools):
        calls.append(given)
        tools.progress("north.jpg: reading")
        named = [(p.path.name, p.name) for p in given.photos]
        used = [name for file, name in named if file not in rejects]
        views = tuple(
            EvidenceView(
                photo=name,
                view="face",
                corners_px=((50.0, 50.0), (90.0, 50.0), (90.0, 200.0), (50.0, 200.0)),
                outline_px=((49.0, 49.0), (91.0, 49.0), (91.0, 201.0), (49.0, 201.0)),
                inner_px=(),
                width_px=40.0,
                yaw_deg=3.0,
                quality=0.9,
                from_pick=True,
            )
            for name in used
        )
        found = AntennaResult(
            antenna_id="A1",
            status="estimated",
            azimuth_true_deg=124.6,
            u95_deg=4.0,
            evidence=views,
            budget=(BudgetShare(source="camera compass", share=1.0, u95_deg=4.0),),
        )
        return SiteResult(
            site_id=given.site.site_id,
            lat_deg=given.site.lat_deg,
            lon_deg=given.site.lon_deg,
            declination_deg=-16.2,
            declination_u95_deg=0.7,
            photos=ById(
                PhotoResult(photo=name, status="used", heading_true_deg=301.0, heading_u95_deg=4.0)
                if file not in rejects
                else PhotoResult(photo=name, status="rejected", reason="no focal length")
                for file, name in named
            ),
            antennas=ById(
                (
                    found if used else AntennaResult(antenna_id="A1", status="not_found"),
                    AntennaResult(antenna_id="B1", status="not_visible"),
                )
            ),
        )

    solver_stands_in(monkeypatch, solve)
    solve.calls, solve.rejects = calls, rejects
    return solve


# ---------------------------------------------------------------------------------------------------------------------
# The group


@pytest.mark.parametrize("command", sorted(main.commands))
def test_help_has_an_example(run, command):
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"Example:\n    photoaz {command} " in result.output.replace("\n      ", "\n    ")


def test_commands_are_those_of_the_interface():
    assert {"inspect", "estimate", "audit", "calibrate", "demo", "report"} <= set(main.commands)


@pytest.mark.parametrize(
    ("command", "options"),
    [
        ("demo", {"--out", "--risk"}),
        ("inspect", {"--panels", "--overlay", "--json"}),
        (
            "estimate",
            {"--register", "--site", "--antenna", "--controls", "--picks", "--camera", "--overlay", "--json"},
        ),
        ("calibrate", {"--pattern", "--square-mm", "--out"}),
    ],
)
def test_options_are_those_of_the_interface(command, options):
    assert options <= {name for param in main.commands[command].params for name in param.opts}


def test_version(run):
    assert run("--version").stdout == f"photoaz {photoaz.__version__}\n"


def test_show_versions(run):
    lines = run("--show-versions").stdout.splitlines()
    assert lines[0] == f"photoaz {photoaz.__version__}"
    assert lines[1] == "Python {}.{}.{}".format(*sys.version_info)


def test_no_command_that_does_not_exist(run):
    result = run("fly")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "fly" in result.stderr


def test_starting_loads_no_heavy_library():
    # cv2 takes 0.4 s, scipy and pandas more
    heavy = ("numpy", "cv2", "scipy", "pandas", "rich", "PIL")
    code = f"import sys, photoaz.cli; print([m for m in {heavy} if m in sys.modules])"
    env = {**os.environ, "PYTHONPATH": str(Path(photoaz.__file__).parent.parent)}
    assert (
        subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True).stdout
        == "[]\n"
    )


def test_a_reader_that_goes_away_is_no_error(field):
    env = {**os.environ, "PYTHONPATH": str(Path(photoaz.__file__).parent.parent)}
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "w") as closed:
        result = subprocess.run(
            [sys.executable, "-m", "photoaz", "inspect", "north.jpg"],
            cwd=field,
            env=env,
            stdout=closed,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert (result.returncode, result.stderr) == (0, "")


def test_interrupted(run, field, monkeypatch, solver_stands_in):
    def stop(_given, _tools):
        raise KeyboardInterrupt

    solver_stands_in(monkeypatch, stop)
    assert run("estimate", "north.jpg", "--register", "register.csv").exit_code == 130


# ---------------------------------------------------------------------------------------------------------------------
# inspect


def test_inspect(run, field):
    result = run("inspect", "north.jpg", "south.jpg")
    assert result.exit_code == 0
    assert result.stderr == ""
    assert "north.jpg: JPEG, 400 x 300 pixels" in result.stdout
    assert "\n\nsouth.jpg: JPEG" in result.stdout


def test_inspect_json(run, field):
    document = json.loads(run("inspect", "north.jpg", "--json").stdout)
    assert document["schema"] == "photoaz/inspect/1"
    assert [p["photo"] for p in document["photos"]] == ["north.jpg"]
    assert document["failures"] == []


def test_inspect_panels(run, field):
    seen = shutil.copy(sample_dir() / "qlb014_1.jpg", field)
    document = json.loads(run("inspect", seen, "north.jpg", "--panels", "--overlay", "seen", "--json").stdout)
    panels = document["photos"][0]["panels"]
    assert panels
    assert {len(p["corners_px"]) for p in panels} == {8}
    assert {p["view"] for p in panels} <= {"front", "rear"}
    assert all(0.5 <= p["probability"] <= 1.0 and p["width_px"] > 0 for p in panels)
    assert document["photos"][1]["panels"] == []
    with Image.open(field / "seen" / "qlb014_1.png") as drawn, Image.open(seen) as photo:
        assert drawn.size == photo.size
    assert "panel: none seen" in run("inspect", "north.jpg", "--panels").stdout


def test_inspect_goes_on_past_a_file_that_is_no_photo(run, field):
    (field / "notes.jpg").write_text("not a photo", encoding="utf-8")
    result = run("inspect", "notes.jpg", "north.jpg", "--json")
    assert result.exit_code == 1
    assert result.stderr.startswith("photoaz: notes.jpg")
    document = json.loads(result.stdout)
    assert [p["photo"] for p in document["photos"]] == ["north.jpg"]
    assert [f["photo"] for f in document["failures"]] == ["notes.jpg"]
    assert run("inspect", "notes.jpg").exit_code == 2


def test_inspect_of_a_file_that_is_not_there(run, field):
    result = run("inspect", "nowhere.jpg")
    assert result.exit_code == 2
    assert "nowhere.jpg" in result.stderr


def test_inspect_looks_at_every_photo_that_can_be_read(run, field):
    """Missing, a folder, cut off in the middle, and without a word of lens, place or heading: each says its own."""
    (field / "folder.jpg").mkdir()
    whole = (sample_dir() / "qlb014_1.jpg").read_bytes()
    (field / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    with Image.open(sample_dir() / "qlb014_1.jpg") as photo:
        photo.save(field / "bare.png")  # no metadata at all
    given = ("nowhere.jpg", "folder.jpg", "cut.jpg", "bare.png", "north.jpg")
    result = run("inspect", *given, "--panels", "--overlay", "seen", "--json")
    assert result.exit_code == 1
    document = json.loads(result.stdout)
    assert [f["photo"] for f in document["failures"]] == ["nowhere.jpg", "folder.jpg", "cut.jpg"]
    assert all(name in result.stderr for name in given[:3])
    bare, _ = document["photos"]
    assert (bare["position"], bare["heading"], bare["focal"]) == (None, None, None)
    assert bare["panels"]
    assert "focal-missing" in {f["code"] for f in bare["findings"]}
    assert sorted(p.name for p in (field / "seen").iterdir()) == ["bare.png", "north.png"]


# ---------------------------------------------------------------------------------------------------------------------
# estimate


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


def test_every_command_that_takes_a_register_takes_its_columns():
    for command in main.commands.values():
        options = {name for param in command.params for name in param.opts}
        assert ("--register" in options) == ("--columns" in options)


# ---------------------------------------------------------------------------------------------------------------------
# calibrate


def test_calibrate_refuses_a_pattern_that_is_none(run, field):
    result = run("calibrate", "north.jpg", "--pattern", "nine", "--square-mm", "25", "--out", "cam.json")
    assert result.exit_code == 2
    assert "9x6" in result.stderr


def test_calibrate_without_a_board(run, field):
    result = run("calibrate", "north.jpg", "south.jpg", "--pattern", "9x6", "--square-mm", "25", "--out", "cam.json")
    assert result.exit_code == 2
    assert "north.jpg" in result.stderr
    assert result.stdout == ""
    assert not Path("cam.json").exists()


def test_calibrate_writes_over_nothing_but_a_calibration(run, field):
    result = run("calibrate", "north.jpg", "--pattern", "9x6", "--square-mm", "25", "--out", "register.csv")
    assert result.exit_code == 2
    assert (field / "register.csv").read_text(encoding="utf-8") == REGISTER


def _board(path, homography):
    import cv2

    squares = np.kron(np.indices((7, 10)).sum(0) % 2, np.ones((40, 40))) * 255
    sheet = np.full((360, 480), 255.0)
    sheet[40:320, 40:440] = squares
    picture = cv2.warpPerspective(sheet.astype(np.uint8), homography, (800, 600), borderValue=160)
    Image.fromarray(cv2.GaussianBlur(picture, (0, 0), 1.0)).convert("RGB").save(path, quality=95)


def test_calibrate(run, tmp_path):
    for k, (tilt, turn) in enumerate([(0.0006, 0.0), (-0.0005, 0.0004), (0.0, -0.0006), (0.0004, 0.0005)]):
        h = np.array([[1.1, 0.03 * k, 90.0 + 20 * k], [-0.02 * k, 1.1, 60.0], [tilt, turn, 1.0]])
        _board(tmp_path / f"board_{k}.jpg", h)
    Image.fromarray(np.full((600, 800, 3), 90, np.uint8)).save(tmp_path / "blank.jpg")
    photos = [f"board_{k}.jpg" for k in range(4)]
    args = ("--pattern", "9x6", "--square-mm", "25", "--out", "lens/cam.json")
    result = run("calibrate", *photos, *args)
    assert result.exit_code == 0, result.output
    assert "residual" in result.stdout
    assert json.loads(Path("lens/cam.json").read_text(encoding="utf-8"))["schema"] == "photoaz/camera/1"
    again = run("calibrate", *photos, "blank.jpg", *args, "--json")
    assert again.exit_code == 1
    assert "blank.jpg" in again.stderr
    assert json.loads(again.stdout)["photos"] == photos


# ---------------------------------------------------------------------------------------------------------------------
# demo


def test_demo_copies_and_solves(run, solver, tmp_path):
    result = run("demo")
    assert result.exit_code == 0, result.output
    out = tmp_path / "photoaz-demo"
    assert {p.name for p in sample_files()} <= {p.name for p in out.iterdir()}
    assert json.loads((out / "estimates.json").read_text(encoding="utf-8"))["schema"] == "photoaz/estimates/1"
    assert len(list((out / "overlays").rglob("*.jpg"))) == len(solver.calls[0].photos) == 9
    assert (out / "report/index.html").is_file()
    assert not solver.calls[0].picks  # the antennas are found; picks only help out
    assert solver.calls[0].controls
    assert "photoaz-demo" in result.stderr


def test_demo_writes_what_to_do_and_a_sheet_for_each_antenna(run, solver, tmp_path):
    result = run("demo", "--out", "d")
    assert result.exit_code == 0
    header = (tmp_path / "d/revisit.csv").read_text(encoding="utf-8").splitlines()[0]
    assert header.startswith("rank,site_id,antenna_id,reading,design,action")
    document = json.loads((tmp_path / "d/estimates.json").read_text(encoding="utf-8"))
    sheets = [a["sheet"] for a in document["sites"][0]["antennas"]]
    assert all(
        (tmp_path / "d" / sheet).read_text(encoding="utf-8").lower().startswith("<!doctype html>") for sheet in sheets
    )
    assert len(set(sheets)) == len(sheets) == 2
    assert "expected_loss_now" in document["sites"][0]["revisit"]


def test_demo_decides_at_the_risk_asked_for(run, solver, monkeypatch):
    from photoaz.estimate import pipeline

    asked = []
    judge = pipeline.judge_site
    monkeypatch.setattr(
        pipeline,
        "judge_site",
        lambda site, solution, days, risk, priors: asked.append(risk) or judge(site, solution, days, risk, priors),
    )
    assert run("demo", "--out", "d").exit_code == 0
    assert run("demo", "--out", "d", "--risk", "0.2").exit_code == 0
    assert asked == [0.05, 0.2]
    assert run("demo", "--out", "d", "--risk", "0.5").exit_code == 2


def test_demo_runs_again_and_keeps_what_was_changed(run, solver, tmp_path):
    assert run("demo", "--out", "d").exit_code == 0
    controls = tmp_path / "d/controls.csv"
    changed = controls.read_text(encoding="utf-8").splitlines(keepends=True)[:2]
    controls.write_text("".join(changed), encoding="utf-8")
    by_hand = (tmp_path / "d/picks_by_hand.csv").read_text(encoding="utf-8").splitlines(keepends=True)[:2]
    (tmp_path / "d/picks.csv").write_text("".join(by_hand), encoding="utf-8")
    (tmp_path / "d/register.csv").unlink()
    result = run("demo", "--out", "d", "--json")
    assert result.exit_code == 0
    json.loads(result.stdout)
    assert controls.read_text(encoding="utf-8") == "".join(changed)
    assert len(solver.calls[-1].controls) == 1
    assert len(solver.calls[-1].picks) == 1
    assert "controls.csv: changed since it was copied; kept as it is" in result.stderr
    assert (tmp_path / "d/register.csv").is_file()


def test_demo_does_not_touch_a_folder_of_somebody_else(run, solver, field):
    result = run("demo", "--out", ".")
    assert result.exit_code == 2
    assert "wanted a new or empty folder" in result.stderr
    assert (field / "register.csv").read_text(encoding="utf-8") == REGISTER
    assert len(list(field.iterdir())) == 3


def test_demo_in_earnest(run, tmp_path):
    """The sample site through the whole pipeline; its own README names what was planted."""
    photos = ("qlb014_2.jpg", "qlb014_4.jpg")
    for source in sample_files():
        (tmp_path / source.name).write_bytes(source.read_bytes())
    result = run(
        *("estimate", *photos, "--register", "register.csv", "--controls", "controls.csv"),
        *("--json", "--overlay", "pictures"),
    )
    assert result.exit_code == 0, result.stderr
    site = json.loads(result.stdout)["sites"][0]
    truth = json.loads(Path("truth.json").read_text(encoding="utf-8"))
    true_deg = {a["antenna_id"]: a["azimuth_deg"] for a in truth["antennas"]}
    found = {a["antenna_id"]: a for a in site["antennas"] if a["azimuth_true_deg"] is not None}
    assert len(found) >= 4
    for antenna_id, a in found.items():
        error = (a["azimuth_true_deg"] - true_deg[antenna_id] + 180.0) % 360.0 - 180.0
        assert abs(error) <= 3.0 * a["u95_deg"], (antenna_id, error, a["u95_deg"])
    # the planted faults: B2's reading lacks the declination, C1 is turned by 12 degrees
    assert found["QLB-014-B2"]["reading"]["agrees"] is False
    assert found["QLB-014-C1"]["reading"]["agrees"] is True
    assert found["QLB-014-C1"]["design"]["p_out_photos_alone"] > 0.9  # two photos alone do not decide it at 5 %
    assert sorted(p.name for p in Path("pictures").iterdir()) == ["qlb014_2.png", "qlb014_4.png"]
