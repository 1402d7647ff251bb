"""Keeping and finding again what an audit worked out.

Every write is a short transaction of its own, so that whoever is killed loses what was in hand and nothing else, and
two audits may use one store at once: what both work out is the same, whoever writes it last.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import (
    Connection,
    Engine,
    bindparam,
    create_engine,
    delete,
    event,
    func,
    make_url,
    select,
    update,
)
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.pool import NullPool

from photoaz import __version__
from photoaz.audit.store.schema import AUDITS, EVIDENCE, LOG, PHOTOS, RUNS, SITES
from photoaz.errors import Fault, InputError
from photoaz.result import SiteResult

#: seconds that a writer waits for another one
PATIENCE_S = 120
#: rows asked for, or about, at once
BATCH = 500
WANTED = "sqlite:///FILE or postgresql://USER@HOST/DATABASE"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPhoto:
    """A row of the table of photos; the fields are its columns."""

    name: str
    stamp: str
    version: str
    size: int | None = None
    digest: str | None = None
    facts: bytes | None = None
    reason: str | None = None
    site_id: str | None = None
    how: str | None = None
    placed: str | None = None
    copy_of: str | None = None
    flags: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSite:
    """A row of the table of sites.

    result: None where nothing could be made of it; failures: (photo, reason) pairs.
    """

    site_id: str
    key: str
    result: SiteResult | None
    failures: tuple[tuple[str, str], ...]
    used: int
    flagged: int
    loss_avoided: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRow:
    """One thing that somebody did at the desk. photo, digest: None where it concerns the site as a whole."""

    log_id: int
    at: str
    who: str
    site_id: str
    photo: str | None
    digest: str | None
    kind: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLine:
    """What a list of sites needs of one, without its result. solved: whether there are results of it at all."""

    site_id: str
    solved: bool
    used: int
    flagged: int
    loss_avoided: float


_PHOTO_COLUMNS = tuple(f.name for f in fields(KeptPhoto))


class Store:
    """One audit's rows in a database; open it with `Store.open`. Usable from one thread at a time."""

    def __init__(self, engine: Engine, audit_id: int) -> None:
        self.engine = engine
        self.audit_id = audit_id
        self.run_id = 0

    @classmethod
    def open(cls, url: str, audit: str, *, create: bool = True) -> Store:
        """Open a store and bring its tables up to date.

        Parameters
        ----------
        url : as SQLAlchemy has it. audit : name of the audit within the store. create : make store and audit where
            there are none.

        Raises
        ------
        InputError : no such database, it cannot be reached, or a newer photoaz wrote it; without `create`, no audit.
        """
        engine = engine_of(url, create=create)
        try:
            _upgrade(engine, url)
            with _writing(engine) as db:
                row = db.execute(select(AUDITS.c.audit_id).where(AUDITS.c.name == audit)).first()
                if row is None and create:
                    values = {"name": audit, "created": _now()}
                    db.execute(_insert(db, AUDITS).values(values).on_conflict_do_nothing())
                    row = db.execute(select(AUDITS.c.audit_id).where(AUDITS.c.name == audit)).one()
        except DBAPIError as e:
            raise _no_store(url, _first_line(e)) from None
        if row is None:
            raise _no_store(url, f"no audit '{audit}' in it", "the folder or the name of an audit made before")
        return cls(engine, int(row.audit_id))

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    # -----------------------------------------------------------------------------------------------------------------
    # Runs

    def begin_run(self, about: Mapping[str, Any]) -> int:
        """Note that a run begins. about: what it was called with, ready for JSON."""
        with _writing(self.engine) as db:
            values = {"audit_id": self.audit_id, "started": _now(), "about": json.dumps(about, ensure_ascii=False)}
            self.run_id = int(db.execute(RUNS.insert().values(values).returning(RUNS.c.run_id)).scalar_one())
        return self.run_id

    def add_faults(self, faults: Sequence[Fault]) -> None:
        """Note for this run, beside the faults it began with, what could not be listed."""
        if not faults:
            return
        with _writing(self.engine) as db:
            about = json.loads(db.execute(select(RUNS.c.about).where(RUNS.c.run_id == self.run_id)).scalar_one())
            about["faults"] = [*about.get("faults", ()), *({"file": str(f.file), "reason": str(f)} for f in faults)]
            told = json.dumps(about, ensure_ascii=False)
            db.execute(update(RUNS).where(RUNS.c.run_id == self.run_id).values(about=told))

    def end_run(self) -> None:
        """Note that it came to its end."""
        with _at_once(self.engine) as db:
            db.execute(update(RUNS).where(RUNS.c.run_id == self.run_id).values(ended=_now()))

    def last_run(self) -> tuple[int, dict[str, Any], str | None] | None:
        """Number, `about` and end of the newest run; None where there was none."""
        query = select(RUNS.c.run_id, RUNS.c.about, RUNS.c.ended).where(RUNS.c.audit_id == self.audit_id)
        with _at_once(self.engine) as db:
            row = db.execute(query.order_by(RUNS.c.run_id.desc()).limit(1)).first()
        return None if row is None else (int(row.run_id), json.loads(row.about), row.ended)

    # -----------------------------------------------------------------------------------------------------------------
    # Photos

    def unread(self, files: Sequence[tuple[str, int | None, str]]) -> set[str]:
        """Of files (name, size, stamp) those that are new, changed, or were read by another version.

        All of them are noted as listed in this run.
        """
        out = {name for name, _, _ in files}
        for some in _batches(files):
            names = [name for name, _, _ in some]
            query = select(PHOTOS.c.name, PHOTOS.c.size, PHOTOS.c.stamp).where(
                PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.name.in_(names), PHOTOS.c.version == __version__
            )
            with _writing(self.engine) as db:
                known = {(r.name, r.size, r.stamp) for r in db.execute(query)}
                same = [name for name, size, stamp in some if (name, size, stamp) in known]
                out.difference_update(same)
                if same:
                    db.execute(
                        update(PHOTOS)
                        .where(PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.name.in_(same))
                        .values(run_id=self.run_id)
                    )
        return out

    def keep_photo(self, photo: KeptPhoto) -> None:
        """Keep what was read from a file, in the place of what was known of it."""
        values = {c: getattr(photo, c) for c in _PHOTO_COLUMNS}
        values |= {"audit_id": self.audit_id, "run_id": self.run_id}
        with _at_once(self.engine) as db:
            insert = _insert(db, PHOTOS).values(values)
            rest = {k: v for k, v in values.items() if k not in ("audit_id", "name")}
            db.execute(insert.on_conflict_do_update(index_elements=["audit_id", "name"], set_=rest))

    def photos(
        self, *, site_id: str | None = None, after: str | None = None, limit: int | None = None
    ) -> list[KeptPhoto]:
        """Photos of this run by name: of one site, or all of them, page by page."""
        query = select(*(PHOTOS.c[c] for c in _PHOTO_COLUMNS)).where(
            PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.run_id == self.run_id
        )
        if site_id is not None:
            query = query.where(PHOTOS.c.site_id == site_id)
        if after is not None:
            query = query.where(PHOTOS.c.name > after)
        query = query.order_by(PHOTOS.c.name)
        with _at_once(self.engine) as db:
            return [KeptPhoto(**r._mapping) for r in db.execute(query if limit is None else query.limit(limit))]

    def all_photos(self, page: int = 5000) -> Iterator[list[KeptPhoto]]:
        """All photos of this run by name, so many at a time."""
        after: str | None = None
        while some := self.photos(after=after, limit=page):
            yield some
            after = some[-1].name

    def place(self, rows: Iterable[Mapping[str, Any]]) -> None:
        """Note for photos (by `name`) where they belong: site_id, how, placed, copy_of, flags."""
        statement = (
            update(PHOTOS)
            .where(PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.name == bindparam("photo"))
            .values({c: bindparam(f"new_{c}") for c in ("site_id", "how", "placed", "copy_of", "flags")})
        )
        for some in _batches(list(rows)):
            values = [
                {"photo": r["name"]} | {f"new_{c}": r.get(c) for c in ("site_id", "how", "placed", "copy_of", "flags")}
                for r in some
            ]
            with _writing(self.engine) as db:
                db.execute(statement, values)

    def sites_with_photos(self) -> list[str]:
        """Of this run, in order."""
        query = (
            select(PHOTOS.c.site_id)
            .where(PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.run_id == self.run_id, PHOTOS.c.site_id.is_not(None))
            .distinct()
            .order_by(PHOTOS.c.site_id)
        )
        with _at_once(self.engine) as db:
            return sorted(r.site_id for r in db.execute(query))

    def counts(self) -> dict[str, int]:
        """Of this run's photos: listed, unreadable, placed, copies, of no site."""
        c = PHOTOS.c
        query = select(
            func.count(),
            func.count(c.reason),
            func.count(c.site_id),
            func.count(c.copy_of),
        ).where(c.audit_id == self.audit_id, c.run_id == self.run_id)
        with _at_once(self.engine) as db:
            listed, unreadable, placed, copies = db.execute(query).one()
        return {
            "listed": listed,
            "unreadable": unreadable,
            "placed": placed - self._copies_placed(),
            "copies": copies,
            "of no site": listed - unreadable - placed,
        }

    def _copies_placed(self) -> int:
        c = PHOTOS.c
        query = select(func.count()).where(
            c.audit_id == self.audit_id, c.run_id == self.run_id, c.copy_of.is_not(None), c.site_id.is_not(None)
        )
        with _at_once(self.engine) as db:
            return int(db.execute(query).scalar_one())

    # -----------------------------------------------------------------------------------------------------------------
    # Sites

    def site_key(self, site_id: str) -> tuple[str, int, int, int] | None:
        """Of kept results: fingerprint of what they were made from, photos used, photos failed, antennas flagged."""
        where = (SITES.c.audit_id == self.audit_id, SITES.c.site_id == site_id)
        query = select(SITES.c.key, SITES.c.used, SITES.c.failures, SITES.c.flagged).where(*where)
        with _at_once(self.engine) as db:
            row = db.execute(query).first()
        return None if row is None else (row.key, row.used, len(json.loads(row.failures)), row.flagged)

    def confirm_site(self, site_id: str) -> None:
        """What is kept of it holds for this run."""
        with _at_once(self.engine) as db:
            db.execute(
                update(SITES)
                .where(SITES.c.audit_id == self.audit_id, SITES.c.site_id == site_id)
                .values(run_id=self.run_id)
            )

    def keep_site(self, site: KeptSite) -> None:
        """Keep a site's results, in the place of older ones."""
        values = {
            "audit_id": self.audit_id,
            "site_id": site.site_id,
            "key": site.key,
            "version": __version__,
            "solved": _now(),
            "document": None if site.result is None else _packed(site.result.document()),
            "failures": json.dumps(site.failures, ensure_ascii=False),
            "used": site.used,
            "flagged": site.flagged,
            "loss_avoided": site.loss_avoided,
            "run_id": self.run_id,
        }
        with _at_once(self.engine) as db:
            insert = _insert(db, SITES).values(values)
            rest = {k: v for k, v in values.items() if k not in ("audit_id", "site_id")}
            db.execute(insert.on_conflict_do_update(index_elements=["audit_id", "site_id"], set_=rest))

    def sites(self, page: int = 100) -> Iterator[KeptSite]:
        """This run's results by site_id."""
        after = ""
        while some := self._sites(after, page):
            yield from some
            after = some[-1].site_id

    def site(self, site_id: str) -> KeptSite | None:
        """One site's results, of whatever run."""
        query = select(SITES).where(SITES.c.audit_id == self.audit_id, SITES.c.site_id == site_id)
        with _at_once(self.engine) as db:
            row = db.execute(query).first()
        return None if row is None else _kept_site(row)

    def _sites(self, after: str, limit: int) -> list[KeptSite]:
        query = (
            select(SITES)
            .where(SITES.c.audit_id == self.audit_id, SITES.c.run_id == self.run_id, SITES.c.site_id > after)
            .order_by(SITES.c.site_id)
            .limit(limit)
        )
        with _at_once(self.engine) as db:
            return [_kept_site(row) for row in db.execute(query)]

    def site_lines(self) -> list[SiteLine]:
        """All sites of the newest finished run and of any run since, those that nobody solved yet included."""
        since = self._since()
        c = SITES.c
        query = select(c.site_id, c.used, c.flagged, c.loss_avoided, c.document.is_not(None).label("solved")).where(
            c.audit_id == self.audit_id, c.run_id >= since
        )
        shown = (
            select(PHOTOS.c.site_id)
            .where(PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.run_id >= since, PHOTOS.c.site_id.is_not(None))
            .distinct()
        )
        with _at_once(self.engine) as db:
            lines = {
                r.site_id: SiteLine(
                    site_id=r.site_id,
                    solved=bool(r.solved),
                    used=r.used,
                    flagged=r.flagged,
                    loss_avoided=r.loss_avoided,
                )
                for r in db.execute(query)
            }
            for r in db.execute(shown):
                if r.site_id not in lines:
                    lines[r.site_id] = SiteLine(site_id=r.site_id, solved=False, used=0, flagged=0, loss_avoided=0.0)
        return list(lines.values())

    def sites_named(self, site_ids: Sequence[str]) -> dict[str, KeptSite]:
        """Results of these sites, of whatever run."""
        out: dict[str, KeptSite] = {}
        for some in _batches(site_ids):
            query = select(SITES).where(SITES.c.audit_id == self.audit_id, SITES.c.site_id.in_(some))
            with _at_once(self.engine) as db:
                out |= {row.site_id: _kept_site(row) for row in db.execute(query)}
        return out

    def photos_at(self, site_id: str) -> list[KeptPhoto]:
        """As `photos` of a site, of the newest finished run and any since."""
        query = (
            select(*(PHOTOS.c[c] for c in _PHOTO_COLUMNS))
            .where(PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.run_id >= self._since(), PHOTOS.c.site_id == site_id)
            .order_by(PHOTOS.c.name)
        )
        with _at_once(self.engine) as db:
            return [KeptPhoto(**r._mapping) for r in db.execute(query)]

    def photos_of_digest(self, digest: str) -> list[KeptPhoto]:
        """Photos with this content, by name."""
        query = select(*(PHOTOS.c[c] for c in _PHOTO_COLUMNS)).where(
            PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.digest == digest
        )
        with _at_once(self.engine) as db:
            return [KeptPhoto(**r._mapping) for r in db.execute(query.order_by(PHOTOS.c.name))]

    def photo_names(self) -> Iterator[tuple[str, str | None]]:
        """Name and digest of every photo of the newest finished run and any since."""
        query = select(PHOTOS.c.name, PHOTOS.c.digest).where(
            PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.run_id >= self._since()
        )
        with _at_once(self.engine) as db:
            for row in db.execute(query):
                yield row.name, row.digest

    def _since(self) -> int:
        query = select(func.max(RUNS.c.run_id)).where(RUNS.c.audit_id == self.audit_id)
        with _at_once(self.engine) as db:
            ended = db.execute(query.where(RUNS.c.ended.is_not(None))).scalar_one()
        return int(ended or 0)

    # -----------------------------------------------------------------------------------------------------------------
    # The log

    def append_log(
        self,
        *,
        who: str,
        site_id: str,
        kind: str,
        body: Mapping[str, Any],
        photo: str | None = None,
        digest: str | None = None,
    ) -> LogRow:
        """Note what somebody did; it stays for good."""
        values = {
            "audit_id": self.audit_id,
            "at": _now(),
            "who": who,
            "site_id": site_id,
            "photo": photo,
            "digest": digest,
            "kind": kind,
            "body": json.dumps(body, ensure_ascii=False, allow_nan=False),
        }
        with _at_once(self.engine) as db:
            row = db.execute(LOG.insert().values(values).returning(LOG)).one()
        return _log_row(row)

    def log(self, site_id: str | None = None, *, after: int = 0) -> list[LogRow]:
        """What people did, in order: at one site or at all, since a row or from the beginning."""
        query = select(LOG).where(LOG.c.audit_id == self.audit_id, LOG.c.log_id > after)
        if site_id is not None:
            query = query.where(LOG.c.site_id == site_id)
        with _at_once(self.engine) as db:
            return [_log_row(row) for row in db.execute(query.order_by(LOG.c.log_id))]

    def memory(self) -> StoreMemory:
        """The evidence, as a memory of costly steps."""
        return StoreMemory(self.engine)

    def drop_old_evidence(self) -> int:
        """Remove what other versions left, and say how much it was."""
        with _writing(self.engine) as db:
            return int(db.execute(delete(EVIDENCE).where(EVIDENCE.c.version != __version__)).rowcount)


class StoreMemory:
    """A memory (see `photoaz.memory`) in the store's table of evidence."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def get(self, kind: str, key: str) -> bytes | None:
        """What was put there, or None."""
        query = select(EVIDENCE.c.value).where(EVIDENCE.c.kind == kind, EVIDENCE.c.key == key)
        with _at_once(self._engine) as db:
            row = db.execute(query).first()
        return None if row is None else bytes(row.value)

    def put(self, kind: str, key: str, value: bytes) -> None:
        """Keep it; what is there already is the same."""
        values = {"kind": kind, "key": key, "version": __version__, "value": value}
        with _at_once(self._engine) as db:
            db.execute(_insert(db, EVIDENCE).values(values).on_conflict_do_nothing())


# ---------------------------------------------------------------------------------------------------------------------
# The database


def engine_of(url: str, *, create: bool = True) -> Engine:
    """An engine for a store's URL, without looking whether tables are there. Raises InputError."""
    try:
        parsed = make_url(url)
        kind = parsed.get_backend_name()
        if kind not in ("sqlite", "postgresql"):
            raise _no_store(url, f"a database of kind {kind}", WANTED)
        if kind == "postgresql":
            if parsed.drivername == "postgresql":
                parsed = parsed.set(drivername="postgresql+psycopg")
            # what a server's crash might lose of the last half second is worked out again, and a commit costs little
            options = {"options": "-c synchronous_commit=off"}
            return create_engine(parsed, pool_recycle=600, pool_size=2, connect_args=options)
        if parsed.database in (None, "", ":memory:"):
            raise _no_store(url, "a store without a file", WANTED)
        path = Path(str(parsed.database))
        if not create and not path.is_file():
            raise _no_store(url, "no such file", "the folder of an audit made before")
        if create:
            path.parent.mkdir(parents=True, exist_ok=True)
        engine = create_engine(parsed, poolclass=NullPool if not create else None, connect_args={"timeout": PATIENCE_S})
    except (ArgumentError, NoSuchModuleError) as e:
        raise _no_store(url, str(e), WANTED) from None
    except ModuleNotFoundError as e:
        wanted = "the package psycopg: pip install 'photoaz[postgresql]'"
        raise _no_store(url, f"no module {e.name}", wanted) from None

    @event.listens_for(engine, "connect")
    def _settings(connection: Any, _record: object) -> None:
        connection.isolation_level = None  # transactions begin and end where the store says, tables included
        for pragma in (
            "journal_mode=WAL",
            "synchronous=NORMAL",
            "foreign_keys=ON",
            f"busy_timeout={PATIENCE_S * 1000}",
        ):
            connection.execute(f"PRAGMA {pragma}")

    return engine


@contextmanager
def _writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes. Of SQLite's writers the next one waits, instead of failing half-way through."""
    with engine.connect() as db:
        if engine.dialect.name == "sqlite":
            db.exec_driver_sql("BEGIN IMMEDIATE")
        try:
            yield db
        except BaseException:
            if engine.dialect.name == "sqlite":
                db.exec_driver_sql("ROLLBACK")
            db.rollback()
            raise
        if engine.dialect.name == "sqlite":
            db.exec_driver_sql("COMMIT")
        db.commit()


@contextmanager
def _at_once(engine: Engine) -> Iterator[Connection]:
    """For statements that stand alone, each a transaction of its own."""
    with engine.connect() as db:
        yield db.execution_options(isolation_level="AUTOCOMMIT")


def _upgrade(engine: Engine, url: str) -> None:
    """Bring the tables up to date; of several who try at once one does it."""
    from alembic import command
    from alembic.config import Config
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    newest = ScriptDirectory.from_config(config).get_current_head()
    with _at_once(engine) as db:
        now = MigrationContext.configure(db).get_current_revision()
        if now == newest:
            return
    known = {s.revision for s in ScriptDirectory.from_config(config).walk_revisions()}
    if now is not None and now not in known:
        raise _no_store(url, f"a store of a newer photoaz (its tables are of revision {now})", "that photoaz, or newer")
    with _writing(engine) as db:
        if engine.dialect.name == "postgresql":
            db.exec_driver_sql("SELECT pg_advisory_xact_lock(7076907)")
        config.attributes["connection"] = db
        command.upgrade(config, "head")


def _insert(db: Connection, table: Any) -> Any:
    if db.dialect.name == "postgresql":
        from sqlalchemy.dialects.postgresql import insert as postgresql_insert

        return postgresql_insert(table)
    from sqlalchemy.dialects.sqlite import insert

    return insert(table)


def _batches(rows: Sequence[Any], size: int = BATCH) -> Iterator[Sequence[Any]]:
    return (rows[k : k + size] for k in range(0, len(rows), size))


def _packed(document: Mapping[str, Any]) -> bytes:
    return zlib.compress(json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode(), 6)


def _log_row(row: Any) -> LogRow:
    return LogRow(
        log_id=row.log_id,
        at=row.at,
        who=row.who,
        site_id=row.site_id,
        photo=row.photo,
        digest=row.digest,
        kind=row.kind,
        body=json.loads(row.body),
    )


def _kept_site(row: Any) -> KeptSite:
    return KeptSite(
        site_id=row.site_id,
        key=row.key,
        result=None if row.document is None else SiteResult.from_document(json.loads(zlib.decompress(row.document))),
        failures=tuple((photo, reason) for photo, reason in json.loads(row.failures)),
        used=row.used,
        flagged=row.flagged,
        loss_avoided=row.loss_avoided,
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _first_line(error: DBAPIError) -> str:
    return str(error.orig).strip().splitlines()[0]


def _no_store(url: str, found: str, wanted: str = WANTED) -> InputError:
    try:
        shown = make_url(url).render_as_string(hide_password=True)
    except ArgumentError:
        shown = url
    return InputError(Fault(file=shown, found=found, wanted=wanted))
