"""Photos taken moments apart: against dense generalised least squares, drawn common errors, and closed forms."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from photoaz import quantities as q
from photoaz.network.adjust import adjust, linearise, variance_shares
from photoaz.network.candidates import candidates
from photoaz.network.forecast import information_rows, updated_covariance
from photoaz.network.reliability import weak_points
from photoaz.network.site import SiteNetwork, build
from photoaz.network.solution import solve_network
from photoaz.network.stands import FIX, STEP, Moment, stands_of

Array = NDArray[Any]

GNSS_M, COMPASS_DEG = 4.0, 6.0


def site_of(kit: Any, *, aside_m: float = 0.0, landmark: bool = False, photos: int = 2) -> Any:
    """Photos of two antennas from one place (each the same metres farther out than the last), and its truth."""
    stations = tuple(
        kit.Station(
            name=f"p{k}",
            bearing_deg=80.0,
            distance_m=60.0 + k * aside_m,
            sees=("A1", "B1"),
            landmarks=("hill",) if landmark and k == 0 else (),
        )
        for k in range(photos)
    )
    hill = {"hill": (-3000.0, -480.0, 60.0)}
    if not landmark:
        return kit.make_site(stations, {"A1": 30.0, "B1": 120.0})
    # a steep view of a camera that may be rolled tells bearings less well: here it is level and sound
    cam, level = kit.camera(26.0, principal_sigma_px=0.5), kit.Setting(roll_deg=0.05)
    return kit.make_site(stations, {"A1": 30.0, "B1": 120.0}, landmarks=hill, cam=cam, setting=level)


def at_times(network: SiteNetwork, seconds: tuple[float | None, ...], camera: str = "pine 3") -> list[Any]:
    """The network's photos, taken at these seconds of one camera's clock."""
    return [replace(p, moment=Moment(camera=camera, local_s=s)) for p, s in zip(network.photos, seconds, strict=True)]


def erring(photos: list[Any], fixes_m: Array, compasses_rad: Array) -> list[Any]:
    """Photos whose fixes (n, 2) and compasses (n,) are off."""
    return [
        replace(
            p,
            standpoints=tuple((at + e, s, n) for at, s, n in p.standpoints),
            headings=tuple(replace(a, value_rad=a.value_rad + c) for a in p.headings),
        )
        for p, e, c in zip(photos, fixes_m, compasses_rad, strict=True)
    ]


def chosen_of(network: SiteNetwork) -> Any:
    """All observations with every outline's only mode."""
    return network.observations({(p.name, a): 0 for p in network.photos for a in p.boxes})


def fix_covariance(seconds: float) -> Array:
    """Of two fixes' errors along one axis, by hand: a Gauss-Markov process and white noise."""
    alike = (1.0 - q.FIX_OWN_SHARE**2) * np.exp(-seconds / q.FIX_TIME_S)
    return GNSS_M**2 * np.array([[1.0, alike], [alike, 1.0]])


def compass_covariance(n: int = 2) -> Array:
    own = q.COMPASS_OWN_SHARE**2
    return np.radians(COMPASS_DEG) ** 2 * ((1.0 - own) * np.ones((n, n)) + own * np.eye(n))


# ---- against dense generalised least squares -------------------------------------------------------------------------


@pytest.mark.parametrize("seconds", [8.0, 120.0])
def test_a_pair_is_the_dense_adjustment_with_the_full_covariance(kit, seconds: float) -> None:
    """Fixes, compasses and the step as one vector of observations whose covariance matrix is written out."""
    rng = np.random.default_rng(5)
    site = site_of(kit)
    # so near to each other that their difference says nothing of a walk
    fixes, compasses = 1.5 * np.ones((2, 2)) + rng.normal(0.0, 0.1, (2, 2)), np.radians([4.0, 5.5])
    pair = erring(at_times(site.network, (0.0, seconds)), fixes, compasses)
    network = build(pair, site.network.antennas, 1.2)
    (stand,) = network.stands
    assert [m.photo for m in stand.members] == ["p0", "p1"]
    got = adjust(chosen_of(network), network.start, layout=network.layout)
    assert got.converged

    plain = build([replace(p, moment=None) for p in pair], network.antennas, 1.2)
    size = plain.layout.size
    keep = np.arange(size)  # photos, antennas and site come first, stands last
    x = got.x[keep]
    shared = ("camera compass", FIX, "camera height")
    rest = [o for o in chosen_of(plain) if o.source not in shared]
    r, j, _ = linearise(rest, x)
    normal, side = j.T @ j, -j.T @ r

    def observe(index: list[int], coefficients: Array, off: Array, covariance: Array) -> None:
        nonlocal normal, side
        a = np.zeros((len(off), size))
        a[:, index] = coefficients
        weight = np.linalg.inv(covariance)
        normal, side = normal + a.T @ weight @ a, side + a.T @ weight @ off

    layout = plain.layout
    for axis, name in enumerate(("east", "north")):
        index = [int(layout.photo(p, name)[0]) for p in ("p0", "p1")]
        said = np.array([p.standpoints[0][0][axis] for p in pair])
        observe(index, np.eye(2), said - x[index], fix_covariance(seconds))
        step = np.array([[q.STEP_M**2 + (q.STEP_M_PER_S * seconds) ** 2]])
        observe(index, np.array([[1.0, -1.0]]), -(x[index[:1]] - x[index[1:]]), step)
    index = [int(layout.photo(p, "heading")[0]) for p in ("p0", "p1")]
    said = np.array([p.headings[0].value_rad for p in pair])
    observe(index, np.eye(2), said - x[index], compass_covariance())
    # the camera is held at one height but for a little: one word about the ground
    index = [int(layout.photo(p, "up")[0]) for p in ("p0", "p1")]
    up = q.HELD_STEP_M**2 + q.GROUND_SLOPE_SHARE**2 * 0.5 * float(step[0, 0])
    observe(index, np.eye(2), 1.5 - x[index], 0.5**2 * np.ones((2, 2)) + up * np.eye(2))

    covariance = np.linalg.inv(normal)
    unit = np.sqrt(np.diag(covariance))
    assert got.covariance[np.ix_(keep, keep)] / np.outer(unit, unit) == pytest.approx(
        covariance / np.outer(unit, unit), abs=2e-4
    )
    # a further step of the dense adjustment from where the network rests is none
    assert np.abs(covariance @ side / unit).max() < 1e-3


def test_two_photos_of_one_place_are_not_two_compasses(kit) -> None:
    """Where nothing but compasses tells the headings, their sigma is hardly less than one compass's own."""
    site = site_of(kit)
    wild = [replace(p, standpoints=tuple((at, 500.0, n) for at, _, n in p.standpoints)) for p in site.network.photos]
    far = replace(site.network, photos=tuple(wild))

    def sigma_deg(photos: list[Any]) -> float:
        network = build(photos, site.network.antennas, 500.0)
        got = adjust(chosen_of(network), network.start, layout=network.layout)
        k = int(network.layout.photo("p0", "heading")[0])
        return float(np.degrees(np.sqrt(got.covariance[k, k])))

    own = q.COMPASS_OWN_SHARE**2
    wanted = COMPASS_DEG * np.sqrt(1.0 - own + own / 2.0)
    assert sigma_deg(at_times(far, (0.0, 12.0))) == pytest.approx(wanted, rel=0.02)
    assert sigma_deg([*wild]) == pytest.approx(COMPASS_DEG / np.sqrt(2.0), rel=0.02)


def test_the_tower_carries_the_heading_from_the_wide_photo_to_the_long_one(kit) -> None:
    """A landmark in one photo only: the other's heading follows by the tower's bearing, as well as the step is known.

    By hand: the tower at 60 m is seen under step / 60 m differently, the step's two halves in quadrature.
    """
    site = site_of(kit, landmark=True)
    photos = [
        replace(p, headings=(), standpoints=tuple((a, 1.0, n) for a, _, n in p.standpoints))
        for p in site.network.photos
    ]
    near = replace(site.network, photos=tuple(photos))

    def sigmas_deg(some: list[Any]) -> Array:
        network = build(some, site.network.antennas, 1.2)
        got = adjust(chosen_of(network), network.start, layout=network.layout)
        k = [int(network.layout.photo(p, "heading")[0]) for p in ("p0", "p1")]
        c = got.covariance
        return np.degrees(np.sqrt([c[k[0], k[0]], c[k[1], k[1]], c[k[0], k[0]] + c[k[1], k[1]] - 2 * c[k[0], k[1]]]))

    wide, long, between = sigmas_deg(moved(at_times(near, (0.0, 10.0)), 0.0, 0.2))
    assert long < 1.3 * np.hypot(wide, between)
    step = np.hypot(q.STEP_M, 10.0 * q.STEP_M_PER_S)
    # the fixes themselves tell a little of the step as well
    fixes = np.sqrt(2.0 * (1.0 - (1.0 - q.FIX_OWN_SHARE**2) * np.exp(-10.0 / q.FIX_TIME_S)))
    wanted = np.degrees((step**-2 + fixes**-2) ** -0.5 / 60.0)
    assert between == pytest.approx(wanted, rel=0.15)
    assert long < 0.75 * sigmas_deg(photos)[1]


# ---- against draws ---------------------------------------------------------------------------------------------------


def test_headings_scatter_as_stated_where_errors_are_common(kit) -> None:
    """Pairs with drawn steps and common errors: mean squares of errors over variances, chi-square limits at 99.9 %.

    The same draws, counted as independent photos, lie far outside.
    """
    rng = np.random.default_rng(11)
    seconds, draws = 12.0, 150
    fix, compass = np.linalg.cholesky(fix_covariance(seconds)), np.linalg.cholesky(compass_covariance())
    step = np.hypot(q.STEP_M, seconds * q.STEP_M_PER_S)
    squares: dict[bool, list[float]] = {True: [], False: []}
    for _ in range(draws):
        moved = rng.normal(0.0, step / np.sqrt(2.0), (2, 2))
        stations = tuple(
            kit.Station(name=f"p{k}", bearing_deg=80.0 + np.degrees(a / 60.0), distance_m=60.0 + b, sees=("A1", "B1"))
            for k, (a, b) in enumerate(moved)
        )
        site = kit.make_site(stations, {"A1": 30.0, "B1": 120.0})
        # a tower that stands elsewhere than the register says is a fix that is off by as much
        fixes = fix @ rng.standard_normal((2, 2)) + rng.normal(0.0, 1.2, 2)
        photos = erring(at_times(site.network, (0.0, seconds)), fixes, compass @ rng.standard_normal(2))
        for told, some in ((True, photos), (False, [replace(p, moment=None) for p in photos])):
            network = build(some, site.network.antennas, 1.2)
            got = adjust(chosen_of(network), network.start, layout=network.layout)
            k = int(network.layout.photo("p0", "heading")[0])
            squares[told].append(float((got.x[k] - site.truth[k]) ** 2 / got.covariance[k, k]))
    low, high = stats.chi2.ppf([0.0005, 0.9995], draws)
    assert low < sum(squares[True]) < high
    assert sum(squares[False]) > high


# ---- whole sites -----------------------------------------------------------------------------------------------------


def two_places(kit: Any, off_deg: tuple[float, ...], fixes_m: Array | None = None) -> Any:
    """A pair, and two single photos from elsewhere; compasses off by so many degrees. Solved."""
    stations = (
        kit.Station(name="a1", bearing_deg=80.0, distance_m=60.0, sees=("A1", "B1")),
        kit.Station(name="a2", bearing_deg=80.0, distance_m=60.4, sees=("A1", "B1"), aside_deg=2.0),
        kit.Station(name="b", bearing_deg=170.0, distance_m=70.0, sees=("A1", "B1")),
        kit.Station(name="c", bearing_deg=20.0, distance_m=65.0, sees=("A1", "B1")),
    )
    site = kit.make_site(stations, {"A1": 30.0, "B1": 120.0})
    photos = at_times(site.network, (0.0, 9.0, 2000.0, 4000.0))
    photos = erring(photos, np.zeros((4, 2)) if fixes_m is None else fixes_m, np.radians(off_deg))
    return site, solve_network(build(photos, site.network.antennas, 1.2))


def test_a_disturbed_compass_is_disturbed_in_both(kit) -> None:
    """None of the two is trusted while its twin is not."""
    site, got = two_places(kit, (58.0, 61.0, 1.0, -2.0))
    assert got.disturbed == {"a1", "a2"}
    assert min(got.posterior.disturbed[p] for p in ("a1", "a2")) > 0.9
    assert max(got.posterior.disturbed[p] for p in ("b", "c")) < 0.2
    for p in ("a1", "a2"):
        off = got.posterior.headings[p].told.azimuth_rad - site.truth[got.network.layout.photo(p, "heading")[0]]
        assert abs(np.degrees(off)) < 4.0


def test_one_alone_may_be_disturbed(kit) -> None:
    """Two compasses of one stand that contradict each other: all else says which."""
    _, got = two_places(kit, (1.0, 70.0, 1.0, -2.0))
    assert got.disturbed == {"a2"}
    assert got.posterior.disturbed["a2"] > 0.9 > 0.3 > got.posterior.disturbed["a1"]


def test_fine_pairs_are_let_alone(kit) -> None:
    _, got = two_places(kit, (3.0, 4.0, 1.0, -2.0))
    assert not got.disturbed
    assert not got.left_out
    assert max(got.posterior.disturbed.values()) < 0.3


def test_a_wrong_fix_is_wrong_for_both(kit) -> None:
    """Both fixes 120 m off, alike: what they share is left out, not one of them."""
    far = np.array([[120.0, 30.0], [120.4, 30.1], [1.0, 0.0], [0.0, 1.0]])
    site, got = two_places(kit, (1.0, 2.0, 1.0, -2.0), far)
    assert [o.label for o in got.left_out] == ["standpoint of a1 and a2"]
    k = got.network.layout.photo("a1", "east", "north")
    assert np.hypot(*(got.adjusted.x[k] - site.truth[k])) < 5.0


def test_the_order_of_photos_changes_nothing(kit) -> None:
    _, got = two_places(kit, (8.0, 10.0, 1.0, -2.0))
    turned = build(tuple(reversed(got.network.photos)), tuple(reversed(got.network.antennas)), 1.2)
    assert turned.stands == () or [s.name for s in turned.stands] == [s.name for s in got.network.stands]
    again = solve_network(turned)
    for p, m in got.posterior.headings.items():
        assert again.posterior.headings[p].told.azimuth_rad == pytest.approx(m.told.azimuth_rad, abs=1e-6)
        assert again.posterior.headings[p].u95_rad == pytest.approx(m.u95_rad, rel=1e-4)


# ---- who belongs together --------------------------------------------------------------------------------------------


def groups(photos: list[Any]) -> list[list[str]]:
    return [[m.photo for m in s.members] for s in stands_of(photos)]


def moved(photos: list[Any], *metres: float) -> list[Any]:
    """Photos whose fixes lie so many metres farther east."""
    return [
        replace(p, standpoints=tuple((at + np.array([m, 0.0]), s, n) for at, s, n in p.standpoints))
        for p, m in zip(photos, metres, strict=True)
    ]


def test_what_belongs_together(kit) -> None:
    network = site_of(kit, photos=3).network
    near = moved(at_times(network, (30.0, 0.0, 900.0)), 0.0, 1.0, 2.0)
    assert groups(near) == [["p1", "p0"]]  # in the order of time; the third came a quarter of an hour later
    assert groups(near[::-1]) == groups(near)
    assert groups(moved(near, 0.0, 40.0, 0.0)) == []  # walked on
    assert groups([replace(near[0], moment=Moment(camera="oak 1", local_s=30.0)), *near[1:]]) == []
    assert groups([replace(p, moment=None) for p in near]) == []
    # nobody knows which camera: time and place are not enough
    assert groups([replace(p, moment=replace(p.moment, camera="")) for p in near]) == []
    # of one the clock is not known, of the other the satellites' time
    mixed = [replace(near[0], moment=Moment(camera="pine 3", utc_s=0.0)), *near[1:2]]
    assert groups(mixed) == []


def test_a_fix_taken_over_is_used_once(kit) -> None:
    """The same to the last digit: of the first photo; how far the other walked since, nobody knows."""
    network = site_of(kit).network
    for seconds, walked in (((0.0, 20.0), q.WALK_M_PER_S * 20.0), ((None, None), q.WALK_M_PER_S * q.UNTIMED_S)):
        (stand,) = stands_of(at_times(network, seconds, "pine 3"))
        first, other = stand.members
        assert first.taken_over is None
        assert other.taken_over == "p0"
        assert other.fix is None
        assert other.step_m[0] == pytest.approx(np.hypot(walked, q.STEP_M / np.sqrt(2.0)), rel=0.05)
    # after half a minute without a new fix nobody knows whether it is the same steel either
    for seconds, shared in (((0.0, 20.0), True), ((0.0, 60.0), False), ((None, None), False)):
        (stand,) = stands_of(at_times(network, seconds, "pine 3"))
        assert (stand.compass_sigma_rad is not None) == shared
        assert all((m.compass is not None) == shared for m in stand.members)
    fixes = [o for o in build(at_times(network, (0.0, 20.0)), network.antennas, 1.2).fixed if o.source == FIX]
    assert len(fixes) == 2  # the one fix, and what is wrong with it


def test_a_step_is_less_sure_with_time_and_with_fixes_apart(kit) -> None:
    network = site_of(kit).network

    def step_m(seconds: float, apart: float) -> float:
        (stand,) = stands_of(moved(at_times(network, (0.0, seconds)), 0.0, apart))
        return float(np.hypot(*(m.step_m[0] for m in stand.members)))

    assert step_m(5.0, 0.5) == pytest.approx(np.hypot(q.STEP_M, 5.0 * q.STEP_M_PER_S), rel=1e-6)
    assert step_m(120.0, 0.5) == pytest.approx(np.hypot(q.STEP_M, 120.0 * q.STEP_M_PER_S), rel=1e-6)
    assert step_m(5.0, 4.0) > 2.0  # three metres per axis less what fixes scatter


# ---- what is derived from the network --------------------------------------------------------------------------------


def test_what_could_be_brought_is_what_the_network_makes_of_it(kit) -> None:
    """A surveyed standpoint of one photo of a pair: the forecast against the network adjusted anew with it."""
    _, got = two_places(kit, (3.0, 4.0, 1.0, -2.0))
    layout = got.network.layout
    told = [c for c in candidates(got) if c.kind == "standpoint" and c.photo == "a1"]
    (of,) = told
    azimuths = np.array([layout.antenna(a, "azimuth")[0] for a in layout.antennas])
    index, rows = information_rows(of, got.adjusted.x)
    then = updated_covariance(got.adjusted.covariance, index, rows, azimuths)
    anew = adjust((*got.observations, *of.observations), got.adjusted.x, layout=layout)
    assert np.diag(then) == pytest.approx(anew.covariance[azimuths, azimuths], rel=1e-3)
    for k in azimuths:
        shares = variance_shares(got.observations, got.adjusted, int(k))
        assert STEP in shares
        assert sum(shares.values()) == pytest.approx(got.adjusted.covariance[k, k], rel=1e-3)


def test_what_nothing_controls_is_said_of_a_pair_as_a_whole(kit) -> None:
    """One pair alone: what its fixes have in common is no photo's own."""
    site = site_of(kit)
    photos = erring(at_times(site.network, (0.0, 9.0)), np.array([[0.0, 0.0], [0.3, 0.0]]), np.zeros(2))
    got = solve_network(build(photos, site.network.antennas, 1.2))
    said = weak_points(got.observations, got.adjusted, got.network.layout, most=9)
    assert any("GNSS position of p0 and p1" in s for s in said), said
