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
from starlette.testclient import TestClient

from photoaz.audit.store import KeptSite
from photoaz.cli import main
from photoaz.cli.desk import given_by, without_solving
from photoaz.desk.app import make_app
from photoaz.desk.session import Desk
from photoaz.errors import InputError
from photoaz.present.folder import StorePlace, open_store
from photoaz.register.load import load_controls, load_picks
from photoaz.sample import sample_dir

SITE = "QLB-014"
OWN = {"x-photoaz-desk": "1"}
WHO = "Ines Example"


class Page:
    """The requests that the page makes."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.client = TestClient(make_app(desk), base_url="http://127.0.0.1:8377")

    def get(self, path: str, status: int = 200, **query: Any) -> Any:
        response = self.client.get(path, params=query)
        assert response.status_code == status, response.text
        return response.json()

    def site(self, **query: Any) -> Any:
        return self.get("/api/site", site=SITE, **query)

    def act(self, kind: str, body: dict[str, Any] | None = None, photo: str | None = None, status: int = 200) -> Any:
        said = {"who": WHO, "kind": kind, "body": body or {}, "photo": photo}
        response = self.client.post("/api/act", params={"site": SITE}, json=said, headers=OWN)
        assert response.status_code == status, response.text
        return response.json()

    def solved(self, ticket: int) -> Any:
        for _ in range(10):
            answer = self.get("/api/solved", site=SITE, ticket=ticket)
            if not answer["solving"]:
                return answer
        raise AssertionError("not solved in time")


#: what is marked here is fitted here; what the audit saw in the same photos is not looked for again
pytestmark = pytest.mark.usefixtures("seen_before")


@pytest.fixture
def page(opened: Callable[[], Desk]) -> Page:
    return Page(opened())


@pytest.fixture(scope="module")
def looking(one_desk: Desk) -> Page:
    """For tests that leave everything as it was: they share a desk."""
    return Page(one_desk)


def antenna(document: Any, name: str) -> Any:
    return next(a for a in document["antennas"] if a["antenna_id"] == name)


def view(document: Any, name: str, label: str) -> Any:
    return next(e for e in antenna(document, name)["evidence"] if e["photo"].endswith(label))


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


def test_a_marked_box_is_solved_undone_and_done_again(page: Page) -> None:
    before = page.site()["document"]
    seen = view(before, "QLB-014-B1", "_7.jpg")
    photo = seen["photo"]
    off = [[x + 9.0, y + 3.0] for x, y in seen["corners_px"]]
    said = page.act("pick", {"antenna_id": "QLB-014-B1", "corners_px": off, "exact": True}, photo)
    assert said["ticket"] is not None
    assert said["undo"]["words"] == "QLB-014-B1 marked in qlb014_7.jpg, held as drawn"
    answer = page.solved(said["ticket"])
    assert answer["error"] is None
    now = view(answer["document"], "QLB-014-B1", "_7.jpg")
    assert now["from_pick"] is True
    # held: within a few pixels of where it was put, far from where it was found
    assert np.abs(np.mean(np.array(now["corners_px"]) - off, axis=0)).max() < 3.0
    undone = page.act("undo")
    assert (undone["undo"], undone["redo"]["words"]) == (None, said["undo"]["words"])
    back = page.solved(undone["ticket"])["document"]
    for a in before["antennas"]:
        # nothing is left of it: the same to the last digit that is written
        assert antenna(back, a["antenna_id"])["azimuth_true_deg"] == a["azimuth_true_deg"]
        assert antenna(back, a["antenna_id"])["u95_deg"] == a["u95_deg"]
    assert page.act("redo")["undo"] is not None
    page.act("redo", status=422)


def test_edges_snap_unless_held(page: Page) -> None:
    seen = view(page.site()["document"], "QLB-014-B1", "_7.jpg")
    near = [[x + 2.0, y] for x, y in seen["corners_px"]]
    said = page.act("pick", {"antenna_id": "QLB-014-B1", "corners_px": near, "exact": False}, seen["photo"])
    now = view(page.solved(said["ticket"])["document"], "QLB-014-B1", "_7.jpg")
    # back on the edges: within half a pixel of where they were found, though the mark was 2 px off
    assert np.abs(np.mean(np.array(now["corners_px"]) - seen["corners_px"], axis=0))[0] < 0.5


def test_results_say_what_was_decided(page: Page, results: Path) -> None:
    page.act("decision", {"antenna_id": "QLB-014-A1", "verdict": "revisit", "note": "=loose bolts"})
    page.act("decision", {"antenna_id": "QLB-014-B2", "verdict": "accept_reading"})
    page.act("decision", {"antenna_id": "QLB-014-C1", "verdict": "climb", "note": "bring the long bolts"})
    wrong = {"antenna_id": "QLB-014-B1", "verdict": "photos_wrong"}
    assert "reason" in page.act("decision", wrong, status=422)["error"]
    page.act("decision", wrong | {"note": "another antenna's outline"})
    done = CliRunner().invoke(main, ["report", str(results), "-q"])
    assert done.exit_code == 0, done.output
    document = json.loads((results / "estimates.json").read_text())["sites"][0]
    assert antenna(document, "QLB-014-A1")["revisit"] is True
    assert antenna(document, "QLB-014-A1")["decision"]["who"] == WHO
    for name in ("QLB-014-B1", "QLB-014-B2"):
        assert antenna(document, name)["revisit"] is False
    assert "photos wrong, the reading stands (another" in " ".join(antenna(document, "QLB-014-B1")["reasons"])
    with (results / "revisit.csv").open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    assert not {"QLB-014-B1", "QLB-014-B2"} & {r["antenna_id"] for r in rows}
    # what a person decided is what is to be done, whatever was proposed
    climbed = next(r for r in rows if r["antenna_id"] == "QLB-014-C1")
    assert (climbed["action"], climbed["instruction"]) == ("climb", "climb: measure QLB-014-C1: bring the long bolts")
    asked = next(r for r in rows if r["antenna_id"] == "QLB-014-A1")
    assert any(f"decided at the desk by {WHO} on" in value for value in asked.values())
    # the store itself keeps what was worked out: a decision can be withdrawn
    page.act("no_decision", {"antenna_id": "QLB-014-B2"})
    assert CliRunner().invoke(main, ["report", str(results), "-q"]).exit_code == 0
    document = json.loads((results / "estimates.json").read_text())["sites"][0]
    assert antenna(document, "QLB-014-B2")["revisit"] is True


def test_a_draft_is_close_to_the_whole_solution(page: Page) -> None:
    site = page.site()
    page.desk.solver.answer(SITE, page.desk.solver.ask(SITE), 120.0)  # it was just solved
    seen = view(site["document"], "QLB-014-B1", "_7.jpg")
    near = [[x + 1.0, y + 0.5] for x, y in seen["corners_px"]]
    said = page.act("pick", {"antenna_id": "QLB-014-B1", "corners_px": near, "exact": False}, seen["photo"])
    draft = page.desk.solver.answer(SITE, said["ticket"], 120.0, whole=False)
    assert draft is not None
    assert draft.draft is True
    whole = page.solved(said["ticket"])["document"]
    assert draft.result is not None
    for a in whole["antennas"]:
        if a["status"] == "estimated":
            first = draft.result.antennas[a["antenna_id"]]
            assert first.azimuth_true_deg is not None
            off = (first.azimuth_true_deg - a["azimuth_true_deg"] + 180.0) % 360.0 - 180.0
            # of the stated uncertainty: what a person would not tell apart
            assert abs(off) < 0.3 * a["u95_deg"]
            assert first.u95_deg == pytest.approx(a["u95_deg"], rel=0.2)


def test_a_landmark_makes_the_site_surer_and_stays_after_a_restart(page: Page, opened: Callable[[], Desk]) -> None:
    site = page.site()
    before = {a["antenna_id"]: a["u95_deg"] for a in site["document"]["antennas"]}
    photo = site["photos"][0]["photo"]
    # as the sample's own table of controls has it
    chimney = {"kind": "landmark", "name": "works chimney", "pixel": [1906.1, 2183.7], "u95": 5}
    chimney |= {"lat_deg": 46.628702, "lon_deg": -66.423606, "height_m": 108.3}
    said = page.act("control", chimney, photo)
    after = {a["antenna_id"]: a["u95_deg"] for a in page.solved(said["ticket"])["document"]["antennas"]}
    fell = [name for name in before if before[name] and after[name] and after[name] < before[name] - 0.05]
    assert len(fell) >= 3
    # one by one they may rise: a landmark can show as well that an outline was less sure than it seemed
    assert np.median([after[n] for n in before if after[n]]) < np.median([v for v in before.values() if v]) - 0.3
    page.act("decision", {"antenna_id": "QLB-014-C1", "verdict": "revisit", "note": "climb"})
    page.desk.solver.close()
    later = Page(opened())
    (row,) = later.get("/api/sites")["rows"]
    assert (row["solved"], row["photos_used"], row["state"]) == (True, 4, "looked")
    again = later.site()
    assert again["current"] is True  # what was solved at the desk was kept, too
    assert {a["antenna_id"]: a["u95_deg"] for a in again["document"]["antennas"]} == after
    assert [(c["name"], c["here"]) for c in again["controls"]] == [("works chimney", True)]
    (decision,) = again["decisions"]
    assert (decision["who"], decision["note"], decision["words"]) == (WHO, "climb", "to be visited again")
    assert decision["figures"]["u95_deg"] == after["QLB-014-C1"]
    assert [h["words"] for h in again["history"]] == [
        "QLB-014-C1: to be visited again: climb",
        "landmark works chimney marked in qlb014_1.jpg",
    ]


def test_no_antenna_and_another_antenna(page: Page) -> None:
    document = page.site()["document"]
    seen = view(document, "QLB-014-B1", "_7.jpg")
    middle = np.mean(seen["corners_px"], axis=0).tolist()
    said = page.act("not_antenna", {"antenna_id": "QLB-014-B1", "seed_px": middle}, seen["photo"])
    now = page.solved(said["ticket"])["document"]
    for a in now["antennas"]:
        for e in a["evidence"]:
            if e["photo"] == seen["photo"]:
                assert np.hypot(*(np.mean(e["corners_px"], axis=0) - middle)) > 20.0  # px: nobody is taken for it
    swap = {"antenna_id": "QLB-014-B2", "was": "QLB-014-B1", "corners_px": seen["corners_px"]}
    said = page.act("other_antenna", swap, seen["photo"])
    now = page.solved(said["ticket"])["document"]
    other = view(now, "QLB-014-B2", "_7.jpg")
    assert np.hypot(*(np.mean(other["corners_px"], axis=0) - middle)) < 20.0  # px: as far as above


def test_a_photo_left_out_is_not_used_and_the_audit_says_why(page: Page, audited: Path, results: Path) -> None:
    site = page.site()
    photo = site["photos"][3]["photo"]
    said = page.act("exclude_photo", {"note": "a crane hides it"}, photo)
    answer = page.solved(said["ticket"])
    assert photo not in {e["photo"] for a in answer["document"]["antennas"] for e in a["evidence"]}
    page.desk.solver.close()
    command = ["audit", str(audited / "photos"), "--register", str(audited / "register.csv"), "--out", str(results)]
    done = CliRunner().invoke(main, [*command, "--jobs", "1", "--overlays", "none", "--sheets", "none", "-q"])
    assert done.exit_code in (0, 1), done.output
    with (results / "failures.csv").open(newline="") as file:
        reasons = {row["file"]: row["reason"] for row in csv.DictReader(file)}
    assert "excluded at the desk by Ines Example on 20" in reasons[photo]
    assert reasons[photo].endswith("a crane hides it")


def test_an_audit_from_then_on_uses_what_was_marked(page: Page, audited: Path, results: Path) -> None:
    seen = view(page.site()["document"], "QLB-014-B1", "_7.jpg")
    said = page.act(
        "pick", {"antenna_id": "QLB-014-B1", "corners_px": seen["corners_px"], "exact": True}, seen["photo"]
    )
    desk_says = page.solved(said["ticket"])["document"]
    page.desk.solver.close()
    command = ["audit", str(audited / "photos"), "--register", str(audited / "register.csv"), "--out", str(results)]
    done = CliRunner().invoke(main, [*command, "--jobs", "1", "--overlays", "none", "--sheets", "none", "-q"])
    assert done.exit_code == 0, done.output
    document = json.loads((results / "estimates.json").read_text())["sites"][0]
    assert view(document, "QLB-014-B1", "_7.jpg")["from_pick"] is True
    for a in desk_says["antennas"]:
        assert antenna(document, a["antenna_id"])["azimuth_true_deg"] == a["azimuth_true_deg"]


def test_states_follow_what_is_done(page: Page) -> None:
    flagged = [a["antenna_id"] for a in page.site()["document"]["antennas"] if a["revisit"]]
    page.act("looked")
    assert page.get("/api/sites", state="looked")["total"] == 1
    for name in flagged:
        assert page.site()["state"] == "looked"
        page.act("decision", {"antenna_id": name, "verdict": "revisit"})
    assert page.site()["state"] == "decided"
    assert page.get("/api/sites")["rows"][0]["state"] == "decided"
    page.act("undo")
    assert page.site()["state"] == "looked"


def test_what_the_map_told_is_refused_and_taken_again(page: Page) -> None:
    """By a silhouette without an azimuth; a photo that has one is laid over no map."""
    photo = page.site()["photos"][0]["photo"]

    def silhouettes() -> list[Any]:
        return [c["azimuth_true_deg"] for c in page.site()["controls"] if c["kind"] == "silhouette"]

    page.act("control", {"kind": "silhouette"}, photo)
    assert silhouettes() == [None]
    assert page.site()["history"][0]["words"] == "what the map told in qlb014_1.jpg refused"
    page.act("no_control", {"kind": "silhouette", "name": ""}, photo)
    assert silhouettes() == []
    assert page.site()["history"][0]["words"] == "what the map told in qlb014_1.jpg taken again"


def test_who_is_not_named_does_nothing(looking: Page) -> None:
    for who in ("", "  ", "x" * 101):
        said = {"who": who, "kind": "note", "body": {"note": "x"}}
        response = looking.client.post("/api/act", params={"site": SITE}, json=said, headers=OWN)
        assert response.status_code == 422
        assert "name" in response.json()["error"]
    assert looking.site()["history"] == []


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b'{"who": 1, "kind": "note"}', b'{"who": "a", "kind": "note", "body": 3}', b"\xff"]
)
def test_bodies_that_make_no_sense(looking: Page, body: bytes) -> None:
    headers = OWN | {"content-type": "application/json"}
    response = looking.client.post("/api/act", params={"site": SITE}, content=body, headers=headers)
    assert response.status_code in (400, 422)
    assert response.json()["error"]


def test_marks_in_photos_of_other_sites_are_refused(looking: Page) -> None:
    looking.act("pick", {"antenna_id": "QLB-014-B1", "seed_px": [1, 1]}, "/etc/passwd", status=404)
    looking.act("pick", {"antenna_id": "nobody", "seed_px": [1, 1]}, looking.site()["photos"][0]["photo"], status=422)


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
