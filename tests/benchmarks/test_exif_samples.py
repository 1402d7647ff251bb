"""Metadata of public sample files against the exiftool program, and of rendered practice photos against their truth.

Needs the samples and the rendered sites (conftest.py) and, for the first part, exiftool on the path.
Figures are printed: run with -s or -rP.
"""

from __future__ import annotations

import json
import math
import shutil
import statistics
import subprocess
import time
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from photoaz.errors import InputError
from photoaz.photo.inspect import describe
from photoaz.photo.metadata import read_record
from photoaz.photo.record import PhotoRecord

pytestmark = pytest.mark.benchmark

METRES_PER_DEGREE = 111_320.0
TAGS = (
    "GPSLatitude",
    "GPSLongitude",
    "GPSLatitudeRef",
    "GPSLongitudeRef",
    "GPSImgDirection",
    "GPSImgDirectionRef",
    "FocalLength",
    "FocalLengthIn35mmFormat",
    "DateTimeOriginal",
    "CreateDate",
    "ModifyDate",
    "Orientation",
    "AccelerationVector",
    "GPSHPositioningError",
)


@pytest.fixture(scope="module")
def samples(practice: Path) -> list[Path]:
    folder = practice / "exif_samples"
    if not folder.is_dir():
        pytest.skip(f"no sample files in {folder}")
    return sorted(p for p in folder.rglob("*") if p.is_file())


def by_exiftool(paths: list[Path]) -> dict[Path, dict[str, Any]]:
    """Exif as exiftool reads it, numbers as numbers, from the file's own Exif block only."""
    program = shutil.which("exiftool")
    if program is None:
        pytest.skip("exiftool is not installed")
    wanted = [f"-{group}:{tag}" for tag in TAGS for group in ("EXIF", "MakerNotes")]
    command = [program, "-n", "-j", "-q", "-api", "largefilesupport=1", *wanted, *map(str, paths)]
    out = subprocess.run(command, capture_output=True, text=True, check=False).stdout
    return {Path(entry.pop("SourceFile")): entry for entry in json.loads(out)}


def read_all(paths: list[Path]) -> tuple[dict[Path, PhotoRecord], dict[Path, str]]:
    records, refused = {}, {}
    for path in paths:
        try:
            records[path] = read_record(path)
        except InputError as err:
            refused[path] = str(err).partition(": ")[2]
    return records, refused


#: Differences that are meant, by file and quantity: why ours is what it is.
EXPLAINED = {
    ("exif_samples_geodegrees_as_string.jpg", "position"): (
        "coordinates as text with decimal commas, '52,00000,50,00000,34,01180': exiftool takes the numbers one by one "
        "(52, 0, 50), here they are 52, 50 and 34.0118"
    ),
}


def signed(exif: dict[str, Any], name: str, negative: str) -> float | None:
    value, ref = exif.get(name), str(exif.get(f"{name}Ref", ""))
    if not isinstance(value, int | float) or not ref:
        return None
    return -abs(value) if ref.upper().startswith(negative) else abs(value)


def compare(record: PhotoRecord, exif: dict[str, Any]) -> dict[str, tuple[bool, str]]:
    """Quantities that both read: whether they are equal, and both values."""
    found: dict[str, tuple[bool, str]] = {}
    lat, lon = signed(exif, "GPSLatitude", "S"), signed(exif, "GPSLongitude", "W")
    if record.position and lat is not None and lon is not None:
        apart = max(abs(record.position.lat_deg - lat), abs(record.position.lon_deg - lon)) * METRES_PER_DEGREE
        ours = (record.position.lat_deg, record.position.lon_deg)
        found["position"] = apart < 0.01, f"{ours} and {(lat, lon)}"  # a centimetre
    direction = exif.get("GPSImgDirection")
    if record.heading and record.heading.source == "GPSImgDirection" and isinstance(direction, int | float):
        found["heading"] = (
            abs(record.heading.value_deg - direction) < 1e-6,
            f"{record.heading.value_deg} and {direction}",
        )
        ref = {"T": "true", "M": "magnetic"}.get(str(exif.get("GPSImgDirectionRef", "")).strip(), "unknown")
        found["reference"] = record.heading.north == ref, f"{record.heading.north} and {ref}"
    f35 = exif.get("FocalLengthIn35mmFormat")
    if record.focal and isinstance(f35, int | float) and f35 and "35 mm equivalent" in record.focal.source:
        said = float(record.focal.source.split("35 mm equivalent ")[1].split(" mm")[0])
        found["f35"] = said == f35, f"{said} and {f35}"
    focal = exif.get("FocalLength")
    if record.focal and isinstance(focal, int | float) and record.focal.source.startswith("focal length"):
        said = float(record.focal.source.split()[2])
        found["focal length"] = abs(said - focal) <= 1e-4 * focal, f"{said} and {focal}"
    date = next((exif[k] for k in ("DateTimeOriginal", "CreateDate", "ModifyDate") if plausible(exif.get(k))), None)
    if record.taken and record.taken.local and date:
        ours = record.taken.local.strftime("%Y:%m:%d %H:%M:%S")
        found["date"] = ours == date[:19], f"{ours} and {date}"
    if "Orientation" in exif:
        found["orientation"] = (
            record.orientation == exif["Orientation"],
            f"{record.orientation} and {exif['Orientation']}",
        )
    vector = exif.get("AccelerationVector")
    if record.pitch_deg and vector and "maker note" in record.pitch_deg.source:
        x, y, z = (float(v) for v in str(vector).split())
        pitch = math.degrees(math.asin(z / math.sqrt(x * x + y * y + z * z)))
        found["pitch"] = abs(record.pitch_deg.value - pitch) < 1e-6, f"{record.pitch_deg.value} and {pitch}"
        found["roll near level"] = record.roll_deg is not None and abs(record.roll_deg.value) < 15, f"{record.roll_deg}"
    return found


def plausible(text: object) -> bool:
    try:
        return datetime.strptime(str(text)[:19], "%Y:%m:%d %H:%M:%S").year >= 1995
    except ValueError:
        return False


def test_against_exiftool(samples: list[Path]) -> None:
    truth = by_exiftool(samples)
    records, refused = read_all(samples)  # nothing but InputError may come out of it
    equal: Counter[str] = Counter()
    total: Counter[str] = Counter()
    surprises = []
    for path, record in records.items():
        assert describe(record)
        for quantity, (same, values) in compare(record, truth.get(path, {})).items():
            total[quantity] += 1
            equal[quantity] += same
            if not same:
                why = EXPLAINED.get((path.name, quantity))
                print(f"differs: {path.name}: {quantity}: {values}: {why or 'NOT EXPLAINED'}")
                if why is None:
                    surprises.append((path.name, quantity, values))
    print(f"{len(samples)} files, {len(records)} read, {len(refused)} refused:")
    for path, why in refused.items():
        print(f"  refused: {path.name}: {why.splitlines()[0][:110]}")
    for quantity in total:
        print(f"  {quantity}: {equal[quantity]} of {total[quantity]} equal")
    missed = []
    for path, record in records.items():
        exif = truth.get(path, {})
        if record.position is None and signed(exif, "GPSLatitude", "S") is not None:
            missed.append(f"{path.name}: position {[f.code for f in record.findings if f.code.startswith('position')]}")
        if record.heading is None and isinstance(exif.get("GPSImgDirection"), int | float):
            missed.append(f"{path.name}: heading {[f.code for f in record.findings if f.code.startswith('heading')]}")
        if record.taken is None and plausible(exif.get("DateTimeOriginal")):
            missed.append(f"{path.name}: date {[f.code for f in record.findings if f.code.startswith('date')]}")
    print("read by exiftool only:", *missed or ["nothing"], sep="\n  ")
    assert not surprises
    assert total["position"] >= 20
    assert total["date"] >= 50


@pytest.fixture(scope="module")
def rendered(cases: list[Path]) -> list[tuple[Path, dict[str, Any]]]:
    found = []
    for case in cases:
        found += [(case / photo["file"], photo) for photo in json.loads((case / "truth.json").read_text())["photos"]]
    return found


def test_against_the_truth_of_rendered_photos(rendered: list[tuple[Path, dict[str, Any]]]) -> None:
    focal, place = [], []
    for path, photo in rendered:
        record, truth = read_record(path), photo["exif"]
        assert (record.width_px, record.height_px) == (photo["width_px"], photo["height_px"])
        assert record.orientation == truth["orientation"]
        assert (record.heading is None) == (truth["heading"] is None)
        if record.heading:
            assert record.heading.value_deg == pytest.approx(truth["heading"], abs=0.0051)  # written with 2 decimals
            assert record.heading.north == {"T": "true", "M": "magnetic"}.get(truth["heading_ref"], "unknown")
        assert (record.pitch_deg is None) == (truth["elevation"] is None)
        if record.pitch_deg:
            assert record.pitch_deg.value == pytest.approx(truth["elevation"], abs=0.0051)
        assert record.position is not None
        assert record.taken is not None
        assert record.taken.utc is not None
        assert record.focal is not None
        north = (record.position.lat_deg - truth["lat"]) * METRES_PER_DEGREE
        east = (record.position.lon_deg - truth["lon"]) * METRES_PER_DEGREE * math.cos(math.radians(truth["lat"]))
        assert math.hypot(north, east) < 0.5  # seconds written with 2 decimals: 0.3 m
        assert abs((record.taken.utc - datetime.fromisoformat(photo["utc"])).total_seconds()) < 1.5
        place += [error / record.position.sigma_m for error in truth["pos_error_enu_m"]]
        error = photo["fx"] / record.focal.f_px - 1.0
        focal.append((abs(error) / record.focal.relative_sigma, error, record.focal))
    known = [row for row in focal if "guessed" not in row[2].source]
    guessed = [row for row in focal if "guessed" in row[2].source]
    rms = math.sqrt(statistics.fmean(z * z for z in place))
    print(f"{len(focal)} photos; position error over sigma: {rms:.2f} rms")
    for name, rows in (("35 mm equivalent", known), ("guessed", guessed)):
        worst = max(rows, key=lambda row: row[0])
        print(
            f"f by {name}: {len(rows)} photos, median error {100 * statistics.median(abs(r[1]) for r in rows):.2f} %, "
            f"worst {100 * worst[1]:+.1f} % where sigma is {100 * worst[2].relative_sigma:.1f} % ({worst[2].source})"
        )
    assert max(row[0] for row in known) < 2.0
    assert max(row[0] for row in guessed) < 2.0
    assert 0.7 < rms < 1.3


def test_time_of_reading(rendered: list[tuple[Path, dict[str, Any]]]) -> None:
    import cv2

    paths = [path for path, _ in rendered if path.name == "photo_1.jpg"][:12]
    read_record(paths[0])
    reading, decoding = [], []
    for path in paths:
        start = time.perf_counter()
        read_record(path)
        middle = time.perf_counter()
        cv2.imread(str(path))
        reading.append(middle - start)
        decoding.append(time.perf_counter() - middle)
    ours, theirs = (1000 * statistics.median(times) for times in (reading, decoding))
    print(f"read_record {ours:.1f} ms (median of {len(paths)}), cv2.imread of the same {theirs:.0f} ms")
    assert ours < 10.0
