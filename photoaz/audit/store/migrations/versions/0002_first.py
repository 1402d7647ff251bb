"""The tables of the first release, as the schema has them.

A second migration changes the schema: what this one makes is then to be written out here.
"""

from alembic import op

from photoaz.audit.store.schema import METADATA

revision = "0002"  # as stores have it that were made while there were two of them
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    METADATA.create_all(op.get_bind())
