"""The log of what people did at the desk."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make it."""
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


def downgrade() -> None:
    """Drop it."""
    op.drop_table("log")
