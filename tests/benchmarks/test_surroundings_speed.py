"""A map of a million buildings: time and memory of reading, looking up and looking round, beside json.load's."""

from __future__ import annotations

import random
import subprocess
import sys

import pytest

pytestmark = pytest.mark.benchmark

BUILDINGS = 1_000_000

_READ = """
import resource, sys, time
import numpy as np
from pathlib import Path
from photoaz.surroundings.panorama import panorama
from photoaz.surroundings.reading import read_surroundings
clock = time.process_time
start = clock()
made = read_surroundings(Path(sys.argv[1]))
read = clock() - start
some = made.near(47.05, 8.1)
indexed = clock() - start - read
start = clock()
for k in range(10):
    made.near(47.02 + 0.005 * k, 8.1)
near = (clock() - start) / 10
start = clock()
for k in range(10):
    panorama(some, np.array([30.0 + k, -50.0, 1.5]))
round_ = (clock() - start) / 10
print(len(made), len(some), read, indexed, near, round_, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""
_JSON = """
import json, resource, sys, time
start = time.process_time()
json.load(open(sys.argv[1], encoding="utf-8"))
print(time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def write_map(path):
    rng = random.Random(1)
    side = round(BUILDINGS**0.5)
    with path.open("w", encoding="utf-8") as file:
        file.write('{"type": "FeatureCollection", "features": [\n')
        for i in range(BUILDINGS):
            x, y = 8.0 + (i % side) * 2.5e-4, 47.0 + (i // side) * 2e-4
            a, b = rng.uniform(8e-5, 1.2e-4), rng.uniform(6e-5, 1e-4)
            ring = [(x, y), (x + a, y), (x + a, y + b), (x, y + b), (x, y)]
            if i % 3 == 0:
                ring[3:3] = [(x + 0.6 * a, y + b), (x + 0.6 * a, y + 0.5 * b)]
            said = (
                f'"height_m":{rng.uniform(3, 20):.1f},',
                f'"height":"{rng.uniform(3, 20):.1f} m",',
                f'"building:levels":"{rng.randint(1, 6)}",',
                "",
            )[i % 4]
            places = ",".join(f"[{lon:.7f},{lat:.7f}]" for lon, lat in ring)
            file.write(
                f'{"," if i else ""}{{"type":"Feature","properties":{{{said}"id":"w{i}","building":"yes"}},'
                f'"geometry":{{"type":"Polygon","coordinates":[[{places}]]}}}}\n'
            )
        file.write("]}")


def test_a_large_map(tmp_path):
    """Each in a process of its own, whose memory is its own. Busy machines: it is the ratio that counts."""
    path = tmp_path / "country.geojson"
    write_map(path)

    def told(code):
        run = subprocess.run([sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True)
        return [float(v) for v in run.stdout.split()]

    count, kept, read, indexed, near, round_, peak_mb = told(_READ)
    plain, plain_mb = told(_JSON)
    print(
        f"\n{count:.0f} buildings: read {read:.1f} s, indexed {indexed:.1f} s, peak {peak_mb:.0f} MB; json.load alone "
        f"{plain:.1f} s, {plain_mb:.0f} MB (ratio {(read + indexed) / plain:.2f}); a site's {kept:.0f}: "
        f"{1e3 * near:.0f} ms; a panorama: {1e3 * round_:.0f} ms"
    )
    assert count == BUILDINGS
    assert peak_mb < 1000.0
    assert read + indexed < 1.5 * plain
    assert round_ < 0.3
