"""What an audit keeps: every photo's facts, evidence and every site's solution, in SQLite or PostgreSQL."""

from photoaz.audit.store.database import PATIENCE_S
from photoaz.audit.store.store import KeptSite, LogRow, SiteLine, Store, batches

__all__ = ["PATIENCE_S", "KeptSite", "LogRow", "SiteLine", "Store", "batches"]
