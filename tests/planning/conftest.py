"""An invented three-sector site for planning."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from photoaz.register.model import Antenna, Site


@pytest.fixture(scope="session")
def make_site() -> Callable[..., Site]:
    def make(azimuths: tuple[float, ...] = (0.0, 120.0, 240.0), up_m: float = 46.5, **fields: Any) -> Site:
        given: dict[str, Any] = {"width_m": 0.35, "height_m": 2.0, "depth_m": 0.15, "design_downtilt_deg": 3.0}
        return Site(
            site_id="HNT-204",
            lat_deg=46.6,
            lon_deg=-66.4,
            antennas=tuple(
                Antenna(
                    antenna_id=f"{'ABCDEF'[k]}1",
                    rad_center_m=up_m,
                    design_azimuth_deg=azimuth,
                    sector="ABCDEF"[k],
                    **(given | fields),
                )
                for k, azimuth in enumerate(azimuths)
            ),
        )

    return make


@pytest.fixture(scope="session")
def site(make_site: Callable[..., Site]) -> Site:
    return make_site()
