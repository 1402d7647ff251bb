"""When and by which camera photos were taken, as their metadata tell; a fix that two photos have."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from PIL import Image
from PIL.ExifTags import IFD, Base

from photoaz.estimate.report import taken_over_remark
from photoaz.estimate.statements import moment_of
from photoaz.network.stands import Member
from photoaz.photo.metadata import read_record
from photoaz.photo.record import PhotoRecord, Provenance, TakenAt
from photoaz.sample import sample_dir

NOON = datetime(2026, 5, 14, 12, 0, 0)


def record(taken: TakenAt | None, *, subsecond_s: float = 0.0, serial: str | None = None, **made: Any) -> PhotoRecord:
    provenance = Provenance(subsecond_s=subsecond_s, serial=serial)
    size: dict[str, Any] = {"width_px": 4000, "height_px": 3000, "orientation": 1}
    return PhotoRecord(path=Path("a.jpg"), format="JPEG", taken=taken, provenance=provenance, **size, **made)


def at(local: datetime | None, utc: datetime | None = None) -> TakenAt:
    return TakenAt(local=local, utc=utc, sigma_s=2.0, source="DateTimeOriginal")


def test_seconds_between_photos_by_clock_and_by_utc() -> None:
    first = moment_of(record(at(NOON), subsecond_s=0.25))
    assert first.seconds_to(moment_of(record(at(NOON.replace(second=9)), subsecond_s=0.75))) == pytest.approx(9.5)
    assert moment_of(record(None)).seconds_to(first) is None
    # the satellites' time alone: no part of a second of a clock that is not there belongs to it
    one, other = (moment_of(record(at(None, NOON.replace(second=s, tzinfo=UTC)), subsecond_s=0.9)) for s in (0, 20))
    assert one.seconds_to(other) == pytest.approx(20.0)
    assert one.seconds_to(first) is None
    # a clock is one clock, whatever is believed of its zone
    ahead = moment_of(record(at(NOON.replace(second=9), NOON.replace(hour=15, tzinfo=UTC))))
    assert moment_of(record(at(NOON, NOON.replace(tzinfo=UTC)))).seconds_to(ahead) == pytest.approx(9.0)


def test_a_camera_is_told_by_make_model_and_serial_number() -> None:
    def camera(**made: Any) -> str:
        return moment_of(record(at(NOON), **made)).camera

    assert camera(make="Ovenbird ", model="Ovenbird  6") == camera(make="ovenbird", model="Ovenbird 6")
    assert camera(make="Ovenbird", model="6", serial="17") != camera(make="Ovenbird", model="6", serial="18")
    assert camera() == ""
    files = [sample_dir() / f"qlb014_{k}.jpg" for k in (5, 6, 8)]
    sample = [moment_of(read_record(f)) for f in files]
    assert sample[0].camera == sample[1].camera != sample[2].camera
    # 09:42:30 to 09:44:11, and what Pillow reads of the parts of a second
    parts = []
    for file in files[:2]:
        with Image.open(file) as picture:
            parts.append(float(f"0.{picture.getexif().get_ifd(IFD.Exif)[Base.SubsecTimeOriginal]}"))
    assert sample[0].seconds_to(sample[1]) == pytest.approx(101.0 + parts[1] - parts[0], abs=1e-5)


def test_a_fix_taken_over_is_said() -> None:
    first = Member(photo="x/a.jpg", step_m=None)  # type: ignore[arg-type]
    stand = SimpleNamespace(members=(first, replace(first, photo="x/b.jpg", taken_over="x/a.jpg")))
    assert taken_over_remark(stand, "x/a.jpg") is None  # type: ignore[arg-type]
    said = taken_over_remark(stand, "x/b.jpg")  # type: ignore[arg-type]
    assert said == "its position is that of a.jpg to the last digit, a fix taken over: it is used once"
