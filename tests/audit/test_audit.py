"""Archives audited end to end: what is resumed, what is the same whoever works, and where every file went."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from PIL import Image

import photoaz.estimate.pipeline
from photoaz.cli import main
from photoaz.estimate.inputs import SiteInputs
from photoaz.sample import sample_dir

#: what is found and fitted in the sample's photos is another test's matter: seen once, it is remembered
pytestmark = pytest.mark.usefixtures("seen_before")
SAMPLE = sample_dir()
REGISTER = SAMPLE / "register.csv"
#: quick, and enough for every antenna of the site to be found
SOME = (2, 4, 8)
PLAIN = ("--overlays", "none", "--sheets", "none", "-q")


@pytest.fixture
def run() -> Callable[..., Result]:
    def call(*args: object) -> Result:
        return CliRunner().invoke(main, [str(a) for a in args])

    return call


def audited(run: Callable[..., Result], archive: Path | str, out: Path, *more: object) -> Result:
    result = run("audit", archive, "--register", REGISTER, "--out", out, *PLAIN, *more)
    assert result.exit_code in (0, 1), (result.output, result.exception)
    return result


def estimates(out: Path) -> str:
    """The document as text, without its time."""
    text = (out / "estimates.json").read_text(encoding="utf-8")
    lines = text.splitlines()
    assert lines[3].startswith(' "created": ')
    return "\n".join(lines[:3] + lines[4:])


def failures(out: Path) -> dict[str, str]:
    with (out / "failures.csv").open(encoding="utf-8-sig", newline="") as file:
        return {Path(row["file"]).name: row["reason"] for row in csv.DictReader(file)}


def evidence(store: Path) -> int:
    with sqlite3.connect(f"file:{store}?mode=ro", uri=True) as db:
        return int(db.execute("SELECT count(*) FROM evidence").fetchone()[0])


# ---- in earnest -----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Path]]:
    """Some of the sample's photos, audited by one process without interruption: folder of photos and of results."""
    folder = tmp_path_factory.mktemp("undisturbed")
    (folder / "archive").mkdir()
    for k in SOME:
        shutil.copy2(SAMPLE / f"qlb014_{k}.jpg", folder / "archive")
    before = Path.cwd()
    os.chdir(folder)
    try:
        result = CliRunner().invoke(
            main, ["audit", "archive", "--register", str(REGISTER), "--out", "out", "--jobs", "1", *PLAIN]
        )
        assert result.exit_code == 0, (result.output, result.exception)
        yield folder, folder / "out"
    finally:
        os.chdir(before)


def with_evidence(undisturbed: tuple[Path, Path], out: Path) -> Path:
    """A folder of results whose store has the evidence of the photos, and no photo and no site."""
    out.mkdir()
    for file in undisturbed[1].glob("results.sqlite*"):
        shutil.copy(file, out)
    with sqlite3.connect(out / "results.sqlite") as db:
        db.execute("DELETE FROM photos")
        db.execute("DELETE FROM sites")
    db.close()
    return out


def test_all_results_are_there(undisturbed: tuple[Path, Path]) -> None:
    _, out = undisturbed
    names = {p.name for p in out.iterdir()}
    assert names >= {
        *("results.sqlite", "estimates.csv", "estimates.json", "estimates.parquet", "audit.xlsx", "revisit.csv"),
        *("sites.geojson", "sites.kml", "failures.csv", "report"),
    }
    site = json.loads((out / "estimates.json").read_text(encoding="utf-8"))["sites"][0]
    assert [p["status"] for p in site["photos"]] == ["used"] * 3
    truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))
    true_deg = {a["antenna_id"]: a["azimuth_deg"] for a in truth["antennas"]}
    found = [a for a in site["antennas"] if a["azimuth_true_deg"] is not None]
    assert len(found) >= 5
    for a in found:
        error = (a["azimuth_true_deg"] - true_deg[a["antenna_id"]] + 180.0) % 360.0 - 180.0
        assert abs(error) <= 3.0 * a["u95_deg"], a["antenna_id"]


def test_a_rerun_does_nothing_again_and_says_the_same(
    undisturbed: tuple[Path, Path], run: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, out = undisturbed
    before = estimates(out)
    monkeypatch.chdir(folder)
    monkeypatch.setattr(photoaz.estimate.pipeline, "solve_site", None)
    audited(run, "archive", Path("out"), "--jobs", "1")
    assert estimates(out) == before


def test_more_processes_say_the_same(
    undisturbed: tuple[Path, Path], tmp_path: Path, run: Callable[..., Result]
) -> None:
    folder, out = undisturbed
    os.chdir(folder)
    two = with_evidence(undisturbed, tmp_path / "two")
    audited(run, "archive", two, "--jobs", "2")
    assert estimates(two) == estimates(out)


def test_a_cluster_says_the_same(undisturbed: tuple[Path, Path], tmp_path: Path, run: Callable[..., Result]) -> None:
    distributed = pytest.importorskip("distributed", reason="needs dask.distributed")
    folder, out = undisturbed
    os.chdir(folder)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        dask = with_evidence(undisturbed, tmp_path / "dask")
        audited(run, "archive", dask, "--scheduler", cluster.scheduler_address)
    assert estimates(dask) == estimates(out)


def test_killed_at_any_moment_it_goes_on_and_says_the_same(undisturbed: tuple[Path, Path], tmp_path: Path) -> None:
    """It begins where panels were found in two of three photos, and nothing was fitted."""
    folder, out = undisturbed
    command = [
        *(sys.executable, "-m", "photoaz", "audit", "archive", "--register", str(REGISTER), "--jobs", "2", *PLAIN),
        *("--out", str(tmp_path / "out")),
    ]
    store = with_evidence(undisturbed, tmp_path / "out") / "results.sqlite"
    with closing(sqlite3.connect(store)) as db, db:
        last = "SELECT max(rowid) FROM evidence WHERE kind = 'panels'"
        db.execute(f"DELETE FROM evidence WHERE kind != 'panels' OR rowid = ({last})")
    reached = [evidence(store)]
    assert reached == [2]
    for wanted in (3, 6):
        process = subprocess.Popen(command, cwd=folder, start_new_session=True, stderr=subprocess.PIPE)
        deadline = time.monotonic() + 120
        while process.poll() is None and time.monotonic() < deadline:
            try:
                if evidence(store) >= max(wanted, reached[-1]):
                    break
            except sqlite3.Error:
                pass
            time.sleep(0.02)
        assert process.poll() is None, process.communicate()
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        # nothing that was worked out is lost
        reached.append(evidence(store))
        assert reached[-1] >= reached[-2]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert estimates(tmp_path / "out") == estimates(out)


def test_an_archive_in_an_object_store(
    undisturbed: tuple[Path, Path], tmp_path: Path, run: Callable[..., Result]
) -> None:
    pytest.importorskip("moto.server", reason="needs moto")
    s3fs = pytest.importorskip("s3fs", reason="needs s3fs")
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    keys = {"AWS_ACCESS_KEY_ID": "x", "AWS_SECRET_ACCESS_KEY": "y", "AWS_ENDPOINT_URL": f"http://{host}:{port}"}
    keys |= {"AWS_DEFAULT_REGION": "us-east-1"}
    with pytest.MonkeyPatch.context() as patch:
        for name, value in keys.items():
            patch.setenv(name, value)
        s3fs.S3FileSystem.clear_instance_cache()
        fs = s3fs.S3FileSystem()
        fs.mkdir("archive-of-photos")
        for k in SOME:
            fs.put(str(SAMPLE / f"qlb014_{k}.jpg"), f"archive-of-photos/2026/qlb014_{k}.jpg")
        out = with_evidence(undisturbed, tmp_path / "s3")
        audited(run, "s3://archive-of-photos", out, "--jobs", "1")
        s3fs.S3FileSystem.clear_instance_cache()
    server.stop()
    text = estimates(out).replace("s3://archive-of-photos/2026/", "archive/")
    assert json.loads(text)["sites"][0]["antennas"] == json.loads(estimates(undisturbed[1]))["sites"][0]["antennas"]


# ---- with a stand-in for the solver ---------------------------------------------------------------------------------


@pytest.fixture
def solver(monkeypatch: pytest.MonkeyPatch, solved_by_design: Callable[..., Any]) -> list[SiteInputs]:
    """Finds one antenna turned in photos from before 2025; remembers what it was given."""
    calls: list[SiteInputs] = []

    def solve_site(given: SiteInputs, tools: object) -> Any:
        del tools
        calls.append(given)
        taken = [p.record.taken for p in given.photos if p.record is not None]
        years = [t.local.year for t in taken if t is not None and t.local is not None]
        turned = 14.0 if years and max(years) < 2025 else 0.0
        return solved_by_design(given, lambda k: turned if k == 2 else 0.0)

    monkeypatch.setattr(photoaz.estimate.pipeline, "solve_site", solve_site)
    return calls


def test_every_file_that_is_not_used_has_its_reason(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    (archive / "copy of 2.jpg").write_bytes((archive / "qlb014_2.jpg").read_bytes())
    (archive / "cut.jpg").write_bytes((archive / "qlb014_4.jpg").read_bytes()[:50_000])
    (archive / "notes.txt").write_text("not a photo")
    (archive / "drawing.jpg").write_text("not a photo either")
    Image.new("RGB", (64, 48)).save(archive / "blank.jpg")
    out = tmp_path / "out"
    result = audited(run, archive, out, "--jobs", "1")
    assert result.exit_code == 1
    found = failures(out)
    # the beginning of a cut file tells all that is wanted before its pixels are
    assert set(found) == {"copy of 2.jpg", "drawing.jpg", "blank.jpg"}
    assert "the same file as" in found["copy of 2.jpg"]
    assert "not an image" in found["drawing.jpg"]
    assert "does not say where it was taken" in found["blank.jpg"]
    assert [Path(p.name).name for p in solver[0].photos][-3:] == ["qlb014_2.jpg", "qlb014_4.jpg", "qlb014_8.jpg"]


def test_a_line_of_a_list_that_leads_nowhere_is_said(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    first = sorted(archive.glob("*.jpg"))[0]
    listed = tmp_path / "list.txt"
    listed.write_text(f"{first}\ngone.jpg\n", encoding="utf-8")
    done = audited(run, listed, tmp_path / "out", "--jobs", "1", "-q")
    assert done.exit_code == 1
    # quiet is about progress, not about what was left out
    assert f"list.txt, line 2: found {tmp_path / 'gone.jpg'}" in done.stderr
    assert "gone.jpg" in failures(tmp_path / "out")["list.txt"]


def test_a_changed_photo_changes_its_site_and_no_other(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    # a second site two kilometres off, whose photos have no position but a folder of its name
    text = REGISTER.read_text(encoding="utf-8")
    header, *rows = text.splitlines()
    far = [row.replace("QLB-014", "QLB-015").replace("46.629992", "46.649992") for row in rows]
    register = tmp_path / "register.csv"
    register.write_text("\n".join([header, *rows, *far]) + "\n", encoding="utf-8")
    (archive / "QLB-015").mkdir()
    for k, shade in ((1, 90), (2, 120)):
        Image.effect_noise((320, 240), shade).save(archive / f"QLB-015/{k}.jpg")
    out = tmp_path / "out"
    options = ("--register", register, "--out", out, "--jobs", "1", *PLAIN)
    assert run("audit", archive, *options).exit_code == 0
    assert sorted(call.site.site_id for call in solver) == ["QLB-014", "QLB-015"]
    solver.clear()
    assert run("audit", archive, *options).exit_code == 0
    assert solver == []
    Image.effect_noise((320, 240), 60).save(archive / "QLB-015/2.jpg")
    assert run("audit", archive, *options).exit_code == 0
    assert [call.site.site_id for call in solver] == ["QLB-015"]
    solver.clear()
    # a row's place in the register says nothing, a height does
    register.write_text("\n".join([header, *far, *rows]) + "\n", encoding="utf-8")
    assert run("audit", archive, *options).exit_code == 0
    assert solver == []
    register.write_text(
        "\n".join([header, *far, *(r.replace(",29.4,", ",30.4,") for r in rows)]) + "\n", encoding="utf-8"
    )
    assert run("audit", archive, *options).exit_code == 0
    assert [call.site.site_id for call in solver] == ["QLB-014"]


def test_sites_side_by_side_are_solved_from_each_others_photos(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    """Two operators on one roof, 20 m apart: no photo is left over for being of either, and each has its own rows."""
    header, *rows = REGISTER.read_text(encoding="utf-8").splitlines()
    # an operator's rows without offsets, 20 m to the east
    beside = [row.replace("QLB-014", "OTHER").replace("-66.409983", "-66.409722") for row in rows]
    register = tmp_path / "register.csv"
    register.write_text("\n".join([header, *rows, *beside]) + "\n", encoding="utf-8")
    out = tmp_path / "out"
    done = run("audit", archive, "--register", register, "--out", out, "--jobs", "1", *PLAIN)
    assert (done.exit_code, failures(out)) == (0, {}), done.output
    given = {call.site.site_id: call for call in solver}
    assert set(given) == {"QLB-014", "OTHER"}
    for site_id, call in given.items():
        assert len(call.photos) == len(SOME)
        assert {a.antenna_id[: len(site_id)] for a in call.site.antennas} == {site_id}
        (other,) = call.site.neighbours
        assert {other.site_id, site_id} == set(given)
    sites = json.loads((out / "estimates.json").read_text(encoding="utf-8"))["sites"]
    flags = {f["code"] for s in sites for f in s["audit"]["flags"]}
    assert "sites_side_by_side" in flags


def test_other_priors_solve_a_site_again(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    out, priors = tmp_path / "out", tmp_path / "priors.toml"
    priors.write_text("[antennas]\nturned_share = 0.1\n", encoding="utf-8")
    options = ("--register", REGISTER, "--out", out, "--jobs", "1", *PLAIN)
    assert run("audit", archive, *options).exit_code == 0
    assert run("audit", archive, *options, "--priors", priors).exit_code == 0
    assert [call.priors.antennas.turned_share for call in solver] == [0.15, 0.1]
    assert run("audit", archive, *options, "--priors", priors).exit_code == 0
    assert len(solver) == 2
    priors.write_text("[antennas]\nturned_share = 0.2\n", encoding="utf-8")
    assert run("audit", archive, *options, "--priors", priors).exit_code == 0
    assert solver[-1].priors.antennas.turned_share == 0.2
    assert len(solver) == 3


def test_a_map_solves_those_sites_again_that_it_changed_near(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    out, town = tmp_path / "out", tmp_path / "town.geojson"

    def draw(near_m: float, far_m: float) -> None:
        ring = [[-66.41, 46.63], [-66.4098, 46.63], [-66.4098, 46.6301], [-66.41, 46.63]]
        far = [[lon + 1.0, lat] for lon, lat in ring]
        features = [
            {"type": "Feature", "properties": {"height_m": h}, "geometry": {"type": "Polygon", "coordinates": [r]}}
            for r, h in ((ring, near_m), (far, far_m))
        ]
        text = json.dumps({"type": "FeatureCollection", "license": "invented", "features": features})
        town.write_text(text, encoding="utf-8")

    options = ("--register", REGISTER, "--out", out, "--jobs", "1", *PLAIN)
    assert run("audit", archive, *options).exit_code == 0
    assert solver[0].surroundings is None
    solver.clear()
    for near_m, far_m, again in ((8, 9, 1), (8, 9, 0), (8, 12, 0), (7, 12, 1)):
        draw(near_m, far_m)
        assert run("audit", archive, *options, "--surroundings", town).exit_code == 0
        assert len(solver) == again, (near_m, far_m)
        if again:
            assert solver[0].surroundings is not None
            assert solver[0].surroundings.eaves_m.tolist() == [near_m]
        solver.clear()
    with sqlite3.connect(out / "results.sqlite") as db:
        assert "town.geojson" in str(db.execute("SELECT * FROM runs ORDER BY 1 DESC LIMIT 1").fetchone())


def test_a_photo_that_is_gone_is_no_part_of_the_results(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    out = tmp_path / "out"
    audited(run, archive, out, "--jobs", "1")
    (archive / "qlb014_4.jpg").unlink()
    audited(run, archive, out, "--jobs", "1")
    names = [Path(p["photo"]).name for p in json.loads(estimates(out))["sites"][0]["photos"]]
    assert names == ["qlb014_2.jpg", "qlb014_8.jpg"]


def test_an_antenna_that_turned_between_two_visits(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    old = (archive / "qlb014_8.jpg").read_bytes().replace(b"2026:05:14", b"2021:05:14")
    (archive / "qlb014_8.jpg").write_bytes(old)
    readings = tmp_path / "readings.csv"
    readings.write_text(
        "site_id,antenna_id,reading_azimuth_deg,reading_date\n"
        "QLB-014,QLB-014-B1,163.5,2021-03-01\n"
        "QLB-014,QLB-014-B1,150.5,2024-03-01\n",
        encoding="utf-8",
    )
    out = tmp_path / "out"
    audited(run, archive, out, "--jobs", "1", "--readings", readings)
    site = json.loads(estimates(out))["sites"][0]
    assert [(v["from"], len(v["photos"])) for v in site["visits"]] == [("2021-05-14", 1), ("2026-05-14", 2)]
    turned = [t for t in site["turns"] if t["turned"]]
    assert [(t["antenna_id"], t["change_deg"], t["from"], t["to"]) for t in turned] == [
        ("QLB-014-B1", -14.0, "2021-05-14", "2026-05-14")
    ]
    b1 = next(a for a in site["antennas"] if a["antenna_id"] == "QLB-014-B1")
    # today's azimuth is the later visit's, and each visit was held against the reading of its own time
    assert b1["azimuth_true_deg"] == 150.0
    assert [v["antennas"][2]["reading_date"] for v in site["visits"]] == ["2021-03-01", "2026-04-28"]
    assert b1["revisit"] is True
    assert any("turned by -14.0°" in reason for reason in b1["reasons"])
    flags = {Path(p["photo"]).name: p["flags"] for p in site["photos"]}
    assert any("before an antenna of the site turned" in f for f in flags["qlb014_8.jpg"])


def test_on_a_server_two_audits_share_a_store(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs], postgresql: str
) -> None:
    for name in ("one", "two"):
        audited(run, archive, tmp_path / name, "--jobs", "1", "--store", postgresql)
    assert len(solver) == 2
    assert not (tmp_path / "one/results.sqlite").exists()
    assert json.loads((tmp_path / "one/audit.json").read_text())["name"] == "one"
    before = estimates(tmp_path / "one")
    (tmp_path / "one/estimates.json").unlink()
    result = run("report", tmp_path / "one", "-q")
    assert result.exit_code == 0, result.output
    assert estimates(tmp_path / "one") == before


def test_results_are_not_taken_for_photos(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    out = archive / "results"
    (out / "overlays").mkdir(parents=True)
    Image.new("RGB", (64, 48)).save(out / "overlays/one.jpg")
    assert audited(run, archive, out, "--jobs", "1").exit_code == 0
    assert failures(out) == {}


def test_what_cannot_be_audited_is_said(archive: Path, tmp_path: Path, run: Callable[..., Result]) -> None:
    out = tmp_path / "out"
    result = run("audit", tmp_path / "nowhere", "--register", REGISTER, "--out", out, *PLAIN)
    assert result.exit_code == 2
    assert "nowhere" in result.stderr
    result = run("report", tmp_path)
    assert result.exit_code == 2
    assert "wanted the folder that 'photoaz audit --out' wrote" in result.stderr
    empty = tmp_path / "empty"
    empty.mkdir()
    result = run("audit", empty, "--register", REGISTER, "--out", out, *PLAIN)
    assert result.exit_code == 2
    assert "no photo" in result.stderr


def test_bad_rows_of_the_register_do_not_stop_the_others(
    archive: Path, tmp_path: Path, run: Callable[..., Result], solver: list[SiteInputs]
) -> None:
    header, *rows = REGISTER.read_text(encoding="utf-8").splitlines()
    register = tmp_path / "register.csv"
    register.write_text("\n".join([header, *rows, rows[0].replace("QLB-014", "QLB-900").replace("29.4", "x")]) + "\n")
    out = tmp_path / "out"
    result = run("audit", archive, "--register", register, "--out", out, "--jobs", "1", *PLAIN)
    assert result.exit_code == 1
    assert "line 8, column rad_center_m" in result.stderr
    assert "register.csv" in failures(out)
    assert len(json.loads(estimates(out))["sites"]) == 1
