"""Runs the migrations on the connection that the store hands over."""

from alembic import context

from photoaz.audit.store.schema import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,  # SQLite changes a table by making it anew
    transactional_ddl=False,  # the store has begun the transaction, and ends it
)
context.run_migrations()
