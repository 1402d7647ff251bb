"""The tables of the first release, which a new store is given as `schema.py` has them."""

revision = "0004"  # as stores have it that were made before that release
down_revision = None
