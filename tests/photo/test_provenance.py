"""What files say of how they came to be. Tag numbers: CIPA DC-008 (Exif 2.32); XMP names: ISO 16684-1."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from photoaz.photo.inspect import describe, record_as_json
from photoaz.photo.metadata import read_record
from photoaz.photo.record import Provenance
from photoaz.photo.xmp import read_xmp

PACKET = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" '
    b'xmlns:xmpMM="http://ns.adobe.com/xap/1.0/mm/" xmlns:stEvt="http://ns.adobe.com/xap/1.0/sType/ResourceEvent#" '
    b'xmp:CreatorTool="Retoucher 3"><xmpMM:History><rdf:Seq>'
    b'<rdf:li stEvt:action="saved" stEvt:softwareAgent="Retoucher 3"/>'
    b'<rdf:li rdf:parseType="Resource"><stEvt:softwareAgent>Cutter 1.2</stEvt:softwareAgent></rdf:li>'
    b"</rdf:Seq></xmpMM:History></rdf:Description></rdf:RDF></x:xmpmeta>"
)


def test_all_that_is_told(record_of: Any, kit: Any) -> None:
    record = record_of(
        exif={
            0x9000: kit.undefined(b"0232"),
            0x9004: kit.ascii("2026:04:22 13:48:52"),
            0x9291: kit.ascii("25"),
            0x829A: kit.ratio((1, 500)),
            0x829D: kit.ratio((18, 10)),
            0x8827: kit.short(50),
            0x9209: kit.short(0x19),
            0xA431: kit.ascii("S-1"),
        },
        image={0x132: kit.ascii("2026:05:01 08:00:00"), 0x131: kit.ascii("Firmware 7")},
        xmp=PACKET,
    )
    told = record.provenance
    assert told.original == datetime(2026, 4, 22, 13, 48, 51)
    assert told.digitized == datetime(2026, 4, 22, 13, 48, 52)
    assert told.modified == datetime(2026, 5, 1, 8)
    assert told.gps_utc == datetime(2026, 4, 22, 11, 48, 51, tzinfo=UTC)
    assert (told.zone_s, told.subsecond_s, told.exif_version, told.serial) == (7200.0, 0.25, "0232", "S-1")
    assert (told.exposure_s, told.f_number, told.iso) == (pytest.approx(0.002), pytest.approx(1.8), 50.0)
    assert told.flash_fired is True
    assert told.noted_px == (4000, 3000)
    assert told.tools == ("Retoucher 3", "Cutter 1.2")
    text = "\n".join(describe(record))
    for piece in ("1/500 s, f/1.8, ISO 50, flash", "Firmware 7; Retoucher 3; Cutter 1.2", "2026-05-01 08:00:00"):
        assert piece in text
    content = json.loads(json.dumps(record_as_json(record), allow_nan=False))
    assert content["provenance"]["gps_utc"] == "2026-04-22T11:48:51+00:00"


def test_nothing_told_is_nothing(kit: Any) -> None:
    record = read_record(Path("a.jpg"), kit.jpeg_with(kit.tiff_block({})))
    assert record.provenance == Provenance(tags=record.provenance.tags)


def test_damage_is_no_value_and_adds_no_finding(record_of: Any, kit: Any) -> None:
    good = record_of()
    record = record_of(
        exif={
            0x9000: kit.undefined(b"2.3\0"),
            0x9291: kit.ascii("-5"),
            0x829A: kit.ratio((1, 0)),
            0x829D: kit.ascii("fast"),
            0x8827: kit.short(0),
        }
    )
    told = record.provenance
    assert (told.exif_version, told.subsecond_s, told.exposure_s, told.f_number, told.iso) == (
        None,
        0.0,
        None,
        None,
        None,
    )
    assert record.findings == good.findings


def test_tools_of_damaged_and_hostile_packets() -> None:
    assert read_xmp(PACKET[: PACKET.index(b"</rdf:Seq>")]).tools == ("Retoucher 3", "Cutter 1.2")
    assert read_xmp(b'<!DOCTYPE x [<!ENTITY a "b">]>' + PACKET).tools == ()
    assert read_xmp(b"CreatorTool").tools == ()
