"""Where metadata lies in files of every kind, and what is left of it in files that are cut or overwritten."""

from __future__ import annotations

import io
import math
import struct
import time
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from photoaz.errors import InputError
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import decode

from .conftest import codes, finding


def whole_file(fmt: str, image: Image.Image, block: bytes) -> bytes:
    """A file of this format with this Exif block."""
    out = io.BytesIO()
    if fmt == "HEIF":
        pillow_heif.from_pillow(image).save(out, exif=b"Exif\0\0" + block)
    else:
        exif = Image.Exif()
        exif.load(b"Exif\0\0" + block)
        image.save(out, fmt, exif=exif)
    return out.getvalue()


def test_every_container_gives_the_same(kit: Any, tmp_path: Path) -> None:
    """The block is one thing, the file round it another: Pillow and libheif write it, each in its own way."""
    block = kit.tiff_block(kit.IMAGE_GOOD, kit.EXIF_GOOD, kit.GPS_GOOD)
    image = kit.picture(400, 300)
    expected = read_record(Path("a.jpg"), kit.jpeg_with(block, 400, 300))
    for fmt in ("JPEG", "PNG", "WEBP", "HEIF", "TIFF", "AVIF"):
        path = tmp_path / f"photo.{fmt}"
        path.write_bytes(whole_file(fmt, image, block))
        record = read_record(path)
        assert record.format == fmt
        for name in ("position", "heading", "taken", "focal", "altitude_m", "make", "width_px", "height_px"):
            assert getattr(record, name) == getattr(expected, name), (fmt, name)


def test_exif_behind_the_pixels_of_a_png(kit: Any) -> None:
    out = io.BytesIO()
    kit.picture().save(out, "PNG")
    data, block = out.getvalue(), kit.tiff_block(kit.IMAGE_GOOD, kit.EXIF_GOOD, kit.GPS_GOOD)
    chunk = struct.pack(">I", len(block)) + b"eXIf" + block + b"\0\0\0\0"
    record = read_record(Path("a.png"), data[:-12] + chunk + data[-12:])
    assert record.heading.value_deg == pytest.approx(226.34)


def test_a_file_cut_anywhere_gives_a_record_or_a_named_error(kit: Any) -> None:
    note = kit.gravity_note(*kit.milli(0.0, -1.0, 0.0))
    block = kit.tiff_block(kit.IMAGE_GOOD, {**kit.EXIF_GOOD, 0x927C: kit.undefined(note)}, kit.GPS_GOOD)
    packet = kit.packet(attributes='GPano:PoseHeadingDegrees="80"')
    data = kit.jpeg_with(block, 400, 300, xmp=packet)
    whole = read_record(Path("whole.jpg"), data)
    records, refused = 0, []
    for cut in [*range(1400), *range(1400, len(data), 97)]:
        try:
            record = read_record(Path("cut.jpg"), data[:cut])
        except InputError as err:
            refused.append(str(err))
            continue
        records += 1
        assert record.width_px > 0
        # what is given is right: a cut never turns a value into another one
        for name in ("position", "heading", "taken"):
            if getattr(record, name) is not None:
                got, expected = getattr(record, name), getattr(whole, name)
                assert getattr(got, "lat_deg", None) == getattr(expected, "lat_deg", None)
                assert getattr(got, "value_deg", None) in (getattr(expected, "value_deg", None), 80.0)
                assert getattr(got, "local", None) in (getattr(expected, "local", None), None)
        if cut < len(block):
            assert record.findings
    assert records > 500
    assert refused
    assert all(said.startswith("cut.jpg: found ") for said in refused)


@pytest.mark.parametrize("fmt", ["PNG", "WEBP", "TIFF", "HEIF", "AVIF"])
def test_other_containers_cut_anywhere(kit: Any, fmt: str) -> None:
    block = kit.tiff_block(kit.IMAGE_GOOD, kit.EXIF_GOOD, kit.GPS_GOOD)
    data = whole_file(fmt, kit.picture(), block)
    for cut in np.unique(np.linspace(0, len(data), 150).astype(int)):
        try:
            record = read_record(Path(f"cut.{fmt}"), data[:cut])
        except InputError:
            continue
        assert record.width_px == 80


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(2, 700), st.integers(0, 255)), min_size=1, max_size=12))
def test_overwritten_bytes_never_crash(kit: Any, changes: list[tuple[int, int]]) -> None:
    note = kit.gravity_note(*kit.milli(0.0, -1.0, 0.0))
    block = kit.tiff_block(kit.IMAGE_GOOD, {**kit.EXIF_GOOD, 0x927C: kit.undefined(note)}, kit.GPS_GOOD)
    data = bytearray(kit.jpeg_with(block, 80, 60))
    for at, value in changes:
        data[at] = value
    try:
        record = read_record(Path("odd.jpg"), bytes(data))
    except InputError:
        return
    if record.heading is not None:
        assert 0.0 <= record.heading.value_deg < 360.0
    if record.position is not None:
        assert abs(record.position.lat_deg) <= 90
        assert abs(record.position.lon_deg) <= 180
        assert record.position.sigma_m > 0
    for value in (record.pitch_deg, record.roll_deg, record.altitude_m):
        assert value is None or (math.isfinite(value.value) and value.sigma > 0)
    if record.focal is not None:
        assert record.focal.f_px > 0
        assert math.isfinite(record.focal.relative_sigma)


def test_reader_that_gives_up_is_replaced(record_of: Any, kit: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """exifread raises AssertionError on some files; what is in the block is read all the same."""
    import exifread

    expected = record_of()

    def fail(*_: object, **__: object) -> None:
        raise AssertionError

    monkeypatch.setattr(exifread, "process_file", fail)
    record = record_of()
    assert "exif-damaged" in codes(record)
    for name in ("position", "heading", "taken", "focal", "altitude_m", "make", "orientation"):
        assert getattr(record, name) == getattr(expected, name)


def test_a_block_that_exifread_gives_up_is_read_all_the_same(kit: Any) -> None:
    """A pointer to the camera's own tags that holds no value: exifread raises IndexError."""
    block = kit.tiff_block({**kit.IMAGE_GOOD, 0x8769: (4, 0, b"")}, None, kit.GPS_GOOD)
    record = read_record(Path("a.jpg"), kit.jpeg_with(block))
    assert "IndexError" in finding(record, "exif-damaged").message
    assert record.make == "Velstra"
    assert record.heading.value_deg == pytest.approx(226.34)
    assert record.position is not None


def test_a_maker_note_of_impossible_length_takes_no_time(kit: Any) -> None:
    block = kit.tiff_block(kit.IMAGE_GOOD, {**kit.EXIF_GOOD, 0x927C: (7, 0xFFFFFFFF, b"Apple iOS\0")}, kit.GPS_GOOD)
    start = time.process_time()
    record = read_record(Path("a.jpg"), kit.jpeg_with(block))
    assert time.process_time() - start < 1.0
    assert record.heading.value_deg == pytest.approx(226.34)
    assert record.pitch_deg is None


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_with(kit: Any, *chunks: bytes, behind: bool = False) -> bytes:
    out = io.BytesIO()
    kit.picture().save(out, "PNG")
    whole = out.getvalue()
    at = whole.index(b"IEND") - 4 if behind else 33  # the header's chunk ends at byte 33
    return whole[:at] + b"".join(chunks) + whole[at:]


@pytest.mark.parametrize("behind", [False, True])
def test_what_converters_write_into_a_png_as_text(kit: Any, behind: bool) -> None:
    """Names and spelling as ImageMagick writes them (seen in its output), plain names as of the PNG specification."""
    texts = {
        "exif:DateTimeOriginal": "2026:04:22 13:48:51",
        "exif:OffsetTimeOriginal": "+02:00",
        "exif:FocalLengthIn35mmFilm": "26",
        "exif:GPSLatitude": "31/1, 4/1, 1041/100",
        "exif:GPSLatitudeRef": "S",
        "exif:GPSLongitude": "23/1, 18/1, 615/100",
        "exif:GPSLongitudeRef": "E",
        "exif:Orientation": "6",  # says how the photo lay before it was converted; nobody turns a PNG by it
        "Model": "VX-3",
    }
    chunks = [chunk(b"tEXt", k.encode() + b"\0" + v.encode()) for k, v in texts.items()]
    chunks.append(chunk(b"zTXt", b"exif:GPSImgDirection\0\0" + zlib.compress(b"22634/100")))
    chunks.append(chunk(b"iTXt", b"exif:Make\0\0\0\0\0" + "Vélstra".encode()))
    record = read_record(Path("a.png"), png_with(kit, *chunks, behind=behind))
    assert record.position is not None
    assert record.position.lat_deg == pytest.approx(-(31 + 4 / 60 + 10.41 / 3600))
    assert record.heading is not None
    assert record.heading.value_deg == pytest.approx(226.34)
    assert (record.make, record.model) == ("Vélstra", "VX-3")
    assert record.taken is not None
    assert record.taken.utc == datetime(2026, 4, 22, 11, 48, 51, tzinfo=UTC)
    assert record.focal is not None
    assert (record.width_px, record.height_px, record.orientation) == (80, 60, 1)


@pytest.mark.parametrize("behind", [False, True])
def test_profiles_in_the_text_of_a_png(kit: Any, behind: bool) -> None:
    block = kit.tiff_block(kit.IMAGE_GOOD, kit.EXIF_GOOD, kit.GPS_GOOD)
    profiles = []
    for name, body in (("exif", b"Exif\0\0" + block), ("xmp", POSE)):
        told = f"\n{name}\n{len(body):8d}\n{body.hex()}\n".encode()
        profiles.append(chunk(b"zTXt", f"Raw profile type {name}\0\0".encode() + zlib.compress(told)))
    record = read_record(Path("a.png"), png_with(kit, *profiles, behind=behind))
    assert record.position is not None
    assert record.roll_deg is not None
    assert record.roll_deg.value == pytest.approx(-3.0)


POSE = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:GPano="http://ns.google.com/photos/1.0/panorama/" GPano:PoseRollDegrees="-3.0"'
    b' GPano:PosePitchDegrees="10"/></rdf:RDF></x:xmpmeta>'
)


@pytest.mark.parametrize("extended", [False, True])
def test_boxes_of_a_jpeg_2000_file(kit: Any, extended: bool) -> None:
    """Exif as Exiv2 and ExifTool write it into a box of its own (from memory); XMP: its specification's part 3."""
    out = io.BytesIO()
    kit.picture().save(out, "JPEG2000")
    block = kit.tiff_block(kit.IMAGE_GOOD | {0x112: kit.short(6)}, kit.EXIF_GOOD, kit.GPS_GOOD)
    boxes = b""
    for kind, body in ((b"JpgTiffExif->JP2", block), (bytes.fromhex("be7acfcb97a942e89c71999491e3afac"), POSE)):
        n = 24 + len(body)
        head = struct.pack(">I4sQ", 1, b"uuid", n + 8) if extended else struct.pack(">I4s", n, b"uuid")
        boxes += head + kind + body
    data = out.getvalue() + boxes
    record = read_record(Path("a.jp2"), data)
    assert record.position is not None
    assert record.heading is not None
    assert record.pitch_deg is not None
    assert record.pitch_deg.value == pytest.approx(10.0)
    assert (record.width_px, record.height_px, record.orientation) == (60, 80, 6)
    assert decode(data).shape == (80, 60, 3)
