"""Where a head should be, what picks name, what is named at all: against OpenCV's projection and hand-made panels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from photoaz.angles import Angle
from photoaz.estimate.panels import PhotoPanels, name_panels
from photoaz.estimate.priors import antenna_priors_of
from photoaz.naming.expected import head_guess
from photoaz.naming.model import AntennaPriors, KnownPhoto
from photoaz.photo.camera import Camera
from photoaz.quantities import CAMERA_HEIGHT_M, GROUND_SLOPE_SHARE
from photoaz.register.model import Antenna, Pick, Site
from photoaz.vision.finder import FoundPanels, PanelCandidate
from photoaz.vision.head_locator import HeadWindow

CAMERA = Camera(width_px=4000, height_px=3000, f_px=3200.0, cx_px=1999.5, cy_px=1499.5, f_relative_sigma=0.01)
SECTORS = {"A": 20.0, "B": 140.0, "C": 260.0}
#: (up, width, height, depth) [m] of a sector's two positions
KINDS = ((30.0, 0.30, 2.0, 0.13), (30.2, 0.42, 1.4, 0.16))
STAND_OFF_M, SIDE_M = 1.5, 0.5


def antenna(sector: str, k: int) -> Antenna:
    up, w, h, d = KINDS[k]
    turn = np.radians(SECTORS[sector])
    out, side = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
    east, north = STAND_OFF_M * out + (2 * k - 1) * SIDE_M * side  # position 2 clockwise of position 1
    return Antenna(
        antenna_id=f"{sector}{k + 1}",
        sector=sector,
        position=k + 1,
        rad_center_m=up,
        rad_center_u95_m=0.3,
        design_azimuth_deg=SECTORS[sector],
        design_north="true",
        width_m=w,
        height_m=h,
        depth_m=d,
        offset_east_m=float(east),
        offset_north_m=float(north),
    )


ANTENNAS = tuple(antenna(sector, k) for sector in SECTORS for k in range(2))
SITE = Site(site_id="S", lat_deg=46.0, lon_deg=7.0, position_u95_m=2.0, antennas=ANTENNAS)
FACTS: dict[str, AntennaPriors] = {a.antenna_id: antenna_priors_of(a, SITE) for a in ANTENNAS}


def angle(deg: float, sigma_deg: float, source: str = "sensor") -> Angle:
    return Angle(value_rad=float(np.radians(deg)), sigma_rad=float(np.radians(sigma_deg)), source=source, label=source)


def standing(**more: Any) -> KnownPhoto:
    """A camera 50 m away in the direction 80 degrees, between sectors A and B, that looks at the tower."""
    east_north = 50.0 * np.array([np.sin(np.radians(80.0)), np.cos(np.radians(80.0))])
    return KnownPhoto(
        **{
            "name": "p.jpg",
            "camera": CAMERA,
            "standpoint": (east_north, 2.0),
            "pitches": (angle(25.0, 1.0),),
            "rolls": (angle(0.0, 1.0),),
            "headings": (angle(260.0, 8.0, "camera compass"),),
            "picks": (),
            **more,
        }
    )


def projected(
    points_enu_m: np.ndarray, s: KnownPhoto, *, heading_deg: float, pitch_deg: float, up_m: float = CAMERA_HEIGHT_M[0]
) -> np.ndarray:
    """Pixels of points by OpenCV, the camera standing at its hand's height unless another is given."""
    assert s.standpoint is not None
    attitude = Rotation.from_euler("ZX", [-heading_deg, pitch_deg], degrees=True).as_matrix()
    level = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])  # right, down, ahead
    rot = level @ attitude.T
    at = np.append(s.standpoint[0], up_m)
    c = s.camera
    matrix = np.array([[c.f_px, 0, c.cx_px], [0, c.f_px, c.cy_px], [0, 0, 1]])
    lens = np.array([c.k1, c.k2, 0, 0])
    return cv2.projectPoints(points_enu_m, cv2.Rodrigues(rot)[0], -rot @ at, matrix, lens)[0].reshape(-1, 2)


# ---- where the head should be ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("heading_deg", "pitch_deg"), [(260.0, 25.0), (245.0, 32.0), (279.0, 12.0), (-100.0, 28.0)])
@pytest.mark.parametrize("lens", [(0.0, 0.0), (-0.06, 0.01)])
def test_the_head_is_expected_where_opencv_projects_it(
    heading_deg: float, pitch_deg: float, lens: tuple[float, float]
) -> None:
    s = standing(
        camera=replace(CAMERA, k1=lens[0], k2=lens[1]),
        headings=(angle(heading_deg, 8.0),),
        pitches=(angle(pitch_deg, 1.0),),
    )
    guess = head_guess(s, list(FACTS.values()), 1.0)
    middle = np.array([[0.0, 0.0, 30.1]])  # between the lowest and the highest panel, over the tower's foot
    assert guess.pixel == pytest.approx(
        projected(middle, s, heading_deg=heading_deg, pitch_deg=pitch_deg)[0], abs=1.0
    )  # px
    assert guess.distance_m == pytest.approx(np.hypot(50.0, 30.1 - CAMERA_HEIGHT_M[0]))
    assert guess.rise_m == pytest.approx(0.2)
    assert guess.height_m == pytest.approx(2.0)
    assert 0.3 <= guess.width_m <= 0.42


def test_the_spread_of_the_place_is_what_its_causes_make_of_it() -> None:
    """Headings, standpoints and heights drawn at random and projected by OpenCV: 1 sigma is theirs within a third."""
    rng = np.random.default_rng(0)
    s = standing()
    assert s.standpoint is not None
    at = []
    for _ in range(400):
        moved = replace(s, standpoint=(s.standpoint[0] + rng.normal(0, 2.0, 2) + rng.normal(0, 1.0, 2), 2.0))
        heading, pitch = rng.normal(260.0, 8.0), rng.normal(25.0, 1.0)
        up = rng.normal(1.5, np.hypot(1.5, GROUND_SLOPE_SHARE * 50.0))
        head = np.array([[0.0, 0.0, 30.1]])
        at.append(projected(head, moved, heading_deg=heading, pitch_deg=pitch, up_m=up)[0])
    guess = head_guess(s, list(FACTS.values()), 1.0)
    assert guess.pixel_sigma is not None
    ratio = guess.pixel_sigma / np.std(at, axis=0)
    assert (ratio > 0.67).all(), ratio
    assert (ratio < 1.5).all(), ratio


def test_without_a_heading_any_column_without_a_pitch_any_row() -> None:
    column = head_guess(standing(headings=()), list(FACTS.values()), 1.0)
    assert column.pixel_sigma is not None
    assert column.pixel_sigma[0] >= CAMERA.width_px
    assert column.pixel_sigma[1] < 300
    row = head_guess(standing(pitches=()), list(FACTS.values()), 1.0)
    assert row.pixel_sigma is not None
    assert row.pixel_sigma[1] >= CAMERA.height_px
    neither = head_guess(standing(pitches=(), headings=()), list(FACTS.values()), 1.0)
    assert neither.pixel is None
    assert neither.distance_m is not None


def test_a_heading_away_from_the_tower_tells_no_place() -> None:
    assert head_guess(standing(headings=(angle(80.0, 8.0),)), list(FACTS.values()), 1.0).pixel is None


def test_without_a_standpoint_nothing_tells_the_distance() -> None:
    guess = head_guess(standing(standpoint=None), list(FACTS.values()), 1.0)
    assert guess.distance_m is None
    assert guess.pixel is None
    assert guess.width_m > 0


@pytest.mark.parametrize(("standpoint_m", "focal"), [(2.0, 0.01), (20.0, 0.01), (2.0, 0.3)])
def test_the_distance_is_as_sure_as_position_and_focal_length(standpoint_m: float, focal: float) -> None:
    """What counts is focal length over distance; the way along the ground is 0.87 of the line of sight, up is half."""
    s = standing(camera=replace(CAMERA, f_relative_sigma=focal))
    assert s.standpoint is not None
    guess = head_guess(replace(s, standpoint=(s.standpoint[0], standpoint_m)), list(FACTS.values()), 1.0)
    far = np.hypot(50.0, 28.6)
    up = np.hypot(1.5, GROUND_SLOPE_SHARE * 50.0)
    along = np.hypot(np.hypot(standpoint_m, 1.0) * 50.0, up * 28.6) / far / far
    assert guess.ln_distance_sigma == pytest.approx(np.hypot(along, focal), rel=0.05)


def test_an_antenna_without_offsets_has_no_place_of_its_own() -> None:
    bare = replace(ANTENNAS[0], offset_east_m=None, offset_north_m=None)
    assert not antenna_priors_of(bare, SITE).place_known
    known = FACTS["A1"]
    assert known.place_known
    assert (known.sector, known.position) == ("A", 1)
    assert known.east_north_m == pytest.approx([ANTENNAS[0].offset_east_m, ANTENNAS[0].offset_north_m])


# ---- names ----------------------------------------------------------------------------------------------------------


def box_of(a: Antenna, s: KnownPhoto) -> np.ndarray:
    """Corners (8, 2) of an antenna that hangs as designed, plumb."""
    turn = np.radians(a.design_azimuth_deg)
    normal, right = np.array([np.sin(turn), np.cos(turn), 0.0]), np.array([-np.cos(turn), np.sin(turn), 0.0])
    w, h, d = a.width_m / 2, a.height_m / 2, a.depth_m / 2
    up = np.array([0.0, 0.0, 1.0])
    middle = np.array([a.offset_east_m, a.offset_north_m, a.rad_center_m])
    face = [(-w, h), (w, h), (w, -h), (-w, -h)]
    points = [middle + x * right + y * up + z * normal for z in (d, -d) for x, y in face]
    return projected(np.array(points), s, heading_deg=260.0, pitch_deg=25.0)


def candidate_of(a: Antenna, s: KnownPhoto, rng: np.random.Generator | None = None) -> PanelCandidate:
    """What the finder would see of it, from 80 degrees."""
    yaw = np.radians((a.design_azimuth_deg - 80.0 + 180.0) % 360.0 - 180.0)
    corners = box_of(a, s)
    if rng is not None:
        corners = corners + rng.normal(0, 1.5, (8, 2))
    return PanelCandidate(
        corners_px=corners,
        probability=0.8,
        front=0.95 if abs(yaw) < np.pi / 2 else 0.05,
        yaw_rad=float(yaw),
        visible=0.98,
    )


def seen_of(s: KnownPhoto, names: Sequence[str]) -> FoundPanels:
    rng = np.random.default_rng(1)
    by_name = {a.antenna_id: a for a in ANTENNAS}
    return FoundPanels(
        candidates=tuple(candidate_of(by_name[n], s, rng) for n in names),
        window=HeadWindow(box_px=(1000, 700, 3000, 2300), scale=0.5),
    )


def one(s: KnownPhoto, found: FoundPanels | None) -> PhotoPanels:
    (panels,) = name_panels([s], [found], SITE, FACTS)
    return panels


SHOWN = ("A1", "A2", "B1", "B2")


def named(sighted: PhotoPanels, found: FoundPanels, names: Sequence[str]) -> dict[str, str]:
    """Spots that have a candidate: the antenna whose candidate it is, by the name it was given."""
    by_candidate = {id(c): n for c, n in zip(found.candidates, names, strict=True)}
    return {s.antenna_id: by_candidate[id(s.candidate)] for s in sighted.to_measure if s.candidate is not None}


def test_the_pattern_names_the_panels_by_itself() -> None:
    s = standing()
    found = seen_of(s, SHOWN)
    sighted = one(s, found)
    assert named(sighted, found, SHOWN) == {n: n for n in SHOWN}
    for spot in sighted.to_measure:
        assert not spot.picked
        assert spot.match is not None
        assert spot.match.probability >= 0.8
        assert spot.corners_px == pytest.approx(spot.candidate.corners_px[:4])
        assert spot.middle_px == pytest.approx(spot.corners_px.mean(0))
    for a in ANTENNAS:
        sight = sighted.expected(a.antenna_id)
        assert sight is not None
        assert sight.status == ("assigned" if a.antenna_id in SHOWN else "not_visible")
        assert sight.reason or a.antenna_id in SHOWN
    assert sighted.expected("nobody's") is None


def test_a_compass_90_degrees_off_changes_no_name() -> None:
    s = standing(headings=(angle(350.0, 8.0, "camera compass"),))
    found = seen_of(s, SHOWN)
    assert named(one(s, found), found, SHOWN) == {n: n for n in SHOWN}


def test_nothing_found_names_nothing_and_says_where_each_would_be() -> None:
    s = standing()
    for found in (seen_of(s, ()), None):
        sighted = one(s, found)
        assert sighted.to_measure == ()
        assert sighted.found is found
        assert {sighted.expected(a.antenna_id).status for a in ANTENNAS} <= {"not_found", "not_visible"}
    assert one(s, None).expected("A1").status == "not_found"


def test_one_panel_found_tells_where_the_others_should_be() -> None:
    """Within the radius that is told, and 3 px for the finder's errors here."""
    s = standing()
    sighted = one(s, seen_of(s, ("A1",)))
    for a in ANTENNAS[1:4]:
        sight = sighted.expected(a.antenna_id)
        assert sight.status == "not_found"
        assert np.linalg.norm(box_of(a, s).mean(0) - sight.pixel) < min(sight.radius_px, 60.0) + 3.0


def test_with_nothing_found_the_place_told_is_as_wide_as_what_is_known() -> None:
    """A heading known to 8 degrees, 450 px of this camera: the true place lies within the radius told around it."""
    s = standing(headings=(angle(264.0, 8.0, "camera compass"),))
    sight = one(s, seen_of(s, ())).expected("A1")
    assert np.linalg.norm(box_of(ANTENNAS[0], s).mean(0) - sight.pixel) < sight.radius_px


@pytest.mark.parametrize(("heading_deg", "pitch_deg"), [(1.0, 0.7), (6.0, 0.7), (1.0, 4.0)])
def test_with_nothing_found_the_radius_holds_19_of_20_places(heading_deg: float, pitch_deg: float) -> None:
    """Standpoints, headings, pitches drawn at random, the antenna projected by OpenCV with the true ones.

    Two sigmas hold 95 % of what is off along one line. A circle of both lines' sigmas together holds more than that.
    """
    rng = np.random.default_rng(2)
    true = standing()
    held, radii = [], []
    for _ in range(120):
        told = standing(
            standpoint=(true.standpoint[0] + rng.normal(0.0, 2.0, 2), 2.0),
            headings=(angle(260.0 + rng.normal(0.0, heading_deg), heading_deg, "heading control"),),
            pitches=(angle(25.0 + rng.normal(0.0, pitch_deg), pitch_deg),),
        )
        where = one(told, None).expected("B2")
        held.append(np.linalg.norm(box_of(ANTENNAS[3], true).mean(0) - where.pixel) < where.radius_px)
        radii.append(where.radius_px)
    assert np.mean(held) >= 0.93  # 95 %, less a standard deviation of 120 draws
    # and no wider than the causes: 2 sigma of heading, pitch, 2 m of standpoint, and the hand and the slope, over 57 m,
    # 3200 px
    place = np.hypot(3.0, GROUND_SLOPE_SHARE * 50.0) / 50.0
    wide = 2 * 3200 * np.hypot(np.radians(np.hypot(heading_deg, pitch_deg)), place)
    assert np.mean(radii) < 1.3 * wide


def test_with_nothing_found_and_no_pitch_no_place_is_told() -> None:
    """Any row is as likely: a circle as large as the frame says nothing."""
    s = standing(pitches=())
    where = one(s, None).expected("A1")
    assert (where.pixel, where.status) == (None, "not_found")
    assert where.radius_px == 0.0


def test_with_nothing_found_an_antenna_far_out_of_the_frame_is_not_visible() -> None:
    where = one(standing(headings=(angle(170.0, 2.0, "heading control"),)), None).expected("A1")
    assert (where.status, where.reason) == ("not_visible", "out of the frame")


def test_a_seed_takes_the_candidate_it_lies_in() -> None:
    s = standing()
    found = seen_of(s, SHOWN)
    at = found.candidates[0].corners_px.mean(0) + np.array([4.0, -30.0])
    pick = Pick(photo="p.jpg", antenna_id="A1", seed_px=(float(at[0]), float(at[1])))
    sighted = one(replace(s, picks=(pick,)), found)
    (spot,) = (p for p in sighted.to_measure if p.antenna_id == "A1")
    assert spot.picked
    assert spot.match is None
    assert spot.candidate is found.candidates[0]
    assert spot.corners_px == pytest.approx(found.candidates[0].corners_px[:4])
    assert named(sighted, found, SHOWN) == {n: n for n in SHOWN}


def test_a_persons_word_is_final_even_if_the_pattern_says_otherwise() -> None:
    """Somebody names B2's panel B1: nobody else gets that panel, and B1 is nowhere else."""
    s = standing()
    found = seen_of(s, SHOWN)
    at = found.candidates[3].corners_px.mean(0)
    pick = Pick(photo="p.jpg", antenna_id="B1", seed_px=(float(at[0]), float(at[1])))
    sighted = one(replace(s, picks=(pick,)), found)
    spots = {p.antenna_id: p for p in sighted.to_measure}
    assert spots["B1"].candidate is found.candidates[3]
    assert sum(p.candidate is found.candidates[3] for p in sighted.to_measure) == 1
    assert [p.antenna_id for p in sighted.to_measure].count("B1") == 1


def test_corners_of_a_pick_are_kept_and_still_name_the_candidate() -> None:
    s = standing()
    found = seen_of(s, SHOWN)
    corners = box_of(ANTENNAS[1], s)[:4] + 2.0
    pick = Pick(photo="p.jpg", antenna_id="A2", corners_px=tuple((float(x), float(y)) for x, y in corners), exact=True)
    sighted = one(replace(s, picks=(pick,)), found)
    spots = {p.antenna_id: p for p in sighted.to_measure}
    assert spots["A2"].corners_px == pytest.approx(corners)
    assert spots["A2"].candidate is None  # the person's corners are measured, not the finder's
    assert spots["A2"].exact
    assert set(spots) == set(SHOWN)
    assert sighted.naming is not None
    assert sighted.naming.matches[1].antenna == "A2"


def test_a_persons_word_on_the_side_goes_before_the_finders() -> None:
    """The finder takes it for a front; a person who marks a point on it says that it is the rear."""
    s = standing()
    found = seen_of(s, ("A2",))
    x, y = found.candidates[0].corners_px.mean(0)
    pick = Pick(photo="p.jpg", antenna_id="A2", seed_px=(float(x), float(y)), view="rear")
    (spot,) = one(replace(s, picks=(pick,)), found).to_measure
    assert (spot.side, spot.candidate.front) == ("rear", 0.0)
    assert found.candidates[0].front > 0.5
    (spot,) = one(replace(s, picks=(replace(pick, view="profile"),)), found).to_measure
    assert (spot.side, spot.candidate) == ("profile", found.candidates[0])


def test_a_pick_where_nothing_was_found_stands_for_itself() -> None:
    s = standing()
    pick = Pick(photo="p.jpg", antenna_id="C1", seed_px=(300.0, 300.0))
    sighted = one(replace(s, picks=(pick,)), seen_of(s, ("A1",)))
    (spot,) = (p for p in sighted.to_measure if p.antenna_id == "C1")
    assert spot.candidate is None
    assert spot.corners_px is None
    assert spot.middle_px == pytest.approx([300.0, 300.0])


def test_two_picks_take_two_candidates() -> None:
    s = standing()
    found = seen_of(s, SHOWN)
    picks = []
    for k, name in enumerate(SHOWN):
        at = found.candidates[k].corners_px.mean(0)
        picks.append(Pick(photo="p.jpg", antenna_id=name, seed_px=(float(at[0]), float(at[1]))))
    sighted = one(replace(s, picks=tuple(picks[::-1])), found)
    assert named(sighted, found, SHOWN) == {n: n for n in SHOWN}
    assert all(p.picked for p in sighted.to_measure)


def test_a_panel_cut_off_by_the_frame_is_named_and_not_measured() -> None:
    """The frame's left border runs through B2: 15 % of its height's worth beyond it."""
    s = standing()
    whole = seen_of(s, SHOWN)
    left = min(c.corners_px[:, 0].min() for c in whole.candidates)
    shift = left + 0.15 * float(np.ptp(whole.candidates[3].corners_px[:, 1]))
    moved = replace(s, camera=replace(CAMERA, cx_px=CAMERA.cx_px - shift))
    found = replace(
        whole, candidates=tuple(replace(c, corners_px=c.corners_px - [shift, 0.0]) for c in whole.candidates)
    )
    cut = [n for n, c in zip(SHOWN, found.candidates, strict=True) if c.corners_px[:, 0].min() < 0]
    assert cut
    assert {p.antenna_id for p in one(moved, found).to_measure} == set(SHOWN) - set(cut)


def test_a_focal_length_nobody_knows_is_told_by_the_panels() -> None:
    """Metadata 40 % off, and said to be unsure: the panels' heights and the way to the tower say better."""
    s = standing()
    found = seen_of(s, SHOWN)
    lost = replace(s, camera=replace(CAMERA, f_px=CAMERA.f_px * 1.4, f_relative_sigma=0.4))
    sighted = one(lost, found)
    assert named(sighted, found, SHOWN) == {n: n for n in SHOWN}
    known = one(s, found)
    for a in ANTENNAS:  # as large as with the right focal length: its ratio to the distance is right
        size = known.expected(a.antenna_id).size_px
        assert sighted.expected(a.antenna_id).size_px == pytest.approx(size, rel=0.1)


def test_photos_tell_each_other_and_come_back_in_their_order() -> None:
    first, second = standing(name="one.jpg"), standing(name="two.jpg")
    found = [seen_of(first, SHOWN), seen_of(second, ("B1",))]
    sighted = name_panels([first, second], found, SITE, FACTS)
    assert [s.found for s in sighted] == found
    assert [len(s.naming.matches) for s in sighted] == [4, 1]


def test_without_photos_there_is_nothing_to_name() -> None:
    assert name_panels([], [], SITE, FACTS) == ()
