"""Commands given what no honest file holds: each ends with a sentence and an exit code, never with a traceback."""

from __future__ import annotations

import copy
import json
import math
import os
import re
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from photoaz.cli import main
from photoaz.sample import sample_dir

#: what is found and fitted in the sample's photos is another test's matter: seen once, it is remembered
pytestmark = pytest.mark.usefixtures("seen_before")
SAMPLE = sample_dir()
REGISTER = SAMPLE / "register.csv"
Run = Callable[..., Result]


@pytest.fixture
def run() -> Run:
    """Runs a command; whatever else it raises than its exit code is a fault."""

    def call(*args: object) -> Result:
        return CliRunner().invoke(main, [str(a) for a in args], catch_exceptions=False)

    return call


def test_a_photo_from_the_year_9999(run: Run, tmp_path: Path) -> None:
    """It ended `estimate` with a traceback: the year after it cannot be told."""
    data = (SAMPLE / "qlb014_8.jpg").read_bytes()
    date = re.compile(rb"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d")
    assert len(date.findall(data[:5000])) == 3
    photo = tmp_path / "late.jpg"
    photo.write_bytes(date.sub(b"9999:12:31 23:59:59", data))
    done = run("estimate", photo, "--register", REGISTER)
    assert (done.exit_code, "QLB-014-A1" in done.stdout) == (0, True)


# ---------------------------------------------------------------------------------------------------- documents


@pytest.fixture(scope="module")
def estimates(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    photos = [SAMPLE / f"qlb014_{k}.jpg" for k in (5, 8)]
    done = CliRunner().invoke(main, ["estimate", *map(str, photos), "--register", str(REGISTER), "--json"])
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def _covariances(n: int) -> dict[str, list[list[float]]]:
    return {
        "negative": [[-1.0 if i == k else 0.0 for i in range(n)] for k in range(n)],
        "a row too few": [[1.0] * n] * (n - 1),
        "not definite": [[1.0 if i == k else 5.0 for i in range(n)] for k in range(n)],
        "too large": [[1e308] * n] * n,
        "empty": [],
        "a triangle": [[1.0] * k for k in range(1, n + 1)],
        "not symmetric": [[4.0 if i == k else 1.0 + (i > k) for i in range(n)] for k in range(n)],
        "no numbers": [[math.nan] * n] * n,
    }


@pytest.mark.parametrize("kind", _covariances(2))
def test_estimates_with_a_covariance_that_is_none(
    run: Run, tmp_path: Path, estimates: dict[str, Any], kind: str
) -> None:
    site = copy.deepcopy(estimates["sites"][0])
    joint = site["azimuth_covariance"]
    joint["deg2"] = _covariances(len(joint["antenna_ids"]))[kind]
    path = tmp_path / "estimates.json"
    path.write_text(json.dumps(estimates | {"sites": [site]}))
    done = run("plan", "--register", REGISTER, "--estimates", path, "--most", 1)
    assert done.exit_code == 2
    assert "covariance" in done.stderr
    assert "estimates.json" in done.stderr


@pytest.mark.parametrize(
    ("revisit", "words"),
    [
        (3, "revisit"),
        ("x", "revisit"),
        ({"antennas": 3}, "antennas"),
        ({"antennas": [3]}, "antennas"),
        ({"antennas": [{"antenna_id": "A", "action": ["photo"], "rank": {}}]}, "rank"),
    ],
)
def test_a_list_of_visits_of_wrong_types(
    run: Run, tmp_path: Path, estimates: dict[str, Any], revisit: Any, words: str
) -> None:
    path = tmp_path / "estimates.json"
    path.write_text(json.dumps(estimates | {"sites": [{"site_id": "QLB-014", "revisit": revisit}]}))
    done = run("plan", "--register", REGISTER, "--trip", path)
    assert done.exit_code == 2
    assert words in done.stderr
    assert "sub-exception" not in done.stderr


# ---------------------------------------------------------------------------------------------------- numbers


@pytest.mark.parametrize("key", ["visit", "climb", "wrong_azimuth_year", "years", "lost_db_year"])
def test_costs_whose_sums_are_no_numbers(run: Run, tmp_path: Path, key: str) -> None:
    path = tmp_path / "costs.toml"
    path.write_text(f"{key} = 1e308\n")
    done = run("estimate", SAMPLE / "qlb014_8.jpg", "--register", REGISTER, "--costs", path)
    assert done.exit_code == 2
    assert f"{key} = 1e+308" in done.stderr
    path.write_text(f"{key} = {1000 if key == 'years' else 1e12}\n")
    assert run("estimate", SAMPLE / "qlb014_8.jpg", "--register", REGISTER, "--costs", path).exit_code == 0


@pytest.mark.parametrize(
    ("kind", "cells"),
    [
        ("bearing", "mast,100,100,,,,,,123.0,"),
        ("pitch", ",,,,,,,,,3.5"),
        ("roll", ",,,,,,,,,0.5"),
        ("heading", ",,,,,,,,120.0,"),
        ("standpoint", ",,,,,46.2007,-64.4,,,"),
        ("sun", ",100,100,,,,,,,"),
        ("landmark", "m,100,100,,,46.21,-64.41,30,,"),
        ("shadow", "s,100,100,200,200,,,,,"),
    ],
)
def test_controls_that_know_more_than_any_instrument(run: Run, tmp_path: Path, kind: str, cells: str) -> None:
    path = tmp_path / "controls.csv"

    def with_u95(u95: str) -> Result:
        head = "photo,kind,name,x_px,y_px,x2_px,y2_px,lat_deg,lon_deg,height_m,azimuth_true_deg,value_deg,u95\n"
        path.write_text(f"{head}qlb014_5.jpg,{kind},{cells},{u95}\n")
        photo = SAMPLE / "qlb014_5.jpg"
        return run("estimate", photo, "--register", REGISTER, "--controls", path, "--antenna", "QLB-014-C2")

    for u95 in ("1e-300", "1e-9"):
        done = with_u95(u95)
        assert done.exit_code == 2
        assert "0.001 or more" in done.stderr
    assert "0.001" not in with_u95("0.001").stderr  # the least that is taken, right or wrong


# ---------------------------------------------------------------------------------------------------- files


@pytest.mark.parametrize("mode", ["LAB", "CMYK", "YCbCr", "F", "I", "I;16", "1", "P", "LA", "RGBA"])
def test_boards_in_every_kind_of_colour(run: Run, tmp_path: Path, mode: str) -> None:
    photo = tmp_path / "board.tif"
    Image.new(mode, (400, 300)).save(photo)
    done = run("calibrate", photo, "--pattern", "9x6", "--square-mm", 25, "--out", tmp_path / "camera.json")
    assert done.exit_code == 2
    assert "board.tif: found" in done.stderr


@pytest.mark.parametrize("command", [["inspect"], ["inspect", "--panels"], ["estimate", "--register", str(REGISTER)]])
def test_pipes_and_devices_are_no_photos(tmp_path: Path, command: list[str]) -> None:
    """Nobody writes into the pipe, and the device gives zeros without end: both kept their reader for good."""
    os.mkfifo(tmp_path / "pipe.jpg")
    for path in (tmp_path / "pipe.jpg", Path("/dev/zero")):
        call = [sys.executable, "-m", "photoaz", *command, str(path)]
        done = subprocess.run(call, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 2, done.stderr
        assert "Traceback" not in done.stderr
        assert "not a file" in done.stderr or "neither a file" in done.stderr


def test_a_device_is_no_table(run: Run) -> None:
    done = run("estimate", SAMPLE / "qlb014_8.jpg", "--register", "/dev/zero")
    assert done.exit_code == 2
    assert "is a device" in done.stderr


def test_a_note_that_names_another_database_leaves_it_alone(run: Run, tmp_path: Path) -> None:
    """`report` made the tables of a store in whatever SQLite file `audit.json` named."""
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE mine (a)")
    db.close()
    before = other.read_bytes()
    folder = tmp_path / "results"
    folder.mkdir()
    (folder / "audit.json").write_text(json.dumps({"store": f"sqlite:///{other}", "name": "audit"}))
    done = run("report", folder)
    assert done.exit_code == 2
    assert "holds no audit" in done.stderr
    assert other.read_bytes() == before
