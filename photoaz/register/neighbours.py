"""Sites that stand side by side, as those of two operators on one roof: their photos show the antennas of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from photoaz.geodesy.frames import ecef_from_geodetic
from photoaz.quantities import TWIN_M
from photoaz.register.model import Site


def with_neighbours(sites: Sequence[Site]) -> tuple[Site, ...]:
    """The sites in their order, each with those that stand within TWIN_M of it."""
    from scipy.spatial import cKDTree

    if len(sites) < 2:
        return tuple(sites)
    places = ecef_from_geodetic([s.lat_deg for s in sites], [s.lon_deg for s in sites], 0.0).reshape(-1, 3)
    near: dict[int, list[int]] = {}
    for a, b in sorted(cKDTree(places).query_pairs(TWIN_M)):
        near.setdefault(a, []).append(b)
        near.setdefault(b, []).append(a)
    out = list(sites)
    for k, others in near.items():
        some = sorted((sites[n] for n in others), key=lambda s: s.site_id)
        # where a row stands in its file is no fact of a neighbour
        bare = tuple(replace(s, antennas=tuple(replace(a, line=0) for a in s.antennas)) for s in some)
        out[k] = replace(sites[k], neighbours=bare)
    return tuple(out)
