"""An audit of the sample site, made once, and copies of it to work on."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from photoaz.cli import main
from photoaz.cli.desk import given_by
from photoaz.desk.session import Desk
from photoaz.present.folder import StorePlace, open_store
from photoaz.sample import sample_dir

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
