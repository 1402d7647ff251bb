"""Focal length in pixels from what a photo's metadata says, by every route, with what each route leaves open.

Two conventions for the 35 mm equivalent are in use: equal diagonal angle of view (43.267 mm, the guideline of the
Japanese camera industry) and equal width (36 mm). On a 4:3 picture they differ by 4 %; on 3:2 they agree.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from PIL.ExifTags import GPS, Base

from photoaz import quantities as q
from photoaz.photo.container import MAX_PIXELS
from photoaz.photo.exif import first_number
from photoaz.photo.reader import Reader
from photoaz.photo.record import Focal

DIAGONAL_35_MM = math.hypot(36.0, 24.0)

_MM_PER_UNIT = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
#: Aspect ratios that cameras and phones write (long side over short side).
_ASPECTS = (1.0, 5 / 4, 4 / 3, 3 / 2, 5 / 3, 16 / 9, 2.0, 18.5 / 9, 19 / 9, 19.5 / 9, 20 / 9, 21 / 9)

#: Of lenses that draw straight lines straight, 35 mm equivalent; from memory of what is sold, no source
LENSES_MM = (10.0, 3000.0)
#: Panoramas are longer than pictures, by this much at most; common practice, no source
LONGEST_ASPECT = 10.0

SizeChange = Literal["none", "resized", "cropped", "unclear", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The picture as the camera made it against the picture in the file (both as (long side, short side) pixels)."""

    original: tuple[float, float]
    change: SizeChange
    scale: float = 1.0
    extra_sigma: float = 0.0
    shift_sigma_px: float = 0.0
    alternatives: tuple[tuple[float, str], ...] = ()

    @property
    def cropped(self) -> bool:
        return self.change in ("cropped", "unclear")


class _Route(NamedTuple):
    """A focal length [px] of the original frame, its relative sigma, and where it comes from."""

    f_px: float
    sigma: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lens:
    """What the tags say of lens and sensor, millimetres. None: not there or not usable."""

    f35_mm: float | None
    focal_mm: float | None
    zoom: float | None
    plane_x_per_mm: float | None
    plane_y_per_mm: float | None
    phone: bool


def mm_per_unit(unit: float | None) -> float | None:
    """Millimetres in the unit of FocalPlaneResolutionUnit (2 inch, 3 cm; 4 mm and 5 um are written too)."""
    return None if unit is None else _MM_PER_UNIT.get(int(unit))


def believed_size(reader: Reader, noted: tuple[int, int] | None, size: tuple[int, int]) -> tuple[int, int] | None:
    """The size that the camera noted, of a picture of this size; None, and said, where no camera takes such ones."""
    if noted is None or sorted(noted) == sorted(size):
        return noted
    short, long = sorted(noted)
    if long * short <= MAX_PIXELS and long <= LONGEST_ASPECT * short:
        return noted
    reader.say("original-size-implausible", noted=_size(noted))
    return None


def compare_frame(reader: Reader, width_px: int, height_px: int, noted: tuple[int, int] | None) -> Frame:
    """Was the picture made smaller, or cut, after it was taken? What there is to say about it is said to `reader`.

    width_px, height_px : of the picture as shown. noted : Exif's pixel dimensions (0xA002, 0xA003), the way round the
    picture is shown where known, or None.
    """
    now = (max(width_px, height_px), min(width_px, height_px))
    if noted is None:
        reader.say("original-size-unknown")
        return _unusual_aspect(reader, now, "unknown")
    original = (max(noted), min(noted))
    if original == now:
        return _unusual_aspect(reader, now, "none")
    # a side rounded to whole pixels moves the aspect ratio of a small picture by more than half a per cent
    tolerance = 0.005 + 0.75 / now[1]
    if abs(now[0] / now[1] / (original[0] / original[1]) - 1.0) <= tolerance:
        scale = now[0] / original[0]
        reader.say("resized", original=_size(original), now=_size(now), scale=scale)
        return Frame(original=original, change="resized", scale=scale)
    fits = _fit(width_px, height_px, noted)
    if fits is not None:
        covered, shift = fits
        reader.say("cropped", original=_size(original), now=_size(now))
        # between cut only (1) and cut by next to nothing and then made smaller any scale is as likely: a rectangular
        # distribution of its logarithm (JCGM 100:2008, 4.3.7)
        both = ((1.0, "only cropped"), (covered, "hardly cropped, and then made smaller"))
        return Frame(
            original=original,
            change="cropped",
            scale=math.sqrt(covered),
            extra_sigma=-math.log(covered) / math.sqrt(12.0),
            shift_sigma_px=shift / math.sqrt(12.0),
            alternatives=both if covered < 0.98 else (),
        )
    return _unclear(reader, now, original)


def _unclear(reader: Reader, now: tuple[int, int], original: tuple[int, int]) -> Frame:
    spread = abs(math.log((now[0] / original[0]) / (now[1] / original[1])))
    reader.say("size-unclear", original=_size(original), now=_size(now))
    return Frame(
        original=original,
        change="unclear",
        scale=math.sqrt(now[0] * now[1] / (original[0] * original[1])),
        extra_sigma=0.15 + spread / 2.0,
        shift_sigma_px=0.15 * now[0],
    )


def _fit(width_px: int, height_px: int, noted: tuple[int, int]) -> tuple[float, float] | None:
    """How a picture can have been cut from a larger one: the share of the larger covered side, and the room to move.

    Tried as the sizes stand, then turned (programs that turn the pixels do not always turn the noted size).
    """
    for across, down in (noted, noted[::-1]):
        if width_px <= across and height_px <= down:
            return max(width_px / across, height_px / down), max(across - width_px, down - height_px)
    return None


def _unusual_aspect(reader: Reader, now: tuple[int, int], change: SizeChange) -> Frame:
    ratio, slack = now[0] / now[1], 0.01 + 1.0 / now[1]
    if any(abs(ratio / known - 1.0) <= slack for known in _ASPECTS):
        return Frame(original=now, change=change)
    reader.say("aspect-unusual", wide=now[0], high=now[1])
    return Frame(original=now, change="cropped", extra_sigma=0.3, shift_sigma_px=0.15 * now[0])


def focal_from_35mm(f35_mm: float, long_px: float, short_px: float) -> tuple[float, float]:
    """Focal length [px] and its relative sigma from the conventions alone (not from rounding).

    Common 4:3 and 3:2 pictures follow the diagonal; other shapes are cut from a 4:3 or 3:2 frame whose f35 is
    usually kept, so the mean of what is possible is taken, with the spread.
    """
    diagonal = f35_mm / DIAGONAL_35_MM * math.hypot(long_px, short_px)
    width = f35_mm / 36.0 * long_px
    ratio = long_px / short_px
    if abs(ratio / (4 / 3) - 1.0) < 0.03:
        return diagonal, math.sqrt(q.WIDTH_CONVENTION_WEIGHT) * abs(1.0 - width / diagonal)
    if abs(ratio / 1.5 - 1.0) < 0.03:
        return diagonal, 0.012
    if ratio > 4 / 3:
        whole = f35_mm / DIAGONAL_35_MM * 1.25 * long_px
        possible = (diagonal, width, whole)
    else:
        possible = (diagonal, f35_mm / DIAGONAL_35_MM * (5 / 3) * short_px, f35_mm / 24.0 * short_px)
    mean = sum(possible) / len(possible)
    return mean, math.sqrt(sum((p / mean - 1.0) ** 2 for p in possible) / len(possible))


def focal_cost_deg(relative_sigma: float) -> float:
    """What a relative error of f costs in the direction of something 10 degrees off the axis, degrees."""
    off = math.radians(10.0)
    return math.degrees(relative_sigma * math.sin(off) * math.cos(off))


def read_focal(reader: Reader, frame: Frame, pose: Mapping[str, str]) -> Focal | None:
    """The focal length in pixels of the picture in the file; None where the tags tell none, and why is said.

    Routes, best first: 35 mm equivalent; focal length with the sensor's resolution; focal length with a guess at the
    sensor. Where the first two exist they are held against each other. pose: GPano's fields, which tell panoramas.
    """
    projection = pose.get("ProjectionType", "").lower()
    if projection and projection not in ("perspective", "rectilinear"):
        reader.say("panorama", projection=projection)
        return None
    lens = _read_lens(reader, frame)
    alternatives: list[tuple[float, str]] = []
    told: dict[str, Any]
    by_plane = _by_plane(reader, lens, frame)
    by_f35 = _by_35mm(reader, lens, frame, by_plane, alternatives)
    chosen = by_f35 or by_plane or _guess(reader, lens, frame)
    if by_f35 and by_plane:
        apart = abs(math.log(by_f35.f_px / by_plane.f_px))
        if apart <= 2.0 * math.hypot(by_f35.sigma, by_plane.sigma):
            chosen = min(by_f35, by_plane, key=lambda route: route.sigma)
        else:
            chosen = by_f35._replace(sigma=math.hypot(by_f35.sigma, apart / 2.0))
            alternatives.append((by_plane.f_px, by_plane.source))
            cost = focal_cost_deg(chosen.sigma)
            told = {"first": by_f35, "other": by_plane, "percent": 100 * math.expm1(apart)}
            reader.say("focal-routes-disagree", cost_deg=cost, **told)
    if chosen is None:
        reader.say("focal-missing")
        return None
    equivalent_mm = chosen.f_px / math.hypot(*frame.original) * DIAGONAL_35_MM
    if not LENSES_MM[0] <= round(equivalent_mm, 6) <= LENSES_MM[1]:
        told = {"source": chosen.source, "equivalent_mm": equivalent_mm, "lenses": LENSES_MM}
        reader.say("focal-implausible", **told)
        return None
    others = [(f * frame.scale, said) for f, said in alternatives]
    others += [(chosen.f_px * factor, said) for factor, said in frame.alternatives]
    sigma = math.hypot(chosen.sigma, frame.extra_sigma)
    if sigma > 0.05:
        reader.say("focal-uncertain", cost_deg=focal_cost_deg(sigma), percent=100 * sigma)
    return Focal(
        f_px=chosen.f_px * frame.scale,
        relative_sigma=sigma,
        source=chosen.source + (", resized" if frame.change == "resized" else ""),
        alternatives=tuple(others),
    )


def _read_lens(reader: Reader, frame: Frame) -> _Lens:
    f35 = zoom = None
    if first_number(reader.value(Base.FocalLengthIn35mmFilm)) == 0.0:
        reader.say("focal-35mm-zero")
    else:
        f35 = reader.number(Base.FocalLengthIn35mmFilm, "focal-35mm", *LENSES_MM, " mm")
    if first_number(reader.value(Base.DigitalZoomRatio)) != 0.0:  # zero means 'not used'
        zoom = reader.number(Base.DigitalZoomRatio, "digital-zoom", 1.0, 200.0)
    focal = reader.number(Base.FocalLength, "focal", 0.5, 3000.0, " mm")
    unit = mm_per_unit(first_number(reader.value(Base.FocalPlaneResolutionUnit)) or 2.0)
    planes = [reader.number(t, "focal-plane") for t in (Base.FocalPlaneXResolution, Base.FocalPlaneYResolution)]
    per_mm = [None if unit is None or value is None or value <= 0.0 else value / unit for value in planes]
    # short lenses are phones'; so are 4:3 pictures with a compass heading or a stated position error
    four_thirds = abs(frame.original[0] / frame.original[1] / (4 / 3) - 1.0) < 0.02
    sensors = (GPS.GPSImgDirection, GPS.GPSHPositioningError, Base.CameraElevationAngle)
    phone = four_thirds and any(reader.value(tag) is not None for tag in sensors) and (focal is None or focal < 40.0)
    return _Lens(
        f35_mm=f35,
        focal_mm=focal,
        zoom=zoom,
        plane_x_per_mm=per_mm[0],
        plane_y_per_mm=per_mm[1],
        phone=phone or (focal is not None and focal < 12.0),
    )


def _by_plane(reader: Reader, lens: _Lens, frame: Frame) -> _Route | None:
    per_mm = lens.plane_x_per_mm
    if lens.focal_mm is None or per_mm is None:
        return None
    sensor_mm = frame.original[0] / per_mm
    if not 2.0 <= sensor_mm <= 70.0 or not 0.8 <= (lens.plane_y_per_mm or per_mm) / per_mm <= 1.25:
        reader.say("focal-plane-implausible", sensor_mm=sensor_mm)
        return None
    # short focal lengths are written with one or two decimals
    sigma = math.hypot(q.NOMINAL_SIGMA, 0.03 / lens.focal_mm)
    source = f"focal length {lens.focal_mm:g} mm on a sensor of {per_mm:.0f} pixels per mm"
    return _Route(lens.focal_mm * per_mm * (lens.zoom or 1.0), sigma, source)


def _by_35mm(
    reader: Reader, lens: _Lens, frame: Frame, by_plane: _Route | None, alternatives: list[tuple[float, str]]
) -> _Route | None:
    if lens.f35_mm is None:
        return None
    long_px, short_px = frame.original
    f_px, convention = focal_from_35mm(lens.f35_mm, long_px, short_px)
    sigma = math.hypot(convention, 0.5 / lens.f35_mm / math.sqrt(3.0), q.NOMINAL_SIGMA)
    source = f"35 mm equivalent {lens.f35_mm:g} mm"
    if abs(long_px / short_px / (4 / 3) - 1.0) < 0.03:
        alternatives.append((lens.f35_mm / 36.0 * long_px, "35 mm equivalent meant by the picture's width"))
    zoom = lens.zoom
    if zoom is None or zoom <= 1.01:
        return _Route(f_px, sigma, source)
    contained = _zoom_contained(lens, lens.f35_mm, zoom, f_px, by_plane)
    if contained is not None:
        verb = "contains" if contained else "does not contain"
        reader.say("digital-zoom", zoom=zoom, verb=verb)
        if contained:
            return _Route(f_px, sigma, f"{source} (digital zoom contained)")
        alternatives[:] = [(f * zoom, said) for f, said in alternatives]
        return _Route(f_px * zoom, sigma, f"{source} times digital zoom {zoom:g}")
    alternatives += [
        (f_px, f"35 mm equivalent contains the digital zoom {zoom:g}"),
        (f_px * zoom, f"35 mm equivalent does not contain the digital zoom {zoom:g}"),
    ]
    total = math.hypot(sigma, math.log(zoom) / 2.0)
    reader.say("digital-zoom-ambiguous", cost_deg=focal_cost_deg(total), zoom=zoom, f35_mm=lens.f35_mm)
    return _Route(f_px * math.sqrt(zoom), total, f"{source}, digital zoom {zoom:g} in it or not")


def _zoom_contained(lens: _Lens, f35_mm: float, zoom: float, f_px: float, by_plane: _Route | None) -> bool | None:
    """Does the 35 mm equivalent contain the digital zoom? Some makers say yes, some no; None where nothing tells."""
    if by_plane is not None:  # has the zoom in it already
        apart_contained = abs(math.log(by_plane.f_px / f_px))
        apart_not = abs(math.log(by_plane.f_px / (f_px * zoom)))
        if min(apart_contained, apart_not) < 0.35 * math.log(zoom):
            return apart_contained < apart_not
    if lens.focal_mm and lens.phone:
        crop = f35_mm / lens.focal_mm
        if crop > q.PHONE_CROP_LIMITS[1]:
            return True  # no phone's sensor is so small: the zoom must be in it
        if crop / zoom < q.PHONE_CROP_LIMITS[0]:
            return False
    return None


def _guess(reader: Reader, lens: _Lens, frame: Frame) -> _Route | None:
    if lens.focal_mm is None:
        return None
    crop, sigma, kind = q.CAMERA_CROP, q.CAMERA_LOG_SIGMA, "a camera's"
    if lens.phone:
        crop, sigma, kind = q.PHONE_CROP, q.PHONE_LOG_SIGMA, "a phone's"
    f_px = focal_from_35mm(lens.focal_mm * crop * (lens.zoom or 1.0), *frame.original)[0]
    reader.say("focal-guessed", cost_deg=focal_cost_deg(sigma), focal_mm=lens.focal_mm, kind=kind, percent=100 * sigma)
    return _Route(f_px, sigma, f"focal length {lens.focal_mm:g} mm, sensor size guessed")


def _size(sides: tuple[int, int]) -> str:
    return f"{sides[0]} x {sides[1]}"
