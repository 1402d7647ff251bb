"""A PostgreSQL server of the tests' own, where the programs for one are installed, and a stand-in for the solver."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from photoaz.estimate.inputs import SiteInputs
from photoaz.result import AntennaResult, AzimuthCovariance, ById, PhotoResult, SiteResult

NO_SERVER = "no PostgreSQL server is installed (initdb, pg_ctl)"


def programs() -> Path | None:
    """The folder with initdb and pg_ctl; Debian keeps it off the path."""
    found = shutil.which("initdb")
    places = [Path(found).parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    return next((p for p in reversed(places) if (p / "initdb").is_file()), None)


@pytest.fixture
def archive(tmp_path: Path, small_photos: Path) -> Path:
    """A folder with three photos of the sample site, for a stand-in to solve."""
    folder = tmp_path / "archive"
    folder.mkdir()
    for k in (2, 4, 8):
        shutil.copy2(small_photos / f"qlb014_{k}.jpg", folder)
    return folder


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """URL of a server with a database; it lives as long as the tests."""
    folder = programs()
    if folder is None:
        pytest.skip(NO_SERVER)
    pytest.importorskip("psycopg", reason="needs psycopg for the PostgreSQL server")
    # the server refuses to be run by root
    as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    with tempfile.TemporaryDirectory(prefix="pz") as name:
        home = Path(name)
        home.chmod(0o777)
        data = home / "data"

        def run(*command: str) -> None:
            done = subprocess.run([*as_user, *command], capture_output=True, text=True, cwd=home)
            assert done.returncode == 0, done.stdout + done.stderr

        run(str(folder / "initdb"), "-D", str(data), "-U", "auditor", "-A", "trust", "-E", "UTF8", "--no-sync")
        options = f"-c listen_addresses='' -c unix_socket_directories='{home}' -c fsync=off"
        run(str(folder / "pg_ctl"), "-D", str(data), "-o", options, "-l", str(home / "log"), "-w", "start")
        try:
            yield f"postgresql://auditor@/postgres?host={home}"
        finally:
            run(str(folder / "pg_ctl"), "-D", str(data), "-m", "immediate", "stop")


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of an empty store, of either kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/store.sqlite"
    url: str = request.getfixturevalue("postgresql")
    from sqlalchemy import create_engine

    engine = create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as db:
        db.exec_driver_sql("DROP SCHEMA public CASCADE; CREATE SCHEMA public")
    engine.dispose()
    return url


@pytest.fixture(scope="session")
def solved_by_design() -> Callable[..., Any]:
    """Stands for `solve_site`: every antenna is found, so far off its design, in every photo."""

    def solve(given: SiteInputs, off_deg: Callable[[int], float]) -> Any:
        site = given.site
        names = tuple(a.antenna_id for a in site.antennas)
        result = SiteResult(
            site_id=site.site_id,
            lat_deg=site.lat_deg,
            lon_deg=site.lon_deg,
            declination_deg=-16.2,
            declination_u95_deg=0.7,
            photos=ById(PhotoResult(photo=p.name, status="used", heading_true_deg=1.0) for p in given.photos),
            antennas=ById(
                AntennaResult(
                    antenna_id=a.antenna_id,
                    status="estimated",
                    azimuth_true_deg=(a.design_azimuth_deg + off_deg(k)) % 360.0,
                    u95_deg=1.0,
                )
                for k, a in enumerate(site.antennas)
            ),
            azimuth_covariance=AzimuthCovariance(
                antenna_ids=names,
                deg2=tuple(tuple(0.26 if i == k else 0.0 for i in range(len(names))) for k in range(len(names))),
            ),
        )
        return SimpleNamespace(result=lambda: result)

    return solve
