"""The tower's head as one body: where its antennas stand about the axis, with what is common to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.naming.mount import Mount
from photoaz.network.observations import Known, Observation
from photoaz.network.parameters import Layout
from photoaz.quantities import ALL_TURNED_RAD, OWN_PLACE_WIDENED, SECTOR_TURNED_RAD

Array = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class AntennaPositions:
    """m antennas about the tower's axis: places_m (m, 2) east and north [m], covariance (2 m, 2 m) of their ravel();
    heights up_m (m,) above the ground with up_covariance (m, m).
    """

    names: tuple[str, ...]
    places_m: Array
    covariance: Array
    up_m: Array
    up_covariance: Array

    def observations(self, antennas: Sequence[str], layout: Layout) -> tuple[Observation, ...]:
        """What the head says of some of its antennas, one observation of their places and one of their heights."""
        at = np.array([self.names.index(a) for a in antennas])
        flat = np.stack([2 * at, 2 * at + 1], 1).ravel()
        index = np.concatenate([layout.antenna(a, "east", "north") for a in antennas])
        ups = np.concatenate([layout.antenna(a, "up") for a in antennas])
        return (
            _known(
                "mounting offset", "where the antennas stand", index, self.places_m[at].ravel(),
                self.covariance[np.ix_(flat, flat)],
            ),
            _known("register heights", "the antennas' heights", ups, self.up_m[at], self.up_covariance[np.ix_(at, at)]),
        )  # fmt: skip


def _known(source: str, label: str, index: Array, value: Array, covariance: Array) -> Known:
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    return Known(source, label, index, value, root, np.zeros(len(root)))


def antenna_positions_of(mount: Mount, up_sigma_m: Mapping[str, float]) -> AntennaPositions:
    """The head of a mount. up_sigma_m: of each antenna's height as the register has it, most of it common to all."""
    places = mount.places()
    m = len(mount.names)
    shifts = [mount.stand_off_m[1] * mount.outward.ravel(), mount.spacing_m[1] * mount.sideways.ravel()]
    # a turn about the axis moves a place square to where it is; offsets that the register gives are not turned
    free = places - mount.base
    turned = np.stack([free[:, 1], -free[:, 0]], 1)
    shifts.append(ALL_TURNED_RAD * turned.ravel())
    shifts += [
        SECTOR_TURNED_RAD * (turned * (mount.group == g)[:, None]).ravel() for g in range(len(mount.group_names))
    ]
    for k in range(m):
        one = np.zeros((m, 2))
        one[k] = mount.loose[k]
        shifts.append(one.ravel())
    # a neighbouring site's antennas are off together
    for axis in np.unique(mount.axis[mount.axis_sigma_m > 0.0], axis=0):
        its = mount.axis_sigma_m * (mount.axis == axis).all(1)
        shifts += [np.outer(its, way).ravel() for way in np.eye(2)]
    s = np.array(shifts)
    modelled = np.linalg.norm(mount.outward, axis=1) > 0
    own = mount.own_sigma_m * np.where(modelled, OWN_PLACE_WIDENED, 1.0)
    covariance = s.T @ s + np.diag(np.repeat(own**2, 2))
    whole = np.array([up_sigma_m[name] for name in mount.names])
    own_up = np.minimum(mount.up_sigma_m, whole)
    shared = np.sqrt(np.maximum(whole**2 - own_up**2, 0.0))
    return AntennaPositions(
        names=mount.names,
        places_m=places,
        covariance=covariance,
        up_m=mount.up_m,
        up_covariance=np.outer(shared, shared) + np.diag(own_up**2),
    )
