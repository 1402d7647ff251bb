"""A PostgreSQL server of the tests' own, where the programs for one are installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

NO_SERVER = "no PostgreSQL server is installed (initdb, pg_ctl)"


def programs() -> Path | None:
    """The folder with initdb and pg_ctl; Debian keeps it off the path."""
    found = shutil.which("initdb")
    places = [Path(found).parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    return next((p for p in reversed(places) if (p / "initdb").is_file()), None)


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
