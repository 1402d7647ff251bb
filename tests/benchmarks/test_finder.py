"""Panels found without picks, and their names, on rendered sites with exact truth; beside a search without learning.

Cases and how to choose them: conftest.py. Pictures of what was missed, boxed
where nothing is, or named wrongly go to the folder that PHOTOAZ_BENCHMARK_OUT names, else to a temporary one.
"""

from __future__ import annotations

import os
import statistics
import tempfile
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from .finder_outcomes import VIEWS, Array, Box, Outcome, Panel, outcome_of

pytestmark = pytest.mark.benchmark

WIDTHS_PX = ((12.0, 20.0), (20.0, 40.0), (40.0, 80.0), (80.0, 160.0), (160.0, np.inf))
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 1.001)
GOAL_FOUND, GOAL_NAMED, GOAL_FALSE, GOAL_TIME = 0.92, 0.95, 0.1, 6.0


def write_sheets(mode: str, tiles: dict[str, list[Array]]) -> None:
    folder = Path(os.environ.get("PHOTOAZ_BENCHMARK_OUT") or tempfile.mkdtemp(prefix="photoaz-finder-"))
    folder.mkdir(parents=True, exist_ok=True)
    for group, some in tiles.items():
        blank = np.full_like(some[0], 255)
        rows = [[*some[k : k + 4], *[blank] * (k + 4 - len(some))] for k in range(0, len(some), 4)]
        cv2.imwrite(str(folder / f"{mode}_{group}.png"), np.vstack([np.hstack(r) for r in rows]))
    print(f"pictures: {', '.join(sorted(tiles)) or 'none'} in {folder}")


def score_for(boxes: Iterable[Box], false: int) -> float:
    """Score from which the boxes hold at most so many false ones."""
    wrong = sorted((b.score for b in boxes if b.false), reverse=True)
    return -np.inf if len(wrong) <= false else float(np.nextafter(wrong[false], np.inf))


def percent(n: int, of: int) -> str:
    return f"{100 * n / of:5.1f}" if of else "    -"


def method_row(name: str, found: Callable[[Panel], bool], panels: Sequence[Panel], false: int, photos: int) -> str:
    shares = []
    for some in ([p for p in panels if p.counts], [p for p in panels if p.goal]):
        shares.append(percent(sum(found(p) for p in some), len(some)))
    return f"{name:>34} {shares[0]:>8} {shares[1]:>8} {false / photos:11.2f}"


def class_row(name: str, panels: Sequence[Panel], plain: Sequence[float]) -> str:
    n = len(panels)
    by_plain = [percent(sum(p.found_plainly(s) for p in panels), n) for s in plain]
    found = [p for p in panels if p.found]
    right = sum(p.right for p in found)
    wrong = sum(p.name is not None and not p.right for p in found)
    nameless, ambiguous = len(found) - right - wrong, sum(p.ambiguous for p in found)
    return (
        f"{name:>26} {n:4d} {by_plain[0]:>8} {by_plain[1]:>8} {percent(len(found), n):>8}"
        f" {percent(right, len(found)):>8} {wrong:6d} {nameless:8d} {percent(ambiguous, len(found)):>10}"
    )


def reliability(name: str, said: Sequence[tuple[float, bool]]) -> None:
    print(f"\n{name}: said, n, share that is so")
    for low, high in pairwise(BINS):
        some = [(p, r) for p, r in said if low <= p < high]
        if some:
            mean, so = np.mean([p for p, _ in some]), np.mean([r for _, r in some])
            print(f"  {low:4.2f} to {min(high, 1.0):4.2f}: {mean:5.2f} {len(some):4d} {so:5.2f}")


def goal_line(name: str, value: float, goal: float, *, most: bool = False) -> str:
    met = value <= goal if most else value >= goal
    return f"  {name}: {value:.3f} (goal {'<=' if most else '>='} {goal}): {'reached' if met else 'NOT reached'}"


def list_missed(panels: Iterable[Panel]) -> None:
    for p in panels:
        print(f"  {p.label} {p.view} ({p.width_px:.0f} px, {p.off_deg:.0f} deg): {p.why_missed}")


def tables(mode: str, out: Outcome) -> None:
    counted = [p for p in out.panels if p.counts]
    goal = [p for p in out.panels if p.goal]
    false = sum(b.false for b in out.boxes)
    levels = (score_for(out.plain, false), score_for(out.plain, out.photos))
    print(
        f"\n{mode}: {out.photos} photos, {len(counted)} panels that should be found, {len(goal)} of them in the goals"
    )
    print(f"{'found, per cent of':>34} {'all':>8} {'goals':>8} {'false/photo':>11}")
    for name, level in (
        ("edge pairs, as few false as finder", levels[0]),
        ("edge pairs, one false a photo", levels[1]),
        ("edge pairs, everything told", 0.0),
    ):
        wrong = sum(b.false and b.score >= level for b in out.plain)
        print(method_row(name, partial(Panel.found_plainly, least=level), out.panels, wrong, out.photos))
    for low in (0.0, 0.3, 0.5, 0.8):
        wrong = sum(b.false and b.score >= low for b in out.boxes)
        name = "finder, everything told" if low == 0 else f"finder, probability >= {low}"
        print(method_row(name, partial(Panel.found_surely, least=low), out.panels, wrong, out.photos))
    poor = sum(b.poor for b in out.boxes)
    print(f"  finder: boxes on a panel but badly or twice: {poor / out.photos:.2f} a photo;", end=" ")
    print(f"false boxes given an antenna's name: {out.named_false / out.photos:.2f} a photo")
    apart = [b for b in out.plain if b.apart]
    for false_each in (0.1, 0.3, 1.0):
        level = score_for(apart, int(false_each * out.photos))
        more = [b.panel for b in apart if b.score >= level and b.panel is not None]
        more = [p for p in more if p.counts and not p.found]
        print(
            f"  edge pairs where the finder has no box, {false_each} false a photo more: {len(more)} more found", end=""
        )
        print(f" ({sum(p.goal for p in more)} of the goals'): {', '.join(p.label for p in more)}")

    print(f"\n{'':26}    n    pairs  pairs@1    found    named  wrong  no name  ambiguous")
    print(class_row("goals", goal, levels))
    print(class_row("all", counted, levels))
    for low, high in WIDTHS_PX:
        name = f">= {low:.0f} px" if np.isinf(high) else f"{low:.0f} to {high:.0f} px"
        print(class_row(name, [p for p in counted if low <= p.width_px < high], levels))
    for view, least, most in VIEWS:
        print(class_row(view, [p for p in counted if least <= p.off_deg < most], levels))
    for key in ("kind", "mount", "sky"):
        for value in sorted({getattr(p, key) for p in counted}):
            print(class_row(value, [p for p in counted if getattr(p, key) == value], levels))
    print("  (found: per cent of n; named rightly and ambiguous: per cent of those found; wrong, no name: how many)")

    reliability("that a box is a panel", [(b.score, b.panel is not None) for b in out.boxes])
    reliability("that a name is right", out.names)

    read = statistics.median(out.read_s)
    print(f"\ncv2.imread {1e3 * read:.0f} ms a photo; times it:", end=" ")
    ratio = {k: sum(v) / sum(out.read_s) for k, v in (("finding", out.find_s), ("naming", out.name_s))}
    each = np.array(out.find_s) / np.array(out.read_s)
    slowest = ", ".join(f"{out.order[k]} {each[k]:.0f}" for k in np.argsort(-each)[:5])
    print(f"finding {ratio['finding']:.2f} (median {np.median(each):.2f}, most: {slowest}),")
    print(f"  naming {ratio['naming']:.2f},", end=" ")
    print(f"edge pairs {sum(out.plain_s) / sum(out.read_s):.2f}")

    found = [p for p in goal if p.found]
    print("\ngoals (panels >= 20 px, half of the front and 70 % of the body visible, all corners inside)")
    print(goal_line("found", len(found) / len(goal), GOAL_FOUND))
    print(goal_line("of those named rightly", sum(p.right for p in found) / max(len(found), 1), GOAL_NAMED))
    print(goal_line("false boxes a photo", false / out.photos, GOAL_FALSE, most=True))
    print(goal_line("finding and naming, times cv2.imread", sum(ratio.values()), GOAL_TIME, most=True))
    print("missed:")
    list_missed(p for p in goal if not p.found)
    print("missed beyond the goals:")
    list_missed(p for p in counted if not p.found and not p.goal)
    print("misnamed:")
    for p in counted:
        if p.found and not p.right:
            print(f"  {p.label} {p.view} ({p.width_px:.0f} px): {p.said}")
    print("falsely boxed:", ", ".join(f"{b.photo} p {b.score:.2f}" for b in out.boxes if b.false))


@pytest.mark.parametrize("mode", ["meta", "heading"])
def test_panels_of_rendered_sites(mode: str, cases: list[Path]) -> None:
    """meta: nothing but what the photos' metadata say. heading: the camera's true heading is a control."""
    out = outcome_of(mode, cases)
    assert out.photos
    tables(mode, out)
    write_sheets(mode, out.tiles)
    # the finder must beat the search without learning, at no more false boxes
    false = sum(b.false for b in out.boxes)
    level = score_for(out.plain, false)
    goal = [p for p in out.panels if p.goal]
    assert sum(p.found for p in goal) > sum(p.found_plainly(level) for p in goal)
