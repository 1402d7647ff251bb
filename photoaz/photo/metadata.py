"""From a photo file to a PhotoRecord: position, heading, tilt, time and focal length, each with what it is worth.

Nothing here raises because of what a tag holds. A value that cannot be used becomes a finding and stays None.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

from photoaz.photo.attitude import read_heading, read_tilt
from photoaz.photo.container import open_container, shown_size
from photoaz.photo.exif import read_tags
from photoaz.photo.focal import FocalTags, Frame, compare_frame, focal_length, mm_per_unit
from photoaz.photo.moment import read_taken
from photoaz.photo.place import read_altitude, read_position
from photoaz.photo.provenance import read_provenance
from photoaz.photo.reader import Reader, first_number
from photoaz.photo.record import Focal, PhotoRecord
from photoaz.photo.xmp import gpano_fields, tools


def read_record(path: Path, data: bytes | None = None) -> PhotoRecord:
    """Read and judge the metadata of one photo.

    Parameters
    ----------
    path
        The file; only a name where `data` is given.
    data
        The file's bytes, where they are at hand already, as of a photo that comes from an object store.

    Raises
    ------
    InputError
        The file cannot be read or is not an image. Bad metadata never raises: it becomes findings.
    """
    path = Path(path)
    box = open_container(path, data)
    tags, trouble = read_tags(box.exif) if box.exif else ({}, None)
    reader = Reader(tags)
    if box.cut_short:
        reader.say(
            "file-cut-short", "weak", "file", "The file ends too early: part of the picture or its metadata is missing."
        )
    if not box.exif:
        reader.say(
            "exif-missing", "weak", "Exif", "The file has no Exif block: no position, heading, time or lens is known."
        )
    elif trouble:
        reader.say("exif-damaged", "weak", "Exif", trouble[0].upper() + trouble[1:] + ".")
    pose, xmp_trouble = gpano_fields(box.xmp) if box.xmp else ({}, None)
    if xmp_trouble:
        reader.say("xmp-damaged", "info", "XMP", xmp_trouble[0].upper() + xmp_trouble[1:] + ".")
    if box.format == "DNG":
        reader.say(
            "raw-file",
            "weak",
            "file",
            "A raw file: only a preview in it can be decoded. Give the photo as JPEG, TIFF or HEIC.",
        )
    orientation = _orientation(reader)
    width, height = shown_size(box, orientation)
    position = read_position(reader)
    heading = read_heading(reader, pose)
    noted = _noted_size(reader, orientation)
    frame = compare_frame(width, height, noted)
    focal = _focal(reader, frame, pose)
    pitch, roll = read_tilt(reader, box.exif, orientation, pose)
    return PhotoRecord(
        path=path,
        format=box.format,
        width_px=width,
        height_px=height,
        orientation=orientation,
        make=reader.text("Image", 0x010F),
        model=reader.text("Image", 0x0110),
        software=reader.text("Image", 0x0131),
        position=position,
        altitude_m=read_altitude(reader),
        heading=heading,
        pitch_deg=pitch,
        roll_deg=roll,
        taken=read_taken(reader),
        focal=focal,
        cropped=frame.cropped,
        principal_shift_px=frame.shift_sigma_px,
        findings=tuple(reader.findings),
        provenance=read_provenance(reader, noted, tools(box.xmp) if box.xmp else ()),
    )


def _orientation(reader: Reader) -> int:
    value = reader.number("Image", 0x0112, "Orientation", "orientation")
    if value is None:
        return 1
    if value not in (1, 2, 3, 4, 5, 6, 7, 8):
        reader.say(
            "orientation-invalid",
            "weak",
            "Orientation",
            f"Orientation is {value:g}, which means nothing; the picture is taken as stored.",
        )
        return 1
    if value in (2, 4, 5, 7):
        reader.say(
            "orientation-mirrored",
            "weak",
            "Orientation",
            f"Orientation {value:.0f} says that the picture is stored mirrored; it is mirrored back. "
            "Check that writing in it reads the right way round.",
        )
    return int(value)


def _noted_size(reader: Reader, orientation: int) -> tuple[float, float] | None:
    """The size when taken, turned as the picture is shown."""
    sides = []
    for tag in (0xA002, 0xA003):
        value = reader.tags.get(("EXIF", tag))
        if not value or isinstance(value, str) or not math.isfinite(value[0]) or value[0] < 1:
            return None
        sides.append(value[0])
    return (sides[1], sides[0]) if orientation >= 5 else (sides[0], sides[1])


def _focal(reader: Reader, frame: Frame, pose: Mapping[str, str]) -> Focal | None:
    projection = pose.get("ProjectionType", "").lower()
    if projection and projection not in ("perspective", "rectilinear"):
        reader.say(
            "panorama",
            "unusable",
            "ProjectionType",
            f"The picture is a panorama ({projection}), not a photo through one lens: it cannot be measured in.",
        )
        return None
    f35 = reader.number("EXIF", 0xA405, "FocalLengthIn35mmFilm", "focal-35mm")
    if f35 is not None and not 3.0 <= f35 <= 3000.0:
        if f35 != 0.0:
            reader.say(
                "focal-35mm-out-of-range",
                "unusable",
                "FocalLengthIn35mmFilm",
                f"FocalLengthIn35mmFilm is {f35:g} mm; it is not used.",
            )
        else:
            reader.say(
                "focal-35mm-zero", "info", "FocalLengthIn35mmFilm", "FocalLengthIn35mmFilm is 0, which means unknown."
            )
        f35 = None
    focal = reader.number("EXIF", 0x920A, "FocalLength", "focal")
    if focal is not None and not 0.5 <= focal <= 3000.0:
        reader.say("focal-out-of-range", "unusable", "FocalLength", f"FocalLength is {focal:g} mm; it is not used.")
        focal = None
    zoom = reader.number("EXIF", 0xA404, "DigitalZoomRatio", "digital-zoom") if _zoom_used(reader) else None
    if zoom is not None and not 1.0 <= zoom <= 200.0:
        reader.say(
            "digital-zoom-out-of-range", "info", "DigitalZoomRatio", f"DigitalZoomRatio is {zoom:g}; it is not used."
        )
        zoom = None
    per_mm: list[float | None] = [None, None]
    unit = mm_per_unit(first_number(reader.tags.get(("EXIF", 0xA210))) or 2.0)
    for axis, tag, name in ((0, 0xA20E, "FocalPlaneXResolution"), (1, 0xA20F, "FocalPlaneYResolution")):
        value = reader.number("EXIF", tag, name, "focal-plane")
        if value is not None and value > 0.0 and unit is not None:
            per_mm[axis] = value / unit
    tags = FocalTags(
        f35_mm=f35,
        focal_mm=focal,
        plane_x_per_mm=per_mm[0],
        plane_y_per_mm=per_mm[1],
        zoom=zoom,
        looks_like_phone=_looks_like_phone(reader, focal, frame),
    )
    found, findings = focal_length(tags, frame)
    reader.findings.extend(findings)
    return found


def _zoom_used(reader: Reader) -> bool:
    """A numerator of 0 means 'not used'; 0/0 is written for that too."""
    value = first_number(reader.tags.get(("EXIF", 0xA404)))
    return value is None or value != 0.0


def _looks_like_phone(reader: Reader, focal_mm: float | None, frame: Frame) -> bool:
    """Short lenses are phones'; so are 4:3 pictures with a compass heading or a stated position error."""
    if focal_mm is not None and focal_mm < 12.0:
        return True
    four_thirds = abs(frame.original[0] / frame.original[1] / (4 / 3) - 1.0) < 0.02
    sensors = reader.has("GPS", 0x0011) or reader.has("GPS", 0x001F) or reader.has("EXIF", 0x9405)
    return four_thirds and sensors and (focal_mm is None or focal_mm < 40.0)
