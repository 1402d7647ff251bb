"""Errors that nobody would notice: against planted ones, against dense algebra, and in words."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from photoaz.network.adjust import adjust, w_tests
from photoaz.network.observations import Direct, Known
from photoaz.network.parameters import Layout
from photoaz.network.reliability import (
    DELTA0,
    INSEPARABLE,
    LAMBDA0,
    LEAST_REDUNDANCY,
    _statements,
    controls,
    correlations,
    weak_points,
)


def linear_network(rng: np.random.Generator, unknowns: int = 6, count: int = 16) -> list[Any]:
    """Observations of one to three rows each, exactly those of a zero truth, and a weak prior on each unknown."""
    net: list[Any] = []
    for k in range(count):
        m = 1 + k % 3
        index = rng.permutation(unknowns)[:4]
        net.append(Known("source", f"row {k}", index, np.zeros(4), rng.normal(0, 1.5, (m, 4)), np.zeros(m)))
    return net + [Direct("prior", f"prior {k}", np.array([k]), 0.0, 5.0) for k in range(unknowns)]


@pytest.fixture
def net() -> list[Any]:
    return linear_network(np.random.default_rng(3))


def test_redundancy_numbers_are_those_of_the_projector(net):
    """Diagonal of I - A (A^T A)^-1 A^T by an orthonormal basis (QR) of the equations."""
    got = adjust(net, np.zeros(6))
    q, _ = np.linalg.qr(got.jacobian)
    parts = controls(got, [[k] for k in range(len(net))], np.array([0]))
    want = [(1 - (q[p.rows] ** 2).sum(1)).mean() for p in parts]
    np.testing.assert_allclose([p.redundancy for p in parts], want, atol=1e-10)


def test_planted_bias_is_found_with_the_power_promised(net):
    """A single row off by its detectable bias gives w a mean of 4.13, whatever the row: planted and adjusted anew."""
    got = adjust(net, np.zeros(6))
    single = [k for k, s in enumerate(got.rows) if s.stop - s.start == 1]
    for k in single[:5]:
        (part,) = controls(got, [[k]], net[k].index[:1])
        spoiled = list(net)
        spoiled[k] = replace(net[k], offset=part.bias[0])
        assert abs(w_tests(spoiled, adjust(spoiled, np.zeros(6)))[k]) == pytest.approx(DELTA0, rel=1e-6)


def test_effect_is_what_the_planted_bias_does(net):
    """External reliability: the worst bias of a group planted in its rows turns the unknown by the effect stated."""
    got = adjust(net, np.zeros(6))
    unknowns = np.array([0, 3])
    parts = controls(got, [[k] for k in range(len(net))], unknowns)
    for k in (0, 1, 2, 7, 8):
        for which, unknown in enumerate(unknowns):
            if net[k].index.tolist().count(unknown) == 0:
                continue
            spoiled = list(net)
            spoiled[k] = replace(net[k], offset=parts[k].bias[which])
            moved = adjust(spoiled, np.zeros(6)).x[unknown]
            assert moved == pytest.approx(parts[k].effect[which], rel=1e-6)


def test_no_other_bias_as_hard_to_find_does_more_harm(net):
    """Of 2000 random directions scaled to the same noncentrality none turns the unknown further; one nearly does."""
    rng = np.random.default_rng(4)
    got = adjust(net, np.zeros(6))
    k = 2
    s = got.rows[k]
    assert s.stop - s.start == 3
    part = controls(got, [[k]], np.array([1]))[0]
    gain = got.jacobian @ got.covariance
    q = np.eye(3) - gain[s] @ got.jacobian[s].T
    assert np.linalg.eigvalsh(q)[0] > LEAST_REDUNDANCY  # else the worst would be told as less than it is
    b = rng.normal(size=(2000, 3))
    b *= np.sqrt(LAMBDA0 / np.einsum("ni,ij,nj->n", b, q, b))[:, None]
    harm = np.abs(b @ gain[s][:, 1])
    assert harm.max() <= part.effect[0] * (1 + 1e-3)  # 4.13^2 is 17.06
    assert harm.max() > 0.98 * part.effect[0]


def test_correlation_of_single_rows_is_that_of_their_residuals(net):
    """Against the residuals of 20000 draws; their correlation has a standard error of at most 0.7 %."""
    rng = np.random.default_rng(5)
    got = adjust(net, np.zeros(6))
    single = [k for k, s in enumerate(got.rows) if s.stop - s.start == 1]
    rows = [got.rows[k].start for k in single]
    noise = rng.standard_normal((20000, len(got.residual)))
    left = noise - noise @ (got.jacobian @ got.covariance @ got.jacobian.T)
    want = np.abs(np.corrcoef(left[:, rows].T))
    found = correlations(got, controls(got, [[k] for k in single], np.array([0])))
    np.testing.assert_allclose(found, want, atol=4 * 0.007)


def test_two_that_alone_know_an_unknown_cannot_be_told_apart():
    net = [
        *(Direct("s", f"one {k}", np.array([0]), 1.0, 1.0 + k) for k in range(2)),
        *(Direct("s", f"other {k}", np.array([1]), 1.0, 1.0) for k in range(3)),
    ]
    got = adjust(net, np.zeros(2))
    found = correlations(got, controls(got, [[k] for k in range(5)], np.array([0])))
    assert found[0, 1] > INSEPARABLE
    np.testing.assert_allclose(found[2, 3:], 0.5)  # of three equal ones: residuals v_i = l_i - mean
    np.testing.assert_allclose(found[0, 2:], 0.0, atol=1e-12)


def test_what_nothing_controls_has_no_limit():
    net = [Direct("s", "alone", np.array([0]), 1.0, 1.0), *(Direct("s", "l", np.array([1]), 1.0, 1.0) for _ in "ab")]
    got = adjust(net, np.zeros(2))
    (controlled,) = controls(got, [[1]], np.array([1]))
    assert np.linalg.norm(controlled.bias) == pytest.approx(4.13 * np.sqrt(2), rel=1e-9)
    (part,) = controls(got, [[0]], np.array([0]))
    assert part.redundancy < LEAST_REDUNDANCY
    assert part.effect[0] == pytest.approx(DELTA0 / np.sqrt(LEAST_REDUNDANCY))


# ---- in words -------------------------------------------------------------------------------------------------------


def words(built: Any, **options: Any) -> tuple[str, ...]:
    return weak_points(built.observations, adjust(built.observations, built.truth), built.layout, **options)


def test_one_photo_cannot_tell_its_compass_from_positions(kit):
    """One photo alone: compass against the bearing between two positions, one contradiction for three suspects."""
    built = kit.make_site(
        (kit.Station(name="walk/p.jpg", bearing_deg=0.0, distance_m=50.0, sees=("A1",)),), {"A1": 0.0}
    )
    said = words(built)
    assert 1 <= len(said) <= 3
    first = next(s for s in said if "cannot be told apart" in s)
    assert "the GNSS position of p.jpg" in first
    assert "compass of p.jpg" in first
    assert all("A1" in s and "walk/" not in s for s in said)


def test_sizes_in_words_are_those_of_a_planted_error(kit):
    """'an error of X° would turn A1 by Y°': planted in the compass, the adjustment does turn by Y."""
    setting = kit.Setting(compass_deg=0.4)  # so good that the rest cannot control it
    station = kit.Station(name="p.jpg", bearing_deg=0.0, distance_m=50.0, sees=("A1",))
    built = kit.make_site((station,), {"A1": 0.0}, setting=setting)
    (said,) = (s for s in words(built, most=20) if s.startswith("nothing controls the camera compass of p.jpg"))
    told = re.search(r"an error of ([0-9.]+)° would go unnoticed and turn A1 by ([0-9.]+)°", said)
    assert told is not None
    size, turn = map(float, told.groups())
    drawn = [
        replace(o, value=o.value + np.radians(size)) if o.source == "camera compass" else o for o in built.observations
    ]
    moved = np.degrees(adjust(drawn, built.truth).x - built.truth)[built.layout.antenna("A1")[0]]
    assert abs(moved) == pytest.approx(turn, rel=0.05)  # both are told to two digits, and the site is curved


def test_more_photos_and_a_landmark_leave_less(kit):
    """With three photos and a landmark what could go unnoticed turns less than with one photo alone."""

    def worst(built: Any) -> float:
        got = adjust(built.observations, built.truth)
        k = [built.layout.antenna(a)[0] for a in built.layout.antennas]
        groups = [[n] for n, o in enumerate(built.observations) if o.source != "attitude assumed"]
        return max(float(p.effect.max()) for p in controls(got, groups, np.array(k)))

    one = kit.make_site(
        (kit.Station(name="p", bearing_deg=60.0, distance_m=50.0, sees=("a", "b")),), {"a": 0.0, "b": 120.0}
    )
    stations = tuple(
        kit.Station(
            name=f"p{k}",
            bearing_deg=60.0 + 120.0 * k,
            distance_m=50.0,
            sees=("abc"[k], "abc"[(k + 1) % 3]),
            landmarks=("mast",) if k == 0 else (),
        )
        for k in range(3)
    )
    many = kit.make_site(stations, {"a": 0.0, "b": 120.0, "c": 240.0}, landmarks={"mast": (-820.0, -500.0, 330.0)})
    assert worst(many) < 0.5 * worst(one)


def test_nothing_is_said_where_u95_covers_it(kit):
    built = kit.make_site((kit.Station(name="p", bearing_deg=0.0, distance_m=50.0, sees=("a",)),), {"a": 0.0})
    assert words(built, u95_rad={"a": 2.0}) == ()
    assert words(built, u95_rad={}) == ()
    assert len(words(built, most=1)) == 1


@pytest.mark.benchmark
def test_cost_beside_the_adjustment(kit):
    """Twelve photos, the wording with it: processor time against that of adjusting the network, in the same run."""
    stations = tuple(
        kit.Station(name=f"p{k}", bearing_deg=30.0 * k, distance_m=50.0 + k, sees=("a", "b")) for k in range(12)
    )
    built = kit.make_site(stations, {"a": 20.0, "b": 60.0})
    start = time.process_time()
    for _ in range(5):
        got = adjust(built.observations, built.truth)
    adjusted = time.process_time()
    assert len(got.residual) > 300
    for _ in range(5):
        weak_points(built.observations, got, built.layout)
    ratio = (time.process_time() - adjusted) / (adjusted - start)
    print(f"weak points of 12 photos: {ratio:.2f} times their adjustment")
    assert ratio < 1.0


def test_what_concerns_several_antennas_is_not_said_of_one_of_them():
    layout = Layout(("p.jpg",), ("A1", "B1"), ())
    both = np.concatenate([layout.antenna(a, "east", "north") for a in ("A1", "B1")])
    net = [
        Known("mounting offset", "where the antennas stand", both, np.zeros(4), np.eye(4), np.zeros(4)),
        Direct("downtilt assumed", "downtilt", layout.antenna("A1", "downtilt"), 0.0, 0.1),
    ]
    assert [s.name for s in _statements(net, layout)] == ["where the antennas stand", "the downtilt of A1"]
