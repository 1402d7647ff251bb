"""Where the register's antennas stand about the tower's axis, and how far that can be trusted.

A sector's antennas hang side by side at a stand-off in front of the axis, in the order of their positions. Stand-off
and spacing are common to the site and not known beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from photoaz import quantities as q
from photoaz.angles import Array, azimuth_deg, azimuth_rad, wrap_rad
from photoaz.naming.model import AntennaPriors

#: designs that differ by less do not tell neighbours apart; nor do heights and sizes by less than so many sigmas
SAME_DESIGN_RAD, APART = float(np.radians(10.0)), 2.0
#: without a column of sectors, antennas whose designs lie closer together than this are of one
SAME_SECTOR_RAD = float(np.radians(25.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """The antennas of a site, m of them: place = base + stand-off * outward + spacing * sideways, east and north [m].

    base, outward, sideways (m, 2); loose (m, 2): one standard uncertainty, as a vector, where the order is not known;
    own_sigma_m (m,): of the place besides; up_m, up_sigma_m (m,): centres' heights and what is their own of their
    uncertainty; ln_size, ln_size_sigma (m, 3); design_rad (m,), NaN where not known; group (m,): number of the sector,
    group_names.
    order (m,): of the position within its sector, from 0; -1 where not known. anywhere (m,): nothing tells on which
    side of the axis it hangs. axis (m, 2), axis_sigma_m (m,): of the tower that it hangs on, from this site's.
    """

    names: tuple[str, ...]
    base: Array
    outward: Array
    sideways: Array
    loose: Array
    own_sigma_m: Array
    up_m: Array
    up_sigma_m: Array
    ln_size: Array
    ln_size_sigma: Array
    design_rad: Array
    group: Array
    group_names: tuple[str, ...]
    order: Array
    anywhere: Array
    axis: Array
    axis_sigma_m: Array
    stand_off_m: tuple[float, float] = q.MOUNT_STAND_OFF_M
    spacing_m: tuple[float, float] = q.MOUNT_SPACING_M

    @property
    def apart_m(self) -> float:
        """How far off the farthest neighbouring site's axis is; 0 without neighbours."""
        return float(np.hypot(*self.axis.T).max(initial=0.0))

    def places(self) -> Array:
        """East and north [m], (m, 2)."""
        return np.asarray(self.base + self.stand_off_m[0] * self.outward + self.spacing_m[0] * self.sideways)

    def alike(self) -> Array:
        """(m, m): antennas of which the register does not say which is which: of one sector, their order unknown."""
        design = np.nan_to_num(self.design_rad)
        off = np.abs(wrap_rad(design[:, None] - design)) < SAME_DESIGN_RAD
        same = (
            (self.group[:, None] == self.group)
            & off
            & (np.isnan(self.design_rad)[:, None] == np.isnan(self.design_rad))
        )
        unordered = (self.order < 0) & (np.linalg.norm(self.outward, axis=1) > 0)
        same &= unordered[:, None] & unordered
        for value, sigma in (
            (self.up_m[:, None], self.up_sigma_m[:, None]),
            (self.ln_size[:, :2], self.ln_size_sigma[:, :2]),
        ):
            apart = np.abs(value[:, None] - value) < APART * np.hypot(sigma[:, None], sigma)
            same &= apart.all(-1)
        return np.asarray(same | self.anywhere[:, None] & self.anywhere | np.eye(len(same), dtype=bool))

    def along(self, direction: Array) -> tuple[Array, Array]:
        """Places along unit vectors (..., 2) and their standard uncertainties but the axes': two (..., m) [m]."""
        value = direction @ self.places().T
        variance = (
            self.own_sigma_m**2
            + (self.stand_off_m[1] * (direction @ self.outward.T)) ** 2
            + (self.spacing_m[1] * (direction @ self.sideways.T)) ** 2
            + (direction @ self.loose.T) ** 2
        )
        return value, np.sqrt(variance)


def _groups(antennas: Sequence[AntennaPriors]) -> tuple[Array, tuple[str, ...]]:
    """Sectors: by the register's column, or else by designs that point nearly the same way."""
    names: list[str] = []
    group = np.full(len(antennas), -1)
    for k, a in enumerate(antennas):
        if a.sector is not None:
            if a.sector not in names:
                names.append(a.sector)
            group[k] = names.index(a.sector)
    for axis in dict.fromkeys(a.axis_m for a in antennas):
        left = [k for k, a in enumerate(antennas) if group[k] < 0 and a.axis_m == axis]
        if not left:
            continue
        left.sort(key=lambda k: azimuth_rad(antennas[k].design_rad))
        az = azimuth_rad(np.array([antennas[k].design_rad for k in left]))
        gaps = np.diff(np.append(az, az[0] + 2 * np.pi))
        cut = gaps > SAME_SECTOR_RAD
        # starting after a gap, so that no sector is cut by north
        first = int(np.argmax(gaps)) + 1
        label = ""
        for i in range(len(left)):
            k = left[(first + i) % len(left)]
            if i == 0 or cut[(first + i - 1) % len(left)]:
                label = f"{azimuth_deg(float(np.degrees(antennas[k].design_rad))):.0f} deg"
                names.append(label)
            group[k] = len(names) - 1
    return group, tuple(names)


def mount_of(antennas: Sequence[AntennaPriors], *, unlisted: bool = False) -> Mount:
    """Lay out the register's antennas. unlisted: others hang beside them, so that a sector's middle is not known."""
    m = len(antennas)
    group, names = _groups(antennas)
    design = np.array([a.design_rad if a.design_known else np.nan for a in antennas], float)
    axis = np.array([a.axis_m for a in antennas], float).reshape(m, 2)
    base = axis.copy()
    outward, sideways, loose = (np.zeros((m, 2)) for _ in range(3))
    own = np.full(m, q.MOUNT_PLACE_SIGMA_M)
    order = np.full(m, -1)
    anywhere = np.array([not (a.design_known or a.place_known) for a in antennas], bool)
    for g in range(len(names)):
        of = [k for k in range(m) if group[k] == g]
        mean = np.arctan2(np.sin(design[of]).mean(), np.cos(design[of]).mean())
        out, right = np.array([np.sin(mean), np.cos(mean)]), np.array([np.cos(mean), -np.sin(mean)])
        positions = [antennas[k].position for k in of]
        known = sorted({p for p in positions if p is not None})
        for k, p in zip(of, positions, strict=True):
            if p is not None:
                order[k] = known.index(p)
            if antennas[k].place_known:
                base[k] = antennas[k].east_north_m
                own[k] = antennas[k].offset_sigma_m
                continue
            if anywhere[k]:
                own[k] = np.hypot(own[k], q.MOUNT_STAND_OFF_M[0])
                continue
            outward[k] = out
            if p is not None:
                sideways[k] = (p - (known[0] + known[-1]) / 2.0) * right
            elif len(of) > 1:
                # anywhere among the n places: their spread
                loose[k] = q.MOUNT_SPACING_M[0] * np.sqrt((len(of) ** 2 - 1) / 12.0) * right
            if unlisted and len(known) < 2:
                loose[k] = np.hypot(np.hypot(*loose[k]), q.MOUNT_SPACING_M[0] * q.UNLISTED_ASIDE) * right
    up_sigma = np.array([a.up_sigma_m for a in antennas], float)
    return Mount(
        names=tuple(a.name for a in antennas),
        base=base,
        outward=outward,
        sideways=sideways,
        loose=loose,
        own_sigma_m=own,
        up_m=np.array([a.up_m for a in antennas], float),
        up_sigma_m=np.hypot(q.MOUNT_HEIGHT_SIGMA_M, q.OWN_SHARE_OF_HEIGHT_SIGMA * up_sigma),
        ln_size=np.array([a.ln_size for a in antennas], float).reshape(m, 3),
        ln_size_sigma=np.array([a.ln_size_sigma for a in antennas], float).reshape(m, 3),
        design_rad=design,
        group=group,
        group_names=names,
        order=order,
        anywhere=anywhere,
        axis=axis,
        axis_sigma_m=np.array([a.axis_sigma_m for a in antennas], float),
    )
