"""How a photo came to be, as its file tells it: times, exposure, programs. Nothing here is judged; audits do that."""

from __future__ import annotations

import math

from photoaz.photo.moment import date_time, gps_time, zone_seconds
from photoaz.photo.reader import Reader, first_number
from photoaz.photo.record import Provenance

#: Exif tag numbers (CIPA DC-008)
_ORIGINAL, _DIGITIZED, _MODIFIED = ("EXIF", 0x9003), ("EXIF", 0x9004), ("Image", 0x0132)
_ZONE_OF_ORIGINAL, _SUBSECOND_OF_ORIGINAL = ("EXIF", 0x9011), ("EXIF", 0x9291)
_EXPOSURE, _F_NUMBER, _ISO, _FLASH = 0x829A, 0x829D, 0x8827, 0x9209
_VERSION, _SERIAL = ("EXIF", 0x9000), ("EXIF", 0xA431)


def read_provenance(reader: Reader, noted: tuple[float, float] | None, tools: tuple[str, ...]) -> Provenance:
    """What of it the tags hold. Says nothing: what cannot be read is None, and is said where it is used."""
    quiet = Reader(reader.tags)
    times = [date_time(quiet.text(*tag) or "") for tag in (_ORIGINAL, _DIGITIZED, _MODIFIED)]
    flash = first_number(reader.tags.get(("EXIF", _FLASH)))
    digits = quiet.text(*_SUBSECOND_OF_ORIGINAL) or ""
    version = quiet.text(*_VERSION) or ""
    return Provenance(
        original=times[0],
        digitized=times[1],
        modified=times[2],
        gps_utc=gps_time(quiet),
        zone_s=zone_seconds(quiet.text(*_ZONE_OF_ORIGINAL)),
        subsecond_s=float(f"0.{digits}") if digits.isascii() and digits.isdigit() else 0.0,
        exposure_s=_positive(reader, _EXPOSURE),
        f_number=_positive(reader, _F_NUMBER),
        iso=_positive(reader, _ISO),
        flash_fired=None if flash is None else bool(int(flash) & 1),
        noted_px=None if noted is None else (int(noted[0]), int(noted[1])),
        exif_version=version if len(version) == 4 and version.isascii() and version.isdigit() else None,
        serial=quiet.text(*_SERIAL),
        tools=tools,
        tags=len(reader.tags),
    )


def _positive(reader: Reader, tag: int) -> float | None:
    value = first_number(reader.tags.get(("EXIF", tag)))
    return value if value is not None and value > 0.0 and math.isfinite(value) else None
