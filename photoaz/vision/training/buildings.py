"""Houses with their walls' and roofs' clutter, towns behind, trees: what surrounds panels below the skyline.

Common practice, no source.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.training import clutter
from photoaz.vision.training.parts import UP, Face, Head, masonry, metal, unit_level
from photoaz.vision.training.renderer import geometry

Array = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """A block: the wall that looks at the camera with its origin at the wall's upper edge, middle; width, depth."""

    front: Face
    width_m: float
    depth_m: float
    paint: Array

    @property
    def walls(self) -> list[tuple[Face, float]]:
        """All four walls with their widths, the front first."""
        o, found = self.front.out, [(self.front, self.width_m)]
        middle = self.front.at(0, 0, -self.depth_m / 2)
        for turn, reach, width in (
            (90.0, self.width_m, self.depth_m),
            (-90.0, self.width_m, self.depth_m),
            (180.0, self.depth_m, self.width_m),
        ):
            out = unit_level(o, turn)
            found.append((Face(origin=middle + out * reach / 2, out=out), width))
        return found

    def on_roof(self, x: float, back: float) -> Array:
        """A place on the roof so far to the right of its middle and behind the front wall."""
        return self.front.at(x, 0.0, -back)


def house(head: Head, front: Face, width: float, depth: float, rng: np.random.Generator, sides: int = 2) -> House:
    """A block under the roof's height: `sides` of its walls with windows, a ledge round the roof."""
    walls = head.meshes["walls"]
    paint = masonry(rng)
    deep = 60.0
    front.box(walls, (0, -deep / 2, -depth / 2), (width, deep, depth), paint)
    if rng.random() < 0.6:
        ledge = rng.uniform(0.1, 0.35)
        front.box(walls, (0, -0.15, -depth / 2), (width + ledge, rng.uniform(0.15, 0.4), depth + ledge), paint * 0.85)
    block = House(front=front, width_m=width, depth_m=depth, paint=paint)
    look = _windows(rng)
    for face, wide in block.walls[:sides]:
        facade(head, face, wide, paint, look, rng)
    return block


def _windows(rng: np.random.Generator) -> dict[str, float]:
    """How a house's windows are: pitches, sizes, and how often what."""
    w, h = rng.uniform(0.5, 1.6), rng.uniform(0.8, 2.2)
    return {
        "w": w,
        "h": h,
        "dx": w + rng.uniform(0.5, 2.2),
        "dz": max(h + 0.7, rng.uniform(2.7, 3.6)),
        "frame": rng.uniform(0.03, 0.1),
        "light": rng.uniform(0.1, 0.75),
        "blinds": rng.choice([0.0, 0.3, 0.8]),
        "cross": float(rng.integers(0, 3)),
        "sill": float(rng.random() < 0.5),
        "deep": rng.uniform(-0.03, 0.04),
    }


def facade(head: Head, face: Face, wide: float, paint: Array, look: dict[str, float], rng: np.random.Generator) -> None:
    """Windows in rows down from the wall's upper edge, doors, units and signs; paint (3,)."""
    xs = np.arange(-wide / 2 + look["w"], wide / 2 - look["w"] / 2, look["dx"])
    xs = xs[np.abs(xs) < 12]
    zs = -np.arange(rng.uniform(1.2, 2.2) + look["h"] / 2, 15.0, look["dz"])
    for x, z in itertools.product(xs, zs):
        if rng.random() < 0.07:
            continue
        window(head, face, (float(x), float(z)), look, paint, rng)
    more: list[Callable[..., None]] = [clutter.aircon, clutter.sign, _door, _grille]
    for _ in range(int(rng.integers(0, 5))):
        x, z = rng.uniform(-0.45, 0.45) * min(wide, 20.0), rng.uniform(-9, -1.0)
        more[rng.integers(len(more))](head, face, x, z, rng)
    for _ in range(int(rng.integers(0, 3))):  # rain pipes, cables down the wall
        x = rng.uniform(-0.48, 0.48) * wide
        m = head.meshes["steel" if rng.random() < 0.5 else "black"]
        face.rod(m, (x, 0, 0.06), (x, -20, 0.06), rng.uniform(0.012, 0.06), metal(rng) * rng.uniform(0.2, 1.2))


def window(
    head: Head, face: Face, at: tuple[float, float], look: dict[str, float], paint: Array, rng: np.random.Generator
) -> None:
    """A window: frame, glass that mirrors, bars, blinds or a shutter, a sill; paint (3,)."""
    boxes, walls = head.meshes["boxes"], head.meshes["walls"]
    (x, z), w, h, f = at, look["w"], look["h"], look["frame"]
    frame = np.full(3, look["light"])
    face.box(boxes, (x, z, 0.0), (w, h, 0.06), frame)
    glass = np.array([0.25, 0.29, 0.33]) * rng.uniform(0.25, 1.6)
    face.box(head.meshes["glass"], (x, z, 0.025), (w - 2 * f, h - 2 * f, 0.02), glass)
    if rng.random() < look["blinds"]:
        share = rng.choice([1.0, rng.uniform(0.2, 0.8)])
        shade = np.full(3, rng.uniform(0.25, 0.75)) * np.array([1, 0.97, 0.9])
        low = z + h / 2 - f - share * (h - 2 * f) / 2
        face.box(walls, (x, low, 0.037), (w - 2 * f, share * (h - 2 * f), 0.008), shade)
        if look["cross"] == 0:  # slats
            for dz in np.arange(0.1, share * (h - 2 * f), 0.2):
                face.box(walls, (x, z + h / 2 - f - dz, 0.044), (w - 2 * f, 0.03, 0.008), shade * 0.6)
    if look["cross"] >= 1:
        face.box(boxes, (x, z, 0.03), (0.05, h, 0.035), frame)
    if look["cross"] >= 2:
        face.box(boxes, (x, z + 0.15 * h, 0.03), (w, 0.05, 0.035), frame)
    if look["sill"]:
        face.box(walls, (x, z - h / 2 - 0.04, 0.06), (w + 0.15, 0.07, 0.16), paint * 0.8)


def _door(head: Head, face: Face, x: float, z: float, rng: np.random.Generator) -> None:
    paint = masonry(rng) * rng.uniform(0.3, 1.1)
    face.box(head.meshes["boxes"], (x, z, 0.02), (rng.uniform(0.8, 1.1), rng.uniform(1.9, 2.2), 0.08), paint)
    face.box(head.meshes["black"], (x + 0.32, z - 0.05, 0.09), (0.03, 0.16, 0.05), np.full(3, 0.1))


def _grille(head: Head, face: Face, x: float, z: float, rng: np.random.Generator) -> None:
    """A louvred opening."""
    w, h = rng.uniform(0.5, 1.8), rng.uniform(0.6, 2.4)
    paint = metal(rng)
    face.box(head.meshes["walls"], (x, z, 0.0), (w, h, 0.04), paint * 0.2)
    for dz in np.arange(-h / 2 + 0.05, h / 2, max(0.1, h / 16)):
        face.box(head.meshes["steel"], (x, z + dz, 0.03), (w, 0.05, 0.05), paint)


def chimney(head: Head, foot: Array, face: Face, rng: np.random.Generator) -> None:
    """A chimney of brick or plaster with its pots on the place `foot` (3,), courses of many shades."""
    w, d, h = rng.uniform(0.35, 0.8), rng.uniform(0.35, 0.8), rng.uniform(0.8, 2.6)
    here = Face(origin=foot, out=face.out)
    bricks(head, here, (w, d), (0.0, h), rng)
    here.box(head.meshes["walls"], (0, h, 0), (w + 0.12, 0.12, d + 0.12), np.full(3, rng.uniform(0.2, 0.5)))
    for x in np.linspace(-0.3, 0.3, int(rng.integers(1, 4))) * w:
        top = here.at(x, h)
        head.meshes["walls"].rod(top, top + UP * rng.uniform(0.15, 0.5), 0.09, np.array([0.35, 0.16, 0.09]), 10)


def bricks(
    head: Head, face: Face, plan: tuple[float, float], span: tuple[float, float], rng: np.random.Generator
) -> None:
    """An upright block of brick, width and depth, from a height to another: each brick of its own shade."""
    base = np.array([[0.33, 0.15, 0.1], [0.42, 0.3, 0.2], [0.25, 0.2, 0.18]])[rng.integers(3)]
    for turn, reach, wide in (
        (0.0, plan[1], plan[0]),
        (90.0, plan[0], plan[1]),
        (180.0, plan[1], plan[0]),
        (270.0, plan[0], plan[1]),
    ):
        side = Face(origin=face.origin, out=unit_level(face.out, turn))
        nx, nz = max(2, min(14, round(wide / 0.25))), max(3, min(60, round((span[1] - span[0]) / 0.12)))
        x = np.linspace(-wide / 2, wide / 2, nx + 1)
        z = np.linspace(*span, nz + 1)
        p = side.at(0, 0, reach / 2) + x[None, :, None] * side.axes[0] + z[:, None, None] * UP
        a, b, c, d = p[:-1, :-1], p[:-1, 1:], p[1:, 1:], p[1:, :-1]
        corners = np.stack([np.stack([a, b, c], -2), np.stack([a, c, d], -2)], 2).reshape(-1, 3, 3)
        shade = np.repeat(base * rng.uniform(0.7, 1.25, (nx * nz, 1)), 2, axis=0)
        head.meshes["walls"].triangles(corners, shade)


def roof_things(head: Head, block: House, rng: np.random.Generator, number: int) -> None:
    """Units, chimneys, signs, rails, trays and the like on a roof, behind its front edge."""
    half, deep = block.width_m / 2, block.depth_m
    for _ in range(number):
        kind = int(rng.integers(9))
        x, back = rng.uniform(-0.9, 0.9) * half, rng.uniform(1.0, max(1.5, 0.8 * deep))
        spot = block.on_roof(x, back)
        face = Face(origin=spot, out=block.front.out)
        if kind == 0:
            clutter.cabinet(head, face, 0, 0, rng)
        elif kind == 1:
            clutter.aircon(head, face, 0, 0.45, rng)
        elif kind == 2:
            chimney(head, spot, face, rng)
        elif kind == 3:
            clutter.solar(head, spot, rng.uniform(0, 360), rng)
        elif kind == 4:
            clutter.on_pipe(head, spot, geometry.outward(rng.uniform(0, 360)), rng)
        elif kind == 5:
            end = block.on_roof(-x, back)
            clutter.tray(head, spot + UP * 0.3, end + UP * 0.3, block.front.out, rng)
        elif kind == 6:
            lift = rng.uniform(2.0, 3.0)
            clutter.sign(head, Face(origin=spot + UP * lift, out=block.front.out), 0, 0, rng)
            for e in (-0.3, 0.3):
                head.meshes["steel"].rod(face.at(e, 0), face.at(e, lift), 0.04, np.full(3, 0.2), 6)
        elif kind == 7:
            clutter.omni(head, spot + UP * 0.25, rng)
        else:
            size = rng.uniform([0.6, 0.8, 0.6], [4.0, 3.0, 3.0])
            face.box(head.meshes["walls"], (0, size[1] / 2, 0), size, masonry(rng))
    if rng.random() < 0.4:
        back = rng.uniform(0.1, 0.6)
        ends = [block.on_roof(s * half * 0.95, back) for s in (-1, 1)]
        clutter.railing(head, np.array(ends), rng)


def town(head: Head, azimuth_deg: float, rng: np.random.Generator) -> None:
    """Blocks and trees beyond the head for who looks to that azimuth, their roofs about its height."""
    for _ in range(int(rng.integers(1, 5))):
        way = geometry.outward(azimuth_deg + rng.uniform(-35, 35))
        far = rng.uniform(28, 90)
        front = Face(origin=way * far + UP * rng.uniform(-0.35, 0.12) * far, out=unit_level(-way, rng.uniform(-30, 30)))
        block = house(head, front, rng.uniform(8, 24), rng.uniform(6, 14), rng, sides=1)
        roof_things(head, block, rng, int(rng.integers(0, 3)))
    if rng.random() < 0.25:
        way = geometry.outward(azimuth_deg + rng.uniform(-25, 25))
        clutter.crane(head, way * rng.uniform(40, 110) - UP * 25, rng)
    for _ in range(int(rng.choice([0, 1, 2, 3]))):
        way = geometry.outward(azimuth_deg + rng.uniform(-40, 40))
        tall = rng.uniform(8, 18)
        clutter.tree(head, way * rng.uniform(9, 30) + UP * (rng.uniform(-6, 1) - tall), tall, rng)


def roof_under(head: Head, top: float, rng: np.random.Generator) -> None:
    """A house under a pole that is looked at from all round, the pole on three legs."""
    out = geometry.outward(rng.uniform(0, 360))
    width, depth = rng.uniform(7, 16), rng.uniform(7, 16)
    front = Face(origin=UP * top, out=out)
    front = Face(origin=front.at(rng.uniform(-0.3, 0.3) * width, 0, rng.uniform(0.25, 0.75) * depth), out=out)
    block = house(head, front, width, depth, rng, sides=4)
    roof_things(head, block, rng, int(rng.integers(0, 5)))
    head.clear_m = max(head.clear_m, 1.1 * float(np.hypot(width, depth)))
    head.steepest_deg = 33.0
    for k in range(3):
        d = geometry.outward(120.0 * k + rng.uniform(0, 40))
        head.meshes["steel"].rod(UP * (top + 1.2), d * 0.9 + UP * top, 0.03, np.full(3, 0.3), 8)
        if rng.random() < 0.5:
            foot = Face(origin=d * 0.9 + UP * top, out=d)
            foot.box(head.meshes["walls"], (0, 0.1, 0), (0.5, 0.2, 0.5), np.full(3, 0.4))
