"""What holds of a log: later rows over earlier ones, undo and redo, photos known again by their content."""

from __future__ import annotations

from typing import Any

import pytest

from photoaz.audit.edits import LogError, checked, edits_of, standing_rows
from photoaz.audit.store import LogRow, Store
from photoaz.register.model import Control, Pick

CORNERS = [[10.0, 10.0], [20.0, 10.0], [20.0, 50.0], [10.0, 50.0]]
PHOTOS = {"a.jpg": "da", "b.jpg": "db"}


class Log:
    """Rows as the desk would append them."""

    def __init__(self) -> None:
        self.rows: list[LogRow] = []

    def __call__(self, kind: str, /, photo: str | None = "a.jpg", digest: str | None = None, **body: Any) -> int:
        number = len(self.rows) + 1
        of = PHOTOS.get(photo or "") if digest is None else digest
        at = f"2026-05-14T10:00:{number:02}+00:00"
        row = LogRow(log_id=number, at=at, who="Ines", site_id="S", photo=photo, digest=of, kind=kind, body=body)
        self.rows.append(row)
        return number


@pytest.fixture
def log() -> Log:
    return Log()


def test_the_later_mark_of_an_antenna_holds(log: Log) -> None:
    log("pick", antenna_id="A1", corners_px=CORNERS)
    log("pick", antenna_id="A1", seed_px=[3, 4], exact=True)
    log("pick", photo="b.jpg", antenna_id="A1", seed_px=[5, 6])
    assert edits_of(log.rows, PHOTOS).picks == (
        Pick(photo="a.jpg", antenna_id="A1", seed_px=(3.0, 4.0), exact=True),
        Pick(photo="b.jpg", antenna_id="A1", seed_px=(5.0, 6.0)),
    )


def test_order_of_the_rows_given_does_not_matter(log: Log) -> None:
    log("pick", antenna_id="A1", seed_px=[1, 1])
    log("pick", antenna_id="A1", seed_px=[2, 2])
    assert edits_of(log.rows[::-1], PHOTOS) == edits_of(log.rows, PHOTOS)


def test_undo_and_redo(log: Log) -> None:
    first = log("pick", antenna_id="A1", seed_px=[1, 1])
    second = log("pick", antenna_id="A1", seed_px=[2, 2])
    log("undo", photo=None, of=second)
    now = edits_of(log.rows, PHOTOS)
    assert [p.seed_px for p in now.picks] == [(1.0, 1.0)]
    assert (now.undo, now.redo) == (first, second)
    log("undo", photo=None, of=first)
    now = edits_of(log.rows, PHOTOS)
    assert (now.picks, now.undo, now.redo) == ((), None, first)
    log("redo", photo=None, of=first)
    now = edits_of(log.rows, PHOTOS)
    assert [p.seed_px for p in now.picks] == [(1.0, 1.0)]
    assert (now.undo, now.redo) == (first, second)
    # whoever goes on from here cannot take up again what was undone
    third = log("pick", antenna_id="A2", seed_px=[9, 9])
    now = edits_of(log.rows, PHOTOS)
    assert (now.undo, now.redo) == (third, None)


def test_a_photo_that_moved_keeps_its_marks(log: Log) -> None:
    log("pick", antenna_id="A1", seed_px=[1, 1])
    log("exclude_photo", photo="b.jpg", note="another tower")
    now = edits_of(log.rows, {"2026/a.jpg": "da", "2026/b.jpg": "db"})
    assert [p.photo for p in now.picks] == ["2026/a.jpg"]
    assert now.excluded["2026/b.jpg"].reason() == "excluded at the desk by Ines on 2026-05-14: another tower"
    assert now.changed == frozenset()


def test_a_photo_whose_content_changed_keeps_them_and_says_so(log: Log) -> None:
    log("pick", antenna_id="A1", seed_px=[1, 1])
    now = edits_of(log.rows, {"a.jpg": "other"})
    assert [p.photo for p in now.picks] == ["a.jpg"]
    assert now.changed == {"a.jpg"}


def test_what_concerns_a_photo_that_is_gone_waits_for_it(log: Log) -> None:
    log("pick", antenna_id="A1", seed_px=[1, 1])
    assert edits_of(log.rows, {"b.jpg": "db"}).picks == ()
    assert len(edits_of(log.rows, PHOTOS).picks) == 1


def test_another_antenna_takes_the_mark_with_it(log: Log) -> None:
    log("pick", antenna_id="A1", corners_px=CORNERS)
    log("other_antenna", antenna_id="A2", was="A1", corners_px=CORNERS)
    now = edits_of(log.rows, PHOTOS)
    assert [p.antenna_id for p in now.picks] == ["A2"]
    # a table that still says A1 there does not count against it
    table = [Pick(photo="a.jpg", antenna_id=n, seed_px=(1.0, 1.0)) for n in ("A1", "B1")]
    assert [p.antenna_id for p in now.with_picks(table)] == ["A2", "B1"]


def test_what_is_no_antenna_until_somebody_marks_one_there(log: Log) -> None:
    log("not_antenna", antenna_id="A1", seed_px=[15, 30])
    (pick,) = edits_of(log.rows, PHOTOS).picks
    assert (pick.absent, pick.seed_px, pick.corners_px) == (True, (15.0, 30.0), None)
    log("pick", antenna_id="A2", corners_px=CORNERS)
    assert [(p.antenna_id, p.absent) for p in edits_of(log.rows, PHOTOS).picks] == [("A2", False)]


def test_controls_replace_those_of_a_table_by_kind_and_name(log: Log) -> None:
    where = {"lat_deg": 46.63, "lon_deg": -66.41}
    log("control", kind="landmark", name="spire", pixel=[5, 6], **where)
    log("control", kind="sun", pixel=[7, 8])
    now = edits_of(log.rows, PHOTOS)
    spire = Control(photo="a.jpg", kind="landmark", name="spire", pixel=(5.0, 6.0), u95=10.0, **where)
    assert now.controls[0] == spire  # 10 m: where a table leaves u95 blank
    table = [
        Control(photo="a.jpg", kind="landmark", name="spire", u95=1.0),
        Control(photo="a.jpg", kind="landmark", name="chimney", u95=1.0),
        Control(photo="a.jpg", kind="sun", name="of the table", u95=1.0),
        Control(photo="b.jpg", kind="landmark", name="spire", u95=1.0),
    ]
    rest = now.with_controls(table)[2:]
    assert [(c.photo, c.name) for c in rest] == [("a.jpg", "chimney"), ("b.jpg", "spire")]
    log("no_control", kind="landmark", name="spire")
    now = edits_of(log.rows, PHOTOS)
    assert [c.kind for c in now.controls] == ["sun"]
    assert ("a.jpg", "spire") not in [(c.photo, c.name) for c in now.with_controls(table)]


def test_decisions_are_replaced_and_withdrawn(log: Log) -> None:
    log("decision", photo=None, antenna_id="A1", verdict="revisit", note="too dark")
    log("decision", photo=None, antenna_id="A1", verdict="accept_reading")
    (decision,) = edits_of(log.rows, PHOTOS).decisions
    assert (decision.verdict, decision.who, decision.at[:10]) == ("accept_reading", "Ines", "2026-05-14")
    log("no_decision", photo=None, antenna_id="A1")
    assert edits_of(log.rows, PHOTOS).decisions == ()


@pytest.mark.parametrize(
    ("kind", "photo", "body", "said"),
    [
        ("pick", "a.jpg", {"antenna_id": "Z9", "seed_px": [1, 1]}, "none of this site's"),
        ("pick", "a.jpg", {"antenna_id": "A1"}, "corners_px"),
        ("pick", "a.jpg", {"antenna_id": "A1", "corners_px": CORNERS[:3]}, "4 points"),
        ("pick", "a.jpg", {"antenna_id": "A1", "corners_px": [[1, 1]] * 4}, "one line"),
        ("pick", "a.jpg", {"antenna_id": "A1", "seed_px": [1, float("nan")]}, "wanted a number"),
        ("pick", "a.jpg", {"antenna_id": "A1", "seed_px": [1, True]}, "wanted a number"),
        ("pick", "a.jpg", {"antenna_id": "A1", "seed_px": "12"}, "pair of numbers"),
        ("pick", None, {"antenna_id": "A1", "seed_px": [1, 1]}, "needs the photo"),
        ("pick", "a.jpg", {"antenna_id": "A1", "seed_px": [1, 1], "view": "top"}, "front, rear, profile"),
        ("control", "a.jpg", {"kind": "landmark", "pixel": [1, 1]}, "lat_deg"),
        ("control", "a.jpg", {"kind": "landmark", "pixel": [1, 1], "lat_deg": 95, "lon_deg": 1}, "-90 to 90"),
        ("control", "a.jpg", {"kind": "compass"}, "kind"),
        ("decision", None, {"antenna_id": "A1", "verdict": "maybe"}, "verdict"),
        ("erase", None, {}, "kind"),
        ("undo", None, {}, "number of the row"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(kind: str, photo: str | None, body: dict[str, Any], said: str) -> None:
    with pytest.raises(LogError, match=said):
        checked(kind, body, photo, ["A1", "A2"])


def test_the_log_comes_back_in_order_on_either_database(store_url: str) -> None:
    store = Store.open(store_url, "first")
    body = {"antenna_id": "Ä-1", "seed_px": [0.1, 0.2]}
    store.append_log(who="Ines", site_id="S1", kind="pick", body=body, photo="a.jpg", digest="da")
    store.append_log(who="Jo", site_id="S2", kind="note", body={"note": "x"})
    other = Store.open(store_url, "second")
    assert other.log() == []
    rows = store.log()
    assert [(r.who, r.site_id, r.kind) for r in rows] == [("Ines", "S1", "pick"), ("Jo", "S2", "note")]
    assert (rows[0].body, rows[0].photo, rows[0].digest) == (body, "a.jpg", "da")
    assert store.log("S2") == rows[1:] == store.log(after=rows[0].log_id)
    assert standing_rows(rows)[1] == rows[1].log_id
    store.close()
    other.close()
