"""Focal length in pixels from what a photo's metadata says, by every route, with what each route leaves open.

Two conventions for the 35 mm equivalent are in use: equal diagonal angle of view (43.267 mm, the guideline of the
Japanese camera industry) and equal width (36 mm). On a 4:3 picture they differ by 4 %; on 3:2 they agree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from photoaz.photo.record import Finding, Focal

DIAGONAL_35_MM = math.hypot(36.0, 24.0)
#: A lens's focal length is marked to within some per cent and changes with focus; a phone's stabiliser crops a little.
#: Marking tolerance +-5 % at 3 sigma (ISO 517, from memory).
NOMINAL_SIGMA = 0.016
#: Weight given to the width convention on 4:3 pictures, where the two can be told apart.
WIDTH_CONVENTION_WEIGHT = 0.25
#: Weight given to 'cropped and then made smaller' against 'only cropped', where both explain the size.
CROP_AND_RESIZE_WEIGHT = 0.25

_MM_PER_UNIT = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
#: Aspect ratios that cameras and phones write (long side over short side).
_ASPECTS = (1.0, 5 / 4, 4 / 3, 3 / 2, 5 / 3, 16 / 9, 2.0, 18.5 / 9, 19 / 9, 19.5 / 9, 20 / 9, 21 / 9)
#: Crop factors (43.267 mm over the sensor's diagonal): phones from 1-inch to 1/4-inch sensors.
_PHONE_CROP, _PHONE_LOG_SIGMA = 5.5, 0.4
_CAMERA_CROP, _CAMERA_LOG_SIGMA = 1.35, 0.3
_PHONE_CROP_LIMITS = (2.4, 10.0)

SizeChange = Literal["none", "resized", "cropped", "unclear", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FocalTags:
    """What the metadata says about the lens and the sensor. None: not there or not usable."""

    f35_mm: float | None = None
    focal_mm: float | None = None
    plane_x_per_mm: float | None = None
    plane_y_per_mm: float | None = None
    zoom: float | None = None
    looks_like_phone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The picture as the camera made it against the picture in the file (both as (long side, short side) pixels)."""

    original: tuple[float, float]
    now: tuple[int, int]
    change: SizeChange
    scale: float = 1.0
    extra_sigma: float = 0.0
    shift_sigma_px: float = 0.0
    alternatives: tuple[tuple[float, str], ...] = ()
    findings: tuple[Finding, ...] = field(default=())

    @property
    def cropped(self) -> bool:
        return self.change in ("cropped", "unclear")


def mm_per_unit(unit: float | None) -> float | None:
    """Millimetres in the unit of FocalPlaneResolutionUnit (2 inch, 3 cm; 4 mm and 5 um are written too)."""
    return None if unit is None else _MM_PER_UNIT.get(int(unit))


def compare_frame(width_px: int, height_px: int, noted: tuple[float, float] | None) -> Frame:
    """Was the picture made smaller, or cut, after it was taken?

    Parameters
    ----------
    width_px, height_px
        Of the picture as shown.
    noted
        Exif's pixel dimensions (0xA002, 0xA003), the way round the picture is shown where known, or None.
    """
    now = (max(width_px, height_px), min(width_px, height_px))
    if noted is None:
        finding = Finding(
            code="original-size-unknown",
            severity="info",
            tag="PixelXDimension",
            message="The metadata does not say how large the picture was when taken, so a later crop cannot be seen.",
        )
        return _unusual_aspect(now, (finding,), "unknown")
    original = (float(max(noted)), float(min(noted)))
    if original == (float(now[0]), float(now[1])):
        return _unusual_aspect(now, (), "none")
    # a side rounded to whole pixels moves the aspect ratio of a small picture by more than half a per cent
    tolerance = 0.005 + 0.75 / now[1]
    if abs(now[0] / now[1] / (original[0] / original[1]) - 1.0) <= tolerance:
        scale = now[0] / original[0]
        finding = Finding(
            code="resized",
            severity="info",
            tag="PixelXDimension",
            message=(
                f"The picture was {_size(original)} when taken and is {_size(now)} now, in the same proportions: "
                f"it was resized, and the focal length is scaled by {scale:.3g}."
            ),
        )
        return Frame(original=original, now=now, change="resized", scale=scale, findings=(finding,))
    fits = _fit(width_px, height_px, noted)
    if fits is not None:
        covered, shift = fits
        sigma = (1.0 - covered) * math.sqrt(CROP_AND_RESIZE_WEIGHT / 3.0)
        finding = Finding(
            code="cropped",
            severity="weak",
            tag="PixelXDimension",
            message=(
                f"The picture was {_size(original)} when taken and is {_size(now)} now, in other proportions: it was "
                "cropped. The focal length in pixels stays, but where the optical axis meets the picture is unknown."
            ),
        )
        return Frame(
            original=original,
            now=now,
            change="cropped",
            extra_sigma=sigma,
            shift_sigma_px=shift / math.sqrt(12.0),
            alternatives=((covered, "cropped and then made smaller"),) if covered < 0.98 else (),
            findings=(finding,),
        )
    scale = math.sqrt(now[0] * now[1] / (original[0] * original[1]))
    spread = abs(math.log((now[0] / original[0]) / (now[1] / original[1])))
    finding = Finding(
        code="size-unclear",
        severity="weak",
        tag="PixelXDimension",
        message=(
            f"The metadata says {_size(original)}, the picture is {_size(now)}: larger, and in other proportions. "
            "It was cut or changed in a way that cannot be told; the focal length is uncertain."
        ),
    )
    return Frame(
        original=original,
        now=now,
        change="unclear",
        scale=scale,
        extra_sigma=0.15 + spread / 2.0,
        shift_sigma_px=0.15 * now[0],
        findings=(finding,),
    )


def _fit(width_px: int, height_px: int, noted: tuple[float, float]) -> tuple[float, float] | None:
    """How a picture can have been cut from a larger one: the share of the larger covered side, and the room to move.

    Tried as the sizes stand, then turned (programs that turn the pixels do not always turn the noted size).
    """
    for across, down in (noted, noted[::-1]):
        if width_px <= across and height_px <= down:
            return max(width_px / across, height_px / down), max(across - width_px, down - height_px)
    return None


def _unusual_aspect(now: tuple[int, int], findings: tuple[Finding, ...], change: SizeChange) -> Frame:
    ratio, slack = now[0] / now[1], 0.01 + 1.0 / now[1]
    original = (float(now[0]), float(now[1]))
    if any(abs(ratio / known - 1.0) <= slack for known in _ASPECTS):
        return Frame(original=original, now=now, change=change, findings=findings)
    finding = Finding(
        code="aspect-unusual",
        severity="weak",
        tag="ImageWidth",
        message=(
            f"No camera takes pictures of {now[0]} by {now[1]} pixels' proportions: it was probably cropped. The focal "
            "length is then longer than worked out, and where the optical axis meets the picture is unknown."
        ),
    )
    return Frame(
        original=original,
        now=now,
        change="cropped",
        extra_sigma=0.3,
        shift_sigma_px=0.15 * now[0],
        findings=(*findings, finding),
    )


def focal_from_35mm(f35_mm: float, long_px: float, short_px: float) -> tuple[float, float]:
    """Focal length [px] and its relative sigma from the conventions alone (not from rounding).

    Common 4:3 and 3:2 pictures follow the diagonal; other shapes are cut from a 4:3 or 3:2 frame whose f35 is
    usually kept, so the mean of what is possible is taken, with the spread.
    """
    diagonal = f35_mm / DIAGONAL_35_MM * math.hypot(long_px, short_px)
    width = f35_mm / 36.0 * long_px
    ratio = long_px / short_px
    if abs(ratio / (4 / 3) - 1.0) < 0.03:
        return diagonal, math.sqrt(WIDTH_CONVENTION_WEIGHT) * abs(1.0 - width / diagonal)
    if abs(ratio / 1.5 - 1.0) < 0.03:
        return diagonal, 0.012
    if ratio > 4 / 3:
        whole = f35_mm / DIAGONAL_35_MM * 1.25 * long_px
        possible = (diagonal, width, whole)
    else:
        possible = (diagonal, f35_mm / DIAGONAL_35_MM * (5 / 3) * short_px, f35_mm / 24.0 * short_px)
    mean = sum(possible) / len(possible)
    return mean, math.sqrt(sum((p / mean - 1.0) ** 2 for p in possible) / len(possible))


def focal_length(tags: FocalTags, frame: Frame) -> tuple[Focal | None, tuple[Finding, ...]]:
    """The focal length in pixels of the picture in the file, and what there is to say about it.

    Routes, best first: 35 mm equivalent; focal length with the sensor's resolution; focal length with a guess at the
    sensor. Where the first two exist they are held against each other.
    """
    findings: list[Finding] = list(frame.findings)
    long_px, short_px = frame.original
    by_plane = _by_plane(tags, frame, findings)
    by_f35: tuple[float, float, str] | None = None
    alternatives: list[tuple[float, str]] = []
    if tags.f35_mm is not None:
        f_px, convention = focal_from_35mm(tags.f35_mm, long_px, short_px)
        sigma = math.hypot(convention, 0.5 / tags.f35_mm / math.sqrt(3.0), NOMINAL_SIGMA)
        by_f35 = (f_px, sigma, f"35 mm equivalent {tags.f35_mm:g} mm")
        if abs(long_px / short_px / (4 / 3) - 1.0) < 0.03:
            alternatives.append((tags.f35_mm / 36.0 * long_px, "35 mm equivalent meant by the picture's width"))
        by_f35 = _with_zoom(tags, by_f35, by_plane, frame, findings, alternatives)
    chosen = by_f35 or by_plane
    if by_f35 and by_plane:
        apart = abs(math.log(by_f35[0] / by_plane[0]))
        if apart <= 2.0 * math.hypot(by_f35[1], by_plane[1]):
            chosen = min(by_f35, by_plane, key=lambda route: route[1])
        else:
            chosen = (by_f35[0], math.hypot(by_f35[1], apart / 2.0), by_f35[2])
            alternatives.append((by_plane[0], by_plane[2]))
            findings.append(
                Finding(
                    code="focal-routes-disagree",
                    severity="weak",
                    tag="FocalPlaneXResolution",
                    message=(
                        f"The {by_f35[2]} and the {by_plane[2]} give focal lengths that differ by "
                        f"{100 * math.expm1(apart):.0f} %; the first is used, with room for the second."
                    ),
                    cost_deg=focal_cost_deg(chosen[1]),
                )
            )
    if chosen is None:
        chosen = _guess(tags, frame, findings)
    if chosen is None:
        findings.append(
            Finding(
                code="focal-missing",
                severity="unusable",
                tag="FocalLength",
                message=(
                    "The metadata does not tell the focal length, so pixels cannot be turned into angles. "
                    "Give a calibration of the camera."
                ),
            )
        )
        return None, tuple(findings)
    f_px, sigma, source = chosen
    others = [(f * frame.scale, said) for f, said in alternatives]
    others += [(f_px * factor, said) for factor, said in frame.alternatives]
    sigma = math.hypot(sigma, frame.extra_sigma)
    if sigma > 0.05:
        findings.append(
            Finding(
                code="focal-uncertain",
                severity="weak",
                tag="FocalLength",
                message=f"The focal length is known to {100 * sigma:.0f} % only.",
                cost_deg=focal_cost_deg(sigma),
            )
        )
    if frame.change == "resized":
        source += ", resized"
    focal = Focal(f_px=f_px * frame.scale, relative_sigma=sigma, source=source, alternatives=tuple(others))
    return focal, tuple(findings)


def focal_cost_deg(relative_sigma: float) -> float:
    """What a relative error of f costs in the direction of something 10 degrees off the axis, degrees."""
    off = math.radians(10.0)
    return math.degrees(relative_sigma * math.sin(off) * math.cos(off))


def _by_plane(tags: FocalTags, frame: Frame, findings: list[Finding]) -> tuple[float, float, str] | None:
    if tags.focal_mm is None or tags.plane_x_per_mm is None:
        return None
    per_mm = tags.plane_x_per_mm
    sensor_mm = frame.original[0] / per_mm
    if not 2.0 <= sensor_mm <= 70.0 or not 0.8 <= (tags.plane_y_per_mm or per_mm) / per_mm <= 1.25:
        findings.append(
            Finding(
                code="focal-plane-implausible",
                severity="unusable",
                tag="FocalPlaneXResolution",
                message=(
                    f"The sensor's resolution in the metadata would make it {sensor_mm:.3g} mm long; it is not used."
                ),
            )
        )
        return None
    # short focal lengths are written with one or two decimals
    sigma = math.hypot(NOMINAL_SIGMA, 0.03 / tags.focal_mm)
    f_px = tags.focal_mm * per_mm
    if tags.zoom is not None:
        f_px *= tags.zoom
    return f_px, sigma, f"focal length {tags.focal_mm:g} mm on a sensor of {per_mm:.0f} pixels per mm"


def _with_zoom(
    tags: FocalTags,
    by_f35: tuple[float, float, str],
    by_plane: tuple[float, float, str] | None,
    frame: Frame,
    findings: list[Finding],
    alternatives: list[tuple[float, str]],
) -> tuple[float, float, str]:
    """Does the 35 mm equivalent contain the digital zoom? Some makers say yes, some no."""
    zoom = tags.zoom
    if zoom is None or zoom <= 1.01 or tags.f35_mm is None:
        return by_f35
    f_px, sigma, source = by_f35
    contained: bool | None = None
    if by_plane is not None:
        # by_plane has the zoom in it already
        apart_contained = abs(math.log(by_plane[0] / f_px))
        apart_not = abs(math.log(by_plane[0] / (f_px * zoom)))
        if min(apart_contained, apart_not) < 0.35 * math.log(zoom):
            contained = apart_contained < apart_not
    if contained is None and tags.focal_mm and tags.looks_like_phone:
        crop = tags.f35_mm / tags.focal_mm
        if crop > _PHONE_CROP_LIMITS[1]:
            contained = True  # no phone's sensor is so small: the zoom must be in it
        elif crop / zoom < _PHONE_CROP_LIMITS[0]:
            contained = False
    if contained is not None:
        said = "contains" if contained else "does not contain"
        findings.append(
            Finding(
                code="digital-zoom",
                severity="info",
                tag="DigitalZoomRatio",
                message=f"Digital zoom {zoom:g}: the sensor's size shows that the 35 mm equivalent {said} it.",
            )
        )
        if contained:
            return f_px, sigma, f"{source} (digital zoom contained)"
        alternatives[:] = [(f * zoom, said) for f, said in alternatives]
        return f_px * zoom, sigma, f"{source} times digital zoom {zoom:g}"
    alternatives += [
        (f_px, f"35 mm equivalent contains the digital zoom {zoom:g}"),
        (f_px * zoom, f"35 mm equivalent does not contain the digital zoom {zoom:g}"),
    ]
    total = math.hypot(sigma, math.log(zoom) / 2.0)
    findings.append(
        Finding(
            code="digital-zoom-ambiguous",
            severity="weak",
            tag="DigitalZoomRatio",
            message=(
                f"Digital zoom {zoom:g}: it cannot be told whether the 35 mm equivalent of {tags.f35_mm:g} mm contains "
                "it. A value between is used, wide enough for both."
            ),
            cost_deg=focal_cost_deg(total),
        )
    )
    return f_px * math.sqrt(zoom), total, f"{source}, digital zoom {zoom:g} in it or not"


def _guess(tags: FocalTags, frame: Frame, findings: list[Finding]) -> tuple[float, float, str] | None:
    if tags.focal_mm is None:
        return None
    phone = tags.looks_like_phone
    crop, sigma = (_PHONE_CROP, _PHONE_LOG_SIGMA) if phone else (_CAMERA_CROP, _CAMERA_LOG_SIGMA)
    f_px = focal_from_35mm(tags.focal_mm * crop * (tags.zoom or 1.0), *frame.original)[0]
    kind = "a phone's" if phone else "a camera's"
    findings.append(
        Finding(
            code="focal-guessed",
            severity="weak",
            tag="FocalLengthIn35mmFilm",
            message=(
                f"The metadata gives a focal length of {tags.focal_mm:g} mm but neither a 35 mm equivalent nor the "
                f"sensor's size; {kind} usual sensor is assumed, which may be {100 * sigma:.0f} % wrong. "
                "Give a calibration of the camera."
            ),
            cost_deg=focal_cost_deg(sigma),
        )
    )
    return f_px, sigma, f"focal length {tags.focal_mm:g} mm, sensor size guessed"


def _size(sides: tuple[float, float] | tuple[int, int]) -> str:
    return f"{sides[0]:.0f} x {sides[1]:.0f}"
