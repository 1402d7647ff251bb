"""What is done at the desk: marks, landmarks, decisions, and what an audit makes of them afterwards."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from photoaz.cli import main
from photoaz.desk.session import Desk

from .conftest import OWN, SITE, WHO, Page, antenna, view

#: what is marked here is fitted here; what the audit saw in the same photos is not looked for again
pytestmark = pytest.mark.usefixtures("seen_before")


def marked(seen: dict[str, Any], x: float, y: float) -> list[list[float]]:
    """A box so many pixels off where it was found; of marks made by two tests the second looks its solution up."""
    return [[u + x, v + y] for u, v in seen["corners_px"]]


def test_a_marked_box_is_solved_undone_and_done_again(page: Page) -> None:
    before = page.site()["document"]
    seen = view(before, "QLB-014-B1", "_7.jpg")
    photo = seen["photo"]
    off = marked(seen, 9.0, 3.0)
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
    near = marked(seen, 2.0, 0.5)
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
    near = marked(seen, 2.0, 0.5)
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
    off = marked(seen, 9.0, 3.0)
    said = page.act("pick", {"antenna_id": "QLB-014-B1", "corners_px": off, "exact": True}, seen["photo"])
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
