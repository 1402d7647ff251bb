"""Audits, runs, photos, evidence, sites, the log of the desk."""

import sqlalchemy as sa
from alembic import op

revision = "0002"  # as stores have it that were made while there were two of them
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "audits",
        sa.Column("audit_id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False, unique=True),
        sa.Column("created", sa.Text, nullable=False),
    )
    op.create_table(
        "runs",
        sa.Column("run_id", sa.Integer, primary_key=True),
        sa.Column("audit_id", sa.Integer, sa.ForeignKey("audits.audit_id"), nullable=False),
        sa.Column("started", sa.Text, nullable=False),
        sa.Column("ended", sa.Text),
        sa.Column("about", sa.Text, nullable=False),
    )
    op.create_table(
        "photos",
        sa.Column("audit_id", sa.Integer, sa.ForeignKey("audits.audit_id"), primary_key=True),
        sa.Column("name", sa.Text, primary_key=True),
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
    )
    op.create_index("photos_by_site", "photos", ["audit_id", "site_id", "name"])
    op.create_index("photos_by_digest", "photos", ["audit_id", "digest"])
    op.create_table(
        "evidence",
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("value", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "sites",
        sa.Column("audit_id", sa.Integer, sa.ForeignKey("audits.audit_id"), primary_key=True),
        sa.Column("site_id", sa.Text, primary_key=True),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("solved", sa.Text, nullable=False),
        sa.Column("document", sa.LargeBinary),
        sa.Column("failures", sa.Text, nullable=False),
        sa.Column("used", sa.Integer, nullable=False),
        sa.Column("flagged", sa.Integer, nullable=False),
        sa.Column("loss_avoided", sa.Double, nullable=False),
        sa.Column("run_id", sa.Integer, nullable=False),
    )
    op.create_index("sites_by_loss", "sites", ["audit_id", "loss_avoided"])
    op.create_table(
        "log",
        sa.Column("log_id", sa.Integer, primary_key=True),
        sa.Column("audit_id", sa.Integer, sa.ForeignKey("audits.audit_id"), nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("site_id", sa.Text, nullable=False),
        sa.Column("photo", sa.Text),
        sa.Column("digest", sa.Text),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_index("log_by_site", "log", ["audit_id", "site_id", "log_id"])
