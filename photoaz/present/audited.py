"""The pictures of a site's photos and the sheets of its antennas, as an audit's folder of results has them."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from photoaz.audit.work import Wanted
from photoaz.present.pictures import overlays, sheets
from photoaz.register.model import Site
from photoaz.result import ById, SiteResult


def draw_site(
    result: SiteResult, site: Site, photos: Mapping[str, Path], wanted: Wanted
) -> tuple[SiteResult, Mapping[str, bytes]]:
    """The result with the paths of its pictures and sheets, and the files: overlays/..., sheets/...

    photos : where they lie, by their names in the result.
    """
    flagged = [a.antenna_id for a in result.antennas if a.revisit]
    files: dict[str, bytes] = {}
    pictures: dict[str, str] = {}
    pages: dict[str, str] = {}
    if _is_wanted(wanted.overlays, bool(flagged)):
        for name, picture in overlays(result, photos, encoding="jpeg"):
            pictures[name] = f"overlays/{file_name(name)}.jpg"
            files[pictures[name]] = picture
    if _is_wanted(wanted.sheets, bool(flagged)):
        only = None if wanted.sheets == "all" else flagged
        for antenna_id, page in sheets(site, result, photos, datetime.now(UTC), only=only):
            pages[antenna_id] = f"sheets/{file_name(result.site_id)}/{file_name(antenna_id)}.html"
            files[pages[antenna_id]] = page.encode()
    drawn = replace(
        result,
        photos=ById(replace(p, overlay=pictures.get(p.photo)) for p in result.photos),
        antennas=ById(replace(a, sheet=pages.get(a.antenna_id)) for a in result.antennas),
    )
    return drawn, files


def _is_wanted(which: str, flagged: bool) -> bool:
    return which == "all" or (which == "flagged" and flagged)


def file_name(name: str) -> str:
    """A name for a file, without a suffix: what is readable of the last part, and what tells it from all others."""
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", PurePosixPath(name).stem).strip("_")[:60]
    return f"{stem or 'photo'}-{digest[:8]}"
