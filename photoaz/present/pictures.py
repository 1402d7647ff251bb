"""Pictures and sheets of a solved site: every photo is opened once for each kind."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import datetime
from pathlib import Path

from photoaz.photo.pixels import decode
from photoaz.present.names import Unseen
from photoaz.present.overlay import Encoding, Shown, draw_overlay
from photoaz.present.sheet import best_view, crop_jpeg, sheet_html
from photoaz.register.model import Site
from photoaz.result import SiteResult


def overlays(
    result: SiteResult,
    files: Mapping[str, Path],
    *,
    encoding: Encoding = "png",
    only: Collection[str] | None = None,
) -> Iterator[tuple[str, bytes]]:
    """Name and picture of each photo that was looked at, also where it could not be used.

    files : where photos lie, by their names in the result; others are passed over. only : names of those wanted.
    """
    for photo in result.photos:
        path = files.get(photo.photo)
        if path is None or (only is not None and photo.photo not in only):
            continue
        shown = [
            Shown(antenna=antenna, view=view)
            for antenna in result.antennas
            for view in antenna.evidence
            if view.photo == photo.photo and photo.status == "used"
        ]
        if not shown and photo.window_px is None:
            continue
        unseen = [
            Unseen(antenna_id=antenna.antenna_id, view=view)
            for antenna in result.antennas
            for view in antenna.missing
            if view.photo == photo.photo
        ]
        page = draw_overlay(
            decode(path),
            photo,
            shown,
            unseen,
            site_id=result.site_id,
            common=result.common_mode,
            next_evidence=result.next_evidence,
            weak_points=result.weak_points,
            encoding=encoding,
        )
        yield photo.photo, page


def sheets(
    site: Site,
    result: SiteResult,
    files: Mapping[str, Path],
    created: datetime,
    *,
    only: Collection[str] | None = None,
) -> Iterator[tuple[str, str]]:
    """Id and second-opinion sheet (HTML) of each antenna. files : as of `overlays`. only : ids of those wanted."""
    wanted = [a for a in result.antennas if only is None or a.antenna_id in only]
    views = {antenna.antenna_id: best_view(antenna) for antenna in wanted}
    crops: dict[str, tuple[bytes, str]] = {}
    for name, path in files.items():
        of = {antenna_id: view for antenna_id, view in views.items() if view is not None and view.photo == name}
        if of:
            picture = decode(path)
            crops |= {antenna_id: (crop_jpeg(picture, view), name) for antenna_id, view in of.items()}
    for antenna in wanted:
        crop, photo = crops.get(antenna.antenna_id, (None, ""))
        yield antenna.antenna_id, sheet_html(site, result, antenna.antenna_id, created, crop=crop, crop_photo=photo)
