"""Many measured boxes at once: their residuals and derivatives as one batch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from photoaz.network.observations import N_CORE, Box, box_quantities, core_of
from photoaz.photo.camera import Camera, gibbs

Array = NDArray[Any]

_COMPLEX_STEP = 1e-30
#: of a box's 20 unknowns (photo 9, antenna 9, site 2): each one's core variable, or -1, and its sign
_CORE_OF = np.array([0, 1, 2, 3, 4, 5, 6, -1, -1, 7, 8, 9, 3, 4, 5, -1, -1, -1, 3, 4])
_SIGN = np.array([1, 1, 1, -1, -1, -1, 1, 0, 0, 1, 1, 1, 1, 1, 1, 0, 0, 0, 1, 1.0])


@dataclass(frozen=True, slots=True)
class Lenses:
    """The lenses of many cameras, fields as of `Camera`: arrays of one shape."""

    f_px: Array
    cx_px: Array
    cy_px: Array
    k1: Array
    k2: Array
    aspect: Array

    @staticmethod
    def of(cameras: Sequence[Camera]) -> Lenses:
        """Of cameras, in their order."""
        return Lenses(*(np.array([getattr(c, f.name) for c in cameras]) for f in fields(Lenses)))

    def take(self, which: Array) -> Lenses:
        """Those with these numbers, in the numbers' own shape."""
        return Lenses(*(getattr(self, f.name)[which] for f in fields(Lenses)))


@dataclass(frozen=True, slots=True)
class BoxBatch:
    """Boxes (..., K) of as many rows each: fields as of `Box`, stacked."""

    camera: Lenses
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
            camera=Lenses.of([b.camera for b in boxes]),
            rotation=np.stack([b.rotation for b in boxes]),
            centre_px=np.stack([b.centre_px for b in boxes]),
            ln_size=np.stack([b.ln_size for b in boxes]),
            root=root,
            offset=offset,
        )

    def take(self, which: Array) -> BoxBatch:
        """The boxes with these numbers, in the numbers' own shape."""
        return BoxBatch(
            camera=self.camera.take(which),
            rotation=self.rotation[which],
            centre_px=self.centre_px[which],
            ln_size=self.ln_size[which],
            root=self.root[which],
            offset=self.offset[which],
        )

    def residual(self, x: Array) -> Array:
        """Whitened residuals (..., K, m) at the boxes' own unknowns (..., K, 20)."""
        d = self._difference(core_of(x), x)
        out: Array = (self.root @ d[..., None])[..., 0] - self.offset
        return out

    def evaluate(self, x: Array) -> tuple[Array, Array]:
        """Residuals (..., K, m) and derivatives (..., K, m, 20): by complex steps of what they depend on."""
        q = core_of(x)
        steps = np.concatenate([np.zeros((1, N_CORE)), np.eye(N_CORE)]) * 1j * _COMPLEX_STEP
        batch = q + steps.reshape(N_CORE + 1, *([1] * (q.ndim - 1)), N_CORE)
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
        rot, px, ln_size = box_quantities(self.camera, x, q)
        turn = gibbs(rot @ np.swapaxes(self.rotation, -1, -2))
        return np.concatenate([turn, px - self.centre_px, ln_size - self.ln_size], -1)
