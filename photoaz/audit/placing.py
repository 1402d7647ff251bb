"""Which site each photo of an audit shows, which photos are counted once, and what speaks against either."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import replace

from photoaz.audit.doubts import Flag
from photoaz.audit.filenames import unshown
from photoaz.audit.photos import KeptPhoto, ReadPhoto
from photoaz.audit.prints import PhotoPrint
from photoaz.audit.progress import Progress
from photoaz.audit.repeats import count_once, two_sites
from photoaz.audit.store import Store
from photoaz.naming.places import SECOND_SITE, PlaceMatch, SiteIndex, match_places, places_of, site_index, spell_stamp
from photoaz.naming.site_names import SiteNames, settle_site
from photoaz.quantities import STAMPED_M
from photoaz.register.model import Site

#: photos looked at together
PAGE = 5000


def place_photos(store: Store, sites: Sequence[Site], manifest: Mapping[str, str] | None, progress: Progress) -> None:
    """Note for each photo of this run its site, or why there is none; copies and bursts; and what contradicts what.

    The same photos, register and manifest give the same, whatever was noted before.
    """
    index = site_index(sites)
    names = SiteNames(index.site_ids)
    near = {s.site_id: {n.site_id for n in s.neighbours} for s in sites if s.neighbours}
    before: dict[str, KeptPhoto] = {}
    found: dict[str, KeptPhoto] = {}
    prints: list[PhotoPrint] = []
    for page in store.all_photos(PAGE):
        some = [p for p in page if p.facts is not None]
        reads = [_read(store, p) for p in some]
        matches = match_places(index, places_of([r.record for r in reads]))
        for photo, read, match in zip(some, reads, matches, strict=True):
            # what was read of millions of photos is not held
            before[photo.name] = replace(photo, facts=None)
            found[photo.name] = _settled(before[photo.name], match, read.flags, names, index, manifest, near)
            prints.append(read.seen)
        progress.step(len(page))
    where = {name: one.site_id for name, one in found.items()}
    for name, flag in two_sites(prints, where).items():
        found[name] = replace(found[name], flags=(*found[name].flags, flag))
    for repeat in count_once(prints, where):
        found[repeat.photo] = replace(found[repeat.photo], copy_of=repeat.kept, placed=repeat.message)
    store.place(photo for name, photo in found.items() if photo != before[name])


def _read(store: Store, photo: KeptPhoto) -> ReadPhoto:
    try:
        return photo.read
    except Exception:  # noqa: BLE001  whatever a damaged row makes its readers raise
        raise store.damaged(KeptPhoto, photo.name) from None


def _settled(
    photo: KeptPhoto,
    match: PlaceMatch,
    flags: Sequence[Flag],
    names: SiteNames,
    index: SiteIndex,
    manifest: Mapping[str, str] | None,
    near: Mapping[str, Set[str]],
) -> KeptPhoto:
    told = None if manifest is None else manifest.get(unshown(photo.name))
    settled = settle_site(match, manifest=told, folders=names.in_path(photo.name), index=index)
    beside: list[Flag] = []
    likely = [site for site, p in settled.alternatives if p >= SECOND_SITE]
    all_near = bool(likely) and all(site in near.get(likely[0], ()) for site in likely[1:])
    if settled.status == "two_sites" and all_near:
        said = f"{settled.reason}: it is solved with the antennas of both"
        beside.append(Flag(code="sites_side_by_side", message=said, severity="info"))
        match = settled = replace(settled, site=settled.alternatives[0][0], status="site", reason="")
    site, reason = settled.site, settled.reason or None
    if site is not None and index.number(site) is None:
        site, reason = None, f"the manifest says {site}, which is not in the register"
    how = None
    if site is not None:
        by_place = match.status == "site" and match.site == site
        how = "manifest" if told is not None else "position" if by_place else "folder"
    contradictions = [Flag(code="place_contradicts", message=text, severity="weak") for text in settled.flags]
    if match.distance_m is not None and match.distance_m < STAMPED_M:
        stamp = Flag(code="position_stamped", message=spell_stamp(match.distance_m), severity="weak")
        contradictions.append(stamp)
    every = (*flags, *beside, *contradictions)
    return replace(photo, site_id=site, how=how, placed=reason, copy_of=None, flags=every)
