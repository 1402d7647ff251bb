"""Keeping and finding again what an audit worked out.

A row holds for the runs from `since` to `run_id`. One that a finished run holds is not changed any more: a later run
holds on to it, or has another in its place. So a run that is stopped leaves the last finished one's results as they
were, and what it worked out itself is there for the next.

Every write is a short transaction of its own, so that whoever is killed loses what was in hand and nothing else, and
two audits may use one store at once: what both work out is the same, whoever writes it last.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy import select, update
from sqlalchemy.exc import DBAPIError

from photoaz import __version__
from photoaz.audit.files import PhotoFile
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.store.database import at_once, engine_of, no_store, patient, patiently, upgrade, upsert, writing
from photoaz.audit.store.schema import AUDITS, EVIDENCE, LOG, PHOTOS, RUNS, SITES
from photoaz.errors import DamagedError, Fault, InputError
from photoaz.judgement.standing import Tally, tally_of
from photoaz.result import SiteResult

#: rows asked for, or about, at once
BATCH = 500


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

    @classmethod
    def of(
        cls, site_id: str, key: str, result: SiteResult | None, failures: tuple[tuple[str, str], ...] = ()
    ) -> KeptSite:
        """The row of a result; where there is none it bears no key, so that the site is tried again next time."""
        plan, used = None if result is None else result.revisit, 0
        if result is not None:  # of an audit's site the photos of its own, and not a neighbour's
            used = sum(p.status == "used" for p in result.photos) if result.audit is None else result.audit.used
        return cls(
            site_id=site_id,
            key="" if result is None else key,
            result=result,
            failures=failures,
            used=0 if result is None else used,
            flagged=0 if result is None else sum(a.revisit for a in result.antennas),
            loss_avoided=0.0 if plan is None else plan.loss_avoided,
        )


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
    """What a list of sites needs of one, without its result.

    solved: whether there are results of it at all; standing: how its readings and designs stand, None where not.
    """

    site_id: str
    solved: bool
    used: int
    flagged: int
    loss_avoided: float
    standing: Tally | None


#: which table has the rows of a record; the record's fields are columns of it
_TABLES = {KeptPhoto: PHOTOS, KeptSite: SITES, LogRow: LOG}
#: by which column people know a row
_KEYS = {KeptPhoto: "name", KeptSite: "site_id", LogRow: "log_id"}
_PLACES = ("site_id", "how", "placed", "copy_of", "flags")
R = TypeVar("R", KeptPhoto, KeptSite, LogRow)
_T = TypeVar("_T")


class Store:
    """One audit's rows in a database; open it with `Store.open`. Usable from one thread at a time."""

    def __init__(self, engine: sa.Engine, audit_id: int) -> None:
        self.engine = engine
        self.audit_id = audit_id
        self.run_id = 0

    @classmethod
    def open(cls, url: str, audit: str, *, create: bool = True, patience_s: float = 0.0) -> Store:
        """Open a store and bring its tables up to date.

        url : as SQLAlchemy has it. audit : name of the audit within the store. create : make store and audit where
        there are none. patience_s : how long to wait for a server, where it is known to have been there.

        Raises InputError: no such database, it cannot be reached, or another photoaz wrote it; without `create`, no
        audit.
        """
        engine = engine_of(url, create=create)
        asked = select(AUDITS.c.audit_id).where(AUDITS.c.name == audit)

        def find() -> int | None:
            upgrade(engine, url, create=create)
            with writing(engine) as db:
                found: int | None = db.execute(asked).scalar_one_or_none()
                if found is None and create:
                    upsert(db, AUDITS, {"name": audit, "created": _now()})
                    found = db.execute(asked).scalar_one()
                return found

        audit_id = patiently(engine, find, patience_s)
        if audit_id is None:
            raise no_store(url, f"no audit '{audit}' in it", "the folder or the name of an audit made before")
        return cls(engine, audit_id)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    @patient
    def _rows(self, query: sa.Executable) -> list[Any]:
        try:
            with at_once(self.engine) as db:
                return list(db.execute(query))
        except (DBAPIError, InputError):
            raise
        except Exception:  # noqa: BLE001  whatever the readers of its columns raise
            raise self._damaged("a damaged row", "a copy of the store from before") from None

    def _damaged(self, found: str, wanted: str) -> DamagedError:
        return DamagedError(no_store(self.engine.url.render_as_string(hide_password=True), found, wanted).faults)

    def damaged(self, of: type[KeptPhoto | KeptSite | LogRow], key: str | int) -> DamagedError:
        """That a row cannot be read. Of a photo or a site it is made again by the next audit."""
        table, name = _TABLES[of], _KEYS[of]
        found = f"a damaged row of {key} in its table of {table.name}"
        if of is LogRow:
            return self._damaged(found, "a copy of the store from before: what people did cannot be worked out again")
        with at_once(self.engine) as db:
            mine = (table.c.audit_id == self.audit_id, table.c[name] == key)
            db.execute(update(table).where(*mine).values({"version": ""} if of is KeptPhoto else {"key": ""}))
        return self._damaged(found, "'photoaz audit' once more, which works it out again")

    def _records(self, of: type[R], *where: Any, order: Any = None, limit: int | None = None) -> list[R]:
        """Rows of this audit as records."""
        table = _TABLES[of]
        columns = (table.c[f.name].label(f.name) for f in fields(of))
        query = select(*columns).where(table.c.audit_id == self.audit_id, *where)
        by = order if isinstance(order, tuple) else (order,)
        return [of(**row._mapping) for row in self._whole(of, query, order_by=by, limit=limit)]

    def _whole(
        self,
        of: type[KeptPhoto | KeptSite | LogRow],
        query: Any,
        order_by: tuple[Any, ...] = (),
        limit: int | None = None,
    ) -> list[Any]:
        """Rows of a query of one table; where one of them cannot be read, it is named."""
        try:
            return self._rows(query.order_by(*order_by).limit(limit))
        except DamagedError:
            name = _TABLES[of].c[_KEYS[of]]
            keys = {row[0] for row in self._rows(query.with_only_columns(name))}
            for key in sorted(keys):
                try:
                    self._rows(query.where(name == key))
                except DamagedError:
                    raise self.damaged(of, key) from None
            raise

    # ---- runs --------------------------------------------------------------------------------------------------------

    @patient
    def begin_run(self, about: Mapping[str, Any]) -> int:
        """Note that a run begins. about: what it was called with, ready for JSON."""
        values = {"audit_id": self.audit_id, "started": _now(), "about": about}
        with writing(self.engine) as db:
            self.run_id = int(db.execute(RUNS.insert().values(values).returning(RUNS.c.run_id)).scalar_one())
        return self.run_id

    @patient
    def add_faults(self, faults: Sequence[Fault]) -> None:
        """Note for this run, beside the faults it began with, what could not be listed."""
        if not faults:
            return
        with writing(self.engine) as db:
            about = db.execute(select(RUNS.c.about).where(RUNS.c.run_id == self.run_id)).scalar_one()
            about["faults"] = [*about.get("faults", ()), *({"file": str(f.file), "reason": str(f)} for f in faults)]
            db.execute(update(RUNS).where(RUNS.c.run_id == self.run_id).values(about=about))

    @patient
    def end_run(self) -> None:
        """Note that it came to its end: from now on its rows are the audit's, and those in whose place they are go."""
        with writing(self.engine) as db:
            db.execute(update(RUNS).where(RUNS.c.run_id == self.run_id).values(ended=_now()))
            for table, name in ((PHOTOS, "name"), (SITES, "site_id")):
                other = table.alias()
                newer = (other.c.audit_id == self.audit_id, other.c[name] == table.c[name], _in(other, self.run_id))
                old = (table.c.audit_id == self.audit_id, table.c.run_id < self.run_id)
                db.execute(sa.delete(table).where(*old, sa.exists().where(*newer)))

    def last_run(self) -> tuple[int, dict[str, Any], str | None] | None:
        """Number, `about` and end of the run whose results count: the newest finished one, else the newest.

        None where there was none.
        """
        query = select(RUNS.c.run_id, RUNS.c.about, RUNS.c.ended).where(RUNS.c.audit_id == self.audit_id)
        rows = self._rows(query.order_by(RUNS.c.ended.is_(None), RUNS.c.run_id.desc()).limit(1))
        return (rows[0].run_id, rows[0].about, rows[0].ended) if rows else None

    def _last(self) -> int:
        """Its number, 0 where there was none."""
        last = self.last_run()
        return 0 if last is None else last[0]

    # ---- photos ------------------------------------------------------------------------------------------------------

    @patient
    def unread(self, files: Sequence[PhotoFile]) -> list[PhotoFile]:
        """Of files, each once, those that are new, changed, or were not read by this version.

        All of them are noted as listed in this run.
        """
        out: list[PhotoFile] = []
        for some in batches(files):
            c = PHOTOS.c
            here = (c.audit_id == self.audit_id, c.name.in_([f.name for f in some]), c.version == __version__)
            query = select(c.name, c.size, c.stamp, c.since).where(*here).order_by(c.since)
            with writing(self.engine) as db:
                known = {(r.name, r.size, r.stamp): r.since for r in db.execute(query)}
                same: dict[int, list[str]] = {}
                for f in some:
                    since = known.get((f.name, f.size, f.stamp))
                    if since is None:
                        out.append(f)
                    else:
                        same.setdefault(since, []).append(f.name)
                for since, names in same.items():
                    listed = (c.audit_id == self.audit_id, c.name.in_(names), c.since == since)
                    db.execute(update(PHOTOS).where(*listed).values(run_id=self.run_id))
        return out

    @patient
    def keep_photo(self, photo: KeptPhoto) -> None:
        """Keep what was read from a file, from this run on in the place of what was known of it."""
        with at_once(self.engine) as db:
            self._keep(db, PHOTOS, photo, "name")

    @patient
    def read_again(self, names: Sequence[str]) -> None:
        """Have photos read again by the next run, whether or not they look changed then."""
        for some in batches(names):
            where = (PHOTOS.c.audit_id == self.audit_id, PHOTOS.c.name.in_(some))
            with at_once(self.engine) as db:
                db.execute(update(PHOTOS).where(*where).values(version=""))

    def _keep(self, db: sa.Connection, table: Any, record: KeptPhoto | KeptSite, key: str, **more: Any) -> None:
        values = {f.name: getattr(record, f.name) for f in fields(record)} | more
        values |= {"audit_id": self.audit_id, "since": self.run_id, "run_id": self.run_id}
        upsert(db, table, values, ("audit_id", key, "since"))

    def photos(
        self, *, site_id: str | None = None, after: str | None = None, limit: int | None = None
    ) -> list[KeptPhoto]:
        """Photos of this run by name: of one site, or all of them, page by page."""
        where = [_in(PHOTOS, self.run_id)]
        if site_id is not None:
            where.append(PHOTOS.c.site_id == site_id)
        if after is not None:
            where.append(PHOTOS.c.name > after)
        return self._records(KeptPhoto, *where, order=PHOTOS.c.name, limit=limit)

    def all_photos(self, page: int = 5000) -> Iterator[list[KeptPhoto]]:
        """All photos of this run by name, so many at a time."""
        after: str | None = None
        while some := self.photos(after=after, limit=page):
            yield some
            after = some[-1].name

    def photos_at(self, site_id: str) -> list[KeptPhoto]:
        """As `photos` of a site, of the run whose results count."""
        where = (_in(PHOTOS, self._last()), PHOTOS.c.site_id == site_id)
        return self._records(KeptPhoto, *where, order=PHOTOS.c.name)

    def photos_of_digest(self, digest: str) -> list[KeptPhoto]:
        """Photos with this content, by name."""
        return self._records(KeptPhoto, PHOTOS.c.digest == digest, order=PHOTOS.c.name)

    def photo_names(self) -> list[str]:
        """Of every photo of the run whose results count."""
        query = select(PHOTOS.c.name).where(PHOTOS.c.audit_id == self.audit_id, _in(PHOTOS, self._last()))
        return [row.name for row in self._rows(query)]

    def place(self, photos: Iterable[KeptPhoto]) -> None:
        """Note for photos of this run where they belong: site_id, how, placed, copy_of, flags."""
        last = self.last_run()
        finished = 0 if last is None or last[2] is None else last[0]  # the newest finished run, 0 where there is none
        for some in batches(photos):
            self._place(some, finished)

    @patient
    def _place(self, photos: Sequence[KeptPhoto], finished: int) -> None:
        c = PHOTOS.c
        mine = (c.audit_id == self.audit_id, _in(PHOTOS, self.run_id))
        statement = (
            update(PHOTOS)
            .where(*mine, c.name == sa.bindparam("photo"))
            .values({name: sa.bindparam(f"new_{name}", type_=c[name].type) for name in _PLACES})
        )
        anew = [sa.literal(self.run_id).label(x.name) if x.name in ("since", "run_id") else x for x in c]
        values = [{"photo": p.name} | {f"new_{name}": getattr(p, name) for name in _PLACES} for p in photos]
        theirs = (*mine, c.name.in_([p.name for p in photos]), c.since <= finished)
        with writing(self.engine) as db:
            if finished:  # what that run holds stays as it is, and this run has a row of its own
                db.execute(PHOTOS.insert().from_select(list(c), select(*anew).where(*theirs)))
                db.execute(update(PHOTOS).where(*theirs).values(run_id=finished))
            db.execute(statement, values)

    def counts(self) -> dict[str, int]:
        """Of this run's photos: listed, unreadable, placed, copies, of no site."""
        c = PHOTOS.c
        count = sa.func.count
        counted = count().filter(c.site_id.is_not(None), c.copy_of.is_(None))
        columns = (count(), count(c.reason), counted, count(c.copy_of), count(c.site_id))
        query = select(*columns).where(c.audit_id == self.audit_id, _in(PHOTOS, self.run_id))
        listed, unreadable, placed, copies, at_sites = self._rows(query)[0]
        counts = {"listed": listed, "unreadable": unreadable, "placed": placed, "copies": copies}
        return counts | {"of no site": listed - unreadable - at_sites}

    # ---- sites -------------------------------------------------------------------------------------------------------

    def sites_with_photos(self) -> list[str]:
        """Of this run, in order."""
        return sorted(self._sites_of(self.run_id))

    def _sites_of(self, run_id: int) -> list[str]:
        c = PHOTOS.c
        where = (c.audit_id == self.audit_id, c.site_id.is_not(None), _in(PHOTOS, run_id))
        query = select(c.site_id).where(*where).distinct()
        return [row.site_id for row in self._rows(query)]

    @patient
    def confirm_site(self, site_id: str, key: str) -> tuple[int, int, int] | None:
        """Where results made from what this key stands for are kept, they hold for this run.

        Returns how many photos were used, how many failed, and antennas flagged; None where there are no such results.
        """
        c = SITES.c
        mine = (c.audit_id == self.audit_id, c.site_id == site_id)
        query = select(c.since, c.used, c.failures, c.flagged).where(*mine, c.key == key)
        rows = self._rows(query.order_by(c.since.desc()).limit(1))
        if not rows:
            return None
        with at_once(self.engine) as db:
            db.execute(update(SITES).where(*mine, c.since == rows[0].since).values(run_id=self.run_id))
        return rows[0].used, len(rows[0].failures), rows[0].flagged

    @patient
    def keep_site(self, site: KeptSite) -> None:
        """Keep a site's results, for this run in the place of older ones."""
        c, run = SITES.c, self.run_id
        mine = (c.audit_id == self.audit_id, c.site_id == site.site_id)
        with writing(self.engine) as db:
            # those of the desk are of a run that is over, whose older ones a later run may hold on to already
            db.execute(update(SITES).where(*mine, c.since <= run, c.run_id > run).values(since=c.run_id))
            db.execute(update(SITES).where(*mine, c.since < run, c.run_id == run).values(run_id=run - 1))
            standing = None if site.result is None else tally_of(site.result.antennas)
            self._keep(db, SITES, site, "site_id", version=__version__, solved=_now(), standing=standing)

    def solved_since(self) -> set[tuple[str, int]]:
        """Of this run's results: site_id, and the run that solved it."""
        query = select(SITES.c.site_id, SITES.c.since).where(SITES.c.audit_id == self.audit_id)
        return {tuple(row) for row in self._rows(query.where(_in(SITES, self.run_id)))}

    def sites(self, page: int = 100) -> Iterator[KeptSite]:
        """This run's results by site_id."""
        c, after = SITES.c, ""
        mine = _in(SITES, self.run_id)
        while some := self._records(KeptSite, mine, c.site_id > after, order=c.site_id, limit=page):
            yield from some
            after = some[-1].site_id

    def site(self, site_id: str) -> KeptSite | None:
        """One site's results, of the run whose results count, else of the newest that has any."""
        return self.sites_named([site_id]).get(site_id)

    def sites_named(self, site_ids: Sequence[str]) -> dict[str, KeptSite]:
        """Likewise of these sites."""
        order = (sa.case((_in(SITES, self._last()), 1), else_=0), SITES.c.since)
        found = (self._records(KeptSite, SITES.c.site_id.in_(some), order=order) for some in batches(site_ids))
        return {site.site_id: site for some in found for site in some}

    def site_lines(self) -> list[SiteLine]:
        """All sites of the run whose results count, those that nobody solved yet included."""
        c, run = SITES.c, self._last()
        columns = (c.site_id, c.used, c.flagged, c.loss_avoided, c.standing, c.result.is_not(None).label("solved"))
        rows = self._whole(KeptSite, select(*columns).where(c.audit_id == self.audit_id, _in(SITES, run)))
        lines = {row.site_id: SiteLine(**row._mapping) for row in rows}
        for site_id in self._sites_of(run):
            if site_id not in lines:
                lines[site_id] = SiteLine(
                    site_id=site_id, solved=False, used=0, flagged=0, loss_avoided=0.0, standing=None
                )
        return list(lines.values())

    # ---- the log -----------------------------------------------------------------------------------------------------

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
        values = {"at": _now(), "who": who, "site_id": site_id, "photo": photo, "digest": digest, "kind": kind}
        insert = LOG.insert().values({**values, "audit_id": self.audit_id, "body": body})
        with at_once(self.engine) as db:
            row = db.execute(insert.returning(*(LOG.c[f.name] for f in fields(LogRow)))).one()
        return LogRow(**row._mapping)

    def log(self, site_id: str | None = None, *, after: int = 0) -> list[LogRow]:
        """What people did, in order: at one site or at all, since a row or from the beginning."""
        where = [LOG.c.log_id > after] if site_id is None else [LOG.c.log_id > after, LOG.c.site_id == site_id]
        return self._records(LogRow, *where, order=LOG.c.log_id)

    # ---- evidence ----------------------------------------------------------------------------------------------------

    @patient
    def get(self, kind: str, key: str) -> bytes | None:
        """What was put there, or None. The store is a memory of costly steps (`photoaz.memory`), for any thread."""
        query = select(EVIDENCE.c.value).where(EVIDENCE.c.kind == kind, EVIDENCE.c.key == key)
        with at_once(self.engine) as db:
            row = db.execute(query).first()
        return None if row is None else bytes(row.value)

    @patient
    def put(self, kind: str, key: str, value: bytes) -> None:
        """Keep it, in the place of what is there: the same, or damaged."""
        values = {"kind": kind, "key": key, "version": __version__, "value": value}
        with at_once(self.engine) as db:
            upsert(db, EVIDENCE, values, ("kind", "key"))

    @patient
    def drop_old_evidence(self) -> int:
        """Remove what other versions left, and say how much it was."""
        with writing(self.engine) as db:
            return int(db.execute(sa.delete(EVIDENCE).where(EVIDENCE.c.version != __version__)).rowcount)


def _in(table: Any, run_id: int) -> Any:
    """Which rows hold for a run."""
    return sa.and_(table.c.since <= run_id, table.c.run_id >= run_id)


def batches(items: Iterable[_T], size: int = BATCH) -> Iterator[list[_T]]:
    """Items in lists of so many, in order; the last has what is left."""
    left = iter(items)
    while some := list(itertools.islice(left, size)):
        yield some


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
