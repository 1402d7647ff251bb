"""What README.md and DEVELOPERS.md say is so."""

from __future__ import annotations

import csv
import doctest
import importlib.util
import io
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tomllib
import urllib.request
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import photoaz
from photoaz.cli import main
from photoaz.judgement.costs import Costs, load_costs
from photoaz.register.load import load_controls, load_picks, load_register
from photoaz.result import AntennaResult, ById, PhotoResult, SiteResult
from photoaz.sample import sample_dir

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```\n(.*?)^```", README, re.MULTILINE | re.DOTALL)


def block(start):
    return next(b for b in BLOCKS if b.startswith(start))


def example_of(command):
    """The command line that a command's --help shows, as one line."""
    text = main.commands[command].help.split("Example:", 1)[1]
    return " ".join(text.replace("\b", "").replace("\\\n", " ").split())


README_LINES = [s for b in BLOCKS for s in b.splitlines() if s.startswith("photoaz ")]
#: what README and the commands' help show, each line once
SHOWN = tuple(dict.fromkeys([*map(example_of, sorted(main.commands)), *README_LINES]))


def test_examples_for_developers_run(monkeypatch):
    path = ROOT / "tests/network/conftest.py"
    spec = importlib.util.spec_from_file_location("network_builders", path)
    builders = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, spec.name, builders)  # where its dataclasses look for their own module
    spec.loader.exec_module(builders)
    result = doctest.testfile(
        str(ROOT / "DEVELOPERS.md"), module_relative=False, encoding="utf-8", extraglobs={"kit": builders.Kit}
    )
    assert result.attempted > 30
    assert result.failed == 0


def test_readme_opens_with_the_job_in_one_paragraph():
    title, paragraph, *_ = README.split("\n\n")
    assert title == "# photoaz"
    assert not paragraph.startswith(("#", "-", "!", "<", "`", "|"))


# ---------------------------------------------------------------------------------------------------------------------
# Command lines, run as they are shown

#: photos of the sample site under the names that the examples use
AS_NAMED = {"qlb014_2.jpg": "north_gate.jpg", "qlb014_4.jpg": "field.jpg"}


def _renamed(table):
    text = (sample_dir() / table).read_text(encoding="utf-8")
    for old, new in (*AS_NAMED.items(), ("QLB-014", "HNT-204")):
        text = text.replace(old, new)
    return text


def _board(path, homography):
    import cv2

    sheet = np.full((360, 480), 255, np.uint8)
    sheet[40:320, 40:440] = np.kron(np.indices((7, 10)).sum(0) % 2, np.ones((40, 40))) * 255
    Image.fromarray(cv2.warpPerspective(sheet, homography, (800, 600), borderValue=160)).convert("RGB").save(path)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    """A folder with everything that the command lines name: photos, tables, an archive, and its audit."""
    home = tmp_path_factory.mktemp("shown")
    (home / "archive").mkdir()
    for old, new in AS_NAMED.items():
        shutil.copy(sample_dir() / old, home / new)
        shutil.copy(sample_dir() / old, home / "archive" / new)
    with Image.open(home / "field.jpg") as photo:
        import pillow_heif

        small = photo.resize((1008, 756))
        pillow_heif.from_pillow(small).save(home / "field.heic", exif=photo.info["exif"])
    for name, table in (("register.csv", "register.csv"), ("controls.csv", "controls.csv")):
        (home / name).write_text(_renamed(table), encoding="utf-8")
    (home / "picks.csv").write_text(_renamed("picks_by_hand.csv"), encoding="utf-8")
    (home / "costs.toml").write_text(block("visit = "), encoding="utf-8")
    for k, (tilt, turn) in enumerate([(0.0006, 0.0), (-0.0005, 0.0004), (0.0, -0.0006), (0.0004, 0.0005)]):
        homography = np.array([[1.1, 0.03 * k, 90.0 + 20 * k], [-0.02 * k, 1.1, 60.0], [tilt, turn, 1.0]])
        _board(home / f"board_{k}.jpg", homography)
    command = ["audit", "archive", "--register", "register.csv", "--out", "audit-2026", "--jobs", "1", "-q"]
    before = Path.cwd()
    os.chdir(home)
    try:
        done = CliRunner().invoke(main, command)
    finally:
        os.chdir(before)
    assert done.exit_code == 0, done.output
    shutil.copy(home / "audit-2026/revisit.csv", home / "revisit.csv")
    return home


@pytest.fixture
def here(prepared, tmp_path, monkeypatch):
    """The prepared folder's copy, as the current one."""
    home = tmp_path / "home"
    shutil.copytree(prepared, home)
    monkeypatch.chdir(home)
    return home


@pytest.fixture
def quick_demo(request, monkeypatch, solver_stands_in):
    """The demo solves nine photos, which takes long and is tested elsewhere: here its site comes out empty-handed."""
    if not request.node.callspec.params["line"].startswith("photoaz demo"):
        return

    def solve(given, _tools):
        site, names = given.site, [p.name for p in given.photos]
        return SiteResult(
            site_id=site.site_id,
            lat_deg=site.lat_deg,
            lon_deg=site.lon_deg,
            declination_deg=-16.2,
            declination_u95_deg=0.7,
            photos=ById(
                PhotoResult(photo=n, status="used", heading_true_deg=300.0, heading_u95_deg=4.0) for n in names
            ),
            antennas=ById(AntennaResult(antenna_id=a.antenna_id, status="not_found") for a in site.antennas),
        )

    solver_stands_in(monkeypatch, solve)


#: what a command line leaves behind
LEAVES = {"--out": "", "--overlay": "north_gate.png", "--sheets": "HNT-204-A1.html", "--sheet": ""}


@pytest.mark.parametrize("line", [line for line in SHOWN if not line.startswith("photoaz desk")])
def test_command_lines_do_what_they_say(line, here, quick_demo):
    name, *args = shlex.split(line)[1:]
    args = [a for arg in args for a in (sorted(p.name for p in here.glob(arg)) if "*" in arg else [arg])]
    if name == "audit":
        shutil.rmtree(here / "audit-2026")  # from nothing, not again
    result = CliRunner().invoke(main, [name, *args], prog_name="photoaz")
    assert result.exit_code == 0, result.output
    assert result.stdout
    for option, file in LEAVES.items():
        if option in args:
            assert (here / args[args.index(option) + 1] / file).exists()


def test_the_desk_opens_as_its_help_says(here):
    env = {**os.environ, "PYTHONPATH": str(Path(photoaz.__file__).parent.parent), "BROWSER": "true"}
    command = [sys.executable, "-m", *shlex.split(example_of("desk"))]
    with subprocess.Popen(command, cwd=here, env=env, stderr=subprocess.PIPE, text=True) as desk:
        try:
            said = desk.stderr.readline()
            url = re.search(r"http://127\.0\.0\.1:\d+/", said)
            assert url, said + desk.stderr.read()
            with urllib.request.urlopen(url[0], timeout=20) as page:
                assert b"photoaz" in page.read()
        finally:
            desk.send_signal(signal.SIGINT)
            assert desk.wait(timeout=30) in (0, 130)


def test_every_command_is_in_the_readme():
    for name in main.commands:
        assert f"photoaz {name}" in README


def test_tables_of_the_readme_load(tmp_path):
    for start, load, count in (
        ("site_id,", lambda p: load_register(p).sites, 1),
        ("photo,antenna_id", load_picks, 1),
        ("photo,kind", load_controls, 1),
    ):
        path = tmp_path / "table.csv"
        path.write_text(block(start), encoding="utf-8")
        assert len(load(path)) == count
        header, *rows = csv.reader(io.StringIO(block(start)))
        assert all(len(row) == len(header) for row in rows)


def test_costs_of_the_readme_are_the_defaults(tmp_path):
    path = tmp_path / "costs.toml"
    path.write_text(block("visit = "), encoding="utf-8")
    assert load_costs(path) == Costs()
    assert len(tomllib.loads(block("visit = "))) == len(fields(Costs))


def test_what_ci_runs_is_what_the_readme_says():
    test_line = next(line for b in BLOCKS for line in b.splitlines() if "[test]" in line)
    assert test_line.endswith(".venv/bin/pytest")
    assert '"$bin/pytest"' in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_help_is_the_same_for_both_spellings():
    runner = CliRunner()
    assert runner.invoke(main, ["-h"]).output == runner.invoke(main, ["--help"]).output
