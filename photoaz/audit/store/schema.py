"""The tables, as the newest migration leaves them."""

from __future__ import annotations

import json
import zlib
from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    TypeDecorator,
)

from photoaz.audit.doubts import Flag
from photoaz.memory import converter
from photoaz.result import SiteResult


class AsJson(TypeDecorator[Any]):
    """Values of one type as JSON text. null: the value that stands in the table as nothing at all."""

    impl = Text
    cache_ok = True

    def __init__(self, of: Any, null: Any = None) -> None:
        super().__init__()
        self.of = of
        self.null = null

    def process_bind_param(self, value: Any, dialect: object) -> str | None:
        """Into the table."""
        del dialect
        if value is None or value == self.null:
            return None
        return json.dumps(converter().unstructure(value), ensure_ascii=False, allow_nan=False)

    def process_result_value(self, value: Any, dialect: object) -> Any:
        """Out of it."""
        del dialect
        return self.null if value is None else converter().structure(json.loads(value), self.of)


class AsDocument(TypeDecorator[SiteResult]):
    """A site's result as its document, compressed."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: SiteResult | None, dialect: object) -> bytes | None:
        """Into the table."""
        del dialect
        if value is None:
            return None
        text = json.dumps(value.document(), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return zlib.compress(text.encode(), 6)

    def process_result_value(self, value: Any, dialect: object) -> SiteResult | None:
        """Out of it."""
        del dialect
        return None if value is None else SiteResult.from_document(json.loads(zlib.decompress(value)))


METADATA = MetaData()

#: an archive that is audited, by the name that its results have
AUDITS = Table(
    "audits",
    METADATA,
    Column("audit_id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("created", Text, nullable=False),
)

#: one call of the command; about: parameters, inputs with their hashes and versions, as JSON
RUNS = Table(
    "runs",
    METADATA,
    Column("run_id", Integer, primary_key=True),
    Column("audit_id", ForeignKey("audits.audit_id"), nullable=False),
    Column("started", Text, nullable=False),
    Column("ended", Text),
    Column("about", AsJson(dict[str, Any]), nullable=False),
)

#: a listed file. name: as results have it. size, stamp: by which a changed file is known. facts: what was read from it,
#: or null where it could not be; reason: then, in words. site_id, how, placed: which site it shows, by what, and why
#: none. copy_of: the photo that is used in its place. run_id: the last that listed it
PHOTOS = Table(
    "photos",
    METADATA,
    Column("audit_id", ForeignKey("audits.audit_id"), primary_key=True),
    Column("name", Text, primary_key=True),
    Column("size", BigInteger),
    Column("stamp", Text, nullable=False),
    Column("version", Text, nullable=False),
    Column("digest", Text),
    Column("facts", LargeBinary),
    Column("reason", Text),
    Column("site_id", Text),
    Column("how", Text),
    Column("placed", Text),
    Column("copy_of", Text),
    Column("flags", AsJson(tuple[Flag, ...], null=())),
    Column("run_id", Integer, nullable=False),
    Index("photos_by_site", "audit_id", "site_id", "name"),
    Index("photos_by_digest", "audit_id", "digest"),
)

#: values of costly steps by the fingerprint of what went into them
EVIDENCE = Table(
    "evidence",
    METADATA,
    Column("kind", Text, primary_key=True),
    Column("key", Text, primary_key=True),
    Column("version", Text, nullable=False),
    Column("value", LargeBinary, nullable=False),
)

#: a site's results. key: fingerprint of all that went into them. document: its part of estimates.json, compressed, null
#: where there is none; failures: JSON of the photos that could not be used; used: how many could, and flagged: how many
#: antennas want looking at; loss_avoided: by which the list is ordered
SITES = Table(
    "sites",
    METADATA,
    Column("audit_id", ForeignKey("audits.audit_id"), primary_key=True),
    Column("site_id", Text, primary_key=True),
    Column("key", Text, nullable=False),
    Column("version", Text, nullable=False),
    Column("solved", Text, nullable=False),
    Column("document", AsDocument, key="result"),
    Column("failures", AsJson(tuple[tuple[str, str], ...]), nullable=False),
    Column("used", Integer, nullable=False),
    Column("flagged", Integer, nullable=False),
    Column("loss_avoided", Double, nullable=False),
    Column("run_id", Integer, nullable=False),
    Index("sites_by_loss", "audit_id", "loss_avoided"),
)

#: what people did at the desk, never changed and never removed. at: ISO 8601, UTC; photo: its name then; digest: of its
#: content, by which it is known again when it moved; kind, body: as `photoaz.audit.edits` reads them
LOG = Table(
    "log",
    METADATA,
    Column("log_id", Integer, primary_key=True),
    Column("audit_id", ForeignKey("audits.audit_id"), nullable=False),
    Column("at", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("site_id", Text, nullable=False),
    Column("photo", Text),
    Column("digest", Text),
    Column("kind", Text, nullable=False),
    Column("body", AsJson(dict[str, Any]), nullable=False),
    Index("log_by_site", "audit_id", "site_id", "log_id"),
)
