"""What scenes are put together from: meshes by material, places on walls and pipes, paints, units that are no panels.

Metres, east-north-up. Colours are linear RGB reflectances. Proportions are those that one sees (common practice, no
source).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from photoaz.vision.training.renderer import mesh

Array = NDArray[Any]

UP = np.array([0.0, 0.0, 1.0])
MATERIALS = ("steel", "radome", "boxes", "black", "walls", "glass")
#: of one scene: training keeps so many of a view, and one without a label would teach that it is none
MOST_PANELS = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A panel as it hangs: middle, axes (right, up, normal), size, and the triangles [first, last) it is made of.

    edge_radius_m, bulge_m: of its front.
    """

    centre_m: Array
    axes: tuple[Array, Array, Array]
    whd_m: Array
    azimuth_deg: float
    first: int
    last: int
    edge_radius_m: float
    bulge_m: float


@dataclass(slots=True)
class Head:
    """Meshes by material, and the panels in them.

    kind: of scene; reach_m: of what belongs to the head, from its middle; looks_deg: middle and half of the range of
    azimuths that cameras look to; clear_m: no camera nearer to the axis, level, which would be in a house;
    steepest_deg: no camera looks up steeper; barren: nothing may hang that is a panel.
    """

    meshes: dict[str, mesh.Mesh] = field(default_factory=lambda: {m: mesh.Mesh() for m in MATERIALS})
    panels: list[Panel] = field(default_factory=list)
    kind: str = "tower"
    reach_m: float = 3.0
    looks_deg: tuple[float, float] = (0.0, 180.0)
    clear_m: float = 0.0
    steepest_deg: float = 62.0
    barren: bool = False

    @property
    def full(self) -> bool:
        """Whether no further panel may hang."""
        return self.barren or len(self.panels) >= MOST_PANELS


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """An upright plane that looks to `out`: a wall, a board, the side of a pipe. Right as seen by who looks at it."""

    origin: Array
    out: Array

    @property
    def axes(self) -> tuple[Array, Array, Array]:
        """Right, up, out."""
        return mesh.cross(-self.out, UP), UP, self.out

    def at(self, x: float, z: float, out: float = 0.0) -> Array:
        """A place (3,) so far to the right, up and out of the plane."""
        place: Array = self.origin + self.axes[0] * x + UP * z + self.out * out
        return place

    def box(self, m: mesh.Mesh, place: tuple[float, float, float], size: ArrayLike, colour: ArrayLike) -> None:
        """Add a box with its middle at `place` (right, up, out), size along the same."""
        m.box(self.at(*place), self.axes, size, colour)

    def rod(self, m: mesh.Mesh, a: tuple[float, ...], b: tuple[float, ...], radius: float, colour: Array) -> None:
        """Add a round bar between two places."""
        m.rod(self.at(*a), self.at(*b), radius, colour, 6)


def unit_level(o: Array, turn_deg: float) -> Array:
    """A level direction (3,) turned clockwise from above."""
    a = np.radians(turn_deg)
    return np.array([o[0] * np.cos(a) + o[1] * np.sin(a), -o[0] * np.sin(a) + o[1] * np.cos(a), 0.0])


def metal(rng: np.random.Generator) -> Array:
    """Galvanised, white, dark or rusty steel."""
    kind = rng.choice(["zinc", "white", "dark", "brown"], p=[0.66, 0.14, 0.15, 0.05])
    base = {
        "zinc": np.array([0.30, 0.31, 0.32]),
        "white": np.array([0.62, 0.62, 0.60]),
        "dark": np.array([0.09, 0.10, 0.10]),
        "brown": np.array([0.17, 0.11, 0.08]),
    }[str(kind)]
    out: Array = base * rng.uniform(0.7, 1.3)
    return out


def radome(rng: np.random.Generator) -> Array:
    """Paint of a radome: mostly white and greys; some brown, sky blue, sand, green, dark."""
    palette = np.array(
        [
            [0.70, 0.70, 0.68],
            [0.60, 0.60, 0.58],
            [0.62, 0.59, 0.50],
            [0.42, 0.43, 0.44],
            [0.28, 0.29, 0.30],
            [0.14, 0.11, 0.10],
            [0.30, 0.45, 0.62],
            [0.45, 0.62, 0.66],
            [0.55, 0.42, 0.28],
            [0.20, 0.26, 0.20],
            [0.06, 0.06, 0.065],
        ]
    )
    p = np.array([0.26, 0.17, 0.11, 0.14, 0.06, 0.07, 0.06, 0.04, 0.04, 0.02, 0.03])
    out: Array = palette[rng.choice(len(palette), p=p / p.sum())] * rng.uniform(0.85, 1.12)
    return np.clip(out + rng.normal(0, 0.012, 3), 0.02, 0.85)


def masonry(rng: np.random.Generator) -> Array:
    """Paint of a wall: plaster, concrete, stone, brick."""
    palette = [[0.6, 0.57, 0.5], [0.45, 0.42, 0.4], [0.33, 0.17, 0.11], [0.55, 0.5, 0.33], [0.3, 0.31, 0.33]]
    more = [[0.68, 0.67, 0.63], [0.5, 0.36, 0.27], [0.24, 0.2, 0.17], [0.42, 0.47, 0.5]]
    out: Array = np.array(palette + more)[rng.integers(9)] * rng.uniform(0.8, 1.15)
    return out


def vivid(rng: np.random.Generator) -> Array:
    """A loud paint: signs, containers, stickers."""
    palette = [[0.55, 0.04, 0.03], [0.04, 0.12, 0.45], [0.05, 0.3, 0.1], [0.7, 0.45, 0.03], [0.72, 0.72, 0.7]]
    out: Array = np.array([*palette, [0.05, 0.05, 0.05], [0.6, 0.2, 0.03]])[rng.integers(7)] * rng.uniform(0.7, 1.15)
    return out


def radio(head: Head, at: Array, way: Array, size: Array, paint: Array, rng: np.random.Generator) -> None:
    """A radio unit of size (3,) at (3,), its face to `way` (3,): mostly with fins, a sunshade, plugs below."""
    face = Face(origin=at, out=way)
    boxes, black = head.meshes["boxes"], head.meshes["black"]
    face.box(boxes, (0, 0, 0), size, paint)
    w, h, d = size
    # a long one without fins would be a small panel to anybody
    kind = rng.choice(["fins", "both"] if h > 2 * w else ["fins", "fins", "bare", "shade", "both"])
    if kind in ("fins", "both"):
        for x in np.linspace(-0.46, 0.46, int(rng.integers(7, 15))) * w:
            face.box(boxes, (x, 0, d / 2 + 0.02), (0.007, h * 0.92, 0.045), paint * 0.95)
    if kind in ("shade", "both"):
        face.box(boxes, (0, h / 2 + 0.012, 0.01), (w * 1.04, 0.02, d * 1.1), paint * 0.9)
        face.box(boxes, (0, 0, d / 2 + 0.048), (w * 0.6, h * 0.5, 0.006), np.clip(paint * 1.2, 0, 0.8))
    if rng.random() < 0.4:
        face.box(boxes, (0, h / 2 + 0.035, 0), (w * 0.4, 0.05, 0.04), paint * 0.8)
    if rng.random() < 0.6:
        for x in np.linspace(-0.3, 0.3, int(rng.integers(2, 5))) * w:
            face.rod(black, (x, -h / 2 + 0.01, 0), (x, -h / 2 - 0.06, 0), 0.013, np.full(3, 0.05))
            cable(black, face.at(x, -h / 2 - 0.05), face.at(x * 0.3, -h / 2 - rng.uniform(0.3, 0.8), -d), 0.1, 0.008)


def radio_size(rng: np.random.Generator) -> Array:
    """Width, height, depth of a radio unit."""
    return np.array([rng.uniform(0.18, 0.45), rng.uniform(0.25, 0.8), rng.uniform(0.08, 0.24)])


def cable(m: mesh.Mesh, a: Array, b: Array, droop: float, radius: float, colour: ArrayLike = 0.03) -> None:
    """A cable from a to b (3,) that leaves both ends downwards."""
    t = np.linspace(0, 1, 8)[:, None]
    p, q = a - UP * droop, b - UP * droop * 0.8
    path = (1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * p + 3 * t**2 * (1 - t) * q + t**3 * b
    m.tube(path, radius, np.broadcast_to(np.asarray(colour, float), 3), 5, capped=False)
