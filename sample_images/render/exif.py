"""Metadata as phones and cameras write them."""

from __future__ import annotations

from datetime import timedelta
from fractions import Fraction

import numpy as np
import place
from geometry import TrueCamera
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

EXIF_IFD, GPS_IFD = 0x8769, 0x8825


def _rational(value: float, denominator: int) -> IFDRational:
    return IFDRational(round(value * denominator), denominator)


def _dms(angle_deg: float) -> tuple[IFDRational, IFDRational, IFDRational]:
    """Degrees, minutes and seconds to 1e-4 s, as positive rationals."""
    units = round(abs(angle_deg) * 3600 * 10000)
    return (
        IFDRational(units // (3600 * 10000), 1),
        IFDRational(units // (60 * 10000) % 60, 1),
        IFDRational(units % (60 * 10000), 10000),
    )


def written(shot: place.Shot, camera: TrueCamera) -> dict[str, float | str | None]:
    """What the metadata say of position and attitude: the truth with this photo's errors."""
    lat, lon, alt = place.FRAME.geodetic(np.add(camera.position_enu_m, shot.gps_error_m))
    out: dict[str, float | str | None] = {"lat_deg": lat, "lon_deg": lon, "alt_m": round(alt, 2)}
    out["gps_stated_m"] = shot.gps_stated_m
    out["heading_deg"] = out["heading_ref"] = out["elevation_deg"] = None
    if shot.heading_error_deg is not None:
        magnetic = place.DECLINATION_DEG if shot.heading_ref == "M" else 0.0
        out["heading_deg"] = round((camera.heading_deg + shot.heading_error_deg - magnetic) % 360, 2)
        out["heading_ref"] = shot.heading_ref
    if shot.elevation_error_deg is not None:
        out["elevation_deg"] = round(camera.pitch_deg + shot.elevation_error_deg, 2)
    return out


def build(shot: place.Shot, camera: TrueCamera) -> Image.Exif:
    """The photo's Exif block."""
    says = written(shot, camera)
    lens = shot.lens
    local = shot.utc + timedelta(hours=place.UTC_OFFSET_H)
    stamp = local.strftime("%Y:%m:%d %H:%M:%S")
    zone = f"{'-' if place.UTC_OFFSET_H < 0 else '+'}{abs(place.UTC_OFFSET_H):02d}:00"
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = lens.make, lens.model
    exif[0x0112] = shot.orientation
    exif[0x011A] = exif[0x011B] = IFDRational(72, 1)
    exif[0x0128] = 2
    exif[0x0131] = "8.1" if lens.f35_mm < 100 else "1.03"
    exif[0x0132] = stamp
    detail = exif.get_ifd(EXIF_IFD)
    detail[0x829A] = IFDRational(1, round(1 / lens.exposure_s))
    detail[0x829D] = _rational(lens.f_number, 10)
    detail[0x8827] = lens.iso
    detail[0x9000] = b"0232"
    detail[0x9003] = detail[0x9004] = stamp
    detail[0x9010] = detail[0x9011] = detail[0x9012] = zone
    detail[0x9291] = f"{shot.utc.second * 13 % 1000:03d}"
    if says["elevation_deg"] is not None:
        detail[0x9405] = _rational(float(says["elevation_deg"]), 100)
    detail[0x920A] = _rational(lens.focal_mm, 1000)
    detail[0xA405] = round(lens.f35_mm)
    detail[0xA001] = 1
    width, height = lens.size_px
    if shot.portrait and shot.orientation == 1:
        width, height = height, width
    detail[0xA002], detail[0xA003] = width, height
    if lens.f35_mm > 100:  # a full-frame camera states its pixel pitch
        per_cm = Fraction(lens.size_px[0] * 10, 36)
        detail[0xA20E] = detail[0xA20F] = IFDRational(per_cm.numerator, per_cm.denominator)
        detail[0xA210] = 3
        detail[0xA434] = "300mm F4"
    detail[0xA402], detail[0xA403], detail[0xA406] = 0, 0, 0

    gps = exif.get_ifd(GPS_IFD)
    gps[0] = b"\x02\x03\x00\x00"
    lat, lon, alt = float(says["lat_deg"] or 0), float(says["lon_deg"] or 0), float(says["alt_m"] or 0)
    gps[1], gps[2] = ("N" if lat >= 0 else "S"), _dms(lat)
    gps[3], gps[4] = ("E" if lon >= 0 else "W"), _dms(lon)
    gps[5], gps[6] = (b"\x00" if alt >= 0 else b"\x01"), _rational(abs(alt), 100)
    gps[7] = (IFDRational(shot.utc.hour, 1), IFDRational(shot.utc.minute, 1), IFDRational(shot.utc.second, 1))
    gps[0x1D] = shot.utc.strftime("%Y:%m:%d")
    gps[0x12] = "WGS-84"
    if says["heading_deg"] is not None:
        gps[0x10], gps[0x11] = str(says["heading_ref"]), _rational(float(says["heading_deg"]), 100)
    if says["gps_stated_m"] is not None:
        gps[0x1F] = _rational(float(says["gps_stated_m"]), 1000)
    return exif
