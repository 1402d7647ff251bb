"""Copies, bursts and one picture for two sites: pictures by Pillow, hashes by SciPy, groups by comparing every pair."""

from __future__ import annotations

import io
import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from photoaz.audit.prints import PhotoPrint, distance_bits, perceptual_hash
from photoaz.audit.repeats import NEAR_BITS, Repeat, bursts, copies, count_once, linked, near_pairs, two_sites
from photoaz.photo.pixels import decode_small
from photoaz.sample import sample_dir

SAMPLES = sorted(sample_dir().glob("*.jpg"))


def saved(image: Image.Image, scale: float = 1.0, quality: int = 85, fmt: str = "JPEG") -> bytes:
    out = io.BytesIO()
    size = round(image.width * scale), round(image.height * scale)
    image.resize(size, Image.Resampling.LANCZOS).save(out, fmt, **({"quality": quality} if fmt == "JPEG" else {}))
    return out.getvalue()


# ---------------------------------------------------------------------------------------------------- hashes


@pytest.mark.parametrize("path", SAMPLES[:3], ids=lambda p: p.stem)
def test_a_copy_keeps_its_hash(path: Path) -> None:
    image = Image.open(path)
    image.draft("RGB", (image.width // 2, image.height // 2))
    image = Image.fromarray(np.asarray(image))
    whole = perceptual_hash(decode_small(saved(image)))
    assert whole is not None
    for change in ({"quality": 40}, {"scale": 0.5}, {"scale": 0.3}, {"fmt": "PNG", "scale": 0.5}):
        again = perceptual_hash(decode_small(saved(image, **change)))
        assert again is not None
        assert distance_bits(whole, again) <= 4


def test_different_photos_have_different_hashes() -> None:
    """All are of one tower under one sky, from other sides."""
    hashes = [perceptual_hash(decode_small(p)) for p in SAMPLES]
    assert None not in hashes
    assert min(distance_bits(a or 0, b or 0) for a, b in itertools.combinations(hashes, 2)) > 10


def test_flat_pictures_have_no_hash() -> None:
    assert perceptual_hash(np.full((300, 400), 128, np.uint8)) is None


def test_a_hash_is_that_of_the_cosine_transform() -> None:
    """By SciPy's transform of the same 32 by 32 means, in floating point."""
    from scipy.fft import dctn

    rng = np.random.default_rng(2)
    small = rng.integers(0, 255, (32, 32), dtype=np.uint8)
    grey = np.kron(small, np.ones((8, 8), np.uint8))
    found = perceptual_hash(grey)
    low = dctn(small.astype(float), norm="ortho")[1:9, 1:9].ravel()
    expected = int("".join("1" if v > np.median(low) else "0" for v in low), 2)
    # the blur against aliasing moves coefficients near the median
    assert found is not None
    assert distance_bits(found, expected) <= 4


def test_near_pairs_are_found() -> None:
    """Against every pair compared, among hashes crowded enough that many are near."""
    rng = np.random.default_rng(3)
    centres = rng.integers(0, 2**64, 12, dtype=np.uint64)
    hashes = np.repeat(centres, 30)
    for _ in range(3):
        flip = rng.random(len(hashes)) < 0.6
        hashes = np.where(flip, hashes ^ (np.uint64(1) << rng.integers(0, 64, len(hashes)).astype(np.uint64)), hashes)
    values = [int(h) for h in hashes]
    first = {v: values.index(v) for v in reversed(values)}
    bits = {
        (first[values[a]], first[values[b]]): distance_bits(values[a], values[b])
        for a, b in itertools.combinations(range(len(values)), 2)
        if values[a] != values[b]
    }
    bits = {(min(pair), max(pair)): n for pair, n in bits.items()}
    pairs = {tuple(p) for p in near_pairs(hashes).tolist()}
    # of equal hashes the first stands for all
    same = {(first[v], k) for k, v in enumerate(values) if first[v] != k}
    assert pairs - same == pairs & {p for p, n in bits.items() if n <= NEAR_BITS}
    assert pairs >= same | {p for p, n in bits.items() if n < NEAR_BITS}
    # of hashes that differ in four bits, in all four bands in one case of ten: 16^4 of the 64 over 4
    last = {p for p, n in bits.items() if n == NEAR_BITS}
    assert len(pairs & last) / len(last) == pytest.approx(0.9, abs=0.03)
    # groups are the connected parts
    parent = list(range(len(values)))

    def root(k: int) -> int:
        while parent[k] != k:
            k = parent[k]
        return k

    for a, b in pairs:
        parent[root(a)] = root(b)
    expected: dict[int, list[int]] = {}
    for k in range(len(values)):
        expected.setdefault(root(k), []).append(k)
    assert linked(list(pairs), len(values)) == sorted(tuple(g) for g in expected.values() if len(g) > 1)
    assert linked(near_pairs(np.empty(0, np.uint64)), 0) == []


# ---------------------------------------------------------------------------------------------------- repeats


def a_print(photo: str, **changes: Any) -> PhotoPrint:
    usual: dict[str, Any] = {
        "sha256": photo,
        "n_bytes": 1000,
        "width_px": 4000,
        "height_px": 3000,
        "phash": 0x0123456789ABCDEF,
        "camera": "V X",
        "taken_s": 1000.0,
        "heading_deg": 90.0,
        "tags": 40,
    }
    return PhotoPrint(photo=photo, **(usual | changes))


def once(prints: list[PhotoPrint]) -> dict[str, Repeat]:
    """Of photos of one site."""
    return {r.photo: r for r in count_once(prints, {p.photo: "S" for p in prints})}


def test_copies_are_counted_once() -> None:
    whole = a_print("whole")
    small = a_print("small", width_px=1200, height_px=900, phash=0x0123456789ABCDEE, tags=0, camera="", taken_s=None)
    again = a_print("again", sha256="whole")
    prints = [small, whole, again]
    assert copies(prints) == [(0, 1, 2)]
    found = once(prints)
    # the same bytes: the first by name is kept, and of that and the small one the large
    assert {(r.photo, r.kept) for r in found.values()} == {("small", "again"), ("whole", "again")}
    assert found["small"].message.startswith("the same picture as again")
    assert found["whole"].message.startswith("the same file as again")
    assert "4000 x 3000, not 1200 x 900" in found["small"].message


@pytest.mark.parametrize(
    "other",
    [
        {"phash": 0xFEDCBA9876543210},
        {"phash": None},
        {"width_px": 3000, "height_px": 4000},
        {"width_px": 4000, "height_px": 2250},
        {"taken_s": 1000.0 + 86400.0},
        {"camera": "W Y"},
    ],
    ids=lambda o: next(iter(o)),
)
def test_what_is_no_copy(other: dict[str, Any]) -> None:
    assert copies([a_print("a"), a_print("b", **other)]) == []


def test_bursts_are_counted_once() -> None:
    start = a_print("0", taken_s=1000.0, n_bytes=900)
    apart = 0xF0000000000000FF  # 12 bits, then 8
    prints = [
        start,
        a_print("1", taken_s=1001.5, n_bytes=1100, phash=(start.phash or 0) ^ 0xFF),
        a_print("2", taken_s=1003.0, n_bytes=1000, phash=(start.phash or 0) ^ 0x7F),
        a_print("3 turned", taken_s=1004.0, heading_deg=120.0, phash=(start.phash or 0) ^ 0xFF00),
        a_print("4 unlike", taken_s=1004.5, phash=(start.phash or 0) ^ apart),
        a_print("5 later", taken_s=1020.0, phash=(start.phash or 0) ^ 0xFF),
        a_print("6 other camera", taken_s=1001.0, camera="W Y"),
        a_print("7 no camera", taken_s=1002.2, camera=""),
    ]
    assert bursts(prints) == [(0, 1, 2)]
    assert bursts(prints[::-1]) == [(5, 6, 7)]
    repeats = once(prints)
    assert [(r.photo, r.kept) for r in repeats.values()] == [("0", "1"), ("2", "1")]
    assert "1.5 s before 1" in repeats["0"].message
    assert "larger file" in repeats["0"].message


def test_north_is_no_border_for_bursts() -> None:
    a, b = a_print("a", heading_deg=359.0), a_print("b", heading_deg=1.0, taken_s=1001.0, phash=0x0123456789ABCDFF)
    assert bursts([a, b]) == [(0, 1)]


def test_a_copy_of_a_burst_shot_is_kept_by_the_bursts_best() -> None:
    shots = [
        a_print("a", n_bytes=900),
        a_print("a copy", sha256="a", n_bytes=900),
        a_print("b", taken_s=1003.0, n_bytes=1100, phash=0x0123456789ABCD10),
    ]
    found = once(shots)
    assert {r.photo: r.kept for r in found.values()} == {"a copy": "b", "a": "b"}
    assert found["a copy"].message.startswith("the same file as a;")
    assert found["a"].message.startswith("taken 3.0 s before b")


def test_one_picture_for_two_sites() -> None:
    prints = [a_print("x/a"), a_print("y/a", sha256="x/a"), a_print("x/b", sha256="x/a"), a_print("z", phash=5)]
    sites = {"x/a": "X", "y/a": "Y", "x/b": "X", "z": "Z"}
    flags = two_sites(prints, sites)
    assert set(flags) == {"x/a", "y/a", "x/b"}
    assert "handed in for Y (y/a) as well as for X" in flags["x/a"].message
    assert flags["y/a"].severity == "serious"
    # at each site it counts once
    assert [(r.photo, r.kept) for r in count_once(prints, sites)] == [("x/b", "x/a")]
    assert two_sites(prints, {"x/a": "X", "y/a": None, "x/b": "X"}) == {}
