"""What hangs or stands beside panels and is none: dishes, whips, trays, cabinets, signs, lattices, rails, trees.

Common practice, no source.
"""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.training.parts import UP, Face, Head, metal, radio, radio_size, radome, vivid
from photoaz.vision.training.renderer import geometry, mesh

Array = NDArray[Any]


def dish(head: Head, at: Array, o: Array, r: float, rng: np.random.Generator) -> None:
    """A microwave antenna that looks to `o` (3,), its back at `at` (3,): drum, open dish with its feed, grid, horn."""
    boxes, steel = head.meshes["boxes"], head.meshes["steel"]
    paint = radome(rng)
    kind = rng.choice(["drum", "open", "horn"], p=[0.62, 0.28, 0.1])
    if kind == "drum":
        depth = r * rng.uniform(0.4, 1.1)
        front = r * rng.uniform(0.03, 0.25)
        path = np.array([at, at + o * 0.02, at + o * depth, at + o * (depth + 0.01), at + o * (depth + front)])
        boxes.tube(path, [0.8 * r, r, r, 0.97 * r, 0.75 * r], paint, 24)
    elif kind == "open":
        t = np.linspace(0.08, 1, 6)
        boxes.tube(at + o * (0.35 * r * t**2)[:, None], r * t, paint, 24, capped=False)
        steel.rod(at, at + o * 0.7 * r, 0.02, paint * 0.6, 6)
        boxes.rod(at + o * 0.62 * r, at + o * 0.75 * r, 0.06 * r + 0.02, paint * 0.7, 10)
    else:
        boxes.tube(np.array([at, at + o * 0.3, at + o * 0.3 + o * r]), [0.06, 0.08, 0.8 * r], paint, 4)
    boxes.rod(at - o * 0.16, at + o * 0.02, 0.13, paint * 0.8, 10)
    radio(head, at - o * 0.25, -o, np.array([0.25, 0.25, 0.1]), radome(rng), rng)


def turned(m: mesh.Mesh, foot: Array, z: Array, r: Array, paint: Array, sides: int = 40) -> None:
    """A body of revolution about the vertical through `foot`: radii (N,) at heights (N,), from below upwards."""
    edge = np.concatenate([[True], (np.diff(z) != 0) | (np.diff(r) != 0)])
    angle = -np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = np.stack([np.sin(angle), np.cos(angle), np.zeros(sides)], -1)
    z, r = np.repeat(z[edge], 2), np.repeat(r[edge], 2)  # doubled: sharp edges
    points = foot + r[1:-1, None, None] * ring + z[1:-1, None, None] * UP
    m.grid(points, np.broadcast_to(paint, points.shape).copy(), closed=True)


def omni(head: Head, low: Array, rng: np.random.Generator) -> None:
    """A whip or a stick of fibreglass upright on its foot (3,); some thick, some folded dipoles."""
    boxes, steel = head.meshes["boxes"], head.meshes["steel"]
    length = rng.uniform(0.6, 3.6)
    grey = np.full(3, rng.uniform(0.35, 0.7)) if rng.random() < 0.75 else radome(rng)
    r = rng.uniform(0.008, 0.06)
    boxes.rod(low, low + UP * length, r, grey, 10)
    steel.rod(low - UP * 0.25, low + UP * 0.12, r * 1.25 + 0.008, metal(rng), 10)
    if rng.random() < 0.25:
        o = geometry.outward(rng.uniform(0, 360))
        for z in np.arange(0.2, length - 0.3, 0.7):
            loop = [low + UP * z, low + UP * z + o * 0.2, low + UP * (z + 0.35) + o * 0.2, low + UP * (z + 0.35)]
            for p, q in itertools.pairwise(loop):
                steel.rod(p, q, 0.009, grey, 5)


def tray(head: Head, a: Array, b: Array, side: Array, rng: np.random.Generator) -> None:
    """A ladder tray from a to b (3,), rungs along `side` (3,), with its bundle of cables."""
    steel, black = head.meshes["steel"], head.meshes["black"]
    half, zinc = rng.uniform(0.1, 0.3), metal(rng)
    for e in (-half, half):
        steel.rod(a + side * e, b + side * e, 0.02, zinc, 4)
    n = min(50, int(float(np.linalg.norm(b - a)) / 0.35)) + 2
    for t in np.linspace(0, 1, n):
        p = a + (b - a) * t
        steel.rod(p - side * half, p + side * half, 0.012, zinc, 4)
    off = np.cross(side, b - a)
    off = off / max(float(np.linalg.norm(off)), 1e-9) * 0.03
    for x in np.linspace(-0.85, 0.85, int(rng.integers(2, 12))) * half:
        shade = np.full(3, rng.choice([0.02, 0.03, 0.05, 0.3]))
        black.rod(a + side * x + off, b + side * x + off, rng.uniform(0.008, 0.022), shade, 6)


def railing(head: Head, points: Array, rng: np.random.Generator) -> None:
    """Posts and rails along a line (N, 3) of feet, which frame the sky."""
    steel, zinc = head.meshes["steel"], metal(rng)
    r, tall = rng.uniform(0.012, 0.03), rng.uniform(0.8, 1.3)
    rails = np.linspace(0, tall, int(rng.integers(2, 5)))[1:]
    filled = rng.random() < 0.25
    for p, q in itertools.pairwise(points):
        for z in rails:
            steel.rod(p + UP * z, q + UP * z, r, zinc, 5)
        n = max(1, round(float(np.linalg.norm(q - p)) / (0.14 if filled else 1.1)))
        for t in np.linspace(0, 1, min(n, 40) + 1)[1:]:
            steel.rod(p + (q - p) * t, p + (q - p) * t + UP * tall, r * (0.5 if filled else 1.0), zinc, 5)


def cabinet(head: Head, face: Face, x: float, z: float, rng: np.random.Generator) -> None:
    """An outdoor cabinet with its foot at (x, z): door, louvres, handle."""
    boxes = head.meshes["boxes"]
    w, h, d = rng.uniform(0.5, 1.3), rng.uniform(0.6, 2.1), rng.uniform(0.35, 0.8)
    paint = radome(rng)
    face.box(boxes, (x, z + h / 2, d / 2), (w, h, d), paint)
    face.box(boxes, (x, z + h + 0.02, d / 2), (w + 0.06, 0.04, d + 0.06), paint * 0.85)
    face.box(boxes, (x, z + h / 2, d + 0.006), (0.88 * w, 0.9 * h, 0.012), paint * 0.95)
    for k in range(int(rng.integers(0, 7))):
        face.box(boxes, (x, z + h * 0.2 + 0.05 * k, d + 0.014), (0.5 * w, 0.02, 0.012), paint * 0.5)
    face.box(head.meshes["black"], (x + 0.36 * w, z + h / 2, d + 0.02), (0.03, 0.14, 0.02), np.full(3, 0.05))


def aircon(head: Head, face: Face, x: float, z: float, rng: np.random.Generator) -> None:
    """An air conditioner's outdoor unit: box, round grille, brackets, pipe."""
    boxes, black = head.meshes["boxes"], head.meshes["black"]
    w, d = rng.uniform(0.7, 1.0), rng.uniform(0.28, 0.4)
    h = w * rng.uniform(0.65, 0.85) if rng.random() < 0.8 else w * 1.4
    paint = np.full(3, rng.uniform(0.45, 0.75)) * np.array([1.0, 0.99, 0.94])
    off = d / 2 + 0.1
    face.box(boxes, (x, z, off), (w, h, d), paint)
    for y in (0.0,) if h < w else (-0.26 * h, 0.26 * h):
        hub = face.at(x - 0.12 * w, z + y, off + d / 2)
        black.rod(hub, hub + face.out * 0.012, 0.36 * min(w, h), np.full(3, 0.06), 20)
        boxes.rod(hub, hub + face.out * 0.016, 0.1 * min(w, h), paint * 0.8, 10)
    for s in (-0.35, 0.35):
        face.box(head.meshes["steel"], (x + s * w, z - h / 2 - 0.02, off - 0.06), (0.04, 0.04, d + 0.1), paint * 0.5)
    face.rod(black, (x + w / 2, z, 0.05), (x + w / 2, z - rng.uniform(1, 4), 0.03), 0.02, paint * 0.9)


def sign(head: Head, face: Face, x: float, z: float, rng: np.random.Generator) -> None:
    """A sign, hoarding or banner: a board, its frame, blocks like print. Some are upright, as a panel is."""
    boxes = head.meshes["boxes"]
    tall = rng.random() < 0.5
    w, h = (rng.uniform(0.6, 1.2), rng.uniform(1.2, 4.0)) if tall else (rng.uniform(1.2, 5.0), rng.uniform(0.5, 2.2))
    if rng.random() < 0.3:
        w, h = rng.uniform(0.3, 0.8, 2)
    off, thick = rng.uniform(0.03, 0.3), rng.uniform(0.02, 0.12)
    face.box(boxes, (x, z, off + thick / 2), (w, h, thick), vivid(rng))
    edge = off + thick
    for _ in range(int(rng.integers(2, 9))):
        bw, bh = rng.uniform(0.08, 0.6) * w, rng.uniform(0.04, 0.3) * h
        bx, bz = rng.uniform(-0.5, 0.5) * (w - bw), rng.uniform(-0.5, 0.5) * (h - bh)
        face.box(boxes, (x + bx, z + bz, edge + rng.uniform(0.002, 0.006)), (bw, bh, 0.004), vivid(rng))
    for s in (-0.4, 0.4):
        face.rod(head.meshes["steel"], (x, z + s * h, -0.02), (x, z + s * h, off + 0.01), 0.02, metal(rng))


def solar(head: Head, centre: Array, azimuth_deg: float, rng: np.random.Generator) -> None:
    """A row of solar panels on their frame, foot at `centre` (3,)."""
    slope = rng.uniform(15, 50)
    right, up, normal = geometry.panel_axes(azimuth_deg, -(90 - slope), 0.0)
    w, h = rng.uniform(0.9, 1.1), rng.uniform(1.5, 2.0)
    n = int(rng.integers(1, 7))
    middle = centre + UP * (0.3 + 0.5 * h * np.sin(np.radians(slope)))
    dark = np.array([0.015, 0.02, 0.045]) * rng.uniform(0.7, 2.0)
    for k in range(n):
        c = middle + right * (k - (n - 1) / 2) * (w + 0.02)
        head.meshes["steel"].box(c, (right, up, normal), (w, h, 0.035), np.full(3, 0.45))
        head.meshes["glass"].box(c + normal * 0.02, (right, up, normal), (w - 0.05, h - 0.05, 0.004), dark)
        for x in np.linspace(-0.33, 0.33, 3) * w:
            head.meshes["boxes"].box(c + normal * 0.024 + right * x, (right, up, normal), (0.008, h, 0.002), [0.4] * 3)
        for s in (-0.4, 0.4):
            p = c + up * s * h
            head.meshes["steel"].rod(p, np.append(p[:2], centre[2]), 0.02, np.full(3, 0.3), 5)


def lattice(head: Head, a: Array, b: Array, half: float, paint: Array, bays: int) -> None:
    """A four-chord boom from a to b (3,), as cranes and bridges of signs have."""
    steel = head.meshes["steel"]
    u, v = mesh.across(b - a)
    corners = [u * half + v * half, -u * half + v * half, -u * half - v * half, u * half - v * half]
    steps = np.linspace(0, 1, bays + 1)
    for p, q in zip(corners, corners[1:] + corners[:1], strict=True):
        steel.rod(a + p, b + p, 0.12 * half + 0.008, paint, 4)
        for k, (s, t) in enumerate(itertools.pairwise(steps)):
            first, second = (p, q) if k % 2 else (q, p)
            steel.rod(a + (b - a) * s + first, a + (b - a) * t + second, 0.06 * half + 0.006, paint, 4)


def crane(head: Head, foot: Array, rng: np.random.Generator) -> None:
    """A tower crane's mast on its foot (3,), and its jib."""
    paint = np.array([[0.65, 0.45, 0.03], [0.5, 0.05, 0.03], [0.5, 0.5, 0.5]])[rng.integers(3)]
    top = foot + UP * rng.uniform(25, 40)
    lattice(head, foot, top, 0.7, paint, 18)
    o = geometry.outward(rng.uniform(0, 360))
    lattice(head, top - o * 8, top + o * 30, 0.6, paint, 22)
    head.meshes["walls"].box(top - o * 7 - UP * 1.0, (np.cross(-o, UP), UP, o), (1.2, 1.8, 2.5), np.full(3, 0.4))


def scaffold(head: Head, face: Face, spans: tuple[float, float, float, float], rng: np.random.Generator) -> None:
    """A scaffold before a wall: x from, x to, z from, z to."""
    steel, walls = head.meshes["steel"], head.meshes["walls"]
    x0, x1, z0, z1 = spans
    zinc, wood = metal(rng), np.array([0.4, 0.28, 0.14]) * rng.uniform(0.6, 1.2)
    across = np.arange(x0, x1, 2.0)
    for x in across:
        for out in (0.35, 1.1):
            face.rod(steel, (x, z0, out), (x, z1, out), 0.025, zinc)
    for z in np.arange(z0 + 1.0, z1, 2.0):
        face.box(walls, ((x0 + x1) / 2, z, 0.72), (x1 - x0, 0.05, 0.6), wood)
        for dz in (0.5, 1.0):
            face.rod(steel, (x0, z + dz, 1.1), (x1, z + dz, 1.1), 0.02, zinc)
    for a, b in itertools.pairwise(across[:6]):
        face.rod(steel, (a, z0, 1.12), (b, min(z0 + 4, z1), 1.12), 0.02, zinc)


def container(head: Head, face: Face, x: float, z: float, rng: np.random.Generator) -> None:
    """A container or shelter with ribs, its foot at (x, z)."""
    walls = head.meshes["walls"]
    w, h, d = rng.uniform(2.0, 6.0), rng.uniform(2.2, 2.7), 2.4
    paint = vivid(rng) if rng.random() < 0.6 else radome(rng)
    face.box(walls, (x, z + h / 2, d / 2), (w, h, d), paint)
    for k in np.arange(-w / 2 + 0.15, w / 2, 0.3):
        face.box(walls, (x + k, z + h / 2, d), (0.14, 0.88 * h, 0.07), paint * 0.92)


def lamp(head: Head, top: Array, o: Array, rng: np.random.Generator) -> None:
    """A street lamp's arm towards `o` (3,) from the top (3,) of its post, and its head."""
    boxes, steel = head.meshes["boxes"], head.meshes["steel"]
    reach, rise = rng.uniform(0.4, 2.2), rng.uniform(0.0, 0.8)
    t = np.linspace(0, 1, 6)[:, None]
    arm = top + o * reach * t + UP * rise * np.sin(t * np.pi / 2)
    zinc = metal(rng)
    steel.tube(arm, 0.035, zinc, 8)
    axes = (np.cross(-o, UP), UP, o)
    boxes.box(
        arm[-1] + o * 0.25, axes, (rng.uniform(0.14, 0.3), 0.1, rng.uniform(0.4, 0.8)), zinc * rng.uniform(0.6, 1)
    )
    head.meshes["glass"].box(arm[-1] + o * 0.25 - UP * 0.055, axes, (0.12, 0.01, 0.35), np.full(3, 0.7))


def tree(head: Head, foot: Array, tall: float, rng: np.random.Generator) -> None:
    """A tree on its foot (3,): stem, a few branches, leaves as loose triangles in clumps."""
    walls = head.meshes["walls"]
    bark = np.array([0.12, 0.09, 0.06]) * rng.uniform(0.6, 1.6)
    crown = foot + UP * tall * 0.65
    walls.tube(np.array([foot, foot + UP * tall * 0.4, crown]), [0.04 * tall, 0.03 * tall, 0.01 * tall], bark, 8)
    green = np.array([0.07, 0.13, 0.03]) * rng.uniform(0.6, 1.6) + rng.uniform(0, 0.06) * np.array([1, 0.4, 0])
    bare, leaves = rng.random() < 0.25, 420
    for _ in range(14 if bare else 8):
        way = mesh.unit(rng.normal(0, 1, 3) + UP * 0.5)
        tip = crown + way * tall * rng.uniform(0.15, 0.35)
        walls.rod(foot + UP * tall * rng.uniform(0.3, 0.6), tip, 0.006 * tall, bark, 5)
        if bare:
            for _ in range(6):
                walls.rod(tip - way * rng.uniform(0, 0.1) * tall, tip + rng.normal(0, 0.06, 3) * tall, 0.012, bark, 4)
            continue
        middle = tip + rng.normal(0, 0.09, (leaves, 3)) * tall
        leaf = middle[:, None] + rng.normal(0, 0.005 * tall + 0.03, (leaves, 3, 3))
        walls.triangles(leaf, green * rng.uniform(0.5, 1.4, (leaves, 1)))


def on_pipe(head: Head, foot: Array, o: Array, rng: np.random.Generator) -> None:
    """A pipe on its foot (3,) with what is no panel, towards `o` (3,): radios, a dish, a whip, a sign, or nothing."""
    steel, zinc = head.meshes["steel"], metal(rng)
    tall = rng.uniform(1.2, 3.5)
    steel.rod(foot, foot + UP * tall, rng.uniform(0.025, 0.055), zinc, 10)
    kind = str(rng.choice(["radio", "radio", "dish", "omni", "sign", "bare"]))
    at = foot + UP * tall * rng.uniform(0.55, 0.85)
    if kind == "radio":
        paint = radome(rng)
        for k in range(int(rng.integers(1, 4))):
            size = radio_size(rng) * rng.uniform(0.9, 1.4)
            way = o if k == 0 else -o
            radio(head, at + way * (0.09 + size[2] / 2) - UP * 0.9 * (k // 2), way, size, paint, rng)
    elif kind == "dish":
        dish(head, at + o * 0.3, o, rng.uniform(0.15, 0.6), rng)
    elif kind == "omni":
        omni(head, foot + UP * tall, rng)
    elif kind == "sign":
        face = Face(origin=at, out=o)
        face.box(head.meshes["boxes"], (0, 0, 0.08), (rng.uniform(0.3, 0.7), rng.uniform(0.3, 0.7), 0.01), vivid(rng))
