"""Curvature and refraction against what surveyors and navigators use."""

import numpy as np
import pytest

from photoaz.geodesy.curvature import dip_rad, drop_m


def test_drop() -> None:
    """Levelling's rule (textbooks): 0.0785 m at 1 km by curvature alone, 0.068 m with refraction of 0.13."""
    assert drop_m(1000.0, 0.0) == pytest.approx(0.0785, abs=1e-4)
    assert drop_m(1000.0, 0.13) == pytest.approx(0.0683, abs=1e-4)
    assert drop_m([2000.0], 0.13) == pytest.approx(4 * drop_m([1000.0], 0.13))


@pytest.mark.parametrize("height_m", [2.0, 9.0, 30.0])
def test_dip(height_m) -> None:
    """The dip of navigation's tables is 1.76 minutes of arc times the root of the height in metres.

    Bowditch, American Practical Navigator, explanation of the dip table (from memory); its refraction is some 0.16 to
    0.17 of the curvature.
    """
    assert np.degrees(dip_rad(height_m, 0.165)) * 60.0 == pytest.approx(1.76 * np.sqrt(height_m), rel=0.01)
