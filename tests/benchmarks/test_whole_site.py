"""Rendered sites solved without picks: azimuths, ways to fit, compasses, readings and their causes against the truth.

Cases and how to choose them: conftest.py. 'landmarks' gives those whose top is
seen, off by 1 px and 1.7 m per axis.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from photoaz.angles import wrap_deg
from photoaz.estimate.inputs import site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.judgement.judge import judge_site
from photoaz.register.load import load_register, require_sites
from photoaz.register.model import Control

pytestmark = pytest.mark.benchmark

CAUSES = {
    "declination_not_applied": "declination_omitted",
    "sectors_swapped": "sectors_swapped",
    "plain_offset": "reading_wrong",
    "flip_180": "reversed_180",
}
#: readings off by more than this are wrong, those off by less than three are right, deg
WRONG_DEG, RIGHT_DEG = 8.0, 3.0


@dataclass(slots=True)
class Tally:
    """What came out over all cases: (error, u95, measurable, a landmark at the site) and counts."""

    azimuths: list[tuple[float, float, bool, bool]] = field(default_factory=list)
    ways: list[tuple[float, bool]] = field(default_factory=list)
    compasses: Counter[tuple[bool, bool]] = field(default_factory=Counter)
    readings: Counter[tuple[str, bool]] = field(default_factory=Counter)
    causes: Counter[tuple[str, str]] = field(default_factory=Counter)
    turned: Counter[bool] = field(default_factory=Counter)


def controls_of(truth: dict[str, Any], mode: str) -> list[Control]:
    if mode == "heading":
        return [
            Control(photo=p["file"], kind="heading", u95=0.2, azimuth_true_deg=p["heading_deg"] % 360.0)
            for p in truth["photos"]
        ]
    if mode != "landmarks":
        return []
    rng = np.random.default_rng(truth["case_no"])
    place = {x["name"]: x for x in truth["landmarks"]}
    out = []
    for p in truth["photos"]:
        for seen in (s for s in p["landmarks"] if s["top_visible"]):
            x, y = np.array(seen["top_px"]) + rng.normal(0, 1.0, 2)
            at = place[seen["name"]]
            north, east = rng.normal(0, 1.7, 2) / 111_320
            lat, lon = at["lat_deg"] + north, at["lon_deg"] + east / np.cos(np.radians(at["lat_deg"]))
            out.append(
                Control(
                    photo=p["file"], kind="landmark", name=seen["name"], u95=5.0, pixel=(x, y), lat_deg=lat, lon_deg=lon
                )
            )
    return out


def wide_px(panel: dict[str, Any]) -> float:
    corners = np.array(panel["corners_px"])
    axis = corners[[0, 1, 4, 5]].mean(0) - corners[[2, 3, 6, 7]].mean(0)
    return float(np.ptp(corners @ np.array([-axis[1], axis[0]]) / np.hypot(*axis)))


def measurable(panels: list[dict[str, Any]]) -> bool:
    return any(
        q["all_corners_inside"]
        and q["body_visible_fraction"] >= 0.7
        and q["front_visible_fraction"] >= 0.5
        and wide_px(q) >= 20.0
        for q in panels
    )


def add(case: Path, mode: str, tally: Tally) -> None:
    truth = json.loads((case / "truth.json").read_text())
    site = require_sites(load_register(case / "register.csv"))[0]
    controls = controls_of(truth, mode)
    given = site_inputs(site, [case / p["file"] for p in truth["photos"]], controls=controls, controls_dir=case)
    solution = solve_site(given).result()
    days = [p.taken for p in solution.photos if p.taken is not None]
    days_of = {a.antenna_id: days[0] for a in solution.antennas} if days else {}
    judged = judge_site(site, solution, days_of).antennas
    said = {Path(p.photo).name: p for p in solution.photos}
    if len(truth["photos"]) > 1:
        for p in truth["photos"]:
            named = any("compass disturbed" in f for f in said[p["file"]].flags)
            tally.compasses[bool(p["exif"]["heading_gross"]), named] += 1
    planted = {r["antenna_id"]: r for r in truth["readings"]}
    found = {a.antenna_id: a for a in solution.antennas}
    for antenna in truth["antennas"]:
        name = antenna["antenna_id"]
        answer = found[name]
        if answer.azimuth_true_deg is None or answer.u95_deg is None:
            continue
        panels = [q for p in truth["photos"] for q in p["panels"] if q["antenna_id"] == name]
        error = abs(float(wrap_deg(answer.azimuth_true_deg - antenna["azimuth_deg"])))
        tally.azimuths.append((error, answer.u95_deg, measurable(panels), bool(controls)))
        if answer.alternatives:
            others = [abs(float(wrap_deg(o.azimuth_true_deg - antenna["azimuth_deg"]))) for o in answer.alternatives]
            tally.ways.append((1.0 - sum(o.probability for o in answer.alternatives), error <= min(others)))
        reading = judged[name].reading
        if abs(antenna["planted_azimuth_error_deg"]) > 10.0:
            tally.turned[judged[name].revisit or judged[name].design.decision == "reject"] += 1
        if reading is None:
            continue
        off = abs(float(wrap_deg(planted[name]["reading_true_equivalent_deg"] - antenna["azimuth_deg"])))
        kind = "wrong" if off > WRONG_DEG else "right" if off < RIGHT_DEG else "between"
        tally.readings[kind, reading.agrees is False] += 1
        if kind == "wrong" and reading.agrees is False:
            want = CAUSES.get(planted[name]["fault"] or "", "none planted")
            tally.causes[want, reading.likely_cause or "null"] += 1


def azimuths(name: str, rows: list[tuple[float, float, bool, bool]]) -> None:
    if rows:
        error, u95 = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
        blunders = int(((error > 10.0) & (error > u95)).sum())
        print(
            f"{name:>24} {len(rows):4d} {np.median(error):7.2f} {np.percentile(error, 95):7.2f} {error.max():7.2f}"
            f" {np.median(u95):7.2f} {np.mean(error <= u95):9.3f} {blunders:9d}"
        )


@pytest.mark.parametrize("mode", ["heading", "landmarks", "meta"])
def test_whole_sites_without_picks(mode: str, cases: list[Path]) -> None:
    tally = Tally()
    for case in cases:
        add(case, mode, tally)
    print(f"\n{mode}\n{'':>24}    n  median     p95     max     u95  coverage  off > 10 and outside (degrees)")
    azimuths("all", tally.azimuths)
    azimuths("measurable", [a for a in tally.azimuths if a[2]])
    if mode == "landmarks":
        azimuths("site with a landmark", [a for a in tally.azimuths if a[3]])
        azimuths("... measurable", [a for a in tally.azimuths if a[3] and a[2]])
    c = tally.compasses
    print(
        "compasses of sites with two photos or more: disturbed"
        f" {c[True, True]} of {c[True, True] + c[True, False]} named,"
    )
    print(f"  fine {c[False, True]} of {c[False, True] + c[False, False]} accused")
    print("antennas that fit in more than one way: said of the one told, n, share that is right")
    for low, high in ((0.0, 0.65), (0.65, 0.9), (0.9, 1.0)):
        some = [w for w in tally.ways if low <= w[0] < high]
        if some:
            print(f"  {np.mean([w[0] for w in some]):.2f} {len(some):4d} {np.mean([w[1] for w in some]):.2f}")
    r = tally.readings
    print(
        f"readings off by more than {WRONG_DEG:.0f} deg flagged:"
        f" {r['wrong', True]} of {r['wrong', True] + r['wrong', False]};",
        end=" ",
    )
    print(f"off by less than {RIGHT_DEG:.0f}: {r['right', True]} of {r['right', True] + r['right', False]}")
    print(f"turned by more than 10 deg, on the list or rejected: {tally.turned[True]} of {tally.turned.total()}")
    print("causes of those flagged: planted, named, how many")
    for (want, got), n in sorted(tally.causes.items()):
        print(f"  {want:>22} {got:>22} {n:4d}")
    error, u95 = np.array([a[0] for a in tally.azimuths]), np.array([a[1] for a in tally.azimuths])
    # 95 % intervals; with some hundred antennas, a sample's coverage spreads by 0.02
    assert np.mean(error <= u95) >= 0.90
