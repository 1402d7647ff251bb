"""A register of 200 000 sites, and a manifest of a million photos: time and memory."""

from __future__ import annotations

import random
import resource
import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.benchmark

SITES = 200_000
PHOTOS = 1_000_000
HEADER = (
    "site_id,antenna_id,site_lat_deg,site_lon_deg,site_position_u_m,sector,position,rad_center_m,rad_center_u_m,"
    "antenna_height_m,antenna_width_m,antenna_depth_m,offset_east_m,offset_north_m,design_azimuth_deg,design_north,"
    "tolerance_deg,design_downtilt_deg,reading_azimuth_deg,reading_north,reading_u95_deg,reading_date,"
    "reading_downtilt_deg,reading_downtilt_u95_deg,grid_crs,model"
)

_LOAD = """
import resource, sys, time
from photoaz.register.load import load_register
start = time.process_time()
result = load_register(sys.argv[1])
seconds = time.process_time() - start
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(len(result.sites), sum(len(s.antennas) for s in result.sites), len(result.faults), seconds, peak)
"""


def write_register(path):
    rng = random.Random(5)
    with path.open("w", encoding="utf-8") as file:
        print(HEADER, file=file)
        for i in range(SITES):
            lat, lon = rng.uniform(40, 50), rng.uniform(-69, -66.1)
            for sector in "ABC":
                cells = (
                    f"S{i:06d},S{i:06d}-{sector}1,{lat:.6f},{lon:.6f},3,{sector},1,{rng.uniform(10, 60):.1f},0.5,2.0,"
                    f"0.3,0.13,{rng.uniform(-2, 2):.1f},{rng.uniform(-2, 2):.1f},{rng.uniform(0, 360):.1f},"
                    f"{rng.choice(['true', 'grid'])},5,{rng.randint(0, 8)}.0,{rng.uniform(0, 359):.1f},"
                    f"{rng.choice(['true', 'magnetic', 'grid'])},2,20{rng.randint(15, 25)}-0{rng.randint(1, 9)}-1"
                    f"{rng.randint(0, 9)},{rng.uniform(0, 8):.1f},0.5,32619,P{rng.randint(1, 40)}-65"
                )
                print(cells, file=file)


def test_a_large_register(tmp_path):
    """In a process of its own, whose memory is its own."""
    path = tmp_path / "register.csv"
    write_register(path)
    run = subprocess.run([sys.executable, "-c", _LOAD, str(path)], check=True, capture_output=True, text=True)
    sites, antennas, faults, seconds, peak_mb = (float(v) for v in run.stdout.split())
    print(f"\n{sites:.0f} sites, {antennas:.0f} antennas: {seconds:.1f} s of CPU, peak {peak_mb:.0f} MB")
    assert (sites, antennas, faults) == (SITES, 3 * SITES, 0)
    assert seconds < 60.0
    assert peak_mb < 1000.0


def test_a_large_manifest(tmp_path):
    from photoaz.register.photos import load_manifest

    path = tmp_path / "manifest.csv"
    with path.open("w", encoding="utf-8") as file:
        print("photo,site_id", file=file)
        file.writelines(f"S{i // 10:06d}/p{i}.jpg,S{i // 10:06d}\n" for i in range(PHOTOS))
    start = time.process_time()
    manifest = load_manifest(path)
    loaded = time.process_time() - start
    start = time.process_time()
    looked_up = range(0, PHOTOS, 10)
    for i in looked_up:
        assert manifest[str(tmp_path / f"S{i // 10:06d}" / f"p{i}.jpg")] == f"S{i // 10:06d}"
    each_us = (time.process_time() - start) / len(looked_up) * 1e6
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\n{PHOTOS} rows: {loaded:.1f} s of CPU; {each_us:.0f} us for a photo; peak {peak_mb:.0f} MB with all before"
    )
    assert loaded < 60.0
    assert each_us < 100.0
