"""Results of invented sites, and a browser to open pages with."""

from __future__ import annotations

import random
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from photoaz.present.pages import ReportAbout
from photoaz.result import (
    AntennaResult,
    AuditNotes,
    ById,
    CommonMode,
    Design,
    EvidenceView,
    FileFlag,
    JudgedReading,
    PhotoResult,
    Revisit,
    RevisitItem,
    SiteResult,
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


@pytest.fixture(scope="session")
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


@pytest.fixture(scope="session")
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


@pytest.fixture(scope="session")
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


def campaign_site(k: int, rng: random.Random) -> SiteResult:
    """A site of six antennas; those read in June 2019 lack the declination of -12 degrees."""
    day = date(2018 + k % 5, 1 + (7 * k) % 12, 3 + k % 20)
    campaign = (day.year, day.month) == (2019, 6)
    name = f"OAK-{k:03d}"
    view = EvidenceView(photo=f"{name}/a.jpg", view="oblique", corners_px=(), yaw_deg=4.0, width_px=40.0, quality=0.9)
    antennas = []
    for j in range(6):
        design = 120.0 * (j // 2)
        off = rng.gauss(0.0, 1.4) + (rng.uniform(8.0, 20.0) if rng.random() < 0.04 else 0.0)
        fault = (-12.0 if campaign else 0.0) + (rng.choice([90.0, 15.0]) if rng.random() < 0.02 else 0.0)
        difference = fault + rng.gauss(0.0, 1.3)
        azimuth = (design + off) % 360.0
        agrees = abs(difference) < 4.0
        read = rng.random() < 0.9
        seen = rng.random() < 0.94
        reading = JudgedReading(
            azimuth_true_deg=(azimuth - difference) % 360.0,
            u95_deg=2.0,
            difference_deg=difference if seen else None,
            en=abs(difference) / 2.8 if seen else None,
            agrees=agrees if seen else None,
            likely_cause=None if agrees or not seen else "declination_omitted" if campaign else "reading_wrong",
            cause_odds=None if agrees or not seen else 12.0,
            departure_deg=-rng.gauss(0.0, 1.2),
            read_on=day,
        )
        decision = "reject" if abs(off) > 7 else "undecided" if abs(off) > 3.5 else "accept"
        antennas.append(
            AntennaResult(
                antenna_id=f"{name}-{'ABC'[j // 2]}{j % 2 + 1}",
                status="estimated" if seen else rng.choice(["not_found", "not_visible"]),
                sector="ABC"[j // 2],
                position=j % 2 + 1,
                azimuth_true_deg=azimuth if seen else None,
                u95_deg=2.4 if seen else None,
                evidence=(view,) if seen else (),
                reading=reading if read else None,
                design=Design(
                    azimuth_true_deg=design,
                    deviation_deg=off if seen else None,
                    p_out_of_tolerance=0.01 if seen else None,
                    decision=decision if seen else "undecided",
                ),
                revisit=(read and seen and not agrees) or (seen and decision == "reject"),
            )
        )
    todo = [a for a in antennas if a.revisit]

    def item(a: AntennaResult) -> RevisitItem:
        name, up = a.antenna_id, a.design.decision == "reject"
        corrected = f"corrected, that of {name} is {a.azimuth_true_deg:.1f}° ± 2.0° true"
        many = f"correct the {len(todo)} readings in the register, no visit needed: declination left out; {corrected}"
        aim = f"climb: measure {name}, and turn it to {a.design.azimuth_true_deg:.1f}° true if it is out"
        return RevisitItem(
            antenna_id=name,
            action="climb" if up else "correct_register",
            instruction=aim if up else many,
            reasons=("out of tolerance",) if up else ("likely cause: declination left out",),
            expected_loss_now=400.0,
            expected_loss_after=30.0,
            cost=40.0,
            loss_avoided=330.0,
            figures="expected loss 400 now, 30 after, cost 40 (units)",
        )

    items = tuple(item(a) for a in todo)
    common = CommonMode(
        angle_deg=12.0 if campaign else rng.gauss(0.0, 0.6),
        u95_deg=1.2,
        n=6,
        chi2=4.0,
        dof=5,
        p=0.5,
        consistent=True,
        separable=True,
        left_out=(),
        sentence="No shared offset.",
    )
    loss = 330.0 * len(items)
    return SiteResult(
        site_id=name,
        lat_deg=46.6 + rng.uniform(-0.4, 0.4),
        lon_deg=-66.4 + rng.uniform(-0.8, 0.8),
        common_mode=common,
        antennas=ById(antennas),
        photos=ById([PhotoResult(photo=f"{name}/a.jpg", status="used", taken=date(2025, 4 + k % 6, 9))]),
        revisit=Revisit(
            sentence="one visit", trip=bool(items), loss_avoided=loss, expected_loss_now=loss, antennas=items
        ),
    )


@pytest.fixture(scope="session")
def campaigns():
    """Sites of an archive, one campaign of whose readings lacks the declination."""
    rng = random.Random(5)  # any will do
    return [campaign_site(k, rng) for k in range(60)]
