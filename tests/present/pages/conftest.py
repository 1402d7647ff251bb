"""Documents of invented sites, and a browser to open pages with."""

from __future__ import annotations

import copy
import shutil
from datetime import UTC, datetime

import pytest

from photoaz.judgement.impact import with_site_impact
from photoaz.present.pages import ReportAbout, ReportInput
from photoaz.result import estimates_document

WHEN = datetime(2026, 5, 20, 9, 30, tzinfo=UTC)
CHROMIUM = next((c for n in ("chromium", "chromium-browser", "google-chrome") if (c := shutil.which(n))), None)


@pytest.fixture
def document(site, solution, judgements):
    """A site's document as an audit keeps it: four antennas, two photos, two visits, one turn."""
    judged = with_site_impact(site, solution, judgements)
    made = estimates_document([(site, solution, judged)], WHEN)["sites"][0]
    made["photos"][0]["overlay"] = "overlays/north gate.png"
    made["photos"][1]["overlay"] = None
    made["antennas"][0]["sheet"] = "sheets/HNT-204-A1.html"
    made["audit"] = {
        "photos": 3,
        "used": 1,
        "flags": [
            {"photo": "photos/field.jpg", "code": "edited", "message": "its software tag names an editor"},
            {"photo": "photos/gone.jpg", "code": "duplicate", "message": "the same picture as north_gate.jpg"},
        ],
    }
    made["visits"] = [
        {
            "from": f"{year}-05-02",
            "to": f"{year}-05-02",
            "photos": ["photos/north_gate.jpg"],
            "antennas": [
                {"antenna_id": "HNT-204-A1", "azimuth_true_deg": azimuth, "u95_deg": 3.0, "reading_date": None},
                {"antenna_id": "HNT-204-A2", "azimuth_true_deg": None, "u95_deg": None, "reading_date": "2019-01-31"},
            ],
        }
        for year, azimuth in ((2019, 112.6), (2023, 124.6))
    ]
    made["turns"] = [
        {
            "antenna_id": "HNT-204-A1",
            "from": "2019-05-02",
            "to": "2023-05-02",
            "change_deg": 12.0,
            "u95_deg": 4.2,
            "en": 2.8,
            "p": 1e-6,
            "sentence": "HNT-204-A1 turned by +12.0° ± 4.2° between 2019-05-02 and 2023-05-02",
        }
    ]
    return made


@pytest.fixture
def about():
    return ReportAbout(
        created=WHEN,
        command="photoaz audit photos --register register.csv --out results",
        libraries={"numpy": "2.2.1"},
        parameters={"risk": 0.05},
        inputs=[ReportInput(role="register", name="register.csv", sha256="0f" * 32)],
        counts={"listed": 9, "used": 6, "rejected": 1, "failed": 1, "duplicates": 1},
        failures=[("photos/odd.jpg", "no position in its metadata")],
    )


@pytest.fixture
def variants(document):
    """Many sites from the one, by program: calm ones, wrong readings, undecided and unseen ones, round a middle."""

    def calm(antenna):
        antenna["status"] = "estimated"
        antenna["azimuth_true_deg"], antenna["u95_deg"] = 120.5, 1.5
        antenna["design"] |= {"decision": "accept", "deviation_deg": 0.5, "p_out_of_tolerance": 0.001}
        if antenna["reading"]:
            antenna["reading"] |= {"agrees": True, "likely_cause": None, "en": 0.3, "difference_deg": 0.4}

    def make(n):
        for k in range(n):
            one = copy.deepcopy(document)
            one["site_id"] = f"FLD-{k:04d}"
            one["lat_deg"] += 0.01 * (k % 37)
            one["lon_deg"] += 0.013 * (k // 37)
            one["turns"], one["visits"] = [], []
            for antenna in one["antennas"]:
                antenna["antenna_id"] = antenna["antenna_id"].replace("HNT-204", one["site_id"])
                calm(antenna)
            first = one["antennas"][0]
            kind = k % 5
            one["revisit"] |= {
                "antennas": [],
                "loss_avoided": 0.0,
                "expected_loss_now": 0.0,
                "trip": False,
                "cost": 0.0,
            }
            if kind == 1:
                first["reading"] |= {
                    "agrees": False,
                    "likely_cause": "declination_omitted",
                    "cause_odds": 9.0,
                    "en": 6.0,
                }
            elif kind == 2:
                first["design"] |= {"decision": "reject", "deviation_deg": 14.0, "p_out_of_tolerance": 0.9999}
                one["revisit"] |= {
                    "loss_avoided": 100.0 + k,
                    "expected_loss_now": 400.0,
                    "trip": True,
                    "cost": 40.0,
                    "antennas": [
                        {
                            "rank": 1,
                            "antenna_id": first["antenna_id"],
                            "action": "climb",
                            "instruction": "climb: measure it",
                            "reasons": ["out of tolerance by 14°"],
                            "bring": "a climbing crew",
                            "where": {"words": "the tower", "lat_deg": None, "lon_deg": None},
                            "figures": "expected loss 400 now",
                            "p_out_of_tolerance": 0.9999,
                            "u95_then_deg": None,
                            "loss_avoided": 100.0 + k,
                        }
                    ],
                }
            elif kind == 3:
                first["design"]["decision"] = "undecided"
            elif kind == 4:
                first |= {"status": "not_found", "azimuth_true_deg": None, "u95_deg": None}
                first["design"]["deviation_deg"] = None
            yield one

    return make


@pytest.fixture(scope="session")
def browser():
    if CHROMIUM is None:
        pytest.skip("needs chromium")
    playwright = pytest.importorskip("playwright.sync_api", reason="needs chromium")
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def pages(browser):
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
