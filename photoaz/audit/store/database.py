"""The database of a store, SQLite or PostgreSQL: opened, brought up to date, written to in short transactions."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, Table, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, InterfaceError, NoSuchModuleError, OperationalError
from sqlalchemy.pool import NullPool

from photoaz.addresses import without_secrets
from photoaz.audit.store.schema import METADATA
from photoaz.errors import Fault, InputError

T = TypeVar("T")

#: seconds that a writer waits for another one, and for a server that is away
PATIENCE_S = 120
#: seconds between two tries
WAIT_S = 0.5
WANTED = "sqlite:///FILE or postgresql://USER@HOST/DATABASE"


def engine_of(url: str, *, create: bool = True) -> Engine:
    """An engine for a store's URL, without looking whether tables are there. Raises InputError."""
    try:
        parsed = make_url(url)
        kind = parsed.get_backend_name()
        if kind not in ("sqlite", "postgresql"):
            raise no_store(url, f"a database of kind {kind}")
        if kind == "postgresql":
            if parsed.drivername == "postgresql":
                parsed = parsed.set(drivername="postgresql+psycopg")
            # what a server's crash might lose of the last half second is worked out again, and a commit costs little
            options: dict[str, Any] = {"options": "-c synchronous_commit=off"}
            # a server that says nothing any more is away (libpq's parameters; milliseconds where no unit is named)
            options |= {"connect_timeout": 10, "keepalives_idle": 30, "tcp_user_timeout": PATIENCE_S * 1000}
            return create_engine(parsed, pool_recycle=600, pool_size=2, connect_args=options)
        if parsed.database in (None, "", ":memory:"):
            raise no_store(url, "a store without a file")
        path = Path(str(parsed.database))
        if not create and not path.is_file():
            raise no_store(url, "no such file", "the folder of an audit made before")
        if create:
            path.parent.mkdir(parents=True, exist_ok=True)
        engine = create_engine(parsed, poolclass=NullPool if not create else None, connect_args={"timeout": PATIENCE_S})
    except (ArgumentError, NoSuchModuleError) as e:
        raise no_store(url, str(e)) from None
    except ModuleNotFoundError as e:
        wanted = "the package psycopg: pip install 'photoaz[postgresql]'"
        raise no_store(url, f"no module {e.name}", wanted) from None

    @event.listens_for(engine, "connect")
    def _settings(connection: Any, _record: object) -> None:
        connection.isolation_level = None  # transactions begin and end where the store says, tables included
        waiting = f"busy_timeout={PATIENCE_S * 1000}"
        # a store has its mode already; what turns out to be none is left as it is
        for pragma in ("journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON", waiting)[0 if create else 1 :]:
            connection.execute(f"PRAGMA {pragma}")

    return engine


def no_store(url: str, found: str | DBAPIError, wanted: str = WANTED) -> InputError:
    """That a URL leads to no store that can be used; its password is left out."""
    said = found if isinstance(found, str) else _said(found)
    return InputError(Fault(file=without_secrets(url), found=without_secrets(said), wanted=wanted))


def _said(error: DBAPIError) -> str:
    return (str(error.orig).strip() or type(error.orig).__name__).splitlines()[0]


def patiently(engine: Engine, work: Callable[[], T], patience_s: float) -> T:
    """What `work` gives, which waits for a server that went away, and says what is wrong.

    work : done again from its beginning, so that doing it twice must come to the same.

    Raises InputError: in the place of any DBAPIError; where a connection was lost, after patience_s.
    """
    url, start = engine.url, time.monotonic()
    until = start + patience_s
    shown = url.set(drivername=url.get_backend_name()).render_as_string(hide_password=True)
    while True:
        try:
            return work()
        except DBAPIError as e:
            sqlite = url.get_backend_name() == "sqlite"
            # two that open a new store at once: SQLite itself does not wait for the lock of a change of mode
            if sqlite and "locked" in _said(e) and time.monotonic() < start + PATIENCE_S:
                time.sleep(WAIT_S)
                continue
            if sqlite or not isinstance(e, OperationalError | InterfaceError):
                raise no_store(shown, e, "a whole database that can be written, on a disk with room") from None
            if time.monotonic() >= until:
                found = _said(e) + (f", for {patience_s:g} s" if patience_s else "")
                raise no_store(shown, found, "a server that answers; the same command goes on then") from None
        time.sleep(WAIT_S)


def patient(work: Callable[..., T]) -> Callable[..., T]:
    """A method of what has an `engine`, done patiently."""

    @wraps(work)
    def tried(self: Any, *args: Any, **options: Any) -> T:
        return patiently(self.engine, lambda: work(self, *args, **options), PATIENCE_S)

    return tried


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes. Of SQLite's writers the next one waits, instead of failing half-way through."""
    lite = engine.dialect.name == "sqlite"
    with engine.connect() as db:
        if lite:
            db.exec_driver_sql("BEGIN IMMEDIATE")
        try:
            yield db
        except BaseException:
            with suppress(DBAPIError):  # a full disk has ended it already, a lost connection too
                if lite:
                    db.exec_driver_sql("ROLLBACK")
                db.rollback()
            raise
        if lite:
            db.exec_driver_sql("COMMIT")
        db.commit()


@contextmanager
def at_once(engine: Engine) -> Iterator[Connection]:
    """For statements that stand alone, each a transaction of its own."""
    with engine.connect() as db:
        yield db.execution_options(isolation_level="AUTOCOMMIT")


def upsert(db: Connection, table: Table, values: Mapping[str, Any], keys: Sequence[str] = ()) -> None:
    """Insert a row; where one with the same `keys` is there, change it, and without keys leave it as it is."""
    if db.dialect.name == "postgresql":
        from sqlalchemy.dialects.postgresql import insert as postgresql_insert

        insert: Any = postgresql_insert(table).values(values)
    else:
        from sqlalchemy.dialects.sqlite import insert as sqlite_insert

        insert = sqlite_insert(table).values(values)
    if keys:
        rest = {k: insert.excluded[k] for k in values if k not in keys}
        db.execute(insert.on_conflict_do_update(index_elements=keys, set_=rest))
    else:
        db.execute(insert.on_conflict_do_nothing())


def upgrade(engine: Engine, url: str, *, create: bool = True) -> None:
    """Bring the tables up to date; of several who try at once one does it. Raises InputError, of another photoaz's.

    create : make them where there are none; else InputError.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    scripts = ScriptDirectory.from_config(config)
    with at_once(engine) as db:
        now = MigrationContext.configure(db).get_current_revision()
    if now == scripts.get_current_head():
        return
    if now is None and not create:
        raise no_store(url, "a database that holds no audit", "the store of an audit made before")
    if now is not None and now not in {s.revision for s in scripts.walk_revisions()}:
        raise no_store(url, f"a store of another photoaz (its tables are of revision {now})", "that photoaz")
    with writing(engine) as db:
        if engine.dialect.name == "postgresql":
            db.exec_driver_sql("SELECT pg_advisory_xact_lock(7076907)")
        config.attributes["connection"] = db
        if MigrationContext.configure(db).get_current_revision() is None:
            METADATA.create_all(db)
            command.stamp(config, "head")
        else:
            command.upgrade(config, "head")
