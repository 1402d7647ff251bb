"""Panels off towers: on roofs, parapets, walls, tanks, church towers, chimneys, bare poles, lamp posts.

The head's middle (0, 0, 0) lies among the panels. Common practice, no source.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.training import buildings, clutter, hanging, panels
from photoaz.vision.training.parts import UP, Face, Head, masonry, metal, radio, radio_size, radome, unit_level
from photoaz.vision.training.renderer import geometry

Array = NDArray[Any]


def _looked_at(head: Head, rng: np.random.Generator, half_deg: float) -> tuple[float, Array]:
    """Choose where cameras look to; returns that azimuth and the level direction towards them."""
    azimuth = float(rng.uniform(0, 360))
    head.looks_deg = (azimuth, half_deg)
    return azimuth, -geometry.outward(azimuth)


def _azimuth(o: Array) -> float:
    return float(np.degrees(np.arctan2(o[0], o[1])))


class _Kit:
    """What one site hangs: a few makes and paints, steel."""

    def __init__(self, head: Head, rng: np.random.Generator, near: Array | None = None) -> None:
        self.head, self.rng = head, rng
        self.metal = metal(rng)
        self.models = [panels.model(rng) for _ in range(int(rng.integers(1, 4)))]
        # painted as the wall is, as often beside houses
        like = near if near is not None and rng.random() < 0.3 else None
        self.coats = [panels.coat(rng, like) for _ in self.models]
        self.box_paint = radome(rng)

    def put(
        self,
        pipe: Array,
        r: float,
        o: Array,
        wall: Face | None = None,
        stand: float = 0.0,
        radios: float = 0.3,
        model: panels.Model | None = None,
    ) -> Array:
        """A panel at a pipe that looks to `o`, or what hangs there where no panel may; returns its size (3,)."""
        k = int(self.rng.integers(len(self.models)))
        m = model or self.models[k]
        args = (self.head, pipe, r, _azimuth(o), m, self.coats[k], self.metal, self.rng)
        hung = hanging.hang(*args, wall=wall, stand=stand)
        if not hung and self.rng.random() < 0.7:
            size = radio_size(self.rng)
            radio(self.head, pipe + o * (r + 0.06 + size[2] / 2), o, size, self.box_paint, self.rng)
        if wall is None and self.rng.random() < radios:
            span = (pipe[2] - m.whd_m[1] / 2, pipe[2] + m.whd_m[1] / 2)
            hanging.radios(self.head, pipe, span, o, self.box_paint, self.metal, not hung, self.rng)
        return m.whd_m

    def rod(self, a: Array, b: Array, r: float, sides: int = 10) -> None:
        self.head.meshes["steel"].rod(a, b, r, self.metal * self.rng.uniform(0.85, 1.12), sides)


def roof_masts(head: Head, rng: np.random.Generator) -> None:
    """Pipes on a roof, each on a tripod or a frame with ballast."""
    azimuth, o = _looked_at(head, rng, 100.0)
    top = -rng.uniform(1.3, 2.6)
    edge = rng.uniform(0.3, 1.5)
    front = Face(origin=o * edge + UP * top, out=o)
    block = buildings.house(head, front, rng.uniform(9, 22), rng.uniform(7, 14), rng)
    kit = _Kit(head, rng, block.paint)
    masts = int(rng.choice([1, 2, 3], p=[0.45, 0.35, 0.2]))
    for x in (np.arange(masts) - (masts - 1) / 2) * rng.uniform(1.6, 3.6):
        foot = block.on_roof(x, edge + rng.uniform(-0.1, 0.5))
        r = rng.uniform(0.035, 0.09)
        kit.rod(foot, foot + UP * (1.2 - top), r, 14)
        _tripod(kit, foot, rng)
        sectors = int(rng.choice([1, 2, 3], p=[0.5, 0.25, 0.25]))
        first = rng.uniform(-60, 60)
        stand = 0.0 if sectors == 1 else 0.2
        for k in range(sectors):
            way = unit_level(o, first + k * 360.0 / sectors)
            kit.put(np.append(foot[:2], rng.normal(0, 0.1)), r, way, stand=stand)
    head.reach_m = 1.6 + 1.0 * masts
    head.clear_m, head.steepest_deg = 18.0, 33.0
    buildings.roof_things(head, block, rng, int(rng.integers(1, 7)))
    if rng.random() < 0.5:
        buildings.town(head, azimuth, rng)


def _tripod(kit: _Kit, foot: Array, rng: np.random.Generator) -> None:
    """Three or four legs, feet of concrete blocks."""
    legs, turn = int(rng.choice([3, 4])), rng.uniform(0, 360)
    reach, rise = rng.uniform(0.5, 1.1), rng.uniform(0.6, 1.4)
    walls = kit.head.meshes["walls"]
    for k in range(legs):
        o = geometry.outward(turn + 360.0 * k / legs)
        kit.rod(foot + UP * rise, foot + o * reach + UP * 0.1, 0.025, 8)
        kit.rod(foot + UP * 0.1, foot + o * reach + UP * 0.1, 0.025, 8)
        pad = Face(origin=foot + o * reach, out=o)
        for j in range(int(rng.integers(1, 4))):
            pad.box(walls, (0, 0.06 + 0.11 * j, 0), (0.45, 0.1, 0.45), np.full(3, rng.uniform(0.3, 0.5)))


def parapet(head: Head, rng: np.random.Generator) -> None:
    """Pipes clamped to the outside of a roof's edge, panels above or before it."""
    azimuth, o = _looked_at(head, rng, 75.0)
    front = Face(origin=UP * rng.uniform(-1.2, 0.9), out=o)
    block = buildings.house(head, front, rng.uniform(9, 24), rng.uniform(7, 14), rng)
    kit = _Kit(head, rng, block.paint)
    number = int(rng.integers(1, 6))
    step = rng.uniform(0.8, 2.4)
    for x in (np.arange(number) - (number - 1) / 2) * step:
        out = 0.4 + rng.uniform(0, 0.15)
        r = rng.uniform(0.03, 0.05)
        way = unit_level(o, rng.normal(0, 10))
        pipe = front.at(x, 0.0, out) * np.array([1, 1, 0])
        size = kit.put(pipe, r, way)
        low = min(front.origin[2] - 0.9, -size[1] / 2)
        kit.rod(np.append(pipe[:2], low), np.append(pipe[:2], size[1] / 2 + rng.uniform(0, 0.3)), r)
        for z in (front.origin[2] - 0.25, low + 0.1):
            hold = np.append(pipe[:2], z)
            kit.rod(hold, hold - o * (out + 0.05), 0.025, 6)
    head.reach_m = max(2.0, 0.6 * number * step)
    head.steepest_deg = 55.0
    buildings.roof_things(head, block, rng, int(rng.integers(0, 6)))
    if rng.random() < 0.5:
        buildings.town(head, azimuth, rng)


def wall(head: Head, rng: np.random.Generator) -> None:
    """Panels straight on a wall or on pipes before it, between the windows."""
    _, o = _looked_at(head, rng, 65.0)
    front = Face(origin=UP * rng.uniform(1.2, 5.0), out=o)
    block = buildings.house(head, front, rng.uniform(5, 20), rng.uniform(6, 14), rng)
    kit = _Kit(head, rng, block.paint)
    number = int(rng.integers(1, 5))
    step = rng.uniform(0.9, 2.2)
    r = 0.0 if rng.random() < 0.4 else rng.uniform(0.03, 0.05)
    for x in (np.arange(number) - (number - 1) / 2) * step:
        plane = Face(origin=front.at(x, 0.0) * np.array([1, 1, 0]), out=o)
        kit.put(plane.at(0, rng.normal(0, 0.15), rng.uniform(0.06, 0.4)), r, o, wall=plane)
    for _ in range(int(rng.integers(0, 4))):  # boxes on the wall as well
        plane = Face(origin=front.at(rng.uniform(-4, 4), 0.0) * np.array([1, 1, 0]), out=o)
        size = radio_size(rng)
        radio(head, plane.at(0, rng.uniform(-3, 1.0), size[2] / 2 + 0.05), o, size, radome(rng), rng)
    if rng.random() < 0.3:
        x0 = rng.choice([-1, 1]) * rng.uniform(2.5, 5.0)
        clutter.scaffold(head, front, (x0 - 2, x0 + 2, -12.0, 0.5), rng)
    if rng.random() < 0.4:
        end = front.at(rng.uniform(-4, 4), 0.0, 0.12)
        clutter.tray(head, end, end - UP * 14.0, front.axes[0], rng)
    head.reach_m = max(1.8, 0.6 * number * step)
    buildings.roof_things(head, block, rng, int(rng.integers(0, 5)))


def tank(head: Head, rng: np.random.Generator) -> None:
    """A water tower: panels on the wall of its tank, or on pipes at the rail of its top."""
    _, o = _looked_at(head, rng, 70.0)
    radius, tall = rng.uniform(2.5, 6.0), rng.uniform(3.0, 7.0)
    axis = -o * radius
    walls, steel = head.meshes["walls"], head.meshes["steel"]
    paint = np.array([[0.66, 0.67, 0.66], [0.4, 0.52, 0.6], [0.5, 0.48, 0.43], [0.35, 0.37, 0.36]])[rng.integers(4)]
    kit = _Kit(head, rng, paint)
    on_top = rng.random() < 0.45
    top = -rng.uniform(0.6, 1.3) if on_top else rng.uniform(1.0, 0.7 * tall)
    bottom = top - tall
    form = str(rng.choice(["drum", "bowl", "ball"], p=[0.5, 0.3, 0.2]))
    if form == "ball":  # the ball's waist where the panels are
        top = radius if not on_top else top
        t = np.linspace(-np.pi / 2 + 0.05, np.pi / 2 - 0.05, 18)
        z, r = top - radius + radius * np.sin(t), radius * np.cos(t)
        bottom = top - 2 * radius
    elif form == "bowl":
        z = np.array([bottom - 2.5, bottom - 1.5, bottom, bottom + 0.05, top, top, top + 0.8])
        r = np.array([0.25, 0.7, 1.0, 1.0, 1.0, 1.0, 0.05]) * radius
    else:
        z = np.array([bottom, bottom, top, top, top + rng.uniform(0.1, 1.5)])
        r = np.array([0.3, 1.0, 1.0, 1.02, 0.05]) * radius
    clutter.turned(walls, axis, z, r, paint * rng.uniform(0.9, 1.1))
    if rng.random() < 0.5:
        steel.rod(axis + UP * (bottom + 0.3), axis - UP * 60, rng.uniform(0.25, 0.5) * radius, paint, 24)
    else:
        for k in range(6):
            leg = axis + geometry.outward(60.0 * k) * radius * 0.9
            steel.rod(leg + UP * (bottom + 0.4), leg - UP * 60, 0.12, paint, 8)
            after = axis + geometry.outward(60.0 * k + 60) * radius * 0.9
            for z0 in (bottom - 5.0, bottom - 11.0, bottom - 17.0):
                steel.rod(leg + UP * z0, after + UP * (z0 + 5), 0.03, paint, 5)
                steel.rod(leg + UP * z0, after + UP * z0, 0.05, paint, 5)
    ball_top = form == "ball" and on_top
    _tank_panels(
        head,
        kit,
        (axis, radius * (0.5 if ball_top else 1.0)),
        (top - (0.14 * radius if ball_top else 0), on_top),
        o,
        rng,
    )


def _tank_panels(
    head: Head, kit: _Kit, tank_: tuple[Array, float], top: tuple[float, bool], o: Array, rng: np.random.Generator
) -> None:
    """Panels round a tank's front half, at the rail of its top or on its wall at the head's height."""
    axis, radius = tank_
    edge, on_top = top
    number = int(rng.integers(2, 8))
    turns = rng.uniform(-15, 15) + (np.arange(number) - (number - 1) / 2) * rng.uniform(14, 28)
    if on_top:
        ring = [axis + unit_level(o, t) * radius * 0.98 + UP * edge for t in np.linspace(-180, 180, 33)]
        clutter.railing(head, np.array(ring), rng)
    for t in turns:
        way = unit_level(o, float(t))
        if on_top:
            foot = axis + way * radius * 1.02
            pipe = foot + UP * rng.normal(0.1, 0.1)
            size = kit.put(pipe, 0.04, way)
            kit.rod(foot + UP * (edge - 0.1), foot + UP * (pipe[2] + size[1] / 2), 0.04)
        else:
            plane = Face(origin=axis + way * radius, out=way)
            kit.put(plane.at(0, rng.normal(0, 0.1), rng.uniform(0.1, 0.4)), 0.04, way, wall=plane)
    for _ in range(int(rng.integers(0, 4))):
        way = unit_level(o, rng.uniform(-80, 80))
        if on_top:
            clutter.on_pipe(head, axis + way * radius * 0.9 + UP * edge, way, rng)
        else:
            clutter.dish(head, axis + way * (radius + 0.35) + UP * rng.uniform(-1, 1), way, rng.uniform(0.2, 0.6), rng)
    head.reach_m = rng.uniform(2.2, 1.0 + radius)


def church(head: Head, rng: np.random.Generator) -> None:
    """A square tower with louvred openings, a clock, a pointed roof; panels at its openings or corners."""
    _, o = _looked_at(head, rng, 70.0)
    half = rng.uniform(1.8, 3.5)
    walls = head.meshes["walls"]
    paint = masonry(rng)
    front = Face(origin=UP * rng.uniform(1.2, 4.0), out=o)
    if rng.random() < 0.3:
        base = Face(origin=front.at(0, -8, -half), out=o)
        buildings.bricks(head, base, (2 * half, 2 * half), (-10.0, 8.0), rng)
    else:
        front.box(walls, (0, -25, -half), (2 * half, 50, 2 * half), paint)
    for dz in (0.0, -4.0, -8.0):
        front.box(walls, (0, dz, -half), (2 * half + 0.3, 0.25, 2 * half + 0.3), paint * 0.85)
    tall = half * rng.uniform(1.0, 5.0)
    tip = front.at(0, tall, -half)
    eaves = [front.at(x * 1.1 * half, 0.12, (y * 1.1 - 1) * half) for x, y in ((-1, 1), (1, 1), (1, -1), (-1, -1))]
    slates = np.array([[0.08, 0.09, 0.1], [0.3, 0.12, 0.07], [0.15, 0.32, 0.26]])[rng.integers(3)]
    sides = np.array([[a, b, tip] for a, b in zip(eaves, eaves[1:] + eaves[:1], strict=True)])
    walls.triangles(sides, slates)
    head.meshes["steel"].rod(tip - UP * 0.2, tip + UP * 1.2, 0.03, np.full(3, 0.2), 6)
    block = buildings.House(front=front, width_m=2 * half, depth_m=2 * half, paint=paint)
    for face, _ in block.walls:
        for x in (0.0,) if rng.random() < 0.5 else (-0.45 * half, 0.45 * half):
            _louvres(head, face, x, -front.origin[2] - 0.2, 0.3 * half, rng)
        if rng.random() < 0.5:
            c = face.at(0, -6.0)
            head.meshes["boxes"].rod(c, c + face.out * 0.06, 0.5 * half, np.full(3, rng.uniform(0.05, 0.7)), 28)
    kit = _Kit(head, rng, paint)
    for face, _ in block.walls[:3]:
        for x in rng.permutation([-0.75, 0.0, 0.75])[: int(rng.integers(1, 3))] * half:
            plane = Face(origin=face.at(x, 0.0) * np.array([1, 1, 0]), out=face.out)
            kit.put(plane.at(0, rng.normal(0, 0.2), 0.25), 0.04 * rng.integers(0, 2), face.out, wall=plane)
    head.reach_m = 1.3 * half


def _louvres(head: Head, face: Face, x: float, z: float, half: float, rng: np.random.Generator) -> None:
    """A belfry's opening with slats."""
    wood = np.array([0.2, 0.15, 0.1]) * rng.uniform(0.4, 1.6)
    face.box(head.meshes["walls"], (x, z, 0.0), (2 * half, 2.6, 0.06), wood * 0.25)
    for dz in np.arange(-1.2, 1.3, 0.22):
        face.box(head.meshes["walls"], (x, z + dz, 0.05), (2 * half, 0.1, 0.08), wood)


def stack(head: Head, rng: np.random.Generator) -> None:
    """A tall round chimney, plain, of brick or in bands, with panels on it all round."""
    radius, taper = rng.uniform(0.5, 2.2), rng.uniform(0.0, 0.02)
    walls = head.meshes["walls"]
    top = rng.uniform(0.8, 6.0)
    pair = [np.array([0.5, 0.06, 0.04]), np.array([0.65, 0.65, 0.63])] if rng.random() < 0.35 else [masonry(rng)] * 2
    band = rng.uniform(1.5, 4.0)
    brick = rng.random() < 0.4
    step = 0.15 if brick else band
    for k, z in enumerate(np.arange(top, -45.0 if not brick else -14.0, -step)):
        shade = pair[k % 2] * (rng.uniform(0.8, 1.15) if brick else 1.0)
        path = np.array([UP * (z - step), UP * z])
        walls.tube(path, [radius + taper * (step - z), radius - taper * z], shade, 28, capped=k == 0)
    if brick:
        walls.rod(UP * -50, UP * -14, radius + taper * 14, pair[0], 28)
    for z in rng.uniform(-8, top, int(rng.integers(1, 5))):
        r = radius - taper * z
        head.meshes["steel"].rod(UP * (z - 0.06), UP * (z + 0.06), r + 0.02, metal(rng), 28)
    kit = _Kit(head, rng, pair[0])
    for level in [0.0] if rng.random() < 0.7 else [0.0, -3.2]:
        sectors = int(rng.integers(2, 7))
        first = rng.uniform(0, 360)
        for k in range(sectors):
            way = geometry.outward(first + 360.0 * k / sectors + rng.normal(0, 4))
            plane = Face(origin=way * (radius - taper * level) + UP * level, out=way)
            kit.put(plane.at(0, rng.normal(0, 0.1), rng.uniform(0.1, 0.4)), 0.04, way, wall=plane)
    way = geometry.outward(rng.uniform(0, 360))
    out = way * (radius + 0.1)
    clutter.tray(head, out + UP * top, out - UP * 16, np.cross(way, UP), rng)
    head.reach_m = radius + 1.5


def bare_pole(head: Head, rng: np.random.Generator) -> None:
    """One pipe with one or two panels, nothing round it."""
    kit = _Kit(head, rng)
    r = rng.uniform(0.03, 0.12)
    kit.rod(UP * rng.uniform(0.2, 2.0), UP * -60, r, 16)
    first = rng.uniform(0, 360)
    for k in range(int(rng.choice([1, 2], p=[0.65, 0.35]))):
        kit.put(np.zeros(3), r, geometry.outward(first + k * rng.uniform(110, 180)), stand=0.15 * k)
    head.reach_m = rng.uniform(1.2, 2.4)
    if rng.random() < 0.5:
        _looked_at(head, rng, 60.0)
        buildings.town(head, head.looks_deg[0], rng)


def lamp_post(head: Head, rng: np.random.Generator) -> None:
    """A street's lamp post with a small cell: panels or a drum, radio units, a cabinet, signs."""
    azimuth, _ = _looked_at(head, rng, 180.0)
    kit = _Kit(head, rng)
    r, top = rng.uniform(0.06, 0.14), rng.uniform(0.3, 3.0)
    kit.rod(UP * top, UP * -9, r, 20)
    for _ in range(int(rng.choice([1, 2]))):
        clutter.lamp(head, UP * (top - 0.05), geometry.outward(rng.uniform(0, 360)), rng)
    first, number = rng.uniform(0, 360), int(rng.integers(1, 4))
    small = np.array([rng.uniform(0.13, 0.3), rng.uniform(0.35, 0.8), rng.uniform(0.06, 0.13)])
    model = panels.model(rng, small)
    for k in range(number):
        way = geometry.outward(first + 360.0 * k / number)
        kit.put(np.zeros(3), r, way, stand=r + 0.08, radios=0.0, model=model)
    for _ in range(int(rng.integers(0, 3))):
        way, size = geometry.outward(rng.uniform(0, 360)), radio_size(rng)
        radio(head, way * (r + size[2] / 2 + 0.03) - UP * rng.uniform(1.0, 3.0), way, size, radome(rng), rng)
    if rng.random() < 0.5:
        way = geometry.outward(rng.uniform(0, 360))
        clutter.sign(head, Face(origin=way * r - UP * rng.uniform(2, 4), out=way), 0, 0, rng)
    head.reach_m = rng.uniform(1.2, 2.5)
    head.steepest_deg = 50.0
    if rng.random() < 0.6:
        head.looks_deg = (azimuth, 60.0)
        buildings.town(head, azimuth, rng)


def street(head: Head, rng: np.random.Generator) -> None:
    """Houses, trees, signs, containers, pipes with what is no panel: no panel hangs here."""
    head.barren = True
    azimuth, o = _looked_at(head, rng, 60.0)
    front = Face(origin=UP * rng.uniform(-2.0, 3.0) - o * rng.uniform(0, 3), out=o)
    block = buildings.house(head, front, rng.uniform(6, 20), rng.uniform(6, 12), rng)
    buildings.roof_things(head, block, rng, int(rng.integers(2, 9)))
    for _ in range(int(rng.integers(0, 5))):
        clutter.on_pipe(head, block.on_roof(rng.uniform(-4, 4), rng.uniform(0.2, 2.0)), o, rng)
    if rng.random() < 0.4:
        clutter.tree(head, o * rng.uniform(3, 7) + UP * rng.uniform(-9, -5), rng.uniform(6, 10), rng)
    if rng.random() < 0.3:
        clutter.scaffold(head, front, (-4.0, 3.0, -9.0, 1.0), rng)
    if rng.random() < 0.3:
        clutter.container(head, Face(origin=block.on_roof(0, 3.0), out=o), rng.uniform(-3, 3), 0.0, rng)
    if rng.random() < 0.4:
        post = o * rng.uniform(4, 8) + np.cross(-o, UP) * rng.uniform(-4, 4)
        clutter.lattice(head, post + UP * 4, post - UP * 14, rng.uniform(0.2, 0.5), metal(rng), 16)
    head.reach_m = rng.uniform(2.5, 6.0)
    buildings.town(head, azimuth, rng)
