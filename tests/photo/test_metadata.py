"""Metadata written on purpose, whole and broken. Tag numbers and meanings: CIPA DC-008 (Exif 2.32)."""

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
from photoaz.photo.record import PhotoRecord

PACKET = (
    '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
    '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
    'xmlns:GPano="http://ns.google.com/photos/1.0/panorama/" {attributes}>{elements}</rdf:Description></rdf:RDF>'
    '</x:xmpmeta><?xpacket end="w"?>'
)


def codes(record: PhotoRecord) -> set[str]:
    return {finding.code for finding in record.findings}


def finding(record: PhotoRecord, code: str) -> Any:
    return next(f for f in record.findings if f.code == code)


def test_a_good_photo(record_of: Any) -> None:
    record = record_of()
    assert record.position.lat_deg == pytest.approx(-(31 + 4 / 60 + 10.41 / 3600), abs=1e-9)
    assert record.position.lon_deg == pytest.approx(23 + 18 / 60 + 6.15 / 3600, abs=1e-9)
    assert (record.heading.value_deg, record.heading.north) == (pytest.approx(226.34), "true")
    assert record.altitude_m.value == pytest.approx(1038.8)
    assert record.taken.utc == datetime(2026, 4, 22, 11, 48, 51, tzinfo=UTC)
    assert record.taken.local == datetime(2026, 4, 22, 13, 48, 51)
    assert (record.make, record.model, record.software) == ("Velstra", "VX-3", None)
    assert not record.cropped
    assert not {f.code for f in record.findings if f.severity == "unusable"}


def test_every_container_gives_the_same(kit: Any, tmp_path: Path) -> None:
    """The block is one thing, the file round it another: Pillow and libheif write it, each in its own way."""
    block = kit.tiff_block(kit.IMAGE_GOOD, kit.EXIF_GOOD, kit.GPS_GOOD)
    image = kit.picture(400, 300)
    expected = read_record(Path("a.jpg"), kit.jpeg_with(block, 400, 300))
    for fmt in ("JPEG", "PNG", "WEBP", "HEIF", "TIFF", "AVIF"):
        out = io.BytesIO()
        if fmt == "HEIF":
            pillow_heif.from_pillow(image).save(out, exif=b"Exif\0\0" + block)
        else:
            exif = Image.Exif()
            exif.load(b"Exif\0\0" + block)
            image.save(out, fmt, exif=exif)
        path = tmp_path / f"photo.{fmt}"
        path.write_bytes(out.getvalue())
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


# ---------------------------------------------------------------------------------------------------- position


def test_sigma_of_a_stated_error_is_that_of_its_68_percent_radius(record_of: Any, kit: Any) -> None:
    sigma = record_of().position.sigma_m
    draws = np.random.default_rng(1).normal(0.0, sigma, (200_000, 2))
    inside = (np.hypot(*draws.T) < 7.41).mean()
    assert inside == pytest.approx(0.683, abs=0.005)  # 0.005 is 5 sigma of the draw


@pytest.mark.parametrize(
    ("gps", "sigma_m"),
    [
        ({0x1F: None}, 8.0),
        ({0x1F: None, 0x0B: "hdop", 0x0A: "2"}, 2.0 * 5.0 / math.sqrt(2.0)),
        ({0x1F: None, 0x0B: "hdop", 0x0A: "3"}, 2.0 * 5.0 / 2.0),
        ({0x1B: b"ASCII\0\0\0CELLID"}, 1000.0),
        ({0x1B: b"ASCII\0\0\0WLAN"}, 50.0),
        ({0x1B: b"ASCII\0\0\0GPS"}, 7.41 / 1.515),
        ({9: "V"}, 50.0),
    ],
)
def test_position_sigma(record_of: Any, kit: Any, gps: dict[int, Any], sigma_m: float) -> None:
    entries: dict[int, Any] = {}
    for tag, value in gps.items():
        if value == "hdop":
            entries[tag] = kit.ratio((2, 1))
        elif isinstance(value, bytes):
            entries[tag] = kit.undefined(value)
        else:
            entries[tag] = None if value is None else kit.ascii(value)
    record = record_of(gps=entries)
    assert record.position.sigma_m == pytest.approx(sigma_m)
    # what it costs: the angle that sigma makes at 50 m
    cost = finding(record, "position-accuracy").cost_deg
    assert math.tan(math.radians(cost)) * 50.0 == pytest.approx(sigma_m)


@pytest.mark.parametrize(("written", "sigma_m"), [(38.416, 25.4), (22.8, 15.0), (9.0, 5.9), (1.2, 5.0)])
def test_a_dilution_of_no_kind_is_a_phones_error_in_metres(
    record_of: Any, kit: Any, written: float, sigma_m: float
) -> None:
    """The first is a phone's own photo of a roof (nycmeshnet/docs, CC0): read as a dilution it would make 136 m.

    Exif 2.32 has the kind of a dilution in GPSMeasureMode. A small value may be either: no better than a dilution of 1.
    """
    entry = {0x1F: None, 0x0B: kit.ratio((round(1000 * written), 1000)), 0x0A: None}
    record = record_of(gps=entry)
    assert record.position.sigma_m == pytest.approx(sigma_m, abs=0.1)
    assert "dop-in-metres" in codes(record)
    told = record_of(gps=entry | {0x0A: kit.ascii("2")})
    assert told.position.sigma_m == pytest.approx(written * 5.0 / math.sqrt(2.0), rel=1e-3)
    assert "dop-in-metres" not in codes(told)
    stated = record_of(gps=entry | {0x1F: kit.ratio((4, 1))})  # a stated error goes before both
    assert stated.position.sigma_m == pytest.approx(4.0 / 1.515)


def test_other_datum_widens(record_of: Any, kit: Any) -> None:
    record = record_of(gps={0x12: kit.ascii("TOKYO")})
    assert record.position.sigma_m > 199
    assert "datum-not-wgs84" in codes(record)
    assert "datum-not-wgs84" not in codes(record_of(gps={0x12: kit.ascii("WGS-84 ")}))


BROKEN_POSITIONS: list[tuple[dict[int, Any], str]] = [
    ({1: None}, "position-hemisphere-missing"),
    ({3: ("ascii", " ")}, "position-hemisphere-missing"),
    ({1: ("ascii", "E")}, "position-hemisphere-missing"),
    ({2: None}, "position-half-missing"),
    ({4: None}, "position-half-missing"),
    ({2: ("ratio", (0, 0), (0, 0), (0, 0))}, "position-not-a-number"),
    ({2: ("ratio", (31, 1), (0, 0), (0, 0))}, "position-not-a-number"),
    ({2: ("ratio", (91, 1), (0, 1), (0, 1))}, "position-out-of-range"),
    ({4: ("ratio", (23, 1), (75, 1), (0, 1))}, "position-out-of-range"),
    ({4: ("ratio", (4294967273, 1), (18, 1), (0, 1))}, "position-out-of-range"),
    ({2: ("ascii", "somewhere")}, "position-not-a-number"),
    ({1: ("ascii", "N"), 2: ("sratio", (-31, 1), (4, 1), (0, 1))}, "position-sign-contradicts"),
    (
        {2: ("ratio", (0, 1), (0, 1), (0, 1)), 4: ("ratio", (0, 1), (0, 1), (0, 1))},
        "position-zero",
    ),
    ({2: None, 4: None}, "position-missing"),
]


def entries(kit: Any, change: dict[int, Any]) -> dict[int, Any]:
    return {tag: spec if spec is None else getattr(kit, spec[0])(*spec[1:]) for tag, spec in change.items()}


@pytest.mark.parametrize(("gps", "code"), BROKEN_POSITIONS)
def test_a_position_that_cannot_be_trusted_is_none_and_said(
    record_of: Any, kit: Any, gps: dict[int, Any], code: str
) -> None:
    record = record_of(gps=entries(kit, gps))
    assert record.position is None
    assert code in codes(record)


def test_signed_rationals_and_text_are_understood(record_of: Any, kit: Any) -> None:
    signed = record_of(gps={2: kit.sratio((31, 1), (4, 1), (1041, 100))})
    assert signed.position.lat_deg == pytest.approx(record_of().position.lat_deg)
    # a form that real files hold: decimal commas between commas
    text = record_of(gps={1: kit.ascii("N"), 2: kit.ascii("52,00000,50,00000,34,01180")})
    assert text.position.lat_deg == pytest.approx(52 + 50 / 60 + 34.0118 / 3600, abs=1e-9)
    assert "position-as-text" in codes(text)


def test_missing_seconds(record_of: Any, kit: Any) -> None:
    decimal_minutes = record_of(gps={2: kit.ratio((31, 1), (41735, 10000), (0, 0))})
    assert decimal_minutes.position.lat_deg == pytest.approx(-(31 + 4.1735 / 60))
    assert decimal_minutes.position.sigma_m < 6
    whole_minutes = record_of(gps={2: kit.ratio((31, 1), (4, 1), (0, 0))})
    assert whole_minutes.position.sigma_m > 500  # a nautical mile, evenly spread: 1852 / sqrt(12) m
    assert "position-seconds-missing" in codes(whole_minutes)


@pytest.mark.parametrize(
    ("spec", "code"),
    [
        (("ratio", (0, 0)), "position-error-not-a-number"),
        (("ratio", (0, 1)), "position-error-out-of-range"),
        (("ascii", "good"), "position-error-not-a-number"),
    ],
)
def test_bad_position_error_falls_back(record_of: Any, kit: Any, spec: Any, code: str) -> None:
    record = record_of(gps=entries(kit, {0x1F: spec}))
    assert record.position.sigma_m == 8.0
    assert code in codes(record)


def test_an_altitude_is_as_good_as_its_datum_is_known(record_of: Any, kit: Any) -> None:
    """2 and 3 are of the sea level; 0 and 1 may be of the ellipsoid, some 30 m off it over the earth."""
    sea, either = (record_of(gps={5: kit.byte(code)}).altitude_m for code in (2, 0))
    assert (sea.value, either.value) == (pytest.approx(1038.8), pytest.approx(1038.8))
    assert record_of(gps={5: kit.byte(3)}).altitude_m.value == pytest.approx(-1038.8)
    assert 10.0 <= sea.sigma <= 20.0
    assert either.sigma == pytest.approx(np.hypot(sea.sigma, 30.0 / np.sqrt(2.0)))
    assert "sea level" in sea.source
    assert "ellipsoid" in either.source


def test_altitude(record_of: Any, kit: Any) -> None:
    assert record_of(gps={5: kit.byte(1)}).altitude_m.value == pytest.approx(-1038.8)
    assert "altitude-ref-missing" in codes(record_of(gps={5: None}))
    broken = record_of(gps={6: kit.ratio((1, 0))})
    assert broken.altitude_m is None
    assert "altitude-not-a-number" in codes(broken)
    assert "altitude-out-of-range" in codes(record_of(gps={6: kit.ratio((4294967295, 1))}))


# ----------------------------------------------------------------------------------------------------- heading


@pytest.mark.parametrize(
    ("ref", "north"),
    [("T", "true"), ("M", "magnetic"), (None, "unknown"), (" ", "unknown"), ("", "unknown"), ("X", "unknown")],
)
def test_heading_reference(record_of: Any, kit: Any, ref: str | None, north: str) -> None:
    record = record_of(gps={0x10: None if ref is None else kit.ascii(ref)})
    assert record.heading.north == north
    assert ("heading-ref-missing" in codes(record)) == (north == "unknown")
    assert record.heading.sigma_deg == 6.0


@pytest.mark.parametrize(
    ("spec", "code"),
    [
        (("ratio", (36001, 100)), "heading-out-of-range"),
        (("ratio", (4294960297, 100)), "heading-out-of-range"),
        (("sratio", (-7000, 100)), "heading-out-of-range"),
        (("ratio", (0, 0)), "heading-not-a-number"),
        (("ratio", (226, 0)), "heading-not-a-number"),
        (("double", math.nan), "heading-not-a-number"),
        (("double", math.inf), "heading-not-a-number"),
        (("ascii", "south-west"), "heading-not-a-number"),
    ],
)
def test_a_heading_that_cannot_be_is_none_and_said(record_of: Any, kit: Any, spec: Any, code: str) -> None:
    record = record_of(gps=entries(kit, {0x11: spec}))
    assert record.heading is None
    assert {code, "heading-missing"} <= codes(record)
    assert finding(record, code).severity == "unusable"


def test_heading_at_the_seam_and_zero(record_of: Any, kit: Any) -> None:
    seam = record_of(gps={0x11: kit.ratio((360, 1))})
    assert seam.heading.value_deg == 0.0
    assert seam.heading.sigma_deg == 6.0
    assert "heading-is-360" in codes(seam)
    zero = record_of(gps={0x11: kit.ratio((0, 1))})
    assert (zero.heading.sigma_deg, zero.heading.placeholder_share) == (6.0, pytest.approx(2.0 / 3.0))
    assert 80.0 < zero.heading.spread_deg < 90.0
    assert (seam.heading.placeholder_share, seam.heading.spread_deg) == (0.0, 6.0)
    assert "heading-zero" in codes(zero)
    text = record_of(gps={0x11: kit.ascii("226,34")})
    assert text.heading.value_deg == pytest.approx(226.34)
    assert "heading-as-text" in codes(text)


def test_bearing_to_a_destination_is_not_a_heading(record_of: Any, kit: Any) -> None:
    record = record_of(gps={0x11: None, 0x10: None, 0x17: kit.ascii("T"), 0x18: kit.ratio((46, 1))})
    assert record.heading is None
    assert "bearing-to-destination" in codes(record)


# -------------------------------------------------------------------------------------------------------- tilt


def gravity_note(kit: Any, *pairs: tuple[int, int], order: str = ">") -> bytes:
    """The maker note that carries a gravity vector: header, version, byte order, directory; offsets from its start."""
    kind, count, raw = kit.sratio(*pairs)
    if order == "<":
        raw = b"".join(struct.pack("<ii", *pair) for pair in pairs)
    head = b"Apple iOS\0\0\1" + (b"MM" if order == ">" else b"II")
    at = len(head) + 2 + 2 * 12 + 4
    first = struct.pack(order + "HHIi", 1, 9, 1, 9)
    return head + struct.pack(order + "H", 2) + first + struct.pack(order + "HHII", 8, kind, count, at) + bytes(4) + raw


def milli(*values: float) -> list[tuple[int, int]]:
    return [(round(1000 * v), 1000) for v in values]


def with_note(record_of: Any, kit: Any, gravity: tuple[float, ...], orientation: int) -> PhotoRecord:
    note = gravity_note(kit, *milli(*gravity))
    return record_of(exif={0x927C: kit.undefined(note)}, image={0x112: kit.short(orientation)})


# Which way the device is held, gravity in its axes (x right, y up, z to the holder), the orientation phones then write
HELD = [((0.0, -1.0, 0.0), 6), ((-1.0, 0.0, 0.0), 1), ((1.0, 0.0, 0.0), 3), ((0.0, 1.0, 0.0), 8)]


@pytest.mark.parametrize(("gravity", "orientation"), HELD)
def test_held_level_every_way_up(record_of: Any, kit: Any, gravity: tuple[float, ...], orientation: int) -> None:
    record = with_note(record_of, kit, gravity, orientation)
    assert record.pitch_deg.value == pytest.approx(0.0, abs=1e-9)
    assert record.roll_deg.value == pytest.approx(0.0, abs=1e-9)
    assert (record.pitch_deg.sigma, record.roll_deg.sigma) == (1.5, 1.0)


@pytest.mark.parametrize(("gravity", "orientation"), HELD)
@pytest.mark.parametrize(("pitch_deg", "roll_deg"), [(30.0, 0.0), (-20.0, 0.0), (0.0, 8.0), (45.0, -12.0)])
def test_tilt_is_that_of_the_camera_model(
    record_of: Any, kit: Any, gravity: tuple[float, ...], orientation: int, pitch_deg: float, roll_deg: float
) -> None:
    """Turn the device by the project's own camera frame and see what its accelerometer would say."""
    from photoaz.photo.camera import rotation_cam_from_enu

    rotation = rotation_cam_from_enu(0.4, math.radians(pitch_deg), math.radians(roll_deg))
    down_in_cam = rotation @ np.array([0.0, 0.0, -1.0])  # camera: x right, y down, z forward, as shown
    # device axes in the camera frame of the shown picture when held this way: z is back at the holder; gravity held
    # level is 'down', which fixes the other two
    down_in_device = np.array(gravity)
    back = np.array([0.0, 0.0, 1.0])
    right_in_device = np.cross(down_in_device, -back)  # right = down x forward
    device = down_in_cam[0] * right_in_device + down_in_cam[1] * down_in_device - down_in_cam[2] * back
    record = with_note(record_of, kit, tuple(device), orientation)
    rounding = 0.06  # three decimals of g
    assert record.pitch_deg.value == pytest.approx(pitch_deg, abs=rounding)
    assert record.roll_deg.value == pytest.approx(roll_deg, abs=2 * rounding)


def test_published_gravity_vector(record_of: Any, kit: Any) -> None:
    """A row of a public sample (pillow_heif's arrow.heic, read with exiftool 12.57): upright, nearly level."""
    note = gravity_note(kit, (247, 16691), (-5729, 5744), (-163, 3858))
    record = record_of(exif={0x927C: kit.undefined(note)}, image={0x112: kit.short(6)})
    assert record.pitch_deg.value == pytest.approx(math.degrees(math.asin(-0.0422498704)), abs=0.01)
    assert abs(record.roll_deg.value) < 1.0


def test_little_endian_note(record_of: Any, kit: Any) -> None:
    note = gravity_note(kit, *milli(0.0, -0.866, 0.5), order="<")
    record = record_of(exif={0x927C: kit.undefined(note)}, image={0x112: kit.short(6)})
    assert record.pitch_deg.value == pytest.approx(30.0, abs=0.01)


def test_acceleration_that_is_not_gravity(record_of: Any, kit: Any) -> None:
    moving = with_note(record_of, kit, (0.2, -1.55, 0.1), 6)  # 1.57 g, as one real file has
    assert (moving.pitch_deg, moving.roll_deg) == (None, None)
    assert "acceleration-not-1g" in codes(moving)
    front = record_of(
        exif={0x927C: kit.undefined(gravity_note(kit, *milli(0, -1, 0))), 0xA434: kit.ascii("VX-3 front camera")},
        image={0x112: kit.short(6)},
    )
    assert front.pitch_deg is None
    assert "acceleration-front-camera" in codes(front)
    holes = record_of(exif={0x927C: kit.undefined(gravity_note(kit, (0, 0), (-1, 1), (0, 1)))})
    assert "acceleration-damaged" in codes(holes)
    mirrored = with_note(record_of, kit, (0.0, -1.0, 0.0), 5)
    assert "acceleration-mirrored" in codes(mirrored)
    turned_later = with_note(record_of, kit, (0.0, -1.0, 0.0), 1)
    assert turned_later.roll_deg is None
    assert turned_later.pitch_deg is not None
    assert "roll-contradicts-orientation" in codes(turned_later)
    zenith = with_note(record_of, kit, (0.01, -0.02, 1.0), 6)
    assert zenith.pitch_deg.value > 88
    assert zenith.roll_deg is None


def test_cut_and_strange_notes_never_crash(record_of: Any, kit: Any) -> None:
    note = gravity_note(kit, *milli(0.0, -1.0, 0.0))
    for cut in range(len(note)):
        record = record_of(exif={0x927C: kit.undefined(note[:cut])}, image={0x112: kit.short(6)})
        assert record.pitch_deg is None
    other = record_of(exif={0x927C: kit.undefined(b"Velstra\0" + note)})
    assert other.pitch_deg is None


@pytest.mark.parametrize(("value", "kept"), [(-180, None), (-90, -90), (31, 31), (90, 90), (179, None), (360, None)])
def test_camera_elevation_angle(record_of: Any, kit: Any, value: int, kept: float | None) -> None:
    record = record_of(exif={0x9405: kit.sratio((100 * value, 100))})
    if kept is None:
        assert record.pitch_deg is None
        assert codes(record) & {"elevation-out-of-range", "elevation-upside-down"}
    else:
        assert (record.pitch_deg.value, record.pitch_deg.sigma) == (pytest.approx(kept), 0.7)


def test_scalar_acceleration_is_no_tilt(record_of: Any, kit: Any) -> None:
    record = record_of(exif={0x9404: kit.ratio((980665, 1))})
    assert record.pitch_deg is None
    assert "acceleration-scalar" in codes(record)


def test_two_pitches_that_disagree(record_of: Any, kit: Any) -> None:
    record = record_of(
        exif={0x9405: kit.sratio((40, 1)), 0x927C: kit.undefined(gravity_note(kit, *milli(0.0, -1.0, 0.0)))},
        image={0x112: kit.short(6)},
    )
    assert "pitch-contradicts" in codes(record)
    assert record.pitch_deg.sigma == pytest.approx(40.0)


# --------------------------------------------------------------------------------------------------------- XMP


@pytest.mark.parametrize("form", ["attributes", "elements"])
def test_gpano_pose(record_of: Any, kit: Any, form: str) -> None:
    values = {"PoseHeadingDegrees": "123.5", "PosePitchDegrees": "-4.25", "PoseRollDegrees": "2"}
    if form == "attributes":
        inside = {"attributes": " ".join(f'GPano:{k}="{v}"' for k, v in values.items()), "elements": ""}
    else:
        inside = {"attributes": "", "elements": "".join(f"<GPano:{k}>{v}</GPano:{k}>" for k, v in values.items())}
    record = record_of(gps={0x11: None}, xmp=PACKET.format(**inside).encode())
    assert (record.heading.value_deg, record.heading.north) == (123.5, "unknown")
    assert (record.pitch_deg.value, record.roll_deg.value) == (-4.25, 2.0)
    # Exif's own heading goes first
    assert record_of(xmp=PACKET.format(**inside).encode()).heading.value_deg == pytest.approx(226.34)


@pytest.mark.parametrize("value", ["361", "-1", "north", "nan", ""])
def test_impossible_pose(record_of: Any, value: str) -> None:
    packet = PACKET.format(attributes=f'GPano:PoseHeadingDegrees="{value}" GPano:PosePitchDegrees="99"', elements="")
    record = record_of(gps={0x11: None}, xmp=packet.encode())
    assert record.heading is None
    assert record.pitch_deg is None
    assert {"heading-out-of-range", "pose-out-of-range"} <= codes(record)


def test_panoramas_have_no_focal_length(record_of: Any) -> None:
    packet = PACKET.format(attributes='GPano:ProjectionType="equirectangular"', elements="")
    record = record_of(xmp=packet.encode())
    assert record.focal is None
    assert "panorama" in codes(record)


def test_entities_are_never_expanded(record_of: Any, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("211")
    body = PACKET.format(attributes="", elements="<GPano:PoseHeadingDegrees>&x;</GPano:PoseHeadingDegrees>")
    for declared in (f'<!ENTITY x SYSTEM "{secret.as_uri()}">', '<!ENTITY x "211">', '<!ENTITY % x SYSTEM "x">'):
        record = record_of(gps={0x11: None}, xmp=f"<!DOCTYPE d [{declared}]>{body}".encode())
        assert record.heading is None
        assert "xmp-damaged" in codes(record)


def test_a_cut_packet_keeps_what_came_before(record_of: Any) -> None:
    packet = PACKET.format(attributes='GPano:PoseHeadingDegrees="80"', elements="<GPano:PosePitchDegrees>3")
    record = record_of(gps={0x11: None}, xmp=packet.encode()[:-60])
    assert record.heading.value_deg == 80.0
    assert "xmp-damaged" in codes(record)


# -------------------------------------------------------------------------------------------------------- time


def test_zone_from_the_offset_tag(record_of: Any, kit: Any) -> None:
    record = record_of(exif={0x9011: kit.ascii("-03:30")}, gps={7: None})
    assert record.taken.utc == datetime(2026, 4, 22, 17, 18, 51, tzinfo=UTC)
    assert record.taken.local == datetime(2026, 4, 22, 13, 48, 51)


@pytest.mark.parametrize("offset", [None, "   :  ", "+99:00", "zulu"])
def test_zone_from_satellite_time(record_of: Any, kit: Any, offset: str | None) -> None:
    record = record_of(exif={0x9011: None if offset is None else kit.ascii(offset)})
    assert record.taken.utc == datetime(2026, 4, 22, 11, 48, 51, tzinfo=UTC)
    assert "zone-from-gps" in codes(record)


def test_no_zone_is_said_and_not_guessed(record_of: Any) -> None:
    record = record_of(exif={0x9011: None}, gps={7: None})
    assert record.taken.utc is None
    assert record.taken.local == datetime(2026, 4, 22, 13, 48, 51)
    assert "zone-unknown" in codes(record)


def test_clock_and_satellites_apart(record_of: Any, kit: Any) -> None:
    # an hour's slip of summer time: both are there and disagree
    record = record_of(exif={0x9011: kit.ascii("+03:00")})
    assert "gps-time-differs" in codes(record)
    # 37 minutes are no time zone
    odd = record_of(exif={0x9011: None, 0x9003: kit.ascii("2026:04:22 12:25:51")})
    assert odd.taken.utc == datetime(2026, 4, 22, 11, 48, 51, tzinfo=UTC)
    assert odd.taken.sigma_s >= 600


@pytest.mark.parametrize(
    "text",
    [
        *("0000:00:00 00:00:00", "    :  :     :  :  ", "2026:13:40 25:61:00", "yesterday", "1970:01:01 00:00:00"),
        "9999:12:31 23:59:59",
    ],
)
def test_dates_that_are_none(record_of: Any, kit: Any, text: str) -> None:
    record = record_of(exif={0x9003: kit.ascii(text), 0x9011: None}, gps={7: None})
    assert record.taken is None
    assert "date-missing" in codes(record)


def test_second_choices_of_date(record_of: Any, kit: Any) -> None:
    digitised = record_of(exif={0x9003: None, 0x9004: kit.ascii("2026:04:22 13:00:00"), 0x9012: kit.ascii("+02:00")})
    assert digitised.taken.utc == datetime(2026, 4, 22, 11, 0, 0, tzinfo=UTC)
    only_gps = record_of(exif={0x9003: None})
    assert only_gps.taken.local is None
    assert only_gps.taken.utc == datetime(2026, 4, 22, 11, 48, 51, tzinfo=UTC)
    for bad in (kit.ratio((25, 1), (0, 1), (0, 1)), kit.ratio((0, 0), (0, 0), (0, 0)), kit.ratio((1, 1))):
        record = record_of(exif={0x9011: None}, gps={7: bad})
        assert record.taken.utc is None
        assert "gps-time-unreadable" in codes(record)


# ------------------------------------------------------------------------------------------------- whole files


def test_orientation_values(record_of: Any, kit: Any) -> None:
    for value in range(1, 9):
        record = record_of(image={0x112: kit.short(value)})
        assert record.orientation == value
        assert (record.width_px, record.height_px) == ((300, 400) if value >= 5 else (400, 300))
        assert ("orientation-mirrored" in codes(record)) == (value in (2, 4, 5, 7))
    for value in (0, 9, 1000):
        record = record_of(image={0x112: kit.short(value)})
        assert record.orientation == 1
        assert "orientation-invalid" in codes(record)


def test_no_exif_at_all(kit: Any, tmp_path: Path) -> None:
    path = tmp_path / "plain.jpg"
    kit.picture().save(path)
    record = read_record(path)
    assert {"exif-missing", "position-missing", "heading-missing", "date-missing", "focal-missing"} <= codes(record)
    for name in ("position", "heading", "pitch_deg", "roll_deg", "taken", "focal", "altitude_m", "make"):
        assert getattr(record, name) is None


def test_a_file_cut_anywhere_gives_a_record_or_a_named_error(kit: Any) -> None:
    note = gravity_note(kit, *milli(0.0, -1.0, 0.0))
    block = kit.tiff_block(kit.IMAGE_GOOD, {**kit.EXIF_GOOD, 0x927C: kit.undefined(note)}, kit.GPS_GOOD)
    packet = PACKET.format(attributes='GPano:PoseHeadingDegrees="80"', elements="").encode()
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
    out = io.BytesIO()
    if fmt == "HEIF":
        pillow_heif.from_pillow(kit.picture()).save(out, exif=b"Exif\0\0" + block)
    else:
        exif = Image.Exif()
        exif.load(b"Exif\0\0" + block)
        kit.picture().save(out, fmt, exif=exif)
    data = out.getvalue()
    for cut in np.unique(np.linspace(0, len(data), 150).astype(int)):
        try:
            record = read_record(Path(f"cut.{fmt}"), data[:cut])
        except InputError:
            continue
        assert record.width_px == 80


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(2, 700), st.integers(0, 255)), min_size=1, max_size=12))
def test_overwritten_bytes_never_crash(kit: Any, changes: list[tuple[int, int]]) -> None:
    note = gravity_note(kit, *milli(0.0, -1.0, 0.0))
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


def test_every_code_is_kebab_case_and_every_message_a_sentence(record_of: Any, kit: Any) -> None:
    for gps, _ in BROKEN_POSITIONS:
        for found in record_of(gps=entries(kit, gps)).findings:
            assert found.code == found.code.lower().replace("_", "-")
            assert found.message[0].isupper() or found.message.startswith(found.tag[:3])
            assert found.message[-1] in ".)"


# ------------------------------------------------------------------------------------- metadata beside the Exif block


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
