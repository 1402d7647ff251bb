"""Figures of the sample site that stay: whoever moves one says by how much in CHANGELOG.md, and puts it right here.

They are no truth: that lies in sample_images/truth.json, and the errors against it are in ACCURACY.md. They are what
version 0.1.0 made of nine photos with their controls and no picks, as the demo does. Tolerances are a part of each
figure's U95: good outlines are the same within 0.02 sigma whatever rounds otherwise, but poor ones have several ways to
fit, and processors of another vector width may end in another one.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from photoaz.accuracy.rendered import sample_solution
from photoaz.angles import wrap_deg
from photoaz.result import SiteResult

#: of an azimuth, a heading, a downtilt: share of its U95; of each U95: share of itself
FIGURE, U95 = 0.2, 0.05

#: antenna: azimuth from true north, its U95, downtilt, its U95, degrees
ANTENNAS = (
    ("QLB-014-A1", 22.362, 2.663, 1.843, 0.345),
    ("QLB-014-A2", 25.712, 1.415, 4.342, 0.358),
    ("QLB-014-B1", 150.066, 1.468, 0.023, 0.251),
    ("QLB-014-B2", 149.145, 1.003, 5.889, 0.260),
    ("QLB-014-C1", 276.822, 2.085, 2.990, 0.421),
    ("QLB-014-C2", 263.782, 1.143, 0.856, 0.382),
)
#: photo: heading of the optical axis from true north, its U95, degrees
PHOTOS = (
    ("qlb014_1.jpg", 264.562, 0.812),
    ("qlb014_2.jpg", 266.935, 0.305),
    ("qlb014_3.jpg", 31.710, 0.859),
    ("qlb014_4.jpg", 30.192, 0.384),
    ("qlb014_5.jpg", 146.409, 0.677),
    ("qlb014_6.jpg", 149.758, 0.953),
    ("qlb014_7.jpg", 335.191, 0.645),
    ("qlb014_8.jpg", 55.715, 0.872),
    ("qlb014_9.jpg", 223.614, 0.657),
)


@pytest.fixture(scope="module")
def solution() -> SiteResult:
    return sample_solution()


def moved(told: list[tuple[str, float, float, float]]) -> Iterator[str]:
    """Of (name, figure now, figure before, tolerance), those that moved, as a line for CHANGELOG.md."""
    for name, now, before, tolerance in told:
        off = float(wrap_deg(now - before))
        if not abs(off) <= tolerance:
            yield f"{name}: {before:.3f} to {now:.3f} ({off:+.3f} degrees)"


def test_antennas(solution):
    told = []
    found = {a.antenna_id: a for a in solution.antennas}
    assert set(found) == {row[0] for row in ANTENNAS}
    for name, azimuth, u95, downtilt, downtilt_u95 in ANTENNAS:
        a = found[name]
        assert a.status == "estimated"
        told += [
            (f"{name} azimuth", a.azimuth_true_deg, azimuth, FIGURE * u95),
            (f"{name} U95", a.u95_deg, u95, U95 * u95),
            (f"{name} downtilt", a.downtilt_deg, downtilt, FIGURE * downtilt_u95),
            (f"{name} downtilt's U95", a.downtilt_u95_deg, downtilt_u95, U95 * u95),
        ]
    assert list(moved(told)) == [], "moved: to be said in CHANGELOG.md"


def test_photos(solution):
    told = []
    found = {p.photo.rpartition("/")[2]: p for p in solution.photos}
    assert set(found) == {row[0] for row in PHOTOS}
    for name, heading, u95 in PHOTOS:
        p = found[name]
        assert p.status == "used"
        told += [
            (f"{name} heading", p.heading_true_deg, heading, FIGURE * u95),
            (f"{name} heading's U95", p.heading_u95_deg, u95, U95 * u95),
        ]
    assert list(moved(told)) == [], "moved: to be said in CHANGELOG.md"


def test_what_moves_is_told():
    assert list(moved([("x", 359.99, 0.0, 0.02)])) == []
    assert list(moved([("x", 0.5, 359.9, 0.02)])) == ["x: 359.900 to 0.500 (+0.600 degrees)"]
    assert list(moved([("x", np.nan, 1.0, 0.02)])) != []
