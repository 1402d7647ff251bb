"""What must hold of every network, whatever the site: turned, mirrored, in another order, observed better or less.

Sites are drawn by hypothesis; nothing here knows a right answer, only how answers must be related.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from photoaz.network.adjust import adjust
from photoaz.network.heading_aids import AidObservation
from photoaz.network.observations import Box, Direct, Directs, wrap
from photoaz.network.site import build
from photoaz.network.solution import solve_network

NAMES = ("a", "b", "c")
#: two adjustments of the same equations, written another way round, agree to this
SAME_RAD = 1e-7
SAME_SHARE = 1e-5
HOUSE = settings(
    max_examples=8,
    deadline=None,
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)

azimuths = st.floats(0.0, 360.0)
stands = st.lists(
    st.tuples(azimuths, st.floats(35.0, 120.0), st.floats(-2.0, 2.0), st.floats(-3.0, 3.0)), min_size=1, max_size=3
)
scenes = st.tuples(st.tuples(azimuths, azimuths, azimuths), stands, st.integers(0, 2**32 - 1))


def built(kit: Any, scene: Any, *, turn_deg: float = 0.0, sign: float = 1.0) -> Any:
    """A site by its drawn figures; turned clockwise, or with east and west exchanged (sign -1)."""
    facing, places, _ = scene
    stations = tuple(
        kit.Station(
            name=f"p{k}",
            bearing_deg=sign * bearing + turn_deg,
            distance_m=distance,
            sees=NAMES[k % 2 :] if k else NAMES,
            roll_deg=sign * roll,
            aside_deg=sign * aside,
        )
        for k, (bearing, distance, roll, aside) in enumerate(places)
    )
    return kit.make_site(stations, {n: sign * a + turn_deg for n, a in zip(NAMES, facing, strict=True)})


def disturbed(site: Any, seed: int) -> list[Any]:
    """Observations with errors that turn with the scene: of compasses and of outlines as seen."""
    rng = np.random.default_rng(seed)
    out: list[Any] = []
    for o in site.observations:
        if isinstance(o, Box):
            out.append(replace(o, offset=o.offset + rng.standard_normal(len(o.offset))))
        elif isinstance(o, Direct) and o.source == "camera compass":
            out.append(replace(o, value=o.value + o.sigma * rng.standard_normal()))
        else:
            out.append(o)
    return out


def told(site: Any, observations: Any) -> tuple[np.ndarray, np.ndarray]:
    """Azimuths of the antennas and their sigmas [rad], by the order of their names."""
    got = adjust(observations, site.truth, layout=site.layout, tolerance=1e-12)  # else its last step is what differs
    at = [site.layout.antenna(n)[0] for n in NAMES]
    return got.x[at], np.sqrt(np.diag(got.covariance)[at])


@HOUSE
@given(scene=scenes, turn_deg=st.floats(-400.0, 400.0))
def test_turning_the_whole_scene_turns_every_azimuth_and_changes_nothing_else(kit, scene, turn_deg):
    site, turned = built(kit, scene), built(kit, scene, turn_deg=turn_deg)
    azimuth, sigma = told(site, disturbed(site, scene[2]))
    there, sigma_there = told(turned, disturbed(turned, scene[2]))
    assert np.abs(wrap(there - azimuth - np.radians(turn_deg))).max() < SAME_RAD
    np.testing.assert_allclose(sigma_there, sigma, rtol=SAME_SHARE)


@HOUSE
@given(scene=scenes)
def test_a_scene_in_the_mirror_has_mirrored_azimuths_as_well_known(kit, scene):
    site, mirrored = built(kit, scene), built(kit, scene, sign=-1.0)
    azimuth, sigma = told(site, site.observations)
    there, sigma_there = told(mirrored, mirrored.observations)
    assert np.abs(wrap(there + azimuth)).max() < SAME_RAD
    np.testing.assert_allclose(sigma_there, sigma, rtol=SAME_SHARE)


@HOUSE
@given(scene=scenes, data=st.data())
def test_the_order_of_photos_antennas_and_observations_does_not_matter(kit, scene, data):
    site = built(kit, scene)
    net = site.network
    photos = data.draw(st.permutations(net.photos))
    antennas = data.draw(st.permutations(net.antennas))
    photos = [replace(p, boxes=dict(reversed(list(p.boxes.items())))) for p in photos]
    other = build(photos, antennas, kit.Setting().site_m)
    first, second = solve_network(net), solve_network(other)
    for name in NAMES:
        ours, theirs = (s.posterior.antennas[name].mixture.peaks() for s in (first, second))
        assert len(ours) == len(theirs)
        assert abs(wrap(ours[0].azimuth_rad - theirs[0].azimuth_rad)) < SAME_RAD
        assert theirs[0].sigma_rad == pytest.approx(ours[0].sigma_rad, rel=1e-3)
    noisy = disturbed(site, scene[2])
    azimuth, sigma = told(site, noisy)
    again, sigma_again = told(site, data.draw(st.permutations(noisy)))
    assert np.abs(wrap(again - azimuth)).max() < SAME_RAD
    np.testing.assert_allclose(sigma_again, sigma, rtol=SAME_SHARE)


def stronger(o: Any, factor: float) -> Any:
    """The same observation with sigmas smaller by a factor."""
    if isinstance(o, Box):
        return replace(o, root=o.root * factor, offset=o.offset * factor)
    if isinstance(o, AidObservation):
        return replace(o, aid=replace(o.aid, sigma_px=o.aid.sigma_px / factor))
    assert isinstance(o, Direct | Directs), type(o)
    return replace(o, sigma=o.sigma / factor)


@HOUSE
@given(scene=scenes, data=st.data(), factor=st.floats(1.0, 100.0))
def test_a_stronger_observation_never_widens_and_one_less_never_narrows(kit, scene, data, factor):
    site = built(kit, scene)
    _, sigma = told(site, site.observations)
    k = data.draw(st.integers(0, len(site.observations) - 1))
    some = list(site.observations)
    some[k] = stronger(some[k], factor)
    _, better = told(site, some)
    assert (better <= sigma * (1.0 + SAME_SHARE)).all(), some[k].label
    some[k] = stronger(site.observations[k], 1e-3)
    _, worse = told(site, some)
    assert (worse >= sigma * (1.0 - SAME_SHARE)).all(), some[k].label


@HOUSE
@given(scene=scenes, extra=st.tuples(azimuths, st.floats(35.0, 120.0), st.floats(-2.0, 2.0), st.floats(-3.0, 3.0)))
def test_another_photo_never_widens(kit, scene, extra):
    facing, places, seed = scene
    more = built(kit, (facing, [*places, extra], seed))
    _, sigma = told(built(kit, scene), built(kit, scene).observations)
    _, better = told(more, more.observations)
    assert (better <= sigma * (1.0 + SAME_SHARE)).all()
