"""Rendered sites with exact truth: azimuth errors, stated uncertainties and how the two go together.

Every panel that shows its front is picked by rough corners, 3 px off. Cases and how to choose them: conftest.py.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from photoaz.angles import wrap_deg
from photoaz.estimate.inputs import site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.register.load import load_register, require_sites
from photoaz.register.model import Control, Pick

pytestmark = pytest.mark.benchmark

#: of a panel across its long axis in its widest view, px
WIDTHS_PX = ((40.0, np.inf), (20.0, 40.0), (12.0, 20.0), (0.0, 12.0))
CORNER_PX = 3.0
HEADING_U95_DEG = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One antenna's azimuth against its truth."""

    case: str
    antenna: str
    width_px: float
    error_deg: float
    u95_deg: float
    measurable: bool


def width_across(panel: dict[str, Any]) -> float:
    """Extent of the box's eight corners across its long axis, px."""
    corners = np.array(panel["corners_px"])
    axis = corners[[0, 1, 4, 5]].mean(0) - corners[[2, 3, 6, 7]].mean(0)
    return float(np.ptp(corners @ np.array([-axis[1], axis[0]]) / np.hypot(*axis)))


def picks_of(truth: dict[str, Any], rng: np.random.Generator) -> list[Pick]:
    """Rough corners of every front that somebody could pick."""
    out = []
    for photo in truth["photos"]:
        for panel in photo["panels"]:
            seen = panel["front_visible_fraction"] >= 0.7 and panel["all_corners_inside"]
            if seen and width_across(panel) >= 12.0:
                # the truth orders the front's corners as seen from behind
                rough = np.array(panel["corners_px"])[[1, 0, 3, 2]] + rng.normal(0, CORNER_PX, (4, 2)).clip(-6, 6)
                corners = tuple((float(x), float(y)) for x, y in rough)
                out.append(Pick(photo=photo["file"], antenna_id=panel["antenna_id"], corners_px=corners))
    return out


def is_measurable(panel: dict[str, Any]) -> bool:
    """A careful person could measure it."""
    return bool(
        panel["all_corners_inside"]
        and panel["body_visible_fraction"] >= 0.7
        and panel["front_visible_fraction"] >= 0.5
        and width_across(panel) >= 20.0
    )


def answers_of(case: Path, *, heading_known: bool) -> list[Answer]:
    truth = json.loads((case / "truth.json").read_text())
    controls = [
        Control(photo=p["file"], kind="heading", u95=HEADING_U95_DEG, azimuth_true_deg=p["heading_deg"] % 360.0)
        for p in truth["photos"]
        if heading_known
    ]
    site = require_sites(load_register(case / "register.csv"))[0]
    picks = picks_of(truth, np.random.default_rng(truth["case_no"]))
    given = site_inputs(site, [case / p["file"] for p in truth["photos"]], controls=controls, picks=picks)
    solution = solve_site(given).result()
    found = {a.antenna_id: a for a in solution.antennas}
    out = []
    for antenna in truth["antennas"]:
        panels = [q for p in truth["photos"] for q in p["panels"] if q["antenna_id"] == antenna["antenna_id"]]
        answer = found[antenna["antenna_id"]]
        if answer.azimuth_true_deg is not None and answer.u95_deg is not None:
            out.append(
                Answer(
                    case=case.name,
                    antenna=antenna["antenna_id"],
                    width_px=max(width_across(p) for p in panels),
                    error_deg=float(wrap_deg(answer.azimuth_true_deg - antenna["azimuth_deg"])),
                    u95_deg=answer.u95_deg,
                    measurable=any(is_measurable(p) for p in panels),
                )
            )
    return out


def row(name: str, answers: Sequence[Answer]) -> str:
    if not answers:
        return f"{name:>12} {0:4d}"
    error = np.abs([a.error_deg for a in answers])
    u95 = np.array([a.u95_deg for a in answers])
    blunders = int(((error > 10.0) & (error > u95)).sum())
    return (
        f"{name:>12} {len(answers):4d} {np.median(error):7.2f} {np.percentile(error, 95):7.2f} {error.max():7.2f}"
        f" {np.median(u95):7.2f} {np.mean(error <= u95):9.3f} {blunders:9d}"
    )


def table(mode: str, answers: Sequence[Answer]) -> None:
    print(f"\n{mode}\n       width    n  median     p95     max     u95  coverage  blunders   (degrees)")
    print(row("all", answers))
    print(row("measurable", [a for a in answers if a.measurable]))
    for low, high in WIDTHS_PX:
        name = f">= {low:.0f} px" if np.isinf(high) else f"{low:.0f} to {high:.0f} px"
        print(row(name, [a for a in answers if low <= a.width_px < high]))
    for a in sorted(answers, key=lambda a: -abs(a.error_deg) / a.u95_deg)[:5]:
        ratio = abs(a.error_deg) / a.u95_deg
        print(f"  {a.case} {a.antenna}: {a.width_px:.0f} px, {a.error_deg:+.2f} +- {a.u95_deg:.2f} ({ratio:.1f} u95)")


@pytest.mark.parametrize("mode", ["heading", "meta"])
def test_azimuths_of_rendered_sites(mode: str, cases: list[Path]) -> None:
    """heading: the camera's true heading is a control. meta: nothing but what the photos' metadata say."""
    answers = [a for case in cases for a in answers_of(case, heading_known=mode == "heading")]
    assert answers
    table(mode, answers)
    error = np.abs([a.error_deg for a in answers])
    u95 = np.array([a.u95_deg for a in answers])
    assert (error <= 3 * u95).all()
    if mode == "heading":
        # 95 % intervals; with some ninety antennas, a sample's coverage spreads by 0.023
        assert 0.90 <= np.mean(error <= u95) <= 1.0
        assert np.median(error[[a.width_px >= 40.0 for a in answers]]) <= 0.5  # degrees
