"""The commands: what they print where, and how they end."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import photoaz
from photoaz.cli import main
from photoaz.sample import sample_dir, sample_files

from .conftest import REGISTER

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


def test_every_command_that_takes_a_register_takes_its_columns():
    for command in main.commands.values():
        options = {name for param in command.params for name in param.opts}
        assert ("--register" in options) == ("--columns" in options)


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
        photo.crop((1600, 600, 2600, 1500)).save(field / "bare.png")  # no metadata at all
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


@pytest.mark.usefixtures("smaller_sample")
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


@pytest.mark.usefixtures("smaller_sample")
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


@pytest.mark.usefixtures("smaller_sample")
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


@pytest.mark.usefixtures("smaller_sample")
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


@pytest.mark.usefixtures("seen_before")
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
