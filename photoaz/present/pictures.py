"""Pictures and sheets of a solved site: every photo is decoded once for all that is drawn of it.

As whoever asks names them, or as an audit's folder of results has them.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Literal

from photoaz.photo.pixels import decode
from photoaz.present.overlay import Encoding, draw_overlay, is_drawn
from photoaz.present.sheet import best_view, crop_jpeg, sheet_html
from photoaz.present.window import as_picture
from photoaz.present.words import is_reserved
from photoaz.register.model import Site
from photoaz.result import ById, SiteResult

if TYPE_CHECKING:
    from photoaz.audit.work import Wanted
    from photoaz.estimate.inputs import LocalPhoto


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A file's content. name: of the photo that an overlay is of, or the antenna's id that a sheet is of."""

    kind: Literal["overlay", "sheet"]
    name: str
    data: bytes


def draw(
    site: Site,
    result: SiteResult,
    files: Mapping[str, Path],
    *,
    digests: Mapping[str, str | None] | None = None,
    overlays: Encoding | None = None,
    sheets: Collection[str] = (),
) -> Iterator[Drawn]:
    """An overlay of each photo that was looked at, also where it could not be used; then the second-opinion sheets.

    site : from the register. files : where photos lie, by their names in the result; others are passed over. digests :
    of the files as they were read, by the same names; raises LostPhotoError where one has another content. overlays :
    their encoding; none are drawn where None. sheets : ids of the antennas that want one.
    """
    wanted = [a for a in result.antennas if a.antenna_id in sheets]
    views = {a.antenna_id: best_view(a) for a in wanted}
    crops: dict[str, bytes] = {}
    for photo in result.photos:
        path = files.get(photo.photo)
        mine = {name: view for name, view in views.items() if view is not None and view.photo == photo.photo}
        overlay = overlays if is_drawn(result, photo) else None
        if path is None or not (mine or overlay):
            continue
        picture = as_picture(decode(path, digest=(digests or {}).get(photo.photo)))
        if overlay is not None:
            yield Drawn(kind="overlay", name=photo.photo, data=draw_overlay(picture, result, photo, overlay))
        crops |= {name: crop_jpeg(picture, view) for name, view in mine.items()}
    created = datetime.now(UTC)
    for antenna in wanted:
        page = sheet_html(site, result, antenna.antenna_id, created, crops.get(antenna.antenna_id))
        yield Drawn(kind="sheet", name=antenna.antenna_id, data=page.encode())


def draw_site(
    result: SiteResult, site: Site, photos: Mapping[str, LocalPhoto], wanted: Wanted
) -> tuple[SiteResult, Mapping[str, bytes]]:
    """The result with the paths of its pictures and sheets, and the files: overlays/..., sheets/...

    photos : by their names in the result. Raises LostPhotoError where one is not as it was read.
    """
    flagged = [a.antenna_id for a in result.antennas if a.revisit]
    overlays = wanted.overlays == "all" or (wanted.overlays == "flagged" and bool(flagged))
    sheets = {"all": result.antennas.keys(), "flagged": flagged}.get(wanted.sheets, ())
    files: dict[str, bytes] = {}
    paths: dict[tuple[str, str], str] = {}
    folder, named = own_name(result.site_id), overlay_names(p.photo for p in result.photos)
    where, digests = ({name: getattr(p, what) for name, p in photos.items()} for what in ("path", "digest"))
    for one in draw(site, result, where, digests=digests, overlays="jpeg" if overlays else None, sheets=sheets):
        if one.kind == "overlay":
            path = f"overlays/{folder}/{folder} {named[one.name]}.jpg"
        else:
            path = f"sheets/{folder}/{own_name(one.name)}.html"
        files[path] = one.data
        paths[one.kind, one.name] = path
    drawn = replace(
        result,
        photos=ById(replace(p, overlay=paths.get(("overlay", p.photo))) for p in result.photos),
        antennas=ById(replace(a, sheet=paths.get(("sheet", a.antenna_id))) for a in result.antennas),
    )
    return drawn, files


def own_name(name: str, *, photo: bool = False) -> str:
    """An id, or a photo's own name without its suffix, where a file may be called so; else as `file_name`."""
    stem = PurePosixPath(name).stem if photo else name
    plain = re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9_ .-]{0,58}[A-Za-z0-9_-]|[A-Za-z0-9_-]", stem)
    return stem if plain and not is_reserved(stem) else file_name(name)


def overlay_names(photos: Iterable[str]) -> dict[str, str]:
    """A site's photos by their own names; of those with the same one, all but the first by `file_name`."""
    taken: set[str] = set()
    out: dict[str, str] = {}
    for photo in photos:
        name = own_name(photo, photo=True)
        out[photo] = file_name(photo) if name.lower() in taken else name
        taken.add(name.lower())
    return out


def file_name(name: str) -> str:
    """A name for a file, without a suffix: what is readable of the last part, and what tells it from all others."""
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", PurePosixPath(name).stem).strip("_")[:60]
    return f"{stem or 'photo'}-{digest[:8]}"
