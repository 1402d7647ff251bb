"""What a photo to come will show: against OpenCV's projection and plain geometry."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from photoaz.planning.equipment import Equipment
from photoaz.planning.foreseen import aimed, foreseen_photo, foreseen_views, in_frame, scene_of_site


def test_places_fall_where_opencv_projects_them(site) -> None:
    scene = scene_of_site(site)
    stand = aimed("x", scene, np.array([40.0, -30.0]), Equipment(), 77.0)
    points = np.array([[0.0, 0.0, 45.0], [1.0, -2.0, 47.0], [-2.0, 1.0, 40.0]])
    h, p, _ = stand.attitude_rad
    # right, down, forward of a level camera by elementary trigonometry
    forward = np.array([np.sin(h) * np.cos(p), np.cos(h) * np.cos(p), np.sin(p)])
    right = np.array([np.cos(h), -np.sin(h), 0.0])
    rot = np.stack([right, -np.cross(right, forward), forward])
    c = stand.camera
    matrix = np.array([[c.f_px, 0, c.cx_px], [0, c.f_px, c.cy_px], [0, 0, 1.0]])
    want = cv2.projectPoints(points, cv2.Rodrigues(rot)[0], -rot @ stand.enu_m, matrix, None)[0].reshape(-1, 2)
    np.testing.assert_allclose(in_frame(stand, points)[0], want, atol=1e-6)


def test_only_fronts_that_are_seen(site) -> None:
    """From before sector A: A alone; between A and B: both; profile views count, views from behind do not."""
    scene = scene_of_site(site)
    equipment = Equipment(lenses_mm=(77.0,))

    def seen(bearing_deg, distance_m=60.0):
        b = np.radians(bearing_deg)
        stand = aimed("x", scene, distance_m * np.array([np.sin(b), np.cos(b)]), equipment, 77.0)
        return set(foreseen_views(scene, stand))

    assert seen(0) == {"A1"}
    assert seen(60) == {"A1", "B1"}
    assert seen(88) == {"A1", "B1"}  # A1 in the plane of its back
    assert seen(180) == {"B1", "C1"}
    assert seen(0, 2000.0) == set()  # too small


def test_an_antenna_in_front_hides_one_behind(make_site) -> None:
    """Two antennas one behind the other, 0.5 m wide each, as the register's offsets have them."""
    plain = make_site((0.0, 0.0), width_m=0.5)
    near = replace(plain.antennas[0], offset_east_m=0.0, offset_north_m=3.0)
    for east, seen in ((0.0, {"A1"}), (3.0, {"A1", "B1"})):
        far = replace(plain.antennas[1], offset_east_m=east, offset_north_m=0.5)
        scene = scene_of_site(replace(plain, antennas=(near, far)))
        stand = aimed("x", scene, np.array([0.0, 300.0]), Equipment(lenses_mm=(500.0,)), 500.0)
        assert set(foreseen_views(scene, stand)) == seen


def test_width_is_that_of_a_pinhole(site) -> None:
    """Face-on: f times width over distance; the box's depth adds 3 per cent at most."""
    scene = scene_of_site(site)
    stand = aimed("x", scene, np.array([0.0, 80.0]), Equipment(lenses_mm=(120.0,)), 120.0)
    distance = float(np.linalg.norm(scene.places_m["A1"] - stand.enu_m))
    view = foreseen_views(scene, stand)["A1"]
    assert view.mode.width_px == pytest.approx(120.0 / 36.0 * 4032 * 0.35 / distance, rel=0.03)
    assert abs(view.yaw_rad) < 1e-9


def test_a_photo_s_facts_agree_with_its_stand(site) -> None:
    scene = scene_of_site(site)
    stand = aimed("x", scene, np.array([40.0, 50.0]), Equipment(), 77.0)
    photo = foreseen_photo(scene, stand)
    assert photo.boxes
    np.testing.assert_allclose(photo.start, [*stand.attitude_rad, *stand.enu_m])
    for modes in photo.boxes.values():
        assert len(modes) == 1
        np.testing.assert_array_equal(modes[0].offset, 0.0)


def test_unknown_antennas_are_refused(site) -> None:
    with pytest.raises(KeyError):
        scene_of_site(site, wanted=["Z9"])


@pytest.mark.parametrize(
    "fields", [{"lenses_mm": ()}, {"lenses_mm": (3.0,)}, {"position_m": 0.0}, {"frame_px": (9, 9)}]
)
def test_kits_that_cannot_be(fields) -> None:
    with pytest.raises(ValueError, match=r"lenses|frame"):
        Equipment(**fields)
