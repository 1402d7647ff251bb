"""Rows of photos and of sites hold from a run on; in a new store, all tables as the schema has them.

A further migration changes the schema: what this one makes is then to be written out here.
"""

import sqlalchemy as sa
from alembic import op

from photoaz.audit.store.schema import METADATA, PHOTOS, SITES

revision = "0003"
down_revision = "0002"


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
