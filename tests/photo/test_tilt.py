"""How a photo was tilted: gravity in a maker note, an elevation angle, and the pose in an XMP packet."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from photoaz.photo.record import PhotoRecord

from .conftest import codes


def with_note(record_of: Any, kit: Any, gravity: tuple[float, ...], orientation: int) -> PhotoRecord:
    note = kit.gravity_note(*kit.milli(*gravity))
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
    note = kit.gravity_note((247, 16691), (-5729, 5744), (-163, 3858))
    record = record_of(exif={0x927C: kit.undefined(note)}, image={0x112: kit.short(6)})
    assert record.pitch_deg.value == pytest.approx(math.degrees(math.asin(-0.0422498704)), abs=0.01)
    assert abs(record.roll_deg.value) < 1.0


def test_little_endian_note(record_of: Any, kit: Any) -> None:
    note = kit.gravity_note(*kit.milli(0.0, -0.866, 0.5), order="<")
    record = record_of(exif={0x927C: kit.undefined(note)}, image={0x112: kit.short(6)})
    assert record.pitch_deg.value == pytest.approx(30.0, abs=0.01)


def test_acceleration_that_is_not_gravity(record_of: Any, kit: Any) -> None:
    moving = with_note(record_of, kit, (0.2, -1.55, 0.1), 6)  # 1.57 g, as one real file has
    assert (moving.pitch_deg, moving.roll_deg) == (None, None)
    assert "acceleration-not-1g" in codes(moving)
    front = record_of(
        exif={0x927C: kit.undefined(kit.gravity_note(*kit.milli(0, -1, 0))), 0xA434: kit.ascii("VX-3 front camera")},
        image={0x112: kit.short(6)},
    )
    assert front.pitch_deg is None
    assert "acceleration-front-camera" in codes(front)
    holes = record_of(exif={0x927C: kit.undefined(kit.gravity_note((0, 0), (-1, 1), (0, 1)))})
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
    note = kit.gravity_note(*kit.milli(0.0, -1.0, 0.0))
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
        exif={0x9405: kit.sratio((40, 1)), 0x927C: kit.undefined(kit.gravity_note(*kit.milli(0.0, -1.0, 0.0)))},
        image={0x112: kit.short(6)},
    )
    assert "pitch-contradicts" in codes(record)
    assert record.pitch_deg.sigma == pytest.approx(40.0)


@pytest.mark.parametrize("form", ["attributes", "elements"])
def test_gpano_pose(record_of: Any, kit: Any, form: str) -> None:
    values = {"PoseHeadingDegrees": "123.5", "PosePitchDegrees": "-4.25", "PoseRollDegrees": "2"}
    if form == "attributes":
        packet = kit.packet(attributes=" ".join(f'GPano:{k}="{v}"' for k, v in values.items()))
    else:
        packet = kit.packet(elements="".join(f"<GPano:{k}>{v}</GPano:{k}>" for k, v in values.items()))
    record = record_of(gps={0x11: None}, xmp=packet)
    assert (record.heading.value_deg, record.heading.north) == (123.5, "unknown")
    assert (record.pitch_deg.value, record.roll_deg.value) == (-4.25, 2.0)
    # Exif's own heading goes first
    assert record_of(xmp=packet).heading.value_deg == pytest.approx(226.34)


@pytest.mark.parametrize("value", ["361", "-1", "north", "nan", ""])
def test_impossible_pose(record_of: Any, kit: Any, value: str) -> None:
    packet = kit.packet(attributes=f'GPano:PoseHeadingDegrees="{value}" GPano:PosePitchDegrees="99"')
    record = record_of(gps={0x11: None}, xmp=packet)
    assert record.heading is None
    assert record.pitch_deg is None
    assert {"heading-out-of-range", "pose-out-of-range"} <= codes(record)


def test_panoramas_have_no_focal_length(record_of: Any, kit: Any) -> None:
    record = record_of(xmp=kit.packet(attributes='GPano:ProjectionType="equirectangular"'))
    assert record.focal is None
    assert "panorama" in codes(record)


def test_entities_are_never_expanded(record_of: Any, kit: Any, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("211")
    body = kit.packet(elements="<GPano:PoseHeadingDegrees>&x;</GPano:PoseHeadingDegrees>")
    for declared in (f'<!ENTITY x SYSTEM "{secret.as_uri()}">', '<!ENTITY x "211">', '<!ENTITY % x SYSTEM "x">'):
        record = record_of(gps={0x11: None}, xmp=f"<!DOCTYPE d [{declared}]>".encode() + body)
        assert record.heading is None
        assert "xmp-damaged" in codes(record)


def test_a_cut_packet_keeps_what_came_before(record_of: Any, kit: Any) -> None:
    packet = kit.packet(attributes='GPano:PoseHeadingDegrees="80"', elements="<GPano:PosePitchDegrees>3")
    record = record_of(gps={0x11: None}, xmp=packet[:-60])
    assert record.heading.value_deg == 80.0
    assert "xmp-damaged" in codes(record)
