"""What a site's posterior says where the answer is known: by the adjustment, by hand, or by how the site was drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from scipy import optimize
from scipy.stats import binom, norm

from photoaz.angles import Angle, wrap_rad
from photoaz.network.adjust import variance_shares
from photoaz.network.hypotheses import States
from photoaz.network.opened import UNKNOWN_RAD, opened
from photoaz.network.posterior import _joint
from photoaz.network.site import BOX_SOURCE, PhotoObservations, SiteNetwork, build
from photoaz.network.solution import NetworkSolution, solve_network
from photoaz.priors import CompassesKnown, Priors
from photoaz.quantities import COMPASS_DISTURBED_RAD, COMPASS_DISTURBED_SHARE, K95, SHAPE_SIGMA_RAD
from photoaz.vision.evidence import BoxMode, Spread

#: no compass is ever disturbed
SURE = Priors(compasses=CompassesKnown(disturbed_share=1e-9))

#: how a wrong outline's azimuth errs in these tests: shares and sigmas about it, the rest anywhere
WRONG = (Spread(0.3, float(np.radians(12.0))), Spread(0.4, float(np.radians(35.0))))


def rebuilt(site: Any, change: Callable[[PhotoObservations], PhotoObservations]) -> SiteNetwork:
    """The site's network with every photo's facts changed."""
    return build([change(p) for p in site.network.photos], site.network.antennas, 1.2)


def with_trust(p: PhotoObservations, p_right: float) -> PhotoObservations:
    """The photo's outlines right with this probability."""

    def one(m: BoxMode) -> BoxMode:
        return replace(m, p_right=p_right, wrong=WRONG)

    return replace(p, boxes={a: tuple(map(one, modes)) for a, modes in p.boxes.items()})


def with_heading(p: PhotoObservations, sigma_rad: float) -> PhotoObservations:
    """The photo's heading known to some uncertainty, by no compass."""
    known = Angle(value_rad=p.headings[0].value_rad, sigma_rad=sigma_rad, source="heading control", label="")
    return replace(p, headings=(known,))


def error_rad(site: Any, got: NetworkSolution, antenna: str) -> float:
    told = got.posterior.antennas[antenna].told.azimuth_rad
    return float(wrap_rad(told - site.truth[site.layout.antenna(antenna)[0]]))


# ---- nothing in doubt: the adjustment's own answer -------------------------------------------------------------------


@pytest.mark.parametrize("compasses", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_where_all_is_sure_it_is_the_adjustment(small_site, seed, compasses):
    """Azimuths, headings and their covariance as adjusted, each angle held within a turn besides."""
    rng = np.random.default_rng(seed)

    def off(p: PhotoObservations) -> PhotoObservations:
        moved = [replace(a, value_rad=a.value_rad + a.sigma_rad * rng.standard_normal()) for a in p.headings]
        return replace(p, headings=tuple(moved) if compasses else ())

    got = solve_network(rebuilt(small_site, off), SURE)
    layout, x = got.network.layout, got.adjusted.x
    antennas = np.array([layout.antenna(a)[0] for a in layout.antennas])
    photos = np.array([layout.photo(p)[0] for p in layout.photos])
    held = np.zeros(len(x))
    held[np.concatenate([antennas, photos])] = 1.0 / UNKNOWN_RAD**2
    information = np.linalg.inv(got.adjusted.covariance) + np.diag(held)
    unit = 1.0 / np.sqrt(np.diag(information))
    covariance = np.linalg.inv(information * unit[:, None] * unit) * unit[:, None] * unit
    for a, k in zip(layout.antennas, antennas, strict=True):
        told = got.posterior.antennas[a].told
        assert told.probability == pytest.approx(1.0, abs=1e-6)
        assert told.azimuth_rad == pytest.approx(x[k], abs=1e-6)
        assert told.sigma_rad == pytest.approx(np.hypot(np.sqrt(covariance[k, k]), SHAPE_SIGMA_RAD), abs=1e-6)
        # holding the angles changes next to nothing
        plain = np.hypot(np.sqrt(got.adjusted.covariance[k, k]), SHAPE_SIGMA_RAD)
        assert told.sigma_rad == pytest.approx(plain, rel=3e-3)
        assert got.posterior.antennas[a].u95_rad == pytest.approx(K95 * told.sigma_rad, rel=1e-4)
        assert set(got.posterior.outlines[a].values()) == {1.0}
    for p, k in zip(layout.photos, photos, strict=True):
        told = got.posterior.headings[p].told
        assert told.azimuth_rad == pytest.approx(x[k], abs=1e-6)
        # what outlines tell of a heading has the shape of bodies in it
        shares = variance_shares(got.observations, got.adjusted, int(k))
        shape = shares.get(BOX_SOURCE, 0.0) / sum(shares.values()) * SHAPE_SIGMA_RAD
        assert told.sigma_rad == pytest.approx(np.hypot(np.sqrt(covariance[k, k]), shape), abs=1e-6)
    site = opened(got.network, got.adjusted, got.observations, got.choice, SURE)
    shape = dict.fromkeys(layout.antennas, SHAPE_SIGMA_RAD)
    joint = _joint(States.begin(site.mean, site.covariance), site.antennas, (*site.antennas, *site.photos), shape)
    assert joint.weight == pytest.approx([1.0])
    assert joint.azimuth_rad[0] == pytest.approx(x[antennas], abs=1e-6)
    want = covariance[np.ix_(antennas, antennas)] + SHAPE_SIGMA_RAD**2 * np.eye(len(antennas))
    assert joint.covariance_rad2[0] == pytest.approx(want, rel=1e-5, abs=1e-9)


# ---- outlines that may be wrong --------------------------------------------------------------------------------------

P_RIGHT = 0.9
#: sites that are drawn
DRAWN = 60

drawn_stations = st.tuples(
    st.floats(0.0, 360.0),
    st.floats(15.0, 45.0),
    st.lists(st.tuples(st.floats(-12.0, 12.0), st.floats(40.0, 90.0)), min_size=3, max_size=3),
)


def seen_thrice(kit: Any, drawn: Any) -> Any:
    """Two antennas that face nearly alike, each in three photos taken from before them."""
    facing, apart, places = drawn
    stations = tuple(
        kit.Station(name=f"p{k}", bearing_deg=facing + 0.5 * apart + aim + by, distance_m=d, sees=("a", "b"))
        for k, (aim, (by, d)) in enumerate(zip((-45.0, 0.0, 45.0), places, strict=True))
    )
    return kit.make_site(stations, {"a": facing, "b": facing + apart})


@settings(
    max_examples=25,
    deadline=None,
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    drawn=drawn_stations,
    wrong=st.integers(0, 2),
    off_deg=st.floats(15.0, 60.0),
    sign=st.sampled_from([-1.0, 1.0]),
)
def test_one_of_three_outlines_that_is_wrong_is_named(kit, drawn, wrong, off_deg, sign):
    site = seen_thrice(kit, drawn)

    def change(p: PhotoObservations) -> PhotoObservations:
        p = with_trust(p, P_RIGHT)
        if p.name != f"p{wrong}":
            return p
        return replace(p, boxes={**p.boxes, "a": (kit.turned(p, p.boxes["a"][0], sign * off_deg),)})

    got = solve_network(rebuilt(site, change))
    right = got.posterior.outlines["a"]
    assert right[f"p{wrong}"] < 0.5
    assert min(v for p, v in right.items() if p != f"p{wrong}") > 0.5
    assert min(got.posterior.outlines["b"].values()) > P_RIGHT
    for a in "ab":
        assert abs(error_rad(site, got, a)) < got.posterior.antennas[a].u95_rad
    assert np.degrees(got.posterior.antennas["a"].u95_rad) < 15.0


def drawn_wholly(kit: Any, seed: int) -> tuple[Any, NetworkSolution, dict[tuple[str, str], bool]]:
    """A site whose photos' statements are drawn, compasses and outlines wrong as often as believed; what is right."""
    rng = np.random.default_rng(seed)
    places = [(float(rng.uniform(-12, 12)), float(rng.uniform(40, 90))) for _ in range(3)]
    site = seen_thrice(kit, (float(rng.uniform(0, 360)), float(rng.uniform(15, 45)), places))
    right: dict[tuple[str, str], bool] = {}
    shares = np.array([of.share for of in WRONG])

    def off(angles: tuple[Angle, ...], disturbed: float = 0.0) -> tuple[Angle, ...]:
        wide = COMPASS_DISTURBED_RAD if rng.random() < disturbed else 0.0
        return tuple(replace(a, value_rad=a.value_rad + (wide or a.sigma_rad) * rng.standard_normal()) for a in angles)

    def change(p: PhotoObservations) -> PhotoObservations:
        boxes = {}
        for a, (mode,) in with_trust(p, P_RIGHT).boxes.items():
            right[p.name, a] = bool(rng.random() < P_RIGHT)
            made = replace(mode, offset=mode.offset + rng.standard_normal(len(mode.offset)))
            if not right[p.name, a]:
                k = int(rng.choice(len(shares) + 1, p=[*shares, 1.0 - shares.sum()]))
                spread = WRONG[k].sigma_rad * rng.standard_normal() if k < len(shares) else rng.uniform(-np.pi, np.pi)
                made = kit.turned(p, made, float(np.degrees(spread)))
            boxes[a] = (made,)
        (at, sigma, source), *_ = p.standpoints
        return replace(
            p,
            headings=off(p.headings, COMPASS_DISTURBED_SHARE),
            pitches=off(p.pitches),
            rolls=off(p.rolls),
            standpoints=((at + sigma * rng.standard_normal(2), sigma, source),),
            boxes=boxes,
        )

    return site, solve_network(rebuilt(site, change)), right


def test_sites_drawn_as_believed_are_covered_and_outlines_as_probable_as_stated(kit):
    """Of a site one antenna counts; limits that a sound figure leaves in one of a thousand runs: binomial, normal."""
    held, p, came = [], [], []
    for seed in range(DRAWN):
        site, got, right = drawn_wholly(kit, seed)
        held.append(abs(error_rad(site, got, "a")) <= got.posterior.antennas["a"].u95_rad)
        for photo, stated in got.posterior.outlines["a"].items():
            p.append(stated)
            came.append(right[photo, "a"])
    low, high = binom.ppf([5e-4, 1 - 5e-4], DRAWN, 0.95)
    assert low <= sum(held) <= high
    told = np.array(p)
    z = (sum(came) - told.sum()) / np.sqrt((told * (1.0 - told)).sum())
    assert abs(z) < norm.isf(5e-4)
    # and they tell right ones from wrong ones
    assert told[np.array(came)].mean() > told[~np.array(came)].mean() + 0.5


def one_or_two(kit: Any, views: int, p_right: float) -> NetworkSolution:
    """An antenna in one photo or two, whose headings are known well."""
    stations = tuple(
        kit.Station(name=f"p{k}", bearing_deg=70.0 + 40.0 * k, distance_m=60.0, sees=("a",)) for k in range(views)
    )
    site = kit.make_site(stations, {"a": 80.0})
    return solve_network(rebuilt(site, lambda p: with_trust(with_heading(p, 0.01), p_right)))


def test_one_view_alone_may_be_anything_with_what_is_left(kit):
    """95 % of a right outline's distribution and the parts of a wrong one's, by scipy's distribution functions."""
    got = one_or_two(kit, 1, P_RIGHT)
    of = got.posterior.antennas["a"]
    sure = one_or_two(kit, 1, 1.0).posterior.antennas["a"].told.sigma_rad
    parts = [
        (P_RIGHT, sure),
        *(((1 - P_RIGHT) * share, spread) for share, spread in ((w.share, w.sigma_rad) for w in WRONG)),
    ]
    flat = 1.0 - sum(share for share, _ in parts)

    def missing(r: float) -> float:
        return sum(share * (2 * norm.cdf(r / s) - 1) for share, s in parts) + flat * r / np.pi - 0.95

    want = optimize.brentq(missing, 0.0, np.pi)
    assert of.u95_rad == pytest.approx(want, rel=0.1)  # all of it held within about a turn
    assert np.degrees(of.u95_rad) > 10.0
    assert got.posterior.outlines["a"]["p0"] == pytest.approx(P_RIGHT, abs=0.01)
    within = float(of.mixture.between(of.told.azimuth_rad - 3.0 * sure, of.told.azimuth_rad + 3.0 * sure))
    assert within == pytest.approx(missing(3.0 * sure) + 0.95, abs=0.01)


def test_two_that_agree_are_as_good_as_sure(kit):
    got, sure = (one_or_two(kit, 2, p).posterior for p in (P_RIGHT, 1.0))
    assert got.antennas["a"].u95_rad < 1.3 * sure.antennas["a"].u95_rad
    assert min(got.outlines["a"].values()) > 0.97


def heading_of(kit: Any, p_right: float | None) -> tuple[float, float]:
    """How far off a photo's heading is told, and its sigma [rad], where b's outline lies beside its panel.

    It is larger by a twentieth, too. p_right: of that outline; None: it is not there. Outline a is right.
    """
    station = kit.Station(name="p0", bearing_deg=70.0, distance_m=60.0, sees=("a", "b"))
    site = kit.make_site((station,), {"a": 80.0, "b": 60.0})

    (photo,) = site.network.photos
    boxes = {"a": photo.boxes["a"]}
    if p_right is not None:
        (mode,) = photo.boxes["b"]
        beside = mode.centre_px + np.array([40.0, 0.0])
        off = replace(mode, ln_size=mode.ln_size + 0.05, centre_px=beside, wrong=WRONG, p_right=p_right)
        boxes["b"] = (off,)
    antennas = [a for a in site.network.antennas if a.name in boxes]
    told = solve_network(build([replace(photo, boxes=boxes)], antennas, 1.2)).posterior.headings["p0"].told
    return float(wrap_rad(told.azimuth_rad - site.truth[site.layout.photo("p0")[0]])), told.sigma_rad


def test_an_outline_that_is_not_believed_turns_no_photo(kit):
    """Taken for right it does; where nobody believes it, the heading is told as if it were not there."""
    off, sigma = heading_of(kit, None)
    unbelieved = heading_of(kit, 1e-6)
    # linear about an adjustment that it did move
    assert unbelieved[0] == pytest.approx(off, abs=np.radians(0.04))
    assert unbelieved[1] == pytest.approx(sigma, rel=0.03)
    assert abs(heading_of(kit, 1.0)[0] - off) > np.radians(0.15)


# ---- names that are not certain --------------------------------------------------------------------------------------

P_OTHER = 0.3


def named(kit: Any, names: dict[str, dict[str, Any]], wrong: tuple[str, ...] = ()) -> tuple[Any, NetworkSolution]:
    """Antennas a and b, both in photo p0, and b in p1. names: by photo. wrong: photos whose panel a is b's in truth."""
    stations = (
        kit.Station(name="p0", bearing_deg=60.0, distance_m=60.0, sees=("a", "b")),
        kit.Station(name="p1", bearing_deg=100.0, distance_m=60.0, sees=("b",)),
    )
    site = kit.make_site(stations, {"a": 40.0, "b": 80.0})

    def change(p: PhotoObservations) -> PhotoObservations:
        p = with_heading(p, 0.01)
        if p.name in wrong:
            p = replace(p, boxes={**p.boxes, "a": (kit.turned(p, p.boxes["a"][0], 40.0),)})
        if p.name == "p1" and "p1" not in names:
            return replace(p, names={})
        return replace(p, names=names.get(p.name, {}))

    return site, solve_network(rebuilt(site, change))


def test_two_panels_that_may_be_exchanged(kit):
    """Each is its own with 0.7: both right 0.49, exchanged 0.09; both the same one never, they are 40 degrees apart."""
    stations = (kit.Station(name="p0", bearing_deg=60.0, distance_m=60.0, sees=("a", "b")),)
    site = kit.make_site(stations, {"a": 40.0, "b": 80.0})
    names = {"a": (("b", P_OTHER),), "b": (("a", P_OTHER),)}
    # no design tells them apart
    antennas = [replace(a, design_known=False) for a in site.network.antennas]
    photos = [replace(with_heading(p, 0.01), names=names) for p in site.network.photos]
    got = solve_network(build(photos, antennas, 1.2))
    want = P_OTHER**2 / (P_OTHER**2 + (1 - P_OTHER) ** 2)
    for a, own, other in (("a", 40.0, 80.0), ("b", 80.0, 40.0)):
        first, second, *_ = got.posterior.antennas[a].mixture.peaks()
        assert np.degrees(first.azimuth_rad) == pytest.approx(own, abs=0.1)
        assert np.degrees(second.azimuth_rad) == pytest.approx(other, abs=1.0)
        assert second.probability == pytest.approx(want, abs=0.02)
        assert got.posterior.outlines[a]["p0"] == pytest.approx(1.0 - want, abs=0.02)


def test_another_photo_tells_whose_a_panel_is(kit):
    """Panel a of p0 may be b, whose azimuth p1 and the other panel tell: it is 40 degrees from it, or just there."""
    names = {"p0": {"a": (("b", P_OTHER),)}}
    site, got = named(kit, names)
    assert got.posterior.outlines["a"]["p0"] > 0.99
    assert abs(error_rad(site, got, "a")) < got.posterior.antennas["a"].u95_rad
    assert np.degrees(got.posterior.antennas["a"].u95_rad) < 5.0
    _, got = named(kit, names, wrong=("p0",))
    # by hand: the density of agreeing with b, known to some degrees, over that of any azimuth, 1 / 2 pi
    sigma = np.sqrt(2.0) * got.posterior.antennas["b"].told.sigma_rad
    odds = P_OTHER / (1 - P_OTHER) * norm.pdf(0.0, 0.0, sigma) * 2 * np.pi
    assert got.posterior.outlines["a"]["p0"] == pytest.approx(1.0 / (1.0 + odds), abs=0.05)
    assert np.degrees(got.posterior.antennas["a"].u95_rad) > 45.0


def test_a_panel_of_none_of_the_antennas_says_nothing(kit):
    _, got = named(kit, {"p0": {"a": ((None, 0.25),)}})
    told = got.posterior.antennas["a"].told
    assert got.posterior.outlines["a"]["p0"] == pytest.approx(0.75, abs=0.01)
    assert told.probability == pytest.approx(0.75, abs=0.01)


@pytest.mark.parametrize("hung", [True, False])
def test_a_neighbour_that_points_the_same_way_is_no_reason_to_take_a_panel_for_its(kit, hung):
    """Panel a of p0 may be b, which p1 sees as well, and points as b does; a's design says as much, or nothing.

    With the designs the odds of the names are those of two normal densities, about a's design and about b; without any
    they are those of b's density and of any azimuth (`test_another_photo_tells_whose_a_panel_is`).
    """
    p_other = 0.1
    stations = (
        kit.Station(name="p0", bearing_deg=60.0, distance_m=60.0, sees=("a",)),
        kit.Station(name="p1", bearing_deg=100.0, distance_m=60.0, sees=("b",)),
    )
    site = kit.make_site(stations, {"a": 80.0, "b": 80.0})
    names = {"p0": {"a": (("b", p_other),)}, "p1": {}}
    antennas = [replace(a, design_known=hung, design_rad=float(np.radians(80.0))) for a in site.network.antennas]
    photos = [replace(with_heading(p, 0.01), names=names[p.name]) for p in site.network.photos]
    got = solve_network(build(photos, antennas, 1.2)).posterior
    own = got.antennas["a"].told.sigma_rad
    seen = np.hypot(own, got.antennas_known["b"].told.sigma_rad)
    known = Priors().antennas
    tolerance = next(a.tolerance_rad for a in antennas if a.name == "a")
    spread = np.hypot(known.as_designed_spread * tolerance, own)
    of_a = (1.0 - known.turned_share) * norm.pdf(0.0, 0.0, spread) if hung else 1.0 / (2.0 * np.pi)
    odds = p_other / (1.0 - p_other) * norm.pdf(0.0, 0.0, seen) / of_a
    assert got.outlines["a"]["p0"] == pytest.approx(1.0 / (1.0 + odds), abs=0.05)
    assert (got.outlines["a"]["p0"] > 0.5) == hung
    # and where the panel is b's the photos say nothing of a
    assert got.antennas["a"].mixture.between(np.radians(100.0), np.radians(400.0)) == pytest.approx(
        (1.0 - got.outlines["a"]["p0"]) * 300.0 / 360.0, abs=0.02
    )


# ---- how antennas hang, and sites built to a wrong north -------------------------------------------------------------


def off_design(kit: Any, off_deg: dict[str, float]) -> NetworkSolution:
    """Three sectors in three photos of known headings. off_deg: how far each antenna hangs off its design."""
    stations = tuple(
        kit.Station(name=f"p{k}", bearing_deg=80.0 + 120.0 * k, distance_m=60.0, sees=s)
        for k, s in enumerate((("a", "b"), ("b", "c"), ("c", "a")))
    )
    site = kit.make_site(stations, {"a": 20.0, "b": 140.0, "c": 260.0})
    antennas = [
        replace(a, design_rad=float(site.truth[site.layout.antenna(a.name)[0]] - np.radians(off_deg.get(a.name, 0.0))))
        for a in site.network.antennas
    ]
    return solve_network(build([with_heading(p, 0.01) for p in site.network.photos], antennas, 1.2))


def test_all_off_their_design_by_the_same_angle_is_an_error_of_the_site(kit):
    assert off_design(kit, dict.fromkeys("abc", 12.0)).posterior.site_error > 0.5
    assert off_design(kit, dict.fromkeys("abc", -12.0)).posterior.site_error > 0.5


@pytest.mark.parametrize("one", "abc")
def test_one_off_its_design_is_not(kit, one):
    got = off_design(kit, {one: 12.0}).posterior
    assert got.site_error < 0.05
    # what the design is worth: the photos tell the azimuth, nothing pulls it back
    by_photos, known = got.antennas[one].told, got.antennas_known[one].told
    assert abs(known.azimuth_rad - by_photos.azimuth_rad) < by_photos.sigma_rad


def test_designs_that_are_met_help_and_change_nothing_by_the_photos_alone(kit):
    got, off = off_design(kit, {}).posterior, off_design(kit, {"a": 30.0}).posterior
    assert got.site_error < 0.03
    for a in "abc":
        assert got.antennas_known[a].told.sigma_rad < got.antennas[a].told.sigma_rad
        assert got.antennas[a].u95_rad == pytest.approx(off.antennas[a].u95_rad, rel=1e-9)
