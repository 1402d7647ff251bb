"""Metadata written on purpose, whole and broken: positions, headings, times.

Tag numbers and meanings: CIPA DC-008 (Exif 2.32).
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from photoaz.photo.metadata import read_record

from .conftest import codes, finding


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


def test_every_code_is_kebab_case_and_every_message_a_sentence(record_of: Any, kit: Any) -> None:
    for gps, _ in BROKEN_POSITIONS:
        for found in record_of(gps=entries(kit, gps)).findings:
            assert found.code == found.code.lower().replace("_", "-")
            assert found.message[0].isupper() or found.message.startswith(found.tag[:3])
            assert found.message[-1] in ".)"
