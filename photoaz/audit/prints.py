"""What of a photo is compared with other photos: its bytes, a hash of what it shows, its camera and time."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import Array
from photoaz.errors import InputError
from photoaz.photo.record import PhotoRecord

#: a picture whose levels spread less than this has no hash: noise would decide its bits
FLAT_LEVELS = 2.0
#: a preview of less spread tells nothing
PREVIEW_FLAT_LEVELS = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPrint:
    """What of a photo is compared with other photos, and what its pixels say of it.

    phash: `perceptual_hash`, None where the picture is flat or cannot be decoded. camera: make, model and serial
    number, '' where the file names none. taken_s: the camera's own clock in seconds since 1970, whatever its zone.
    tags: how many metadata tags. level: mean luminance of 255. preview: correlation of the preview in the file with
    the picture, None where there is none.
    """

    photo: str
    sha256: str
    n_bytes: int
    width_px: int
    height_px: int
    phash: int | None = None
    camera: str = ""
    taken_s: float | None = None
    heading_deg: float | None = None
    tags: int = 0
    level: float | None = None
    preview: float | None = None


def print_of(photo: str, data: bytes, record: PhotoRecord) -> PhotoPrint:
    """What is compared of one photo; decoded at an eighth. Never raises: what cannot be decoded has no hash."""
    from photoaz.photo.pixels import decode_small

    try:
        grey = decode_small(data)
    except InputError:
        grey = None
    told = record.provenance
    local = told.original or (record.taken.local if record.taken is not None else None)
    return PhotoPrint(
        photo=photo,
        sha256=hashlib.sha256(data).hexdigest(),
        n_bytes=len(data),
        width_px=record.width_px,
        height_px=record.height_px,
        phash=None if grey is None else perceptual_hash(grey),
        camera=" ".join(part for part in (record.make, record.model, told.serial) if part),
        taken_s=None if local is None else local.replace(tzinfo=UTC).timestamp() + told.subsecond_s,
        heading_deg=None if record.heading is None else record.heading.value_deg,
        tags=told.tags,
        level=None if grey is None else float(grey.mean()),
        preview=None if grey is None else _preview_likeness(data, grey),
    )


def perceptual_hash(grey: NDArray[np.uint8]) -> int | None:
    """64 bits of what a picture (H, W) shows, as a number below 2**64; None where it is flat.

    The picture as 32 by 32 means, its discrete cosine transform, the 8 by 8 coefficients of the lowest frequencies but
    the constant ones: a bit is set where one exceeds their median (Zauner 2010, Implementation and Benchmarking of
    Perceptual Image Hash Functions, 3.2.1).
    """
    import cv2

    small = cv2.resize(cv2.blur(grey, (3, 3)), (32, 32), interpolation=cv2.INTER_AREA).astype(np.float32)
    if float(small.std()) < FLAT_LEVELS:
        return None
    low = cv2.dct(small)[1:9, 1:9].ravel()
    return int.from_bytes(np.packbits(low > np.median(low)).tobytes(), "big")


def distance_bits(a: int, b: int) -> int:
    """How many bits two hashes differ in."""
    return (a ^ b).bit_count()


def _preview_likeness(data: bytes, grey: NDArray[np.uint8]) -> float | None:
    """Correlation of the file's own preview with the picture, the best of four turns; None where there is none."""
    import cv2

    from photoaz.photo.container import open_container
    from photoaz.photo.exif import thumbnail

    try:
        small = thumbnail(open_container(Path("image"), data).exif)
    except InputError:
        return None
    if not small:
        return None
    try:
        preview = cv2.imdecode(np.frombuffer(small, np.uint8), cv2.IMREAD_GRAYSCALE)
    except cv2.error:
        return None
    if preview is None or min(preview.shape) < 16 or float(preview.std()) < PREVIEW_FLAT_LEVELS:
        return None
    found = []
    for turns in range(4):
        turned = np.rot90(preview, turns)
        for a, b in ((grey, _cut_to(turned, grey)), (_cut_to(grey, turned), turned)):
            found.append(_correlation(a, b))
    return max((likeness for likeness in found if likeness is not None), default=None)


def _cut_to(image: Array, like: Array) -> Array:
    """The middle of an image in another's proportions: previews have bars, or are cut."""
    height, width = image.shape
    aspect = like.shape[1] / like.shape[0]
    if width / height > aspect:
        wide, high = max(round(height * aspect), 1), height
    else:
        wide, high = width, max(round(width / aspect), 1)
    left, top = (width - wide) // 2, (height - high) // 2
    return image[top : top + high, left : left + wide]


def _correlation(a: Array, b: Array) -> float | None:
    import cv2

    p, q = (
        cv2.resize(np.ascontiguousarray(x), (32, 32), interpolation=cv2.INTER_AREA).astype(float).ravel()
        for x in (a, b)
    )
    if min(p.std(), q.std()) < PREVIEW_FLAT_LEVELS:
        return None
    return float(np.corrcoef(p, q)[0, 1])
