"""Rows of photos and of sites hold from a run on; in a new store, all tables as they were then."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

METADATA = sa.MetaData()

AUDITS = sa.Table(
    "audits",
    METADATA,
    sa.Column("audit_id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("created", sa.Text, nullable=False),
)
RUNS = sa.Table(
    "runs",
    METADATA,
    sa.Column("run_id", sa.Integer, primary_key=True),
    sa.Column("audit_id", sa.ForeignKey("audits.audit_id"), nullable=False),
    sa.Column("started", sa.Text, nullable=False),
    sa.Column("ended", sa.Text),
    sa.Column("about", sa.Text, nullable=False),
)
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
    sa.Column("flags", sa.Text),
    sa.Column("run_id", sa.Integer, nullable=False),
    sa.Index("photos_by_site", "audit_id", "site_id", "name"),
    sa.Index("photos_by_digest", "audit_id", "digest"),
)
EVIDENCE = sa.Table(
    "evidence",
    METADATA,
    sa.Column("kind", sa.Text, primary_key=True),
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("version", sa.Text, nullable=False),
    sa.Column("value", sa.LargeBinary, nullable=False),
)
SITES = sa.Table(
    "sites",
    METADATA,
    sa.Column("audit_id", sa.ForeignKey("audits.audit_id"), primary_key=True),
    sa.Column("site_id", sa.Text, primary_key=True),
    sa.Column("since", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("key", sa.Text, nullable=False),
    sa.Column("version", sa.Text, nullable=False),
    sa.Column("solved", sa.Text, nullable=False),
    sa.Column("document", sa.LargeBinary),
    sa.Column("failures", sa.Text, nullable=False),
    sa.Column("used", sa.Integer, nullable=False),
    sa.Column("flagged", sa.Integer, nullable=False),
    sa.Column("loss_avoided", sa.Double, nullable=False),
    sa.Column("run_id", sa.Integer, nullable=False),
    sa.Index("sites_by_loss", "audit_id", "loss_avoided"),
)
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
    sa.Column("body", sa.Text, nullable=False),
    sa.Index("log_by_site", "audit_id", "site_id", "log_id"),
)


def upgrade() -> None:
    """Make the tables, and move the rows of those that were there into them."""
    db = op.get_bind()
    old = [table for table in (PHOTOS, SITES) if sa.inspect(db).has_table(table.name)]
    for table in old:
        for index in table.indexes:
            op.drop_index(str(index.name), table.name)
        if db.dialect.name == "postgresql":
            op.execute(f"ALTER TABLE {table.name} RENAME CONSTRAINT {table.name}_pkey TO old_{table.name}_pkey")
        op.rename_table(table.name, f"old_{table.name}")
    METADATA.create_all(db)
    for table in old:
        names = [c.name for c in table.c]
        before = ", ".join("run_id" if name == "since" else name for name in names)
        op.execute(f"INSERT INTO {table.name} ({', '.join(names)}) SELECT {before} FROM old_{table.name}")
        op.drop_table(f"old_{table.name}")
