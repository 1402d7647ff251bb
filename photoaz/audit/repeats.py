"""Photos that are one photo: copies, bursts, and pictures handed in for two sites.

Pure functions over the prints of the photos. Nothing here proves a forgery: every flag says what was found.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from photoaz.angles import Array, difference_deg
from photoaz.audit.doubts import Flag
from photoaz.audit.prints import PhotoPrint, distance_bits
from photoaz.wording import some_of

#: hashes of one picture, saved again or made smaller, mostly differ by at most this many of 64 bits (measured: 0 to 4
#: where a photo of some megapixels is made four times smaller)
NEAR_BITS = 4
#: sides in the same proportion to this
ASPECT_SHARE = 0.02
#: photos of a burst follow each other so quickly, look so much alike and into the same direction (common practice)
BURST_S, BURST_BITS, BURST_HEADING_DEG = 5.0, 10, 5.0
#: copies keep the time they were taken at, but for parts of a second
SAME_TIME_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """A photo that is not counted because `kept` is; message says why, and why that one."""

    photo: str
    kept: str
    message: str


def near_pairs(hashes: ArrayLike) -> Array:
    """Pairs (m, 2) of places in `hashes` (n,) whose hashes differ in at most NEAR_BITS bits; the lower place first.

    Found by sorting each of four bands of 16 bits: of up to three bits that differ one band is always untouched, of
    four in nine cases of ten. Of equal hashes the first stands for the others.
    """
    every = np.asarray(hashes, np.uint64)
    value, inverse = np.unique(every, return_inverse=True)
    found = [np.empty((0, 2), np.intp)]
    for shift in (48, 32, 16, 0):
        band = (value >> np.uint64(shift)) & np.uint64(0xFFFF)
        order = np.argsort(band, kind="stable")
        band, ranked = band[order], value[order]
        here = np.arange(len(value) - 1)
        for step in range(1, len(value)):
            here = here[here + step < len(value)]
            here = here[band[here] == band[here + step]]
            if not len(here):
                break
            near = here[np.bitwise_count(ranked[here] ^ ranked[here + step]) <= NEAR_BITS]
            found.append(np.stack([order[near], order[near + step]], -1))
    pairs = np.unique(np.sort(np.concatenate(found), axis=1), axis=0)
    # back from different hashes to all that have them: the first of each stands for the others
    by_value = np.argsort(inverse, kind="stable")
    firsts = by_value[np.searchsorted(inverse[by_value], np.arange(len(value)))]
    same = np.stack([firsts[inverse], np.arange(len(every))], -1)
    pairs = np.concatenate([firsts[pairs], same[same[:, 0] != same[:, 1]]])
    return np.sort(pairs, axis=1)


def linked(pairs: ArrayLike, n: int) -> list[tuple[int, ...]]:
    """Groups of two and more of n places that pairs (m, 2) link; each ascending, in order of the first.

    Links add up: the first and the last of a long chain may differ by more than any two that are linked.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ends = np.asarray(pairs, np.intp).reshape(-1, 2)
    graph = coo_array((np.ones(len(ends), bool), (ends[:, 0], ends[:, 1])), shape=(n, n))
    label = connected_components(graph, directed=False)[1] if len(ends) else np.empty(0, int)
    members: dict[int, list[int]] = defaultdict(list)
    for k in np.unique(ends).tolist():
        members[int(label[k])].append(k)
    return sorted(tuple(m) for m in members.values())


def same_picture(a: PhotoPrint, b: PhotoPrint) -> bool:
    """Are two files the same photo: the same bytes, or the same picture saved again or made smaller?"""
    if a.sha256 == b.sha256:
        return True
    if a.phash is None or b.phash is None or distance_bits(a.phash, b.phash) > NEAR_BITS:
        return False
    aspects = a.width_px * b.height_px, b.width_px * a.height_px
    if abs(aspects[0] - aspects[1]) > ASPECT_SHARE * max(aspects):
        return False
    if a.taken_s is not None and b.taken_s is not None and abs(a.taken_s - b.taken_s) >= SAME_TIME_S:
        return False
    return not (a.camera and b.camera and a.camera != b.camera)


def copies(prints: Sequence[PhotoPrint]) -> list[tuple[int, ...]]:
    """Groups of places of the same photo (`same_picture`), each ascending."""
    pairs: list[tuple[int, int]] = []
    first: dict[str, int] = {}
    for k, one in enumerate(prints):
        if first.setdefault(one.sha256, k) != k:
            pairs.append((first[one.sha256], k))
    hashed = [k for k in first.values() if prints[k].phash is not None]
    hashes = np.array([prints[k].phash for k in hashed], np.uint64)
    for group in linked(near_pairs(hashes), len(hashed)):
        pairs += _same_pairs(prints, [hashed[k] for k in group])
    return linked(pairs, len(prints))


def _same_pairs(prints: Sequence[PhotoPrint], members: list[int]) -> Iterator[tuple[int, int]]:
    """Pairs of the same photo among some with near hashes: within a chain of hashes only these are linked.

    In the order of time, since only those of one time, or of none, can be the same: a crowd of like pictures is common.
    """
    timed = sorted((t, k) for k in members if (t := prints[k].taken_s) is not None)
    timeless = [k for k in members if prints[k].taken_s is None]
    for i, a in enumerate(timeless):
        yield from ((a, b) for b in timeless[i + 1 :] if same_picture(prints[a], prints[b]))
        yield from ((a, b) for _, b in timed if same_picture(prints[a], prints[b]))
    for i, (at, a) in enumerate(timed):
        for later, b in timed[i + 1 :]:
            if later - at >= SAME_TIME_S:
                break
            if same_picture(prints[a], prints[b]):
                yield a, b


def bursts(prints: Sequence[PhotoPrint]) -> list[tuple[int, ...]]:
    """Groups of places of shots by one camera within seconds, of nearly one picture into one direction."""
    ready = [k for k, p in enumerate(prints) if p.camera and p.taken_s is not None and p.phash is not None]
    ready.sort(key=lambda k: (prints[k].camera, prints[k].taken_s or 0.0, prints[k].photo))
    groups: list[list[int]] = []
    opened: list[list[int]] = []
    for k in ready:
        now = prints[k]
        last = [(g, prints[g[-1]]) for g in opened]
        opened = [g for g, p in last if p.camera == now.camera and (now.taken_s or 0.0) - (p.taken_s or 0.0) <= BURST_S]
        home = next((g for g in opened if _alike(prints[g[0]], now)), None)
        if home is None:
            home = []
            opened.append(home)
            groups.append(home)
        home.append(k)
    return sorted(tuple(sorted(g)) for g in groups if len(g) > 1)


def _alike(a: PhotoPrint, b: PhotoPrint) -> bool:
    if (a.width_px > a.height_px) != (b.width_px > b.height_px):
        return False
    known = a.heading_deg is not None and b.heading_deg is not None
    if known and abs(difference_deg(a.heading_deg or 0.0, b.heading_deg or 0.0)) > BURST_HEADING_DEG:
        return False
    return distance_bits(a.phash or 0, b.phash or 0) <= BURST_BITS


def count_once(prints: Iterable[PhotoPrint], sites: Mapping[str, str | None]) -> tuple[Repeat, ...]:
    """Which photos are not counted because another one of the same site is, in the order given.

    Of copies the one with most pixels, then most metadata, then most bytes is kept; of a burst too, where the largest
    file is mostly the sharpest. sites: the site of each photo; those of none are left out, and the same picture at two
    sites is `two_sites`' business.
    """
    by_site: dict[str, list[PhotoPrint]] = defaultdict(list)
    order: dict[str, int] = {}
    for k, one in enumerate(prints):
        site = sites.get(one.photo)
        if site is not None:
            order[one.photo] = k
            by_site[site].append(one)
    repeats: dict[str, Repeat] = {}
    for some in by_site.values():
        for find in (copies, bursts):
            left = [p for p in some if p.photo not in repeats]
            for group in find(left):
                members = [left[k] for k in group]
                kept = min(members, key=_worth)
                repeats |= {p.photo: _repeat(p, kept, burst=find is bursts) for p in members if p is not kept}
    # what a burst's shot was kept for is kept by the burst's best
    out = []
    for repeat in sorted(repeats.values(), key=lambda r: order[r.photo]):
        name = repeat.kept
        while name in repeats:
            name = repeats[name].kept
        out.append(replace(repeat, kept=name))
    return tuple(out)


def _worth(p: PhotoPrint) -> tuple[int, int, int, int, str]:
    # of files that are the same the shorter name is mostly the first one: 'a.jpg' and 'copy of a.jpg'
    return -p.width_px * p.height_px, -p.tags, -p.n_bytes, len(p.photo), p.photo


def _repeat(one: PhotoPrint, kept: PhotoPrint, *, burst: bool) -> Repeat:
    if one.sha256 == kept.sha256:
        message = f"the same file as {kept.photo}; counted once"
    elif burst:
        apart = (one.taken_s or 0.0) - (kept.taken_s or 0.0)
        when = f"{abs(apart):.1f} s {'after' if apart > 0 else 'before'}" if apart else "in the same second as"
        why = _advantage(kept, one, "is the larger file, mostly the sharper one")
        message = f"taken {when} {kept.photo}, of nearly the same picture; counted once: that one {why}"
    else:
        why = _advantage(kept, one, "is the larger file")
        message = f"the same picture as {kept.photo}; counted once: that one {why}"
    return Repeat(photo=one.photo, kept=kept.photo, message=message)


def _advantage(kept: PhotoPrint, one: PhotoPrint, bytes_: str) -> str:
    if kept.width_px * kept.height_px > one.width_px * one.height_px:
        return f"has more pixels ({kept.width_px} x {kept.height_px}, not {one.width_px} x {one.height_px})"
    if kept.tags > one.tags:
        return "has more metadata"
    return bytes_ if kept.n_bytes > one.n_bytes else "has the plainer name"


def two_sites(prints: Sequence[PhotoPrint], sites: Mapping[str, str | None]) -> dict[str, Flag]:
    """A flag for each photo whose picture was handed in for another site as well; sites: that of each photo."""
    out: dict[str, Flag] = {}
    for group in copies(prints):
        members = [prints[k] for k in group]
        for one in members:
            own = sites.get(one.photo)
            others = [o for o in members if (there := sites.get(o.photo)) is not None and own not in (None, there)]
            if others:
                named = some_of([f"{sites[o.photo]} ({o.photo})" for o in others], 3, "; ")
                how = "file" if all(o.sha256 == one.sha256 for o in others) else "picture"
                message = f"the same {how} was handed in for {named} as well as for {own}"
                out[one.photo] = Flag(code="two_sites", message=message, severity="serious")
    return out
