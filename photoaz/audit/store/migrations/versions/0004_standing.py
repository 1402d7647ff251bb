"""Of each site, how its readings and designs stand: the list of an archive's sites asks for that of all of them."""

import json
import zlib

import sqlalchemy as sa
from alembic import op

from photoaz.judgement.standing import Tally, tally_of
from photoaz.memory import converter
from photoaz.result import SiteResult

revision = "0004"
down_revision = "0003"

SITES = sa.table("sites", *(sa.column(name) for name in ("audit_id", "site_id", "since", "document", "standing")))


def upgrade() -> None:
    """Make the column, and fill it from the sites' documents."""
    db = op.get_bind()
    op.add_column("sites", sa.Column("standing", sa.Text))
    keys = (SITES.c.audit_id, SITES.c.site_id, SITES.c.since)
    # one document at a time: those of a large archive need not fit into memory
    for row in db.execute(sa.select(*keys).where(SITES.c.document.is_not(None))).all():
        this = [c == value for c, value in zip(keys, row, strict=True)]
        tally = _tally(db.execute(sa.select(SITES.c.document).where(*this)).scalar_one())
        if tally is not None:
            told = json.dumps(converter().unstructure(tally))
            db.execute(sa.update(SITES).where(*this).values(standing=told))


def _tally(document: bytes) -> Tally | None:
    """None where it is damaged, which whoever opens the site is told."""
    try:
        site = SiteResult.from_document(json.loads(zlib.decompress(document)))
    except (TypeError, ValueError, zlib.error):
        return None
    return tally_of(site.antennas)
