"""An audit that is stopped, and a writing that is, leave what the last finished one found."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

import photoaz.estimate.pipeline
from photoaz.cli import main
from photoaz.estimate.inputs import SiteInputs
from photoaz.present import results as writing
from photoaz.result import ById
from photoaz.sample import sample_dir

#: what readings may suffer is worked out once of sites that are alike
pytestmark = pytest.mark.usefixtures("seen_before")
SAMPLE = sample_dir()
SITES = ("QLB-014", "QLB-015", "QLB-016")


@pytest.fixture
def home(tmp_path: Path, small_photos: Path) -> Path:
    """An archive of three sites with a photo each, and its register."""
    header, *rows = (SAMPLE / "register.csv").read_text(encoding="utf-8").splitlines()
    table = [header]
    for k, site in enumerate(SITES):
        moved = f"{46.629992 + 0.02 * k:.6f}"
        table += [row.replace(SITES[0], site).replace("46.629992", moved) for row in rows]
        (tmp_path / "archive" / site).mkdir(parents=True)
        shutil.copy2(small_photos / f"qlb014_{(2, 4, 8)[k]}.jpg", tmp_path / "archive" / site)
    (tmp_path / "register.csv").write_text("\n".join(table) + "\n", encoding="utf-8")
    places = [f"qlb014_{n}.jpg,{site}" for n, site in zip((2, 4, 8), SITES, strict=True)]
    (tmp_path / "manifest.csv").write_text("\n".join(["photo,site_id", *places]) + "\n", encoding="utf-8")
    return tmp_path


@pytest.fixture
def stop_at(monkeypatch: pytest.MonkeyPatch, solved_by_design: Callable[..., Any]) -> dict[str, str]:
    """Stands for the solver: azimuths depend on the risk, so that every result tells it; stops at a site, where set."""
    settings: dict[str, str] = {}

    def solve_site(given: SiteInputs, _: object) -> Any:
        if settings.get("site") == given.site.site_id:
            raise KeyboardInterrupt
        result = solved_by_design(given, lambda k: 100.0 * given.risk + k).result()
        photos = ById(replace(p, window_px=(0, 0, 200, int(1000 * given.risk))) for p in result.photos)
        result = replace(result, photos=photos)
        return SimpleNamespace(result=lambda: result)

    monkeypatch.setattr(photoaz.estimate.pipeline, "solve_site", solve_site)
    return settings


def audit(home: Path, out: str = "out", *more: str) -> Result:
    tables = ("--register", str(home / "register.csv"), "--manifest", str(home / "manifest.csv"))
    options = ("--out", str(home / out), "--jobs", "1", "-q", "--sheets", "none")
    return CliRunner().invoke(main, ["audit", str(home / "archive"), *tables, *options, *more])


def results(out: Path) -> dict[str, Any]:
    """What all files say, but for when they were written."""
    found: dict[str, Any] = {"sites": json.loads((out / "estimates.json").read_text(encoding="utf-8"))["sites"]}
    for name in ("estimates.csv", "failures.csv", "revisit.csv"):
        with (out / name).open(encoding="utf-8-sig", newline="") as file:
            found[name] = list(csv.reader(file))
    found["pages"] = sorted(p.name for p in (out / "report").rglob("*.html"))
    found["map"] = (out / "sites.geojson").read_bytes()
    found["pictures"] = {p.name: p.read_bytes() for p in sorted((out / "overlays").rglob("*.jpg"))}
    return found


def test_a_report_after_a_stopped_rerun_is_of_the_finished_one(
    home: Path, stop_at: dict[str, str], small_photos: Path
) -> None:
    assert audit(home).exit_code == 0
    before = results(home / "out")
    assert len(before["sites"]) == len(SITES)
    # a site solved, one photo read anew, one gone, one new: then stopped
    stop_at["site"] = SITES[1]
    shutil.copy2(small_photos / "qlb014_5.jpg", home / "archive" / SITES[0] / "qlb014_2.jpg")
    (home / "archive" / SITES[2] / "qlb014_8.jpg").rename(home / "gone.jpg")
    shutil.copy2(small_photos / "qlb014_1.jpg", home / "archive" / SITES[1])
    assert audit(home, "out", "--risk", "0.1").exit_code == 130
    assert results(home / "out") == before
    done = CliRunner().invoke(main, ["report", str(home / "out"), "-q"])
    assert done.exit_code == 0, (done.output, done.exception)
    assert results(home / "out") == before
    # and the same call goes on to what a fresh one gives
    stop_at.clear()
    assert audit(home, "out", "--risk", "0.1").exit_code in (0, 1)
    assert audit(home, "fresh", "--risk", "0.1").exit_code in (0, 1)
    again, fresh = results(home / "out"), results(home / "fresh")
    assert again["pictures"].items() >= fresh["pictures"].items()
    assert {k: v for k, v in again.items() if k != "pictures"} == {k: v for k, v in fresh.items() if k != "pictures"}
    assert sorted(p.name for p in (home / "out").iterdir()) == sorted(p.name for p in (home / "fresh").iterdir())


def test_a_rerun_as_before_after_a_stopped_one_has_the_results_from_before(home: Path, stop_at: dict[str, str]) -> None:
    assert audit(home).exit_code == 0
    before = results(home / "out")
    stop_at["site"] = SITES[2]
    assert audit(home, "out", "--risk", "0.1").exit_code == 130
    stop_at["site"] = SITES[0]  # nothing is solved again
    assert audit(home).exit_code == 0
    assert results(home / "out") == before


@pytest.mark.parametrize("when", ["index", "workbook"])
def test_a_writing_that_is_stopped_leaves_the_old_results(
    home: Path, stop_at: dict[str, str], monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    assert audit(home).exit_code == 0
    before = results(home / "out")

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        if when == "index":
            patch.setattr("photoaz.present.pages.write._write_index", stopped)
        else:
            patch.setattr(writing, "write_workbook", stopped)
        assert audit(home, "out", "--risk", "0.1").exit_code == 130
        assert {k: v for k, v in results(home / "out").items() if k != "pictures"} == {
            k: v for k, v in before.items() if k != "pictures"
        }
    # the run itself came to its end: its results are what is written next
    assert CliRunner().invoke(main, ["report", str(home / "out"), "-q"]).exit_code == 0
    assert audit(home, "fresh", "--risk", "0.1").exit_code == 0
    assert results(home / "out") == results(home / "fresh")


def test_pictures_of_a_store_that_was_removed_are_not_taken_for_those_of_the_next(
    home: Path, stop_at: dict[str, str], small_photos: Path
) -> None:
    stop_at["site"] = SITES[2]
    assert audit(home).exit_code == 130
    for path in (home / "out").glob("results.sqlite*"):
        path.unlink()
    shutil.copy2(small_photos / "qlb014_1.jpg", home / "archive" / SITES[0])
    (home / "archive" / SITES[0] / "qlb014_2.jpg").unlink()
    stop_at.clear()
    assert audit(home).exit_code == 0
    assert not any(name.startswith("qlb014_2-") for name in results(home / "out")["pictures"])


def test_a_first_audit_that_was_stopped_is_reported_as_far_as_it_came(home: Path, stop_at: dict[str, str]) -> None:
    stop_at["site"] = SITES[1]
    assert audit(home).exit_code == 130
    assert CliRunner().invoke(main, ["report", str(home / "out"), "-q"]).exit_code == 0
    assert [s["site_id"] for s in results(home / "out")["sites"]] == [SITES[0]]
