"""The renderer: meshes to a scene, a scene to radiance, and what a camera can see of each panel."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import land
import mitsuba as mi
import numpy as np
import place
import sky
import tower
from develop import MARGIN_PX
from geometry import Array, TrueCamera
from mesh import Mesh

MATERIALS: dict[str, dict[str, Any]] = {
    "steel": {"type": "principled", "metallic": 0.55, "roughness": 0.5, "specular": 0.5},
    "radome": {"type": "principled", "roughness": 0.42, "specular": 0.45},
    "boxes": {"type": "principled", "roughness": 0.55, "specular": 0.4},
    "black": {"type": "principled", "roughness": 0.4, "specular": 0.5},
    "green": {"type": "diffuse"},
    "wood": {"type": "diffuse"},
    "walls": {"type": "diffuse"},
    "roofs": {"type": "principled", "roughness": 0.6, "specular": 0.3},
}
SKY_WIDTH = 4096
PASS_SAMPLES = 8


def choose(variant: str) -> None:
    """Select the renderer's variant; must come before anything else here."""
    mi.set_variant(variant)


def build_meshes(folder: Path, cameras: list[TrueCamera]) -> list[place.Antenna]:
    """Write one PLY a material into `folder`; returns the antennas."""
    meshes = {name: Mesh() for name in MATERIALS}
    panels = tower.build(meshes["steel"], meshes["radome"], meshes["boxes"], meshes["black"])
    land.build(meshes["green"], meshes["wood"], meshes["walls"], meshes["roofs"], cameras)
    for name, mesh in meshes.items():
        mesh.write(folder / f"{name}.ply")
    return panels


class Stage:
    """The scene without its sky: loaded once, rendered under the sky of each photo."""

    def __init__(self, folder: Path) -> None:
        self.shapes: dict[str, Any] = {}
        for name, material in MATERIALS.items():
            key = "reflectance" if material["type"] == "diffuse" else "base_color"
            surface = {**material, key: {"type": "mesh_attribute", "name": "vertex_color"}}
            self.shapes[name] = mi.load_dict(
                {
                    "type": "ply",
                    "filename": str(folder / f"{name}.ply"),
                    "bsdf": {"type": "twosided", "nested": surface},
                }
            )
        self.plain = mi.load_dict({"type": "scene", **self.shapes})

    def render(
        self, camera: TrueCamera, sun_deg: tuple[float, float], number: int, samples: int, crop: list[int] | None
    ) -> Array:
        """Radiance (H, W, 3), float32, of the frame with its margin (or of a crop of that), free of distortion."""
        light = sky.environment(*sun_deg, width=SKY_WIDTH, drift=0.0011 * number, seed=place.SEED + 3)
        turn = mi.ScalarTransform4f().rotate([1, 0, 0], 90)  # the map's up is y, its middle column south
        emitter = {"type": "envmap", "bitmap": mi.Bitmap(light), "to_world": turn}
        scene = mi.load_dict(
            {
                "type": "scene",
                **self.shapes,
                "sky": emitter,
                "integrator": {"type": "path", "max_depth": 5},
                "sensor": _sensor(camera, crop),
            }
        )
        total: Array | None = None
        passes = max(1, samples // PASS_SAMPLES)
        for k in range(passes):
            image = np.array(mi.render(scene, spp=min(samples, PASS_SAMPLES), seed=1000 * number + k))[..., :3]
            image = np.minimum(np.nan_to_num(image.astype(np.float32)), 60.0)
            total = image if total is None else total + image
        assert total is not None
        return np.ascontiguousarray(total / np.float32(passes))

    def clear(self, start: Array, points: Array) -> Array:
        """Which of points (N, 3) nothing hides from `start`; a point's own surface does not count."""
        out = []
        for p in points:
            way = p - start
            length = float(np.linalg.norm(way))
            ray = mi.Ray3f(mi.Point3f(*start.tolist()), mi.Vector3f(*(way / length).tolist()))
            hit = self.plain.ray_intersect_preliminary(ray)
            t = float(np.array(hit.t).ravel()[0])
            out.append(t > length - 0.03)
        return np.array(out)


def _sensor(camera: TrueCamera, crop: list[int] | None) -> dict[str, Any]:
    width, height = camera.width_px + 2 * MARGIN_PX, camera.height_px + 2 * MARGIN_PX
    _, up, forward = camera.axes()
    origin = np.array(camera.position_enu_m)
    film: dict[str, Any] = {
        "type": "hdrfilm",
        "width": width,
        "height": height,
        "rfilter": {"type": "box"},
        "pixel_format": "rgb",
        "component_format": "float32",
    }
    if crop is not None:
        film |= dict(zip(("crop_offset_x", "crop_offset_y", "crop_width", "crop_height"), crop, strict=True))
    return {
        "type": "perspective",
        "fov_axis": "x",
        "fov": float(np.degrees(2 * np.arctan(width / 2 / camera.f_px))),
        "near_clip": 0.5,
        "far_clip": 20000.0,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=origin.tolist(), target=(origin + forward).tolist(), up=up.tolist()
        ),
        "film": film,
        "sampler": {"type": "independent"},
    }


def visible_fractions(stage: Stage, camera: TrueCamera, panels: list[place.Antenna]) -> list[float]:
    """Share of each panel's front that the camera sees: 0 from behind, less than 1 where something stands before it."""
    eye = np.array(camera.position_enu_m)
    out = []
    for panel in panels:
        right, up, normal = panel.axes()
        w, h, d = panel.model.whd_m
        if float((eye - panel.centre_enu_m - normal * d / 2) @ normal) <= 0:
            out.append(0.0)
            continue
        x, y = np.meshgrid(np.linspace(-0.44, 0.44, 9), np.linspace(-0.48, 0.48, 25))
        front = d / 2 - panel.model.bulge_m * (2 * x) ** 2
        at = panel.centre_enu_m + x[..., None] * w * right + y[..., None] * h * up + front[..., None] * normal
        points = at.reshape(-1, 3)
        inside = camera.inside(camera.project(points), 2)
        out.append(round(float((stage.clear(eye, points) & inside).mean()), 3))
    return out
