"""What costly steps came to, in the store's table of evidence."""

from __future__ import annotations

from sqlalchemy import Engine, select

from photoaz import __version__
from photoaz.audit.store.database import at_once, patient, upsert
from photoaz.audit.store.schema import EVIDENCE


class StoreMemory:
    """A memory (see `photoaz.memory`) in the store's table of evidence."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine

    @patient
    def get(self, kind: str, key: str) -> bytes | None:
        """What was put there, or None."""
        query = select(EVIDENCE.c.value).where(EVIDENCE.c.kind == kind, EVIDENCE.c.key == key)
        with at_once(self.engine) as db:
            row = db.execute(query).first()
        return None if row is None else bytes(row.value)

    @patient
    def put(self, kind: str, key: str, value: bytes) -> None:
        """Keep it, in the place of what is there: the same, or damaged."""
        values = {"kind": kind, "key": key, "version": __version__, "value": value}
        with at_once(self.engine) as db:
            upsert(db, EVIDENCE, values, ("kind", "key"))
