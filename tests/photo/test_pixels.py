"""Pixels as shown, against Pillow's ImageOps.exif_transpose (an independent implementation of the Exif table)."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps

from photoaz.errors import InputError
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import decode, decode_gray, decode_small, grey_of, reduction_for, turn

ORIENTATIONS = range(1, 9)
# lossy formats: two decoders may round the colour transform differently
ROUNDING_LEVELS = {"JPEG": 3, "WEBP": 3, "HEIF": 3, "AVIF": 3, "PNG": 0, "TIFF": 0}


def asymmetric() -> np.ndarray:
    """4 by 3 blocks of random colours, 16 pixels each: no turn or mirroring of it looks like another."""
    small = np.random.default_rng(7).integers(0, 255, (3, 4, 3), dtype=np.uint8)
    return np.kron(small, np.ones((16, 16, 1), np.uint8))


def written(fmt: str, orientation: int) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    out = io.BytesIO()
    picture = Image.fromarray(asymmetric())
    if fmt == "HEIF":
        pillow_heif.from_pillow(picture).save(out, exif=exif.tobytes(), quality=95)
    else:
        picture.save(out, fmt, exif=exif, **({"quality": 95} if fmt not in ("PNG", "TIFF") else {}))
    return out.getvalue()


def shown_by_pillow(fmt: str, data: bytes) -> np.ndarray:
    if fmt == "HEIF":
        picture = pillow_heif.open_heif(io.BytesIO(data)).to_pillow()
    else:
        picture = Image.open(io.BytesIO(data))
        picture.load()
    return np.asarray(ImageOps.exif_transpose(picture).convert("RGB"))[..., ::-1]


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF", "AVIF"])
def test_orientation_is_applied_exactly_once(fmt: str, orientation: int, tmp_path: Path) -> None:
    data = written(fmt, orientation)
    expected = shown_by_pillow(fmt, data)
    path = tmp_path / f"photo.{fmt.lower()}"
    path.write_bytes(data)
    got = decode(path)
    assert got.dtype == np.uint8
    assert got.flags.c_contiguous
    assert got.shape == expected.shape
    assert np.abs(got.astype(int) - expected).max() <= ROUNDING_LEVELS[fmt]
    record = read_record(path)
    assert (record.width_px, record.height_px) == (got.shape[1], got.shape[0])


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("fmt", ["PNG", "TIFF", "HEIF"])
def test_upright_picture_looks_like_the_scene(fmt: str, orientation: int) -> None:
    """The table itself, from the words of the standard: where stored row 0 and column 0 belong."""
    rows_at, columns_at = {
        1: ("top", "left"),
        2: ("top", "right"),
        3: ("bottom", "right"),
        4: ("bottom", "left"),
        5: ("left", "top"),
        6: ("right", "top"),
        7: ("right", "bottom"),
        8: ("left", "bottom"),
    }[orientation]
    stored = asymmetric()
    shown = decode(written(fmt, orientation))[..., ::-1].astype(int)
    edge = {"top": shown[0], "bottom": shown[-1], "left": shown[:, 0], "right": shown[:, -1]}
    along_row_0 = edge[rows_at]  # the stored first row, starting at the side where stored column 0 belongs
    if columns_at in ("right", "bottom"):
        along_row_0 = along_row_0[::-1]
    tolerance = 40 if fmt == "HEIF" else 0  # HEIF here is lossy; the blocks differ by far more
    assert np.abs(along_row_0 - stored[0]).mean() <= tolerance


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_turn_agrees_with_cv2(orientation: int) -> None:
    data = written("PNG", orientation)
    by_cv2 = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)  # turns by itself
    stored = asymmetric()[..., ::-1]
    assert np.array_equal(turn(stored, orientation), by_cv2)


def encoded(picture: Image.Image, fmt: str, **options: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, fmt, **options)
    return out.getvalue()


def test_grey_is_repeated_and_stays_grey() -> None:
    grey = asymmetric()[..., 0]
    data = encoded(Image.fromarray(grey), "PNG")
    assert np.array_equal(decode(data), np.repeat(grey[..., None], 3, 2))
    assert np.array_equal(decode_gray(data), grey)


@pytest.mark.parametrize("fmt", ["PNG", "TIFF"])
def test_sixteen_bits_lose_the_low_byte(fmt: str) -> None:
    levels = np.random.default_rng(3).integers(0, 65535, (12, 18), dtype=np.uint16)
    data = encoded(Image.fromarray(levels), fmt)
    assert np.abs(decode(data)[..., 0].astype(int) - (levels >> 8)).max() <= 1
    assert np.abs(decode_gray(data).astype(int) - (levels >> 8)).max() <= 1


def test_sixteen_bit_colour_png() -> None:
    levels = np.random.default_rng(3).integers(0, 65535, (12, 18, 3), dtype=np.uint16)
    data = cv2.imencode(".png", levels)[1].tobytes()
    assert np.abs(decode(data).astype(int) - (levels >> 8)).max() <= 1


def test_cmyk_jpeg_looks_like_pillow_shows_it() -> None:
    # inks, not light: a decoder that forgets to invert them shows the negative
    data = encoded(Image.fromarray(asymmetric()).convert("CMYK"), "JPEG", quality=95)
    expected = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))[..., ::-1].astype(int)
    assert np.abs(decode(data) - expected).mean() < 6


@pytest.mark.parametrize("fmt", ["PNG", "WEBP", "TIFF"])
def test_transparency_is_dropped(fmt: str) -> None:
    picture = Image.fromarray(asymmetric())
    picture.putalpha(255)
    options = {"lossless": True} if fmt == "WEBP" else {}
    assert np.array_equal(decode(encoded(picture, fmt, **options))[..., ::-1], asymmetric())


@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_gray_is_the_luminance_of_the_colours(fmt: str) -> None:
    data = written(fmt, 6)
    weights = np.array([0.114, 0.587, 0.299])  # ITU-R BT.601, as JPEG (ITU-T T.871) and Pillow use
    expected = decode(data) @ weights
    got = decode_gray(data)
    assert got.shape == expected.shape
    assert np.abs(got - expected).mean() < 2.0


@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "WEBP"])
def test_grey_of_a_decoded_picture_is_its_grey_picture(fmt: str) -> None:
    """Luminance by ITU-R BT.601, as JPEG has it: the same, but for rounding to and fro."""
    blue, green, red = np.moveaxis(decode(written(fmt, 6)).astype(float), -1, 0)
    got = grey_of(decode(written(fmt, 6)))
    assert got.shape == blue.shape
    assert got.dtype == np.uint8
    assert np.abs(got - (0.299 * red + 0.587 * green + 0.114 * blue)).max() <= 1.0  # levels
    assert np.abs(got.astype(float) - decode_gray(written(fmt, 6))).mean() < 2.0


def test_a_bomb_is_refused_before_it_is_decoded() -> None:
    data = b"\x89PNG\r\n\x1a\n"
    for chunk in (b"IHDR" + struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0), b"IDAT"):
        data += struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk))
    for function in (decode, decode_gray):
        with pytest.raises(InputError, match="pixels; wanted at most"):
            function(data)


@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_cut_files_are_refused_by_name_or_decoded_whole(fmt: str, tmp_path: Path) -> None:
    """No half-grey picture and no crash, wherever the file ends."""
    data = written(fmt, 1)
    whole = decode(data)
    path, refused = tmp_path / "cut.img", []
    for cut in np.linspace(0, len(data) - 1, 40).astype(int):
        path.write_bytes(data[:cut])
        try:
            got = decode(path)
        except InputError as err:
            refused.append(str(err))
        else:
            assert np.array_equal(got, whole)
    assert refused
    assert all("cut.img: found" in said and "wanted" in said for said in refused)


@pytest.mark.parametrize("content", [b"", b"hello, I am no picture", b"\xff\xd8", b"II*\0", b"%PDF-1.7 ..."])
def test_what_is_no_image_is_named(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "note.jpg"
    path.write_bytes(content)
    for function in (decode, read_record):
        with pytest.raises(InputError, match=r"note\.jpg: found .*; wanted a photo as JPEG"):
            function(path)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere.jpg", tmp_path):
        for function in (decode, read_record):
            with pytest.raises(InputError, match=r"cannot be read|found a folder"):
                function(path)


# ---------------------------------------------------------------------------------------------------- made smaller


def blocks(height: int, width: int) -> np.ndarray:
    """Smooth enough that JPEG's own losses stay small, unlike in every direction."""
    y, x = np.mgrid[:height, :width]
    shades = [120 + 90 * np.sin(x / 37 + k) * np.cos(y / 53 - k) for k in range(3)]
    return np.stack(shades, -1).astype(np.uint8)


def block_means(image: np.ndarray, n: int) -> np.ndarray:
    """Means of whole n by n blocks, by NumPy alone."""
    height, width = image.shape[0] // n, image.shape[1] // n
    return image[: height * n, : width * n].reshape(height, n, width, n, -1).mean((1, 3)).squeeze()


@pytest.mark.parametrize("grey", [False, True])
@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF", "AVIF"])
@pytest.mark.parametrize("reduced", [2, 4, 8])
def test_a_reduced_pixel_is_the_mean_of_its_block(fmt: str, reduced: int, grey: bool) -> None:
    out = io.BytesIO()
    picture = Image.fromarray(blocks(264, 392))
    if fmt == "HEIF":
        pillow_heif.from_pillow(picture).save(out, quality=95)
    else:
        picture.save(out, fmt, **({"quality": 95} if fmt not in ("PNG", "TIFF") else {}))
    read = decode_gray if grey else decode
    whole, small = read(out.getvalue()), read(out.getvalue(), reduced=reduced)
    assert small.dtype == np.uint8
    assert small.shape[:2] == (264 // reduced, 392 // reduced)
    # scaled decoding leaves out the high frequencies, which is the mean to a level or two
    assert np.abs(small - block_means(whole, reduced)).max() <= ROUNDING_LEVELS[fmt] + 1


@pytest.mark.parametrize("fmt", ["JPEG", "PNG", "TIFF"])
def test_sides_that_are_no_multiple_are_rounded_up(fmt: str) -> None:
    out = io.BytesIO()
    Image.fromarray(blocks(101, 203)).save(out, fmt)
    for reduced in (2, 4, 8):
        for small in (decode(out.getvalue(), reduced=reduced), decode_gray(out.getvalue(), reduced=reduced)):
            assert small.shape[:2] == (-(-101 // reduced), -(-203 // reduced))


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_reduced_pictures_are_upright_too(orientation: int) -> None:
    # of the picture as it was drawn: a full decode spreads colour over the blocks' borders
    drawn = Image.fromarray(asymmetric())
    drawn.getexif()[0x0112] = orientation
    means = block_means(np.asarray(ImageOps.exif_transpose(drawn))[..., ::-1], 8)
    assert np.abs(decode(written("JPEG", orientation), reduced=8) - means).max() <= ROUNDING_LEVELS["JPEG"]


def test_small_pictures_keep_enough_pixels(tmp_path: Path) -> None:
    for side, expected in ((2000, 250), (512, 64), (500, 125), (100, 100)):
        out = io.BytesIO()
        Image.fromarray(blocks(side, side + 40)).save(out, "JPEG")
        path = tmp_path / f"{side}.jpg"
        path.write_bytes(out.getvalue())
        assert decode_small(path).shape[0] == expected
        assert np.array_equal(decode_small(path), decode_small(out.getvalue()))


def test_reduction_for_a_budget() -> None:
    assert reduction_for(4000, 3000, 12_000_000) == 1
    assert reduction_for(4000, 3000, 11_999_999) == 2
    assert reduction_for(12000, 8400, 12_000_000) == 4
    assert reduction_for(30000, 10000, 1_000_000) == 8
    with pytest.raises(ValueError, match="1, 2, 4 or 8"):
        decode(written("JPEG", 1), reduced=3)  # type: ignore[arg-type]


def test_a_damaged_file_is_named_by_its_path(tmp_path: Path) -> None:
    path = tmp_path / "cut.jpg"
    path.write_bytes(written("JPEG", 1)[:-200])
    with pytest.raises(InputError, match=r"cut\.jpg"):
        decode_small(path)
