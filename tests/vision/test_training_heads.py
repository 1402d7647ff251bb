"""Random scenes that the finder is trained on: made again from their seed, labelled exactly, and various.

They need the renderer's meshes, which a checkout has beside the sample photos, and neither PyTorch nor Mitsuba.
"""

from __future__ import annotations

import functools
import itertools
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

if not (Path(__file__).parents[2] / "sample_images" / "render").is_dir():
    pytest.skip("no checkout: the renderer is not there", allow_module_level=True)

from photoaz.vision.training import heads as scenes
from photoaz.vision.training import panels, parts
from photoaz.vision.training.heads import SCENES, build
from photoaz.vision.training.parts import MATERIALS, MOST_PANELS, Face, Head
from photoaz.vision.training.renderer import geometry
from photoaz.vision.training.renderer import mesh as meshes
from photoaz.vision.training.views import Stage

SEEDS = 40


@functools.cache
def of_kind(kind: str, seed: int) -> Head:
    """A scene of a kind, which several tests look at; to be looked at alone."""
    return build(np.random.default_rng([2, seed]), kind)


@pytest.fixture(scope="module")
def heads() -> list[Head]:
    """Kinds as often as they are drawn; scenes that are looked at by kind as well."""
    share = np.array([s for s, _ in SCENES.values()])
    kinds = np.random.default_rng(1).choice(list(SCENES), SEEDS, p=share / share.sum()).tolist()
    return [of_kind(kind, kinds[:k].count(kind)) for k, kind in enumerate(kinds)]


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
    one, again, other = (build(np.random.default_rng([1, s])) for s in (seed, seed, seed + 1))
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
            # the bulge leaves the front's sides behind its middle, which changes no side of the box; a sticker stands
            # out of it by less than a millimetre
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
    """Nearly all on a tower: one in six is turned by up to 45 degrees, none looks into the tower."""
    off = []
    for head in heads:
        if head.kind not in ("tower", "monopole", "stacked"):
            continue
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
    """What the finder must not take for panels: steel in every scene, boxes and cables in most, walls in many."""
    has = {m: np.mean([len(head.meshes[m].points) > 0 for head in heads]) for m in MATERIALS}
    assert has["steel"] == 1.0
    assert has["boxes"] > 0.8
    assert has["black"] > 0.7
    assert 0.3 < has["walls"] < 0.8
    assert 0.15 < has["glass"] < 0.7
    # some have a thin carrier, some a lattice wider than a metre
    wide = [
        float(np.ptp(v[np.abs(v[:, 2] + 8.0) < 1.0][:, 0]))
        for v in (vertices(h, "steel") for h in heads)
        if (np.abs(v[:, 2] + 8.0) < 1.0).any()
    ]
    assert min(wide) < 0.8
    assert max(wide) > 1.5


@pytest.mark.parametrize("kind", SCENES)
def test_every_kind_of_scene_builds_and_its_labels_hold(kind: str) -> None:
    """15 seeds of each: sound, not more panels than are kept, their triangles in their boxes, no panel in a panel.

    A fault of one head in ten of one kind is found with a probability of 0.79, one of all kinds always.
    """
    has_panels = 0
    for k in range(15):
        head = of_kind(kind, k)
        assert head.kind == kind
        assert len(head.panels) <= MOST_PANELS
        assert not (head.barren and head.panels)
        has_panels += bool(head.panels)
        for material in MATERIALS:
            assert np.isfinite(vertices(head, material)).all()
        radome = triangles(head, "radome")
        corners = [np.vstack([q.centre_m, geometry.box_corners(q.centre_m, q.whd_m, q.axes)]) for q in head.panels]
        for p in head.panels:
            own = np.stack(p.axes) @ (radome[p.first : p.last].reshape(-1, 3) - p.centre_m).T
            assert own.max(1) == pytest.approx(p.whd_m / 2, abs=0.001)
            assert own.min(1) == pytest.approx(-p.whd_m / 2, abs=0.001)
            for q, points in zip(head.panels, corners, strict=True):  # neither corner nor middle lies within another
                inside = np.abs((points - p.centre_m) @ np.stack(p.axes).T) < p.whd_m / 2
                assert q is p or not inside.all(1).any()
        assert head.reach_m < 15.0
    assert has_panels == 0 if kind == "street" else has_panels > 11


def test_kinds_come_as_often_as_they_should(monkeypatch: pytest.MonkeyPatch) -> None:
    """About half tower heads, one scene in eight without any panel: drawn 3000 times, not built."""
    empty = {kind: (share, lambda head, rng: None) for kind, (share, _) in SCENES.items()}
    monkeypatch.setattr(scenes, "SCENES", empty)
    drawn = [build(np.random.default_rng([3, k])) for k in range(3000)]
    towers = np.mean([h.kind in ("tower", "monopole", "stacked") for h in drawn])
    assert 0.5 < towers < 0.6
    # a street has none, and what is barren has none, as the scenes built above show
    none = np.mean([h.barren or h.kind == "street" for h in drawn])
    assert none == pytest.approx(1 / 8, abs=0.025)  # four spreads of 3000 draws
    assert min(np.mean([h.kind == kind for h in drawn]) for kind in SCENES) > 0.015


@pytest.mark.parametrize("kind", ["wall", "church", "tank"])
def test_no_panel_is_in_its_wall(kind: str) -> None:
    """From each corner of a panel the ray towards the middle of the cameras' range meets no wall."""
    for k in range(12):
        head = of_kind(kind, k)
        out = -geometry.outward(head.looks_deg[0])
        walls = triangles(head, "walls")
        for p in head.panels:
            if p.axes[2] @ out < 0.5:
                continue
            for corner in geometry.box_corners(p.centre_m, p.whd_m, p.axes):
                assert not hits(corner, out, walls, float(p.whd_m.max()))


def hits(start: np.ndarray, way: np.ndarray, tri: np.ndarray, far: float) -> bool:
    """Whether a ray meets a triangle (N, 3, 3) within `far`, by its barycentric coordinates."""
    u, v = tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]
    n = np.cross(u, v)
    slant = n @ way
    slant = np.where(np.abs(slant) < 1e-12, np.inf, slant)
    t = np.einsum("ij,ij->i", tri[:, 0] - start, n) / slant
    at = start + t[:, None] * way - tri[:, 0]
    size = np.maximum((n * n).sum(1), 1e-18)
    b = np.einsum("ij,ij->i", np.cross(at, v), n) / size
    c = np.einsum("ij,ij->i", np.cross(u, at), n) / size
    return bool(((t > 1e-6) & (t < far) & (b > 0) & (c > 0) & (b + c < 1)).any())


def test_bodies_take_every_form_within_their_box() -> None:
    """All sections, ends and backs, with waist, seams, caps and stickers, in narrow and in broad boxes."""
    axes = geometry.panel_axes(30.0, 5.0, 1.0)
    for k, whd in enumerate([(0.12, 2.8, 0.07), (0.6, 0.9, 0.26), (0.13, 0.3, 0.07), (0.3, 2.0, 0.13)]):
        rng = np.random.default_rng(k)
        made = panels.model(rng, np.array(whd))
        for section, ends, back in itertools.product(
            ("rounded", "bevelled", "curved"), ("drawn", "flat", "dome"), ("smooth", "plate", "tray", "ribs")
        ):
            m = replace(made, section=section, ends=ends, back=back, waist_m=0.02, seams=(0.1,), cap_m=0.05)
            coat = replace(panels.coat(rng), stickers=2)
            out = meshes.Mesh()
            panels.add_body(out, np.zeros(3), axes, m, coat, rng)
            own = np.stack(axes) @ np.concatenate(out.points).T
            assert own.max(1) == pytest.approx(m.whd_m / 2, abs=panels.STICKER_M + 1e-9)
            assert own.min(1) == pytest.approx(-m.whd_m / 2, abs=1e-9)


def test_a_bodys_skin_is_turned_outwards() -> None:
    """Normals of the triangles point away from the middle line: nine in ten at least (trays and seams look inwards)."""
    axes = geometry.panel_axes(0.0, 0.0, 0.0)
    for k in range(20):
        rng = np.random.default_rng([5, k])
        out = meshes.Mesh()
        m = panels.model(rng)
        panels.add_body(out, np.zeros(3), axes, m, panels.coat(rng), rng)
        tri = np.concatenate(out.points)[np.concatenate(out.faces)]
        normal = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
        middle = tri.mean(1)
        middle[:, 2] = np.sign(middle[:, 2]) * np.maximum(np.abs(middle[:, 2]) - 0.48 * m.whd_m[1], 0)
        area = np.linalg.norm(normal, axis=1)
        assert area[(normal * middle).sum(1) > 0].sum() > 0.9 * area.sum()


def test_a_long_radio_unit_has_fins() -> None:
    """A box of a panel's shape without a sign of what it is would teach that panels are none."""
    for k in range(30):
        head = Head()
        face = Face(origin=np.zeros(3), out=geometry.outward(0.0))
        parts.radio(head, face.origin, face.out, np.array([0.2, 0.7, 0.1]), np.full(3, 0.5), np.random.default_rng(k))
        assert [len(f) for f in head.meshes["boxes"].faces].count(12) >= 8  # boxes: the body and seven fins at least


def test_other_shapes_are_not_taken_for_radomes() -> None:
    """Pixels of a shape whose triangles' numbers fall on a radome's triangles without area, which lie in any plane."""
    axes = geometry.panel_axes(0.0, 0.0, 0.0)
    rng = np.random.default_rng(0)
    out = meshes.Mesh()
    made = replace(panels.model(rng), section="bevelled", back="tray")
    panels.add_body(out, np.zeros(3), axes, made, panels.coat(rng), rng)
    tri = np.concatenate(out.points)[np.concatenate(out.faces)]
    normal = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    flat = np.flatnonzero(np.linalg.norm(normal, axis=1) < 1e-12)
    assert len(flat) > 20  # a bevelled tray has sharp edges
    stage = object.__new__(Stage)
    stage.corner_m = tri[:, 0]
    stage.normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-15)
    stage.reach_m = np.linalg.norm(tri[:, 1:] - tri[:, :1], axis=2).max(1)
    prim = np.stack([np.setdiff1d(np.arange(len(tri)), flat)[: len(flat)], flat])
    at = np.stack([tri[prim[0]].mean(1), rng.uniform(1, 9, (len(flat), 3))])
    shape = np.repeat([[0], [1]], len(flat), axis=1)
    on = stage._on_radome(shape, prim, at)
    assert on[0].all()
    assert not on[1].any()
