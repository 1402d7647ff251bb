"""Panels as they are built: bodies of many forms within their box, caps, backs, paints, stickers.

A panel's triangles touch every side of its box and none is outside by more than a sticker's thickness: the corners that
views are labelled with are exact. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.training.parts import Head, Panel, radome, vivid
from photoaz.vision.training.renderer import geometry, mesh

Array = NDArray[Any]

#: a sticker stands out of the face by this at most [m]
STICKER_M = 0.0008
_RED_WHITE = (np.array([0.5, 0.04, 0.03]), np.array([0.66, 0.66, 0.64]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """A make of panel: box (width, height, depth), its edge radius and bulge, how section, ends and back are built.

    waist_m: how far its middle is drawn in; seams: heights (-0.5 to 0.5) of joints; cap_m: length of its end caps.
    """

    whd_m: Array
    edge_radius_m: float
    bulge_m: float
    section: str
    ends: str
    back: str
    waist_m: float
    seams: tuple[float, ...]
    seam_m: float
    cap_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Coat:
    """Paints: of front, caps and back, (3,) each; pattern over the front; colours of the pattern (K, 3)."""

    front: Array
    cap: Array
    back: Array
    pattern: str
    others: Array
    stickers: int


def size(rng: np.random.Generator) -> Array:
    """Width, height, depth [m]: mostly the macro site's, some narrow, some of small cells, some wide."""
    kind = rng.choice(["macro", "narrow", "small", "square"], p=[0.74, 0.1, 0.09, 0.07])
    if kind == "macro":
        w, h = rng.uniform(0.16, 0.56), float(np.clip(rng.normal(1.75, 0.5), 0.55, 2.8))
    elif kind == "narrow":
        w, h = rng.uniform(0.12, 0.2), rng.uniform(0.8, 2.8)
    elif kind == "small":
        w, h = rng.uniform(0.13, 0.35), rng.uniform(0.3, 0.8)
    else:  # an active unit: short, broad, deep
        w, h = rng.uniform(0.38, 0.6), rng.uniform(0.6, 1.1)
    d = rng.uniform(0.07, max(0.08, min(0.26, 0.75 * w)))
    return np.array([w, min(max(h, 1.35 * w), 2.8), d])


def model(rng: np.random.Generator, whd_m: Array | None = None) -> Model:
    """A make at random."""
    whd = size(rng) if whd_m is None else whd_m
    h, d = float(whd[1]), float(whd[2])
    seams: tuple[float, ...] = ()
    if rng.random() < 0.22 and h > 0.8:
        seams = (float(rng.uniform(-0.3, 0.3)),) if rng.random() < 0.7 else (-0.2, 0.18)
    return Model(
        whd_m=whd,
        edge_radius_m=float(rng.uniform(0.008, min(0.06, 0.45 * d))),
        bulge_m=float(rng.uniform(0.0, min(0.025, 0.2 * d))),
        section=str(rng.choice(["rounded", "bevelled", "curved"], p=[0.68, 0.18, 0.14])),
        ends=str(rng.choice(["drawn", "flat", "dome"], p=[0.5, 0.28, 0.22])),
        back=str(rng.choice(["smooth", "plate", "tray", "ribs"], p=[0.25, 0.25, 0.28, 0.22])),
        waist_m=float(rng.uniform(0.01, 0.03)) if rng.random() < 0.08 else 0.0,
        seams=seams,
        seam_m=float(rng.choice([0.008, 0.03, 0.07], p=[0.6, 0.25, 0.15])),
        cap_m=float(rng.uniform(0.02, 0.12)) if rng.random() < 0.5 else 0.0,
    )


def coat(rng: np.random.Generator, front: Array | None = None, banded: bool = False) -> Coat:
    """Paints at random, or that front (3,); banded: red and white as the tower under it."""
    paint = radome(rng) if front is None else front
    pattern = str(rng.choice(["plain", "gradient", "blotches", "bands"], p=[0.62, 0.3, 0.06, 0.02]))
    if banded and rng.random() < 0.5:
        pattern = "bands"
    if pattern == "bands":
        others = np.array(_RED_WHITE) * rng.uniform(0.8, 1.1)
    else:
        others = np.array([[0.1, 0.12, 0.06], [0.2, 0.15, 0.09], [0.3, 0.28, 0.2]]) * rng.uniform(0.7, 1.8)
    grey = np.full(3, rng.uniform(0.03, 0.5))
    bare = np.array([0.42, 0.43, 0.43]) * rng.uniform(0.55, 1.35)
    return Coat(
        front=paint,
        cap=grey if rng.random() < 0.35 else paint * rng.uniform(0.75, 1.05),
        back=bare if rng.random() < 0.55 else paint * rng.uniform(0.65, 1.0),
        pattern=pattern,
        others=others,
        stickers=int(rng.choice([0, 1, 2], p=[0.55, 0.33, 0.12])),
    )


def _back(m: Model, half: float, y: float, r: float) -> Array:
    """Back of a section, from left to right: smooth, a plate sunk between lips, a tray, a tray with a rib."""
    x = half - r
    if m.back == "smooth":
        return np.stack([np.linspace(-x, x, 7)[1:-1], np.full(5, y)], -1)
    lip = min(0.025, 0.35 * x)
    deep = min({"plate": 0.004, "tray": 0.02, "ribs": 0.016}[m.back], 0.25 * m.whd_m[2])
    left = [(-x + lip, y), (-x + lip, y), (-x + lip, y + deep), (-x + lip, y + deep)]
    rib: list[tuple[float, float]] = []
    if m.back == "ribs":
        w = 0.22 * x
        rib = [(-w, y + deep)] * 2 + [(-w, y)] * 2 + [(w, y)] * 2 + [(w, y + deep)] * 2
    return np.array([*left, *rib, *((-a, b) for a, b in reversed(left))])


def section(m: Model) -> tuple[Array, Array]:
    """Cross-section (N, 2), x across and y out of the front, clockwise; which points (N,) are the back's.

    It touches width x depth on all four sides. Doubled points are sharp edges.
    """
    a, d = m.whd_m[0] / 2, m.whd_m[2] / 2
    r, rb = min(m.edge_radius_m, 0.8 * a, 0.9 * d), min(m.edge_radius_m / 2, 0.004 + 0.3 * d)
    arc = np.linspace(0, np.pi / 2, 5)

    def turn(cx: float, cy: float, radius: float, start: float) -> Array:
        return np.stack([cx + radius * np.cos(arc + start), cy + radius * np.sin(arc + start)], -1)

    if m.section == "curved":
        t = np.linspace(0, np.pi, 19)
        power = 2 / 3.2
        front = np.stack([a * np.sign(np.cos(t)) * abs(np.cos(t)) ** power, 2 * d * np.sin(t) ** power - d], -1)
        front = front[front[:, 1] > -d + rb]
    elif m.section == "bevelled":
        c = (min(r + 0.015, 0.4 * a), min(1.3 * r + 0.01, 1.2 * d))
        right = [(a, d - c[1]), (a, d - c[1]), (a - c[0], d), (a - c[0], d)]
        middle = [(x, d) for x in np.linspace(a - c[0], -a + c[0], 9)[1:-1]]
        front = np.array([*right, *middle, *((-x, y) for x, y in reversed(right))])
    else:
        flat = np.stack([np.linspace(a - r, -a + r, 11)[1:-1], np.full(9, d)], -1)
        front = np.concatenate([turn(a - r, d - r, r, 0.0), flat, turn(-a + r, d - r, r, np.pi / 2)])
    rear = _back(m, a, -d, rb)
    rounds = turn(-a + rb, -d + rb, rb, np.pi), turn(a - rb, -d + rb, rb, 1.5 * np.pi)
    p = np.concatenate([front, rounds[0], rear, rounds[1]])
    share = np.clip((p[:, 1] + d) / (2 * d), 0, 1)  # the bulge fades to nothing at the back
    p[:, 1] -= m.bulge_m * (p[:, 0] / a) ** 2 * share
    mine = np.zeros(len(p), bool)
    mine[len(front) + 3 : len(p) - 3] = True
    return p[::-1], mine[::-1]


def levels(m: Model, coat: Coat) -> tuple[Array, Array, Array]:
    """Heights (L,), how far the section is drawn in there (L,), and what a ring is: 0 body, 1 cap, 2 seam (L,)."""
    h = float(m.whd_m[1])
    end, draw = {"drawn": (0.025, 0.009), "flat": (0.004, 0.003), "dome": (0.0, 0.0)}[m.ends]
    if m.ends == "dome":
        end = min(0.09, 0.3 * m.whd_m[0], 0.1 * h)
        draw = min(0.6 * end, 0.3 * float(m.whd_m[2]))
    s = np.linspace(0, np.pi / 2, 7 if m.ends == "dome" else 5)
    top = [(h / 2 - end + end * float(np.sin(t)), draw * (1 - float(np.cos(t))), 1) for t in s]
    cap = min(m.cap_m, 0.15 * h)
    inner = h / 2 - max(end, cap)
    lip = 0.004 if cap > 0 else 0.0
    if cap > end:
        top = [(inner, 0.0, 1), *top]
    n = 34 if coat.pattern == "blotches" else 11
    body = [(z, lip + m.waist_m * (1 - (z / inner) ** 2), 0) for z in np.linspace(-inner, inner, n)]
    cuts = [(s * h, s * h + m.seam_m) for s in m.seams]
    deep = min(0.5 * m.seam_m + 0.002, 0.15 * float(m.whd_m[2]))
    body = [b for b in body if not any(lo <= b[0] <= hi for lo, hi in cuts)]
    for lo, hi in cuts:
        wall = [lip + m.waist_m * (1 - (z / inner) ** 2) for z in (lo, hi)]
        body += [(lo, wall[0], 0), (lo, wall[0] + deep, 2), (hi, wall[1] + deep, 2), (hi, wall[1], 0)]
    if coat.pattern == "bands":
        step = h / 5
        edges = [z for z in (-1.5 * step, -0.5 * step, 0.5 * step, 1.5 * step) if abs(z) < inner - 0.01]
        body += [(z + e, lip + m.waist_m * (1 - (z / inner) ** 2), 0) for z in edges for e in (-1e-4, 1e-4)]
    body.sort(key=lambda b: b[0])  # stable: the order within a seam's edge is kept
    rings = [(-z, i, k) for z, i, k in reversed(top)] + body + top
    z, inset, kind = (np.array(v) for v in zip(*rings, strict=True))
    return z, inset, kind


def _paint(m: Model, coat: Coat, z: Array, kind: Array, xy: Array, back: Array, rng: np.random.Generator) -> Array:
    """Colours (L, N, 3) of the rings' points."""
    h = float(m.whd_m[1])
    shade = np.tile(coat.front, (len(z), len(xy), 1))
    if coat.pattern == "bands":
        odd = np.floor(z / (h / 5) + 0.5).astype(int) % 2
        shade[:] = coat.others[odd][:, None]
    elif coat.pattern == "blotches":
        waves = rng.normal(0, 1, (6, 4))
        noise = sum(
            np.sin(w[0] * 14 * xy[None, :, 0] + w[1] * 5 * z[:, None] + w[2] * 9 * xy[None, :, 1] + 3 * w[3])
            for w in waves
        )
        shade = coat.others[np.clip(np.floor(noise / 1.2 + 1.5), 0, 2).astype(int)]
    shade[:, back] = coat.back
    # weathering: a gradient, and darker streaks that grow towards the bottom
    knots = np.arange(0, len(xy), 4)
    streak = np.interp(np.arange(len(xy)), knots, rng.normal(0, 1, len(knots)))
    dirty = 0.03 if rng.random() < 0.8 else 0.15
    dirt = 1 - dirty * np.clip(streak, 0, 2)[None, :] * (0.5 - z / h)[:, None]
    if coat.pattern == "gradient":
        dirt = dirt * (1 + rng.uniform(-0.3, 0.3) * z / h)[:, None] * (1 + rng.uniform(-0.4, 0.4) * xy[:, 0])
    shade = np.where((kind == 1)[:, None, None], coat.cap * (1.0 if m.cap_m else 0.9), shade * dirt[..., None])
    shade = np.where((kind == 2)[:, None, None], shade * 0.45, shade)
    return np.clip(shade, 0.01, 0.88)


def add_body(
    out: mesh.Mesh, centre: Array, axes: tuple[Array, Array, Array], m: Model, coat: Coat, rng: np.random.Generator
) -> None:
    """Add a panel's body about its centre (3,): its section over its levels, end caps, stickers."""
    right, up, normal = axes
    xy, back = section(m)
    z, inset, kind = levels(m, coat)
    half = m.whd_m[[0, 2]] / 2
    rings = xy[None] * (1 - inset[:, None, None] / half)
    points = centre + rings[..., :1] * right + rings[..., 1:] * normal + z[:, None, None] * up
    out.grid(points, _paint(m, coat, z, kind, xy, back, rng), closed=True)
    for ring, side in ((points[0], -1.0), (points[-1], 1.0)):
        n = len(ring)
        fan = np.stack([np.full(n, n), np.arange(n), (np.arange(n) + 1) % n], -1)
        lid = np.concatenate([ring, ring.mean(0, keepdims=True)])
        out.add(lid, np.tile(side * up, (n + 1, 1)), fan if side > 0 else fan[:, ::-1], np.clip(coat.cap, 0.01, 0.85))
    front = ~back & (xy[:, 1] > 0.3 * half[1])
    order = np.argsort(xy[front, 0])
    line = xy[front][order]
    for _ in range(coat.stickers):
        _sticker(out, centre, axes, m, (line, z, inset), rng)


def _sticker(
    out: mesh.Mesh,
    centre: Array,
    axes: tuple[Array, Array, Array],
    m: Model,
    surface: tuple[Array, Array, Array],
    rng: np.random.Generator,
) -> None:
    """A label on the face: a patch, and bars on it like print."""
    right, up, normal = axes
    line, z, inset = surface
    w, h = m.whd_m[:2]
    wide, tall = rng.uniform(0.2, 0.7) * w, rng.uniform(0.04, 0.25)
    tall = min(tall, 0.3 * h)
    x0 = rng.uniform(-0.35 * w, 0.35 * w - wide)
    z0 = rng.choice([0.38 * h - tall, rng.uniform(-0.38 * h, 0.38 * h - tall), -0.38 * h])
    patches = [((x0, x0 + wide), (z0, z0 + tall), 0.5 * STICKER_M, vivid(rng))]
    ink = vivid(rng)
    for k in range(int(rng.integers(0, 4))):
        a, b = z0 + tall * (0.12 + 0.28 * k), z0 + tall * (0.3 + 0.28 * k)
        part = wide * rng.uniform(0.4, 0.9)
        patches.append(((x0 + 0.05 * wide, x0 + part), (a, min(b, z0 + tall * 0.95)), STICKER_M, ink))
    keep = np.concatenate([[True], np.diff(z) > 1e-6])
    for (left, end), (low, high), lift, colour in patches:
        xs = np.linspace(left, end, 7)
        zs = np.linspace(low, high, 3)
        deep = 1 - np.interp(zs, z[keep], inset[keep])[:, None] / (m.whd_m[2] / 2)
        y = np.interp(xs, line[:, 0], line[:, 1])[None] * deep + lift
        points = centre + xs[None, :, None] * right + zs[:, None, None] * up + y[..., None] * normal
        # columns run to the right as seen from the front
        out.grid(points, np.broadcast_to(np.clip(colour, 0.01, 0.85), points.shape).copy())


def place(
    head: Head,
    centre: Array,
    axes: tuple[Array, Array, Array],
    azimuth_deg: float,
    m: Model,
    coat: Coat,
    rng: np.random.Generator,
) -> None:
    """Put a panel with its centre (3,) into a head, with its label."""
    skin = head.meshes["radome"]
    first = sum(len(f) for f in skin.faces)
    add_body(skin, centre, axes, m, coat, rng)
    head.panels.append(
        Panel(
            centre_m=centre,
            axes=axes,
            whd_m=m.whd_m,
            azimuth_deg=azimuth_deg,
            first=first,
            last=sum(len(f) for f in skin.faces),
            edge_radius_m=m.edge_radius_m,
            bulge_m=m.bulge_m,
        )
    )


def attitude(rng: np.random.Generator, azimuth_deg: float, widest_deg: float = 45.0) -> tuple[float, float, float]:
    """Azimuth, downtilt and roll of a panel on a mount that looks to `azimuth_deg`; one in six is turned off it."""
    turned = rng.uniform(-widest_deg, widest_deg) if rng.random() < 0.18 else rng.normal(0, 4)
    tilt = float(np.clip(rng.normal(3.5, 3.5), -3, 14))
    return azimuth_deg + float(turned), tilt, float(rng.normal(0, 1.0))


def behind(m: Model, azimuth_deg: float, tilt_deg: float, gap: float) -> Array:
    """From a pipe's middle to the middle of the panel on it, which leans by its tilt and is `gap` from it or more."""
    lean = 0.5 * m.whd_m[1] * np.sin(np.radians(abs(tilt_deg)))
    out: Array = geometry.outward(azimuth_deg) * (gap + m.whd_m[2] / 2 + lean)
    return out
