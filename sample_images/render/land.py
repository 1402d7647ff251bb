"""What stands round the tower: ground, trees, houses, the two landmarks."""

from __future__ import annotations

import itertools

import numpy as np
import place
from geometry import Array, TrueCamera, outward
from mesh import Mesh, unit

UP = np.array([0.0, 0.0, 1.0])
HAZE = np.array([0.42, 0.50, 0.60])


def _haze(colour: Array, distance_m: Array | float) -> Array:
    """Colours as seen through some kilometres of air, mixed beforehand by the distance from the tower."""
    share = 1 - np.exp(-np.asarray(distance_m, float) / 9000.0)
    out: Array = colour * (1 - share)[..., None] + HAZE * 0.6 * share[..., None]
    return out


def _ground(green: Mesh, rng: np.random.Generator) -> None:
    """Rings of ground out to 9 km: mown and rough grass near, fields and wooded hills far."""
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radius = np.concatenate([np.linspace(0.01, 110, 320), np.geomspace(111, 9000, 180)])
    # columns clockwise as seen from above and rows outwards would face down: take them anticlockwise
    x = radius[:, None] * np.cos(angle)
    y = radius[:, None] * np.sin(angle)
    z = place.terrain_m(x, y) + rng.normal(0, 0.02, x.shape) * np.clip(radius / 20, 0, 1)[:, None]
    patch = np.zeros_like(x)
    for _ in range(14):
        k = rng.normal(0, 1, 2) / rng.choice([6.0, 15.0, 60.0, 240.0])
        patch += np.sin(k[0] * x + k[1] * y + rng.uniform(0, 6.28))
    patch = np.clip(0.5 + patch / 14 + rng.normal(0, 0.12, x.shape), 0, 1)[..., None]
    grass = patch * np.array([0.080, 0.105, 0.040]) + (1 - patch) * np.array([0.125, 0.120, 0.060])
    wooded = np.clip((radius - 1500) / 1500, 0, 1)[:, None, None]
    stands = np.sin(x / 210 + 2 * np.sin(y / 400)) * np.sin(y / 170 + np.sin(x / 330))
    canopy = np.array([0.026, 0.040, 0.020]) * (0.85 + 0.25 * stands + rng.normal(0, 0.05, x.shape))[..., None]
    colour = grass * (1 - wooded) + wooded * canopy
    gravel = (np.maximum(np.abs(x), np.abs(y)) < 7.0)[..., None]
    colour = np.where(gravel, np.array([0.23, 0.22, 0.20]) * (0.85 + 0.3 * patch), colour)
    points = np.stack([x, y, z], -1)
    green.grid(points[:, ::-1], _haze(colour, np.broadcast_to(radius[:, None], x.shape))[:, ::-1], closed=True)


def _leaves(centres: Array, size: Array, rng: np.random.Generator) -> Array:
    """Loose triangles (N, 3, 3) at random attitudes."""
    n = len(centres)
    a = unit(rng.normal(0, 1, (n, 3)))
    b = unit(np.cross(a, rng.normal(0, 1, (n, 3))))
    s = np.broadcast_to(np.asarray(size, float), (n,))[:, None]
    return np.stack([centres - a * s, centres + a * s, centres + b * s * 1.3], 1)


def _spruce(green: Mesh, wood: Mesh, foot: Array, height: float, detail: int, rng: np.random.Generator) -> None:
    n = detail
    z = 1 - np.sqrt(rng.uniform(0, 1, n) * 0.96)  # more needles where the cone is wide
    whorl = np.round(z * 26) / 26 + rng.normal(0, 0.006, n)
    r = rng.uniform(0.15, 1, n) ** 0.6 * (1 - z) * height * 0.20
    a = rng.integers(0, 11, n) / 11 * 2 * np.pi + whorl * 40 + rng.normal(0, 0.13, n)
    p = np.stack([r * np.cos(a), r * np.sin(a), (0.06 + 0.94 * whorl) * height - 0.28 * r], -1) + foot
    colour = np.array([0.028, 0.052, 0.024]) * rng.uniform(0.55, 1.4, (n, 1))
    size = height * 0.011 * (9000 / n) ** 0.5
    green.triangles(_leaves(p, np.full(n, size), rng), _haze(colour, np.full(n, np.hypot(*foot[:2]))))
    wood.tube(
        np.array([foot - UP * 0.3, foot + UP * height * 0.97]), [height * 0.014, 0.01], np.array([0.08, 0.06, 0.05]), 7
    )


def _birch(green: Mesh, wood: Mesh, foot: Array, height: float, detail: int, rng: np.random.Generator) -> None:
    top = foot + UP * height * 0.8 + np.append(rng.normal(0, 0.04, 2) * height, 0)
    bark = np.array([0.30, 0.28, 0.26])
    wood.tube(np.array([foot - UP * 0.3, (foot + top) / 2, top]), [height * 0.017, height * 0.011, 0.02], bark, 8)
    blobs = []
    for _ in range(16):
        t = rng.uniform(0.3, 1)
        a = rng.uniform(0, 2 * np.pi)
        reach = height * 0.24 * np.sin(np.pi * (0.15 + 0.8 * (t - 0.3) / 0.7))
        end = foot + (top - foot) * t + reach * np.array([np.cos(a), np.sin(a), 0.5])
        start = foot + (top - foot) * (t - 0.18)
        wood.tube(
            np.array([start, (start + end) / 2 + UP * 0.1, end]), [height * 0.005, height * 0.003, 0.008], bark, 5
        )
        blobs.append(end)
    which = rng.integers(0, len(blobs), detail)
    p = np.array(blobs)[which] + rng.normal(0, height * 0.055, (detail, 3))
    colour = np.array([0.085, 0.150, 0.030]) * rng.uniform(0.6, 1.35, (detail, 1))
    size = height * 0.0085 * (9000 / detail) ** 0.5
    green.triangles(_leaves(p, np.full(detail, size), rng), _haze(colour, np.full(detail, np.hypot(*foot[:2]))))


def _in_the_way(x: float, y: float, reach: float, height: float, cameras: list[TrueCamera], targets: Array) -> bool:
    """Whether something standing at x, y would hide a target from a camera, or crowd the camera."""
    for camera in cameras:
        c = np.array(camera.position_enu_m)
        to = np.array([x, y]) - c[:2]
        distance = float(np.hypot(*to))
        if distance < reach + 13:
            return True
        top = np.degrees(np.arctan2(height + float(place.terrain_m(x, y)) - c[2], distance))
        for target in targets:
            line = target[:2] - c[:2]
            length = float(np.hypot(*line))
            along = float(to @ line) / length
            off = abs(float(to[0] * line[1] - to[1] * line[0])) / length
            wanted = np.degrees(np.arctan2(target[2] - c[2], length))
            if 0 < along < length - 8 and off < reach + 1.0 + 0.02 * along and top > 0.55 * wanted:
                return True
    return False


def _trees(green: Mesh, wood: Mesh, cameras: list[TrueCamera], targets: Array, rng: np.random.Generator) -> None:
    spots = []
    for low, high, count in ((30.0, 120.0, 150), (120.0, 400.0, 1000), (400.0, 2000.0, 7000)):
        for _ in range(count):
            d = float(np.sqrt(rng.uniform(low**2, high**2)))
            a = rng.uniform(0, 360)
            x, y = (outward(a) * d)[:2]
            # woods and clearings, not an even sprinkling
            if np.sin(x / 61 + 1) + np.sin(y / 53) + np.sin((x - y) / 140) < rng.normal(-0.1, 0.5):
                continue
            spots.append((x, y, d))
    for x, y, d in spots:
        spruce = rng.uniform() < 0.62
        height = rng.uniform(7, 15) if spruce else rng.uniform(6, 12)
        if _in_the_way(x, y, height * 0.25, height, cameras, targets):
            continue
        foot = np.array([x, y, float(place.terrain_m(x, y))])
        detail = 9000 if d < 120 else 2600 if d < 400 else 300
        (_spruce if spruce else _birch)(green, wood, foot, height, detail, rng)


def _house(walls: Mesh, roofs: Mesh, foot: Array, heading_deg: float, rng: np.random.Generator) -> None:
    o = outward(heading_deg)
    s = np.array([o[1], -o[0], 0.0])
    length, width, eaves = rng.uniform(9, 14), rng.uniform(7, 9), rng.uniform(2.8, 5.2)
    ridge = eaves + width / 2 * rng.uniform(0.7, 1.0)
    paint = np.array([[0.55, 0.53, 0.48], [0.42, 0.20, 0.13], [0.58, 0.50, 0.33], [0.35, 0.40, 0.42]])[rng.integers(4)]
    d = np.full(1, np.hypot(*foot[:2]))
    paint = _haze(paint[None], d)[0]
    axes = (s, UP, np.cross(s, UP))
    walls.box(foot + UP * (eaves / 2 - 0.5), axes, (length, eaves + 1, width), paint)
    for e in (-1, 1):
        c = foot + s * e * length / 2
        tri = np.array([[c + o * width / 2 + UP * eaves, c - o * width / 2 + UP * eaves, c + UP * ridge]])
        walls.triangles(tri, paint)
        for x in (-0.25, 0.25):
            walls.box(c + o * x * width + UP * 1.5, axes, (0.08, 1.2, 1.0), np.array([0.03, 0.035, 0.04]))
    tiles = _haze(np.array([[0.16, 0.075, 0.05], [0.07, 0.07, 0.075]])[rng.integers(2)][None], d)[0]
    for e in (-1, 1):
        down = unit(o * e * width / 2 - UP * (ridge - eaves))
        span = np.hypot(width / 2, ridge - eaves) + 0.5
        roofs.box(foot + UP * ridge + down * span / 2, (s, down, np.cross(s, down)), (length + 0.8, span, 0.14), tiles)
        for x in np.linspace(-0.36, 0.36, 4):
            at = foot + o * e * width / 2 + s * x * length + UP * 1.5
            walls.box(at, axes, (1.1, 1.3, 0.08), np.array([0.03, 0.035, 0.04]))
            walls.box(at - UP * 0.7, axes, (1.3, 0.08, 0.16), paint * 1.1)
    walls.box(foot + UP * (ridge + 0.3) + s * length * 0.2, axes, (0.7, 1.6, 0.7), np.array([0.22, 0.10, 0.07]))


def _houses(walls: Mesh, roofs: Mesh, cameras: list[TrueCamera], targets: Array, rng: np.random.Generator) -> None:
    for azimuth, low, high in (
        (262, 80, 300),
        (33, 80, 300),
        (148, 80, 260),
        (332, 80, 260),
        (300, 70, 300),
        (60, 90, 300),
    ):
        for _ in range(7):
            a, d = azimuth + rng.normal(0, 13), rng.uniform(low, high)
            foot = outward(a) * d
            foot[2] = float(place.terrain_m(foot[0], foot[1]))
            if not _in_the_way(float(foot[0]), float(foot[1]), 9.0, 10.0, cameras, targets):
                _house(walls, roofs, foot, rng.uniform(0, 180), rng)


def _spire(walls: Mesh, roofs: Mesh, mark: place.Landmark) -> None:
    """A church: nave, square tower to 30 m, eight-sided spire to the apex."""
    base, apex = mark.base_enu_m, mark.top_enu_m
    o = outward(118.0)
    s = np.array([o[1], -o[0], 0.0])
    axes = (s, UP, np.cross(s, UP))
    stone, slate = _haze(np.array([[0.38, 0.35, 0.30], [0.085, 0.11, 0.11]]), np.full(2, 640.0))
    walls.box(base + UP * 14.0, axes, (7.5, 32.0, 7.5), stone)
    walls.box(base + UP * 29.8, axes, (8.1, 0.8, 8.1), stone * 1.1)
    for side in (s, -s, o, -o):
        walls.box(base + UP * 24.0 + side * 3.72, axes, (1.6, 4.0, 1.6), stone * 0.25)
    ring = [base + UP * 30.2 + 3.9 * (s * np.cos(t) + o * np.sin(t)) for t in np.arange(9) * np.pi / 4 + np.pi / 8]
    roofs.triangles(np.array([[a, b, apex] for a, b in itertools.pairwise(ring)]), slate)
    nave = base + o * 16.0
    walls.box(nave + UP * 4.0, axes, (11.0, 12.0, 24.0), stone)
    for e in (-1, 1):
        down = unit(s * e * 5.5 - UP * 7.0)
        roofs.box(nave + UP * 17.0 + down * 4.6, (o, down, np.cross(o, down)), (24.6, 9.4, 0.3), slate)
    for e in (-1, 1):
        end = nave + o * e * 12
        walls.triangles(np.array([[end + s * 5.5 + UP * 10, end - s * 5.5 + UP * 10, end + UP * 17]]), stone)


def _chimney(walls: Mesh, roofs: Mesh, mark: place.Landmark, rng: np.random.Generator) -> None:
    """A works chimney with red and white bands near its rim, and sheds at its foot."""
    base, top = mark.base_enu_m, mark.top_enu_m
    height = float(top[2] - base[2])
    bands = [(0.0, 0.72, (0.36, 0.35, 0.33))]
    for k in range(4):
        bands.append((0.72 + 0.07 * k, 0.79 + 0.07 * k, (0.40, 0.06, 0.04) if k % 2 else (0.60, 0.60, 0.58)))
    for low, high, colour in bands:
        path = np.array([base + UP * height * low, base + UP * height * high])
        shade = _haze(np.array([colour]), np.full(1, 1050.0))[0]
        walls.tube(path, [3.6 - 1.5 * low, 3.6 - 1.5 * high], shade, 48)
    o = outward(75.0)
    s = np.array([o[1], -o[0], 0.0])
    for k in range(4):
        foot = base + s * (26.0 * k - 30) + o * 18
        size = (24.0, rng.uniform(10, 19), 40.0)
        shade = _haze(np.array([[0.30, 0.33, 0.36]]) * rng.uniform(0.8, 1.2), np.full(1, 1050.0))[0]
        walls.box(foot + UP * (size[1] / 2 - 1), (s, UP, np.cross(s, UP)), size, shade)
        roofs.box(foot + UP * (size[1] - 0.8), (s, UP, np.cross(s, UP)), (24.6, 0.5, 40.6), shade * 0.5)


def build(green: Mesh, wood: Mesh, walls: Mesh, roofs: Mesh, cameras: list[TrueCamera]) -> None:
    """Add all of it, keeping the lines of sight from the cameras to the tower's head and the landmarks free."""
    rng = np.random.default_rng(place.SEED + 2)
    marks = place.landmarks()
    targets = np.array([m.top_enu_m for m in marks] + [[0.0, 0.0, 27.0]])
    _ground(green, rng)
    _trees(green, wood, cameras, targets, rng)
    _houses(walls, roofs, cameras, targets, rng)
    for mark in marks:
        if mark.kind == "spire":
            _spire(walls, roofs, mark)
        else:
            _chimney(walls, roofs, mark, rng)
