"""How far a photo can be trusted: copies and bursts, later changes, clocks that cannot be right.

Pure functions over what was read of each photo. Nothing here proves a forgery: every flag says what was found.
"""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from photoaz.angles import difference_deg
from photoaz.errors import InputError
from photoaz.photo.record import PhotoRecord

Array = NDArray[Any]
Severity = Literal["info", "weak", "serious"]
RepeatKind = Literal["duplicate", "near_duplicate", "burst"]

#: hashes of one picture, saved again or made smaller, mostly differ by at most this many of 64 bits (measured: 0 to 4
#: where a photo of some megapixels is made four times smaller)
NEAR_BITS = 4
#: parts of a hash that are looked up: of so many bits that differ one part is always untouched, of one more in nine
#: cases of ten
BANDS = 4
CERTAIN_BITS = BANDS - 1
#: sides in the same proportion to this
ASPECT_SHARE = 0.02
#: photos of a burst follow each other so quickly, look so much alike and into the same direction (common practice)
BURST_S, BURST_BITS, BURST_HEADING_DEG = 5.0, 10, 5.0
#: copies keep the time they were taken at, but for parts of a second
SAME_TIME_S = 1.0
#: a picture whose levels spread less than this has no hash: noise would decide its bits
FLAT_LEVELS = 2.0
#: the correlation of a camera's own preview with its picture is 0.95 and more; below this they differ (no source)
PREVIEW_ALIKE = 0.75
PREVIEW_FLAT_LEVELS = 6.0
#: a file written so much later than it was taken was changed; phones need some seconds to finish
CHANGED_S = 120.0
#: satellite time and clock agree to this, as in photo/moment.py
CLOCK_S = 120.0
QUARTER_HOUR_S = 900.0
#: zones in use: UTC-12 to UTC+14 (IANA time zone database); they stray from the sun's time by up to so much
ZONES_S = (-12 * 3600.0, 14 * 3600.0)
ZONE_STRAYS_H = 3.6
#: GPS counts weeks modulo 1024 (IS-GPS-200, 20.3.3.3.1.1); old receivers go back by that much
ROLLOVER_S = 1024 * 7 * 86400.0
#: when each version of Exif was published (title pages of CIPA DC-008 and JEITA CP-3451, from memory)
EXIF_PUBLISHED = {
    "0210": date(1998, 6, 1),
    "0220": date(2002, 4, 1),
    "0221": date(2003, 9, 1),
    "0230": date(2010, 4, 1),
    "0231": date(2016, 7, 1),
    "0232": date(2019, 5, 1),
    "0300": date(2023, 5, 1),
}
#: cameras were sold with a new version so long before it was published
EXIF_EARLY = timedelta(days=365)
#: deep twilight and full daylight, elevation of the sun [deg]; exposure values at ISO 100 that there cannot be outdoors
#: then. Floodlit stadiums reach EV 9, an overcast day at a sun of 10 degrees has 10 (exposure guide ANSI PH2.7-1986,
#: from memory)
NIGHT_DEG, DAY_DEG = -12.0, 10.0
NIGHT_MOST_EV, DAY_LEAST_EV = 11.0, 4.0
#: mean levels of 255 of a picture that shows something, and of one that is not simply overexposed
SHOWS_LEVEL, OVEREXPOSED_LEVEL = 50.0, 140.0
#: what programs that change pictures call themselves in the Software tag, small letters (from memory); cameras write
#: their firmware there
EDITORS = (
    *("photoshop", "lightroom", "camera raw", "gimp", "snapseed", "picasa", "paint.net", "paintshop", "affinity"),
    *("capture one", "darktable", "rawtherapee", "digikam", "xnview", "irfanview", "faststone", "photoscape"),
    *("pixelmator", "pixlr", "canva", "vsco", "luminar", "imagemagick", "acdsee", "photofiltre", "picsart", "krita"),
    *("fotor", "befunky", "polarr", "photodirector", "photoimpact", "photo editor", "photo gallery", "retouch"),
    *(
        "dxo photolab",
        "on1 photo",
        "aftershot",
        "corel",
        "inshot",
        "facetune",
        "meitu",
        "hugin",
        "ptgui",
        "nik collection",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """Something about a photo that an auditor should know.

    code is stable (snake_case); severity 'info', 'weak' (look at it) or 'serious' (do not rely on it unseen).
    """

    code: str
    message: str
    severity: Severity


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPrint:
    """What of a photo is compared with other photos, and what its pixels say of it.

    phash: `perceptual_hash`, None where the picture is flat or cannot be decoded. camera: make, model and serial
    number, '' where the file names none. taken_s: the camera's own clock in seconds since 1970, whatever its zone.
    tags: how many metadata tags. level: mean luminance of 255. preview: correlation of the preview in the file with
    the picture, None where there is none.
    """

    photo: str
    sha256: str
    n_bytes: int
    width_px: int
    height_px: int
    phash: int | None = None
    camera: str = ""
    taken_s: float | None = None
    heading_deg: float | None = None
    tags: int = 0
    level: float | None = None
    preview: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """A photo that is not counted because `kept` is; message says why, and why that one."""

    photo: str
    kind: RepeatKind
    kept: str
    message: str


# ---------------------------------------------------------------------------------------------------------------------
# One photo


def print_of(photo: str, data: bytes, record: PhotoRecord) -> PhotoPrint:
    """What is compared of one photo; decoded at an eighth. Never raises: what cannot be decoded has no hash."""
    from photoaz.photo.pixels import decode_small

    try:
        grey = decode_small(data)
    except InputError:
        grey = None
    told = record.provenance
    local = told.original or (record.taken.local if record.taken is not None else None)
    return PhotoPrint(
        photo=photo,
        sha256=content_hash(data),
        n_bytes=len(data),
        width_px=record.width_px,
        height_px=record.height_px,
        phash=None if grey is None else perceptual_hash(grey),
        camera=" ".join(part for part in (record.make, record.model, told.serial) if part),
        taken_s=None if local is None else local.replace(tzinfo=UTC).timestamp() + told.subsecond_s,
        heading_deg=None if record.heading is None else record.heading.value_deg,
        tags=told.tags,
        level=None if grey is None else float(grey.mean()),
        preview=None if grey is None else _preview_likeness(data, grey),
    )


def content_hash(data: bytes) -> str:
    """SHA-256 of a file, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def perceptual_hash(grey: NDArray[np.uint8]) -> int | None:
    """64 bits of what a picture (H, W) shows, as a number below 2**64; None where it is flat.

    The picture as 32 by 32 means, its discrete cosine transform, the 8 by 8 coefficients of the lowest frequencies but
    the constant ones: a bit is set where one exceeds their median (Zauner 2010, Implementation and Benchmarking of
    Perceptual Image Hash Functions, 3.2.1).
    """
    import cv2

    small = cv2.resize(cv2.blur(grey, (3, 3)), (32, 32), interpolation=cv2.INTER_AREA).astype(np.float32)
    if float(small.std()) < FLAT_LEVELS:
        return None
    low = cv2.dct(small)[1:9, 1:9].ravel()
    return int.from_bytes(np.packbits(low > np.median(low)).tobytes(), "big")


def distance_bits(a: int, b: int) -> int:
    """How many bits two hashes differ in."""
    return (a ^ b).bit_count()


def photo_flags(
    record: PhotoRecord, seen: PhotoPrint | None = None, *, written: datetime | None = None, now: datetime | None = None
) -> tuple[Flag, ...]:
    """All flags of one photo by itself.

    Parameters
    ----------
    seen : None where the picture was not looked at. written : when the file was last written, UTC. now : for dates in
    the future; both None where they are not to be judged.
    """
    preview, level = (None, None) if seen is None else (seen.preview, seen.level)
    flags = [*edited_flags(record, preview), *time_flags(record, written=written, now=now)]
    sun = sun_flag(record, level)
    return tuple(flags if sun is None else [*flags, sun])


# ---------------------------------------------------------------------------------------------------------------------
# Changed after it was taken


def edited_flags(record: PhotoRecord, preview: float | None = None) -> list[Flag]:
    """Signs that the picture is not as the camera made it; preview as in PhotoPrint. One flag, naming all signs."""
    told = record.provenance
    signs: list[str] = []
    serious = False
    programs = [name for name in dict.fromkeys((record.software, *told.tools)) if name and _is_editor(name)]
    if programs:
        signs.append(f"it was saved by {' and '.join(programs)}")
    if told.original is not None and told.modified is not None:
        later = (told.modified - told.original).total_seconds()
        # another zone's clock shows whole quarter hours
        by_zone = later <= 26 * 3600.0 and abs(later - round(later / QUARTER_HOUR_S) * QUARTER_HOUR_S) <= 5.0
        if later > CHANGED_S and not by_zone:
            signs.append(f"the file was changed {spell_duration(later)} after it was taken")
    if record.cropped:
        signs.append("it is not as large as the camera noted, and in other proportions: cut")
    elif told.noted_px is not None and (resized := _resized(record, told.noted_px)):
        signs.append(resized)
    if preview is not None and preview < PREVIEW_ALIKE:
        signs.append("the preview in the file shows something else than the picture")
        serious = True
    if not signs:
        return []
    message = f"changed after it was taken: {'; '.join(signs)}"
    return [Flag(code="edited", message=message, severity="serious" if serious else "weak")]


def _is_editor(name: str) -> bool:
    return any(editor in name.lower() for editor in EDITORS)


def _resized(record: PhotoRecord, noted: tuple[int, int]) -> str | None:
    now, then = sorted((record.width_px, record.height_px)), sorted(noted)
    # encoders fill up to whole blocks of 16 pixels
    if min(then) < 1 or all(abs(a - b) <= 16 for a, b in zip(now, then, strict=True)):
        return None
    return f"it has {record.width_px} x {record.height_px} pixels, the camera noted {noted[0]} x {noted[1]}"


def _preview_likeness(data: bytes, grey: NDArray[np.uint8]) -> float | None:
    """Correlation of the file's own preview with the picture, the best of four turns; None where there is none."""
    import cv2

    from photoaz.photo.container import open_container
    from photoaz.photo.exif import thumbnail

    try:
        small = thumbnail(open_container(Path("image"), data).exif)
    except InputError:
        return None
    if not small:
        return None
    try:
        preview = cv2.imdecode(np.frombuffer(small, np.uint8), cv2.IMREAD_GRAYSCALE)
    except cv2.error:
        return None
    if preview is None or min(preview.shape) < 16 or float(preview.std()) < PREVIEW_FLAT_LEVELS:
        return None
    best: float | None = None
    for turns in range(4):
        turned = np.rot90(preview, turns)
        for a, b in ((grey, _cut_to(turned, grey)), (_cut_to(grey, turned), turned)):
            likeness = _correlation(a, b)
            if likeness is not None and (best is None or likeness > best):
                best = likeness
    return best


def _cut_to(image: Array, like: Array) -> Array:
    """The middle of an image in another's proportions: previews have bars, or are cut."""
    height, width = image.shape
    aspect = like.shape[1] / like.shape[0]
    if width / height > aspect:
        keep = max(round(height * aspect), 1)
        start = (width - keep) // 2
        return image[:, start : start + keep]
    keep = max(round(width / aspect), 1)
    start = (height - keep) // 2
    return image[start : start + keep]


def _correlation(a: Array, b: Array) -> float | None:
    import cv2

    p, q = (
        cv2.resize(np.ascontiguousarray(x), (32, 32), interpolation=cv2.INTER_AREA).astype(float).ravel()
        for x in (a, b)
    )
    if min(p.std(), q.std()) < PREVIEW_FLAT_LEVELS:
        return None
    return float(np.corrcoef(p, q)[0, 1])


# ---------------------------------------------------------------------------------------------------------------------
# Times


def time_flags(record: PhotoRecord, *, written: datetime | None = None, now: datetime | None = None) -> list[Flag]:
    """Times of one photo that contradict each other or what is known: 'times_contradict', 'clock', 'zone_guessed'.

    written, now: as in `photo_flags`; they must carry their zone.
    """
    told, flags = record.provenance, []

    def contradict(message: str, severity: Severity = "weak") -> None:
        flags.append(Flag(code="times_contradict", message=message, severity=severity))

    original = told.original
    earliest, latest = _utc_bounds(record)
    if original is not None and original.year < 1995:
        flags.append(Flag(code="clock", message=f"the clock was not set: it says {original.year}", severity="weak"))
        original = None
    if original is not None and told.modified is not None:
        before = (original - told.modified).total_seconds()
        if before > 60.0:
            contradict(f"by its own dates it was changed {spell_duration(before)} before it was taken")
    if original is not None and told.digitized is not None:
        apart = abs((original - told.digitized).total_seconds())
        if apart > 86400.0:
            contradict(
                f"it was made a file {spell_duration(apart)} from when it was taken: scanned or rewritten", "info"
            )
    if now is not None and earliest is not None and earliest > now + timedelta(minutes=10):
        contradict(f"it was taken in the future, {earliest:%Y-%m-%d}", "serious")
    if written is not None and earliest is not None and earliest > written + timedelta(hours=14):
        contradict(f"the file was last written on {written:%Y-%m-%d}, before it was taken ({earliest:%Y-%m-%d})")
    published = EXIF_PUBLISHED.get(told.exif_version or "")
    if published is not None and latest is not None and latest.date() < published - EXIF_EARLY:
        version = (
            f"{int(told.exif_version[:2])}.{told.exif_version[2:].rstrip('0') or '0'}" if told.exif_version else ""
        )
        contradict(
            f"it is dated {latest:%Y-%m-%d}, but the camera writes Exif {version}, which was published in "
            f"{published:%Y}: no such camera existed",
            "serious",
        )
    flags += _clock_flags(record, original)
    return flags


def _utc_bounds(record: PhotoRecord) -> tuple[datetime | None, datetime | None]:
    """The earliest and the latest moment at which the photo can have been taken by its own clock."""
    told = record.provenance
    if told.original is None or told.original.year < 1995:
        return None, None
    if told.zone_s is not None:
        utc = told.original.replace(tzinfo=UTC) - timedelta(seconds=told.zone_s)
        return utc, utc
    local = told.original.replace(tzinfo=UTC)
    return local - timedelta(seconds=ZONES_S[1]), local - timedelta(seconds=ZONES_S[0])


def _clock_flags(record: PhotoRecord, original: datetime | None) -> list[Flag]:
    """The camera's clock against the satellites', and the zone that follows."""
    told = record.provenance
    if original is None or told.gps_utc is None:
        return []
    apart = (original.replace(tzinfo=UTC) - told.gps_utc).total_seconds()
    fast = apart - (told.zone_s or 0.0)
    rolled = round(fast / ROLLOVER_S)
    if rolled and abs(fast - rolled * ROLLOVER_S) < 2 * 86400.0:
        weeks = f"{1024 * abs(rolled)} weeks"
        message = f"the satellite date is {weeks} off, a fault of old receivers; the clock's date is taken"
        return [Flag(code="clock", message=message, severity="info")]
    if told.zone_s is not None:
        return [] if abs(fast) <= CLOCK_S else [_wrong_clock(fast, zone_known=True)]
    zone = round(apart / QUARTER_HOUR_S) * QUARTER_HOUR_S
    sun_h = None if record.position is None else record.position.lon_deg / 15.0
    strays = 0.0 if sun_h is None else (zone / 3600.0 - sun_h + 12.0) % 24.0 - 12.0
    if ZONES_S[0] <= zone <= ZONES_S[1] and abs(apart - zone) <= CLOCK_S:
        if abs(strays) > ZONE_STRAYS_H:
            message = (
                f"clock and satellite time would fit the zone {spell_zone(zone)}, which is not used at its place: the "
                f"clock is about {abs(strays):.0f} h {'fast' if strays > 0 else 'slow'}, or set to another zone"
            )
            return [Flag(code="clock", message=message, severity="weak")]
        message = f"the time zone {spell_zone(zone)} was guessed from the satellite time"
        return [Flag(code="zone_guessed", message=message, severity="info")]
    # no zone: off by at least what is left of the nearest full hour that its place allows, else by what the sun's says
    hour = round(apart / 3600.0)
    used = ZONES_S[0] <= hour * 3600.0 <= ZONES_S[1]
    allowed = used if sun_h is None else used and abs(hour - sun_h) <= ZONE_STRAYS_H
    guess = hour if allowed else round(sun_h or 0.0)
    return [_wrong_clock(apart - guess * 3600.0, zone_known=False)]


def _wrong_clock(fast_s: float, *, zone_known: bool) -> Flag:
    """fast_s: clock minus satellite time."""
    size, how = spell_duration(abs(fast_s)), "fast" if fast_s > 0 else "slow"
    quarters = round(fast_s / QUARTER_HOUR_S) * QUARTER_HOUR_S
    if zone_known and 0 < abs(quarters) <= 26 * 3600.0 and abs(fast_s - quarters) <= CLOCK_S:
        message = (
            f"its time zone is wrong by {spell_duration(abs(quarters))}, by satellite time (or the clock is {how})"
        )
        return Flag(code="clock", message=message, severity="weak")
    rough = "" if zone_known else "at least " if abs(fast_s) < 3600.0 else "about "
    if 0.0 < fast_s <= 86400.0:
        message = f"the clock is {rough}{size} fast by satellite time, or the position is that old"
        return Flag(code="clock", message=message, severity="weak")
    # a fix cannot be younger than the photo
    message = f"the clock is {rough}{size} {how} by satellite time"
    return Flag(code="clock", message=message, severity="serious" if abs(fast_s) > 3600.0 else "weak")


# ---------------------------------------------------------------------------------------------------------------------
# The sun


def exposure_value(record: PhotoRecord) -> float | None:
    """The exposure at ISO 100, log2(N^2 / t) - log2(ISO / 100) (ISO 2720); None where the file does not say it."""
    told = record.provenance
    if told.f_number is None or told.exposure_s is None or told.iso is None:
        return None
    return math.log2(told.f_number**2 / told.exposure_s) - math.log2(told.iso / 100.0)


def sun_flag(record: PhotoRecord, level: float | None) -> Flag | None:
    """A picture far too bright for the sun at its time and place, or far too dark; level: as in PhotoPrint.

    A picture's brightness alone says nothing: cameras expose for it. The exposure with it does.
    """
    value, moments = exposure_value(record), _possible_moments(record)
    if value is None or level is None or record.position is None or not moments or record.provenance.flash_fired:
        return None
    bright = value >= NIGHT_MOST_EV and level >= SHOWS_LEVEL
    dark = value <= DAY_LEAST_EV and level <= OVEREXPOSED_LEVEL
    if not (bright or dark):
        return None
    from photoaz.geodesy.sun import sun_track

    unix_s = np.array([m.timestamp() for m in moments])
    place = record.position
    elevation = sun_track(unix_s, place.lat_deg, place.lon_deg)[1]
    wrong = float(elevation.max()) < NIGHT_DEG if bright else float(elevation.min()) > DAY_DEG
    if not wrong:
        return None
    hours = np.arange(-12.0, 12.5, 0.5)
    middle = float(unix_s.mean())
    other = sun_track(middle + 3600.0 * hours, place.lat_deg, place.lon_deg)[1]
    fits = np.abs(hours[other > 0.0 if bright else other < -6.0])
    at = float(elevation[len(elevation) // 2])
    stood = f"the sun stood {abs(at):.0f} deg {'below' if at < 0 else 'above'} the horizon"
    shows = "was taken in daylight" if bright else "is as dark as night"
    hint = f": its clock or zone is at least {float(fits.min()):g} h off, or its position is wrong" if len(fits) else ""
    message = f"at its time and place {stood}, yet the picture {shows} (exposure value {value:.0f}){hint}"
    return Flag(code="sun_contradicts", message=message, severity="serious" if bright else "weak")


def _possible_moments(record: PhotoRecord) -> list[datetime]:
    """The photo's moment, or without a zone those of all zones that its longitude allows."""
    told = record.provenance
    if told.original is None or told.original.year < 1995 or record.position is None:
        return []
    local = told.original.replace(tzinfo=UTC)
    if told.zone_s is not None:
        return [local - timedelta(seconds=told.zone_s)]
    if record.taken is not None and record.taken.utc is not None and record.taken.local is not None:
        return [record.taken.utc]
    mean = record.position.lon_deg / 15.0
    steps = np.linspace(mean - ZONE_STRAYS_H, mean + ZONE_STRAYS_H, 15)
    return [local - timedelta(hours=float(h)) for h in steps]


# ---------------------------------------------------------------------------------------------------------------------
# Several photos


def near_pairs(hashes: ArrayLike, most: int = NEAR_BITS) -> Array:
    """Pairs (m, 2) of places in `hashes` (n,) whose hashes differ in at most `most` bits; the lower place first.

    Found by sorting each of the BANDS bands: up to CERTAIN_BITS every such pair, of one bit more nine of ten. Of equal
    hashes the first stands for the others. Raises ValueError for `most` beyond NEAR_BITS.
    """
    if not 0 <= most <= NEAR_BITS:
        raise ValueError(f"pairs are found up to {NEAR_BITS} bits, not {most}")
    every = np.asarray(hashes, np.uint64)
    value, inverse = np.unique(every, return_inverse=True)
    found = []
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
            near = here[np.bitwise_count(ranked[here] ^ ranked[here + step]) <= most]
            found.append(np.stack([order[near], order[near + step]], -1))
    pairs = np.concatenate(found) if found else np.empty((0, 2), np.intp)
    pairs = np.unique(np.sort(pairs, axis=1), axis=0)
    # back from different hashes to all that have them: the first of each stands for the others
    by_value = np.argsort(inverse, kind="stable")
    firsts = by_value[np.searchsorted(inverse[by_value], np.arange(len(value)))]
    same = np.stack([firsts[inverse], np.arange(len(every))], -1)
    pairs = np.concatenate([firsts[pairs], same[same[:, 0] != same[:, 1]]])
    return np.sort(pairs, axis=1)


def near_groups(hashes: ArrayLike, most: int = NEAR_BITS) -> list[tuple[int, ...]]:
    """Groups of two and more places whose hashes are linked by near pairs; each ascending, in order of the first.

    hashes (n,), 64 bits each. Links add up: the first and the last of a long chain may differ by more. Of equal hashes
    one stands for all.
    """
    pairs = near_pairs(hashes, most)
    return _linked(pairs, len(np.asarray(hashes)))


def _linked(pairs: Array, n: int) -> list[tuple[int, ...]]:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    if not len(pairs):
        return []
    graph = coo_array((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    members: dict[int, list[int]] = defaultdict(list)
    for k in np.unique(pairs).tolist():
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
    at = np.array(hashed, np.intp)
    for group in near_groups(np.array([prints[k].phash for k in hashed], np.uint64)) if hashed else []:
        pairs += _same_pairs(prints, at[list(group)].tolist())
    return _linked(np.array(pairs, np.intp).reshape(-1, 2), len(prints))


def _same_pairs(prints: Sequence[PhotoPrint], members: list[int]) -> list[tuple[int, int]]:
    """Pairs of the same photo among some with near hashes: within a chain of hashes only these are linked.

    In the order of time, since only those of one time, or of none, can be the same: a crowd of like pictures is common.
    """
    timeless = [k for k in members if prints[k].taken_s is None]
    timed = sorted((k for k in members if prints[k].taken_s is not None), key=lambda k: prints[k].taken_s or 0.0)
    out = [(a, b) for i, a in enumerate(timeless) for b in (*timeless[i + 1 :], *timed) if _same(prints, a, b)]
    for i, a in enumerate(timed):
        for b in timed[i + 1 :]:
            if (prints[b].taken_s or 0.0) - (prints[a].taken_s or 0.0) >= SAME_TIME_S:
                break
            if _same(prints, a, b):
                out.append((a, b))
    return out


def _same(prints: Sequence[PhotoPrint], a: int, b: int) -> bool:
    return same_picture(prints[a], prints[b])


def bursts(prints: Sequence[PhotoPrint]) -> list[tuple[int, ...]]:
    """Groups of places of shots by one camera within seconds, of nearly one picture into one direction."""
    ready = [k for k, p in enumerate(prints) if p.camera and p.taken_s is not None and p.phash is not None]
    ready.sort(key=lambda k: (prints[k].camera, prints[k].taken_s or 0.0, prints[k].photo))
    groups: list[list[int]] = []
    opened: list[list[int]] = []
    for k in ready:
        opened = [g for g in opened if _follows(prints[g[-1]], prints[k])]
        home = next((g for g in opened if _alike(prints[g[0]], prints[k])), None)
        if home is None:
            home = []
            opened.append(home)
            groups.append(home)
        home.append(k)
    return sorted(tuple(sorted(g)) for g in groups if len(g) > 1)


def _follows(a: PhotoPrint, b: PhotoPrint) -> bool:
    assert a.taken_s is not None
    assert b.taken_s is not None
    return a.camera == b.camera and b.taken_s - a.taken_s <= BURST_S


def _alike(a: PhotoPrint, b: PhotoPrint) -> bool:
    assert a.phash is not None
    assert b.phash is not None
    if (a.width_px > a.height_px) != (b.width_px > b.height_px):
        return False
    if a.heading_deg is not None and b.heading_deg is not None:
        turned = abs(difference_deg(a.heading_deg, b.heading_deg))
        if turned > BURST_HEADING_DEG:
            return False
    return distance_bits(a.phash, b.phash) <= BURST_BITS


def count_once(prints: Iterable[PhotoPrint], sites: Mapping[str, str | None] | None = None) -> tuple[Repeat, ...]:
    """Which photos are not counted because another one is, in the order given.

    Of copies the one with most pixels, then most metadata, then most bytes is kept; of a burst too, where the largest
    file is mostly the sharpest. With `sites` (the site of each photo) only photos of one site repeat each other: the
    same picture at two sites is `two_sites`' business.
    """
    by_site: dict[str | None, list[PhotoPrint]] = defaultdict(list)
    order = {}
    for k, one in enumerate(prints):
        order[one.photo] = k
        by_site[None if sites is None else sites.get(one.photo)].append(one)
    repeats: dict[str, Repeat] = {}
    for some in by_site.values():
        for find in (copies, bursts):
            left = [p for p in some if p.photo not in repeats]
            for group in find(left):
                members = [left[k] for k in group]
                kept = min(members, key=_worth)
                for one in members:
                    if one is not kept:
                        repeats[one.photo] = _repeat(one, kept, burst=find is bursts)
    # what a burst's shot was kept for is kept by the burst's best
    out = []
    for repeat in sorted(repeats.values(), key=lambda r: order[r.photo]):
        name = repeat.kept
        while name in repeats:
            name = repeats[name].kept
        out.append(Repeat(photo=repeat.photo, kind=repeat.kind, kept=name, message=repeat.message))
    return tuple(out)


def _worth(p: PhotoPrint) -> tuple[int, int, int, int, str]:
    # of files that are the same the shorter name is mostly the first one: 'a.jpg' and 'copy of a.jpg'
    return -p.width_px * p.height_px, -p.tags, -p.n_bytes, len(p.photo), p.photo


def _repeat(one: PhotoPrint, kept: PhotoPrint, *, burst: bool) -> Repeat:
    kind: RepeatKind
    if one.sha256 == kept.sha256:
        kind, message = "duplicate", f"the same file as {kept.photo}; counted once"
    elif burst:
        assert one.taken_s is not None
        assert kept.taken_s is not None
        apart = one.taken_s - kept.taken_s
        when = f"{abs(apart):.1f} s {'after' if apart > 0 else 'before'}" if apart else "in the same second as"
        why = _advantage(kept, one, "is the larger file, mostly the sharper one")
        kind, message = "burst", f"taken {when} {kept.photo}, of nearly the same picture; counted once: that one {why}"
    else:
        why = _advantage(kept, one, "is the larger file")
        kind, message = "near_duplicate", f"the same picture as {kept.photo}; counted once: that one {why}"
    return Repeat(photo=one.photo, kind=kind, kept=kept.photo, message=message)


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
                named = "; ".join(f"{sites[o.photo]} ({o.photo})" for o in others[:3])
                more = f" and {len(others) - 3} more" if len(others) > 3 else ""
                how = "file" if all(o.sha256 == one.sha256 for o in others) else "picture"
                message = f"the same {how} was handed in for {named}{more} as well as for {own}"
                out[one.photo] = Flag(code="two_sites", message=message, severity="serious")
    return out


# ---------------------------------------------------------------------------------------------------------------------
# Words


def spell_duration(seconds: float) -> str:
    """'45 seconds', '37 minutes', '5 hours', '12 days', '3.2 years'."""
    for limit, unit, name in ((180.0, 1.0, "seconds"), (10_800.0, 60.0, "minutes"), (259_200.0, 3600.0, "hours")):
        if seconds < limit:
            return f"{seconds / unit:.0f} {name}"
    days = seconds / 86400.0
    return f"{days:.0f} days" if days < 730.0 else f"{days / 365.25:.1f} years"


def spell_zone(seconds: float) -> str:
    """'UTC+05:45'."""
    minutes = round(abs(seconds) / 60.0)
    return f"UTC{'-' if seconds < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"
