"""Normal equations in the shape of an arrow: photos' unknowns meet each other only through those common to the site.

Eliminating the photos first (Schur complement) makes the work grow with their number, not with its cube.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


class Arrow:
    """A normal matrix (P, P), scaled to a unit diagonal and factored; its first `blocks` times `size` unknowns stand in

    square blocks that nothing off them connects with each other. Raises numpy's LinAlgError where it is singular.
    """

    def __init__(self, normal: Array, blocks: int = 0, size: int = 0) -> None:
        self._scale = 1.0 / np.sqrt(np.diag(normal))
        n = normal * self._scale[:, None] * self._scale[None, :]
        self._p = p = blocks * size
        self._shape = (blocks, size)
        at = np.arange(p).reshape(blocks, size)
        self._own = np.linalg.inv(n[at[:, :, None], at[:, None, :]])
        self._cross = n[:p, p:]
        # W (p, G): what each photo's unknowns follow of the common ones
        common = len(n) - p
        self._follow = (self._own @ self._cross.reshape(blocks, size, common)).reshape(p, common)
        self._common: Array = n[p:, p:] - self._cross.T @ self._follow

    def solve(self, side: Array) -> Array:
        """The solution (P,) for a right side (P,)."""
        g = side * self._scale
        first = (self._own @ g[: self._p].reshape(*self._shape, 1)).ravel()
        last = np.linalg.solve(self._common, g[self._p :] - self._cross.T @ first)
        out: Array = np.concatenate([first - self._follow @ last, last]) * self._scale
        return out

    def inverse(self) -> Array:
        """The inverse (P, P), symmetric."""
        p = self._p
        out = np.empty((len(self._scale),) * 2)
        last = np.linalg.inv(self._common)
        out[p:, p:] = last
        out[:p, p:] = -self._follow @ last
        out[p:, :p] = out[:p, p:].T
        out[:p, :p] = -out[:p, p:] @ self._follow.T
        at = np.arange(p).reshape(self._shape)
        out[at[:, :, None], at[:, None, :]] += self._own
        out *= self._scale[:, None] * self._scale[None, :]
        symmetric: Array = 0.5 * (out + out.T)
        return symmetric
