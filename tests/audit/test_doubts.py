"""Later changes, clocks and the sun: pictures by Pillow, dates by hand, the sun by published places and days."""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from photoaz.audit.doubts import Flag, edited_flags, exposure_value, photo_flags, sun_flag, time_flags
from photoaz.audit.prints import PhotoPrint, print_of
from photoaz.photo.metadata import read_record
from photoaz.photo.moment import spell_zone
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


def seen(level: float) -> PhotoPrint:
    return PhotoPrint(photo="a.jpg", sha256="a", n_bytes=1000, width_px=4000, height_px=3000, level=level)


def codes(flags: list[Flag] | tuple[Flag, ...]) -> list[str]:
    return [f.code for f in flags]


def saved(image: Image.Image, scale: float = 1.0, quality: int = 85, fmt: str = "JPEG") -> bytes:
    out = io.BytesIO()
    size = round(image.width * scale), round(image.height * scale)
    image.resize(size, Image.Resampling.LANCZOS).save(out, fmt, **({"quality": quality} if fmt == "JPEG" else {}))
    return out.getvalue()


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
        its = print_of("a.jpg", data, read_record(Path("a.jpg"), data))
        assert its.preview is not None
        flags = edited_flags(record(), its.preview)
        assert (flags == []) == alike, its.preview


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
    assert codes(photo_flags(night, seen(120.0))) == ["sun_contradicts"]
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
    flags = photo_flags(photo, seen(120.0))
    assert codes(flags) == ["clock", "sun_contradicts"]


# ---------------------------------------------------------------------------------------------------- whole photos


@pytest.mark.parametrize("path", SAMPLES[:3], ids=lambda p: p.stem)
def test_good_photos_have_no_flags(path: Path) -> None:
    data = path.read_bytes()
    photo = read_record(path, data)
    seen = print_of(path.name, data, photo)
    assert seen.phash is not None
    assert seen.level is not None
    assert seen.sha256 == hashlib.sha256(data).hexdigest()
    assert photo_flags(photo, seen) == ()


def test_what_cannot_be_decoded_has_no_hash() -> None:
    data = SAMPLES[0].read_bytes()
    cut = data[: len(data) // 2]
    seen = print_of("a.jpg", cut, read_record(Path("a.jpg"), cut))
    assert (seen.phash, seen.level) == (None, None)
    assert seen.camera
    assert seen.taken_s is not None


def test_a_clock_at_the_end_of_time() -> None:
    flags = time_flags(record(original=datetime(9999, 12, 31, 23, 59, 59), zone_s=-43200.0), now=datetime.now(UTC))
    assert codes(flags) == ["clock"]
