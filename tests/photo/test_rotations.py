"""Rotations of lines of sight against their definitions and scipy's rotations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from photoaz.photo.camera import gibbs, los_from_cam

ROUNDING = 1e-12


def unit_vectors(rng: np.random.Generator, count: int) -> np.ndarray:
    v = rng.standard_normal((count, 3))
    return v / np.linalg.norm(v, axis=1, keepdims=True)


def test_frame_of_sight_is_a_rotation_with_z_along_the_sight():
    d = unit_vectors(np.random.default_rng(3), 500)
    r = los_from_cam(d)
    assert np.abs(r @ np.swapaxes(r, -1, -2) - np.eye(3)).max() < ROUNDING
    assert np.abs(np.linalg.det(r) - 1.0).max() < ROUNDING
    assert np.abs(np.einsum("nij,nj->ni", r, d) - [0.0, 0.0, 1.0]).max() < ROUNDING


def test_frame_of_sight_keeps_the_cameras_x_in_its_x_z_plane():
    r = los_from_cam(unit_vectors(np.random.default_rng(4), 500))
    x_of_camera = r[..., :, 0]
    assert np.abs(x_of_camera[..., 1]).max() < ROUNDING
    assert (x_of_camera[..., 0] > 0).all()


def test_frame_of_the_optical_axis_is_the_cameras_own():
    assert los_from_cam(np.array([0.0, 0.0, 1.0])).tolist() == np.eye(3).tolist()


def test_frame_of_sight_takes_any_batch():
    d = unit_vectors(np.random.default_rng(5), 6).reshape(2, 3, 3)
    batch = los_from_cam(d)
    assert batch.shape == (2, 3, 3, 3)
    for i in np.ndindex(2, 3):
        np.testing.assert_array_equal(batch[i], los_from_cam(d[i]))


angles = st.floats(1e-3, np.pi - 1e-3)


@given(angles, st.integers(0, 2**32 - 1))
def test_gibbs_is_twice_the_tangent_of_half_the_angle(angle, seed):
    # Rodrigues' vector tan(angle / 2) times the axis; Shuster, A survey of attitude representations (1993); from memory
    axis = unit_vectors(np.random.default_rng(seed), 1)[0]
    got = gibbs(Rotation.from_rotvec(angle * axis).as_matrix())
    want = 2.0 * np.tan(angle / 2.0) * axis
    assert np.abs(got - want).max() < 1e-8 * max(1.0, np.abs(want).max() ** 2)  # the trace is lost towards 180 deg


@pytest.mark.parametrize("angle", [0.2, 0.1, 0.05, 0.025])
def test_gibbs_is_scipys_rotation_vector_to_second_order(angle):
    axis = unit_vectors(np.random.default_rng(6), 1)[0]
    rot = Rotation.from_rotvec(angle * axis)
    gap = np.linalg.norm(gibbs(rot.as_matrix()) - rot.as_rotvec())
    third_order = angle**3 / 12.0  # 2 tan(t / 2) = t + t^3 / 12 + ...
    assert gap == pytest.approx(third_order, rel=0.01)


def test_gibbs_has_one_value_per_rotation_up_to_180_deg():
    axis = np.array([2.0, -1.0, 2.0]) / 3.0
    steps = np.radians(np.linspace(-179.9, 179.9, 721))
    along = gibbs(Rotation.from_rotvec(steps[:, None] * axis).as_matrix()) @ axis
    assert (np.diff(along) > 0).all()
    assert np.isfinite(along).all()
    # its axis stays right where an angle from the sine alone would have folded back at 90 deg
    got = gibbs(Rotation.from_rotvec(np.radians(179.0) * axis).as_matrix())
    assert np.abs(got / np.linalg.norm(got) - axis).max() < 1e-9


def test_gibbs_of_no_rotation_is_zero():
    assert gibbs(np.eye(3)).tolist() == [0.0, 0.0, 0.0]


@given(st.integers(0, 2**32 - 1))
def test_complex_steps_pass_through(seed):
    """Derivatives by complex step (Squire & Trapp 1998) equal central differences."""
    rng = np.random.default_rng(seed)
    d, along = unit_vectors(rng, 1)[0], rng.standard_normal(3)
    if abs(d[0]) > 0.95:  # the camera's own x has no frame, and differences near it are poor
        return
    eps, tiny = 1e-6, 1e-30

    def turn(t):
        return gibbs(los_from_cam(d + t * along) @ los_from_cam(d).T)

    by_step = turn(1j * tiny).imag / tiny
    by_difference = (turn(eps) - turn(-eps)) / (2 * eps)
    assert np.abs(by_step - by_difference).max() < 1e-6 * max(1.0, np.abs(by_step).max() ** 2)
