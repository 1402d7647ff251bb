"""Random tower heads: lattice, pole or mast, mounts, panels, and everything else that hangs there.

The variety is the point: what the finder must not take for a panel (legs, pipes, radio boxes, drums, whips, plates,
rears' brackets) hangs beside panels of many sizes, colours and attitudes. Metres, east-north-up, the head's middle at
(0, 0, 0). Proportions are those that one sees on towers (common practice, no source).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.training import buildings, clutter, hanging, panels
from photoaz.vision.training.parts import UP, Head, metal, radio, radome
from photoaz.vision.training.renderer import geometry

Array = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Body:
    """What carries the head: half width at a height (for mounts to hold on to), paint by height."""

    kind: str
    half_m: float
    taper: float
    low_m: float
    top_m: float
    paint: Array
    bands: Array | None
    band_m: float

    def half(self, z: float) -> float:
        return max(self.half_m - self.taper * z, 0.05)

    def shade(self, z: float, rng: np.random.Generator) -> Array:
        paint = self.paint
        if self.bands is not None and int(np.floor(z / self.band_m)) % 2:
            paint = self.bands
        out: Array = paint * rng.uniform(0.88, 1.1)
        return out


def tower(head: Head, rng: np.random.Generator) -> None:
    """A tower's head: lattice, pole, guyed mast or a pole on a roof."""
    body = _body(rng)
    _carrier(head, body, rng)
    steel = metal(rng)
    tiers = [0.0] if rng.random() < 0.8 else [0.0, -rng.uniform(2.8, 4.5)]
    for z in tiers:
        _tier(head, body, z, steel, rng)
    _fittings(head, body, steel, rng)
    if body.kind == "rooftop":
        buildings.roof_under(head, -rng.uniform(0.9, 3.0), rng)


def monopole(head: Head, rng: np.random.Generator) -> None:
    """A pole of concrete or flanged steel, mostly with its panels near, pegs to climb, a cable's way in."""
    body = _body(rng, "pole")
    concrete = rng.random() < 0.5
    grey = np.array([0.47, 0.45, 0.41]) * rng.uniform(0.7, 1.2)
    body = replace(
        body, half_m=rng.uniform(0.15, 0.6), taper=rng.uniform(0.005, 0.016), paint=grey if concrete else body.paint
    )
    _carrier(head, body, rng)
    steel = metal(rng)
    m = head.meshes["steel"]
    for z in np.arange(body.top_m - rng.uniform(0.5, 4.0), body.low_m, -rng.uniform(3.0, 8.0)):
        r = body.half(z) * (1.02 if concrete else 1.18)
        m.rod(UP * (z - 0.05), UP * (z + 0.05), r, body.paint * (0.6 if concrete else 0.9), 20)
    o = geometry.outward(rng.uniform(0, 360))
    for k, z in enumerate(np.arange(-14.0, body.top_m, 0.35)):
        side = np.array([o[1], -o[0], 0.0]) * (0.08 if k % 2 else -0.08)
        m.rod(o * body.half(z) * 0.8 + side + UP * z, o * (body.half(z) + 0.16) + side + UP * z, 0.01, steel, 5)
    for z in [0.0] if rng.random() < 0.6 else [0.0, -rng.uniform(2.5, 4.5)]:
        _tier(
            head,
            body,
            z,
            steel,
            rng,
            str(rng.choice(["direct", "platform", "arms", "frame"], p=[0.5, 0.25, 0.15, 0.1])),
        )
    _fittings(head, body, steel, rng)


def stacked(head: Head, rng: np.random.Generator) -> None:
    """Levels of several operators, 2 to 4, each with its own panels."""
    body = _body(rng, str(rng.choice(["lattice4", "lattice3", "pole"])))
    _carrier(head, body, rng)
    levels = int(rng.integers(2, 5))
    step = rng.uniform(2.3, 4.2)
    top = step * (levels - 1) / 2
    for k in range(levels):
        _tier(head, body, top - k * step + rng.normal(0, 0.15), metal(rng), rng)
    _fittings(head, body, metal(rng), rng)
    head.reach_m = max(head.reach_m, 0.7 * step * levels)


def _body(rng: np.random.Generator, kind: str = "") -> _Body:
    kinds = ["lattice4", "lattice3", "pole", "guyed", "rooftop"]
    kind = kind or str(rng.choice(kinds, p=[0.27, 0.24, 0.22, 0.12, 0.15]))
    half = {
        "lattice4": rng.uniform(0.35, 1.0),
        "lattice3": rng.uniform(0.35, 1.0),
        "pole": rng.uniform(0.18, 0.55),
        "guyed": rng.uniform(0.17, 0.36),
        "rooftop": rng.uniform(0.05, 0.16),
    }[kind]
    taper = {"lattice4": 0.035, "lattice3": 0.035, "pole": 0.012}.get(kind, 0.0) * rng.uniform(0, 1.4)
    bands = np.array([0.45, 0.05, 0.03]) * rng.uniform(0.7, 1.2) if rng.random() < 0.3 else None
    paint = np.array([0.6, 0.6, 0.58]) if bands is not None and rng.random() < 0.8 else metal(rng)
    return _Body(
        kind=kind,
        half_m=half,
        taper=taper,
        low_m=-rng.uniform(25.0, 60.0) if kind != "rooftop" else -6.0,
        top_m=rng.uniform(0.0, 3.0) if kind != "rooftop" else rng.uniform(1.0, 3.0),
        paint=paint,
        bands=bands,
        band_m=rng.uniform(2.0, 6.0),
    )


def _leg(body: _Body, k: int, z: float, turn: float) -> Array:
    n = 4 if body.kind == "lattice4" else 3
    a = turn + 2 * np.pi * (k % n) / n
    r = body.half(z) * (1.41 if n == 4 else 1.3)
    return np.array([r * np.cos(a), r * np.sin(a), z])


def _carrier(head: Head, body: _Body, rng: np.random.Generator) -> None:
    steel = head.meshes["steel"]
    if body.kind in ("pole", "rooftop"):
        edges = np.linspace(body.low_m, body.top_m, 4 + int(body.top_m - body.low_m))
        for z0, z1 in itertools.pairwise(edges):
            path = np.array([[0, 0, z0], [0, 0, z1]])
            steel.tube(path, [body.half(z0), body.half(z1)], body.shade(z0, rng), 12 if rng.random() < 0.5 else 28)
        if body.kind == "pole" and rng.random() < 0.5:
            r = body.half(body.top_m) * 1.15
            steel.rod(np.array([0, 0, body.top_m - 0.1]), np.array([0, 0, body.top_m + 0.1]), r, body.paint, 24)
        if rng.random() < 0.5:
            _ladder(head, body, rng)
        return
    turn = rng.uniform(0, 2 * np.pi)
    n = 4 if body.kind == "lattice4" else 3
    bar = body.half_m * rng.uniform(0.06, 0.12) + 0.006
    brace = bar * rng.uniform(0.3, 0.65)
    step = rng.uniform(0.8, 1.5)
    pattern = str(rng.choice(["x", "zigzag", "k"]))
    levels = [body.low_m]
    while levels[-1] < body.top_m - 0.15:
        levels.append(min(body.top_m, levels[-1] + step * 2 * body.half(levels[-1])))
    sides = int(rng.choice([4, 8, 12]))
    for k in range(n):
        for i, (z0, z1) in enumerate(itertools.pairwise(levels)):
            a, b = _leg(body, k, z0, turn), _leg(body, k + 1, z0, turn)
            c, d = _leg(body, k, z1, turn), _leg(body, k + 1, z1, turn)
            shade = body.shade((z0 + z1) / 2, rng)
            steel.rod(a, c, bar, shade, sides)
            if pattern == "x":
                rods = [(a, d), (b, c), (c, d)]
            elif pattern == "zigzag":
                rods = [(a, d) if i % 2 else (b, c)]
            else:
                rods = [(a, (c + d) / 2), (b, (c + d) / 2), (c, d)]
            for p, q in rods:
                steel.rod(p, q, brace, shade * rng.uniform(0.9, 1.1), 6)
    if rng.random() < 0.6:
        _ladder(head, body, rng)
    if body.kind == "guyed":
        for z in (rng.uniform(-5, 1), rng.uniform(-9, -5)):
            for k in range(3):
                angle = turn + 2 * np.pi * k / 3
                head.meshes["black"].rod(
                    _leg(body, k, z, turn),
                    np.array([30 * np.cos(angle), 30 * np.sin(angle), z - 30]),
                    0.008,
                    body.paint,
                    5,
                )


def _ladder(head: Head, body: _Body, rng: np.random.Generator) -> None:
    steel, black = head.meshes["steel"], head.meshes["black"]
    o = geometry.outward(rng.uniform(0, 360))
    s = np.array([o[1], -o[0], 0.0])
    out = 1.1 * body.half_m + 0.12
    for e in (-0.2, 0.2):
        steel.rod(o * out + s * e + UP * body.low_m, o * out + s * e + UP * (body.top_m - 0.2), 0.018, body.paint, 6)
    for z in np.arange(max(body.low_m, -12.0), body.top_m - 0.2, 0.3):
        steel.rod(o * out + s * -0.2 + UP * z, o * out + s * 0.2 + UP * z, 0.011, body.paint, 5)
    o = geometry.outward(rng.uniform(0, 360))
    s = np.array([o[1], -o[0], 0.0])
    for k in range(int(rng.integers(2, 12))):
        at = o * (0.9 * body.half_m + 0.03) + s * (0.045 * k - 0.2)
        black.rod(at + UP * body.low_m, at - UP * rng.uniform(0.3, 1.5), 0.014, np.full(3, 0.02), 6)


def _tier(head: Head, body: _Body, z: float, metal: Array, rng: np.random.Generator, mount: str = "") -> None:
    """One ring of sectors with its mount."""
    sectors = int(rng.choice([3, 2, 4, 1], p=[0.82, 0.09, 0.05, 0.04]))
    first = rng.uniform(0, 360)
    reach = body.half(z) + rng.uniform(0.45, 1.9)
    mount = mount or str(rng.choice(["arms", "frame", "platform", "direct"], p=[0.36, 0.3, 0.22, 0.12]))
    if mount == "direct":
        reach = body.half(z) * 1.2 + rng.uniform(0.12, 0.3)
    slots = int(rng.choice([1, 2, 3, 4], p=[0.15, 0.37, 0.36, 0.12]))
    spacing = rng.uniform(0.48, 1.05)
    kinds = [panels.model(rng) for _ in range(slots)]
    coats = [panels.coat(rng, banded=body.bands is not None)]
    for _ in kinds[1:]:
        coats.append(coats[0] if rng.random() < 0.8 else panels.coat(rng))
    if mount == "platform":
        _platform(head, body, z - rng.uniform(0.9, 1.6), reach, metal, rng)
    lift = rng.uniform(0.25, 0.9)
    radio_paint = radome(rng) if rng.random() < 0.5 else np.array([0.45, 0.46, 0.46]) * rng.uniform(0.7, 1.3)
    for s in range(sectors):
        azimuth = first + s * 360 / sectors + rng.normal(0, 7)
        o = geometry.outward(azimuth)
        right = np.array([o[1], -o[0], 0.0])
        places = (np.arange(slots) - (slots - 1) / 2) * spacing
        if mount == "frame":
            _frame(head, body, z, o, right, reach, float(np.ptp(places)) / 2 + rng.uniform(0.25, 0.5), lift, metal, rng)
        for place, model, coat in zip(places, kinds, coats, strict=True):
            if rng.random() < 0.06:
                continue
            foot = o * reach + right * place
            if mount == "platform":  # pipes stand round the ring
                turn = place / max(reach, 0.4)
                foot = geometry.outward(azimuth + np.degrees(turn)) * reach
            middle = foot + UP * (z + rng.normal(0, 0.08))
            _pipe(head, body, middle, o, model, azimuth, coat, mount, lift, metal, radio_paint, rng)
    head.reach_m = max(head.reach_m, reach + slots * spacing / 2)


def _pipe(
    head: Head,
    body: _Body,
    middle: Array,
    o: Array,
    model: panels.Model,
    azimuth: float,
    coat: panels.Coat,
    mount: str,
    lift: float,
    metal: Array,
    radio_paint: Array,
    rng: np.random.Generator,
) -> None:
    steel = head.meshes["steel"]
    size = model.whd_m
    r = rng.uniform(0.028, 0.055)
    over, under = rng.uniform(-0.1, 0.9), rng.uniform(0.0, 0.9)
    low, high = middle - UP * (size[1] / 2 + under), middle + UP * (size[1] / 2 + over)
    steel.rod(low, high, r, metal * rng.uniform(0.85, 1.12), 12)
    if mount in ("arms", "direct"):
        for z in (-lift, lift):
            at = middle + UP * z
            inner = np.append(at[:2] * min(1.0, 0.7 * body.half(at[2]) / np.hypot(*at[:2])), at[2])
            steel.rod(at, inner, rng.uniform(0.02, 0.045), metal, 10)
        if rng.random() < 0.4:
            at = middle - UP * lift
            inner = np.append(at[:2] * 0.3, at[2] - rng.uniform(0.4, 1.0))
            steel.rod(middle + UP * -lift, inner, 0.02, metal, 8)
    empty = rng.random() < 0.1
    if not empty:
        empty = not hanging.hang(head, middle, r, azimuth, model, coat, metal, rng, loose=True)
    hanging.radios(head, middle, (low[2], high[2]), o, radio_paint, metal, empty, rng)


def _frame(
    head: Head,
    body: _Body,
    z: float,
    o: Array,
    right: Array,
    reach: float,
    half: float,
    lift: float,
    metal: Array,
    rng: np.random.Generator,
) -> None:
    steel = head.meshes["steel"]
    r = rng.uniform(0.025, 0.06)
    hold = body.half(z) * 0.8
    for dz in (-lift, lift):
        boom = o * (reach - 0.08) + UP * (z + dz)
        steel.rod(boom - right * half, boom + right * half, r, metal * rng.uniform(0.85, 1.1), 12)
        for s in (-0.45, 0.45):
            steel.rod(boom + right * s * half, o * hold + right * s * hold + UP * (z + dz), r * 0.85, metal, 10)
    if rng.random() < 0.6:
        for s in (-0.45, 0.45):
            steel.rod(
                o * reach + right * s * half + UP * (z - lift),
                o * hold + right * s * hold + UP * (z + lift),
                0.02,
                metal,
                8,
            )
    if rng.random() < 0.4:
        for s in (-1, 1):
            b = o * (reach - 0.08) + right * s * half
            steel.rod(b - UP * lift + UP * z, b + UP * lift + UP * z, r, metal, 10)


def _platform(head: Head, body: _Body, z: float, reach: float, metal: Array, rng: np.random.Generator) -> None:
    steel = head.meshes["steel"]
    corners = int(rng.choice([24, 3, 6, 4], p=[0.6, 0.14, 0.16, 0.1]))
    turn = rng.uniform(0, 6.28)
    a = turn + np.linspace(0, 2 * np.pi, corners + 1)
    ring = np.stack([np.cos(a), np.sin(a), np.zeros_like(a)], -1)
    shares = np.linspace(1.0, max(0.25, body.half(z) / reach), int(rng.integers(3, 7)))
    for share in shares:
        r = 0.04 if share == 1.0 else 0.016
        for p, q in itertools.pairwise(ring * reach * share + UP * z):
            steel.rod(p, q, r, metal, 6)
    for k in np.linspace(0, corners, int(rng.integers(12, 40)), endpoint=False):
        i, t = int(k), k - int(k)
        p = (ring[i] * (1 - t) + ring[i + 1] * t) * reach
        steel.rod(p + UP * z, p * 0.2 + UP * z, 0.014, metal, 5)
    if rng.random() < 0.3:  # a solid deck
        n = len(ring) - 1
        deck = np.concatenate([ring[:-1] * reach * 0.98 + UP * (z + 0.02), [UP * (z + 0.02)]])
        fan = np.stack([np.full(n, n), np.arange(n), (np.arange(n) + 1) % n], -1)
        steel.add(deck, np.tile(-UP, (n + 1, 1)), fan, metal * 0.8)
    rails = [0.5, 1.0] if rng.random() < 0.75 else [1.0]
    for h in rails:
        for p, q in itertools.pairwise(ring * reach + UP * (z + h)):
            steel.rod(p, q, 0.02, metal, 6)
    for k in np.linspace(0, corners, max(6, corners // 2), endpoint=False):
        i, t = int(k), k - int(k)
        p = (ring[i] * (1 - t) + ring[i + 1] * t) * reach
        steel.rod(p + UP * z, p + UP * (z + 1.0), 0.02, metal, 6)
    for k in range(3):
        b = turn + 2 * np.pi * k / 3
        d = np.array([np.cos(b), np.sin(b), 0])
        steel.rod(d * reach * 0.8 + UP * z, d * body.half(z) * 0.8 + UP * (z - rng.uniform(0.6, 1.4)), 0.035, metal, 8)


def _fittings(head: Head, body: _Body, metal: Array, rng: np.random.Generator) -> None:
    """Drums, whips, lights, boxes and plates."""
    steel, boxes, black = head.meshes["steel"], head.meshes["boxes"], head.meshes["black"]
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.35, 0.35, 0.2, 0.1]))):
        o = geometry.outward(rng.uniform(0, 360))
        z = rng.uniform(-5.5, min(1.0, body.top_m))
        r = rng.uniform(0.15, 0.6)
        c = o * (body.half(z) * 1.2 + 0.25) + UP * z
        clutter.dish(head, c, o, r, rng)
        steel.rod(c, o * body.half(z) * 0.6 + UP * z, 0.04, metal, 8)
        pipe = o * (body.half(z) * 1.2 + 0.12)
        steel.rod(pipe + UP * (z - 0.5), pipe + UP * (z + 0.5), 0.045, metal, 10)
    for _ in range(int(rng.integers(0, 4))):
        o = geometry.outward(rng.uniform(0, 360))
        low = o * rng.uniform(0.1, head.reach_m * 0.8) + UP * rng.uniform(-1.0, max(body.top_m, 0.5))
        clutter.omni(head, low, rng)
        steel.rod(low, np.array([0, 0, low[2]]), 0.02, metal, 6)
    if rng.random() < 0.5:
        p = UP * body.top_m
        steel.rod(p, p + UP * rng.uniform(0.5, 3.5), 0.012, metal, 6)
    if rng.random() < 0.4:
        p = UP * (body.top_m + 0.05) + np.append(rng.normal(0, 0.2, 2), 0)
        boxes.rod(p, p + UP * rng.uniform(0.25, 0.7), rng.uniform(0.06, 0.16), np.array([0.5, 0.03, 0.02]), 16)
    for _ in range(int(rng.integers(0, 5))):  # boxes, plates on the body or the mounts: panels they are not
        o = geometry.outward(rng.uniform(0, 360))
        z = rng.uniform(-5.0, min(1.5, body.top_m))
        size = np.array([rng.uniform(0.2, 0.7), rng.uniform(0.2, 0.8), rng.uniform(0.03, 0.4)])
        out = body.half(z) * 1.15 + size[2] / 2 + rng.uniform(0, 0.3)
        radio(head, o * out + UP * z, o, size, radome(rng), rng)
        steel.rod(o * out + UP * z, UP * z, 0.03, metal, 6)
    for _ in range(int(rng.choice([0, 0, 1, 3]))):
        z0, z1 = rng.uniform(-2, 1, 2)
        a, b = rng.uniform(0, 360, 2)
        t = np.linspace(0, 1, 10)[:, None]
        p, q = geometry.outward(a) * body.half(z0) + UP * z0, geometry.outward(b) * head.reach_m * 0.7 + UP * z1
        sag = -UP * rng.uniform(0.1, 0.7) * np.sin(np.pi * t)
        black.tube(p * (1 - t) + q * t + sag, rng.uniform(0.006, 0.02), np.full(3, 0.02), 6)
