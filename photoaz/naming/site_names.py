"""Which site a photo belongs to by all that is known: a list's word, its geotag, the folders that it lies in."""

from __future__ import annotations

import math
import re
import unicodedata
import urllib.parse
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from photoaz.geodesy.frames import EnuFrame
from photoaz.naming.places import PlaceMatch, SiteIndex
from photoaz.quantities import REACH_M
from photoaz.register.model import Site
from photoaz.wording import percent_words

#: below this probability of anything else a geotag's word is sure
GEOTAG_SURE = 0.95


class SiteNames:
    """Sites by their names as people write them in folders."""

    def __init__(self, site_ids: Iterable[str]) -> None:
        self._exact = set(site_ids)
        self._loose: dict[str, list[str]] = {}
        for site in sorted(self._exact):
            self._loose.setdefault(normal_name(site), []).append(site)

    def of(self, name: str) -> tuple[str, ...]:
        """Sites that this name means: the one that is spelled just so, or else all that are spelled much like it."""
        return (name,) if name in self._exact else tuple(self._loose.get(normal_name(name), ()))

    def in_path(self, url: str) -> tuple[str, ...]:
        """Sites that a path or URL names: by a folder equal to a site's id, the innermost first; () where none does.

        The file's own name counts too, without its suffix.
        """
        if re.match(r"https?://", url):
            url = urllib.parse.unquote(urllib.parse.urlsplit(url).path)
        parts = [p for p in re.split(r"[/\\]", url) if p not in ("", ".", "..")]
        if parts:
            parts[-1] = parts[-1].rpartition(".")[0] or parts[-1]
        found: dict[str, None] = {}
        for part in reversed(parts):
            found |= dict.fromkeys(self.of(part))
        return tuple(found)


def normal_name(name: str) -> str:
    """What two spellings of a name have in common: capitals, width, and what stands between words do not count."""
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return re.sub(r"[\s_\-.]+", "-", folded).strip("-")


def settle_site(
    match: PlaceMatch, *, manifest: str | None = None, folders: tuple[str, ...] = (), index: SiteIndex | None = None
) -> PlaceMatch:
    """The site by all that is known: the manifest's word first, then the geotag where it is sure, then the folder's.

    Parameters
    ----------
    match : by position and heading. manifest : the site that a list of photos gives. folders : sites that the path
    names (`SiteNames.in_path`). index : only to say how far away a contradicting site is.

    A contradiction never passes in silence: it is in `flags`.
    """
    if manifest is not None:
        flags = _contradiction("the manifest", manifest, match, index)
        if folders and manifest not in folders:
            flags += (f"the manifest says {manifest}, the folder {' and '.join(folders)}",)
        return replace(match, site=manifest, status="site", reason="", flags=match.flags + flags)
    if not folders:
        return match
    if match.status == "site":
        if match.site in folders:
            return match
        flags = _contradiction("the folder", folders[0], match, index)
        if match.probability >= GEOTAG_SURE or len(folders) > 1:
            return replace(match, flags=match.flags + flags)
        reason = f"the position says {match.site} ({percent_words(match.probability)}), the folder {folders[0]}"
        return replace(match, site=None, status="two_sites", reason=reason, flags=match.flags + flags)
    if match.status == "two_sites":
        possible = [site for site, _ in match.alternatives]
        named = [site for site in folders if site in possible]
        if len(named) == 1:
            return replace(match, site=named[0], status="site", reason="", probability=GEOTAG_SURE)
        flags = () if named else _contradiction("the folder", folders[0], match, index)
        return replace(match, flags=match.flags + flags)
    if len(folders) > 1:
        reason = f"{match.reason}; its path names {' and '.join(folders)}"
        return replace(match, status="two_sites", reason=reason)
    if match.status == "no_position":
        return replace(match, site=folders[0], status="site", reason="", probability=GEOTAG_SURE)
    # within reach the folder knows better than a prior for photos of nothing
    if any(site == folders[0] for site, _ in match.alternatives) or _away_m(match, folders[0]) <= REACH_M:
        return replace(match, site=folders[0], status="site", reason="")
    flags = _contradiction("the folder", folders[0], match, index)
    return replace(match, reason=f"{match.reason}; yet the folder says {folders[0]}", flags=match.flags + flags)


def _away_m(match: PlaceMatch, site: str) -> float:
    return match.distance_m if site == match.nearest and match.distance_m is not None else math.inf


def _contradiction(who: str, said: str, match: PlaceMatch, index: SiteIndex | None) -> tuple[str, ...]:
    """What the geotag says against it; () where it says nothing, or the same."""
    if match.status == "no_position" or match.site == said or said in (site for site, _ in match.alternatives):
        return ()
    if match.status == "site":
        return (f"{who} says {said}, but by position and heading it shows {match.site}",)
    if match.status == "two_sites":
        return (f"{who} says {said}, but by position and heading {match.reason}",)
    if said == match.nearest and match.distance_m is not None and match.distance_m <= REACH_M:
        return ()
    known = index is None or index.number(said) is not None
    return (f"{who} says {said}{'' if known else ', which is not in the register'}, but {match.reason}",)


def exchange_that_fits(lat_deg: float, lon_deg: float, sites: Sequence[Site], within_m: float) -> str | None:
    """Which slip would bring a photo's place to one of the sites, in words; None where none does, or none is needed.

    within_m : how far off a photo of a site may be taken.
    """
    lat, lon = np.array([[s.lat_deg, s.lon_deg] for s in sites]).T
    slips = (
        ("latitude and longitude exchanged", lon, lat),
        ("the latitude's sign lost", -lat, lon),
        ("the longitude's sign lost", lat, -lon),
        ("both signs lost", -lat, -lon),
        ("latitude and longitude exchanged and a sign lost", -lon, lat),
        ("latitude and longitude exchanged and a sign lost", lon, -lat),
    )
    frame = EnuFrame(lat_deg=lat_deg, lon_deg=lon_deg, height_m=0.0)
    for words, lats, lons in slips:
        # a degree of latitude is 111 km; few are near enough to be measured
        near = (np.abs(lats) <= 90.0) & (np.abs(lats - lat_deg) < within_m / 111e3 * 1.01)
        for k in np.flatnonzero(near).tolist():
            away_m = float(np.hypot(*frame.enu_from_geodetic(lats[k], lons[k])[:2]))
            if away_m <= within_m:
                where = f"{away_m:.0f} m" if away_m < 1000.0 else f"{away_m / 1000.0:.1f} km"
                return f"with {words} it would be {where} from {sites[k].site_id}"
    return None
