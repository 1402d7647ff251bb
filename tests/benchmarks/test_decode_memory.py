"""Peak memory and time of decoding a 100-megapixel photo, whole and reduced, each in a process of its own.

Figures are printed: run with -s or -rP.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

pytestmark = pytest.mark.benchmark

WIDTH, HEIGHT = 12_000, 8_400
# VmHWM is of the process's own memory; ru_maxrss starts with the parent's
SCRIPT = """
import re, sys, time
from pathlib import Path
import cv2, numpy, pillow_heif
from photoaz.photo import pixels
def most():
    return int(re.search(r"VmHWM:\\s*(\\d+) kB", Path("/proc/self/status").read_text())[1]) / 1024
before = most()
start = time.perf_counter()
getattr(pixels, sys.argv[2])(sys.argv[1], **({"reduced": int(sys.argv[3])} if sys.argv[3] != "1" else {}))
print(most(), before, time.perf_counter() - start)
"""


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    rng = np.random.default_rng(1)
    image = cv2.resize(
        rng.integers(0, 255, (350, 500, 3), dtype=np.uint8), (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC
    )
    grain = rng.integers(0, 24, (HEIGHT // 2, WIDTH // 2, 3), dtype=np.uint8)
    image = cv2.add(image, cv2.resize(grain, (WIDTH, HEIGHT)))
    folder = tmp_path_factory.mktemp("large")
    found = {name: folder / name for name in ("baseline.jpg", "progressive.jpg", "photo.heic")}
    cv2.imwrite(str(found["baseline.jpg"]), image, [cv2.IMWRITE_JPEG_QUALITY, 90])
    cv2.imwrite(str(found["progressive.jpg"]), image, [cv2.IMWRITE_JPEG_QUALITY, 90, cv2.IMWRITE_JPEG_PROGRESSIVE, 1])
    pillow_heif.from_pillow(Image.fromarray(image[..., ::-1])).save(found["photo.heic"], quality=60)
    return found


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is asked of /proc")
@pytest.mark.parametrize("name", ["baseline.jpg", "progressive.jpg", "photo.heic"])
def test_peak_memory(photos: dict[str, Path], name: str) -> None:
    for function, reduced in (
        *(("decode", n) for n in (1, 2, 8)),
        *(("decode_gray", n) for n in (1, 2, 8)),
        ("decode_small", 1),
    ):
        out = subprocess.run(
            [sys.executable, "-c", SCRIPT, str(photos[name]), function, str(reduced)],
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        peak_mb, before_mb, seconds = map(float, out.split())
        print(f"{name} {function} 1/{reduced}: peak {peak_mb:.0f} MB ({before_mb:.0f} before), {seconds:.1f} s")
        # never more than two whole colour pictures over what the libraries take
        assert peak_mb - before_mb < 2.4 * WIDTH * HEIGHT * 3 / 2**20
