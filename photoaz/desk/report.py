"""The audit's report, served by the desk beside its own page: there, and only there, its rows lead to the desk."""

from __future__ import annotations

import re
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from photoaz.desk.answering import Answered, Said
from photoaz.desk.session import Desk, NothingThereError
from photoaz.present.folder import OWN_FOLDERS
from photoaz.present.frame import asset, source_hash
from photoaz.present.words import DESK_MARK, page_name

REPORT_ROUTES = tuple(f"/{folder}/{{path:path}}" for folder in OWN_FOLDERS)
_TYPES = {".html": "text/html", ".jpg": "image/jpeg", ".png": "image/png"}
#: pages may be styled, show pictures, and run the report's own scripts and no others, whatever lies in the folder
_POLICY = "; ".join(
    (
        "default-src 'none'",
        "img-src 'self' data:",
        "style-src 'unsafe-inline'",
        "script-src " + " ".join(source_hash(asset(f"{name}.js")) for name in ("index", "site", "antennas")),
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
_MARK = re.compile(re.escape(DESK_MARK).replace("SITE", "([^<> ]*)"))


def read_report(desk: Desk, request: Request, _said: Said) -> Answered:
    """A page or picture of the folder of results; where a page has a place for it, with the way to the desk."""
    path = _within(desk, request.url.path)
    kind = None if path is None else _TYPES.get(path.suffix.lower())
    if path is None or kind is None:
        raise NothingThereError("no such page or picture in these results")
    if kind != "text/html":
        return Response(path.read_bytes(), media_type=kind)
    text = _MARK.sub(_way_to_the_desk, path.read_text(encoding="utf-8"))
    return Response(text, media_type=kind, headers={"content-security-policy": _POLICY})


def report_of(desk: Desk, site_id: str | None = None) -> str | None:
    """Address of the report, or of a site's page in it; None where there is none."""
    page = "report/index.html" if site_id is None else f"report/sites/{page_name(site_id, set())}"
    return None if _within(desk, page) is None else f"/{page}"


def _within(desk: Desk, path: str) -> Path | None:
    """A file of the folder of results, wherever links in it lead."""
    if desk.folder is None or "\0" in path:
        return None
    home = desk.folder.resolve()
    found = (home / path.lstrip("/")).resolve()
    return found if found.is_relative_to(home) and found.is_file() else None


def _way_to_the_desk(mark: re.Match[str]) -> str:
    """A site's page at the desk; without a site its list."""
    if not mark[1]:
        return '<a id="desk" href="/">The desk</a>'
    return f' <a class="desk" href="/#/site/{mark[1].replace("%2D", "-")}">at the desk</a>'
