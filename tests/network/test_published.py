"""A published horizontal network, adjusted, tested and judged by the package's own means, row for row as printed.

Data: GNU Gama, Adjustment of geodetic networks (manual, edition 2.29, 2024), 2.19 'Example of local geodetic network',
taken there from F. Charamza's guide to Geodet/PC. What is printed of its adjustment: the same manual, 5.4 (reference
standard deviation), 5.5 (coordinates), 5.6 (observations, residuals), as at gnu.org/software/gama/manual/html_section.
The prints hold points 1 and 2 fixed, and scale standard deviations by the empirical reference standard deviation m0'.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from scipy import stats

from photoaz.network.adjust import adjust, w_tests
from photoaz.network.observations import arctan2, wrap
from photoaz.network.reliability import DELTA0, LAMBDA0, controls

GON = np.pi / 200
#: sigmas: 10 cc (ten-thousandths of a gon) and 5 mm; m0 a priori is 10, so weights are (10 / sigma)^2
DIRECTION_CC, DISTANCE_MM, M0 = 10.0, 5.0, 10.0
#: x to the south, y to the west: bearings from x to y are clockwise
FIXED = {"1": (1054980.484, 644498.590), "2": (1054933.801, 643654.101)}
#: per station: target and direction [gon]
DIRECTIONS = {
    "1": "2 0.0000  422 28.2057  424 60.4906  403 324.3662  407 382.8182",
    "2": "1 0.0000  407 22.2376  409 73.8984  411 134.2090  416 203.0706  418 287.2951  420 345.6928  422 368.9908",
    "403": "1 0.0000  407 313.5542",
    "407": "1 0.0000  403 55.1013  409 193.3410  2 239.4204  422 323.5443",
    "409": "2 0.0000  407 102.2575  411 310.1751",
    "411": "2 0.0000  409 49.8647  413 291.4953  416 337.6667",
    "413": "411 0.0000  416 295.3582",
    "416": "2 0.0000  411 68.8065  413 117.9922  418 348.1606",
    "418": "2 0.0000  416 63.9347  420 336.3190",
    "420": "2 0.0000  418 77.9221  422 250.1804",
    "422": "2 0.0000  420 26.8834  424 225.7964  1 259.2124  407 337.3724",
    "424": "1 0.0000  422 134.2955",
}
#: per station: target and distance [m]
DISTANCES = {
    "1": "2 845.777  422 493.793  424 288.301  403 388.536  407 498.750",
    "2": "407 388.562  409 257.498  411 360.282  416 338.919  418 292.094  420 261.408  422 452.249",
    "403": "407 405.403",
    "407": "409 281.997  422 346.415",
    "409": "411 296.281",
    "411": "413 252.266  416 360.449",
    "413": "416 239.745",
    "416": "418 389.397",
    "418": "420 246.594",
    "420": "422 228.207",
    "422": "424 279.405",
}
POINTS = ("403", "407", "409", "411", "413", "416", "418", "420", "422", "424")


@dataclass(frozen=True, slots=True)
class Sighting:
    """A direction or a distance between two points of which one at least is unknown; nothing in the package knows it.

    index: the unknown ends' coordinates, then the orientation of the station if it is a direction.
    """

    label: str
    index: np.ndarray
    ends: tuple[Any, Any]  # coordinates where fixed, else None
    value: float
    direction: bool
    source: str = "survey"
    testable: bool = True

    def residual(self, x: np.ndarray) -> np.ndarray:
        at, points = 0, []
        for fixed in self.ends:
            points.append(x[..., at : at + 2] if fixed is None else np.array(fixed))
            at += 2 * (fixed is None)
        d = points[1] - points[0] + 0 * x[..., :1]
        if not self.direction:
            return (np.sqrt((d * d).sum(-1, keepdims=True)) - self.value) / (DISTANCE_MM / 1000)
        off = wrap(arctan2(d[..., 1], d[..., 0]) - x[..., at] - self.value * GON)
        return off[..., None] / (DIRECTION_CC * 1e-4 * GON)


def listed(text: str) -> list[tuple[str, float]]:
    words = text.split()
    return [(a, float(b)) for a, b in zip(words[::2], words[1::2], strict=True)]


@pytest.fixture(scope="module")
def survey() -> Any:
    """Observations by label, e.g. 'direction 1-422', in the printed order, and the adjustment of all."""
    place = {p: np.arange(2) + 2 * k for k, p in enumerate(POINTS)}
    stations = tuple(DIRECTIONS)
    turn = {s: 2 * len(POINTS) + k for k, s in enumerate(stations)}
    observations = []
    for s in stations:
        for kind, table in (("direction", DIRECTIONS), ("distance", DISTANCES)):
            for t, value in listed(table.get(s, "")):
                index = np.concatenate([place.get(s, []), place.get(t, []), [turn[s]] * (kind == "direction")])
                ends = (FIXED.get(s), FIXED.get(t))
                if len(index):  # the distance between the two fixed points tells nothing, but counts in [pvv]
                    observations.append(
                        Sighting(f"{kind} {s}-{t}", index.astype(int), ends, value, kind == "direction")
                    )
    start = np.zeros(2 * len(POINTS) + len(stations))
    start[:] = approximate(place, turn)
    return observations, adjust(observations, start), place


def approximate(place: Any, turn: Any) -> np.ndarray:
    """Polar survey from station to station, as a surveyor begins."""
    known = {p: np.array(v) for p, v in FIXED.items()}
    out = np.zeros(2 * len(place) + len(turn))
    oriented: dict[str, float] = {}
    while len(oriented) < len(turn):
        for s in turn:
            seen = [(t, v) for t, v in listed(DIRECTIONS[s]) if t in known]
            if s in known and s not in oriented and seen:
                d = known[seen[0][0]] - known[s]
                oriented[s] = float(np.arctan2(d[1], d[0]) - seen[0][1] * GON)
            if s in oriented:
                far = dict(listed(DISTANCES.get(s, "")))
                for t, v in listed(DIRECTIONS[s]):
                    if t not in known and t in far:
                        b = oriented[s] + v * GON
                        known[t] = known[s] + far[t] * np.array([np.cos(b), np.sin(b)])
    for p, k in place.items():
        out[k] = known[p]
    for s, k in turn.items():
        out[k] = oriented[s]
    return out


def base_misfit_mm() -> float:
    """Of the distance between the fixed points, which Gama counts among the observations."""
    return 1000 * (float(np.hypot(*np.subtract(FIXED["1"], FIXED["2"]))) - 845.777)


def m0(survey: Any) -> float:
    observations, got, _ = survey
    pvv = M0**2 * (got.cost + (base_misfit_mm() / DISTANCE_MM) ** 2)
    return float(np.sqrt(pvv / (len(observations) + 1 - len(got.x))))


def test_reference_standard_deviation(survey):
    """'m0 apriori: 10.00, m0' empirical: 9.64, [pvv]: 3.43560e+03'; 37 degrees of freedom."""
    observations, got, _ = survey
    assert got.converged
    pvv = M0**2 * (got.cost + (base_misfit_mm() / DISTANCE_MM) ** 2)
    # the print's rounding of misfits to 1e-5 of a unit lets the last digits differ
    assert pvv == pytest.approx(3435.60, abs=0.05)
    assert len(observations) + 1 - len(got.x) == 37
    assert round(m0(survey), 2) == 9.64


def test_coordinates_and_their_standard_deviations(survey):
    _, got, place = survey
    printed = {
        "422": ((1055167.22237, 2.7), (644041.46142, 2.5)),
        "424": ((1055205.41142, 3.1), (644318.24300, 3.6)),
    }
    for point, axes in printed.items():
        for k, (value, sigma_mm) in zip(place[point], axes, strict=True):
            assert got.x[k] == pytest.approx(value, abs=1.5e-5)  # one and a half of its last digit
            sigma = 1000 * np.sqrt(got.covariance[k, k]) * m0(survey) / M0
            assert sigma == pytest.approx(sigma_mm, abs=0.051)


#: printed per direction from station 1: f [%], v [cc], |v'|, e-obs, e-adj [cc]
ROWS = {
    "direction 1-2": (47.4, 9.170, 1.1, 12.7, 3.5),
    "direction 1-422": (47.0, -0.873, 0.1, -1.2, -0.3),
    "direction 1-424": (30.3, 7.588, 1.1, 14.8, 7.2),
}


@pytest.mark.parametrize("label", ROWS)
def test_residuals_tests_and_redundancy_as_printed(survey, label):
    """f is 1 - sqrt(1 - r), by which an adjusted observation is better than the observed one; e-obs is v / r; |v'| is

    v over its standard deviation, here with m0'. (Manual, 5.6 to 5.8.)
    """
    observations, got, _ = survey
    f, v, w, e_obs, e_adj = ROWS[label]
    k = [o.label for o in observations].index(label)
    (part,) = controls(got, [[k]], np.array([0]))
    r = part.redundancy
    found = float(got.residual[got.rows[k]][0]) * DIRECTION_CC
    assert 100 * (1 - np.sqrt(1 - r)) == pytest.approx(f, abs=0.051)
    assert found == pytest.approx(v, abs=6e-4)
    assert abs(w_tests(observations, got)[k]) * M0 / m0(survey) == pytest.approx(w, abs=0.051)
    assert found / r == pytest.approx(e_obs, abs=0.051)
    assert found / r - found == pytest.approx(e_adj, abs=0.051)


def test_redundancy_numbers_sum_to_the_degrees_of_freedom(survey):
    observations, got, _ = survey
    # one less than printed, for the distance between the fixed points
    parts = controls(got, [[k] for k in range(len(observations))], np.array([0]))
    assert sum(len(p.rows) * p.redundancy for p in parts) == pytest.approx(36, abs=1e-6)
    assert len(observations) == 68


def test_detectable_bias_of_a_printed_redundancy(survey):
    """From the printed f alone: r = 1 - (1 - f)^2, and Baarda's 4.13 sigma / sqrt(r)."""
    observations, got, _ = survey
    for label, (f, *_) in ROWS.items():
        k = [o.label for o in observations].index(label)
        want = 4.13 / np.sqrt(1 - (1 - f / 100) ** 2)
        # f is printed to 0.1 %: at most a thousandth of the bias
        (part,) = controls(got, [[k]], observations[k].index[:1])
        assert np.linalg.norm(part.bias) == pytest.approx(want, rel=1.5e-3)


def test_noncentrality_is_baardas():
    """lambda0 = 17.07, delta0 = 4.13 for alpha0 = 0.1 % and power 80 % (Baarda 1968), from scipy's noncentral chi^2."""
    critical = stats.chi2.isf(0.001, 1)
    assert stats.ncx2.sf(critical, 1, LAMBDA0) == pytest.approx(0.80, abs=5e-4)
    assert np.sqrt(LAMBDA0) == pytest.approx(DELTA0, abs=5e-3)
