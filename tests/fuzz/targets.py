"""What the fuzzers try, one piece of input at a time: anything but an InputError is a fault of photoaz."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import logging
import os
import shutil
import struct
import tempfile
import warnings
import zlib
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from click.testing import CliRunner

from photoaz.audit.doubts import edited_flags, time_flags
from photoaz.cli import main
from photoaz.errors import InputError
from photoaz.judgement.costs import load_costs
from photoaz.photo.calibration import load_calibration
from photoaz.photo.container import open_container
from photoaz.photo.exif import maker_note, thumbnail
from photoaz.photo.inspect import describe, record_as_json
from photoaz.photo.metadata import read_record
from photoaz.register.columns import load_columns
from photoaz.register.history import load_readings
from photoaz.register.load import load_controls, load_picks, load_register
from photoaz.register.photos import load_manifest
from photoaz.register.priors import read_priors
from photoaz.register.propose import propose_columns
from photoaz.sample import sample_dir

#: of a photo that a command is given, only the head is changed
MOST_CHANGED = 4000
NOW = datetime(2026, 6, 1, tzinfo=UTC)
_FRAME = bytes.fromhex("ffc00011080030004003012200021101031101ffda000c03010002110311003f00") + b"\0" * 8 + b"\xff\xd9"


def in_jpeg(block: bytes, xmp: bytes = b"") -> bytes:
    """A JPEG of 64 x 48 pixels, of which only the head makes sense, with this Exif block and XMP packet."""
    head = b"\xff\xd8"
    for body in (b"Exif\0\0" + block, b"http://ns.adobe.com/xap/1.0/\0" + xmp if xmp else b""):
        head += b"\xff\xe1" + struct.pack(">H", min(len(body), 65533) + 2) + body[:65533]
    return head + _FRAME


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def in_png(block: bytes) -> bytes:
    """A PNG's head with this Exif block."""
    size = struct.pack(">IIBBBBB", 64, 48, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", size) + _chunk(b"eXIf", block) + _chunk(b"IEND", b"")


WRAPS: tuple[Callable[[bytes], bytes], ...] = (bytes, in_jpeg, in_png, lambda b: in_jpeg(b"", b))


def _clear(error: InputError) -> None:
    assert error.faults
    assert all(f.wanted for f in error.faults)
    str(error).encode()


def metadata(data: bytes) -> None:
    """Everything that is read of a photo without its pixels. The first byte says what the rest is."""
    if not data:
        return
    whole = WRAPS[data[0] % len(WRAPS)](data[1:])
    warnings.simplefilter("ignore")
    try:
        record = read_record(Path("photo.jpg"), whole)
    except InputError as e:
        _clear(e)
        return
    json.dumps(record_as_json(record), allow_nan=False).encode()
    "\n".join(describe(record)).encode()
    edited_flags(record)
    time_flags(record, now=NOW)
    exif = open_container(Path("photo.jpg"), whole).exif
    thumbnail(exif)
    maker_note(exif)


def _with_columns(path: Path) -> None:
    load_register(sample_dir() / "register.csv", load_columns(path))


LOADERS: tuple[Callable[[Path], object], ...] = (
    load_register,
    load_controls,
    load_picks,
    load_readings,
    load_manifest,
    load_columns,
    _with_columns,
    load_costs,
    load_calibration,
    propose_columns,
    read_priors,
)
_PLACE = Path(tempfile.mkdtemp(prefix="photoaz-fuzz-"))


def tables(data: bytes) -> None:
    """One of the files of text (or workbooks) that a user writes. The first byte says which."""
    if not data:
        return
    path = _PLACE / "table"
    path.write_bytes(data[1:])
    warnings.simplefilter("ignore")
    try:
        LOADERS[data[0] % len(LOADERS)](path)
    except InputError as e:
        _clear(e)
    finally:
        path.unlink()


def _photo(name: str, data: bytes) -> Path:
    """A photo in the place of the given name."""
    (_PLACE / name).write_bytes(data)
    return _PLACE / name


@functools.cache
def _small() -> bytes:
    """A sample photo with its Exif, small enough to be solved in a second."""
    from PIL import Image

    held = io.BytesIO()
    with Image.open(sample_dir() / "qlb014_8.jpg") as image:
        image.resize((1200, 800)).save(held, "JPEG", exif=image.info["exif"])
    return held.getvalue()


@functools.cache
def _estimates() -> bytes:
    """What `estimate` says of it, with antennas that are seen."""
    photos = [str(sample_dir() / f"qlb014_{k}.jpg") for k in (5, 8)]
    register = str(sample_dir() / "register.csv")
    told = CliRunner().invoke(main, ["estimate", *photos, "--register", register, "--json"]).stdout
    document = json.loads(told)
    for antenna in document["sites"][0]["antennas"]:  # what a plan does not read, and would be most of it
        antenna |= {"evidence": [], "missing": [], "reasons": [], "budget": []}
    return json.dumps(document, separators=(",", ":")).encode()


def _of_small(k: int) -> bytes:
    """A seed of the tables, about the small photo and the sample site."""
    return seeds("tables")[k][1:].replace(b"a.jpg", b"small.jpg").replace(b",A1,", b",QLB-014-A1,")


_AREA = (
    b'{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"height_m": 10}, "geometry": '
    b'{"type": "LineString", "coordinates": [[-64.41, 46.2], [-64.40, 46.21]]}}]}'
)
_REGISTER = str(sample_dir() / "register.csv")
#: how each command is called with one file that is not what it should be; {} stands for it
COMMANDS: tuple[tuple[tuple[str, ...], str, Callable[[], bytes]], ...] = (
    (("estimate", "{}", "--register", _REGISTER), "photo.jpg", _small),
    (("estimate", "small.jpg", "--register", "{}"), "register.csv", lambda: Path(_REGISTER).read_bytes()),
    (("estimate", "small.jpg", "--register", _REGISTER, "--controls", "{}"), "t.csv", lambda: _of_small(3)),
    (("estimate", "small.jpg", "--register", _REGISTER, "--picks", "{}"), "t.csv", lambda: _of_small(4)),
    (
        ("estimate", "small.jpg", "--register", _REGISTER, "--costs", "{}"),
        "c.toml",
        lambda: b"visit = 300\nyears = 3\n",
    ),
    (("inspect", "{}", "--panels", "--json"), "photo.jpg", _small),
    (("plan", "--register", _REGISTER, "--most", "1", "--estimates", "{}", "--json"), "e.json", _estimates),
    (("plan", "--register", _REGISTER, "--trip", "{}"), "e.json", _estimates),
    (("plan", "--register", _REGISTER, "--most", "1", "--area", "{}"), "area.json", lambda: _AREA),
    (("plan", "--register", "{}", "--most", "1"), "register.csv", lambda: Path(_REGISTER).read_bytes()),
    (("calibrate", "{}", "--pattern", "9x6", "--square-mm", "25", "--out", "camera.json"), "photo.jpg", _small),
    (("audit", "{}", "--register", _REGISTER, "--out", "out", "--jobs", "1", "-q"), "photo.jpg", _small),
    (
        ("audit", "small.jpg", "--register", "{}", "--out", "out", "--jobs", "1", "-q"),
        "r.csv",
        lambda: seeds("tables")[0][1:],
    ),
)


#: how often each command ended how
TRIED: Counter[str] = Counter()


def commands(data: bytes) -> None:
    """A whole command, with one of its files as given. The first byte says which. Only exit codes are allowed out."""
    if not data:
        return
    call, name, _ = COMMANDS[data[0] % len(COMMANDS)]
    # pixels behind the part that is changed stay as they were
    tail = _small()[MOST_CHANGED:] if name == "photo.jpg" else b""
    path = _photo(name, data[1:] + tail)
    _photo("small.jpg", _small().replace(b"photo.jpg", b"small.jpg"))
    before = Path.cwd()
    os.chdir(_PLACE)
    try:
        done = CliRunner().invoke(main, [str(path) if word == "{}" else word for word in call])
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        assert done.exit_code in (0, 1, 2), done.output
        TRIED[f"{call[0]} {name}: exit code {done.exit_code}"] += 1
    finally:
        os.chdir(before)
        path.unlink()
        shutil.rmtree(_PLACE / "out", ignore_errors=True)


TARGETS = {"metadata": metadata, "tables": tables, "commands": commands}


def seeds(target: str) -> list[bytes]:
    """Good inputs to start from."""
    folder = sample_dir()
    out: list[bytes] = []
    if target == "commands":
        for k, (_, name, content) in enumerate(COMMANDS):
            out.append(bytes([k]) + content()[: MOST_CHANGED if name == "photo.jpg" else None])
        return out
    if target == "metadata":
        from PIL import Image

        for path in sorted(folder.glob("*.jpg"))[:2]:
            data = path.read_bytes()
            box = open_container(path, data)
            out += [b"\0" + data[:4000], b"\1" + box.exif, b"\2" + box.exif, b"\0" + box.exif]
            if box.xmp:
                out.append(b"\3" + box.xmp)
        for kind in ("JPEG", "PNG", "WEBP", "TIFF", "AVIF"):
            held = io.BytesIO()
            exif = Image.Exif()
            exif[0x112] = 6
            exif.get_ifd(0x8825)[0x11] = 12.5
            with contextlib.suppress(Exception):
                Image.new("RGB", (16, 12), (90, 120, 30)).save(held, kind, exif=exif)
                out.append(b"\0" + held.getvalue())
        gpano = "http://ns.google.com/photos/1.0/panorama/"
        out.append(
            b"\3"
            + f"""<x:xmpmeta xmlns:x="adobe:ns:meta/">
            <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
            <rdf:Description xmlns:GPano="{gpano}" GPano:PoseHeadingDegrees="12.5"><GPano:PosePitchDegrees>3
            </GPano:PosePitchDegrees></rdf:Description></rdf:RDF></x:xmpmeta>""".encode()
        )
        return out
    register = (folder / "register.csv").read_bytes()
    out += [bytes([0]) + register, b"\t" + register.replace(b"site_lat_deg", b"Latitude"), b"\0" + _workbook()]
    out.append(
        b"\1photo,kind,name,x_px,y_px,x2_px,y2_px,lat_deg,lon_deg,height_m,azimuth_true_deg,value_deg,u95\n"
        b"a.jpg,landmark,mast,10,20,,,46.1,-64.2,12,,,5\na.jpg,sun,,,,,,,,,,,\na.jpg,pitch,,,,,,,,,,3.5,1\n"
        b"a.jpg,shadow,s,1,2,3,4,,,,,,\n"
    )
    out.append(
        b"\2photo,antenna_id,x_px,y_px,x1_px,y1_px,x2_px,y2_px,x3_px,y3_px,x4_px,y4_px,exact,absent\n"
        b"a.jpg,A1,10,20,1,2,3,4,5,6,7,8,yes,no\n"
    )
    out.append(
        b"\3site_id,antenna_id,reading_date,reading_azimuth_deg,reading_north,design_date,design_azimuth_deg\n"
        b"S,A,2024-05-31,12.5,magnetic,2020-01-01,30\n"
    )
    out.append(b"\4photo,site_id\na.jpg,S\nb/c.jpg,S\n")
    toml = (
        b'delimiter = ","\ndecimal = "."\nencoding = "cp1252"\nheader_line = 1\nblank = ["n/a"]\n[columns]\n'
        b'site_id = "site_id"\nantenna_id = {from = ["sector", "antenna_id"], join = "-"}\n'
        b'rad_center_m = {from = "rad_center_m", unit = "ft"}\n'
        b'design_azimuth_deg = {from = "design_azimuth_deg", north = "magnetic", values = {T = "true"}}\n'
        b'site_position = {easting = "site_lat_deg", northing = "site_lon_deg", crs = "EPSG:32620"}\n'
        b'reading_date = {from = "reading_date", format = "%d.%m.%Y"}\n[constants]\ntolerance_deg = 5\n'
    )
    out += [b"\5" + toml, b"\6" + toml]
    out.append(b'\7visit = 300\ncurrency = "EUR"\nyears = 3\n')
    out.append(
        b'\x08{"schema": "photoaz/calibration/1", "date": "2026-01-01", "make": "V", "width_px": 4000,'
        b'"height_px": 3000, '
        b'"fx_px": 3000.5, "fy_px": 3001, "cx_px": 1999, "cy_px": 1500, "k1": 0.01, "k2": 0, "pattern": [9, 6]}'
    )
    out.append(b"\x0a[antennas]\nturned_share = 0.1\nturned_sigma_deg = 20\n[readings]\nwrong_share = 0.05\n")
    return out


def _workbook() -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    with (sample_dir() / "register.csv").open(encoding="utf-8-sig") as file:
        for line in file:
            book.active.append(line.rstrip("\n").split(","))
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


WORDS = (
    *(b"nan", b"inf", b"1e400", b"-0", b"1e-400", b"9" * 400, b"=1+1", b'"', b'""', b"\n", b"\r", b"\r\n", b"\t", b";"),
    *(b",", b"\xef\xbb\xbf", b"\xff\xfe", b"\0", b"\xe2\x88\x92", b"[[", b"{", b"}", b"1_0", b"0x1p4", b"\xd9\xa3"),
    *(b"N", b"S", b"\xc2\xb0", b"'", b"true", b"magnetic", b"grid", b"EPSG:32620", b"2024-02-30", b"0000-00-00"),
    *(b"\xff\xe1", b"\xff\xda", b"\xff\xd9", b"\xff\xc0", b"II*\0", b"MM\0*", b"\x87\x69", b"\x88\x25", b"\x92\x7c"),
    *(b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\x80\0\0\0", b"\0\0\0\0", b"IEND", b"IDAT", b"eXIf", b"<!DOCTYPE"),
)
logging.disable(logging.CRITICAL)
