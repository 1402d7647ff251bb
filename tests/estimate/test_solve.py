"""Photos and register in, azimuths out: the sample site against its truth, and what happens to photos that fail."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from photoaz.angles import wrap_deg
from photoaz.estimate.inputs import LocalPhoto, site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.memory import Notebook
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import Picture
from photoaz.photo.record import CompassHeading
from photoaz.quantities import EXACT_CORNER_PX, ZERO_HEADING_SHARE
from photoaz.register.model import Control, Pick
from photoaz.result import SiteResult

from .conftest import Sample, has_azimuth

# ---- the sample site ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def whole(sample) -> SiteResult:
    """All nine photos, controls and picks: many seconds, so once."""
    return sample.solve(sample.photos)


@pytest.fixture(scope="session")
def pair(sample) -> SiteResult:
    """Photos 4 (with the spire) and 8, which show sectors B and C."""
    return sample.solve([sample.photo(4), sample.photo(8)])


@pytest.fixture(scope="session")
def pair_alone(sample) -> SiteResult:
    """The same without controls."""
    return sample.solve([sample.photo(4), sample.photo(8)], controls=False)


def test_every_antenna_with_a_pick_gets_an_azimuth(sample, whole):
    assert {a.antenna_id for a in whole.antennas} == {p.antenna_id for p in sample.picks}
    for a in whole.antennas:
        assert has_azimuth(a), a
        assert 0 <= a.azimuth_true_deg < 360
        assert a.u95_deg > 0
        # other photos may show it from the rear: those are found, not picked; poor views are left out and listed
        picked = {p.photo for p in sample.picks if p.antenna_id == a.antenna_id}
        measured = {Path(e.photo).name for e in a.evidence if e.from_pick}
        assert measured <= picked
        assert picked - measured <= {Path(m.photo).name for m in a.missing}
        assert len(picked - measured) <= 1
        assert all((e.name_probability is None) is e.from_pick for e in a.evidence)


def test_azimuths_hold_the_truth(sample, whole):
    """Truth of the renderer within U95 for at least 93 % of the antennas seen: all of six, in whole antennas.

    95 % intervals let one of six out in one site of four, so one is allowed, but not by more than half its U95 again.
    """
    off = {a.antenna_id: sample.off(a) for a in whole.antennas}
    assert sum(v > 1 for v in off.values()) <= 1, off
    assert max(off.values()) <= 1.5, off


def test_azimuths_are_good_for_something(whole):
    """No interval is wide by way of precaution: with one landmark the design promises 0.5 to 0.6 (1 sigma) of 45 m."""
    assert float(np.median([a.u95_deg for a in whole.antennas])) < 2.0


def test_downtilts_hold_the_truth(sample, whole):
    off = [
        abs(a.downtilt_deg - sample.antennas[a.antenna_id]["downtilt_deg"]) / a.downtilt_u95_deg for a in whole.antennas
    ]
    assert sum(v > 1 for v in off) <= 1
    assert max(off) <= 1.5


def test_turned_antenna_is_seen_to_be_turned(sample, whole):
    """C1 hangs 12 degrees off its design (README of the sample): the photos say so by themselves."""
    (c1,) = (a for a in whole.antennas if a.antenna_id.endswith("C1"))
    design = next(a.design_azimuth_deg for a in sample.site.antennas if a.antenna_id == c1.antenna_id)
    assert wrap_deg(c1.azimuth_true_deg - design) > 12.0 - 2 * c1.u95_deg
    assert c1.u95_deg < 4.0


def test_camera_headings_hold_the_truth(sample, whole):
    off = {
        Path(p.photo).name: abs(float(wrap_deg(p.heading_true_deg - sample.cameras[Path(p.photo).name]["heading_deg"])))
        / p.heading_u95_deg
        for p in whole.photos
    }
    assert len(off) == 9
    assert sum(v > 1 for v in off.values()) <= 1, off
    # photo 7 sees two of its four panels from behind, and one of these is off by two of its standard uncertainties
    assert off.pop("qlb014_7.jpg") <= 2.2
    assert max(off.values()) <= 1.0, off


def test_disturbed_compass_is_named_and_no_other(sample, whole):
    flagged = {
        Path(p.photo).name: float(m.group(1))
        for p in whole.photos
        for flag in p.flags
        if (m := re.fullmatch(r"compass disturbed by ([+-]\d+) deg", flag))
    }
    assert set(flagged) == {"qlb014_5.jpg"}
    planted = sample.cameras["qlb014_5.jpg"]["metadata_errors"]["heading_deg"]
    assert flagged["qlb014_5.jpg"] == pytest.approx(planted, abs=3.0)  # deg


def test_declination_is_the_renderers(sample, whole):
    truth = json.loads((sample.folder / "truth.json").read_text("utf-8"))["declination_deg"]
    assert whole.declination_deg == pytest.approx(truth, abs=whole.declination_u95_deg)


def test_budget_holds_nearly_all_of_the_variance(whole):
    for a in whole.antennas:
        shares = [b.share for b in a.budget]
        assert shares == sorted(shares, reverse=True)
        assert min(shares) > 0
        assert 0.995 < sum(shares) < 1 + 1e-9  # sources of less than a ten-thousandth are not listed


# ---- fewer photos ---------------------------------------------------------------------------------------------------


def test_outlook_starts_from_the_reported_uncertainties(pair):
    """The joint covariance's diagonal and the forecast's U95 as it is are the antennas' own."""
    got = {a.antenna_id: a for a in pair.antennas if has_azimuth(a)}
    assert set(pair.azimuth_covariance.antenna_ids) == set(got)
    covariance = np.array(pair.azimuth_covariance.deg2)
    for k, name in enumerate(pair.azimuth_covariance.antenna_ids):
        assert stats.norm.ppf(0.975) * np.sqrt(covariance[k, k]) == pytest.approx(got[name].u95_deg, rel=1e-6)
        assert got[name].next_evidence.u95_now_deg == pytest.approx(got[name].u95_deg, rel=1e-9)
    assert np.linalg.eigvalsh(covariance).min() > 0
    assert pair.next_evidence.u95_now_deg == pytest.approx(np.median([a.u95_deg for a in got.values()]), rel=1e-9)


def test_without_controls_everything_is_wider(pair, pair_alone):
    for with_them, without in zip(pair.photos, pair_alone.photos, strict=True):
        assert without.heading_u95_deg > with_them.heading_u95_deg
    for with_them, without in zip(pair.antennas, pair_alone.antennas, strict=True):
        assert with_them.antenna_id == without.antenna_id
        # an outline that is not believed tells as little with controls as without
        believed = any(e.p_right > 0.5 for e in with_them.evidence)
        if has_azimuth(with_them) and believed and not (with_them.alternatives or without.alternatives):
            assert without.u95_deg > with_them.u95_deg
    widths = [[a.u95_deg for a in s.antennas if has_azimuth(a)] for s in (pair, pair_alone)]
    assert np.median(widths[1]) > 1.3 * np.median(widths[0])


def test_landmark_is_in_the_budget_only_where_there_is_one(pair, pair_alone):
    assert any(b.source == "landmark" for a in pair.antennas for b in a.budget)
    assert not any(b.source == "landmark" for a in pair_alone.antennas for b in a.budget)


def test_antennas_that_no_photo_shows_are_not_visible_and_say_so(sample, pair):
    """Sector A turns its back on both: what is not seen from the rear either is not visible, and both photos say so;

    what shows too little to be measured was not found, which is another thing.
    """
    hidden = [a for a in pair.antennas if not has_azimuth(a)]
    assert any(a.status == "not_visible" for a in hidden)
    for a in hidden:
        assert "-A" in a.antenna_id
        unmeasured = any("could not be measured" in m.reason for m in a.missing)
        assert a.status == ("not_found" if unmeasured else "not_visible")
        assert a.azimuth_true_deg is None
        assert a.u95_deg is None
        assert a.remarks
        assert {Path(m.photo).name for m in a.missing} == {"qlb014_4.jpg", "qlb014_8.jpg"}
    for a in pair.antennas:
        if has_azimuth(a) and "-A" in a.antenna_id:
            assert {e.view for e in a.evidence} == {"rear"}
            assert not any(e.from_pick for e in a.evidence)


def test_only_the_antennas_asked_for(sample):
    c2 = "QLB-014-C2"
    told: list[str] = []
    got = sample.solve([sample.photo(8)], antenna_ids={c2}, progress=told.append)
    assert [a.antenna_id for a in got.antennas] == [c2]
    (a,) = got.antennas
    assert has_azimuth(a)
    assert sample.off(a) < 1.5
    assert any("qlb014_8.jpg" in line for line in told)


@pytest.fixture(scope="session")
def with_bad_ones(sample, tmp_path_factory) -> tuple[SiteResult, dict[str, Path]]:
    folder = tmp_path_factory.mktemp("bad")
    broken = folder / "broken.jpg"
    broken.write_bytes(b"\xff\xd8\xff\xe0 no picture")
    paths = {
        "absent": folder / "absent.jpg",
        "broken": broken,
        "good": sample.photo(8),
    }
    picks = list(sample.picks)
    eighth = next(p for p in picks if p.photo == "qlb014_8.jpg")
    picks += [replace(eighth, photo=name) for name in ("absent.jpg", "broken.jpg")]
    return sample.solve(list(paths.values()), picks=picks), paths


@pytest.mark.parametrize(
    ("which", "reason"),
    [("absent", "no such file|does not exist|cannot be read|not found"), ("broken", "")],
)
def test_photos_that_cannot_be_used_are_rejected_with_a_reason(with_bad_ones, which, reason):
    solution, paths = with_bad_ones
    (photo,) = (p for p in solution.photos if p.photo == str(paths[which]))
    assert photo.status == "rejected"
    assert photo.reason
    assert re.search(reason, photo.reason, re.IGNORECASE)
    assert photo.heading_true_deg is None


def test_the_rest_goes_on_and_every_photo_is_answered_for(sample, with_bad_ones):
    solution, paths = with_bad_ones
    assert [p.photo for p in solution.photos] == [str(p) for p in paths.values()]
    assert [p.photo for p in solution.photos if p.status == "used"] == [str(paths["good"])]
    found = {a.antenna_id: a for a in solution.antennas if has_azimuth(a)}
    assert set(found) >= {p.antenna_id for p in sample.picks if p.photo == "qlb014_8.jpg"}


def test_no_photo_at_all_finds_nothing(sample):
    got = sample.solve([])
    assert got.photos == ()
    assert {a.status for a in got.antennas} == {"not_found"}


def test_exact_picks_are_taken_as_they_are(sample):
    """Exact corners from the truth give the azimuth back, whatever the pixels show."""
    seen = sample.cameras["qlb014_8.jpg"]
    corners = {a: front_corners_px(sample.antennas[a], seen) for a in ("QLB-014-C1", "QLB-014-C2")}
    heading = Control(photo="qlb014_8.jpg", kind="heading", azimuth_true_deg=seen["heading_deg"], u95=0.05)
    picks = [Pick(photo="qlb014_8.jpg", antenna_id=a, corners_px=c, exact=True) for a, c in corners.items()]
    solved = solve_site(
        site_inputs(sample.site, [sample.photo(8)], controls=[heading], picks=picks, antenna_ids=corners)
    ).result()
    for a in solved.antennas:
        assert has_azimuth(a)
        assert abs(wrap_deg(a.azimuth_true_deg - sample.antennas[a.antenna_id]["azimuth_deg"])) < a.u95_deg < 2.5
        assert a.evidence[0].quality == 1.0
        assert np.abs(np.array(a.evidence[0].corners_px) - corners[a.antenna_id]).max() < 3 * EXACT_CORNER_PX


def test_a_heading_of_zero_is_named_where_nothing_bears_it_out(sample):
    """A placeholder, and no word of how often compasses are disturbed; the tower itself tells the heading."""
    seen = sample.cameras["qlb014_8.jpg"]
    assert abs(wrap_deg(seen["heading_deg"])) > 30.0
    corners = {a: front_corners_px(sample.antennas[a], seen) for a in ("QLB-014-C1", "QLB-014-C2")}
    picks = [Pick(photo="qlb014_8.jpg", antenna_id=a, corners_px=c, exact=True) for a, c in corners.items()]
    record = read_record(sample.photo(8))
    zero = CompassHeading(
        value_deg=0.0, north="true", sigma_deg=6.0, source="Exif", placeholder_share=ZERO_HEADING_SHARE
    )
    photo = LocalPhoto(name="qlb014_8.jpg", path=record.path, record=replace(record, heading=zero))
    solved = solve_site(site_inputs(sample.site, [photo], picks=picks, antenna_ids=corners)).result()
    (told,) = solved.photos
    assert any("compass says exactly 0" in flag for flag in told.flags)
    assert told.p_compass_disturbed is None
    assert abs(wrap_deg(told.heading_true_deg - seen["heading_deg"])) < told.heading_u95_deg


def test_a_photo_named_twice_counts_once(sample):
    once = sample.solve([sample.photo(8)], antenna_ids=["QLB-014-C1"])
    assert sample.solve([sample.photo(8), sample.photo(8)], antenna_ids=["QLB-014-C1"]) == once


# ---- without picks --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def unpicked(sample) -> SiteResult:
    """All nine photos and controls, and nobody who says what is where."""
    return sample.solve(sample.photos, picks=())


def test_all_antennas_are_found_and_their_azimuths_hold_the_truth(sample, unpicked):
    """All six within U95, but one by at most half of it again: as with picks."""
    off = {}
    for a in unpicked.antennas:
        assert has_azimuth(a), a
        assert not any(e.from_pick for e in a.evidence)
        assert all(e.name_probability >= 0.8 for e in a.evidence)
        off[a.antenna_id] = sample.off(a)
    assert len(off) == 6
    assert sum(v > 1 for v in off.values()) <= 1, off
    assert max(off.values()) <= 1.5, off
    assert float(np.median([a.u95_deg for a in unpicked.antennas])) < 4.0  # deg


def test_what_is_planted_is_seen_without_picks(sample, unpicked):
    """C1 hangs 12 degrees off its design; the compass of photo 5 is disturbed, and no other."""
    (c1,) = (a for a in unpicked.antennas if a.antenna_id.endswith("C1"))
    design = next(a.design_azimuth_deg for a in sample.site.antennas if a.antenna_id == c1.antenna_id)
    assert wrap_deg(c1.azimuth_true_deg - design) > c1.u95_deg
    flagged = {Path(p.photo).name for p in unpicked.photos for flag in p.flags if "compass disturbed" in flag}
    assert flagged == {"qlb014_5.jpg"}


def test_names_are_the_truths(sample, unpicked):
    """Every panel that bears a name lies where the truth has that antenna: within its own size."""
    sure = []
    for photo in unpicked.photos:
        seen = sample.cameras[Path(photo.photo).name]
        boxes = {a["antenna_id"]: np.array(a["corners_px"]) for a in seen["antennas"]}
        for panel in photo.panels:
            assert len(panel.corners_px) == 8
            if panel.antenna_id is None:
                continue
            sure.append(panel.name_probability)
            box = boxes[panel.antenna_id]
            off = np.abs(np.mean(panel.corners_px, 0) - box.mean(0))
            assert (off < np.ptp(box, axis=0)).all(), (photo.photo, panel)
    assert len(sure) >= 27  # of 32 whose front shows, and some from the rear
    assert np.mean(sure) >= 0.97  # all are right, and said to be


def test_every_photo_says_where_it_was_looked(unpicked, sample):
    for photo in unpicked.photos:
        seen = sample.cameras[Path(photo.photo).name]
        x0, y0, x1, y1 = photo.window_px
        assert 0 <= x0 < x1 <= seen["width_px"]
        assert 0 <= y0 < y1 <= seen["height_px"]
        fronts = [np.array(a["corners_px"]) for a in seen["antennas"] if a["front_visible_fraction"] >= 0.5]
        inside = [(c.mean(0) > [x0, y0]).all() and (c.mean(0) < [x1, y1]).all() for c in fronts]
        assert all(inside), photo.photo


def test_each_antenna_is_accounted_for_in_each_photo(sample, unpicked):
    """Measured there, or missing with a reason; what turns its back by the truth is not called not found."""
    photos = {str(p) for p in sample.photos}
    for a in unpicked.antennas:
        seen, missing = {e.photo for e in a.evidence}, {m.photo for m in a.missing}
        assert seen | missing == photos
        assert not seen & missing
        for m in a.missing:
            assert m.reason
            assert m.status in ("not_found", "not_visible")
            camera = sample.cameras[Path(m.photo).name]
            box = next(np.array(b["corners_px"]) for b in camera["antennas"] if b["antenna_id"] == a.antenna_id)
            assert np.linalg.norm(np.array(m.pixel) - box.mean(0)) < m.radius_px, m
            assert m.size_px[1] == pytest.approx(np.ptp(box[:, 1]), rel=0.2)


def test_few_photos_without_picks_hold_the_truth_too(sample):
    """Photos 2, 4 and 5: every azimuth within one and a half U95."""
    got = sample.solve([sample.photo(n) for n in (2, 4, 5)], picks=())
    off = {a.antenna_id: sample.off(a) for a in got.antennas}
    assert len(off) == 6
    assert max(off.values()) <= 1.5, off


def test_only_the_antennas_asked_for_without_picks(sample):
    """The others are named as well, because the pattern of all says which is which, and not measured."""
    got = sample.solve([sample.photo(9)], picks=(), antenna_ids=["QLB-014-A1", "QLB-014-C1"])
    a1, c1 = got.antennas
    assert (a1.antenna_id, c1.antenna_id) == ("QLB-014-A1", "QLB-014-C1")
    assert has_azimuth(a1)
    assert sample.off(a1) < 1.5
    assert c1.status == "not_visible"
    assert "back" in c1.remarks[0]
    (photo,) = got.photos
    assert {"QLB-014-A1", "QLB-014-A2"} <= {p.antenna_id for p in photo.panels}


@pytest.fixture(scope="session")
def towerless(sample, tmp_path_factory) -> SiteResult:
    """A sky with the metadata of photo 9."""
    import cv2
    from PIL import Image

    folder = tmp_path_factory.mktemp("sky")
    with Image.open(sample.photo(9)) as photo:
        width, height, exif = *photo.size, photo.info["exif"]
    light = np.repeat(np.linspace(150, 215, height)[:, None], width, 1)
    light += cv2.resize(np.random.default_rng(4).normal(0, 6, (12, 16)), (width, height), interpolation=cv2.INTER_CUBIC)
    sky = np.clip(np.stack([0.75 * light, 0.9 * light, light], -1), 0, 255).astype(np.uint8)
    Image.fromarray(sky).save(folder / "sky.jpg", exif=exif, quality=90)
    return sample.solve([folder / "sky.jpg"], picks=(), controls=False)


def test_a_photo_without_a_tower_is_rejected_and_says_where_it_was_looked(towerless, sample):
    (photo,) = towerless.photos
    assert photo.status == "rejected"
    assert "no panel antenna was found" in photo.reason
    assert photo.panels == ()
    assert photo.window_px is not None
    assert photo.taken is not None
    assert photo.heading_true_deg is None
    assert len(towerless.antennas) == 6
    for a in towerless.antennas:
        assert not has_azimuth(a)
        (m,) = a.missing
        assert m.reason
        assert a.remarks
        # sector A faces this camera, B and C mostly turn their backs
        if "-A" in a.antenna_id:
            assert a.status == m.status == "not_found"


def front_corners_px(antenna: Mapping[str, Any], camera: Mapping[str, Any]) -> tuple[tuple[float, float], ...]:
    """Corners of a front's ideal box by the truth, through scipy's rotations: upper left, then clockwise as seen."""
    turn = [-antenna["azimuth_deg"], -antenna["downtilt_deg"], -antenna["roll_deg"]]
    panel = Rotation.from_euler("ZXY", turn, degrees=True).as_matrix()  # y out of the front, z up along it
    w, d, h = antenna["width_m"] / 2, antenna["depth_m"] / 2, antenna["height_m"] / 2
    # somebody who looks at the front has its +x on the left
    box = np.array([[w, d, h], [-w, d, h], [-w, d, -h], [w, d, -h]])
    attitude = [-camera["heading_deg"], camera["pitch_deg"], camera["roll_deg"]]
    level = Rotation.from_euler("ZXY", attitude, degrees=True).as_matrix()
    x, y, z = ((box @ panel.T + antenna["centre_enu_m"] - camera["position_enu_m"]) @ level).T  # right, ahead, up
    u, v = x / y, -z / y
    bend = 1 + camera["k1"] * (u * u + v * v)
    px = camera["cx_px"] + camera["f_px"] * u * bend, camera["cy_px"] + camera["f_px"] * v * bend
    return tuple((float(a), float(b)) for a, b in zip(*px, strict=True))


# ---- with a memory --------------------------------------------------------------------------------------------------

#: of each sector the antenna that shows best: fewer outlines to fit are quicker
HALF = ("QLB-014-A2", "QLB-014-B2", "QLB-014-C2")


@pytest.fixture
def anew(sample) -> Sample:
    """What other tests saw in the photos is not remembered."""
    return replace(sample, remembering=nullcontext)


#: of the memory's tests; both ask for the same
TWO = {"picks": (), "antenna_ids": HALF}


@pytest.fixture(scope="module")
def noted(sample) -> tuple[Notebook, SiteResult]:
    """What was noted of photos 1 and 2 as they were solved, and the solution."""
    notebook = Notebook()
    anew = replace(sample, remembering=nullcontext)
    return notebook, anew.solve([anew.photo(k) for k in (1, 2)], **TWO, memory=notebook)


def test_what_is_remembered_gives_the_same_solution_without_a_look_at_the_pixels(anew, noted, monkeypatch):
    photos, (notebook, first) = [anew.photo(k) for k in (1, 2)], noted
    plain = anew.solve(photos, **TWO)
    monkeypatch.setattr(Picture, "colour", None)
    monkeypatch.setattr(Picture, "grey", None)
    assert anew.solve(photos, **TWO, memory=notebook) == first == plain
    assert any(has_azimuth(a) for a in plain.antennas)


def test_only_what_depends_on_a_change_is_worked_out_again(anew, noted, monkeypatch):
    photos, (notebook, before) = [anew.photo(k) for k in (1, 2)], noted
    looked: list[str] = []
    colour = Picture.colour
    monkeypatch.setattr(Picture, "colour", lambda self: looked.append(self.path.name) or colour(self))
    # a reading tells nothing of the photos
    readings = replace(anew.site, antennas=tuple(replace(a, reading=None) for a in anew.site.antennas))
    assert replace(anew, site=readings).solve(photos, **TWO, memory=notebook) == before
    assert looked == []
    # another height of the tower changes where each photo's antennas are looked for
    taller = replace(anew.site, antennas=tuple(replace(a, rad_center_m=a.rad_center_m + 2) for a in anew.site.antennas))
    changed = replace(anew, site=taller)
    assert changed.solve(photos, **TWO, memory=notebook) == changed.solve(photos, **TWO)
    assert looked == ["qlb014_1.jpg", "qlb014_2.jpg"] * 2
