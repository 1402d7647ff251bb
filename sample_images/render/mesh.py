"""Meshes from numpy: rounded boxes, tubes, panels; collected by material and written as binary PLY."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]


def unit(v: Array) -> Array:
    """Vectors (..., 3) at length one."""
    out: Array = v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-12)
    return out


def cross(a: Array, b: Array) -> Array:
    """Of two vectors (3,); a fifth of `np.cross`'s time, the same to the last bit."""
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def across(direction: Array) -> tuple[Array, Array]:
    """Two unit vectors at right angles to `direction` and to each other."""
    d = unit(direction)
    helper = np.array([0.0, 0.0, 1.0]) if abs(d[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    a = unit(cross(helper, d))
    return a, cross(d, a)


@dataclass(slots=True)
class Mesh:
    """Triangles of one material with normals and colours at the vertices."""

    points: list[Array] = field(default_factory=list)
    normals: list[Array] = field(default_factory=list)
    colours: list[Array] = field(default_factory=list)
    faces: list[Array] = field(default_factory=list)
    count: int = 0

    def add(self, points: Array, normals: Array, faces: Array, colour: ArrayLike) -> None:
        """Add vertices (N, 3), their normals, faces (M, 3) and one colour or (N, 3) colours (linear RGB)."""
        colours = np.empty(points.shape)
        colours[...] = colour  # a fifth of `np.broadcast_to`'s time
        self.points.append(points)
        self.normals.append(normals)
        self.colours.append(colours)
        self.faces.append(faces + self.count)
        self.count += len(points)

    def triangles(self, corners: Array, colour: Array) -> None:
        """Add loose triangles (N, 3, 3) with flat normals; colour (N, 3) or one."""
        n = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
        colours = np.repeat(np.broadcast_to(colour, (len(corners), 3)), 3, axis=0)
        self.add(corners.reshape(-1, 3), np.repeat(n, 3, axis=0), np.arange(3 * len(corners)).reshape(-1, 3), colours)

    def box(self, centre: Array, axes: tuple[Array, Array, Array], size: ArrayLike, colour: ArrayLike) -> None:
        """Add a sharp box: size along the three axes."""
        h = np.asarray(size, float) / 2
        a, b, c = (axis * s for axis, s in zip(axes, h, strict=True))
        n, u, v = np.array([[a, -a, b, -b, c, -c], [b, c, c, a, a, b], [c, b, a, c, b, a]])
        middle = centre + n
        p = np.stack([middle - u - v, middle + u - v, middle + u + v, middle - u + v], 1)
        self.add(p.reshape(-1, 3), unit(n).repeat(4, 0), _BOX, colour)

    def tube(self, path: Array, radii: ArrayLike, colour: ArrayLike, sides: int = 10, capped: bool = True) -> None:
        """Add a round tube along a path (N, 3), radius one or (N,)."""
        r = np.broadcast_to(np.asarray(radii, float), (len(path),))
        # a rod's two ends have its own way; `np.gradient` says the same
        way = np.gradient(path, axis=0) if len(path) > 2 else (path[1] - path[0])[None].repeat(2, 0)
        tangent = unit(way)
        u, _ = across(tangent[0])
        cos, sin, walls, fan = _ring(sides, len(path))
        rings, normals = [], []
        for p, t, radius in zip(path, tangent, r, strict=True):
            u = unit(u - t * (u @ t))
            v = cross(t, u)
            n = cos * u + sin * v
            rings.append(p + radius * n)
            normals.append(n)
        self.add(np.concatenate(rings), np.concatenate(normals), walls, colour)
        if capped:
            self.add(rings[0], -tangent[:1].repeat(sides, 0), fan[:, ::-1], colour)
            self.add(rings[-1], tangent[-1:].repeat(sides, 0), fan, colour)

    def rod(self, start: Array, end: Array, radius: float, colour: ArrayLike, sides: int = 12) -> None:
        """Add a straight round bar."""
        self.tube(np.array([start, end], float), radius, colour, sides)

    def grid(self, points: Array, colours: Array, closed: bool = False) -> None:
        """Add a surface over points (R, C, 3) with smooth normals; `closed` joins the last column to the first.

        Normals point to the side from which rows run up and columns run to the right.
        """
        rows, cols = points.shape[:2]
        wrap = np.concatenate([points[:, -1:], points, points[:, :1]], 1) if closed else points
        du = np.gradient(wrap, axis=1)[:, 1:-1] if closed else np.gradient(wrap, axis=1)
        n = unit(np.cross(du, np.gradient(points, axis=0)))
        j = np.arange(cols if closed else cols - 1)
        i = np.arange(rows - 1)[:, None] * cols
        jn = (j + 1) % cols
        quads = np.stack([i + j, i + jn, i + cols + jn, i + cols + j], -1).reshape(-1, 4)
        self.add(points.reshape(-1, 3), n.reshape(-1, 3), _halves(quads), colours.reshape(-1, 3))

    def write(self, path: Path) -> None:
        """Write all as one binary PLY with float colours (read by the renderer as the attribute vertex_color)."""
        names = ["x", "y", "z", "nx", "ny", "nz", "r", "g", "b"]
        vertices = np.concatenate(
            [np.concatenate(self.points), np.concatenate(self.normals), np.concatenate(self.colours)], 1
        ).astype("<f4")
        faces = np.concatenate(self.faces)
        records = np.empty(len(faces), dtype=[("n", "u1"), ("i", "<i4", 3)])
        records["n"], records["i"] = 3, faces
        header = ["ply", "format binary_little_endian 1.0", f"element vertex {len(vertices)}"]
        header += [f"property float {name}" for name in names]
        header += [f"element face {len(faces)}", "property list uchar int vertex_index", "end_header", ""]
        path.write_bytes("\n".join(header).encode() + vertices.tobytes() + records.tobytes())


def _halves(quads: Array) -> Array:
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])


#: faces of a box, two a side, whose corners come side by side
_BOX = (np.arange(0, 24, 4)[:, None, None] + np.array([[0, 1, 2], [0, 2, 3]])).reshape(-1, 3)


@functools.cache
def _ring(sides: int, count: int) -> tuple[Array, Array, Array, Array]:
    """Of a round tube of so many rings: cosines and sines (sides, 1), faces of its walls and of a cap."""
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    k = np.arange(count - 1)[:, None] * sides
    i, j = np.arange(sides), (np.arange(sides) + 1) % sides
    quads = np.stack([k + i, k + j, k + sides + j, k + sides + i], -1).reshape(-1, 4)
    fan = np.stack([np.zeros(sides - 2, int), np.arange(1, sides - 1), np.arange(2, sides)], -1)
    return np.cos(angle)[:, None], np.sin(angle)[:, None], _halves(quads), fan


def panel_profile(width_m: float, depth_m: float, radius_m: float, bulge_m: float, inset_m: float = 0.0) -> Array:
    """Cross-section (N, 2) of a radome, x across and y out of the front, anticlockwise, `inset_m` drawn in all round.

    Edges rounded by `radius_m` at the front and half of it at the back; the front's middle stands out by `bulge_m`
    over its sides. It touches the box width x depth at the sides, the back and the front's middle.
    """
    r = max(radius_m - inset_m, 0.004)
    rb = max(radius_m / 2 - inset_m, 0.003)
    a, d = width_m / 2 - inset_m, depth_m / 2 - inset_m
    arc = np.linspace(0, np.pi / 2, 11)
    corners = []
    for cx, cy, radius, start in (
        (a - r, d - r, r, 0.0),
        (-a + r, d - r, r, np.pi / 2),
        (-a + rb, -d + rb, rb, np.pi),
        (a - rb, -d + rb, rb, 3 * np.pi / 2),
    ):
        corners.append(np.stack([cx + radius * np.cos(arc + start), cy + radius * np.sin(arc + start)], -1))
    front = np.stack([np.linspace(a - r, -a + r, 25)[1:-1], np.full(23, d)], -1)
    back = np.stack([np.linspace(-a + rb, a - rb, 9)[1:-1], np.full(7, -d)], -1)
    p = np.concatenate([corners[0], front, corners[1], corners[2], back, corners[3]])
    # the bulge fades to nothing at the back
    share = np.clip((p[:, 1] + d) / (2 * d), 0, 1)
    p[:, 1] -= bulge_m * (p[:, 0] / (width_m / 2)) ** 2 * share
    return p


def add_panel(
    mesh: Mesh,
    centre: Array,
    axes: tuple[Array, Array, Array],
    size_whd_m: ArrayLike,
    radius_m: float,
    bulge_m: float,
    colour: Array,
    rng: np.random.Generator,
) -> None:
    """Add a radome: the rounded profile extruded over the height, its last 2.5 cm drawn in by 9 mm to flat caps."""
    right, up, normal = axes
    w, h, d = np.asarray(size_whd_m, float)
    end, draw = 0.025, 0.009
    s = np.linspace(0, 1, 7)
    ends = [(h / 2 - end + end * np.sin(t), draw * (1 - np.cos(t))) for t in s * np.pi / 2]
    middle = np.linspace(-h / 2 + end, h / 2 - end, 42)[1:-1]
    levels = [(-z, i) for z, i in reversed(ends)] + [(z, 0.0) for z in middle] + ends
    rings = []
    for z, inset in levels:
        p = panel_profile(w, d, radius_m, bulge_m, inset)[::-1]
        rings.append(centre + p[:, :1] * right + p[:, 1:] * normal + z * up)
    points = np.array(rings)
    heights = np.array([z for z, _ in levels])
    # weathering: darker streaks that grow towards the bottom, a greyer end cap
    knots = np.arange(0, points.shape[1], 4)
    streak = np.interp(np.arange(points.shape[1]), knots, rng.normal(0, 1, len(knots)))
    dirt = 1 - 0.03 * np.clip(streak, 0, 2)[None, :] * (0.5 - heights / h)[:, None]
    shade = colour * dirt[..., None]
    shade[np.abs(heights) > h / 2 - 0.024] *= 0.86
    # anticlockwise with right and normal as axes is clockwise from above, hence the reversed profile: columns must run
    # to the right as seen from outside
    mesh.grid(points, shade, closed=True)
    for ring, side in ((points[0], -1.0), (points[-1], 1.0)):
        n = len(ring)
        fan = np.stack([np.full(n, n), np.arange(n), (np.arange(n) + 1) % n], -1)
        cap = np.concatenate([ring, ring.mean(0, keepdims=True)])
        mesh.add(cap, np.tile(side * up, (n + 1, 1)), fan if side > 0 else fan[:, ::-1], colour * 0.78)
