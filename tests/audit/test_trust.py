"""Copies, bursts, later changes and clocks: pictures by Pillow, dates by hand, the sun by published places and days."""

from __future__ import annotations

import io
import itertools
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from photoaz.audit.trust import (
    CERTAIN_BITS,
    Flag,
    PhotoPrint,
    bursts,
    content_hash,
    copies,
    count_once,
    distance_bits,
    edited_flags,
    exposure_value,
    near_groups,
    near_pairs,
    perceptual_hash,
    photo_flags,
    print_of,
    spell_zone,
    sun_flag,
    time_flags,
    two_sites,
)
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import decode_small
from photoaz.photo.record import GeoPosition, PhotoRecord, Provenance, TakenAt
from photoaz.sample import sample_dir

SAMPLES = sorted(sample_dir().glob("*.jpg"))
TAKEN = datetime(2022, 6, 21, 14, 0, 0)


def record(position: tuple[float, float] | None = None, **told: Any) -> PhotoRecord:
    place = None if position is None else GeoPosition(lat_deg=position[0], lon_deg=position[1], sigma_m=5.0, source="t")
    return PhotoRecord(
        path=Path("a.jpg"),
        format="JPEG",
        width_px=4000,
        height_px=3000,
        orientation=1,
        position=place,
        provenance=Provenance(**told),
    )


def codes(flags: list[Flag] | tuple[Flag, ...]) -> list[str]:
    return [f.code for f in flags]


def saved(image: Image.Image, scale: float = 1.0, quality: int = 85, fmt: str = "JPEG") -> bytes:
    out = io.BytesIO()
    size = round(image.width * scale), round(image.height * scale)
    image.resize(size, Image.Resampling.LANCZOS).save(out, fmt, **({"quality": quality} if fmt == "JPEG" else {}))
    return out.getvalue()


# ---------------------------------------------------------------------------------------------------- hashes


def test_content_hash() -> None:
    # FIPS 180-2, appendix B.1
    assert content_hash(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize("path", SAMPLES[:3], ids=lambda p: p.stem)
def test_a_copy_keeps_its_hash(path: Path) -> None:
    image = Image.open(path)
    image.draft("RGB", (image.width // 2, image.height // 2))
    image = Image.fromarray(np.asarray(image))
    whole = perceptual_hash(decode_small(saved(image)))
    assert whole is not None
    for change in ({"quality": 40}, {"scale": 0.5}, {"scale": 0.3}, {"fmt": "PNG", "scale": 0.5}):
        again = perceptual_hash(decode_small(saved(image, **change)))
        assert again is not None
        assert distance_bits(whole, again) <= 4


def test_different_photos_have_different_hashes() -> None:
    """All are of one tower under one sky, from other sides."""
    hashes = [perceptual_hash(decode_small(p)) for p in SAMPLES]
    assert None not in hashes
    assert min(distance_bits(a or 0, b or 0) for a, b in itertools.combinations(hashes, 2)) > 10


def test_flat_pictures_have_no_hash() -> None:
    assert perceptual_hash(np.full((300, 400), 128, np.uint8)) is None


def test_a_hash_is_that_of_the_cosine_transform() -> None:
    """By SciPy's transform of the same 32 by 32 means, in floating point."""
    from scipy.fft import dctn

    rng = np.random.default_rng(2)
    small = rng.integers(0, 255, (32, 32), dtype=np.uint8)
    grey = np.kron(small, np.ones((8, 8), np.uint8))
    found = perceptual_hash(grey)
    low = dctn(small.astype(float), norm="ortho")[1:9, 1:9].ravel()
    expected = int("".join("1" if v > np.median(low) else "0" for v in low), 2)
    # the blur against aliasing moves coefficients near the median
    assert found is not None
    assert distance_bits(found, expected) <= 4


def test_near_pairs_are_all_found() -> None:
    """Against every pair compared, among hashes crowded enough that many are near."""
    rng = np.random.default_rng(3)
    centres = rng.integers(0, 2**64, 12, dtype=np.uint64)
    hashes = np.repeat(centres, 30)
    for _ in range(3):
        flip = rng.random(len(hashes)) < 0.6
        hashes = np.where(flip, hashes ^ (np.uint64(1) << rng.integers(0, 64, len(hashes)).astype(np.uint64)), hashes)
    values = [int(h) for h in hashes]
    near = {
        (a, b) for a, b in itertools.combinations(range(len(values)), 2) if (values[a] ^ values[b]).bit_count() <= 3
    }
    pairs = {tuple(p) for p in near_pairs(hashes, CERTAIN_BITS).tolist()}
    first = {v: values.index(v) for v in values}
    # of equal hashes the first stands for all
    assert pairs >= {tuple(sorted((first[values[a]], first[values[b]]))) for a, b in near if values[a] != values[b]}
    assert pairs <= near
    # groups are the connected parts
    parent = list(range(len(values)))

    def root(k: int) -> int:
        while parent[k] != k:
            k = parent[k]
        return k

    for a, b in near:
        parent[root(a)] = root(b)
    expected: dict[int, list[int]] = {}
    for k in range(len(values)):
        expected.setdefault(root(k), []).append(k)
    assert near_groups(hashes, CERTAIN_BITS) == sorted(tuple(g) for g in expected.values() if len(g) > 1)


def test_pairs_beyond_what_can_be_found_are_refused() -> None:
    with pytest.raises(ValueError, match="up to 4 bits"):
        near_pairs(np.zeros(2, np.uint64), 5)
    assert near_groups(np.empty(0, np.uint64)) == []


# ---------------------------------------------------------------------------------------------------- repeats


def a_print(photo: str, **changes: Any) -> PhotoPrint:
    usual: dict[str, Any] = {
        "sha256": photo,
        "n_bytes": 1000,
        "width_px": 4000,
        "height_px": 3000,
        "phash": 0x0123456789ABCDEF,
        "camera": "V X",
        "taken_s": 1000.0,
        "heading_deg": 90.0,
        "tags": 40,
    }
    return PhotoPrint(photo=photo, **(usual | changes))


def test_copies_are_counted_once() -> None:
    whole = a_print("whole")
    small = a_print("small", width_px=1200, height_px=900, phash=0x0123456789ABCDEE, tags=0, camera="", taken_s=None)
    again = a_print("again", sha256="whole")
    prints = [small, whole, again]
    assert copies(prints) == [(0, 1, 2)]
    found = {r.photo: r for r in count_once(prints)}
    # the same bytes: the first by name is kept, and of that and the small one the large
    assert {(r.photo, r.kind, r.kept) for r in found.values()} == {
        ("small", "near_duplicate", "again"),
        ("whole", "duplicate", "again"),
    }
    assert "4000 x 3000, not 1200 x 900" in found["small"].message


@pytest.mark.parametrize(
    "other",
    [
        {"phash": 0xFEDCBA9876543210},
        {"phash": None},
        {"width_px": 3000, "height_px": 4000},
        {"width_px": 4000, "height_px": 2250},
        {"taken_s": 1000.0 + 86400.0},
        {"camera": "W Y"},
    ],
    ids=lambda o: next(iter(o)),
)
def test_what_is_no_copy(other: dict[str, Any]) -> None:
    assert copies([a_print("a"), a_print("b", **other)]) == []


def test_bursts_are_counted_once() -> None:
    start = a_print("0", taken_s=1000.0, n_bytes=900)
    apart = 0xF0000000000000FF  # 12 bits, then 8
    prints = [
        start,
        a_print("1", taken_s=1001.5, n_bytes=1100, phash=(start.phash or 0) ^ 0xFF),
        a_print("2", taken_s=1003.0, n_bytes=1000, phash=(start.phash or 0) ^ 0x7F),
        a_print("3 turned", taken_s=1004.0, heading_deg=120.0, phash=(start.phash or 0) ^ 0xFF00),
        a_print("4 unlike", taken_s=1004.5, phash=(start.phash or 0) ^ apart),
        a_print("5 later", taken_s=1020.0, phash=(start.phash or 0) ^ 0xFF),
        a_print("6 other camera", taken_s=1001.0, camera="W Y"),
        a_print("7 no camera", taken_s=1002.2, camera=""),
    ]
    assert bursts(prints) == [(0, 1, 2)]
    assert bursts(prints[::-1]) == [(5, 6, 7)]
    repeats = [r for r in count_once(prints) if r.kind == "burst"]
    assert [(r.photo, r.kept) for r in repeats] == [("0", "1"), ("2", "1")]
    assert "1.5 s before 1" in repeats[0].message
    assert "larger file" in repeats[0].message


def test_north_is_no_border_for_bursts() -> None:
    a, b = a_print("a", heading_deg=359.0), a_print("b", heading_deg=1.0, taken_s=1001.0, phash=0x0123456789ABCDFF)
    assert bursts([a, b]) == [(0, 1)]


def test_a_copy_of_a_burst_shot_is_kept_by_the_bursts_best() -> None:
    shots = [
        a_print("a", n_bytes=900),
        a_print("a copy", sha256="a", n_bytes=900),
        a_print("b", taken_s=1003.0, n_bytes=1100, phash=0x0123456789ABCD10),
    ]
    assert {(r.photo, r.kind, r.kept) for r in count_once(shots)} == {
        ("a copy", "duplicate", "b"),
        ("a", "burst", "b"),
    }


def test_one_picture_for_two_sites() -> None:
    prints = [a_print("x/a"), a_print("y/a", sha256="x/a"), a_print("x/b", sha256="x/a"), a_print("z", phash=5)]
    sites = {"x/a": "X", "y/a": "Y", "x/b": "X", "z": "Z"}
    flags = two_sites(prints, sites)
    assert set(flags) == {"x/a", "y/a", "x/b"}
    assert "handed in for Y (y/a) as well as for X" in flags["x/a"].message
    assert flags["y/a"].severity == "serious"
    # at each site it counts once
    assert [(r.photo, r.kept) for r in count_once(prints, sites)] == [("x/b", "x/a")]
    assert two_sites(prints, {"x/a": "X", "y/a": None, "x/b": "X"}) == {}


# ---------------------------------------------------------------------------------------------------- changed


def test_signs_of_editing() -> None:
    clean = record(original=TAKEN, modified=TAKEN, noted_px=(4000, 3000))
    assert edited_flags(replace(clean, software="VX-3 firmware 12.1"), 0.99) == []
    signs = [
        (replace(clean, software="Adobe Photoshop 24.1 (Windows)"), None, "saved by Adobe Photoshop"),
        (record(original=TAKEN, modified=TAKEN, tools=("GIMP 2.10",)), None, "saved by GIMP 2.10"),
        (record(original=TAKEN, modified=TAKEN + timedelta(days=12, minutes=7)), None, "12 days after"),
        (replace(clean, cropped=True), None, "cut"),
        (record(noted_px=(8000, 6000)), None, "4000 x 3000 pixels, the camera noted 8000 x 6000"),
        (clean, 0.3, "preview"),
    ]
    for changed, preview, words in signs:
        (flag,) = edited_flags(changed, preview)
        assert flag.code == "edited"
        assert words in flag.message
        assert flag.severity == ("serious" if preview else "weak")


def test_what_is_no_editing() -> None:
    for harmless in (
        record(original=TAKEN, modified=TAKEN + timedelta(seconds=40)),
        record(original=TAKEN, modified=TAKEN + timedelta(hours=2)),  # another zone's clock
        record(noted_px=(3000, 4000)),  # turned
        record(noted_px=(4000, 3008)),  # filled up to whole blocks
        record(),
    ):
        assert edited_flags(harmless) == []


def with_preview(image: Image.Image, preview: Image.Image) -> bytes:
    """A photo with an Exif preview, written by hand: Pillow writes none."""
    import struct

    small = io.BytesIO()
    preview.save(small, "JPEG", quality=80)
    data = small.getvalue()
    # an empty first directory, then one with the preview's place and length behind it
    second = 14
    start = second + 2 + 2 * 12 + 4
    block = b"MM\0*" + struct.pack(">IHI", 8, 0, second) + struct.pack(">H", 2)
    for tag, value in ((0x0201, start), (0x0202, len(data))):
        block += struct.pack(">HHII", tag, 4, 1, value)
    block += b"\0\0\0\0" + data
    out = io.BytesIO()
    image.save(out, "JPEG", exif=b"Exif\0\0" + block)
    return out.getvalue()


def test_previews_are_held_against_the_picture() -> None:
    image = Image.open(SAMPLES[0])
    image.draft("RGB", (1000, 750))
    image = Image.fromarray(np.asarray(image))
    other = Image.open(SAMPLES[4])
    other.draft("RGB", (1000, 750))
    barred = Image.new("RGB", (160, 160))
    barred.paste(image.resize((160, round(160 * image.height / image.width))), (0, 20))
    for preview, alike in (
        (image.resize((160, 120)), True),
        (image.resize((160, 120)).rotate(90, expand=True), True),
        (barred, True),
        (image.crop((0, 0, image.width // 2, image.height)).resize((160, 160)), False),
        (Image.fromarray(np.asarray(other)).resize((160, 120)), False),
    ):
        data = with_preview(image, preview)
        seen = print_of("a.jpg", data, read_record(Path("a.jpg"), data))
        assert seen.preview is not None
        flags = edited_flags(record(), seen.preview)
        assert (flags == []) == alike, seen.preview


def test_no_preview_and_damaged_ones() -> None:
    image = Image.open(SAMPLES[0]).resize((640, 480))
    data = saved(image)
    assert print_of("a.jpg", data, read_record(Path("a.jpg"), data)).preview is None
    whole = with_preview(image, image.resize((160, 120)))
    at = whole.index(b"\xff\xd8", 10)
    damaged = whole[: at + 300] + bytes(200) + whole[at + 500 :]
    print_of("a.jpg", damaged, read_record(Path("a.jpg"), damaged))  # must not raise


# ---------------------------------------------------------------------------------------------------- times


def gps(local: datetime, zone_h: float, fast: timedelta = timedelta()) -> datetime:
    """The satellite time of a photo whose clock says `local` in a zone and is `fast`."""
    return (local - timedelta(hours=zone_h) - fast).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone_h", "stated", "fast", "code", "words"),
    [
        (2.0, True, timedelta(), None, ""),
        (2.0, True, timedelta(minutes=-37), "clock", "37 minutes slow"),
        (2.0, True, timedelta(minutes=37), "clock", "37 minutes fast by satellite time, or the position is that old"),
        (2.0, True, timedelta(hours=1), "clock", "zone is wrong by 60 minutes"),
        (2.0, True, timedelta(days=-400), "clock", "400 days slow"),
        (2.0, True, timedelta(weeks=1024), "clock", "1024 weeks"),
        (2.0, True, timedelta(days=100), "clock", "100 days fast"),
        (2.0, False, timedelta(seconds=20), "zone_guessed", "UTC+02:00"),
        (2.0, False, timedelta(minutes=-7), "clock", "at least 7 minutes slow"),
        (2.0, False, timedelta(days=-3), "clock", "about 71 hours slow"),
        (9.0, False, timedelta(), "clock", "UTC+09:00, which is not used at its place"),
    ],
)
def test_clocks(zone_h: float, stated: bool, fast: timedelta, code: str | None, words: str) -> None:
    photo = record(
        (50.0, 15.0), original=TAKEN, gps_utc=gps(TAKEN, zone_h, fast), zone_s=zone_h * 3600 if stated else None
    )
    flags = time_flags(photo)
    assert codes(flags) == ([code] if code else [])
    if code:
        assert words in flags[0].message


def test_zones_at_the_date_line() -> None:
    """UTC+14 at 157 degrees west (Kiritimati) and UTC+12:45 at 176 degrees west (Chatham Islands) are in use."""
    for zone_h, lon in ((14.0, -157.4), (12.75, -176.5), (5.75, 85.3), (8.0, 75.0)):
        photo = record((0.0, lon), original=TAKEN, gps_utc=gps(TAKEN, zone_h))
        assert codes(time_flags(photo)) == ["zone_guessed"]
    assert spell_zone(12.75 * 3600) == "UTC+12:45"
    assert spell_zone(-9.5 * 3600) == "UTC-09:30"


NOW = datetime(2022, 6, 22, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("told", "extra", "words"),
    [
        ({"modified": TAKEN - timedelta(days=3)}, {}, "changed 3 days before"),
        ({"digitized": TAKEN + timedelta(days=900)}, {}, "2.5 years"),
        ({"original": datetime(2022, 6, 24)}, {"now": NOW}, "in the future"),
        ({"zone_s": 0.0}, {"now": NOW - timedelta(days=2)}, "in the future"),
        ({}, {"written": NOW - timedelta(days=4)}, "last written on 2022-06-18"),
        ({"original": datetime(2012, 1, 1), "exif_version": "0232"}, {}, "Exif 2.32, which was published in 2019"),
        ({"original": datetime(2000, 1, 1), "exif_version": "0220"}, {}, "Exif 2.2, "),
    ],
)
def test_contradictory_times(told: dict[str, Any], extra: dict[str, Any], words: str) -> None:
    flags = time_flags(record(**({"original": TAKEN} | told)), **extra)
    assert codes(flags) == ["times_contradict"]
    assert words in flags[0].message


def test_times_that_do_not_contradict() -> None:
    for photo in (
        record(original=TAKEN, modified=TAKEN, digitized=TAKEN, exif_version="0232"),
        record(original=TAKEN, exif_version="9999"),
        record(original=TAKEN.replace(day=22, hour=23)),  # tomorrow somewhere
        record(original=datetime(2018, 9, 1), exif_version="0232"),  # sold before the standard was printed
        record(),
    ):
        assert time_flags(photo, now=NOW, written=NOW) == []
    (flag,) = time_flags(record(original=datetime(1980, 1, 1)))
    assert (flag.code, "1980" in flag.message) == ("clock", True)


# ---------------------------------------------------------------------------------------------------- the sun

DAYLIGHT = {"exposure_s": 1 / 1000, "f_number": 2.0, "iso": 50.0}
DARK = {"exposure_s": 1 / 4, "f_number": 2.0, "iso": 1600.0}


def test_exposure_value() -> None:
    # the 'sunny 16' rule: f/16 at 1/100 s and ISO 100 is EV 14.6, sunlight
    assert exposure_value(record(exposure_s=0.01, f_number=16.0, iso=100.0)) == pytest.approx(14.64, abs=0.01)
    assert exposure_value(record(exposure_s=0.01, f_number=16.0, iso=400.0)) == pytest.approx(12.64, abs=0.01)
    assert exposure_value(record(exposure_s=0.01, iso=400.0)) is None


def test_the_sun_contradicts() -> None:
    """At the March equinox on the equator the sun rises near 06:00 and sets near 18:00 of the sun's time, anywhere."""
    midnight, noon = datetime(2022, 3, 20, 0, 7), datetime(2022, 3, 20, 12, 7)
    place = (0.0, 0.0)
    night = record(place, original=midnight, zone_s=0.0, **DAYLIGHT)
    flag = sun_flag(night, 120.0)
    assert flag is not None
    assert (flag.code, flag.severity) == ("sun_contradicts", "serious")
    assert "the sun stood 90 deg below" in flag.message
    # six hours of night are left
    assert "at least 6" in flag.message
    assert codes(photo_flags(night, a_print("a", level=120.0))) == ["sun_contradicts"]
    day = record(place, original=noon, zone_s=0.0, **DARK)
    flag = sun_flag(day, 60.0)
    assert flag is not None
    assert "as dark as night" in flag.message
    # nothing to say of: the right time, an unknown exposure, flash, a black picture, dusk, no place
    for photo, level in (
        (record(place, original=noon, zone_s=0.0, **DAYLIGHT), 120.0),
        (record(place, original=midnight, zone_s=0.0, **DARK), 60.0),
        (record(place, original=midnight, zone_s=0.0), 120.0),
        (record(place, original=midnight, zone_s=0.0, flash_fired=True, **DAYLIGHT), 120.0),
        (record(place, original=midnight, zone_s=0.0, **DAYLIGHT), 5.0),
        (record(place, original=midnight.replace(hour=18, minute=40), zone_s=0.0, **DAYLIGHT), 120.0),
        (record(original=midnight, zone_s=0.0, **DAYLIGHT), 120.0),
        (record(place, original=noon, zone_s=0.0, **DARK), 200.0),
    ):
        assert sun_flag(photo, level) is None


def test_without_a_zone_every_zone_of_the_place_must_contradict() -> None:
    for hour, contradicted in ((0, True), (21, False), (3, False)):
        photo = record((0.0, 100.0), original=datetime(2022, 3, 20, hour, 7), **DAYLIGHT)
        assert (sun_flag(photo, 120.0) is not None) == contradicted
    # midnight sun: Tromsoe, 69.65 N, at the June solstice
    assert sun_flag(record((69.65, 18.96), original=datetime(2022, 6, 21, 0, 30), **DAYLIGHT), 120.0) is None


def test_the_satellites_zone_serves() -> None:
    local = datetime(2022, 3, 20, 12, 7)
    photo = replace(
        record((0.0, 0.0), original=local, gps_utc=gps(local, 12.0), **DAYLIGHT),
        taken=TakenAt(local=local, utc=gps(local, 12.0), sigma_s=2.0, source="t"),
    )
    flags = photo_flags(photo, a_print("a", level=120.0))
    assert codes(flags) == ["clock", "sun_contradicts"]


# ---------------------------------------------------------------------------------------------------- whole photos


@pytest.mark.parametrize("path", SAMPLES[:3], ids=lambda p: p.stem)
def test_good_photos_have_no_flags(path: Path) -> None:
    data = path.read_bytes()
    photo = read_record(path, data)
    seen = print_of(path.name, data, photo)
    assert seen.phash is not None
    assert seen.level is not None
    assert seen.sha256 == content_hash(data)
    assert photo_flags(photo, seen) == ()


def test_what_cannot_be_decoded_has_no_hash() -> None:
    data = SAMPLES[0].read_bytes()
    cut = data[: len(data) // 2]
    seen = print_of("a.jpg", cut, read_record(Path("a.jpg"), cut))
    assert (seen.phash, seen.level) == (None, None)
    assert seen.camera
    assert seen.taken_s is not None
