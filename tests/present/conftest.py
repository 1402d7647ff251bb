"""An invented site, solved: what documents, tables and pictures are made from."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pytest

from photoaz.judgement.impact import with_site_impact
from photoaz.judgement.judge import judge_antenna
from photoaz.judgement.revisit import plan_site
from photoaz.register.model import Antenna, DowntiltReading, Reading, Site
from photoaz.result import (
    Alternative,
    AntennaResult,
    BudgetShare,
    ById,
    EvidenceView,
    MissingView,
    NamedPanel,
    PhotoResult,
    SiteResult,
    Turn,
)

DAY = date(2026, 5, 2)


def antenna(antenna_id, design_azimuth_deg, **fields):
    return Antenna(antenna_id=antenna_id, rad_center_m=30.0, design_azimuth_deg=design_azimuth_deg, **fields)


def evidence(photo, view, **fields):
    given = {
        "corners_px": ((100.0, 80.0), (140.0, 82.0), (141.0, 280.25), (101.0, 279.0)),
        "outline_px": ((98.0, 79.0), (148.0, 81.0), (149.0, 286.0), (99.0, 284.0)),
        "inner_px": (((140.0, 82.0), (141.0, 280.0)),),
        "width_px": 42.344,
        "yaw_deg": 5.0,
        "quality": 0.931,
    }
    return EvidenceView(photo=photo, view=view, **(given | fields))


def panel(left, top, antenna_id=None, **fields):
    """A panel found, 40 px wide and 200 px high, as its box's eight corners."""
    front = ((left, top), (left + 34.0, top + 2.0), (left + 34.0, top + 196.0), (left, top + 194.0))
    given = {
        "corners_px": front + tuple((x + 6.0, y + 4.0) for x, y in front),
        "probability": 0.8712,
        "front": True,
        "name_probability": 0.93444,
    }
    return NamedPanel(antenna_id=antenna_id, **(given | fields))


@pytest.fixture(scope="session")
def found(solution):
    """The same site, its panels found by themselves: A1 sure, A2 not, C1 by a pick, one of none; B1 not found."""
    a1, a2, b1, c1 = solution.antennas
    used, rejected = solution.photos
    name = used.photo

    def named(antenna, **fields):
        views = tuple(replace(v, **fields) if v.photo == name else v for v in antenna.evidence)
        return replace(antenna, evidence=views)

    used = replace(
        used,
        window_px=(20.0, 10.0, 620.0, 470.0),
        panels=(
            panel(98.0, 79.0, "HNT-204-A1", reasons=("right of two in sector A from the front",)),
            panel(
                98.0, 79.0, "HNT-204-A2", name_probability=0.62, reasons=("HNT-204-A2 (62 %), or HNT-204-A1 (36 %)",)
            ),
            panel(300.0, 120.0, None, name_probability=0.8, front=False, reasons=("fits no antenna of the register",)),
        ),
    )
    b1 = replace(
        b1,
        status="not_found",
        missing=(
            MissingView(
                photo=name,
                status="not_found",
                reason="should show its front within 30 px of (480, 200)",
                pixel=(480.0, 200.0),
                radius_px=30.0,
                size_px=(40.0, 190.5),
            ),
            MissingView(photo=rejected.photo, status="not_visible", reason="out of the frame"),
        ),
        remarks=(
            "north_gate.jpg: should show its front within 30 px of (480, 200)",
            "field.jpg: out of the frame",
        ),
    )
    rejected = replace(rejected, window_px=(0.0, 0.0, 640.0, 400.0), panels=(panel(300.0, 120.0, "HNT-204-A1"),))
    return replace(
        solution,
        photos=ById((used, rejected)),
        antennas=ById(
            (
                named(a1, name_probability=0.99761),
                named(replace(a2, evidence=a2.evidence[:1]), name_probability=0.62),
                b1,
                named(c1, from_pick=True),
            )
        ),
    )


@pytest.fixture(scope="session")
def site():
    return Site(
        site_id="HNT-204",
        lat_deg=46.6,
        lon_deg=-66.4,
        antennas=(
            antenna(
                "HNT-204-A1",
                120.0,
                sector="A",
                position=1,
                reading=Reading(azimuth_deg=118.0, north="true", u95_deg=2.0),
                downtilt_reading=DowntiltReading(downtilt_deg=2.0, u95_deg=0.5),
                extra={"owner": "hill farm"},
            ),
            antenna("HNT-204-A2", 120.0, reading=Reading(azimuth_deg=136.0, north="magnetic", u95_deg=2.0, date=DAY)),
            antenna("HNT-204-B1", 240.0),
            antenna("HNT-204-C1", 0.0, tolerance_deg=3.0),
        ),
    )


@pytest.fixture(scope="session")
def solution():
    budget = (
        BudgetShare(source="camera compass", share=0.61, u95_deg=3.16),
        BudgetShare(source="edges in the photo", share=0.39, u95_deg=2.52),
    )
    return SiteResult(
        site_id="HNT-204",
        lat_deg=46.6,
        lon_deg=-66.4,
        declination_deg=-16.18,
        declination_u95_deg=0.75,
        photos=ById(
            (
                PhotoResult(
                    photo="photos/north_gate.jpg",
                    status="used",
                    heading_true_deg=301.24,
                    heading_u95_deg=4.1,
                    pitch_deg=31.2,
                    roll_deg=-0.44,
                    lat_deg=46.6004,
                    lon_deg=-66.3992,
                    flags=("compass disturbed by 23 deg",),
                ),
                PhotoResult(photo="photos/field.jpg", status="rejected", reason="no focal length and no calibration"),
            )
        ),
        antennas=ById(
            (
                AntennaResult(
                    antenna_id="HNT-204-A1",
                    status="estimated",
                    azimuth_true_deg=124.6204,
                    u95_deg=4.03,
                    downtilt_deg=2.1,
                    downtilt_u95_deg=1.1,
                    roll_deg=0.1,
                    roll_u95_deg=0.9,
                    evidence=(evidence("photos/north_gate.jpg", "face"),),
                    budget=budget,
                ),
                AntennaResult(
                    antenna_id="HNT-204-A2",
                    status="ambiguous",
                    azimuth_true_deg=139.62,
                    u95_deg=4.03,
                    alternatives=(Alternative(azimuth_true_deg=110.0, u95_deg=4.0, probability=0.2),),
                    evidence=(
                        evidence("photos/north_gate.jpg", "oblique", yaw_deg=-20.0),
                        evidence("photos/field.jpg", "oblique"),
                    ),
                    budget=budget,
                    remarks=("the outline fits in more than one way",),
                ),
                AntennaResult(antenna_id="HNT-204-B1", status="not_visible"),
                AntennaResult(
                    antenna_id="HNT-204-C1",
                    status="estimated",
                    azimuth_true_deg=359.99961,
                    u95_deg=1.2,
                    evidence=(evidence("photos/north_gate.jpg", "rear", yaw_deg=178.0),),
                    budget=budget,
                ),
            )
        ),
    )


@pytest.fixture(scope="session")
def turn():
    """A turn of an antenna seen between two visits, by its id."""

    def made(antenna_id, **fields):
        given = {
            "from_": date(2019, 5, 2),
            "to": date(2023, 5, 2),
            "change_deg": 12.0,
            "u95_deg": 4.2,
            "en": 2.8,
            "p": 1e-6,
            "own": True,
            "turned": True,
            "sentence": f"{antenna_id} turned by +12.0° ± 4.2° between 2019-05-02 and 2023-05-02",
        }
        return Turn(antenna_id=antenna_id, **(given | fields))

    return made


@pytest.fixture(scope="session")
def judge():
    """Holds every antenna against its own reading and design, not against the whole site's; then what follows."""

    def judged(site, result):
        register = {a.antenna_id: a for a in site.antennas}
        antennas = ById(judge_antenna(register[a.antenna_id], site, a, DAY) for a in result.antennas)
        result = with_site_impact(site, replace(result, antennas=antennas))
        return replace(result, revisit=plan_site(site, result))

    return judged


@pytest.fixture(scope="session")
def judged(judge, site, solution):
    return judge(site, solution)


@pytest.fixture(scope="session")
def found_judged(judge, site, found):
    return judge(site, found)


#: names of 1 to 500 characters, with blanks or without
NAMES = {
    "one": "W",
    "44": "N" * 44,
    "500 without a blank": "W" * 500,
    "500 with blanks": "north face upper row " * 24,
    "500 of another script": "塔" * 500,
    "right to left": "مبنى" * 100,
    "lines": "a\nb\tc\r\n" * 60,
    "marks": "é" * 200,
    "pictures": "📡" * 100,
}


@pytest.fixture(params=NAMES.values(), ids=NAMES)
def long_name(request: pytest.FixtureRequest) -> str:
    return request.param


def with_names(result: SiteResult, name: str) -> SiteResult:
    """Every antenna's id is the name with a digit, and the site's is the name."""
    text = json.dumps(result.document())
    for k, antenna in enumerate(result.antennas):
        text = text.replace(json.dumps(antenna.antenna_id)[1:-1], json.dumps(f"{name}{k}")[1:-1])
    text = text.replace("HNT-204", json.dumps(name)[1:-1])
    return SiteResult.from_document(json.loads(text))


@pytest.fixture
def renamed():
    """A result whose antennas and site are called by a name: `with_names`."""
    return with_names
