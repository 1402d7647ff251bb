"""Many measured boxes at once: their residuals and derivatives as one batch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from photoaz.network.observations import Box
from photoaz.photo.camera import Camera, project, rotation_cam_from_enu
from photoaz.photo.rotations import gibbs, los_from_cam
from photoaz.vision.box import rotation_enu_from_panel

Array = NDArray[Any]

_COMPLEX_STEP = 1e-30
#: the fields of a camera that projecting needs
_LENS = ("f_px", "cx_px", "cy_px", "k1", "k2", "aspect")
#: what a box's rotation, place and distance depend on: heading, pitch, roll, the way from camera to antenna (3), ln of
#: the focal length, azimuth, downtilt, roll
_N_CORE = 10
#: of a box's 20 unknowns (photo 9, antenna 9, site 2): each one's core variable, or -1, and its sign
_CORE_OF = np.array([0, 1, 2, 3, 4, 5, 6, -1, -1, 7, 8, 9, 3, 4, 5, -1, -1, -1, 3, 4])
_SIGN = np.array([1, 1, 1, -1, -1, -1, 1, 0, 0, 1, 1, 1, 1, 1, 1, 0, 0, 0, 1, 1.0])


@dataclass(frozen=True, slots=True)
class BoxBatch:
    """Boxes (..., K) of as many rows each: fields as of `Box`, stacked; camera fields broadcast over them."""

    camera: Camera
    rotation: Array
    centre_px: Array
    ln_size: Array
    root: Array
    offset: Array

    @staticmethod
    def of(boxes: Sequence[Box]) -> BoxBatch:
        """Stack boxes; fewer rows than others have are filled up with rows that say nothing."""
        rows = max(len(b.root) for b in boxes)
        root, offset = np.zeros((len(boxes), rows, 8)), np.zeros((len(boxes), rows))
        for k, b in enumerate(boxes):
            root[k, : len(b.root)], offset[k, : len(b.root)] = b.root, b.offset
        return BoxBatch(
            camera=_stacked([b.camera for b in boxes]),
            rotation=np.stack([b.rotation for b in boxes]),
            centre_px=np.stack([b.centre_px for b in boxes]),
            ln_size=np.stack([b.ln_size for b in boxes]),
            root=root,
            offset=offset,
        )

    def take(self, which: Array) -> BoxBatch:
        """The boxes with these numbers, in the numbers' own shape."""
        camera = SimpleNamespace(**{n: getattr(self.camera, n)[which] for n in _LENS})
        return BoxBatch(
            camera=cast(Camera, camera),
            rotation=self.rotation[which],
            centre_px=self.centre_px[which],
            ln_size=self.ln_size[which],
            root=self.root[which],
            offset=self.offset[which],
        )

    def residual(self, x: Array) -> Array:
        """Whitened residuals (..., K, m) at the boxes' own unknowns (..., K, 20)."""
        d = self._difference(_core(x), x)
        out: Array = (self.root @ d[..., None])[..., 0] - self.offset
        return out

    def evaluate(self, x: Array) -> tuple[Array, Array]:
        """Residuals (..., K, m) and derivatives (..., K, m, 20): by complex steps of what they depend on."""
        q = _core(x)
        steps = np.concatenate([np.zeros((1, _N_CORE)), np.eye(_N_CORE)]) * 1j * _COMPLEX_STEP
        batch = q + steps.reshape(_N_CORE + 1, *([1] * (q.ndim - 1)), _N_CORE)
        d = self._difference(batch, x)  # (1 + core, ..., K, 8)
        by_core = np.moveaxis(d[1:].imag, 0, -1) / _COMPLEX_STEP  # (..., K, 8, core)
        jac = by_core[..., np.maximum(_CORE_OF, 0)] * _SIGN
        jac[..., 3, 7] = 1.0  # the principal point
        jac[..., 4, 8] = 1.0
        jac[..., [5, 6, 7], [15, 16, 17]] = 1.0  # sizes
        r = (self.root @ d[0].real[..., None])[..., 0] - self.offset
        return r, self.root @ jac

    def _difference(self, q: Array, x: Array) -> Array:
        """Rotation vector, centre and ln sizes (..., K, 8) off the measured ones, at core variables (..., K, core)."""
        camera = self.camera
        cam_from_enu = rotation_cam_from_enu(q[..., 0], q[..., 1], q[..., 2])
        sight = (cam_from_enu @ q[..., 3:6, None])[..., 0]
        distance = np.sqrt((sight * sight).sum(-1))
        px = project(camera, sight, camera.f_px * np.exp(q[..., 6])) + x[..., 7:9]
        panel = rotation_enu_from_panel(q[..., 7], q[..., 8], q[..., 9])
        rot = los_from_cam(sight / distance[..., None]) @ (cam_from_enu @ panel)
        turn = gibbs(rot @ np.swapaxes(self.rotation, -1, -2))
        ln_size = x[..., 15:18] + (np.log(camera.f_px) + q[..., 6] - np.log(distance))[..., None]
        return np.concatenate([turn, px - self.centre_px, ln_size - self.ln_size], -1)


def _core(x: Array) -> Array:
    way = x[..., 12:15] - x[..., 3:6]
    way = np.concatenate([way[..., :2] + x[..., 18:20], way[..., 2:]], -1)
    return np.concatenate([x[..., :3], way, x[..., 6:7], x[..., 9:12]], -1)


def _stacked(cameras: Sequence[Camera]) -> Camera:
    """The lens of each box, as arrays where a camera has numbers: projecting is plain arithmetic on them."""
    return cast(Camera, SimpleNamespace(**{n: np.array([getattr(c, n) for c in cameras]) for n in _LENS}))
