"""What README.md, DEVELOPERS.md and the manual say is so."""

from __future__ import annotations

import csv
import doctest
import importlib.util
import io
import json
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
from photoaz.cli.group import INTERRUPTED, NOTHING_DONE, SOME_UNUSABLE
from photoaz.judgement.costs import Costs, load_costs
from photoaz.present import folder
from photoaz.present.manual import SUBJECTS, about, body_html, manual_html, page
from photoaz.present.results import written
from photoaz.priors import Priors, keys_of
from photoaz.quantities import CONTROL_U95, SITE_POSITION_U95_M
from photoaz.register.columns import load_columns
from photoaz.register.load import load_controls, load_picks, load_register
from photoaz.register.priors import read_priors
from photoaz.register.rows import ControlRow, ManifestRow, PickRow, ReadingRow, RegisterRow, columns_of
from photoaz.result import AntennaResult, ById, PhotoResult, SiteResult
from photoaz.sample import sample_dir
from photoaz.wording import CAUTIONS

#: what is found and fitted in the sample's photos is another test's matter: seen once, it is remembered
pytestmark = pytest.mark.usefixtures("seen_before")
ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
MANUAL = {subject: page(subject) for subject in SUBJECTS}


def blocks_of(*texts):
    return [b for text in texts for b in re.findall(r"^```\n(.*?)^```", text, re.MULTILINE | re.DOTALL)]


BLOCKS = blocks_of(README, *MANUAL.values())


def block(start):
    return next(b for b in BLOCKS if b.startswith(start))


def rows_of(subject, heading):
    """The rows of a page's table by their first cell's names; of the table whose first heading is that one."""
    table = re.search(rf"^\| {heading} \|.*\n\|[- |]+\n((?:\|.*\n)+)", MANUAL[subject], re.MULTILINE)[1]
    rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in table.splitlines()]
    return {name: cells for cells in rows for name in re.findall(r"`([^`]+)`", cells[0]) or [cells[0]]}


def example_of(command):
    """The command line that a command's --help shows, as one line."""
    text = main.commands[command].help.split("Example:", 1)[1]
    return " ".join(text.replace("\b", "").replace("\\\n", " ").split())


#: what README, the manual and the commands' help show, each line once
SHOWN = tuple(
    dict.fromkeys(
        [
            *map(example_of, sorted(main.commands)),
            *(line for b in BLOCKS for line in b.splitlines() if line.startswith("photoaz ")),
        ]
    )
)


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


def test_developers_page_names_the_layers_the_libraries_and_files_that_are_there():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    layers = re.search(r"^LAYERS = \((.*?)^\)", (ROOT / "tests/test_layers.py").read_text("utf-8"), re.M | re.S)[1]
    drawn = re.findall(r"^    photoaz/(\w+)(?:/|\.py) ", text, re.MULTILINE)
    assert drawn == re.findall(r'^    "(\w+)",', layers, re.MULTILINE)[1:]  # but for __main__
    needs = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    table = text[text.index("| licence | of |") :]
    assert [name for need in needs if (name := re.match(r"[\w-]+", need)[0]) not in re.findall(r"[\w-]+", table)] == []
    named = set(re.findall(r"`(?:photoaz/)?((?:\w+/)+\w+\.\w+)`", text))
    places = (ROOT / "photoaz", ROOT)
    assert sorted(name for name in named if not any((place / name).exists() for place in places)) == []


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


def _house(lat_deg, lon_deg):
    ring = [[lon_deg + east, lat_deg + north] for east, north in ((0, 0), (1e-4, 0), (1e-4, 1e-4), (0, 0))]
    geometry = {"type": "Polygon", "coordinates": [ring]}
    return {"type": "Feature", "properties": {"height_m": 7.5}, "geometry": geometry}


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
    (home / "priors.toml").write_text(block("[antennas]"), encoding="utf-8")
    site = load_register(home / "register.csv").sites[0]
    houses = [_house(site.lat_deg + 1e-3, site.lon_deg + 1e-3 * k) for k in range(-3, 4)]
    (home / "town.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": houses}), encoding="utf-8")
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
def test_command_lines_do_what_they_say(line, here, quick_demo, monkeypatch):
    name, *args = shlex.split(line)[1:]
    args = [a for arg in args for a in (sorted(p.name for p in here.glob(arg)) if "*" in arg else [arg])]
    if name == "audit":
        shutil.rmtree(here / "audit-2026")  # from nothing, not again
        monkeypatch.setattr(folder, "cores", lambda: 1)  # in this process, which remembers what was seen in the photos
    result = CliRunner().invoke(main, [name, *args], prog_name="photoaz")
    assert result.exit_code == 0, result.output
    assert result.stdout
    for option, file in LEAVES.items():
        if option in args:
            assert (here / args[args.index(option) + 1] / file).exists()


@pytest.mark.parametrize("line", [line for line in SHOWN if line.startswith("photoaz desk")])
def test_the_desk_opens_as_it_is_shown(line, here):
    env = {**os.environ, "PYTHONPATH": str(Path(photoaz.__file__).parent.parent), "BROWSER": "true"}
    command = [sys.executable, "-m", *shlex.split(line), "--port", "0"]
    with subprocess.Popen(command, cwd=here, env=env, stderr=subprocess.PIPE, text=True) as desk:
        try:
            said = []  # of photos that were read first, too
            for line_said in desk.stderr:
                said.append(line_said)
                if url := re.search(r"(http://127\.0\.0\.1:\d+/)(?:\?token=(\S+))?", line_said):
                    break
            else:
                raise AssertionError("".join(said))
            asked = urllib.request.Request(url[1], headers={"authorization": f"Bearer {url[2]}"})
            with urllib.request.urlopen(asked, timeout=20) as page:
                assert b"photoaz" in page.read()
        finally:
            desk.send_signal(signal.SIGINT)
            assert desk.wait(timeout=30) in (0, 130)


def test_every_command_is_in_readme_and_manual():
    for name in main.commands:
        assert f"photoaz {name}" in README
        assert any(f"photoaz {name}" in text for text in (*MANUAL.values(), README))


def test_tables_that_are_shown_load(tmp_path):
    for start, load, count in (
        ("site_id,", lambda p: load_register(p).sites, 1),
        ("photo,antenna_id", load_picks, 1),
        ("photo,kind,name", load_controls, 1),
        ("photo,kind,x_px", load_controls, 2),
    ):
        path = tmp_path / "table.csv"
        path.write_text(block(start), encoding="utf-8")
        assert len(load(path)) == count
        header, *rows = csv.reader(io.StringIO(block(start)))
        assert all(len(row) == len(header) for row in rows)
    columns = tmp_path / "columns.toml"
    columns.write_text(block("delimiter"), encoding="utf-8")
    assert load_columns(columns).shape.delimiter == ";"


def test_costs_that_are_shown_are_the_defaults(tmp_path):
    path = tmp_path / "costs.toml"
    path.write_text(block("visit = "), encoding="utf-8")
    assert load_costs(path) == Costs()
    assert len(tomllib.loads(block("visit = "))) == len(fields(Costs))


def test_priors_that_are_shown_are_the_defaults(tmp_path):
    path = tmp_path / "priors.toml"
    path.write_text(block("[antennas]"), encoding="utf-8")
    assert read_priors(path) == Priors()
    assert {t: tuple(keys) for t, keys in tomllib.loads(block("[antennas]")).items()} == keys_of()


def test_what_ci_runs_is_what_the_readme_says():
    test_line = next(line for b in blocks_of(README) for line in b.splitlines() if "[test]" in line)
    assert test_line.endswith(".venv/bin/pytest -n auto")
    assert '"$bin/pytest" -n auto' in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_help_is_the_same_for_both_spellings():
    runner = CliRunner()
    assert runner.invoke(main, ["-h"]).output == runner.invoke(main, ["--help"]).output


# ---------------------------------------------------------------------------------------------------------------------
# The manual against what it is about


def test_the_manual_has_a_page_for_each_subject_and_no_other():
    folder = Path(photoaz.__file__).parent / "manual"
    assert {p.stem for p in folder.glob("*.md")} == set(SUBJECTS)
    for subject, text in MANUAL.items():
        title, said = text.split("\n\n")[:2]
        assert re.fullmatch(r"# \S[^\n]*", title)
        assert said.endswith(".")
        assert len(about(subject)) < 110  # a line
        assert all(other in SUBJECTS for other in re.findall(r"photoaz\s+manual\s+(\w+)", text))
        assert f"photoaz/manual/{subject}.md" in README


def test_the_command_shows_list_page_or_what_there_is():
    runner = CliRunner()
    listed = runner.invoke(main, ["manual"]).stdout.splitlines()
    assert [line.split()[0] for line in listed] == list(SUBJECTS)
    assert runner.invoke(main, ["manual", "Picks"]).stdout == MANUAL["picks"]
    unknown = runner.invoke(main, ["manual", "wires"])
    assert unknown.exit_code == NOTHING_DONE
    assert "no subject 'wires'" in unknown.stderr
    assert all(subject in unknown.stderr for subject in SUBJECTS)


def test_a_terminal_gets_it_laid_out(monkeypatch):
    from photoaz.cli.manual import _laid_out

    monkeypatch.setenv("COLUMNS", "80")
    for text in MANUAL.values():
        lines = _laid_out(text).splitlines()
        assert max(map(len, lines)) <= 80
        assert "| --- |" not in "\n".join(lines)


def test_the_manual_as_html_obeys_nothing_and_needs_nothing():
    text = manual_html()
    assert all(f'<section id="{subject}">' in text for subject in SUBJECTS)
    assert '<a href="#picks">photoaz manual picks</a>' in text
    assert not re.search(r"(src|href)=\"(?!#)", text)
    assert "<script" not in text
    assert "<h1>The manual</h1>" in text
    assert "<table>" in body_html("register")
    linked = manual_html("/page/manual.css")
    assert '<link rel="stylesheet" href="/page/manual.css">' in linked
    assert "<style" not in linked


def test_columns_of_the_register_are_those_declared():
    shown = rows_of("register", "column")
    declared = columns_of(RegisterRow)
    assert list(shown) == list(declared)
    defaults = {f.name: f.default for f in fields(RegisterRow)} | {"site_position_u_m": SITE_POSITION_U95_M}
    for name, column in declared.items():
        blank = shown[name][1]
        assert (blank == "needed") == column.needed, name
        if isinstance(defaults[name], float):
            assert float(blank) == defaults[name], name
        elif isinstance(defaults[name], str):
            assert blank == defaults[name], name


def test_columns_of_the_other_tables_are_those_declared():
    assert set(rows_of("audit", "column")) == set(columns_of(ReadingRow))
    assert set(rows_of("picks", "column")) >= set(columns_of(PickRow))
    for model, subject in ((ControlRow, "controls"), (ManifestRow, "audit")):
        for name in columns_of(model):
            assert re.search(rf"\b{name}\b", MANUAL[subject]), name


def test_kinds_of_controls_are_those_declared():
    shown = rows_of("controls", "kind")
    assert {kind: float(cells[-1].strip()) for kind, cells in shown.items() if kind in CONTROL_U95} == CONTROL_U95


def test_exit_codes_are_those_of_the_commands():
    assert set(rows_of("install", "exit code")) == {"0", str(SOME_UNUSABLE), str(NOTHING_DONE), str(INTERRUPTED)}


def test_extras_are_those_of_the_package():
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    assert set(rows_of("install", "extra")) == set(extras) - {"test", "dev", "render", "training"}


def test_json_fields_are_those_of_the_result():
    from typing import get_args, get_type_hints

    def within(kind):
        """The record that a field holds, or holds several of, or None."""
        return kind if hasattr(kind, "__dataclass_fields__") else next(filter(None, map(within, get_args(kind))), None)

    for path in rows_of("estimate", "field"):
        record = SiteResult
        for name in path.split("."):
            hints = get_type_hints(record)
            assert name in hints, path
            record = within(hints[name])


def test_files_of_an_audit_are_those_that_it_writes(prepared):
    named = {name for name in rows_of("audit", "file") if "." in name}
    there = {p.relative_to(prepared / "audit-2026").as_posix() for p in (prepared / "audit-2026").rglob("*.*")}
    # the archive is too small to tell priors of its own
    assert named - there == {"priors.toml"}
    assert set(re.findall(r"[a-z]+\.[a-z]+", written.__doc__)) <= {*named, "estimates.parquet"}
    assert "manual.html" in (prepared / "audit-2026/report/index.html").read_text(encoding="utf-8")
    assert "report/manual.html" in there


def test_examples_of_the_library_run(prepared):
    first, *others = [b for b in blocks_of(MANUAL["library"]) if b.startswith(">>> ")]
    assert block(">>> import photoaz") == first
    assert first in photoaz.__doc__ + "\n"  # where test_api runs it
    assert first in README
    sample = sample_dir()
    site = photoaz.load_register(sample / "register.csv").site("QLB-014")
    result = photoaz.solve(site, [sample / "qlb014_8.jpg"])
    given = {"photoaz": photoaz, "site": site, "result": result}
    test = doctest.DocTestParser().get_doctest("\n".join(others), given, "library.md", "library.md", 0)
    assert doctest.DocTestRunner().run(test).failed == 0
    assert len(test.examples) > 6


@pytest.mark.parametrize("path", ["README.md", "photoaz/manual/limits.md"])
def test_cautions_are_those_that_every_page_shows(path) -> None:
    said = " ".join((ROOT / path).read_text(encoding="utf-8").replace("**", "").split())
    assert all(caution in said for caution in CAUTIONS)
