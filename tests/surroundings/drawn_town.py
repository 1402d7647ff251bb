"""Invented towns, drawn: what stands there, a map of it with faults as maps have them, and pictures of it.

Coordinates are ENU metres about the tower's base. Pictures are painted far to near: sky, ground, houses with their
roofs, trees and the tower; then blurred, made noisy and compressed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from photoaz.photo.camera import Camera, rotation_cam_from_enu

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class House:
    """A rectangle: centre (2,), half lengths along u and across it, direction of u [rad, from east to north]."""

    centre: Array
    half: tuple[float, float]
    turn: float
    ground: float
    eaves: float
    top: float
    roof: str
    colour: tuple[float, ...]
    roof_colour: tuple[float, ...]

    def corners(self, grow: float = 0.0) -> Array:
        """Of the footprint (4, 2), counterclockwise."""
        u = np.array([np.cos(self.turn), np.sin(self.turn)])
        v = np.array([-u[1], u[0]])
        a, b = self.half[0] + grow, self.half[1] + grow
        return np.array([self.centre + s * a * u + t * b * v for s, t in ((1, 1), (-1, 1), (-1, -1), (1, -1))])


@dataclass(frozen=True)
class Mapped:
    """A building of the map: footprint (4, 2), height above the tower's ground or None."""

    footprint: Array
    height: float | None


@dataclass(frozen=True)
class Town:
    """houses that stand; mapped: what the map says; trees: (n, 4) east, north, height, kind."""

    houses: tuple[House, ...]
    mapped: tuple[Mapped, ...]
    trees: Array
    tower_m: float


@dataclass(frozen=True)
class View:
    """A picture (H, W, 3) and the truth: camera, heading, pitch, roll [rad], place (3,)."""

    image: Array
    camera: Camera
    attitude: Array
    place: Array


def _ground(p: Array, relief: float, phase: Array) -> Any:
    return relief * np.sin(p[..., 0] / 90.0 + phase[0]) * np.sin(p[..., 1] / 110.0 + phase[1])


def town(rng: np.random.Generator) -> Town:
    """A village, a small town, blocks or sheds about a field with a tower."""
    style = rng.choice(["village", "town", "blocks", "sheds"])
    relief, phase = rng.uniform(0.0, 3.0), rng.uniform(0, 6, 2)
    free = rng.uniform(45.0, 120.0)
    houses: list[House] = []
    taken: list[tuple[Array, float]] = []
    for _ in range(int(rng.integers(60, 220)) * 3):
        street = rng.uniform(0, 2 * np.pi)
        r = rng.uniform(free, 550.0) if rng.random() < 0.5 else free + rng.exponential(90.0)
        c = r * np.array([np.cos(street), np.sin(street)])
        kind = style if rng.random() < 0.8 else rng.choice(["village", "town", "blocks", "sheds"])
        if kind == "village":
            half, eaves, roof = (rng.uniform(4.5, 8), rng.uniform(3.5, 5.5)), rng.uniform(2.8, 6.5), "gable"
        elif kind == "town":
            half, eaves, roof = (rng.uniform(6, 16), rng.uniform(4.5, 7)), rng.uniform(5, 12), "gable"
        elif kind == "blocks":
            half, eaves, roof = (rng.uniform(8, 30), rng.uniform(6, 9)), rng.uniform(9, 28), "flat"
        else:
            half, eaves, roof = (rng.uniform(10, 40), rng.uniform(8, 20)), rng.uniform(4, 11), "low"
        if roof == "gable" and rng.random() < 0.3:
            roof = "hip"
        size = float(np.hypot(*half))
        if any(np.hypot(*(c - o)) < 0.8 * (size + s) for o, s in taken) or r < free + size:
            continue
        taken.append((c, size))
        rise = {"gable": half[1] * rng.uniform(0.6, 1.0), "hip": half[1] * 0.6, "low": 0.12 * half[1], "flat": 0.0}[
            roof
        ]
        z = float(_ground(c, relief, phase))
        wall = tuple(rng.uniform(60, 240, 1) + rng.uniform(-35, 35, 3))
        tile = tuple(rng.uniform(40, 110, 1) + np.array([0, 10, rng.uniform(0, 90)]))
        turn = round(street / 0.4) * 0.4 + rng.normal(0, 0.1)
        houses.append(House(c, half, turn, z, z + eaves, z + eaves + rise, str(roof), wall, tile))
    mapped = []
    for h in houses:
        if rng.random() < 0.05:
            continue
        told = h.eaves + (0.5 * (h.top - h.eaves) if h.roof != "flat" and rng.random() < 0.4 else 0.0)
        height = None if rng.random() < 0.2 else float(max((told - h.ground) * rng.normal(1, 0.15) + h.ground, 1.5))
        mapped.append(Mapped(h.corners() + rng.normal(0, 1, 2), height))
    stands = tuple(h for h in houses if rng.random() >= 0.03)
    n = int(rng.integers(30, 250))
    r, a = rng.uniform(60, 450, n), rng.uniform(0, 2 * np.pi, n)
    trees = np.stack([r * np.cos(a), r * np.sin(a), rng.uniform(3, 14, n), rng.integers(0, 2, n)], -1)
    return Town(stands, tuple(mapped), trees, float(rng.uniform(25, 50)))


def view(place: Town, rng: np.random.Generator, portrait: bool | None = None, scale: float = 0.25) -> View:
    """A picture of the tower with a phone's main lens, from somewhere about it, a quarter of a phone's size."""
    portrait = bool(rng.random() < 0.5) if portrait is None else portrait
    w, h = (3024, 4032) if portrait else (4032, 3024)
    w, h = round(w * scale), round(h * scale)
    f = 3020.0 * scale * rng.normal(1, 0.008)
    camera = Camera(
        width_px=w,
        height_px=h,
        f_px=f,
        cx_px=w / 2 - 0.5,
        cy_px=h / 2 - 0.5,
        f_relative_sigma=0.01,
        principal_sigma_px=0.005 * w,
    )
    for _ in range(200):
        away, bearing = rng.uniform(35, 140), rng.uniform(0, 2 * np.pi)
        east, north = -away * np.sin(bearing), -away * np.cos(bearing)
        if all(np.hypot(*(np.array([east, north]) - o.centre)) > np.hypot(*o.half) + 6 for o in place.houses):
            break
    up_at_tower = np.arctan2(place.tower_m - 1.6, away)
    lowest = up_at_tower - np.arctan(0.45 * h / f)
    attitude = np.array(
        [
            bearing + rng.uniform(-0.6, 0.6) * np.arctan(0.5 * w / f),
            max(lowest, rng.uniform(0.0, 0.2)),
            rng.normal(0, 0.02),
        ]
    )
    at = np.array([east, north, 1.6 + rng.normal(0, 0.3)])
    return View(_paint(place, camera, attitude, at, rng), camera, attitude, at)


def _clipped(p: Array, near: float = 0.5) -> Array:
    """A polygon in the camera's frame (n, 3), the part in front of it."""
    out = []
    if (p[:, 2] >= near).all():
        return p
    for a, b in zip(p, np.roll(p, -1, 0), strict=True):
        if a[2] >= near:
            out.append(a)
        if (a[2] >= near) != (b[2] >= near):
            out.append(a + (b - a) * (near - a[2]) / (b[2] - a[2]))
    return np.array(out).reshape(-1, 3)


class _Canvas:
    def __init__(self, camera: Camera, attitude: Array, place: Array, twice: int) -> None:
        self.camera, self.place, self.twice = camera, place, twice
        self.turn = rotation_cam_from_enu(*attitude)
        self.image = np.zeros((camera.height_px * twice, camera.width_px * twice, 3), np.float32)

    def pixels(self, points: Array) -> Array:
        c = self.camera
        return (c.f_px * points[:, :2] / points[:, 2:] + [c.cx_px + 0.5, c.cy_px + 0.5]) * self.twice - 0.5

    def shows(self, points: Array) -> bool:
        """Whether some of a body's points (n, 3) may lie in the frame."""
        p = (points - self.place) @ self.turn.T
        return bool(((p[:, 2] > 0.5) & (np.abs(p[:, 0]) < 1.2 * p[:, 2])).any())

    def polygon(self, points: Array, colour: Any) -> None:
        p = _clipped((np.asarray(points, float) - self.place) @ self.turn.T)
        if len(p) < 3:
            return
        px = np.clip(self.pixels(p), -20000, 20000)
        cv2.fillPoly(self.image, [np.round(px * 16).astype(np.int32)], [float(c) for c in colour], cv2.LINE_8, 4)


def _house(canvas: _Canvas, h: House, sun: Array, rng: np.random.Generator) -> None:
    c, o = h.corners(), h.corners(0.35 if h.roof in ("gable", "hip") else 0.0)
    u = np.array([np.cos(h.turn), np.sin(h.turn)])
    inset = {"gable": h.half[0], "hip": max(h.half[0] - h.half[1], 0.5), "low": h.half[0], "flat": 0.0}[h.roof]
    ridge = np.array([[*(h.centre + s * inset * u), h.top] for s in (1, -1)])

    def wall(k: int) -> None:
        a, b = c[k], c[(k + 1) % 4]
        n = np.array([b[1] - a[1], a[0] - b[0]]) / np.hypot(*(b - a))
        if n @ (canvas.place[:2] - a) <= 0:
            return
        shade = 0.65 + 0.35 * max(float(n @ sun), 0.0)
        low = h.ground - 3.0
        ring = [[*a, low], [*b, low], [*b, h.eaves], [*a, h.eaves]]
        if h.roof in ("gable", "low") and k in (1, 3):
            ring.insert(3, list(ridge[1 if k == 1 else 0]))
        canvas.polygon(np.array(ring), np.array(h.colour) * shade)
        length, storeys = float(np.hypot(*(b - a))), max(int((h.eaves - h.ground) / 2.9), 1)
        if rng.random() < 0.1 or np.hypot(*(h.centre - canvas.place[:2])) > 250.0:
            return
        for s in range(storeys):
            for t in np.arange(1.5, length - 1.5, rng.uniform(2.5, 4.0)):
                p = a + (b - a) * t / length
                q = a + (b - a) * (t + 1.1) / length
                z = h.ground + 0.9 + 2.9 * s
                canvas.polygon(
                    np.array([[*p, z], [*q, z], [*q, z + 1.4], [*p, z + 1.4]]), np.array([60, 55, 50]) * shade
                )

    def roof() -> None:
        z = h.eaves - 0.2
        if h.roof == "flat":
            return
        e = [[*p, z] for p in o]
        sides = [[e[0], e[1], ridge[1], ridge[0]], [e[2], e[3], ridge[0], ridge[1]]]
        if h.roof == "hip":
            sides += [[e[1], e[2], ridge[1]], [e[3], e[0], ridge[0]]]
        far_first = sorted(sides, key=lambda q: -float(np.hypot(*(np.mean(q, 0)[:2] - canvas.place[:2]))))
        for k, q in enumerate(far_first):
            canvas.polygon(np.array(q), np.array(h.roof_colour) * (0.8 + 0.1 * k))

    roof()
    for k in range(4):
        wall(k)
    if h.roof != "flat":
        z = h.eaves - 0.2
        e = [[*p, z] for p in o]
        for q, k in (([e[0], e[1], ridge[1], ridge[0]], 0), ([e[2], e[3], ridge[0], ridge[1]], 2)):
            n = np.array([c[(k + 1) % 4][1] - c[k][1], c[k][0] - c[(k + 1) % 4][0]])
            if n @ (canvas.place[:2] - c[k]) > 0:
                canvas.polygon(np.array(q), np.array(h.roof_colour) * 0.9)
        if rng.random() < 0.6 and h.roof in ("gable", "hip"):
            p = h.centre + rng.uniform(-0.6, 0.6) * inset * u
            s = 0.4 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
            for k in range(4):
                a, b = p + s[k], p + s[(k + 1) % 4]
                canvas.polygon(
                    np.array([[*a, h.top - 1.0], [*b, h.top - 1.0], [*b, h.top + 0.9], [*a, h.top + 0.9]]),
                    (70, 80, 110),
                )


def _tree(canvas: _Canvas, t: Array, ground: float, rng: np.random.Generator) -> None:
    d = canvas.turn @ (np.array([t[0], t[1], ground]) - canvas.place)
    if d[2] < 12.0 or abs(d[0]) > 1.2 * d[2]:
        return
    green = np.array([40, rng.uniform(60, 100), 50]) * rng.uniform(0.6, 1.3)
    s = np.array([canvas.place[1] - t[1], t[0] - canvas.place[0], 0.0])
    s /= np.linalg.norm(s)
    base = np.array([t[0], t[1], ground])
    canvas.polygon(
        np.array(
            [base - 0.15 * s, base + 0.15 * s, base + 0.15 * s + [0, 0, t[2] / 2], base - 0.15 * s + [0, 0, t[2] / 2]]
        ),
        (40, 60, 70),
    )
    for _ in range(60 if d[2] < 120 else 30):
        if t[3]:
            z = rng.uniform(0.15, 1.0)
            off, r = rng.uniform(-1, 1) * 0.25 * (1 - z), 0.05
        else:
            a, q = rng.uniform(0, 6.3), np.sqrt(rng.random())
            z, off, r = 0.65 + 0.28 * q * np.sin(a), 0.3 * q * np.cos(a), 0.07
        p = canvas.turn @ (base + off * t[2] * s + [0, 0, z * t[2]] - canvas.place)
        if p[2] > 1:
            x, y = canvas.pixels(p[None])[0]
            radius = max(canvas.camera.f_px * canvas.twice * r * t[2] / p[2] * rng.uniform(0.3, 1.1), 0.7)
            if abs(x) < 1e4 and abs(y) < 1e4:
                cv2.circle(
                    canvas.image,
                    (round(x * 16), round(y * 16)),
                    round(radius * 16),
                    [float(v) for v in green * rng.uniform(0.7, 1.3)],
                    -1,
                    cv2.LINE_8,
                    4,
                )


def _sky(canvas: _Canvas, rng: np.random.Generator) -> None:
    h, w = canvas.image.shape[:2]
    kind = rng.choice(["blue", "cloudy", "grey", "evening"])
    top, low = {
        "blue": ((225, 170, 110), (235, 220, 200)),
        "cloudy": ((210, 165, 120), (225, 215, 200)),
        "grey": ((165, 160, 155), (200, 196, 192)),
        "evening": ((190, 165, 150), (150, 190, 225)),
    }[str(kind)]
    t = np.linspace(0, 1, h, dtype=np.float32)[:, None, None] ** rng.uniform(0.7, 1.6)
    sky = ((1 - t) * np.array(top) + t * np.array(low)).astype(np.float32) + np.zeros((h, w, 1), np.float32)
    noise = np.zeros((h, w), np.float32)
    for n, weight in ((5, 1.0), (12, 0.6), (30, 0.35), (80, 0.15)):
        noise += weight * cv2.resize(
            rng.normal(0, 1, (2 * n, n)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC
        )
    if kind == "cloudy":
        share = 1 / (1 + np.exp(-4.0 * (noise - 0.5)))
        sky = sky + share[..., None] * (np.float32(235) - sky)
    else:
        sky = sky + np.float32(6.0 if kind == "grey" else 2.0) * noise[..., None]
    canvas.image[:] = sky
    # the ground, to a horizon two kilometres away
    ring = [
        [canvas.place[0] + 2000 * np.sin(a), canvas.place[1] + 2000 * np.cos(a), 0.0]
        for a in np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ]
    ground = np.array([rng.uniform(50, 90), rng.uniform(110, 150), rng.uniform(90, 140)])
    for a, b in zip(ring, [*ring[1:], ring[0]], strict=True):
        canvas.polygon(np.array([[canvas.place[0], canvas.place[1], 0.0], a, b]), ground)


def _tower(canvas: _Canvas, height: float) -> None:
    line = lambda p, q, m, colour: _bar(canvas, np.array(p, float), np.array(q, float), m, colour)  # noqa: E731
    n = 12
    for k in range(n):
        z0, z1 = height * k / n, height * (k + 1) / n
        w0, w1 = 1.6 - 1.1 * k / n, 1.6 - 1.1 * (k + 1) / n
        colour = (70, 70, 190) if k % 2 else (210, 210, 210)
        for s in (-1, 1):
            for t in (-1, 1):
                line([s * w0, t * w0, z0], [s * w1, t * w1, z1], 0.12, colour)
            line([s * w0, -w0, z0], [-s * w1, -w1, z1], 0.08, colour)
            line([-w0, s * w0, z0], [-w1, -s * w1, z1], 0.08, colour)
    for a in np.arange(3) * 2.1:
        p = np.array([np.sin(a), np.cos(a), 0]) * 1.2 + [0, 0, height - 1.5]
        line(p - np.array([0, 0, 1]), p + np.array([0, 0, 1]), 0.35, (200, 200, 200))


def _bar(canvas: _Canvas, p: Array, q: Array, width_m: float, colour: Any) -> None:
    a, b = canvas.turn @ (p - canvas.place), canvas.turn @ (q - canvas.place)
    if min(a[2], b[2]) < 1:
        return
    x = canvas.pixels(np.stack([a, b]))
    across = np.array([x[1, 1] - x[0, 1], x[0, 0] - x[1, 0]])
    across *= max(canvas.camera.f_px * canvas.twice * width_m / a[2], 0.8) / 2 / max(np.hypot(*across), 1e-9)
    ring = np.array([x[0] - across, x[0] + across, x[1] + across, x[1] - across])
    cv2.fillPoly(canvas.image, [np.round(ring * 16).astype(np.int32)], colour, cv2.LINE_8, 4)


def _paint(place: Town, camera: Camera, attitude: Array, at: Array, rng: np.random.Generator) -> Array:
    canvas = _Canvas(camera, attitude, at, 2)
    _sky(canvas, rng)
    a = rng.uniform(0, 6.3)
    sun = np.array([np.cos(a), np.sin(a)])
    things = [(float(np.hypot(*(h.centre - at[:2]))), 0, k) for k, h in enumerate(place.houses)]
    things += [(float(np.hypot(*(t[:2] - at[:2]))), 1, k) for k, t in enumerate(place.trees)]
    things.append((float(np.hypot(*at[:2])), 2, 0))
    for away, kind, k in sorted(things, reverse=True):
        if kind == 0:
            h = place.houses[k]
            box = h.corners()
            if away > 1.2 * np.hypot(*h.half) and canvas.shows(np.concatenate([box, np.full((4, 1), h.eaves)], 1)):
                _house(canvas, h, sun, rng)
        elif kind == 1 and away > 6:
            _tree(canvas, place.trees[k], 0.0, rng)
        elif kind == 2:
            _tower(canvas, place.tower_m)
    image = cv2.resize(canvas.image, (camera.width_px, camera.height_px), interpolation=cv2.INTER_AREA)
    image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.5, 0.9)) * np.float32(rng.uniform(0.75, 1.1))
    image += np.float32(rng.uniform(0.8, 2.5)) * rng.standard_normal(image.shape, np.float32)
    ok, code = cv2.imencode(
        ".jpg", np.clip(image, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(75, 96))]
    )
    assert ok
    return np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR))
