"""Pictures of boxes drawn with OpenCV and SciPy alone: nothing of photoaz makes what photoaz is to measure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

F_PX = 3000.0
SIZE_PX = (4000, 3000)
MIDDLE_PX = (1999.5, 1499.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """An antenna before a camera that looks north; metres, degrees. yaw: clockwise from above, off facing the camera.

    size: width, height, depth. radius_m: of the upright edges, at the back half of that; 0: a sharp box. cap_m: how far
    the caps are drawn in, and over which height. shades: light of front, rear, left wall, right wall, bottom, top,
    background, 0 to 255.
    """

    yaw_deg: float
    downtilt_deg: float = 3.0
    roll_deg: float = 0.0
    pitch_deg: float = 25.0
    camera_roll_deg: float = 0.0
    distance_m: float = 15.0
    centre_px: tuple[float, float] = (2080.3, 1420.6)
    size_m: tuple[float, float, float] = (0.30, 1.50, 0.15)
    radius_m: float = 0.0
    cap_m: tuple[float, float] = (0.0, 0.0)
    shades: tuple[float, ...] = (150.0, 120.0, 95.0, 110.0, 45.0, 170.0, 215.0)
    blur_px: float = 0.8
    noise: float = 1.5

    @property
    def azimuth_rad(self) -> float:
        return float(np.radians(180.0 + self.yaw_deg))

    def known(self, far: float = 1.0) -> dict[str, object]:
        """What is known before the picture, as an expectation has it: not the azimuth; the distance `far` times."""
        return {
            "pitch_rad": np.radians(self.pitch_deg),
            "pitch_sigma_rad": np.radians(0.5),
            "roll_rad": 0.0,
            "roll_sigma_rad": np.radians(0.5),
            "distance_m": far * self.distance_m,
            "ln_distance_sigma": 0.05,
            "ln_size": np.log(self.size_m),
            "ln_size_sigma": np.full(3, 0.01),
            "downtilt_rad": np.radians(3.0),
            "downtilt_sigma_rad": np.radians(3.0),
            "panel_roll_sigma_rad": np.radians(0.7),
        }

    def box_corners_px(self) -> np.ndarray:
        """Corners (8, 2) of the box: the front's as somebody in front sees them, then those behind them."""
        w, h, d = np.array(self.size_m) / 2
        face = [(-w, h), (w, h), (w, -h), (-w, -h)]
        return self.pixels(np.array([[x, y, z] for z in (d, -d) for x, y in face]))

    def pixels(self, points: np.ndarray) -> np.ndarray:
        """Pixels (N, 2) of points (N, 3) on the antenna: x to the right as seen in front, y up, z out of the front."""
        facing_north = np.array([[-1.0, 0, 0], [0, 0, 1], [0, 1, 0]])
        turn = Rotation.from_euler("yxz", [-self.roll_deg, -self.downtilt_deg, -180.0 - self.yaw_deg], degrees=True)
        level = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
        attitude = Rotation.from_euler("yx", [self.camera_roll_deg, self.pitch_deg], degrees=True).as_matrix()
        rot = level @ attitude.T @ turn.as_matrix() @ facing_north
        ray = np.append((np.array(self.centre_px) - MIDDLE_PX) / F_PX, 1.0)
        matrix = np.array([[F_PX, 0, MIDDLE_PX[0]], [0, F_PX, MIDDLE_PX[1]], [0, 0, 1]])
        centre = self.distance_m * ray / np.linalg.norm(ray)
        return cv2.projectPoints(points, cv2.Rodrigues(rot)[0], centre, matrix, None)[0].reshape(-1, 2)

    def corners_px(self) -> np.ndarray:
        """The front's upper left, upper right, lower right, lower left as seen in front."""
        w, h, d = np.array(self.size_m) / 2
        return self.pixels(np.array([[-w, h, d], [w, h, d], [w, -h, d], [-w, -h, d]]))

    def _faces(self) -> list[tuple[float, np.ndarray]]:
        """What is drawn, one over the other: light and pixel polygon."""
        w, h, d = np.array(self.size_m) / 2
        front, rear, left, right, bottom, top = self.shades[:6]
        r, n = self.radius_m, 16
        quarter = np.linspace(0, np.pi / 2, n)

        def corner(sx: float, sz: float, radius: float) -> np.ndarray:
            """A quarter circle in plan, from the side's end to the front's (or the rear's)."""
            x = w - radius + radius * np.cos(quarter)
            return np.stack([sx * x, sz * (d - radius + radius * np.sin(quarter))], -1)

        front_right, rear_right = corner(1, 1, r), corner(1, -1, r / 2)
        front_left, rear_left = corner(-1, 1, r), corner(-1, -1, r / 2)
        ring = np.concatenate([front_right, front_left[::-1], rear_left, rear_right[::-1]])
        inset, rise = self.cap_m
        rim = ring * (1 - inset / np.array([w, d]))

        def at(plan: np.ndarray, y: float) -> np.ndarray:
            return self.pixels(np.stack([plan[:, 0], np.full(len(plan), y), plan[:, 1]], -1))

        def hull(plan: np.ndarray) -> np.ndarray:
            both = np.concatenate([at(plan, h - rise), at(plan, rise - h)]).astype(np.float32)
            return cv2.convexHull(both)[:, 0]

        def turned_here(polygon: np.ndarray) -> bool:
            return bool(cv2.contourArea(polygon.astype(np.float32), True) > 0)

        def upright(a: np.ndarray, b: np.ndarray) -> np.ndarray:
            return np.concatenate([at(np.array([a, b]), h - rise), at(np.array([b, a]), rise - h)])

        # one face's light gives way to the next one's in the middle of the rounding between them
        k = n // 2
        large = [(front, upright(front_left[k], front_right[k])), (rear, upright(rear_right[k], rear_left[k]))]
        walls = [
            (left, upright(rear_left[k], front_left[k]), np.concatenate([front_left[: k + 1], rear_left])),
            (right, upright(front_right[k], rear_right[k]), np.concatenate([front_right[: k + 1], rear_right])),
        ]
        if turned_here(large[1][1]):
            walls = [
                (left, walls[0][1], np.concatenate([rear_left[: k + 1], front_left])),
                (right, walls[1][1], np.concatenate([rear_right[: k + 1], front_right])),
            ]
        caps = [(top, at(rim, h)), (bottom, at(rim[::-1], -h))]
        below = cv2.convexHull(np.concatenate([at(ring, rise - h), at(rim, -h)]).astype(np.float32))[:, 0]
        whole = cv2.convexHull(np.concatenate([hull(ring), at(rim, h).astype(np.float32), below]))[:, 0]
        shown = [f for f in large if turned_here(f[1])]
        body = shown[0][0] if shown else front
        return [
            (body, whole),
            *([(bottom, below)] if turned_here(caps[1][1]) else []),
            *((light, hull(plan)) for light, flat, plan in walls if turned_here(flat)),
            *shown,
            *(f for f in caps if turned_here(f[1])),
        ]

    def draw(self, rng: np.random.Generator, *, whole: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """A grey 8-bit picture of the surroundings (or of the whole photo) and its first pixel's place (x, y).

        Blur in light; stored by the sRGB transfer function (IEC 61966-2-1); noise in stored values.
        """
        faces = self._faces()
        low = np.floor(faces[0][1].min(0)).astype(int) - 45
        high = np.ceil(faces[0][1].max(0)).astype(int) + 45
        fine = 16 if np.prod(high - low) < 60_000 else 8
        shape = (high - low)[::-1] * fine
        light = np.full(shape, self.shades[6], np.float32)

        for shade, polygon in faces:
            points = (polygon - low + 0.5) * fine - 0.5
            cv2.fillPoly(light, [np.round(points * 256).astype(np.int32)], float(shade), shift=8)
        grey = cv2.resize(light, (high - low).tolist(), interpolation=cv2.INTER_AREA)
        grey = cv2.GaussianBlur(grey, (0, 0), self.blur_px) / 255
        stored = 255 * np.where(grey <= 0.0031308, 12.92 * grey, 1.055 * grey ** (1 / 2.4) - 0.055)
        stored = np.clip(np.round(stored + rng.normal(0, self.noise, stored.shape)), 0, 255).astype(np.uint8)
        if not whole:
            return stored, low
        photo = np.full(SIZE_PX[::-1], stored[0, 0], np.uint8)
        photo[low[1] : high[1], low[0] : high[0]] = stored
        return photo, np.zeros(2, int)


@pytest.fixture(scope="session")
def scene() -> Callable[..., Scene]:
    return Scene
