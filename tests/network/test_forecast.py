"""Forecasts against what the adjustment states once the evidence is really there, and against plain numpy."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from photoaz.angles import Angle, wrap_rad
from photoaz.angles import format_u95_deg as u95
from photoaz.network.adjust import adjust, variance_shares
from photoaz.network.candidates import KINDS, LANDMARK_M, EvidenceCandidate, candidates
from photoaz.network.forecast import (
    MAY_BE_WRONG,
    NEARLY,
    NOTICEABLE,
    TWO_WAYS,
    Forecast,
    azimuth_covariance_rad2,
    forecast,
    information_rows,
    next_evidence,
    updated_covariance,
)
from photoaz.network.heading_aids import LandmarkPixel, PixelBearing
from photoaz.network.mixture import Mixture
from photoaz.network.observations import Directs
from photoaz.network.posterior import Marginal
from photoaz.network.site import PhotoObservations, build
from photoaz.network.solution import NetworkSolution, solve_network
from photoaz.photo.camera import directions_from_pixels, rotation_cam_from_enu
from photoaz.priors import CompassesKnown, Priors
from photoaz.quantities import (
    BROUGHT_BEARING_U95_RAD,
    BROUGHT_LANDMARK_U95_M,
    K95,
    LANDMARK_PX,
    LANDMARK_UP_SIGMA_M,
    RADIUS_95,
    SHAPE_SIGMA_RAD,
)
from photoaz.result import BudgetShare
from photoaz.vision.evidence import Spread
from photoaz.vision.trust import usual_p_right

#: rounding of sums of some hundred terms of very different size
EXACT = 1e-9
#: with every compass as good as it says for sure: the rest is linear algebra that can be checked
SURE = Priors(compasses=CompassesKnown(disturbed_share=1e-9))
#: how a wrong outline's azimuth errs here: shares and sigmas about it, the rest anywhere
WRONG = (Spread(0.3, float(np.radians(12.0))), Spread(0.4, float(np.radians(35.0))))
#: of a U95: the posterior holds angles within about a turn, which leaves out (sigma / 2.5)^2; differences' own error
HELD = 5e-4
#: of a U95: what two adjustments differ by that see the same evidence from starting values a little apart
STATED = 0.02


@pytest.fixture(scope="module")
def site(kit) -> Any:
    """Two photos with a lens of 35 mm equivalent from 90 m off, so that the horizon is in the frame."""
    return kit.make_site(
        (
            kit.Station(name="p1", bearing_deg=80.0, distance_m=90.0, sees=("a", "b")),
            kit.Station(name="p2", bearing_deg=200.0, distance_m=110.0, sees=("b", "c"), roll_deg=-1.1),
        ),
        {"a": 20.0, "b": 140.0, "c": 260.0},
        cam=kit.camera(35.0),
        setting=kit.Setting(corner_px=0.15),
    )


@pytest.fixture(scope="module")
def chosen(site) -> NetworkSolution:
    return solve_network(site.network, SURE)


def stated_u95(chosen: NetworkSolution) -> dict[str, float]:
    return {a: m.u95_rad for a, m in chosen.posterior.antennas.items()}


def of_kind(chosen: NetworkSolution, kind: str, photo: str | None = None) -> tuple[EvidenceCandidate, dict[str, float]]:
    """The first candidate of a kind (in a photo), and the U95 [rad] forecast with it."""
    c = next(c for c in candidates(chosen) if c.kind == kind and photo in (None, c.photo))
    f = forecast(chosen, [c])
    return c, dict(zip(f.antennas, f.then_rad[0], strict=True))


def readjusted(chosen: NetworkSolution, **photos: Any) -> dict[str, float]:
    """U95 [rad] after the facts of photos were changed (by a function of the facts) and all was solved anew."""
    net = chosen.network
    facts = [photos[p.name](p) if p.name in photos else p for p in net.photos]
    facts += [make(None) for name, make in photos.items() if name not in net.layout.photos]
    return stated_u95(solve_network(build(facts, net.antennas, 1.2), SURE))


def landmark_of(c: EvidenceCandidate) -> LandmarkPixel:
    """From a landmark candidate's own observations what is given of one in a photo."""
    return LandmarkPixel(
        name="mast",
        pixel=c.observations[1].aid.pixel,
        enu_m=c.extra,
        sigma_m=BROUGHT_LANDMARK_U95_M / RADIUS_95,
        height_sigma_m=LANDMARK_UP_SIGMA_M,
        sigma_px=LANDMARK_PX,
    )


def assert_as_stated(got: dict[str, float], want: dict[str, float]) -> None:
    for a, u in want.items():
        assert got[a] == pytest.approx(u, rel=STATED), a


# ---- the algebra ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_rank_update_is_the_inverse_of_the_summed_normal_matrix(seed):
    rng = np.random.default_rng(seed)
    old, new = rng.standard_normal((40, 12)), rng.standard_normal((5, 4)) * 10.0 ** rng.integers(-2, 3, 4)
    index, keep = rng.permutation(12)[:4], rng.permutation(12)[:3]
    rows = np.zeros((5, 12))
    rows[:, index] = new
    want = np.linalg.inv(old.T @ old + rows.T @ rows)[np.ix_(keep, keep)]
    got = updated_covariance(np.linalg.inv(old.T @ old), index, new, keep)
    np.testing.assert_allclose(got, want, rtol=EXACT, atol=EXACT * np.abs(want).max())


def test_every_candidate_against_the_normal_matrix_with_its_own_unknowns(chosen):
    """numpy's inverse of all unknowns together, derivatives by central differences: no elimination, no update."""
    layout, x = chosen.network.layout, chosen.adjusted.x
    idx = [layout.antenna(a)[0] for a in layout.antennas]
    tried = candidates(chosen)
    assert {c.kind for c in tried} >= {"landmark", "bearing", "standpoint", "photo", "photo_with_landmark"}
    f = forecast(chosen, tried)
    for k, c in enumerate(tried):
        whole = np.concatenate([x, c.extra])
        normal = np.zeros((len(whole), len(whole)))
        normal[: len(x), : len(x)] = chosen.adjusted.jacobian.T @ chosen.adjusted.jacobian
        for o in c.observations:
            steps = np.diag(np.full(len(o.index), 1e-6))
            j = np.stack([o.residual(whole[o.index] + s) - o.residual(whole[o.index] - s) for s in steps], -1) / 2e-6
            normal[np.ix_(o.index, o.index)] += j.T @ j
        unit = 1.0 / np.sqrt(np.diag(normal))
        covariance = np.linalg.inv(normal * unit[:, None] * unit) * unit[:, None] * unit
        want = K95 * np.sqrt(np.diag(covariance)[idx] + SHAPE_SIGMA_RAD**2)
        np.testing.assert_allclose(f.then_rad[k], want, rtol=HELD, err_msg=c.bring)


def test_nothing_makes_an_azimuth_worse(chosen):
    f = forecast(chosen)
    assert (f.then_rad <= f.now_rad * (1 + EXACT)).all()
    assert (f.then_rad < 0.8 * f.now_rad).any()


# ---- by experiment: the evidence is really brought, and everything solved anew ---------------------------------------


def test_landmark_really_seen(chosen):
    c, got = of_kind(chosen, "landmark", "p1")
    place = c.extra
    here = chosen.adjusted.x[chosen.network.layout.photo("p1", "east", "north")]
    assert np.hypot(*(place[:2] - here)) == pytest.approx(LANDMARK_M)
    want = readjusted(chosen, p1=lambda p: replace(p, aids=(landmark_of(c),)))
    assert_as_stated(got, want)
    assert want["a"] < 0.6 * stated_u95(chosen)["a"]  # it is worth something, so the forecast had to say so


def test_bearing_really_known(chosen):
    c, got = of_kind(chosen, "bearing", "p2")
    p = next(p for p in chosen.network.photos if p.name == "p2")
    pixel = c.observations[0].aid.pixel
    direction = rotation_cam_from_enu(*p.start[:3]).T @ directions_from_pixels(p.camera, pixel)
    azimuth = float(np.arctan2(direction[0], direction[1]))
    known = PixelBearing(name="gable", pixel=pixel, azimuth_rad=azimuth, sigma_rad=BROUGHT_BEARING_U95_RAD / K95)
    assert_as_stated(got, readjusted(chosen, p2=lambda p: replace(p, aids=(known,))))


def test_standpoint_really_surveyed(chosen):
    _, got = of_kind(chosen, "standpoint", "p1")

    def surveyed(p: PhotoObservations) -> PhotoObservations:
        return replace(p, standpoints=(*p.standpoints, (p.start[3:5], 0.1 / RADIUS_95, "standpoint control")))

    assert_as_stated(got, readjusted(chosen, p1=surveyed))


def test_camera_really_calibrated(kit):
    """A crop with a good compass, far from knowing where it was taken: where its optical axis lies, matters."""
    made = kit.make_site(
        (kit.Station(name="p1", bearing_deg=80.0, distance_m=70.0, sees=("a", "b")),),
        {"a": 20.0, "b": 140.0},
        cam=kit.camera(35.0, f_sigma=0.03, principal_sigma_px=200.0),
        setting=kit.Setting(compass_deg=1.0, gnss_m=20.0),
    )
    chosen = solve_network(made.network, SURE)
    _, got = of_kind(chosen, "calibration")
    # a Gaussian twice is one of the summed weight
    f, px = (1 / np.sqrt(1 / s**2 + 1 / c**2) for s, c in ((0.03, 0.001), (200.0, 3.0)))

    def calibrated(p: PhotoObservations) -> PhotoObservations:
        return replace(p, camera=replace(p.camera, f_relative_sigma=float(f), principal_sigma_px=float(px)))

    want = readjusted(chosen, p1=calibrated)
    assert_as_stated(got, want)
    assert want["a"] < 0.9 * stated_u95(chosen)["a"]


def test_a_landmark_settles_whether_the_compass_is_disturbed(site):
    """With compasses that may be disturbed: forecast, and the landmark really seen, all of the mixture solved anew."""
    net = site.network
    off = tuple(replace(a, value_rad=a.value_rad + np.radians(15.0)) for a in net.photos[0].headings)
    photos = [replace(net.photos[0], headings=off), *net.photos[1:]]
    whole = solve_network(build(photos, net.antennas, 1.2))
    c, got = of_kind(whole, "landmark", "p1")
    again = solve_network(build([replace(photos[0], aids=(landmark_of(c),)), *photos[1:]], net.antennas, 1.2))
    sure, now, then = (stated_u95(s) for s in (replace(whole, priors=SURE), whole, again))
    for a in net.layout.antennas:
        assert now[a] > 1.02 * sure[a]
        # the mixture's part is followed to first order only: 5 per cent off here
        assert got[a] == pytest.approx(then[a], rel=4 * STATED)


def photo_of(chosen: NetworkSolution, c: EvidenceCandidate, p_right: float = 1.0) -> PhotoObservations:
    """From a photo candidate's own observations the facts of that photo."""
    prior, *boxes = c.observations
    at = c.extra
    antennas = chosen.network.layout.antennas
    seen = {a: o for o in boxes for a in antennas if chosen.network.layout.antenna(a)[0] in o.index}
    assert set(seen) == {a for a in antennas if c.views.get(a)}
    modes = {}
    for a, o in seen.items():
        mode = next(p.boxes[a][0] for p in chosen.network.photos if a in p.boxes)
        modes[a] = (
            replace(
                mode,
                rotation=o.rotation,
                centre_px=o.centre_px,
                ln_size=o.ln_size,
                root=o.root,
                offset=np.zeros(len(o.root)),
                p_right=p_right,
                wrong=WRONG,
            ),
        )

    def angle(k: int) -> tuple[Angle, ...]:
        return (Angle(value_rad=float(at[k]), sigma_rad=float(prior.sigma[k]), source="camera", label=""),)

    return replace(
        chosen.network.photos[0],
        name="p3",
        start=at[:6],
        headings=angle(0),
        pitches=angle(1),
        rolls=angle(2),
        standpoints=((at[3:5], float(prior.sigma[3]), "camera position"),),
        up_m=float(at[5]),
        up_sigma_m=float(prior.sigma[5]),
        boxes=modes,
    )


def test_photo_really_taken(chosen):
    c, got = of_kind(chosen, "photo")
    assert_as_stated(got, readjusted(chosen, p3=lambda _none: photo_of(chosen, c)))


# ---- as reported ----------------------------------------------------------------------------------------------------


def test_joint_covariance_is_the_networks_with_the_reported_uncertainties_on_its_diagonal(chosen):
    layout = chosen.network.layout
    idx = np.array([layout.antenna(a)[0] for a in layout.antennas])
    got = azimuth_covariance_rad2(chosen)
    off = ~np.eye(3, dtype=bool)
    np.testing.assert_array_equal(got[off], chosen.adjusted.covariance[np.ix_(idx, idx)][off])
    want = list(stated_u95(chosen).values())
    np.testing.assert_allclose(K95 * np.sqrt(np.diag(got)), want, rtol=1e-12)
    assert np.linalg.eigvalsh(got).min() > 0


def with_outlines(chosen: NetworkSolution, change: Any) -> NetworkSolution:
    """The site with other outlines of antenna a: change gives them from a photo and its only outline."""
    photos = [
        replace(p, boxes={**p.boxes, "a": change(p, *p.boxes["a"])}) if "a" in p.boxes else p
        for p in chosen.network.photos
    ]
    return solve_network(build(photos, chosen.network.antennas, 1.2), SURE)


def test_a_second_way_to_fit_is_told_by_another_photo_and_not_by_a_landmark(kit, chosen):
    """The other way 30 degrees off costs 1.7: its odds are exp(-0.85), 0.3 of 1."""
    twice = with_outlines(chosen, lambda p, m: (m, replace(kit.turned(p, m, 30.0), cost=1.7)))
    first, second = twice.posterior.antennas["a"].mixture.peaks()
    assert second.probability == pytest.approx(0.3, abs=0.03)
    assert np.degrees(wrap_rad(second.azimuth_rad - first.azimuth_rad)) == pytest.approx(30.0, abs=0.5)
    now = np.degrees(twice.posterior.antennas["a"].u95_rad)
    per, _ = next_evidence(twice, budgets(twice))
    assert now > 30.0
    assert per["a"].limit == TWO_WAYS
    assert per["a"].kind in ("photo", "photo_with_landmark")
    by_landmark = [o.u95_then_deg for o in per["a"].options if o.kind == "landmark"]
    assert by_landmark[0] > 29.0


def test_an_outline_that_may_be_wrong_is_confirmed_by_another_photo_and_not_by_a_landmark(chosen):
    """Forecast, and the photo really taken: whose outline is right as often as usual."""
    unsure = with_outlines(chosen, lambda p, m: (replace(m, p_right=usual_p_right(), wrong=WRONG),))
    now = stated_u95(unsure)["a"]
    assert now > 2.0 * stated_u95(chosen)["a"]
    per, _ = next_evidence(unsure, budgets(unsure))
    assert per["a"].limit == MAY_BE_WRONG
    assert per["a"].kind in ("photo", "photo_with_landmark")
    _, by_landmark = of_kind(unsure, "landmark", "p1")
    assert by_landmark["a"] > 0.9 * now
    c = next(c for c in candidates(unsure) if c.kind == "photo" and "a" in c.views)
    f = forecast(unsure, [c])
    taken = photo_of(unsure, c, usual_p_right())
    again = solve_network(build([*unsure.network.photos, taken], unsure.network.antennas, 1.2), SURE)
    assert f.then_rad[0, 0] < 0.7 * now
    assert f.then_rad[0, 0] == pytest.approx(stated_u95(again)["a"], rel=5 * STATED)


@pytest.mark.parametrize("seed", range(6))
def test_at_drawn_sites_it_is_what_really_comes_to_a_quarter(kit, seed):
    """One photo to three, outlines that may be wrong, compasses that may be disturbed, good positions and bad ones."""
    rng = np.random.default_rng(seed)
    stations = tuple(
        kit.Station(
            name=f"p{k}",
            bearing_deg=float(rng.uniform(0, 120)),
            distance_m=float(rng.uniform(80, 120)),
            sees=("a", "b"),
        )
        for k in range(1 + seed % 3)
    )
    setting = kit.Setting(corner_px=0.15, gnss_m=(4.0, 15.0)[seed // 3])
    made = kit.make_site(stations, {"a": 40.0, "b": 80.0}, cam=kit.camera(35.0), setting=setting)

    def doubted(p: PhotoObservations) -> PhotoObservations:
        off = rng.normal(0, np.radians(6.0))
        boxes = {a: (replace(m, p_right=usual_p_right(), wrong=WRONG),) for a, (m,) in p.boxes.items()}
        return replace(p, boxes=boxes, headings=tuple(replace(h, value_rad=h.value_rad + off) for h in p.headings))

    photos = [doubted(p) for p in made.network.photos]
    whole = solve_network(build(photos, made.network.antennas, 1.2))
    for kind in ("landmark", "standpoint", "photo"):
        c, got = of_kind(whole, kind)

        def added(p: PhotoObservations, c: EvidenceCandidate = c) -> PhotoObservations:
            if p.name != c.photo:
                return p
            if c.kind == "landmark":
                return replace(p, aids=(landmark_of(c),))
            return replace(p, standpoints=(*p.standpoints, (p.start[3:5], 0.1 / RADIUS_95, "standpoint control")))

        more = [photo_of(whole, c, usual_p_right())] if kind == "photo" else []
        then = stated_u95(solve_network(build([*map(added, photos), *more], made.network.antennas, 1.2)))
        for a, u in then.items():
            assert got[a] == pytest.approx(u, rel=0.25), (kind, a)


# ---- what to bring --------------------------------------------------------------------------------------------------


def budgets(chosen: NetworkSolution) -> dict[str, tuple[BudgetShare, ...]]:
    out = {}
    for a in chosen.network.layout.antennas:
        shares = variance_shares(chosen.observations, chosen.adjusted, int(chosen.network.layout.antenna(a)[0]))
        whole = sum(shares.values())
        out[a] = tuple(BudgetShare(source=s, share=v / whole, u95_deg=1.0) for s, v in shares.items())
    return out


def test_without_a_landmark_one_is_asked_for(chosen):
    shares = budgets(chosen)
    per, whole = next_evidence(chosen, shares)
    stated = stated_u95(chosen)
    for a, n in per.items():
        assert n.kind == "landmark"
        assert n.needs_trip is False
        assert n.u95_now_deg == pytest.approx(np.degrees(stated[a]))
        assert n.u95_then_deg < 0.6 * n.u95_now_deg
        assert f"from {n.u95_now_deg:.1f}° to {n.u95_then_deg:.1f}°" in n.sentence
        assert n.limit == max(shares[a], key=lambda s: s.share).source
    assert whole.limit in ("camera compass", "camera position")
    said = (
        f"the {whole.limit} limits this; one landmark 300 m away or further in {whole.photo} would bring the median U95"
    )
    assert whole.sentence.startswith(said)
    assert whole.u95_now_deg == pytest.approx(np.degrees(np.median(list(stated.values()))))


def sharp_site(kit: Any, *sees: tuple[str, ...]) -> NetworkSolution:
    """Landmarks, sharp corners, places known to decimetres: the body's own shape is what remains of the uncertainty."""
    spots = {"mast": (-900.0, -160.0, 70.0), "spire": (500.0, 800.0, 60.0)}
    made = kit.make_site(
        (
            kit.Station(name="p1", bearing_deg=80.0, distance_m=60.0, sees=sees[0], landmarks=("mast",)),
            kit.Station(name="p2", bearing_deg=200.0, distance_m=60.0, sees=sees[1], landmarks=("spire",)),
            kit.Station(name="p3", bearing_deg=320.0, distance_m=60.0, sees=sees[2]),
        ),
        {"a": 20.0, "b": 140.0, "c": 260.0},
        cam=kit.camera(35.0),
        setting=kit.Setting(corner_px=0.03, gnss_m=0.1, site_m=0.1, offset_m=0.05, panel_roll_deg=0.1),
        landmarks=spots,
        landmark_m=0.2,
    )
    return solve_network(made.network)


def test_where_nothing_helps_noticeably_that_is_said(kit):
    chosen = sharp_site(kit, ("a", "b"), ("b", "c"), ("c", "a"))
    shape = {a: (BudgetShare(source="shape of the antenna", share=1.0, u95_deg=0.7),) for a in ("a", "b", "c")}
    per, whole = next_evidence(chosen, shape)
    for n in (*per.values(), whole):
        best = min(o.u95_then_deg for o in n.options)
        assert best > (1 - NOTICEABLE) * n.u95_now_deg
        assert n.bring is None
        assert n.u95_then_deg is None
        assert (
            "the shape of the antenna limits this; nothing that could be brought would make it much better"
            in n.sentence
        )


def test_what_helps_a_single_antenna_is_said_where_nothing_helps_them_all(kit):
    """Of c, which one photo alone shows, more can be known; a and b are as good as they get."""
    chosen = sharp_site(kit, ("a", "b"), ("b", "a"), ("c",))
    shape = {a: (BudgetShare(source="shape of the antenna", share=1.0, u95_deg=0.7),) for a in ("a", "b", "c")}
    per, whole = next_evidence(chosen, shape)
    assert whole.bring is None
    assert [a for a, n in per.items() if n.bring] == ["c"]
    c = per["c"]
    assert whole.sentence.endswith(
        f"; for c alone, {c.bring} would bring U95 from {u95(c.u95_now_deg)} to {u95(c.u95_then_deg)}"
    )


def test_a_panel_that_may_be_the_neighbours_limits_what_it_tells(kit):
    """a's only panel may be b's (0.3), which another photo shows: 95 % of a's azimuths are then most of the circle."""
    stations = tuple(
        kit.Station(name=f"p{k}", bearing_deg=60.0 + 40.0 * k, distance_m=60.0, sees=(a,)) for k, a in enumerate("ab")
    )
    made = kit.make_site(stations, {"a": 80.0, "b": 80.0})
    named = [replace(p, names={"a": (("b", 0.3),)} if p.name == "p0" else {}) for p in made.network.photos]
    chosen = solve_network(build(named, made.network.antennas, 1.2))
    budgets = {a: (BudgetShare(source="camera position", share=1.0, u95_deg=1.0),) for a in ("a", "b")}
    per, _ = next_evidence(chosen, budgets)
    assert per["a"].u95_now_deg > 90.0
    assert per["a"].sentence.startswith("which panel it is limits this; ")
    assert per["b"].limit == "camera position"


def test_the_least_trouble_is_chosen_of_what_helps_nearly_as_much():
    def made(**then: float) -> Forecast:
        return Forecast(
            antennas=("a",),
            candidates=tuple(EvidenceCandidate(kind=k, bring=k, observations=()) for k in then),
            now_rad=np.radians([10.0]),
            then_rad=np.radians([[v] for v in then.values()]),
        )

    normal = Mixture(np.ones(1), np.zeros(1), np.radians([10.0]) / K95)
    one = SimpleNamespace(posterior=SimpleNamespace(antennas={"a": Marginal(normal)}))

    share = {"a": (BudgetShare(source="camera compass", share=1.0, u95_deg=10.0),)}

    def kind(**then: float) -> str | None:
        return next_evidence(one, share, made(**then))[0]["a"].kind

    assert kind(photo=2.0, landmark=3.5) == "landmark"  # 6.5 of 8 degrees: nearly
    assert kind(photo=2.0, landmark=3.7) == "photo"  # 6.3 of 8: not
    assert kind(standpoint=5.0, bearing=5.1, photo=8.9) == "bearing"
    assert kind(photo=8.6, landmark=9.0) is None
    assert (NEARLY, NOTICEABLE) == (0.8, 0.15)


def test_landmarks_are_asked_for_only_where_the_horizon_is_in_the_frame(small_site):
    """From 50 and 60 m with a lens of 77 mm the frame begins far above the horizon, where the photo was not lowered."""
    got = {c.photo for c in candidates(solve_network(small_site.network)) if c.kind in ("landmark", "bearing")}
    assert "p2" not in got


def test_kinds_are_known_and_own_unknowns_stand_behind_the_networks(chosen):
    size = chosen.network.layout.size
    for c in candidates(chosen):
        assert c.kind in KINDS
        index, rows = information_rows(c, chosen.adjusted.x)
        assert index.max() < size
        assert rows.shape[1] == len(index)


def test_information_of_a_known_value_is_its_row():
    c = EvidenceCandidate(
        kind="standpoint",
        bring="",
        observations=(Directs("s", "", np.array([2, 5]), np.zeros(2), np.array([0.1, 0.5])),),
    )
    index, rows = information_rows(c, np.zeros(7))
    np.testing.assert_array_equal(index, [2, 5])
    np.testing.assert_allclose(rows, np.diag([10.0, 2.0]))


def test_adjusting_with_the_candidates_observations_states_the_same(chosen):
    """A landmark and the photo with it, their unknowns adjusted with all the others by the package's own adjustment."""
    layout = chosen.network.layout
    for kind in ("landmark", "photo_with_landmark"):
        c, got = of_kind(chosen, kind)
        all_of_it = adjust((*chosen.observations, *c.observations), np.concatenate([chosen.adjusted.x, c.extra]))
        for a in layout.antennas:
            variance = all_of_it.covariance[layout.antenna(a)[0], layout.antenna(a)[0]]
            assert got[a] == pytest.approx(K95 * np.sqrt(variance + SHAPE_SIGMA_RAD**2), rel=HELD)
