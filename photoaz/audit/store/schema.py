"""The tables, as the newest migration leaves them."""

from __future__ import annotations

import json
import zlib
from functools import lru_cache
from typing import Any

import sqlalchemy as sa

from photoaz.audit.doubts import Flag
from photoaz.judgement.standing import Tally
from photoaz.memory import converter
from photoaz.result import SiteResult


class AsJson(sa.TypeDecorator[Any]):
    """Values of one type as JSON text.

    null: the value that stands in the table as nothing at all; alike: many rows have the same, which nobody changes, so
    that it is read once.
    """

    impl = sa.Text
    cache_ok = True

    def __init__(self, of: Any, null: Any = None, alike: bool = False) -> None:
        super().__init__()
        self.of = of
        self.null = null
        self.alike = alike

    def process_bind_param(self, value: Any, dialect: object) -> str | None:
        if value is None or value == self.null:
            return None
        return json.dumps(converter().unstructure(value), ensure_ascii=False, allow_nan=False)

    def process_result_value(self, value: Any, dialect: object) -> Any:
        if value is None:
            return self.null
        return _read_once(value, self.of) if self.alike else _read(value, self.of)


def _read(text: str, of: Any) -> Any:
    return converter().structure(json.loads(text), of)


_read_once = lru_cache(maxsize=10_000)(_read)


class AsDocument(sa.TypeDecorator[SiteResult]):
    """A site's result as its document, compressed."""

    impl = sa.LargeBinary
    cache_ok = True

    def process_bind_param(self, value: SiteResult | None, dialect: object) -> bytes | None:
        if value is None:
            return None
        text = json.dumps(value.document(), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return zlib.compress(text.encode(), 6)

    def process_result_value(self, value: Any, dialect: object) -> SiteResult | None:
        return None if value is None else SiteResult.from_document(json.loads(zlib.decompress(value)))


METADATA = sa.MetaData()

#: an archive that is audited, by the name that its results have
AUDITS = sa.Table(
    "audits",
    METADATA,
    sa.Column("audit_id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("created", sa.Text, nullable=False),
)

#: one call of the command; about: parameters, inputs with their hashes and versions, as JSON
RUNS = sa.Table(
    "runs",
    METADATA,
    sa.Column("run_id", sa.Integer, primary_key=True),
    sa.Column("audit_id", sa.ForeignKey("audits.audit_id"), nullable=False),
    sa.Column("started", sa.Text, nullable=False),
    sa.Column("ended", sa.Text),
    sa.Column("about", AsJson(dict[str, Any]), nullable=False),
)

#: a listed file, as `KeptPhoto`. since, run_id: the first and the last run that it holds for. What a finished run holds
#: is never changed but for how long it holds: so a run that is stopped leaves all that the last finished one found
PHOTOS = sa.Table(
    "photos",
    METADATA,
    sa.Column("audit_id", sa.ForeignKey("audits.audit_id"), primary_key=True),
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("since", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("size", sa.BigInteger),
    sa.Column("stamp", sa.Text, nullable=False),
    sa.Column("version", sa.Text, nullable=False),
    sa.Column("digest", sa.Text),
    sa.Column("facts", sa.LargeBinary),
    sa.Column("reason", sa.Text),
    sa.Column("site_id", sa.Text),
    sa.Column("how", sa.Text),
    sa.Column("placed", sa.Text),
    sa.Column("copy_of", sa.Text),
    sa.Column("flags", AsJson(tuple[Flag, ...], null=())),
    sa.Column("run_id", sa.Integer, nullable=False),
    sa.Index("photos_by_site", "audit_id", "site_id", "name"),
    sa.Index("photos_by_digest", "audit_id", "digest"),
)

#: values of costly steps by the fingerprint of what went into them
EVIDENCE = sa.Table(
    "evidence",
    METADATA,
    sa.Column("kind", sa.Text, primary_key=True),
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("version", sa.Text, nullable=False),
    sa.Column("value", sa.LargeBinary, nullable=False),
)

#: a site's results. key: fingerprint of all that went into them. document: its part of estimates.json, compressed, null
#: where there is none; failures: JSON of the photos that could not be used; used: how many could, and flagged: how many
#: antennas want looking at; loss_avoided: by which the list is ordered; standing: how its readings and designs
#: stand, null where there is no document (whoever changes what counts as what fills it anew by a migration); since,
#: run_id: as of photos
SITES = sa.Table(
    "sites",
    METADATA,
    sa.Column("audit_id", sa.ForeignKey("audits.audit_id"), primary_key=True),
    sa.Column("site_id", sa.Text, primary_key=True),
    sa.Column("since", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("key", sa.Text, nullable=False),
    sa.Column("version", sa.Text, nullable=False),
    sa.Column("solved", sa.Text, nullable=False),
    sa.Column("document", AsDocument, key="result"),
    sa.Column("failures", AsJson(tuple[tuple[str, str], ...]), nullable=False),
    sa.Column("used", sa.Integer, nullable=False),
    sa.Column("flagged", sa.Integer, nullable=False),
    sa.Column("loss_avoided", sa.Double, nullable=False),
    sa.Column("standing", AsJson(Tally, alike=True)),
    sa.Column("run_id", sa.Integer, nullable=False),
    sa.Index("sites_by_loss", "audit_id", "loss_avoided"),
)

#: what people did at the desk, never changed and never removed. at: ISO 8601, UTC; photo: its name then; digest: of its
#: content, by which it is known again when it moved; kind, body: as `photoaz.audit.edits` reads them
LOG = sa.Table(
    "log",
    METADATA,
    sa.Column("log_id", sa.Integer, primary_key=True),
    sa.Column("audit_id", sa.ForeignKey("audits.audit_id"), nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("site_id", sa.Text, nullable=False),
    sa.Column("photo", sa.Text),
    sa.Column("digest", sa.Text),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("body", AsJson(dict[str, Any]), nullable=False),
    sa.Index("log_by_site", "audit_id", "site_id", "log_id"),
)
