"""Results of invented sites, and a browser to open pages with."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from photoaz.present.pages import ReportAbout
from photoaz.result import (
    AuditNotes,
    ById,
    FileFlag,
    Revisit,
    RevisitItem,
    VisitAzimuth,
    VisitResult,
    Where,
)

WHEN = datetime(2026, 5, 20, 9, 30, tzinfo=UTC)


def visit(year, azimuth):
    return VisitResult(
        from_=date(year, 5, 2),
        to=date(year, 5, 2),
        photos=("photos/north_gate.jpg",),
        antennas=(
            VisitAzimuth(antenna_id="HNT-204-A1", azimuth_true_deg=azimuth, u95_deg=3.0),
            VisitAzimuth(antenna_id="HNT-204-A2", azimuth_true_deg=140.0, u95_deg=None, reading_date=date(2019, 1, 31)),
        ),
    )


@pytest.fixture
def result(judged, turn):
    """A site's result as an audit keeps it: four antennas, two photos, two visits, one turn."""
    (used, rejected), (a1, *others) = judged.photos, judged.antennas
    flags = (
        FileFlag(photo="photos/field.jpg", code="edited", severity="doubt", message="its software tag names an editor"),
        FileFlag(
            photo="photos/gone.jpg", code="duplicate", severity="note", message="the same picture as north_gate.jpg"
        ),
    )
    return replace(
        judged,
        photos=ById((replace(used, overlay="overlays/north gate.png"), rejected)),
        antennas=ById((replace(a1, sheet="sheets/HNT-204-A1.html", register_extra={"owner": "hill farm"}), *others)),
        audit=AuditNotes(photos=3, used=1, flags=flags),
        visits=(visit(2019, 112.6), visit(2023, 124.6)),
        turns=(turn("HNT-204-A1"),),
    )


@pytest.fixture
def about():
    return ReportAbout(
        created=WHEN,
        command="photoaz audit photos --register register.csv --out results",
        libraries={"numpy": "2.2.1"},
        parameters={"risk": 0.05},
        inputs=[{"role": "register", "name": "register.csv", "sha256": "0f" * 32}],
        counts={"listed": 9, "used": 6, "rejected": 1, "failed": 1, "duplicates": 1},
        failures=[("photos/odd.jpg", "no position in its metadata")],
    )


def calm(antenna, name):
    """Within tolerance, and agreeing with its reading."""
    reading = antenna.reading
    if reading is not None:
        reading = replace(reading, agrees=True, likely_cause=None, en=0.3, difference_deg=0.4)
    design = replace(antenna.design, decision="accept", deviation_deg=0.5, p_out_of_tolerance=0.001)
    return replace(
        antenna,
        antenna_id=name,
        status="estimated",
        azimuth_true_deg=120.5,
        u95_deg=1.5,
        design=design,
        reading=reading,
    )


def to_climb(name, avoided):
    item = RevisitItem(
        antenna_id=name,
        action="climb",
        instruction="climb: measure it",
        reasons=("out of tolerance by 14°",),
        expected_loss_now=400.0,
        expected_loss_after=300.0 - avoided,
        cost=40.0,
        loss_avoided=avoided,
        figures="expected loss 400 now",
        bring="a climbing crew",
        where=Where(words="the tower"),
        p_out_of_tolerance=0.9999,
    )
    return Revisit(
        sentence="one visit", trip=True, expected_loss_now=400.0, cost=40.0, loss_avoided=avoided, antennas=(item,)
    )


@pytest.fixture
def variants(result):
    """Many sites from the one, by program: calm ones, wrong readings, undecided and unseen ones, round a middle."""

    def one(k):
        name = f"FLD-{k:04d}"
        first, *rest = (calm(a, a.antenna_id.replace("HNT-204", name)) for a in result.antennas)
        revisit = Revisit(sentence="nothing is to be done")
        kind = k % 5
        if kind == 1:
            reading = replace(first.reading, agrees=False, likely_cause="declination_omitted", cause_odds=9.0, en=6.0)
            first = replace(first, reading=reading)
        elif kind == 2:
            design = replace(first.design, decision="reject", deviation_deg=14.0, p_out_of_tolerance=0.9999)
            first, revisit = replace(first, design=design), to_climb(first.antenna_id, 100.0 + k)
        elif kind == 3:
            first = replace(first, design=replace(first.design, decision="undecided"))
        elif kind == 4:
            design = replace(first.design, deviation_deg=None)
            first = replace(first, status="not_found", azimuth_true_deg=None, u95_deg=None, design=design)
        return replace(
            result,
            site_id=name,
            lat_deg=result.lat_deg + 0.01 * (k % 37),
            lon_deg=result.lon_deg + 0.013 * (k // 37),
            turns=(),
            visits=(),
            antennas=ById((first, *rest)),
            revisit=revisit,
        )

    return lambda n: (one(k) for k in range(n))


@contextmanager
def tabs(browser):
    """Opens new tabs, each as of another visitor; every request and every complaint is kept."""
    contexts = []

    def tab(**options):
        contexts.append(browser.new_context(viewport={"width": 1280, "height": 900}, **options))
        page = contexts[-1].new_page()
        page.asked, page.complaints = [], []
        page.on("request", lambda r: page.asked.append(r.url))
        page.on("pageerror", lambda e: page.complaints.append(str(e)))
        page.on("dialog", lambda d: (page.complaints.append(d.message), d.dismiss()))
        page.on("console", lambda m: m.type == "error" and page.complaints.append(m.text))
        return page

    yield tab
    for context in contexts:
        context.close()


@pytest.fixture
def pages(browser):
    with tabs(browser) as tab:
        yield tab


@pytest.fixture
def pages_of_font(browser_of_font):
    """The same where one family of fonts is installed, for tests that measure."""
    with tabs(browser_of_font) as tab:
        yield tab
