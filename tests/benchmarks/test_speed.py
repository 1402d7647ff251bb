"""Time of 12-megapixel photos, from metadata to azimuth, against cv2.imread of the same photo in the same process.

One antenna at a time on the sample site's photos: that needs nothing from outside. All picked antennas of a photo at
once on the rendered sites (conftest.py). Figures are printed: run with -s or -rP.
"""

from __future__ import annotations

import cProfile
import json
import pstats
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from photoaz.estimate.inputs import site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.register.load import load_controls, load_picks, load_register, require_sites
from photoaz.register.model import Control, Pick
from photoaz.result import SiteResult
from photoaz.sample import sample_dir
from photoaz.vision import measure

pytestmark = pytest.mark.benchmark

REPEATS = 5
#: functions whose time, with all that they call, is shown: file's end, name, what it is
PARTS = (
    ("photo/metadata.py", "read_record", "metadata"),
    ("photo/pixels.py", "decode_gray", "decoding"),
    ("vision/measure.py", "measure_boxes", "measuring"),
    ("vision/measure.py", "measure_boxes_again", "measuring again"),
    ("network/solution.py", "solve_network", "adjusting, twice"),
    ("geodesy/norths.py", "declination", "declination"),
)
#: parts of the measuring
WITHIN = (
    ("vision/starts.py", "starts_from_corners", "starts"),
    ("vision/fit.py", "capture", "capture"),
    ("vision/fit.py", "settle", "settling"),
    ("vision/outline.py", "sample_edges", "  samples of edges"),
    ("vision/box.py", "_derivative", "  derivative of the body"),
    ("vision/profile_fit.py", "measure_offsets", "  profiles"),
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
    pick = next(p for p in load_picks(folder / "picks_by_hand.csv") if p.photo == photo.name and p.corners_px)
    image = cv2.imread(str(photo))
    assert image is not None
    assert image.shape[0] * image.shape[1] > 12e6

    def work() -> SiteResult:
        given = site_inputs(site, [photo], controls=controls, picks=[pick], antenna_ids=frozenset([pick.antenna_id]))
        return solve_site(given).result()

    read_s = median_s(lambda: cv2.imread(str(photo)))
    whole_s = median_s(work)
    print(f"\n{photo.name}, {pick.antenna_id}: cv2.imread {1e3 * read_s:.0f} ms, all {1e3 * whole_s:.0f} ms,", end=" ")
    print(f"ratio {whole_s / read_s:.2f} (aim 2)")
    for label, (seconds, calls) in split(work, whole_s).items():
        print(f"  {label:24s} {1e3 * seconds:6.1f} ms  {calls:4d} calls")
    assert [a.status for a in work().antennas] == ["estimated"]  # what was timed is the real thing


#: standard deviation of a picked corner, px, as in the benchmark of azimuths
CORNER_PX = 3.0
#: a panel that somebody could pick: its width at least, px, and how much of its front shows
PICKED_PX, PICKED_SHARE = 12.0, 0.7


def rough_picks(photo: dict[str, Any], rng: np.random.Generator) -> list[Pick]:
    out = []
    for panel in photo["panels"]:
        corners = np.array(panel["corners_px"])
        wide = np.hypot(*(corners[0] - corners[1]))
        if panel["front_visible_fraction"] >= PICKED_SHARE and panel["all_corners_inside"] and wide >= PICKED_PX:
            # the truth orders the front's corners as seen from behind
            rough = corners[[1, 0, 3, 2]] + rng.normal(0, CORNER_PX, (4, 2)).clip(-6, 6)
            given = tuple((float(x), float(y)) for x, y in rough)
            out.append(Pick(photo=photo["file"], antenna_id=panel["antenna_id"], corners_px=given))
    return out


def shortest_s(work: Callable[[], object], spent: Callable[[], float]) -> float:
    """Of three runs: what else the machine does only ever adds."""
    times = []
    for _ in range(3):
        start = spent()
        work()
        times.append(spent() - start)
    return min(times)


def test_all_antennas_of_a_photo(monkeypatch: pytest.MonkeyPatch, cases: list[Path]) -> None:
    """Measuring twice, before and after the first adjustment, and the whole way to the azimuths."""
    clock = {"measuring": 0.0}
    for name in ("cut_patch", "_measured"):
        plain = getattr(measure, name)

        def timed(*args: Any, plain: Callable[..., Any] = plain) -> Any:
            start = time.perf_counter()
            out = plain(*args)
            clock["measuring"] += time.perf_counter() - start
            return out

        monkeypatch.setattr(measure, name, timed)
    rows = []
    for case in cases:
        truth = json.loads((case / "truth.json").read_text())
        site = require_sites(load_register(case / "register.csv"))[0]
        for photo in truth["photos"]:
            picks = rough_picks(photo, np.random.default_rng(truth["case_no"]))
            if not picks:
                continue
            path = case / photo["file"]
            heading = Control(photo=path.name, kind="heading", u95=0.2, azimuth_true_deg=photo["heading_deg"] % 360.0)

            def work(site: Any = site, path: Path = path, heading: Control = heading, picks: Any = picks) -> None:
                asked = frozenset(p.antenna_id for p in picks)
                solve_site(site_inputs(site, [path], controls=[heading], picks=picks, antenna_ids=asked)).result()

            read_s = shortest_s(lambda path=path: cv2.imread(str(path)), time.perf_counter)  # type: ignore[misc]
            fit_s = shortest_s(work, lambda: clock["measuring"])
            whole_s = shortest_s(work, time.perf_counter)
            rows.append((len(picks), 1e3 * read_s, 1e3 * fit_s, fit_s / read_s, whole_s / read_s))
    table = np.array(rows)
    print("\nmedians  photos  antennas  imread ms  measuring ms  an antenna ms  measuring/imread  all/imread")
    for name, at in (("all", table[:, 0] > 0), (">= 4", table[:, 0] >= 4)):
        n, read, fit, ratio, whole = np.median(table[at], 0)
        each = np.median(table[at, 2] / table[at, 0])
        print(f"{name:7} {at.sum():7d} {n:9.0f} {read:10.0f} {fit:13.0f} {each:14.0f} {ratio:17.2f} {whole:11.2f}")
    assert (table[:, 2] > 0).all()  # what was timed is the real thing
