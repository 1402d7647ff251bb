"""What tests share: what was seen in photos, a browser, and a stand-in for solving, which takes long."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import hypothesis
import pytest
from PIL import Image
from threadpoolctl import threadpool_limits

import photoaz.estimate.pipeline
from photoaz.estimate.inputs import SiteInputs, Tools
from photoaz.result import SiteResult
from photoaz.sample import sample_dir, sample_photos

from .remembered import remembered

# a machine with other work to do is no fault
hypothesis.settings.register_profile("photoaz", deadline=None)
hypothesis.settings.load_profile("photoaz")
if "PYTEST_XDIST_WORKER" in os.environ:
    # there is a process for each core: threads of theirs would be in each other's way
    cv2.setNumThreads(1)
    threadpool_limits(1)


#: files that take longest, which are begun first: a process that comes to one when the others are done is waited for
LONGEST = (
    "judgement/test_causes.py",
    "accuracy/test_calibration.py",
    "desk/test_browser.py",
    "estimate/test_solve.py",
    "desk/test_acts.py",
    "audit/test_audit.py",
    "desk/test_browser_looks.py",
    "vision/test_training_heads.py",
    "test_docs.py",
    "naming/test_assign.py",
    "desk/test_hostile_requests.py",
    "photo/test_hostile_photos.py",
    "present/pages/test_long_names.py",
    "vision/test_fit_repeats.py",
    "network/test_posterior.py",
    "audit/test_any_order.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Longest files first, the others in their order."""
    rank = {Path(__file__).parent / name: k for k, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path, len(rank)))


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


# ---- made once for all processes of a run --------------------------------------------------------------------------


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that all processes of this run have in common."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture(scope="session")
def once(shared: Path) -> Callable[[str, Callable[[Path], object]], Path]:
    """The folder of a name, filled by whichever process comes first; nobody writes into it after that."""

    def made(name: str, make: Callable[[Path], object]) -> Path:
        folder, done = shared / name, shared / f"{name}.done"
        # the others wait: SQLite's lock is one on every system
        with closing(sqlite3.connect(shared / f"{name}.lock", timeout=600.0, isolation_level=None)) as lock:
            lock.execute("BEGIN EXCLUSIVE")
            if not done.exists():
                shutil.rmtree(folder, ignore_errors=True)
                folder.mkdir()
                make(folder)
                done.touch()
        return folder

    return made


@pytest.fixture(scope="session")
def small_photos(once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    """A folder of the sample's photos with a sixteenth of their pixels, for tests that solve none of them."""

    def made(folder: Path) -> None:
        for source in sample_photos(sample_dir()):
            with Image.open(source) as photo:
                exif, size = photo.info["exif"], (photo.width // 4, photo.height // 4)
                photo.draft("RGB", size)
                photo.resize(size).save(folder / source.name, exif=exif)

    return once("small_photos", made)


@pytest.fixture(scope="session")
def remembering(shared: Path) -> Callable[[], AbstractContextManager[None]]:
    """While it is entered, what was worked out before in this run of the tests is looked up: see `remembered`.

    For tests that solve photos, but are not about how; not for those that change a part of what it looks up.
    """
    return lambda: remembered(shared / "seen")


@pytest.fixture(scope="module")
def seen_before(remembering: Callable[[], AbstractContextManager[None]]) -> Iterator[None]:
    """`remembering`, for all tests of a module."""
    with remembering():
        yield


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
