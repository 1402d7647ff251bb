"""Photos laid over maps: against drawn pictures of invented towns, and closed forms."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import multivariate_normal

from photoaz import quantities as q
from photoaz.angles import UNKNOWN_RAD, wrap_rad
from photoaz.geodesy.frames import EnuFrame
from photoaz.network.hypotheses import States, weigh
from photoaz.network.surrounded import LaidOver, likeliest_peak, match_piece
from photoaz.photo.camera import Camera
from photoaz.surroundings import heights
from photoaz.surroundings.corners import HeadSeen, Pairing, Seen, fit_corners
from photoaz.surroundings.maps import Surroundings, extents
from photoaz.surroundings.match import Peak, Shown, SkylineMatch, match_skyline
from photoaz.vision.skyline import find_sky_border, find_upright_edges

_SPEC = importlib.util.spec_from_file_location("drawn_town", Path(__file__).with_name("drawn_town.py"))
DRAWN = importlib.util.module_from_spec(_SPEC)
sys.modules["drawn_town"] = DRAWN  # its dataclasses ask for it
_SPEC.loader.exec_module(DRAWN)
town, view = DRAWN.town, DRAWN.view

CAMERA = Camera(width_px=800, height_px=600, f_px=600.0, cx_px=399.5, cy_px=299.5)
LEVEL = {"pitch_rad": 0.0, "roll_rad": 0.0}


def mapped(drawn) -> Surroundings:
    """The map of a drawn town."""
    n = len(drawn.mapped)
    corners, first = np.concatenate([m.footprint for m in drawn.mapped]), np.arange(0, 4 * n + 1, 4)
    height = np.array([np.nan if m.height is None else m.height for m in drawn.mapped])
    origin = np.where(np.isnan(height), heights.ASSUMED, heights.GIVEN)
    eaves, sigma, rise = heights.eaves_and_ridges(height, origin, np.full(n, np.nan), *extents(corners, first))
    return Surroundings(
        frame=EnuFrame(lat_deg=47.0, lon_deg=8.0),
        corners_m=corners,
        first=first,
        eaves_m=eaves,
        sigma_m=sigma,
        rise_m=rise,
        ground_m=np.zeros(n),
        origin=origin,
        names=tuple(f"house {k}" for k in range(n)),
    )


def test_border_passes_mast_and_meets_edges():
    image = np.full((600, 800, 3), (210, 180, 150), np.uint8)
    image[300:] = (70, 120, 90)
    # a house from x = 200 to 399, its top at y = 220: the border lies between rows 219 and 220
    image[220:300, 200:400] = (60, 70, 150)
    image[40:300, 600:604] = (90, 90, 90)
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    border = find_sky_border(image, CAMERA, **LEVEL, pitch_sigma_rad=0.01)
    y = np.interp([250, 300, 350], border.x_px, border.y_px)
    assert y == pytest.approx(219.5, abs=0.3)
    assert np.interp([100, 500, 602, 700], border.x_px, border.y_px) == pytest.approx(299.5, abs=1.0)
    edges = find_upright_edges(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), border, CAMERA, **LEVEL, roll_sigma_rad=0.005)
    walls = {int(s): e[:, 0].mean() for e, s in zip(edges.ends_px, edges.side, strict=True) if s}
    assert walls == {-1: pytest.approx(199.5, abs=0.3), 1: pytest.approx(399.5, abs=0.3)}


def test_nothing_but_sky_has_no_border():
    image = np.full((600, 800, 3), (210, 180, 150), np.uint8)
    border = find_sky_border(image, CAMERA, pitch_rad=0.9, pitch_sigma_rad=0.01, roll_rad=0.0)
    assert border is None or not np.isfinite(border.sigma_px).any()


@pytest.fixture(scope="module")
def shown():
    rng = np.random.default_rng(4)
    drawn = town(rng)
    seen = view(drawn, rng)
    pitch, roll = float(seen.attitude[1]) + 0.005, float(seen.attitude[2]) - 0.003
    border = find_sky_border(seen.image, seen.camera, pitch_rad=pitch, pitch_sigma_rad=0.01, roll_rad=roll)
    gray = cv2.cvtColor(seen.image, cv2.COLOR_BGR2GRAY)
    edges = find_upright_edges(gray, border, seen.camera, pitch_rad=pitch, roll_rad=roll, roll_sigma_rad=0.006)
    place = seen.place + np.array([2.0, -1.5, 0.2])
    return (
        drawn,
        seen,
        Shown(
            camera=seen.camera,
            border=border,
            edges=edges,
            pitch=(pitch, 0.01),
            roll=(roll, 0.006),
            place=place,
            place_sigma=np.array([3.0, 3.0, 0.7]),
        ),
    )


def test_the_whole_circle_is_searched(shown):
    drawn, seen, photo = shown
    match = match_skyline(photo, mapped(drawn))
    best = match.peaks[0]
    off = abs(wrap_rad(best.value[0] - seen.attitude[0]))
    assert off < np.radians(1.0)
    assert off < 3.0 * best.heading_sigma_rad
    assert best.buildings > 3.0


def test_another_towns_map_is_not_believed(shown):
    _, _, photo = shown
    match = match_skyline(photo, mapped(town(np.random.default_rng(5))))
    assert sum(p.probability for p in match.peaks) < 0.5


def test_resection_of_three_points():
    """The fit of three edges to three corners against Tienstra's formula for the standpoint (from memory).

    Angles at the standpoint, alpha, beta, gamma, lie opposite A, B, C.
    """
    a, b, c = np.array([-120.0, 210.0]), np.array([40.0, 260.0]), np.array([150.0, 140.0])
    p = np.array([12.0, -7.0])

    def cot(x):
        return 1.0 / np.tan(x)

    def inner(at, u, v):
        d, e = u - at, v - at
        return np.arccos(d @ e / np.linalg.norm(d) / np.linalg.norm(e))

    azimuth = np.array([np.arctan2(*(q - p)) for q in (a, b, c)])
    turned = azimuth - 0.3  # the heading is 0.3
    alpha, beta = turned[2] - turned[1], turned[0] - turned[2]
    gamma = turned[1] - turned[0]
    # in the order A, B, C clockwise: angles BPC, CPA, APB, clockwise
    k = [
        1.0 / (cot(inner(a, b, c)) - cot(alpha % (2 * np.pi))),
        1.0 / (cot(inner(b, c, a)) - cot(beta % (2 * np.pi))),
        1.0 / (cot(inner(c, a, b)) - cot(gamma % (2 * np.pi))),
    ]
    tienstra = (k[0] * a + k[1] * b + k[2] * c) / sum(k)
    assert tienstra == pytest.approx(p, abs=1e-6)
    level, each = np.zeros(3), np.ones(3)
    seen = Seen(turned, level, 0.1 * each, 1e-4 * each, np.zeros(3, int), np.zeros((3, 3)), each, 1.2)
    numbers = np.arange(3)
    pairs = Pairing(numbers, numbers, np.log(np.full(3, 0.9)), np.full(3, 0.1), np.array([a, b, c]), numbers, numbers)
    prior = np.array([np.inf, 1e4, 1e4, 1e-6, 1e-6, 1e-6])
    start = np.array([0.31, 11.0, -6.0, 0.0, 0.0, 0.0])
    fitted = fit_corners(seen, pairs, start, prior, start, wide=(4.0, 2.0, *(1.0,) * 10))
    assert fitted.value[1:3] == pytest.approx(tienstra, abs=1e-3)
    assert fitted.value[0] == pytest.approx(0.3, abs=1e-5)


def test_a_head_ties_the_heading_to_the_standpoint():
    """Two corners and the tower's head, weighed with a standpoint known to 4 m, against scipy's least squares."""
    corners, tower, p = np.array([[-60.0, 180.0], [90.0, 150.0]]), np.array([5.0, 60.0]), np.array([3.0, -4.0])
    azimuth = np.array([np.arctan2(*(q - p)) for q in corners]) - 0.2
    seen = Seen(
        azimuth, np.zeros(2), np.full(2, 0.1), np.full(2, 1e-3), np.zeros(2, int), np.zeros((2, 3)), np.ones(2), 1.2
    )
    numbers = np.arange(2)
    pairs = Pairing(numbers, numbers, np.log(np.full(2, 1 - 1e-9)), np.full(2, 1e-9), corners, numbers, numbers)
    known = np.array([0.25, 0.0, 0.0, 0.0, 0.0, 0.0])
    sigma = np.array([np.inf, 4.0, 4.0, 1e-6, 1e-6, 1e-6])
    head = HeadSeen(float(np.arctan2(*(tower - p)) - 0.2 + 0.002), 0.01, tower)
    fitted = fit_corners(seen, pairs, known, sigma, known, wide=(1.0,) * 12, head=head)

    def rows(x):
        away = corners - x[1:3]
        distance = np.hypot(*away.T)
        spread = np.sqrt(1e-6 + (q.CORNER_SIGMA_M**2 + q.FOOTPRINT_SIGMA_M**2) / distance**2)
        told = (azimuth + x[0] - np.arctan2(away[:, 0], away[:, 1])) / spread
        return np.concatenate([told, x[1:3] / 4.0, [(head.azimuth + x[0] - np.arctan2(*(tower - x[1:3]))) / 0.01]])

    wanted = least_squares(rows, known[:3], x_scale=(0.01, 1.0, 1.0), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    # weights hang on distances: here they follow the last step, there each residual
    assert fitted.value[0] == pytest.approx(wanted.x[0], abs=1e-4)
    assert fitted.value[1:3] == pytest.approx(wanted.x[1:], abs=0.01)
    covariance = np.linalg.inv(wanted.jac.T @ wanted.jac)
    assert np.sqrt(np.diag(fitted.covariance)[:3]) == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.02)
    alone = fit_corners(seen, pairs, known, sigma, known, wide=(1.0,) * 12)
    assert fitted.covariance[0, 0] < 0.5 * alone.covariance[0, 0]


def test_a_head_tells_more_of_the_heading_than_the_map_alone(shown):
    drawn, seen, photo = shown
    away = np.hypot(*seen.place[:2])
    azimuth = float(wrap_rad(np.arctan2(-seen.place[0], -seen.place[1]) - seen.attitude[0]))
    headed = replace(photo, head=HeadSeen(azimuth, float(np.hypot(0.7 / away, np.radians(0.3))), np.zeros(2)))
    alone, told = (match_skyline(one, mapped(drawn)).peaks[0] for one in (photo, headed))
    assert abs(wrap_rad(told.value[0] - seen.attitude[0])) < 3.0 * told.heading_sigma_rad
    assert told.probability > alone.probability
    assert told.heading_sigma_rad < alone.heading_sigma_rad
    # and where it is seen elsewhere than where the tower stands, that map is believed less
    elsewhere = replace(photo, head=replace(headed.head, azimuth=azimuth + 0.5))
    assert sum(p.probability for p in match_skyline(elsewhere, mapped(drawn)).peaks) < told.probability


#: of UNKNOWNS, as known before a photo is laid over a map
BEFORE = np.diag([UNKNOWN_RAD, 3.0, 3.0, 0.01, 0.01, 10.0]) ** 2


def peak(heading, sigma, probability, place=(0.0, 0.0), away_m=np.inf):
    """All corners that far off, ahead and to the right: whoever stood further right looked further left."""
    root = np.zeros((2, 6))
    root[:, 0] = 1.0 / (np.sqrt(2.0) * sigma)
    root[0, 1], root[1, 2] = root[0, 0] / away_m, -root[0, 0] / away_m
    value = np.array([heading, *place, 0, 0, 0.0])
    return Peak(
        probability=probability,
        value=value,
        covariance=np.linalg.inv(np.linalg.inv(BEFORE) + root.T @ root),
        known=np.array([heading, 0, 0, 0, 0, 0.0]),
        known_covariance=BEFORE,
        root=root,
        offset=np.zeros(2),
        pairs=np.zeros((0, 2), int),
        buildings=3.0,
    )


def test_a_match_is_weighed_with_the_compass():
    match = SkylineMatch(peaks=(peak(1.0, 0.01, 0.4), peak(2.0, 0.01, 0.4)), seen_rad=1.0, border=None, edges=None)
    chosen, p = likeliest_peak(match, [(2.02, 0.1, 0.9)])
    assert chosen == 1
    # by hand: Bayes over two peaks and none, the compass being flat with 0.1
    with_it = 0.9 * np.exp(-0.5 * (0.02**2 / 0.0101)) / np.sqrt(0.0101 * 2 * np.pi) * 2 * np.pi + 0.1
    assert p == pytest.approx(0.4 * with_it / (0.4 * with_it + 0.4 * 0.1 + 0.2), rel=1e-6)
    # a heading known to be near the first peak: that, and not the other, is weighed as right
    x, known = np.array([2.0, 0, 0, 0, 0, 0.0]), np.diag([0.01, 3.0, 3.0, 0.01, 0.01, 10.0]) ** 2
    probability = weighed(LaidOver(match=match, chosen=1, probability=p), x, np.array([-0.99, 0, 0, 0, 0, 0.0]), known)
    assert probability.argmax() == 0
    assert probability[0] > 0.95


def weighed(laid, x, mean, known):
    """Probabilities of its peaks and of none, where UNKNOWNS are off x by a mean (6,) with covariance known (6, 6)."""
    rows = [np.eye(6)[0]]

    def pick(term):
        rows.append(np.zeros(6))
        rows[-1][term[0]] = term[1]
        return len(rows) - 1

    piece = match_piece(laid, "a.jpg", np.arange(6), x, known, pick)
    some = np.stack(rows)
    states = weigh(States.begin(some @ mean, some @ known @ some.T), [piece], most=10)
    return np.bincount(states.picked[:, 0], states.weight, minlength=len(piece.parts))


@pytest.mark.parametrize("seed", range(4))
def test_peaks_are_weighed_with_all_that_they_say(seed):
    """Against scipy's densities: p times that of a peak's rows by what is known now, over that by what was known.

    Two headings suit the map, each from a place of its own. Who knows the place knows the heading, and so does not who
    knows no more than before.
    """
    rng = np.random.default_rng(seed)
    peaks = (peak(1.0, 0.005, 0.5, (1.5, -1.0), 40.0), peak(1.05, 0.005, 0.3, (-1.0, -1.0), 40.0))
    match = SkylineMatch(peaks=peaks, seen_rad=1.0, border=None, edges=None)
    laid, x = LaidOver(match=match, chosen=0, probability=0.8), np.array([1.0, 1.5, -1.0, 0, 0, 0.0])
    mean = np.array([rng.normal(0.03, 0.02), *rng.normal(-1.0, 1.0, 2), 0.0, 0.0, 0.0])
    for now in (BEFORE, np.diag([0.05, 0.8, 0.8, 0.01, 0.01, 10.0]) ** 2):
        want = []
        for p in peaks:
            was = multivariate_normal(p.root @ (p.known - p.value), np.eye(2) + p.root @ BEFORE @ p.root.T)
            then = multivariate_normal(p.root @ (x + mean - p.value), np.eye(2) + p.root @ now @ p.root.T)
            want.append(p.probability * then.pdf(np.zeros(2)) / was.pdf(np.zeros(2)))
        want.append(0.2)
        assert weighed(laid, x, mean, now) == pytest.approx(np.array(want) / sum(want), rel=1e-6)
    as_before = weighed(laid, x, peaks[0].known - x, BEFORE)
    assert as_before == pytest.approx([0.5, 0.3, 0.2], rel=0.05)
    there = peaks[1].value - x
    assert weighed(laid, x, there, np.diag([1.0, 0.5, 0.5, 0.01, 0.01, 10.0]) ** 2).argmax() == 1
