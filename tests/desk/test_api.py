"""What the page asks and says, over an audit of the sample site."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import lxml.html
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from photoaz.audit.store import KeptSite
from photoaz.cli import main
from photoaz.cli.desk import given_by, without_solving
from photoaz.desk.session import Desk
from photoaz.errors import InputError
from photoaz.present.folder import StorePlace, open_store
from photoaz.register.load import load_controls, load_picks
from photoaz.sample import sample_dir

from .conftest import OWN, SITE, Page

#: what is marked here is fitted here; what the audit saw in the same photos is not looked for again
pytestmark = pytest.mark.usefixtures("seen_before")


def test_the_list(looking: Page) -> None:
    audit = looking.get("/api/audit")
    assert (audit["sites"], audit["unsolved"]) == (1, 0)
    found = looking.get("/api/sites")
    assert [r["site_id"] for r in found["rows"]] == [SITE]
    row = found["rows"][0]
    assert (row["state"], row["solved"], row["antennas"], row["photos_used"]) == ("open", True, 6, 4)
    assert row["flagged"] >= 1
    assert looking.get("/api/sites", q="qlb")["total"] == 1
    assert looking.get("/api/sites", q="other")["total"] == 0
    assert looking.get("/api/sites", state="decided")["total"] == 0
    assert looking.get("/api/sites", state="decided")["counts"]["open"] == 1
    assert looking.get("/api/sites", show="unsolved")["total"] == 0
    looking.get("/api/sites", status=422, order="colour")
    looking.get("/api/sites", status=422, offset="-1")


def test_a_site(looking: Page, audited: Path) -> None:
    site = looking.site()
    assert site["current"] is True
    assert site["ticket"] is None
    assert [p["label"] for p in site["photos"]] == [f"qlb014_{k}.jpg" for k in (1, 2, 7, 9)]
    assert {p["folder"] for p in site["photos"]} == {str(audited / "photos")}
    first = site["photos"][0]
    with Image.open(audited / "photos" / "qlb014_1.jpg") as image:
        assert (first["size"]["width_px"], first["size"]["height_px"]) == image.size
    # the sun where the sample's maker put it, degrees
    truth = json.loads((sample_dir() / "truth.json").read_text())
    assert first["sun"]["azimuth_deg"] == pytest.approx(98.5, abs=0.5), truth.keys()
    assert {a["antenna_id"] for a in site["document"]["antennas"]} == set(site["antennas"])
    # whoever is sent somewhere is told first what can hurt
    assert set(site["cautions"]) == {"photo", "read_again", "climb", "revisit"}
    assert "rescue plan" in site["cautions"]["climb"]
    looking.get("/api/site", status=404, site="../../etc/passwd")
    looking.get("/api/site", status=422)


def test_a_site_stands_in_the_words_and_counts_of_the_report(looking: Page, audited: Path) -> None:
    document = looking.site()["document"]
    standing = {a["antenna_id"]: a["standing"] for a in document["antennas"]}
    with (audited / "out" / "revisit.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows
    for row in rows:
        assert (row["reading"], row["design"]) == tuple(standing[row["antenna_id"]][k] for k in ("reading", "design"))
    pages = audited / "out" / "report"
    site, index = (lxml.html.parse(p).getroot() for p in (pages / "sites" / f"{SITE}.html", pages / "index.html"))
    for name, said in standing.items():
        (shown,) = site.xpath(f"//section[@id='antennas']//tr[th/a='{name}']/td[1]/b")
        assert shown.text == said["word"]
    for what in ("readings", "designs"):
        cells = [r.xpath("string(td[1])") for r in index.xpath(f"//table[@id='tally-{what}']/tbody/tr[not(@class)]")]
        names = [r.xpath("string(th)") for r in index.xpath(f"//table[@id='tally-{what}']/tbody/tr[not(@class)]")]
        counted = {name: int(n) for name, n in zip(names, cells, strict=True) if n != "0"}
        told = re.findall(r"(\d+) ([a-z ]+[a-z])", document["tally"][what].split(" (")[0])
        assert [int(n) for n, _ in told] == list(counted.values())
        assert all(many.startswith(word.removesuffix("s")) for (_, word), many in zip(told, counted, strict=True))


def told_by_the_report(results: Path) -> tuple[dict[str, str], dict[str, list[tuple[int, str]]]]:
    """What the terminal says as results are written again, by its first words; and the rows of the report's counts."""
    done = CliRunner().invoke(main, ["report", str(results), "-q"])
    assert done.exit_code == 0, done.output
    lines = dict(line.split(maxsplit=1) for line in done.output.splitlines() if " " in line)
    index = lxml.html.parse(results / "report" / "index.html").getroot()
    rows = {what: index.xpath(f"//table[@id='tally-{what}']/tbody/tr") for what in ("readings", "designs")}
    counts = {
        what: [(n, row.xpath("string(th)")) for row in some if (n := int(row.xpath("string(td[1])")))]
        for what, some in rows.items()
    }
    return lines, counts


def test_the_list_counts_the_archive_as_report_and_terminal_do(page: Page, results: Path) -> None:
    for solved_here in (False, True):
        if solved_here:
            before = page.get("/api/sites")["tally"]
            for photo in page.site()["photos"][1:]:
                said = page.act("exclude_photo", {"note": "blurred"}, photo["photo"])
            page.solved(said["ticket"])
            page.desk.solver.close()  # it is kept
            assert page.get("/api/sites")["tally"] != before
        terminal, report = told_by_the_report(results)
        found = page.get("/api/sites")
        tally = found["tally"]
        assert (tally["sites"], tally["antennas"]) == (1, int(terminal["antennas"].split(",")[0]))
        for what in ("readings", "designs"):
            assert tally[what] == terminal[what]
            # the report's rows have the word for several, and each reason a row of its own
            for n, words in report[what]:
                word = words.removeprefix("of these ")
                assert re.search(rf"\b{n} {word}{'s?' if n == 1 else ''}\b", tally[what]), (n, words)
            assert len(report[what]) == len(re.findall(r"\d+", tally[what]))
            # a row has its own in the same words, without the reasons
            assert ", ".join(found["rows"][0]["tally"][what]) == tally[what].split(" (")[0]
    # a decision is about what is to be done; what the photos measured it leaves as it is
    page.act("decision", {"antenna_id": "QLB-014-C1", "verdict": "climb"})
    assert page.get("/api/sites")["tally"] == tally


def test_the_manual_comes_with_its_style(looking: Page) -> None:
    manual = looking.client.get("/manual.html")
    assert manual.headers["content-type"].startswith("text/html")
    assert "The manual" in manual.text
    sheet = re.search(r'<link rel="stylesheet" href="([^"]+)">', manual.text)
    assert sheet
    assert looking.client.get(sheet[1]).headers["content-type"].startswith("text/css")


def test_tiles_show_the_photo(looking: Page, audited: Path) -> None:
    photo = looking.site()["photos"][0]
    response = looking.client.get(f"/tile/{photo['digest']}/0/3/1.jpg")
    assert response.status_code == 200
    assert "immutable" in response.headers["cache-control"]
    with Image.open(audited / "photos" / "qlb014_1.jpg") as image:
        want = np.asarray(image.crop((1536, 512, 2048, 1024)).convert("RGB"), float)
    got = np.asarray(Image.open(io.BytesIO(response.content)), float)
    assert np.abs(got - want).mean() < 4.0  # levels: JPEG once more


@pytest.mark.parametrize(
    "path",
    [
        "/tile/../../../etc/passwd",
        "/tile/%2e%2e%2f%2e%2e%2fetc%2fpasswd/0/0/0.jpg",
        "/tile/{digest}/0/0/0.jpg/../../../../etc/passwd",
        "/tile/{digest}/9/0/0.jpg",
        "/tile/{digest}/0/99/0.jpg",
        "/tile/{digest}/-1/0/0.jpg",
        "/tile/{other}/0/0/0.jpg",
        "/page/../app.py",
        "/page/..%2fapp.py",
        "/page/%2e%2e/app.py",
        "/page/app.py",
        "/page//etc/passwd",
        "/export/results.sqlite",
        "/export/..%2f..%2fresults.sqlite",
        "/results.sqlite",
        "/photos/qlb014_1.jpg",
    ],
)
def test_nothing_else_of_the_disk_is_served(looking: Page, path: str) -> None:
    digest = looking.site()["photos"][0]["digest"]
    url = path.replace("{digest}", digest).replace("{other}", "0" * 64)
    response = looking.client.get(url)
    assert response.status_code == 404
    assert b"root:" not in response.content
    assert b"SQLite" not in response.content


def test_a_photo_that_changed_since_is_not_shown_as_the_one_audited(
    page: Page, audited: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    digest = page.site()["photos"][0]["digest"]
    monkeypatch.setattr(page.desk.open_photos, "path", lambda _photo: audited / "photos" / "qlb014_2.jpg")
    response = page.client.get(f"/tile/{digest}/0/0/0.jpg")
    assert response.status_code == 409
    assert "photoaz audit" in response.json()["error"]


def test_a_photo_that_is_gone_says_so(page: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    digest = page.site()["photos"][0]["digest"]
    monkeypatch.setattr(page.desk.open_photos, "path", lambda _photo: tmp_path / "gone.jpg")
    response = page.client.get(f"/tile/{digest}/0/0/0.jpg")
    assert response.status_code == 409
    assert "gone.jpg" in response.json()["error"]


def test_tables_are_read_by_the_commands(page: Page, tmp_path: Path) -> None:
    site = page.site()
    photo = site["photos"][0]["photo"]
    corners = [[10.5, 20.25], [30.0, 20.0], [30.0, 60.0], [10.0, 60.0]]
    page.act("pick", {"antenna_id": "QLB-014-A1", "corners_px": corners, "exact": True}, photo)
    page.act("pick", {"antenna_id": "QLB-014-A2", "seed_px": [100, 200], "view": "rear"}, photo)
    page.act("not_antenna", {"antenna_id": "QLB-014-B1", "seed_px": [7, 8]}, photo)
    where = {"lat_deg": 46.628702, "lon_deg": -66.423606}
    page.act("control", {"kind": "landmark", "name": "=spire, the", "pixel": [1, 2], **where}, photo)
    page.act("control", {"kind": "roll", "name": "plumb line", "value_deg": -1.5, "u95": 0.6}, photo)
    page.act("control", {"kind": "shadow", "name": "pole", "pixel": [5, 6], "tip_px": [7.5, 8]}, photo)
    for name in ("picks", "controls", "decisions"):
        response = page.client.get(f"/export/{name}.csv")
        assert response.headers["content-type"].startswith("text/csv")
        assert "attachment" in response.headers["content-disposition"]
        (tmp_path / f"{name}.csv").write_bytes(response.content)
    a1, a2, absent = load_picks(tmp_path / "picks.csv")
    assert (a1.photo, a1.antenna_id, a1.exact) == ("qlb014_1.jpg", "QLB-014-A1", True)
    assert a1.corners_px == tuple(map(tuple, corners))
    assert (a2.seed_px, a2.corners_px, a2.view) == ((100.0, 200.0), None, "rear")
    assert (absent.absent, absent.seed_px) == (True, (7.0, 8.0))
    spire, roll, pole = load_controls(tmp_path / "controls.csv")
    assert (spire.name, spire.lat_deg, spire.pixel, spire.u95) == ("=spire, the", 46.628702, (1.0, 2.0), 10.0)
    assert (roll.kind, roll.value_deg, roll.u95) == ("roll", -1.5, 0.6)
    assert (pole.pixel, pole.tip_px) == ((5.0, 6.0), (7.5, 8.0))


def test_a_place_is_read_as_it_is_written(looking: Page) -> None:
    def place(text: Any) -> Any:
        return looking.client.post("/api/place", json={"text": text}, headers=OWN)

    assert place("49,155460 14,2").json() == {"lat_deg": 49.15546, "lon_deg": 14.2, "problem": None}
    for text in ("49,155460", ""):
        assert place(text).json()["lat_deg"] is None
        assert place(text).json()["problem"]
    for text in ("x" * 201, 3):
        assert place(text).status_code == 422


def test_a_plumb_line_is_worked_out_before_it_is_set(looking: Page) -> None:
    photo = looking.site()["photos"][0]["photo"]
    said = {"photo": photo, "line_px": [[2000, 1200], [2003, 2600]]}
    response = looking.client.post("/api/plumb", params={"site": SITE}, json=said, headers=OWN)
    assert response.status_code == 200
    assert abs(response.json()["roll_deg"]) < 3.0
    said["line_px"] = [[2000, 1200], [2001, 1201]]
    response = looking.client.post("/api/plumb", params={"site": SITE}, json=said, headers=OWN)
    assert (response.status_code, "20 px" in response.json()["error"]) == (422, True)


def test_ten_thousand_sites_page_by_page(results: Path, opened: Callable[[], Desk]) -> None:
    store = open_store(results)
    run = store.last_run()
    assert run is not None
    store.run_id = run[0]
    kept = store.site(SITE)
    assert kept is not None
    many(store, kept, 100)
    store.close()
    page = Page(opened())
    found = page.get("/api/sites", show="all", limit=50, offset=50)
    assert (found["total"], len(found["rows"])) == (101, 50)
    losses = [r["loss_avoided"] for r in page.get("/api/sites", show="all", limit=200)["rows"]]
    assert losses == sorted(losses, reverse=True)
    assert page.get("/api/sites", q="X-00012", show="all")["total"] == 1
    names = [r["site_id"] for r in page.get("/api/sites", show="all", order="name", limit=3)["rows"]]
    assert names == [SITE, "X-00000", "X-00001"]


def many(store: Any, like: KeptSite, n: int) -> None:
    """Sites with results like that one's."""
    for k in range(n):
        store.keep_site(
            KeptSite(
                site_id=f"X-{k:05}",
                key="k",
                result=like.result,
                failures=(),
                used=4,
                flagged=k % 3,
                loss_avoided=float((k * 7919) % 1000),
            )
        )


def test_photos_without_an_audit(audited: Path, tmp_path: Path) -> None:
    out = without_solving(audited / "photos", audited / "register.csv", out=tmp_path / "new")
    store = open_store(out)
    desk = Desk(store, StorePlace.of(out).address, given_by(store, out), out)
    page = Page(desk)
    assert page.get("/api/audit")["unsolved"] == 1
    (row,) = page.get("/api/sites")["rows"]
    assert (row["solved"], row["flagged"]) == (False, 0)
    assert "open it" in row["worst"]
    site = page.site()
    assert site["document"] is None
    answer = page.solved(site["ticket"])
    assert answer["error"] is None
    assert sum(a["azimuth_true_deg"] is not None for a in answer["document"]["antennas"]) >= 5
    desk.solver.close()
    assert page.get("/api/sites")["rows"][0]["solved"] is True
    desk.close()


def test_an_audit_whose_register_is_gone_or_changed(audited: Path, results: Path, tmp_path: Path) -> None:
    store = open_store(results)
    run = store.last_run()
    assert run is not None
    gone = run[1] | {"inputs": [{"role": "register", "name": str(tmp_path / "gone.csv"), "sha256": ""}]}
    store.begin_run(gone)
    store.end_run()
    with pytest.raises(InputError, match="put it back"):
        given_by(store, results)()
    changed = tmp_path / "register.csv"
    changed.write_bytes((audited / "register.csv").read_bytes() + b"\r\n")
    store.begin_run(run[1] | {"inputs": [{"role": "register", "name": str(changed), "sha256": "0"}]})
    store.end_run()
    assert "has changed since the audit" in given_by(store, results)().notes[0]
    store.close()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--token-file", "short.txt"], "easily guessed"),
        ([], "--register"),
        (["--out", "x"], "--register"),
    ],
)
def test_the_command_says_what_is_wanted(
    tmp_path: Path, arguments: list[str], said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("short.txt").write_text("short")
    done = CliRunner().invoke(main, ["desk", str(tmp_path), *arguments])
    assert done.exit_code == 2
    assert said in done.output
