"""Views of a random head: radiance with coverage, what every pixel shows, and the exact corners of every panel."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.vision.training.parts import MATERIALS, Head
from photoaz.vision.training.renderer import geometry

Array = NDArray[Any]

#: what a pixel shows
CLASSES = ("background", "front", "rear", "side", "cap", "structure")
SIZE_PX = 768
_BSDF: dict[str, dict[str, Any]] = {
    "steel": {"type": "principled", "metallic": 0.5, "roughness": 0.5, "specular": 0.5},
    "radome": {"type": "principled", "roughness": 0.45, "specular": 0.45},
    "boxes": {"type": "principled", "roughness": 0.5, "specular": 0.4},
    "black": {"type": "principled", "roughness": 0.4, "specular": 0.5},
    "walls": {"type": "diffuse"},
    "glass": {"type": "principled", "metallic": 0.85, "roughness": 0.1, "specular": 0.6},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One picture of a head.

    rgba (H, W, 4) float16: linear radiance times coverage, and coverage; sky (3,): mean radiance of the sky above.
    shows (H, W) uint8: index into CLASSES. panel (H, W) uint8: 1 + index of the panel, 0 elsewhere. corners_px
    (P, 8, 2): box corners, front first, each as seen by somebody looking at the front. facing (P,): cosine between the
    normal and the direction to the camera; yaw_rad (P,): the normal off that direction in plan, clockwise from above.
    visible (P,): share of the outline's area that is seen.
    """

    rgba: Array
    sky: Array
    shows: Array
    panel: Array
    corners_px: Array
    facing: Array
    yaw_rad: Array
    visible: Array


def lit(rng: np.random.Generator, ahead_deg: float | None = None) -> tuple[list[dict[str, Any]], Array]:
    """Sky and sun: overcast, clear, glaring, hazy, low and red. Emitters, and the sky's mean radiance (3,).

    ahead_deg: azimuth that the camera looks to; one sky in five has its sun there, and lights what is seen from behind.
    """
    import mitsuba as mi

    h, w = 64, 128
    el = np.pi / 2 - (np.arange(h) + 0.5) / h * np.pi
    az = (np.arange(w) + 0.5) / w * 2 * np.pi
    d = np.stack(
        [
            np.cos(el)[:, None] * np.sin(az),
            np.cos(el)[:, None] * np.cos(az),
            np.broadcast_to(np.sin(el)[:, None], (h, w)),
        ],
        -1,
    )
    sun_el, sun_az = np.radians(rng.uniform(6, 75)), rng.uniform(0, 2 * np.pi)
    if low := rng.random() < 0.2:
        sun_el = np.radians(rng.uniform(0.5, 9))
    if ahead_deg is not None and rng.random() < 0.2:
        sun_az = np.radians(ahead_deg) + rng.normal(0, 0.5)
    sun = np.array([np.cos(sun_el) * np.sin(sun_az), np.cos(sun_el) * np.cos(sun_az), np.sin(sun_el)])
    near = np.exp(-np.arccos(np.clip(d @ sun, -1, 1)) * rng.uniform(1.5, 4.0))
    up = np.clip(d[..., 2], 0, 1)
    overcast = rng.random() < 0.42
    if overcast:
        level = (1 + rng.uniform(0, 2) * up) / 2 * (1 + rng.uniform(0, 1.5) * near)
        tint: Array = np.array([0.95, 1.0, 1.06]) * rng.uniform(0.95, 1.05, 3)
        power = rng.uniform(0.0, 0.3) if rng.random() < 0.4 else 0.0
    else:
        level = 0.35 + 0.9 * (1 - up) ** 3 + rng.uniform(0.5, 3) * near
        tint = np.array([0.6, 0.85, 1.25]) * rng.uniform(0.9, 1.1, 3)
        power = rng.uniform(1.0, 5.5)
    red = np.array([1.35, 0.9, 0.5]) if low else np.ones(3)
    if low and not overcast:  # dusk: red low in the sky round the sun, which may be down
        level = level * (0.25 + 1.5 * near + 0.6 * (1 - up) ** 4)
        tint = tint * (1 + (red - 1) * np.clip(near + 0.5 * (1 - up) ** 3, 0, 1)[..., None])
        power *= rng.choice([0.0, 0.5])
    sky = level[..., None] * (tint + 0.5 * near[..., None] * (1.0 - tint))
    ground = np.array([0.22, 0.24, 0.18]) * rng.uniform(0.3, 1.8) * (1.0 + 0.5 * power)
    sky = np.where(d[..., 2:] < 0, ground * rng.uniform(0.7, 1.3, 3), sky).astype(np.float32)
    turn = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
    emitters: list[dict[str, Any]] = [{"type": "envmap", "bitmap": mi.Bitmap(sky), "to_world": turn}]
    warm = np.array([1.0, 0.94, 0.84]) * red * np.pi * power
    emitters.append(
        {
            "type": "directional",
            "direction": (-sun).tolist(),
            "irradiance": {"type": "rgb", "value": (warm + 1e-4).tolist()},
        }
    )
    return emitters, sky[: h // 2].mean((0, 1))


class Stage:
    """A head loaded into the renderer."""

    def __init__(self, head: Head) -> None:
        import mitsuba as mi

        self.head = head
        self.shapes: dict[str, Any] = {}
        with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
            for name in MATERIALS:
                m = head.meshes[name]
                if not m.points:  # every scene has every material, so that one compiled program serves all
                    far = np.array([[0.0, 0.0, 900.0], [0.1, 0.0, 900.0], [0.0, 0.1, 900.0]])
                    m.triangles(far[None], np.full(3, 0.5))
                path = Path(folder) / f"{name}.ply"
                m.write(path)
                key = "reflectance" if _BSDF[name]["type"] == "diffuse" else "base_color"
                surface = {**_BSDF[name], key: {"type": "mesh_attribute", "name": "vertex_color"}}
                self.shapes[name] = mi.load_dict(
                    {"type": "ply", "filename": str(path), "bsdf": {"type": "twosided", "nested": surface}}
                )
        radome = head.meshes["radome"]
        points, faces = np.concatenate(radome.points), np.concatenate(radome.faces)
        tri = points[faces]
        normals = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-15)
        self.corner_m, self.normal = tri[:, 0], normals
        self.reach_m = np.linalg.norm(tri[:, 1:] - tri[:, :1], axis=2).max(1)
        self.face_panel = np.zeros(len(faces), np.uint8)
        self.face_class = np.full(len(faces), CLASSES.index("structure"), np.uint8)
        for k, p in enumerate(head.panels):
            part = slice(p.first, p.last)
            _, up, normal = p.axes
            n = normals[part]
            along, out = n @ up, n @ normal
            kind = np.full(len(n), CLASSES.index("side"), np.uint8)
            kind[np.abs(along) > 0.7] = CLASSES.index("cap")
            kind[out > 0.7] = CLASSES.index("front")
            kind[out < -0.7] = CLASSES.index("rear")
            self.face_class[part] = kind
            self.face_panel[part] = k + 1

    def view(self, rng: np.random.Generator, samples: int, size: int = SIZE_PX) -> View:
        """One view from a random standpoint under a random sky."""
        camera, corner = _camera(self.head, rng, size)
        light = lit(rng, camera.heading_deg)
        return self.seen_by(camera, corner, light, int(rng.integers(1 << 30)), samples, size)

    def seen_by(
        self,
        camera: Any,
        corner: tuple[int, int],
        light: tuple[list[dict[str, Any]], Array],
        seed: int,
        samples: int,
        size: int,
    ) -> View:
        """The window of `size` at a corner of a camera's frame, under emitters and their sky's mean radiance (3,)."""
        import mitsuba as mi

        emitters, sky = light
        _, up, forward = camera.axes()
        origin = np.array(camera.position_enu_m)
        # the window is a frame of its own, its axis off its middle: cut from the camera's frame, its corner would be a
        # constant of the renderer's program, which would be compiled anew for each view, longer than it runs
        off = np.array(corner) + size / 2 - 0.5 - np.array([camera.cx_px, camera.cy_px])
        film = {
            "type": "hdrfilm",
            "width": size,
            "height": size,
            "rfilter": {"type": "box"},
            "pixel_format": "rgba",
            "component_format": "float32",
        }
        sensor = {
            "type": "perspective",
            "fov_axis": "x",
            "fov": float(np.degrees(2 * np.arctan(size / 2 / camera.f_px))),
            "principal_point_offset_x": float(off[0] / size),
            "principal_point_offset_y": float(off[1] / size),
            "near_clip": 0.5,
            "far_clip": 2000.0,
            "to_world": mi.ScalarTransform4f().look_at(
                origin=origin.tolist(), target=(origin + forward).tolist(), up=up.tolist()
            ),
            "film": film,
            "sampler": {"type": "independent"},
        }
        scene = mi.load_dict(
            {
                "type": "scene",
                **self.shapes,
                **{f"light{k}": e for k, e in enumerate(emitters)},
                "integrator": {"type": "path", "max_depth": 4, "hide_emitters": True},
                "sensor": sensor,
            }
        )
        rgba = np.minimum(np.nan_to_num(np.array(mi.render(scene, spp=samples, seed=seed))[..., :4]), 40.0)
        looking = mi.load_dict({"type": "aov", "aovs": "shape:shape_index,prim:prim_index,at:position"})
        index = np.array(mi.render(scene, integrator=looking, spp=1, seed=seed))
        shape, prim, at = np.round(index[..., -5]).astype(int), index[..., -4].astype(int), index[..., -3:]
        shows = np.where(rgba[..., 3] > 0.5, CLASSES.index("structure"), 0).astype(np.uint8)
        panel = np.zeros(shows.shape, np.uint8)
        on = self._on_radome(shape, prim, at)
        if self.head.panels:
            prim = np.clip(prim, 0, len(self.face_panel) - 1)
            panel[on] = self.face_panel[prim[on]]
            shows[on] = self.face_class[prim[on]]
        corners, facing, yaw, visible = self._panels(camera, corner, panel)
        clear = (facing > 0.2) & self._inside(corners, size)
        if clear.sum() >= 6 and not panel.any():
            raise RuntimeError("six panels face the camera and the picture of shapes shows none: numbers mixed up?")
        return View(
            rgba=rgba.astype(np.float16),
            sky=sky.astype(np.float32),
            shows=shows,
            panel=panel,
            corners_px=corners,
            facing=facing,
            yaw_rad=yaw,
            visible=visible,
        )

    def _on_radome(self, shape: Array, prim: Array, at: Array) -> Array:
        """Which pixels (H, W) show a radome: those of the shape whose triangles lie where the picture has them.

        shape, prim (H, W): numbers of shapes and triangles, at (H, W, 3): places [m]. The renderer's variants number
        shapes in different ways.
        """
        on = np.zeros(shape.shape, bool)
        for number in np.unique(shape):
            mine = (shape == number) & (np.abs(at).sum(-1) > 0)
            k = prim[mine]
            if mine.any() and k.max() < len(self.corner_m):
                away = at[mine] - self.corner_m[k]
                off = np.abs((away * self.normal[k]).sum(1))
                # a triangle without area, of a sharp edge, has no plane that could be missed
                if np.mean((off < 0.02) & (np.linalg.norm(away, axis=1) < self.reach_m[k] + 0.02)) > 0.9:
                    on |= mine
        return on

    def _inside(self, corners_px: Array, size: int) -> Array:
        return np.asarray(((corners_px > 0) & (corners_px < size - 1)).all((1, 2)))

    def _panels(self, camera: Any, corner: tuple[int, int], panel: Array) -> tuple[Array, Array, Array, Array]:
        import cv2

        count = np.bincount(panel.ravel(), minlength=len(self.head.panels) + 1)
        corners, facing, yaw, visible = [], [], [], []
        eye = np.array(camera.position_enu_m)
        for k, p in enumerate(self.head.panels):
            px = camera.project(geometry.box_corners(p.centre_m, p.whd_m, p.axes)) - np.array(corner, float)
            to = eye - p.centre_m
            to_level = np.arctan2(to[0], to[1])
            hull = cv2.convexHull(px.astype(np.float32))
            area = float(cv2.contourArea(hull))
            corners.append(px)
            facing.append(float(p.axes[2] @ to / np.linalg.norm(to)))
            yaw.append((np.radians(p.azimuth_deg) - to_level + np.pi) % (2 * np.pi) - np.pi)
            visible.append(min(1.0, float(count[k + 1]) / max(area, 1.0)))
        n = len(self.head.panels)
        return (
            np.array(corners, np.float32).reshape(n, 8, 2),
            np.array(facing, np.float32),
            np.array(yaw, np.float32),
            np.array(visible, np.float32),
        )


def _camera(head: Head, rng: np.random.Generator, size: int) -> tuple[Any, tuple[int, int]]:
    """A camera that has the head in a window of its frame, the window anywhere within 22 degrees of its axis."""
    drone = rng.random() < 1 / 6
    if drone:
        elevation = -np.radians(rng.uniform(0, 35))
    else:
        elevation = np.radians(rng.uniform(0, 30) if rng.random() < 0.35 else rng.uniform(15, 62))
        elevation = min(elevation, np.radians(head.steepest_deg) * rng.uniform(0.2, 1.0) ** 0.5)
    azimuth = np.radians(head.looks_deg[0] + rng.uniform(-1, 1) * head.looks_deg[1])
    distance = float(np.exp(rng.uniform(np.log(22), np.log(170))))
    distance = max(distance, head.clear_m / np.cos(elevation))
    eye = -distance * np.array(
        [np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), np.sin(elevation)]
    )
    near, far = (0.55, 2.5) if rng.random() < 0.72 else (2.5, 12.0)
    span = 2 * head.reach_m * float(np.exp(rng.uniform(np.log(near), np.log(far))))
    f = size * distance / span
    spread = max(0.35 * head.reach_m, 0.2 * span)
    aim = np.append(rng.normal(0, 0.7 * spread, 2), rng.normal(-0.1 * span if far > 3 else 0.0, spread))
    to = aim - eye
    off = rng.uniform(-1, 1, 2) * np.radians(22) if rng.random() < 0.6 else np.zeros(2)
    heading = np.degrees(np.arctan2(to[0], to[1]) + off[0])
    pitch = np.degrees(np.arctan2(to[2], np.hypot(to[0], to[1])) + off[1])
    pitch = float(np.clip(pitch, -60 if drone else -10, 78))
    reach = int(np.ceil(f * np.tan(np.radians(36)))) + size
    whole = 2 * min(reach, 30000)
    camera = geometry.TrueCamera(
        width_px=whole,
        height_px=whole,
        f_px=f,
        cx_px=(whole - 1) / 2,
        cy_px=(whole - 1) / 2,
        k1=0.0,
        position_enu_m=tuple(eye),
        heading_deg=float(heading),
        pitch_deg=pitch,
        roll_deg=float(rng.normal(0, 1.8)),
    )
    middle = camera.project(aim[None])[0]
    corner = np.clip(np.round(middle - size / 2), 0, whole - size).astype(int)
    return camera, (int(corner[0]), int(corner[1]))
