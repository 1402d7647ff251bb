"""Time to write the report's pages and to open the index of 1000 and of 10 000 sites in a browser.

Opened means: laid out and painted, with the script ready. Figures are printed: run with -s or -rP.
"""

from __future__ import annotations

import random
import shutil
import statistics
import time
from datetime import UTC, datetime

import pytest

from photoaz.present.pages import ReportAbout, write_report
from photoaz.result import SiteResult

pytestmark = pytest.mark.benchmark

CHROMIUM = next((c for n in ("chromium", "chromium-browser", "google-chrome") if (c := shutil.which(n))), None)
# from the beginning of the navigation to the task after the first frame after loading
OPENED = """addEventListener("load", () => requestAnimationFrame(() => setTimeout(() => {
  document.documentElement.dataset.opened = performance.now();
}, 0)));"""
#: seconds to open an index of 1000 sites
AIM_S = 1.0


def sites(n):
    """Invented sites of six antennas and nine photos each, spread over some hundred kilometres."""
    rng = random.Random(7)
    for k in range(n):
        antennas = []
        for j in range(6):
            design, off = 120.0 * (j // 2), rng.gauss(0.0, 2.0) + (12.0 if rng.random() < 0.02 else 0.0)
            wrong = rng.random() < 0.03
            decision = "accept" if abs(off) < 3.5 else "reject" if abs(off) > 7.0 else "undecided"
            antennas.append(
                {
                    "antenna_id": f"BNC-{k:05d}-{'ABC'[j // 2]}{j % 2 + 1}",
                    "sector": "ABC"[j // 2],
                    "position": j % 2 + 1,
                    "status": "estimated",
                    "azimuth_true_deg": (design + off) % 360.0,
                    "u95_deg": 1.8,
                    "budget": [{"source": f"source {i}", "share": 0.1, "u95_deg": 0.5} for i in range(10)],
                    "evidence": [
                        {
                            "photo": f"p{i}.jpg",
                            "view": "face",
                            "corners_px": [],
                            "width_px": 40.0,
                            "yaw_deg": 5.0,
                            "quality": 0.9,
                        }
                        for i in range(5)
                    ],
                    "reading": {
                        "azimuth_true_deg": design,
                        "u95_deg": 2.0,
                        "difference_deg": off,
                        "en": abs(off) / 2.7,
                        "agrees": not wrong,
                        "likely_cause": "declination_omitted" if wrong else None,
                        "cause_odds": 9.0 if wrong else None,
                    },
                    "design": {
                        "azimuth_true_deg": design,
                        "tolerance_deg": 5.0,
                        "deviation_deg": off,
                        "p_out_of_tolerance": 0.01,
                        "decision": decision,
                    },
                    "reasons": ["The reading agrees with the photos, within what the two uncertainties allow."] * 4,
                }
            )
        made = {
            "site_id": f"BNC-{k:05d}",
            "lat_deg": 46.0 + rng.gauss(0.0, 1.0),
            "lon_deg": -66.0 + rng.gauss(0.0, 1.5),
            "photos": [{"photo": f"p{i}.jpg", "status": "used", "heading_true_deg": 40.0 * i} for i in range(9)],
            "antennas": antennas,
            "revisit": {"sentence": "nothing", "loss_avoided": round(rng.expovariate(0.01)), "antennas": []},
        }
        yield SiteResult.from_document(made)


@pytest.mark.skipif(CHROMIUM is None, reason="needs chromium")
@pytest.mark.parametrize("n", [1000, 10_000])
def test_opening_the_index(n, tmp_path):
    playwright = pytest.importorskip("playwright.sync_api", reason="needs chromium")
    about = ReportAbout(created=datetime(2026, 5, 20, tzinfo=UTC), command="photoaz audit photos --out results")
    start = time.perf_counter()
    index = write_report(tmp_path, sites(n), about)
    wrote = time.perf_counter() - start
    times = []
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        for _ in range(7):
            page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
            page.add_init_script(OPENED)
            page.goto(index.as_uri())
            page.wait_for_selector("html[data-opened]")
            times.append(float(page.get_attribute("html", "data-opened")) / 1000.0)
            page.context.close()
        browser.close()
    size = index.stat().st_size / 1e6
    print(
        f"\n{n} sites: written in {wrote:.1f} s ({1000.0 * wrote / n:.1f} ms each); index of {size:.2f} MB opens in "
        f"{statistics.median(times):.2f} s (median of {len(times)}, {min(times):.2f} to {max(times):.2f})"
    )
    if n == 1000:
        assert statistics.median(times) < AIM_S
