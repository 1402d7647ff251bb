"""Time of one antenna in one 12-megapixel photo, from metadata to azimuth, against cv2.imread of the same photo.

On the sample site's photos: it needs nothing from outside. Figures are printed: run with -s or -rP.
"""

from __future__ import annotations

import cProfile
import pstats
import statistics
import time
from collections.abc import Callable

import cv2
import pytest

from photoaz.register.load import load_controls, load_picks, load_register, require_sites
from photoaz.sample import sample_dir
from photoaz.solution import SiteSolution
from photoaz.solve import solve_site

pytestmark = pytest.mark.benchmark

REPEATS = 5
#: functions whose time, with all that they call, is shown: file's end, name, what it is
PARTS = (
    ("photo/metadata.py", "read_record", "metadata"),
    ("photo/pixels.py", "decode_gray", "decoding"),
    ("vision/measure.py", "measure_box", "measuring"),
    ("vision/measure.py", "measure_again", "measuring again"),
    ("network/choose.py", "choose_and_adjust", "adjusting, twice"),
    ("geodesy/norths.py", "declination", "declination"),
)
#: parts of the measuring
WITHIN = (
    ("vision/fit.py", "start_from_corners", "starts"),
    ("vision/fit.py", "capture", "capture"),
    ("vision/fit.py", "settle", "settling"),
    ("vision/outline.py", "sample_edges", "  samples of edges"),
    ("vision/fit.py", "body_derivative", "  derivative of the body"),
    ("vision/profiles.py", "measure_offsets", "  profiles"),
    ("vision/profiles.py", "nearest_strong_edge", "  nearest edges"),
)


def median_s(work: Callable[[], object]) -> float:
    work()
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def split(work: Callable[[], object], whole_s: float) -> dict[str, tuple[float, int]]:
    """Seconds and calls of each part, as cProfile sees them, scaled to the time without it."""
    profile = cProfile.Profile()
    profile.runcall(work)
    stats = pstats.Stats(profile)
    scale = whole_s / stats.total_tt  # type: ignore[attr-defined]
    out = {}
    for end, name, label in (*PARTS, *WITHIN):
        rows = [v for k, v in stats.stats.items() if k[0].endswith(end) and k[2] == name]  # type: ignore[attr-defined]
        out[label] = (scale * sum(v[3] for v in rows), sum(v[1] for v in rows))
    return out


@pytest.mark.parametrize("number", [3, 4, 7])
def test_one_antenna_in_one_photo(number: int) -> None:
    folder = sample_dir()
    photo = folder / f"qlb014_{number}.jpg"
    site = require_sites(load_register(folder / "register.csv"))[0]
    controls = load_controls(folder / "controls.csv")
    pick = next(p for p in load_picks(folder / "picks.csv") if p.photo == photo.name and p.corners_px)
    image = cv2.imread(str(photo))
    assert image is not None
    assert image.shape[0] * image.shape[1] > 12e6

    def work() -> SiteSolution:
        return solve_site(site, [photo], controls=controls, picks=[pick], antenna_ids=[pick.antenna_id])

    read_s = median_s(lambda: cv2.imread(str(photo)))
    whole_s = median_s(work)
    print(f"\n{photo.name}, {pick.antenna_id}: cv2.imread {1e3 * read_s:.0f} ms, all {1e3 * whole_s:.0f} ms,", end=" ")
    print(f"ratio {whole_s / read_s:.2f} (aim 2)")
    for label, (seconds, calls) in split(work, whole_s).items():
        print(f"  {label:24s} {1e3 * seconds:6.1f} ms  {calls:4d} calls")
    assert [a.status for a in work().antennas] == ["estimated"]  # what was timed is the real thing
