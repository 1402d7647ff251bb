"""The tower and everything on it: lattice, mounts, panels, radio boxes, cables, drum, ladder."""

from __future__ import annotations

import itertools

import numpy as np
import place
from geometry import Array, outward
from mesh import Mesh, add_panel

STEEL = np.array([0.30, 0.31, 0.32])
DARK_STEEL = np.array([0.25, 0.26, 0.27])
RADOME = np.array([0.66, 0.66, 0.64])
GREY_BOX = np.array([0.50, 0.51, 0.51])
CABLE = np.array([0.018, 0.018, 0.02])
UP = np.array([0.0, 0.0, 1.0])
COLLARS_M = (28.75, 30.2)


def half_width_m(z: Array | float) -> Array:
    """Half the width of the lattice at a height: 1.55 m at the ground, 0.42 m from 26 m up."""
    return np.asarray(np.interp(z, [0.0, 26.0, 40.0], [1.55, 0.42, 0.42]))


def _leg(k: int, z: float) -> Array:
    h = float(half_width_m(z))
    return np.array([(h, h, z), (-h, h, z), (-h, -h, z), (h, -h, z)][k % 4])


def _lattice(steel: Mesh, rng: np.random.Generator) -> None:
    def shade() -> Array:
        out: Array = STEEL * rng.uniform(0.85, 1.1)
        return out

    levels = [0.0]
    while levels[-1] < place.TOWER_HEIGHT_M - 0.4:
        levels.append(levels[-1] + max(0.95, 1.05 * 2 * float(half_width_m(levels[-1]))))
    levels[-1] = place.TOWER_HEIGHT_M
    for k in range(4):
        for z0, z1 in zip([0.0, 9.0, 18.0, 26.0], [9.0, 18.0, 26.0, place.TOWER_HEIGHT_M], strict=True):
            steel.rod(_leg(k, z0), _leg(k, z1), 0.075 - 0.0012 * z0, shade(), 20)
            steel.rod(_leg(k, z1 - 0.03), _leg(k, z1 + 0.03), 0.11 - 0.0012 * z0, shade(), 16)
        for z0, z1 in itertools.pairwise(levels):
            a, b = _leg(k, z0), _leg(k + 1, z0)
            c, d = _leg(k, z1), _leg(k + 1, z1)
            for p, q in ((a, d), (b, c), (c, d)):
                steel.rod(p, q, 0.032 if z0 < 18 else 0.022, shade(), 10)
    # ladder on the north face, and a cable tray on the west face with the feeders
    for s in (-0.2, 0.2):
        steel.tube(np.array([(s, half_width_m(z) + 0.12, z) for z in np.linspace(0.3, 31.6, 8)]), 0.016, shade(), 8)
    for z in np.arange(0.5, 31.5, 0.3):
        y = float(half_width_m(z)) + 0.12
        steel.rod(np.array([-0.2, y, z]), np.array([0.2, y, z]), 0.01, shade(), 6)
    steel.rod(np.array([0, 0.42, 31.4]), np.array([0, 0.42, 34.3]), 0.016, STEEL, 8)
    steel.rod(np.array([0, 0.42, 34.3]), np.array([0, 0.42, 35.0]), 0.005, STEEL, 6)
    for z in COLLARS_M:
        for k in range(4):
            steel.rod(_leg(k, z) * [1.16, 1.16, 1], _leg(k + 1, z) * [1.16, 1.16, 1], 0.038, shade(), 14)


def _bezier(p0: Array, p1: Array, p2: Array, p3: Array, n: int = 14) -> Array:
    t = np.linspace(0, 1, n)[:, None]
    out: Array = (1 - t) ** 3 * p0 + 3 * t * (1 - t) ** 2 * p1 + 3 * t**2 * (1 - t) * p2 + t**3 * p3
    return out


def _radio(
    boxes: Mesh, black: Mesh, steel: Mesh, at: Array, out: Array, rng: np.random.Generator, tall: float
) -> Array:
    """A finned radio box hung on a pipe at `at`, its fins towards `out`; returns the middle of its underside."""
    side = np.cross(UP, out)
    w, d = 0.31, 0.13
    centre = at + out * (0.05 + 0.04 + d / 2)
    shade = GREY_BOX * rng.uniform(0.9, 1.08)
    boxes.box(centre, (side, UP, np.cross(side, UP)), (w, tall, d), shade)
    for x in np.linspace(-w / 2 + 0.015, w / 2 - 0.015, 11):
        fin = centre + out * (d / 2 + 0.025) + side * x
        boxes.box(fin, (side, UP, np.cross(side, UP)), (0.006, tall * 0.94, 0.05), shade * 0.95)
    for z in (-0.3, 0.3):
        steel.box(at + out * 0.05 + UP * z * tall, (side, UP, np.cross(side, UP)), (0.16, 0.05, 0.12), DARK_STEEL)
    for x in (-0.09, -0.03, 0.03, 0.09):
        p = centre - UP * tall / 2 + side * x
        black.rod(p, p - UP * 0.05, 0.014, DARK_STEEL, 8)
    under: Array = centre - UP * (tall / 2 + 0.04)
    return under


def _sector(
    sector: str,
    mount_deg: float,
    panels: list[place.Antenna],
    steel: Mesh,
    radome: Mesh,
    boxes: Mesh,
    black: Mesh,
    rng: np.random.Generator,
) -> None:
    o = outward(mount_deg)
    right = np.array([o[1], -o[0], 0.0])
    frame = (right, UP, np.cross(right, UP))
    for z in COLLARS_M:
        boom = o * place.BOOM_M + UP * z
        steel.rod(boom - right * 1.15, boom + right * 1.15, 0.038, STEEL * rng.uniform(0.9, 1.1), 16)
        for s in (-0.42, 0.42):
            steel.rod(boom + right * s, o * 0.42 + right * s * 0.7 + UP * z, 0.032, STEEL * rng.uniform(0.9, 1.1), 14)
            steel.box(boom + right * s, frame, (0.10, 0.12, 0.10), DARK_STEEL)
    for s in (-0.42, 0.42):
        steel.rod(
            o * place.BOOM_M + right * s + UP * COLLARS_M[0],
            o * 0.42 + right * s * 0.7 + UP * COLLARS_M[1],
            0.02,
            STEEL,
            10,
        )
    for antenna in panels:
        foot = antenna.pipe_enu_m * [1, 1, 0]
        steel.rod(foot + UP * 27.75, foot + UP * 31.05, 0.038, STEEL * rng.uniform(0.92, 1.1), 20)
        for z in COLLARS_M:
            steel.box(foot + UP * z - o * 0.03, frame, (0.13, 0.09, 0.16), DARK_STEEL)
        _panel(antenna, steel, radome, black, rng)
        _jumpers(antenna, o, right, steel, boxes, black, rng)


def _panel(antenna: place.Antenna, steel: Mesh, radome: Mesh, black: Mesh, rng: np.random.Generator) -> None:
    axes = antenna.axes()
    right, up, normal = axes
    w, h, d = antenna.model.whd_m
    c = antenna.centre_enu_m
    add_panel(
        radome,
        c,
        axes,
        (w, h, d),
        antenna.model.edge_radius_m,
        antenna.model.bulge_m,
        RADOME * rng.uniform(0.96, 1.05),
        rng,
    )
    foot = antenna.pipe_enu_m * [1, 1, 0]
    level = outward(antenna.azimuth_deg)
    level_right = np.cross(-level, UP)
    for share in (-0.38, 0.38):
        back = c - normal * d / 2 + up * h * share
        clamp = foot + UP * back[2]
        steel.box(back + normal * -0.012, axes, (0.15, 0.07, 0.03), DARK_STEEL)
        steel.box(clamp, (level_right, UP, level), (0.12, 0.06, 0.11), DARK_STEEL)
        for s in (-0.045, 0.045):
            steel.rod(back + right * s, clamp + level_right * s, 0.011, DARK_STEEL, 8)


def _jumpers(
    antenna: place.Antenna, o: Array, side: Array, steel: Mesh, boxes: Mesh, black: Mesh, rng: np.random.Generator
) -> None:
    """Connectors under the bottom cap, radio boxes on the pipe, and the cables between them and to the tower."""
    right, up, normal = antenna.axes()
    w, h, d = antenna.model.whd_m
    foot = antenna.pipe_enu_m * [1, 1, 0]
    inward = -o
    if antenna.position == 1:
        unders = [_radio(boxes, black, steel, foot + UP * z, inward, rng, 0.44) for z in (28.15, 29.55)]
    else:
        unders = [_radio(boxes, black, steel, foot + UP * 29.35, inward, rng, 0.52)]
    bottom = antenna.centre_enu_m - up * h / 2
    n = 0
    for row in (-0.2, 0.2):
        for s in np.linspace(-0.32, 0.32, 3):
            p = bottom + right * s * w + normal * row * d
            black.rod(p + up * 0.01, p - up * 0.055, 0.0145, np.array([0.30, 0.30, 0.30]), 12)
            q = p - up * 0.055
            black.rod(q, q - up * 0.05, 0.0115, CABLE, 10)
            q = q - up * 0.05
            target = unders[n % len(unders)] + side * 0.03 * (n % 4 - 1.5)
            droop = rng.uniform(0.18, 0.34)
            end = target - UP * rng.uniform(0.2, 0.35)
            black.tube(
                _bezier(q, q - up * droop + rng.normal(0, 0.02, 3), end - UP * 0.05, target),
                0.0075,
                CABLE,
                8,
                capped=False,
            )
            n += 1
    for k, under in enumerate(unders):
        for j in range(2):
            inner = o * 0.38 + UP * (28.3 - 0.5 * k) + side * rng.uniform(-0.15, 0.15)
            start = under + side * (0.04 * j - 0.02)
            sag = start - UP * rng.uniform(0.35, 0.6)
            black.tube(
                _bezier(start, sag, inner + o * 0.4 - UP * rng.uniform(0.1, 0.4), inner), 0.0095, CABLE, 8, capped=False
            )


def _drum(steel: Mesh, boxes: Mesh, black: Mesh) -> None:
    """A microwave drum at 24.6 m, looking to azimuth 318."""
    o = outward(318.0)
    pipe = _leg(1, 24.6) + o * 0.22
    steel.rod(pipe - UP * 0.6, pipe + UP * 0.6, 0.045, STEEL, 16)
    for z in (-0.4, 0.4):
        steel.rod(pipe + UP * z, _leg(1, 24.6 + z), 0.03, STEEL, 12)
    c = pipe + o * 0.12
    path = np.array([c, c + o * 0.02, c + o * 0.34, c + o * 0.36])
    boxes.tube(path, [0.28, 0.31, 0.31, 0.30], RADOME, 40)
    boxes.box(pipe - o * 0.16, (np.cross(UP, o), UP, np.cross(np.cross(UP, o), UP)), (0.2, 0.24, 0.1), GREY_BOX)
    start = pipe - o * 0.16 - UP * 0.14
    black.tube(
        _bezier(start, start - UP * 0.4, np.array([-0.5, 0.0, 24.0]), np.array([-0.52, 0, 23.0])), 0.008, CABLE, 8
    )


def build(steel: Mesh, radome: Mesh, boxes: Mesh, black: Mesh) -> list[place.Antenna]:
    """Add the whole tower; returns its antennas."""
    rng = np.random.default_rng(place.SEED + 1)
    panels = place.antennas()
    _lattice(steel, rng)
    for sector, _, mount in place.SECTORS:
        _sector(sector, mount, [p for p in panels if p.sector == sector], steel, radome, boxes, black, rng)
    _drum(steel, boxes, black)
    for k in range(10):  # feeders down the west face
        y = -0.25 + 0.055 * k
        down = np.linspace(28.2 - 0.04 * k, 0.4, 12)
        black.tube(np.stack([-half_width_m(down) - 0.05, np.full(12, y), down], -1), 0.014, CABLE, 8)
    for z in np.arange(1.0, 28.0, 1.4):
        face = -float(half_width_m(z)) - 0.02
        steel.rod(np.array([face, -0.35, z]), np.array([face, 0.35, z]), 0.015, STEEL, 8)
    _ground_kit(steel, boxes, rng)
    return panels


def _ground_kit(steel: Mesh, boxes: Mesh, rng: np.random.Generator) -> None:
    """Cabinets and a fence at the foot."""
    e, n = np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
    for x, y, size in ((3.2, -0.6, (0.8, 1.7, 0.8)), (3.2, 0.6, (0.8, 1.7, 0.8)), (-3.4, 0.2, (1.2, 2.2, 2.0))):
        ground = float(place.terrain_m(x, y))
        boxes.box(np.array([x, y, ground + size[1] / 2]), (n, UP, e), size, GREY_BOX * rng.uniform(0.9, 1.1))
    corners = np.array([(-6, -6), (6, -6), (6, 6), (-6, 6), (-6, -6)], float)
    for a, b in itertools.pairwise(corners):
        for t in np.linspace(0, 1, 6)[:-1]:
            p = np.append(a + t * (b - a), 0.0)
            steel.rod(p - UP * 0.3, p + UP * 2.1, 0.025, STEEL, 8)
        for t in np.linspace(0, 1, 120)[:-1]:
            p = np.append(a + t * (b - a), 0.0)
            steel.rod(p, p + UP * 2.0, 0.004, STEEL, 4)
        for z in (0.1, 2.0):
            steel.rod(np.append(a, z), np.append(b, z), 0.018, STEEL, 8)
