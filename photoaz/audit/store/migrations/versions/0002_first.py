"""Tables as the first stores have them. A new store has them of the next revision, as they are now."""

revision = "0002"  # as stores have it that were made while there were two of them
down_revision = None


def upgrade() -> None:
    """Nothing: see the next revision."""
