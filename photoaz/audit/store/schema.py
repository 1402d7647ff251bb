"""The tables, as the newest migration leaves them."""

from __future__ import annotations

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
)

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
    Column("about", Text, nullable=False),
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
    Column("flags", Text),
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
    Column("document", LargeBinary),
    Column("failures", Text, nullable=False),
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
    Column("body", Text, nullable=False),
    Index("log_by_site", "audit_id", "site_id", "log_id"),
)
