"""`photoaz plan`: what it prints where, and how it ends."""

from __future__ import annotations

import json
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner

from photoaz.cli import main
from photoaz.result import AntennaResult, ById, SiteResult
from photoaz.wording import before_you_go

REGISTER = """site_id,antenna_id,site_lat_deg,site_lon_deg,rad_center_m,design_azimuth_deg
HNT-204,A1,46.6,-66.4,30,0
HNT-204,B1,46.6,-66.4,30,120
HNT-204,C1,46.6,-66.4,30,240
MRL-7,A1,46.7,-66.4,30,0
KPR-3,A1,46.65,-66.3,30,0
"""


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "register.csv").write_text(REGISTER, encoding="utf-8")

    def call(*args):
        return CliRunner().invoke(main, ["plan", "--register", "register.csv", *map(str, args)], prog_name="photoaz")

    return call


def test_json_alone_on_standard_output(run) -> None:
    files = ("--sheet", "a/s.html", "--gpx", "s.gpx", "--geojson", "s.json")
    result = run("--site", "HNT-204", "--json", "--most", 2, "--lens", 77, "--date", "2026-06-01", *files)
    assert result.exit_code == 0, result.output
    made = json.loads(result.stdout)
    assert made["schema"] == "photoaz/plan/1"
    assert made["date"] == "2026-06-01"
    assert [s["lens_35mm_mm"] for s in made["standpoints"]] == [77.0, 77.0]
    assert set(made["together_u95_deg"]) <= {"A1", "B1", "C1"}
    assert "Before you go" in Path("a/s.html").read_text(encoding="utf-8")
    assert "<gpx" in Path("s.gpx").read_text(encoding="utf-8")
    assert json.loads(Path("s.json").read_text(encoding="utf-8"))["type"] == "FeatureCollection"
    assert result.stderr.count("wrote") == 3


def test_text_for_one_antenna(run) -> None:
    result = run("--site", "HNT-204", "--antenna", "B1", "--most", 1)
    assert result.exit_code == 0, result.output
    assert result.stdout.index("Before you go") < result.stdout.index("B1")


def test_earlier_estimates_count(run) -> None:
    told = AntennaResult(antenna_id="A1", status="estimated", azimuth_true_deg=2.0, u95_deg=1.5)
    result = SiteResult(site_id="HNT-204", lat_deg=46.6, lon_deg=-66.4, antennas=ById([told]))
    Path("estimates.json").write_text(result.to_json())
    made = json.loads(run("--site", "HNT-204", "--estimates", "estimates.json", "--most", 1, "--json").stdout)
    assert made["now_u95_deg"] == {"A1": 1.5}
    result = run("--site", "MRL-7", "--estimates", "estimates.json", "--most", 1)
    assert result.exit_code == 0
    assert "tells no azimuth of site 'MRL-7'" in result.stderr


def test_nowhere_to_stand(run) -> None:
    ring = [[-66.5, 46.5], [-66.3, 46.5], [-66.3, 46.7], [-66.5, 46.7], [-66.5, 46.5]]
    area = {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [ring]}, "properties": {"stand": "no"}}
    Path("area.json").write_text(json.dumps(area))
    result = run("--site", "HNT-204", "--area", "area.json")
    assert result.exit_code == 2
    assert "no standpoint" in result.stderr


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--site", "X"), "no site 'X'"),
        ((), "3 sites and no --site"),
        (("--site", "HNT-204", "--antenna", "Z1"), "no antenna 'Z1'"),
        (("--site", "HNT-204", "--landmarks", "register.csv"), "wanted also name, lat_deg, lon_deg"),
        (("--site", "HNT-204", "--area", "register.csv"), "no JSON"),
        (("--site", "HNT-204", "--estimates", "register.csv"), "no JSON"),
        (("--trip", "register.csv"), "wanted also action"),
        (("--site", "HNT-204", "--start", "north"), "a latitude and a longitude"),
    ],
)
def test_bad_input_is_named(run, args, said) -> None:
    result = run(*args)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert any(part in result.stderr for part in said.split("|"))


def test_round_trip(run) -> None:
    Path("revisit.csv").write_text(
        "rank,site_id,antenna_id,action\n1,MRL-7,A1,climb\n2,HNT-204,B1,photo\n3,KPR-3,A1,leave\n4,HNT-204,C1,photo\n"
    )
    made = json.loads(run("--trip", "revisit.csv", "--start", "46.6,-66.5", "--json", "--gpx", "t.gpx").stdout)
    assert {s["site_id"] for s in made["stops"]} == {"MRL-7", "HNT-204"}
    assert made["length_m"] > sum(s["leg_m"] for s in made["stops"])  # and back
    assert "<rtept" in Path("t.gpx").read_text(encoding="utf-8")
    assert "photo B1, C1" in run("--trip", "revisit.csv").stdout


def test_the_sheet_of_a_trip_has_a_page_for_each_stop(run) -> None:
    Path("revisit.csv").write_text(
        "site_id,antenna_id,action,instruction,bring,lat_deg,lon_deg\n"
        "MRL-7,A1,climb,measure A1,a crew,,\n"
        + "".join(f"HNT-204,B{k},photo,take it,a camera,46.6012,-66.4034\n" for k in range(6))
    )
    args = ("--trip", "revisit.csv", "--sheet", "t.html", "--gpx", "t.gpx", "--date", "2026-05-20")
    assert run(*args, "--zone", "America/Halifax").exit_code == 0
    html = Path("t.html").read_text(encoding="utf-8")
    assert html.count('class="stop"') == 2
    assert 'href="geo:46.601200,-66.403400">46.601200, -66.403400</a>' in html
    assert all(f"B{k}: photo." in html for k in range(6))  # nothing is left out
    assert before_you_go(["climb"]).split(";")[0] in unescape(html)
    assert "Times in America/Halifax (given)." in html
    gpx = Path("t.gpx").read_text(encoding="utf-8")
    assert "photo B0, B1, B2, B3, B4, B5" in gpx
    assert " more" not in gpx
    assert run(*args).exit_code == 0
    assert "Times in UTC (no zone known: give --zone for local time)." in Path("t.html").read_text(encoding="utf-8")
    bad = run(*args, "--zone", "Atlantis")
    assert bad.exit_code == 2
    assert "Atlantis" in bad.stderr
