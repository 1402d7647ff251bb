"""An audit of the sample site, made once, and copies of it to work on."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from photoaz.cli import main
from photoaz.cli.desk import given_by
from photoaz.desk.app import make_app
from photoaz.desk.session import Desk
from photoaz.present.folder import StorePlace, open_store
from photoaz.sample import sample_dir

SITE = "QLB-014"
OWN = {"x-photoaz-desk": "1"}
#: the command, which looks up what other processes of the run worked out
REMEMBERED = Path(__file__).parents[1] / "remembered.py"
WHO = "Ines Example"
#: milliseconds that a slow machine may take for a solution
PATIENCE_MS = 90_000
#: photos of the sample site that the tests use: fewer are quicker
PHOTOS = ("qlb014_1.jpg", "qlb014_2.jpg", "qlb014_7.jpg", "qlb014_9.jpg")


def copied(audited: Path, to: Path) -> Path:
    """A folder of the audit's results in another, to be worked on."""
    out = to / "out"
    out.mkdir()
    for file in (audited / "out").glob("results.sqlite*"):
        shutil.copy(file, out / file.name)
    return out


def open_over(results: Path) -> Desk:
    """The desk over a folder of results."""
    store = open_store(results)
    return Desk(store, StorePlace.of(results).address, given_by(store, results), results)


@pytest.fixture(scope="session")
def audited(
    once: Callable[[str, Callable[[Path], object]], Path], remembering: Callable[[], AbstractContextManager[None]]
) -> Path:
    """A folder with `photos`, `register.csv` and `out`, an audit's results without pictures; to be looked at alone."""

    def audit(home: Path) -> None:
        (home / "photos").mkdir()
        for name in PHOTOS:
            shutil.copy(sample_dir() / name, home / "photos" / name)
        shutil.copy(sample_dir() / "register.csv", home / "register.csv")
        command = ["audit", str(home / "photos"), "--register", str(home / "register.csv"), "--out", str(home / "out")]
        with remembering():
            done = CliRunner().invoke(main, [*command, "--jobs", "1", "--overlays", "none", "--sheets", "none", "-q"])
        assert done.exit_code == 0, done.output

    return once("desk", audit)


@pytest.fixture(scope="module")
def one_desk(audited: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """A desk over the audit's results for all tests of a module that change nothing of it."""
    out = copied(audited, tmp_path_factory.mktemp("one"))
    with closing(open_over(out)) as desk:
        yield desk


@pytest.fixture
def results(audited: Path, tmp_path: Path) -> Path:
    """A copy of the audit's results, to be worked on; the photos stay where they are."""
    return copied(audited, tmp_path)


@pytest.fixture
def opened(results: Path) -> Iterator[Callable[[], Desk]]:
    """Opens the desk over the results; each time as after a restart."""
    desks: list[Desk] = []

    def open_desk() -> Desk:
        desks.append(open_over(results))
        return desks[-1]

    yield open_desk
    for desk in desks:
        desk.close()


# ---- what the page asks ----------------------------------------------------------------------------------------------


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


# ---- in a browser ----------------------------------------------------------------------------------------------------


@contextmanager
def _served(seen: Path, *arguments: Path | str) -> Iterator[str]:
    """The desk as its command serves it, what was seen before in its memory; ended as Ctrl-C ends it."""
    command = [sys.executable, REMEMBERED, seen, "desk", *arguments, "--port", "0", "--no-browser"]
    process = subprocess.Popen(list(map(str, command)), stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    said: list[str] = []
    found = None
    while found is None:
        said.append(process.stderr.readline())
        assert said[-1], "".join(said)  # it ended
        found = re.search(r"http://\S+", said[-1])
    try:
        yield found[0]
    finally:
        process.send_signal(signal.SIGINT)
        process.stderr.read()
        process.stderr.close()
        assert process.wait(30) == 0


@contextmanager
def _page_of(browser: Any, url: str, **more: Any) -> Iterator[Any]:
    """A page that fails the test on anything that the browser complains about, and on any request elsewhere."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True, **more)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    wrong: list[str] = []
    page.on("console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: wrong.append(str(e)))
    origin = url.split("?")[0].rstrip("/")
    page.on("request", lambda r: None if r.url.startswith((origin, "data:")) else wrong.append(r.url))
    page.goto(url)
    yield page
    context.close()
    assert wrong == []


def _dropped(page: Any, *photos: Path) -> None:
    """Photos are chosen, and the first is looked through for panels."""
    page.set_input_files('[data-key="files"]', list(photos))
    page.wait_for_selector('[data-key="this-0"]')


@pytest.fixture(scope="session")
def served(shared: Path) -> Callable[..., AbstractContextManager[str]]:
    """Serves the desk, given the command's arguments; its address."""
    return partial(_served, shared / "seen")


@pytest.fixture(scope="session")
def page_of() -> Callable[..., AbstractContextManager[Any]]:
    """Opens a page, given a browser and an address."""
    return _page_of


@pytest.fixture(scope="session")
def dropped() -> Callable[..., None]:
    """Drops photos on a page."""
    return _dropped
