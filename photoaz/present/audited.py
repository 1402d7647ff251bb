"""The pictures of a site's photos and the sheets of its antennas, as an audit's folder of results has them."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path, PurePosixPath

from photoaz.audit.work import Wanted
from photoaz.present.pictures import draw
from photoaz.register.model import Site
from photoaz.result import ById, SiteResult


def draw_site(
    result: SiteResult, site: Site, photos: Mapping[str, Path], wanted: Wanted
) -> tuple[SiteResult, Mapping[str, bytes]]:
    """The result with the paths of its pictures and sheets, and the files: overlays/..., sheets/...

    photos : where they lie, by their names in the result.
    """
    flagged = [a.antenna_id for a in result.antennas if a.revisit]
    overlays = wanted.overlays == "all" or (wanted.overlays == "flagged" and bool(flagged))
    sheets = {"all": result.antennas.keys(), "flagged": flagged}.get(wanted.sheets, ())
    files: dict[str, bytes] = {}
    paths: dict[tuple[str, str], str] = {}
    for one in draw(site, result, photos, overlays="jpeg" if overlays else None, sheets=sheets):
        if one.kind == "overlay":
            path = f"overlays/{file_name(one.name)}.jpg"
        else:
            path = f"sheets/{file_name(result.site_id)}/{file_name(one.name)}.html"
        files[path] = one.data
        paths[one.kind, one.name] = path
    drawn = replace(
        result,
        photos=ById(replace(p, overlay=paths.get(("overlay", p.photo))) for p in result.photos),
        antennas=ById(replace(a, sheet=paths.get(("sheet", a.antenna_id))) for a in result.antennas),
    )
    return drawn, files


def file_name(name: str) -> str:
    """A name for a file, without a suffix: what is readable of the last part, and what tells it from all others."""
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", PurePosixPath(name).stem).strip("_")[:60]
    return f"{stem or 'photo'}-{digest[:8]}"
