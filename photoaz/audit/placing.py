"""Which site each photo of an audit shows, which photos are counted once, and what speaks against either."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from photoaz.audit.doubts import Flag
from photoaz.audit.filenames import unshown
from photoaz.audit.prints import PhotoPrint
from photoaz.audit.progress import Progress
from photoaz.audit.reading import facts_of
from photoaz.audit.repeats import count_once, two_sites
from photoaz.audit.store import KeptPhoto, Store
from photoaz.naming.places import PlaceMatch, SiteIndex, SiteNames, match_places, places_of, settle_site
from photoaz.register.model import Site

#: photos looked at together
PAGE = 5000


@dataclass(slots=True)
class _Placed:
    """A photo on its way: what the store has of it, and what is found now."""

    before: tuple[str | None, ...]
    site_id: str | None
    how: str | None
    placed: str | None
    flags: list[Flag]
    copy_of: str | None = None

    def row(self) -> tuple[str | None, ...]:
        flags = json.dumps([asdict(f) for f in self.flags], ensure_ascii=False) if self.flags else None
        return self.site_id, self.how, self.placed, self.copy_of, flags


def place_photos(store: Store, sites: Sequence[Site], manifest: Mapping[str, str] | None, progress: Progress) -> None:
    """Note for each photo of this run its site, or why there is none; copies and bursts; and what contradicts what.

    The same photos, register and manifest give the same, whatever was noted before.
    """
    index = site_index(sites)
    names = SiteNames(index.site_ids)
    found: dict[str, _Placed] = {}
    prints: list[PhotoPrint] = []
    for page in store.all_photos(PAGE):
        some = [p for p in page if p.facts is not None]
        facts = [facts_of(p) for p in some]
        matches = match_places(index, places_of([f.record for f in facts]))
        for photo, fact, match in zip(some, facts, matches, strict=True):
            found[photo.name] = _settled(photo, match, fact.flags, names, index, manifest)
            prints.append(fact.seen)
        progress.step(len(page))
    where = {name: one.site_id for name, one in found.items()}
    for name, flag in two_sites(prints, where).items():
        found[name].flags.append(flag)
    for repeat in count_once((p for p in prints if where[p.photo] is not None), where):
        found[repeat.photo].copy_of = repeat.kept
        found[repeat.photo].placed = repeat.message
    store.place(
        {"name": name, "site_id": row[0], "how": row[1], "placed": row[2], "copy_of": row[3], "flags": row[4]}
        for name, one in found.items()
        if (row := one.row()) != one.before
    )


def site_index(sites: Sequence[Site]) -> SiteIndex:
    """Sites by place; the head's height is the mean of the antennas'."""
    heights = [float(np.mean([a.rad_center_m for a in s.antennas])) if s.antennas else math.nan for s in sites]
    return SiteIndex(
        [s.site_id for s in sites],
        [s.lat_deg for s in sites],
        [s.lon_deg for s in sites],
        [s.position_u95_m for s in sites],
        heights,
    )


def _settled(
    photo: KeptPhoto,
    match: PlaceMatch,
    flags: Sequence[Flag],
    names: SiteNames,
    index: SiteIndex,
    manifest: Mapping[str, str] | None,
) -> _Placed:
    told = None if manifest is None else manifest.get(unshown(photo.name))
    settled = settle_site(match, manifest=told, folders=names.in_path(photo.name), index=index)
    site, reason = settled.site, settled.reason or None
    if site is not None and index.number(site) is None:
        site, reason = None, f"the manifest says {site}, which is not in the register"
    how = None
    if site is not None:
        by_place = match.status == "site" and match.site == site
        how = "manifest" if told is not None else "position" if by_place else "folder"
    contradictions = [Flag(code="place_contradicts", message=text, severity="weak") for text in settled.flags]
    before = (photo.site_id, photo.how, photo.placed, photo.copy_of, photo.flags)
    return _Placed(before=before, site_id=site, how=how, placed=reason, flags=[*flags, *contradictions])
