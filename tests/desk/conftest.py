"""An audit of the sample site, made once, and copies of it to work on."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
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


@pytest.fixture(scope="session")
def audited(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `photos`, `register.csv` and `out`, an audit's results without pictures."""
    home = tmp_path_factory.mktemp("desk")
    (home / "photos").mkdir()
    for name in PHOTOS:
        shutil.copy(sample_dir() / name, home / "photos" / name)
    shutil.copy(sample_dir() / "register.csv", home / "register.csv")
    command = ["audit", str(home / "photos"), "--register", str(home / "register.csv"), "--out", str(home / "out")]
    done = CliRunner().invoke(main, [*command, "--jobs", "1", "--overlays", "none", "--sheets", "none", "-q"])
    assert done.exit_code == 0, done.output
    return home


@pytest.fixture
def results(audited: Path, tmp_path: Path) -> Path:
    """A copy of the audit's results, to be worked on; the photos stay where they are."""
    out = tmp_path / "out"
    out.mkdir()
    for file in (audited / "out").glob("results.sqlite*"):
        shutil.copy(file, out / file.name)
    return out


@pytest.fixture
def opened(results: Path) -> Iterator[Callable[[], Desk]]:
    """Opens the desk over the results; each time as after a restart."""
    desks: list[Desk] = []

    def open_desk() -> Desk:
        store = open_store(results)
        desks.append(Desk(store, StorePlace.of(results).address, given_by(store, results), results))
        return desks[-1]

    yield open_desk
    for desk in desks:
        desk.close()
