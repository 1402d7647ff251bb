"""What tests share: a browser, and a stand-in for the solving of photos, which takes long and is tested elsewhere."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import hypothesis
import pytest
from threadpoolctl import threadpool_limits

import photoaz.estimate.pipeline
from photoaz.estimate.inputs import SiteInputs, Tools
from photoaz.result import SiteResult

# a machine with other work to do is no fault
hypothesis.settings.register_profile("photoaz", deadline=None)
hypothesis.settings.load_profile("photoaz")
if "PYTEST_XDIST_WORKER" in os.environ:
    # there is a process for each core: threads of theirs would be in each other's way
    cv2.setNumThreads(1)
    threadpool_limits(1)


@dataclass(frozen=True, slots=True)
class Told:
    """A solved site of which somebody else says what it is."""

    told: SiteResult

    def result(self, *, outlook: bool = True) -> SiteResult:
        """As told."""
        del outlook
        return self.told


def stand_in(patch: pytest.MonkeyPatch, solve: Callable[[SiteInputs, Tools], SiteResult]) -> None:
    """Let `solve` say what a site's photos tell, in this process."""

    def solve_site(given: SiteInputs, tools: Tools | None = None) -> Any:
        return Told(solve(given, tools or Tools()))

    patch.setattr(photoaz.estimate.pipeline, "solve_site", solve_site)


@pytest.fixture(scope="session")
def solver_stands_in() -> Callable[[pytest.MonkeyPatch, Callable[[SiteInputs, Tools], SiteResult]], None]:
    """`stand_in`, for tests that cannot import it."""
    return stand_in


# ---- a browser -------------------------------------------------------------------------------------------------------

CHROMIUM = next((c for n in ("chromium", "chromium-browser", "google-chrome") if (c := shutil.which(n))), None)
#: family and a file of it: letters of the first are a fifth wider than those of the second
FONTS = {"DejaVu Sans": "DejaVuSans.ttf", "Liberation Sans": "LiberationSans-Regular.ttf"}
FONTCONFIG = """<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "fonts.dtd">
<fontconfig><dir>{fonts}</dir><cachedir>{cache}</cachedir></fontconfig>
"""


@pytest.fixture(scope="module")
def start_browser() -> Iterator[Callable[..., Any]]:
    """Starts chromium, with more in its environment; all are closed when the module's tests are done."""
    if CHROMIUM is None:
        pytest.skip("no chromium is installed")
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright to drive chromium")
    with playwright.sync_playwright() as driver:
        started = []

        def start(**environment: str) -> Any:
            more = {"env": os.environ | environment} if environment else {}
            started.append(driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"], **more))
            return started[-1]

        yield start
        for browser in started:
            browser.close()


@pytest.fixture(scope="module")
def browser(start_browser: Callable[..., Any]) -> Any:
    """Chromium with the fonts that this machine has."""
    return start_browser()


@pytest.fixture(scope="module", params=FONTS)
def browser_of_font(
    start_browser: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Any:
    """Chromium on a machine that has one family of fonts and no other: for tests that measure pages."""
    file = next(Path("/usr/share/fonts").rglob(FONTS[request.param]), None)
    if file is None:
        pytest.skip(f"the font {request.param} is not installed")
    home = tmp_path_factory.mktemp("fonts")
    settings = home / "fonts.conf"
    settings.write_text(FONTCONFIG.format(fonts=file.parent, cache=home / "cache"), encoding="utf-8")
    return start_browser(FONTCONFIG_FILE=str(settings))
