"""Outlines drawn from their own information: their residuals at the truth, and false ways that undo themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from photoaz.accuracy import outlines, views
from photoaz.angles import wrap_deg
from photoaz.network.observations import box_quantities
from photoaz.network.site import azimuth_of_mode
from photoaz.photo.camera import gibbs
from photoaz.planning.equipment import Equipment
from photoaz.planning.foreseen import aimed, foreseen_photo, scene_of_site
from photoaz.register.model import Antenna, Site

RAD, PX = 1e-9, 1e-6


@pytest.fixture(scope="module")
def seen():
    """A photo of one antenna, oblique, and the truth of its twenty unknowns."""
    row = Antenna(
        antenna_id="A1", rad_center_m=30.0, design_azimuth_deg=40.0, width_m=0.3, height_m=2.0, depth_m=0.12,
        design_downtilt_deg=3.0,
    )  # fmt: skip
    scene = scene_of_site(Site(site_id="S", lat_deg=47.0, lon_deg=8.0, antennas=(row,)))
    stand = aimed("p", scene, np.array([50.0, 10.0]), Equipment(), 77.0)
    photo = foreseen_photo(scene, stand)
    a = scene.antennas[0]
    own = [scene.azimuth_rad["A1"], a.downtilt_rad, 0.0]
    truth = np.concatenate([stand.attitude_rad, stand.enu_m, np.zeros(3), own, scene.places_m["A1"], a.ln_size, [0, 0]])
    return photo, truth, photo.boxes["A1"][0]


def residual_at(camera, truth, mode):
    """Whitened residuals (m,) of a mode at the truth, as the network has them."""
    rot, px, ln_size = box_quantities(camera, truth)
    d = np.concatenate([gibbs(rot @ mode.rotation.T), px - mode.centre_px, ln_size - mode.ln_size])
    return mode.root @ d - mode.offset


@pytest.mark.parametrize("seed", range(3))
def test_rotation_of_a_gibbs_vector(seed):
    """SciPy's rotation by the angle of which the Gibbs vector is twice the tangent of the half."""
    d = np.random.default_rng(seed).normal(0, 0.7, 3)
    angle = 2.0 * np.arctan(0.5 * np.linalg.norm(d))
    want = Rotation.from_rotvec(d / np.linalg.norm(d) * angle).as_matrix()
    assert views.rotation_of_gibbs(d) == pytest.approx(want, abs=RAD)
    assert gibbs(views.rotation_of_gibbs(d)) == pytest.approx(d, abs=RAD)


def test_residuals_at_the_truth_are_standard_normal(seen):
    photo, truth, mode = seen
    rng = np.random.default_rng(5)
    got = np.stack(
        [residual_at(photo.camera, truth, views.measured(photo.camera, truth, mode, rng)) for _ in range(400)]
    )
    assert stats.kstest(got.ravel(), "norm").pvalue > 1e-3
    off = np.corrcoef(got.T) - np.eye(got.shape[1])
    assert np.abs(off).max() < stats.norm.isf(1e-5) / np.sqrt(len(got))


def test_a_mirrored_way_undoes_itself(seen):
    photo, truth, mode = seen
    rng = np.random.default_rng(1)
    once = views._false(photo.camera, truth, mode, "mirrored", rng)
    twice = views._false(photo.camera, truth, once, "mirrored", rng)
    assert twice.rotation == pytest.approx(mode.rotation, abs=RAD)
    assert twice.root == pytest.approx(mode.root, rel=1e-9, abs=1e-6)
    assert np.linalg.det(once.rotation) == pytest.approx(1.0, abs=RAD)


def test_mirrored_in_the_sight(seen):
    """The mirrored normal lies as far off the bearing to the camera, on the other side."""
    photo, truth, mode = seen
    to_camera = np.arctan2(*(truth[3:5] - truth[12:14]))
    own = azimuth_of_mode(photo, mode)
    other = azimuth_of_mode(photo, views._false(photo.camera, truth, mode, "mirrored", np.random.default_rng(1)))
    assert wrap_deg(np.degrees(other - (2.0 * to_camera - own))) == pytest.approx(0.0, abs=0.1)


def test_costs_mean_what_they_say(seen):
    """Of two ways whose costs differ by c the true one costs less with the odds exp(c / 2)."""
    photo, truth, mode = seen
    rng = np.random.default_rng(8)
    cheaper, expected = [], []
    for _ in range(3000):
        two = views.ways(photo.camera, truth, mode, rng)
        if len(two) == 2:
            gap = two[1].cost - two[0].cost
            expected.append(1.0 / (1.0 + np.exp(-0.5 * gap)))
            cheaper.append(bool(np.allclose(two[0].rotation, mode.rotation)))
    assert stats.binomtest(len(cheaper), 3000, views.SECOND_WAY).pvalue > 1e-3
    p = np.array(expected)
    z = (np.sum(cheaper) - p.sum()) / np.sqrt((p * (1 - p)).sum())
    assert abs(z) < stats.norm.isf(5e-4)


def test_wrong_edges_are_as_sure_of_themselves(seen):
    photo, truth, mode = seen
    wrong = views.on_wrong_edges(photo.camera, truth, mode, 17.0, np.random.default_rng(2))
    assert (wrong.root == mode.root).all()
    turn = wrap_deg(np.degrees(azimuth_of_mode(photo, wrong) - azimuth_of_mode(photo, mode)))
    assert turn == pytest.approx(17.0, abs=1.0)
    assert np.linalg.norm(residual_at(photo.camera, truth, replace(wrong, offset=mode.offset))) > 3.0


def test_outlines_are_wrong_as_often_as_they_say(seen):
    """And one in twenty of the right ones more, where asked: a normal deviate of Bernoulli sums."""
    photo, truth, mode = seen
    for more in (0.0, 0.05):
        rng = np.random.default_rng(4)
        got = [outlines.believed(photo.camera, truth, mode, (0.03, 0.3), more, rng) for _ in range(3000)]
        p = np.array([modes[0].p_right for modes, _ in got]) * (1.0 - more)
        right = sum(off is None for _, off in got)
        z = (right - p.sum()) / np.sqrt((p * (1.0 - p)).sum())
        assert abs(z) < stats.norm.isf(5e-4)


def test_outlines_are_spread_as_in_training():
    """The tables' own mean of panels from in front, 24 to 40 px wide, is 0.737 (n 1254); quantiles lose a little."""
    rng = np.random.default_rng(6)
    p = [outlines.p_right_of(30.0, -0.2, rng) for _ in range(4000)]
    assert np.mean(p) == pytest.approx(0.737, abs=0.01)
    turns = [outlines.turn_of(0.9, 1.4, rng) for _ in range(4000)]
    assert np.degrees(np.median([t.sigma_rad for t in turns])) == pytest.approx(7.6, abs=0.2)
    assert np.median([abs(t.off_rad) / t.sigma_rad for t in turns]) == pytest.approx(0.46, abs=0.04)


def test_truth_of_a_wrong_outline_lies_about_the_turn_as_seen(seen):
    """And the turn lies as far off right outlines as off wrong ones that are believed as much (two-sided KS test)."""
    photo, truth, mode = seen
    rng = np.random.default_rng(9)
    apart = {True: [], False: []}
    error = []
    for _ in range(3000):
        drawn = views.measured(photo.camera, truth, mode, rng)
        modes, off = outlines.believed(photo.camera, truth, drawn, (0.03, 0.3), 0.0, rng)
        m, seen_as = modes[0], modes[0].wrong[-1]
        if off is not None:
            told = azimuth_of_mode(photo, m) + seen_as.off_rad
            error.append(abs(wrap_deg(np.degrees(told - truth[9]))) / np.degrees(seen_as.sigma_rad))
        if len(modes) == 1 and 0.5 < m.p_right < 0.8:
            apart[off is None].append(abs(seen_as.off_rad) / seen_as.sigma_rad)
    assert np.median(error) == pytest.approx(0.56, abs=0.06)
    assert stats.ks_2samp(apart[True], apart[False]).pvalue > 1e-3


@pytest.mark.parametrize(
    "table",
    [*(row for view in outlines.P_RIGHT for row in view), *outlines.SHARP_DEG, *outlines.APART, *outlines.WRONGLY_SEEN],
)
def test_quantiles_grow(table):
    assert len(table) == len(outlines.LEVELS)
    assert (np.diff(table) >= 0.0).all()
