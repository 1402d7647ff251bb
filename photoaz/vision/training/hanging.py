"""How panels hang: on a pipe or a wall by clamps and tilt brackets, with cables, and radio units behind them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.training import panels
from photoaz.vision.training.parts import UP, Face, Head, cable, radio, radio_size, unit_level
from photoaz.vision.training.renderer import geometry

Array = NDArray[Any]


def hang(
    head: Head,
    pipe: Array,
    pipe_r: float,
    azimuth_deg: float,
    model: panels.Model,
    coat: panels.Coat,
    metal: Array,
    rng: np.random.Generator,
    wall: Face | None = None,
    stand: float = 0.0,
    loose: bool = False,
) -> bool:
    """A panel before a pipe, or at `wall` without one: body, brackets, cables. False where none may hang or another is.

    pipe: the pipe's axis at the panel's height; pipe_r 0: brackets hold on to the wall itself. stand: the back is off
    the pipe by this at least [m], where several hang round it. loose: cables go on inwards, to what stands there.
    """
    if head.full:
        return False
    azimuth, tilt, roll = panels.attitude(rng, azimuth_deg, 45.0 if wall is None and not stand else 25.0)
    axes = geometry.panel_axes(azimuth, tilt, roll)
    centre = pipe + panels.behind(model, azimuth, tilt, pipe_r + max(stand, rng.uniform(0.02, 0.2)))
    if wall is not None:  # no corner in the wall: the pipe stands off for that
        corners = geometry.box_corners(centre, model.whd_m, axes)
        short = 0.03 - float(((corners - wall.origin) @ wall.out).min())
        if short > 0:
            centre = centre + wall.out * short
            pipe = pipe + wall.out * short
    if _meets(head, centre, axes, model.whd_m):
        return False
    panels.place(head, centre, axes, azimuth, model, coat, rng)
    dark = metal * rng.uniform(0.5, 1.0)
    _brackets(head, (centre, axes, model.whd_m), pipe, pipe_r, dark, rng)
    if wall is not None:
        _holders(head, pipe, pipe_r, wall, model.whd_m, metal, rng)
    _cables(head, (centre, axes, model.whd_m), pipe, -geometry.outward(azimuth_deg), not loose, rng)
    return True


def _meets(head: Head, centre: Array, axes: tuple[Array, Array, Array], size: Array) -> bool:
    """Whether the box of a new panel and that of one that hangs already share room, by points within either."""
    grid = np.stack(np.meshgrid(np.linspace(-0.5, 0.5, 5), np.linspace(-0.5, 0.5, 9), [-0.5, 0.0, 0.5]), -1)
    new = np.stack(axes)
    points = centre + (grid.reshape(-1, 3) * size) @ new
    for p in head.panels:
        if np.linalg.norm(p.centre_m - centre) > (np.linalg.norm(size) + np.linalg.norm(p.whd_m)) / 2:
            continue
        old = np.stack(p.axes)
        theirs = p.centre_m + (grid.reshape(-1, 3) * p.whd_m) @ old
        for at, middle, frame, whd in ((points, p.centre_m, old, p.whd_m), (theirs, centre, new, size)):
            if (np.abs((at - middle) @ frame.T) < whd / 2).all(1).any():
                return True
    return False


def _brackets(
    head: Head,
    body: tuple[Array, tuple[Array, Array, Array], Array],
    pipe: Array,
    pipe_r: float,
    dark: Array,
    rng: np.random.Generator,
) -> None:
    """From the back to the pipe: hinge below; above a plain bracket or a scissor arm; clamps with their bolts."""
    steel = head.meshes["steel"]
    centre, axes, size = body
    right, up, normal = axes
    level = np.cross(right, UP)
    level /= np.linalg.norm(level)
    grip = Face(origin=pipe, out=level)
    kind = str(rng.choice(["plain", "scissor", "rail"], p=[0.45, 0.35, 0.2]))
    share = rng.uniform(0.3, 0.44)
    rail = centre - normal * (size[2] / 2 + 0.012)
    if kind == "rail":
        steel.box(rail, axes, (min(0.08, 0.4 * size[0]), size[1] * 2 * share, 0.03), dark)
    for s in (-share, share):
        back = rail + up * size[1] * s
        low = back[2] - (0.12 if kind == "scissor" and s > 0 else 0.0)
        clamp = np.append(pipe[:2], low)
        steel.box(back, axes, (min(0.16, 0.6 * size[0]), 0.08, 0.035), dark)
        around = 2 * pipe_r + 0.05
        grip.box(steel, (0, low - pipe[2], 0), (around + 0.03, 0.06, around), dark * 0.9)
        for e in (-0.04, 0.04):
            side = grip.axes[0] * e
            if kind == "scissor" and s > 0:
                knee = (back + clamp) / 2 + UP * rng.uniform(0.1, 0.2)
                steel.rod(back + right * e, knee + side, 0.012, dark, 5)
                steel.rod(knee + side, clamp + side, 0.012, dark, 5)
            else:
                steel.rod(back + right * e, clamp + side, 0.013, dark, 6)
            if pipe_r > 0:  # bolts stick out behind the clamp
                x = (pipe_r + 0.02) * np.sign(e)
                z = low - pipe[2]
                steel.rod(grip.at(x, z, 0), grip.at(x, z, -pipe_r - rng.uniform(0.04, 0.12)), 0.007, dark, 5)


def _holders(
    head: Head, pipe: Array, pipe_r: float, wall: Face, size: Array, metal: Array, rng: np.random.Generator
) -> None:
    """From the wall to the pipe, or to the panel's brackets."""
    out = float((pipe - wall.origin) @ wall.out)
    if pipe_r > 0:
        reach = size[1] / 2 + rng.uniform(0.1, 0.4)
        head.meshes["steel"].rod(pipe - UP * reach, pipe + UP * reach, pipe_r, metal, 12)
    for share in (-0.42, 0.42):
        at = pipe + UP * share * size[1]
        head.meshes["steel"].rod(at, at - wall.out * (out + 0.02), 0.025, metal * 0.9, 6)
        foot = Face(origin=at - wall.out * out, out=wall.out)
        foot.box(head.meshes["steel"], (0, 0, 0.01), (0.2, 0.2, 0.02), metal * 0.8)


def _cables(
    head: Head,
    body: tuple[Array, tuple[Array, Array, Array], Array],
    pipe: Array,
    inward: Array,
    short: bool,
    rng: np.random.Generator,
) -> None:
    """Connectors in the bottom cap, and jumpers from them; now and then a jumper from the back."""
    black = head.meshes["black"]
    centre, (right, up, normal), size = body
    bottom = centre - up * size[1] / 2
    plug = np.full(3, rng.uniform(0.05, 0.45))
    thick = rng.uniform(0.006, 0.013)
    jacket = np.full(3, rng.uniform(0.015, 0.05) if rng.random() < 0.85 else rng.uniform(0.2, 0.5))
    for _ in range(int(rng.choice([0, 2, 4, 6, 8]))):
        at = bottom + right * size[0] * rng.uniform(-0.35, 0.35) + normal * size[2] * rng.uniform(-0.25, 0.25)
        black.rod(at + up * 0.01, at - up * 0.06, 0.014, plug, 6)
        end = pipe + inward * rng.uniform(0.0, 0.05 if short else 0.7) + UP * rng.uniform(-1.1, 0.5)
        end += rng.normal(0, 0.03 if short else 0.08, 3)
        cable(black, at - up * 0.05, end, rng.uniform(0.1, 0.55), thick, jacket)
    if rng.random() < 0.2:
        at = centre - normal * (size[2] / 2 - 0.01) + right * size[0] * rng.uniform(-0.3, 0.3)
        at = at + up * size[1] * rng.uniform(-0.3, 0.2)
        black.rod(at, at - normal * 0.05, 0.016, plug, 6)
        cable(black, at - normal * 0.05, pipe - UP * size[1] * 0.6, rng.uniform(0.1, 0.3), thick, jacket)


def radios(
    head: Head,
    middle: Array,
    span: tuple[float, float],
    o: Array,
    paint: Array,
    metal: Array,
    alone: bool,
    rng: np.random.Generator,
) -> None:
    """Radio units on a pipe, span its ends [m], middle (3,): behind the panel, beside it, below; alone also before."""
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.3, 0.38, 0.24, 0.08]))):
        box = radio_size(rng)
        where = str(
            rng.choice(["behind", "beside", "low", "front"] if alone else ["behind", "behind", "beside", "low"])
        )
        at = np.append(middle[:2], rng.uniform(span[0] + 0.2, max(span[0] + 0.3, span[1] - 0.1)))
        if where == "behind":
            way = -o
        elif where == "front":
            way = o
        else:
            way = unit_level(o, rng.choice([-90.0, 90.0, 180.0]) + rng.normal(0, 10))
        if where == "low":
            at = np.append(middle[:2], span[0] + box[1] * 0.3)
        radio(head, at + way * (0.08 + box[2] / 2), way, box, paint * rng.uniform(0.9, 1.1), rng)
        Face(origin=at, out=way).box(head.meshes["steel"], (0, 0, 0.05), (0.14, 0.1, 0.1), metal * 0.8)
