"""From a photo file to a PhotoRecord: position, heading, tilt, time and focal length, each with what it is worth.

Nothing here raises because of what a tag holds. A value that cannot be used becomes a finding and stays None.
"""

from __future__ import annotations

from pathlib import Path

from PIL.ExifTags import Base

from photoaz.photo.attitude import read_heading, read_tilt
from photoaz.photo.container import Container, open_container
from photoaz.photo.exif import noted_size, orientation_of, read_tags, tags_of_texts
from photoaz.photo.focal import believed_size, compare_frame, read_focal
from photoaz.photo.moment import read_provenance, read_taken
from photoaz.photo.place import read_altitude, read_position
from photoaz.photo.reader import Reader
from photoaz.photo.record import PhotoRecord
from photoaz.photo.xmp import read_xmp


def read_record(path: Path, data: bytes | None = None) -> PhotoRecord:
    """Read and judge the metadata of one photo.

    path : the file; only a name where `data` is given. data : the file's bytes, where they are at hand already, as of a
    photo that comes from an object store.

    Raises InputError: the file cannot be read or is not an image. Bad metadata never raises: it becomes findings.
    """
    path = Path(path)
    box = open_container(path, data)
    tags, trouble = read_tags(box.exif)
    tags = {**tags_of_texts(box.texts), **tags}
    reader = Reader(tags)
    _say_container(reader, box, trouble)
    packet = read_xmp(box.xmp)
    if packet.trouble:
        reader.say("xmp-damaged", trouble=packet.trouble[0].upper() + packet.trouble[1:])
    orientation = orientation_of(tags)
    _say_orientation(reader, orientation)
    width, height, noted = box.width_px, box.height_px, noted_size(tags)
    if orientation >= 5:
        noted = noted and noted[::-1]
        if box.format != "HEIF":  # which the decoder hands out upright
            width, height = height, width
    noted = believed_size(reader, noted, (width, height))
    position = read_position(reader)
    heading = read_heading(reader, packet.pose)
    frame = compare_frame(reader, width, height, noted)
    focal = read_focal(reader, frame, packet.pose)
    pitch, roll = read_tilt(reader, box.exif, orientation, packet.pose)
    return PhotoRecord(
        path=path,
        format=box.format,
        width_px=width,
        height_px=height,
        orientation=orientation,
        make=reader.text(Base.Make),
        model=reader.text(Base.Model),
        software=reader.text(Base.Software),
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
        provenance=read_provenance(reader, noted, packet.tools),
    )


def _say_container(reader: Reader, box: Container, trouble: str | None) -> None:
    if box.cut_short:
        reader.say("file-cut-short")
    if not reader.tags and not box.exif:
        reader.say("exif-missing")
    elif trouble:
        reader.say("exif-damaged", trouble=trouble[0].upper() + trouble[1:])
    if box.format == "DNG":
        reader.say("raw-file")


def _say_orientation(reader: Reader, orientation: int) -> None:
    value = reader.number(Base.Orientation, "orientation")
    if value is not None and value != orientation:
        reader.say("orientation-invalid", value=value)
    if orientation in (2, 4, 5, 7):
        reader.say("orientation-mirrored", orientation=orientation)
