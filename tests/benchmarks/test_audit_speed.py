"""What an audit costs: against reading the same photos, by a site's size, with one worker and two, in its store.

And what one photo by `estimate`, and `--help`, cost as whole processes.

On the rendered sites (conftest.py) where PHOTOAZ_PRACTICE names them, else on the sample site. Figures are printed: run
with -s or -rP; nothing else should run on the machine at the time.
"""

from __future__ import annotations

import csv
import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from photoaz import __version__
from photoaz.audit.files import PhotoFile
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.store import KeptSite, Store
from photoaz.result import AzimuthCovariance, SiteResult
from photoaz.sample import sample_dir, sample_photos

pytestmark = pytest.mark.benchmark

#: times cv2.imread of the same photos, one process: without pictures, and with pictures and sheets
AIM_PLAIN, AIM_DRAWN = 6.0, 8.0
AIM_TWO_WORKERS = 1.8
#: seconds of processor of whole processes
AIM_ESTIMATE_S, AIM_HELP_S = 0.9, 0.1
#: photos of a smaller and a larger site; what a photo of the larger may cost, times one of the smaller; its memory
SITE_PHOTOS, AIM_GROWTH, AIM_SITE_MB = (24, 96), 1.1, 500.0
AIM_STORE_MS = 5.0
AIM_WORKER_MB = 600.0


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Folder of photos, a folder for each site, and the register of all of them."""
    folder = tmp_path_factory.mktemp("archive")
    named = os.environ.get("PHOTOAZ_PRACTICE")
    cases = sorted((Path(named) / "practice/cases").iterdir()) if named else []
    rows: list[dict[str, str]] = []
    for case in cases or [sample_dir()]:
        with (case / "register.csv").open(encoding="utf-8-sig", newline="") as file:
            rows += csv.DictReader(file)
        photos = sorted(case.glob("photo_*.jpg")) if cases else sample_photos(case)
        (folder / "photos" / case.name).mkdir(parents=True)
        for photo in photos:
            shutil.copy2(photo, folder / "photos" / case.name)
    with (folder / "register.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(dict.fromkeys(k for row in rows for k in row)))
        table.writeheader()
        table.writerows(rows)
    return folder / "photos", folder / "register.csv"


def imread_cpu_s(folder: Path) -> float:
    """Seconds of processor that cv2.imread takes for all photos, after a first go that fills the cache."""
    photos = sorted(folder.rglob("*.jpg"))
    cv2.setNumThreads(1)
    for _ in range(2):
        start = time.process_time()
        for photo in photos:
            assert cv2.imread(str(photo)) is not None
        seconds = time.process_time() - start
    return seconds


@dataclass(frozen=True, slots=True)
class Cost:
    """Of a whole command: seconds by the clock, seconds of processors, largest peak of memory of a process in MB."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def cost_of(*command: str) -> Cost:
    """What a command of photoaz costs as a whole process."""
    code = (
        "import resource, subprocess, sys;"
        "rc = subprocess.call(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL);"
        "r = resource.getrusage(resource.RUSAGE_CHILDREN);"
        "print(rc, r.ru_maxrss, r.ru_utime + r.ru_stime)"
    )
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, sys.executable, "-m", "photoaz", *command],
        capture_output=True,
        text=True,
        check=True,
    )
    seconds = time.perf_counter() - start
    rc, peak_kb, cpu = map(float, done.stdout.split())
    assert rc in (0, 1), done.stderr
    return Cost(seconds, cpu, peak_kb / 1000.0)


def audit_cost(folder: Path, register: Path, out: Path, jobs: int, *more: str) -> Cost:
    """What an audit of a folder costs."""
    where = ("--register", str(register), "--out", str(out), "--jobs", str(jobs))
    return cost_of("audit", str(folder), *where, *more)


PLAIN = ("--overlays", "none", "--sheets", "none")


def test_whole_processes(archive: tuple[Path, Path]) -> None:
    folder, register = archive
    photo = sorted(folder.rglob("*.jpg"))[0]
    with register.open(encoding="utf-8", newline="") as file:
        site = next(csv.DictReader(file))["site_id"]
    estimate = ("estimate", str(photo), "--register", str(register), "--site", site)
    whole = ("one photo by estimate", estimate, AIM_ESTIMATE_S), ("--help", ("--help",), AIM_HELP_S)
    print()
    for what, command, aim in whole:
        cpu = sorted(cost_of(*command).cpu_s for _ in range(3))[1]
        print(f"{what:22s} {cpu:.2f} s of processor as a whole process (aim {aim})")


def test_growth_of_a_site(tmp_path: Path) -> None:
    """The sample site's photos again and again, told apart by a byte behind their end."""
    photos = sample_photos(sample_dir())
    costs = []
    for n in SITE_PHOTOS:
        folder = tmp_path / str(n)
        folder.mkdir()
        for k in range(n):
            data = photos[k % len(photos)].read_bytes()
            (folder / f"{k:03}.jpg").write_bytes(data + k.to_bytes(2, "big"))
        paths = [str(p) for p in sorted(folder.iterdir())]
        costs.append(cost_of("estimate", *paths, "--register", str(sample_dir() / "register.csv")))
    each = [c.cpu_s / n for c, n in zip(costs, SITE_PHOTOS, strict=True)]
    print(f"\nof a site of {SITE_PHOTOS[0]} photos {each[0]:.2f} s of processor each, of {SITE_PHOTOS[1]}", end=" ")
    print(f"{each[1] / each[0]:.2f} times that (aim {AIM_GROWTH}); peaks", end=" ")
    print(" and ".join(f"{c.peak_mb:.0f}" for c in costs), f"MB (aim {AIM_SITE_MB:.0f})")


def test_throughput(archive: tuple[Path, Path], tmp_path: Path) -> None:
    folder, register = archive
    n = len(list(folder.rglob("*.jpg")))
    pixels = sum(int(np.prod(cv2.imread(str(p)).shape[:2])) for p in folder.rglob("*.jpg")) / n / 1e6
    reading = imread_cpu_s(folder) / n
    one = audit_cost(folder, register, tmp_path / "a", 1, *PLAIN)
    again = audit_cost(folder, register, tmp_path / "a", 1, *PLAIN)
    two = audit_cost(folder, register, tmp_path / "b", 2, *PLAIN)
    drawn = audit_cost(folder, register, tmp_path / "c", 1)
    print(f"\n{n} photos of {pixels:.1f} Mpx; cv2.imread alone takes {reading:.3f} s of processor for each")
    for what, cost, aim in (
        ("one worker", one, AIM_PLAIN),
        ("with pictures, sheets", drawn, AIM_DRAWN),
        ("two workers", two, AIM_PLAIN),
    ):
        cpu = cost.cpu_s / n
        print(
            f"{what:22s} {cpu:.2f} s of processor a photo, {cost.wall_s / n:.2f} s by the clock: "
            f"{cpu / reading:.1f} times imread (aim {aim}); {3600.0 / cpu:.0f} photos a core-hour, "
            f"two million {2e6 * cpu / 3600.0:.0f} core-hours; peak of a process {cost.peak_mb:.0f} MB"
        )
    print(f"two workers are {one.wall_s / two.wall_s:.2f} times as fast as one (aim {AIM_TWO_WORKERS})")
    print(f"again, nothing changed: {again.wall_s:.1f} s in all, start of Python included")
    assert max(c.peak_mb for c in (one, two, drawn)) < AIM_WORKER_MB


def _large(path: str, queue: multiprocessing.Queue[float]) -> None:
    from photoaz.photo.metadata import read_record
    from photoaz.photo.pixels import Darkroom, Picture

    record = read_record(Path(path))
    picture = Picture(record.path, (record.width_px, record.height_px), Darkroom())
    picture.colour()
    picture.grey()
    queue.put(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0)


def test_memory_of_a_panorama(tmp_path: Path) -> None:
    coarse = np.random.default_rng(1).integers(0, 255, (700, 1430, 3), np.uint8)
    path = tmp_path / "panorama.jpg"
    cv2.imwrite(str(path), cv2.resize(coarse, (14300, 7000)))
    context = multiprocessing.get_context("spawn")
    queue: multiprocessing.Queue[float] = context.Queue()
    process = context.Process(target=_large, args=(str(path), queue))
    process.start()
    peak = queue.get(timeout=120)
    process.join()
    print(f"\n100 Mpx JPEG: colours reduced and luminance whole at a peak of {peak:.0f} MB")
    assert peak < AIM_WORKER_MB


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty store; of PostgreSQL where STORE_URL names one."""
    url = f"sqlite:///{tmp_path}/s.sqlite" if request.param == "sqlite" else os.environ.get("STORE_URL", "")
    if not url:
        pytest.skip("no PostgreSQL server in STORE_URL")
    opened = Store.open(url, f"benchmark-{time.time_ns()}")
    opened.begin_run({})
    yield opened
    opened.close()


def test_the_stores_part(store: Store) -> None:
    """10 000 photos of 2 500 sites: found new, kept, placed, their evidence and their sites' results kept."""
    n, of = 10_000, 4
    rng = np.random.default_rng(0)
    facts, evidence = rng.bytes(2_000), rng.bytes(5_000)
    ids = tuple(f"A{k}" for k in range(55))
    numbers = AzimuthCovariance(antenna_ids=ids, deg2=tuple(map(tuple, rng.normal(size=(55, 55)).tolist())))
    result = SiteResult(site_id="x", lat_deg=46.6, lon_deg=-66.4, azimuth_covariance=numbers)
    memory = store
    listed = [PhotoFile(f"photos/{k:06}.jpg", 3_000_000, "1") for k in range(n)]
    known: dict[str, Any] = {"version": __version__, "facts": facts}
    photos = [KeptPhoto(name=f.name, size=f.size, stamp=f.stamp, digest=f.name, **known) for f in listed]

    def timed(what: str, step: Callable[[], object]) -> float:
        start = time.perf_counter()
        step()
        ms = (time.perf_counter() - start) / n * 1000.0
        print(f"  {what:24s} {ms:.3f} ms a photo")
        return ms

    def keep() -> None:
        for photo in photos:
            store.keep_photo(photo)

    def remember() -> None:
        for photo in photos:
            for kind in ("panels", "verticals", "boxes", "sights", "boxes again"):
                memory.get(kind, photo.name)
                memory.put(kind, photo.name, evidence)

    def place() -> None:
        store.place(replace(p, site_id=f"S{k // of:05}", how="position") for k, p in enumerate(photos))

    def keep_sites() -> None:
        for k in range(n // of):
            store.photos(site_id=f"S{k:05}")
            store.confirm_site(f"S{k:05}", "other")
            done: dict[str, Any] = {"result": result, "failures": (), "used": of, "flagged": 0, "loss_avoided": 0.0}
            store.keep_site(KeptSite(site_id=f"S{k:05}", key="k", **done))

    print(f"\n{store.engine.dialect.name}:")
    total = timed("which are new", lambda: store.unread(listed))
    total += timed("facts kept", keep)
    total += timed("places noted", place)
    total += timed("evidence, five values", remember)
    total += timed("sites, a quarter each", keep_sites)
    total += timed("read again at the end", lambda: sum(1 for _ in store.sites()))
    again = timed("which are new, again", lambda: store.unread(listed))
    print(f"  in all {total:.2f} ms a photo (aim {AIM_STORE_MS}); {again:.3f} ms where nothing changed")
    assert store.unread(listed) == []
