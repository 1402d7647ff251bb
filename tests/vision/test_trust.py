"""How far outlines are believed: probabilities by their definition, and what every field engineer would expect."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from photoaz.memory import decoded, encoded
from photoaz.vision.evidence import BoxMode, Spread
from photoaz.vision.trust import (
    KINDS,
    MOST_MODES,
    OutlineTrust,
    Signs,
    believed,
    model,
    shares_right,
    terms,
    trust_of,
    turn_spreads,
    usual_p_right,
    wrong_of,
)
from photoaz.vision.turn import TurnDensity


def signs(**changes: float) -> Signs:
    """One mode of a clear panel of 40 px, its front a quarter turned away."""
    plain = {
        "cost": 20.0, "quality": 0.8, "width_px": 40.0, "blur_px": 0.9, "sigma_rad": np.radians(1.5), "yaw_rad": 0.4,
        "elevation_rad": 0.6, "front": 1.0, "rear": 0.0, "wall": 1.0, "size_cost": 1.0, "common_off": 0.0,
        "tilt_off": 0.3, "roll_off": 0.3, "side_cost": 0.5, "moved_x": 0.05, "moved_y": 0.1, "wider": 0.0,
        "probability": 0.95, "sure": 0.98, "visible": 0.9, "by_structure": 0.0, "by_panel": 0.0, "by_frame": 0.0,
        "turn": 2.5, "turn_most": 2.8,
        "explained": 1.5, "two_faces": 0.1, "face": 0.95, "side": 0.95, "beyond_across": 0.1, "beyond_along": 0.1,
        "edge_least": 1.8, "edge_most": 2.2, "edge_top": 1.8, "edge_bottom": 1.8,
        "edge_inner": 1.2, "unexplained": 0.4, "unexplained_at": 0.3, "inner_at": 0.8, "outside": 0.5,
    }  # fmt: skip
    return Signs(**{k: np.array([v]) for k, v in (plain | changes).items()})


def mode(turn_rad: float) -> BoxMode:
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return BoxMode(
        rotation=np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]]),
        centre_px=np.zeros(2), ln_size=np.zeros(3), root=np.eye(8), offset=np.ones(8), cost=1.0, quality=0.9,
        width_px=40.0, corners_px=np.zeros((8, 2)), outline_px=np.zeros((4, 2)), inner_px=(), front_visible=True,
        rear_visible=False, has_wall=True, shape=np.zeros(2),
    )  # fmt: skip


def p_right(kind: str, **changes: float) -> float:
    return float(shares_right(np.array([t.score for t in trust_of(signs(**changes), kind)])).sum())


def score(kind: str, **changes: float) -> float:
    return trust_of(signs(**changes), kind)[0].score


def test_shares_are_those_of_a_conditional_logit() -> None:
    """McFadden (1974): exp(score) over the sum of all, the outside option's score zero."""
    score = np.array([2.0, -1.0, 0.5])
    np.testing.assert_allclose(shares_right(score), np.exp(score) / (1.0 + np.exp(score).sum()), rtol=1e-12)
    assert shares_right(np.array([800.0, 790.0])).sum() == pytest.approx(1.0)
    assert shares_right(np.array([-800.0])).sum() == pytest.approx(0.0)


@pytest.mark.parametrize("kind", KINDS)
def test_the_model_has_a_finite_number_for_every_term(kind: str) -> None:
    right, wide = terms(signs(), kind)
    assert set(model()[kind]["right"]) == set(right)
    assert set(model()[kind]["widened"]) == set(wide)
    assert all(np.isfinite(v) for part in ("right", "widened", "wrong") for v in model()[kind][part].values())


def test_what_speaks_against_an_outline() -> None:
    """Common practice, no source: a worse fit, another size, a place off the finder's, the profile view."""
    assert p_right("found") > 0.85
    for worse in (
        {"cost": 45.0},
        {"size_cost": 25.0},
        {"moved_x": 0.5},
        {"side_cost": 9.0},
        {"yaw_rad": 1.57, "front": 0.0, "wall": 0.0},
        {"quality": 0.4, "cost": 40.0},
        {"edge_top": 0.3, "edge_bottom": 0.3},
    ):
        assert score("found", **worse) < score("found") - 0.4, worse
    assert score("picked", cost=45.0) < score("picked") - 1.0


def test_a_picked_outline_is_less_often_wrong_than_a_found_one() -> None:
    assert model()["picked"]["usual"]["p_right"] > usual_p_right() > 0.5


def test_the_wrong_ones_shares_leave_a_rest() -> None:
    wrong = wrong_of(model()["found"]["wrong"], float(np.radians(2.0)))
    assert 0.0 < sum(w.share for w in wrong) < 1.0
    assert all(np.radians(1) < w.sigma_rad < np.radians(90) for w in wrong)


def test_a_wrong_outlines_azimuth_is_where_the_panel_was_seen_turned() -> None:
    """Most of what is left lies about the turn that was seen, off the outline's by the difference."""
    density = TurnDensity(np.log(np.maximum(72 * np.exp(-0.5 * ((np.arange(72) - 40) / 1.2) ** 2), 1e-6)))
    yaw = np.radians(-30.0)
    plain = wrong_of(model()["found"]["wrong"], float(np.radians(2.0)))
    told = wrong_of(model()["found"]["wrong"], float(np.radians(2.0)), turn_spreads(density, yaw))
    most = max(told, key=lambda w: w.share)
    assert most.share > 0.5
    assert np.degrees(most.off_rad) == pytest.approx(20.0 + 30.0, abs=0.5)  # the bin 40 of 72 stands at 20 degrees
    assert np.degrees(most.sigma_rad) == pytest.approx(6.2, abs=0.5)
    assert sum(w.share for w in told) == pytest.approx(sum(w.share for w in plain), abs=0.2)
    assert {w.off_rad for w in plain} == {0.0}


def test_modes_are_kept_by_their_probability_and_widened_by_their_factor() -> None:
    modes = [mode(t) for t in (0.0, 0.02, 0.5, 1.0, 1.5, 2.0)]
    trust = [OutlineTrust(score=s, widened=2.0, wrong=(Spread(0.5, 0.2),)) for s in (1.0, 2.0, 0.0, -1.0, -2.0, -3.0)]
    kept = believed(modes, trust, 0.01)
    assert len(kept) == MOST_MODES
    assert [m.cost for m in kept] == [-4.0, 0.0, 2.0, 4.0]  # the first is the second one's neighbour, and less probable
    np.testing.assert_allclose(kept[0].root, 0.5 * np.eye(8))
    np.testing.assert_allclose(kept[0].offset, 0.5)
    expected = np.exp([2.0, 0.0, -1.0, -2.0]).sum()
    assert all(m.p_right == pytest.approx(0.99 * expected / (1.0 + expected)) for m in kept)
    assert believed([], [], 0.01) == ()


def test_a_mode_goes_through_memory_and_an_older_one_is_taken_as_right() -> None:
    one = replace(mode(0.3), p_right=0.7, wrong=(Spread(0.4, 0.2), Spread(0.5, 0.5, -0.3)))
    again = decoded(encoded((one,)), tuple[BoxMode, ...])[0]
    assert (again.p_right, again.wrong) == (0.7, one.wrong)
    assert mode(0.3).p_right == 1.0
    assert {f.name for f in fields(BoxMode)} >= {"p_right", "wrong"}
