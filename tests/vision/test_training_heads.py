"""Random tower heads that the finder is trained on: made again from their seed, labelled exactly, and various.

They need the renderer's meshes, which a checkout has beside the sample photos, and neither PyTorch nor Mitsuba.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

if not (Path(__file__).parents[2] / "sample_images" / "render").is_dir():
    pytest.skip("no checkout: the renderer is not there", allow_module_level=True)

from photoaz.vision.training.heads import MATERIALS, Head, build

SEEDS = 40


@pytest.fixture(scope="module")
def heads() -> list[Head]:
    return [build(np.random.default_rng([1, k])) for k in range(SEEDS)]


def vertices(head: Head, material: str) -> np.ndarray:
    parts = head.meshes[material].points
    return np.concatenate(parts) if parts else np.zeros((0, 3))


def triangles(head: Head, material: str) -> np.ndarray:
    """Corners (N, 3, 3) of all triangles of a material."""
    parts = head.meshes[material].faces
    faces = np.concatenate(parts) if parts else np.zeros((0, 3), int)
    return vertices(head, material)[faces]


def test_neither_pytorch_nor_mitsuba_is_needed() -> None:
    code = "import sys, photoaz.vision.training.heads; print({'torch', 'mitsuba', 'drjit'} & set(sys.modules))"
    got = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert got.stdout.strip() == "set()"


@pytest.mark.parametrize("seed", [0, 7, 23])
def test_the_same_seed_builds_the_same_head(seed: int) -> None:
    one, again, other = (build(np.random.default_rng([1, k])) for k in (seed, seed, seed + 1))
    assert len(one.panels) == len(again.panels)
    for material in MATERIALS:
        assert np.array_equal(triangles(one, material), triangles(again, material))
    for a, b in zip(one.panels, again.panels, strict=True):
        assert np.array_equal(a.centre_m, b.centre_m)
        assert (a.first, a.last, a.azimuth_deg) == (b.first, b.last, b.azimuth_deg)
    assert not np.array_equal(triangles(one, "steel"), triangles(other, "steel"))


def test_a_panels_triangles_fill_its_box_and_nothing_else(heads: list[Head]) -> None:
    """In the panel's own axes its triangles reach every side of its box, to a millimetre, and none beyond."""
    for head in heads:
        radome = triangles(head, "radome")
        for p in head.panels:
            own = radome[p.first : p.last].reshape(-1, 3) - p.centre_m
            extent = np.stack(p.axes) @ own.T  # along right, up, normal
            half = p.whd_m / 2
            assert extent.max(1) == pytest.approx(half, abs=0.001)  # m
            # the bulge leaves the front's sides behind its middle, which changes no side of the box
            assert extent.min(1) == pytest.approx(-half, abs=0.001)


def test_every_radome_triangle_belongs_to_one_panel(heads: list[Head]) -> None:
    for head in heads:
        ranges = sorted((p.first, p.last) for p in head.panels)
        assert [a for a, _ in ranges] == [0, *(b for _, b in ranges[:-1])][: len(ranges)]
        assert (ranges[-1][1] if ranges else 0) == len(triangles(head, "radome"))


def test_a_panels_axes_are_a_frame_that_faces_its_azimuth(heads: list[Head]) -> None:
    """Right, up, outward normal; right as seen by somebody in front, so that right x up is the normal."""
    for head in heads:
        for p in head.panels:
            right, up, normal = p.axes
            assert np.stack(p.axes) @ np.stack(p.axes).T == pytest.approx(np.eye(3), abs=1e-9)
            assert np.cross(right, up) == pytest.approx(normal)
            level = np.degrees(np.arctan2(normal[0], normal[1]))
            assert (level - p.azimuth_deg + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-6)
            assert up[2] > 0.9


def test_meshes_are_sound(heads: list[Head]) -> None:
    """Finite, with unit normals; reflectances that nature has."""
    for head in heads:
        for mesh in head.meshes.values():
            if not mesh.points:
                continue
            points, normals, colours = (np.concatenate(v) for v in (mesh.points, mesh.normals, mesh.colours))
            assert np.isfinite(points).all()
            assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0, abs=1e-6)
            assert colours.min() >= 0.0
            assert colours.max() <= 1.0
            faces = np.concatenate(mesh.faces)
            assert faces.min() >= 0
            assert faces.max() < len(points)


def test_panels_look_outwards(heads: list[Head]) -> None:
    """Nearly all: one in six is turned by up to 45 degrees, none looks into the tower."""
    off = []
    for head in heads:
        for p in head.panels:
            away = np.arctan2(p.centre_m[0], p.centre_m[1])
            off.append(np.degrees(np.arccos(np.clip(np.cos(np.radians(p.azimuth_deg) - away), -1, 1))))
    assert np.median(off) < 30.0
    assert np.mean(np.array(off) < 90.0) > 0.95


def test_heads_are_various(heads: list[Head]) -> None:
    panels = [p for head in heads for p in head.panels]
    count = np.array([len(head.panels) for head in heads])
    assert count.min() <= 3
    assert count.max() >= 14
    assert len(set(count.tolist())) >= 8
    widths, heights = (np.array([p.whd_m[k] for p in panels]) for k in (0, 1))
    assert widths.min() < 0.22
    assert widths.max() > 0.5
    assert heights.min() < 0.9
    assert heights.max() > 2.4
    depths = np.array([p.whd_m[2] for p in panels])
    assert depths.min() >= 0.06
    assert (depths < widths).all()
    # all ways round, some of them leaning
    assert len({int(p.azimuth_deg % 360 // 30) for p in panels}) == 12
    tilts = np.degrees([np.arcsin(-p.axes[2][2]) for p in panels])
    assert tilts.min() < 0.5
    assert tilts.max() > 8.0
    # paints from dark to white, some of them coloured
    paints = np.array([colour_of(head, p) for head in heads for p in head.panels])
    light = paints.mean(1)
    assert light.min() < 0.2
    assert light.max() > 0.55
    assert (np.ptp(paints, axis=1) / light > 0.5).any()


def colour_of(head: Head, panel: Any) -> np.ndarray:
    """Mean reflectance of a panel's vertices."""
    mesh = head.meshes["radome"]
    used = np.unique(np.concatenate(mesh.faces)[panel.first : panel.last])
    return np.concatenate(mesh.colours)[used].mean(0)


def test_other_things_hang_beside_the_panels(heads: list[Head]) -> None:
    """What the finder must not take for panels: steel in every head, boxes in most, houses in some."""
    has = {m: np.mean([len(head.meshes[m].points) > 0 for head in heads]) for m in MATERIALS}
    assert has["steel"] == 1.0
    assert has["boxes"] > 0.9
    assert has["black"] > 0.7
    assert 0.03 < has["walls"] < 0.5
    # some have a thin carrier, some a lattice wider than a metre
    wide = [
        float(np.ptp(v[np.abs(v[:, 2] + 8.0) < 1.0][:, 0]))
        for v in (vertices(h, "steel") for h in heads)
        if (np.abs(v[:, 2] + 8.0) < 1.0).any()
    ]
    assert min(wide) < 0.8
    assert max(wide) > 1.5
