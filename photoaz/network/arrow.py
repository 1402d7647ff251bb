"""Normal equations in the shape of an arrow: photos' unknowns meet each other only through those common to the site.

Eliminating the photos first (Schur complement) makes the work grow with their number, not with its cube.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


class Arrow:
    """A normal matrix (P, P), scaled to a unit diagonal and factored by Cholesky; its first `blocks` times `size`

    unknowns stand in square blocks that nothing off them connects with each other. Raises numpy's LinAlgError where it
    is not positive definite.
    """

    def __init__(self, normal: Array, blocks: int = 0, size: int = 0) -> None:
        if not (np.diag(normal) > 0).all():
            raise np.linalg.LinAlgError("a diagonal element is not positive")
        self._scale = 1.0 / np.sqrt(np.diag(normal))
        n = normal * self._scale[:, None] * self._scale[None, :]
        self._p = p = blocks * size
        self._shape = (blocks, size)
        at = np.arange(p).reshape(blocks, size)
        common = len(n) - p
        self._own = np.linalg.cholesky(n[at[:, :, None], at[:, None, :]])
        self._cross = np.linalg.solve(self._own, n[:p, p:].reshape(blocks, size, common))
        flat = self._cross.reshape(p, common)
        self._common = np.linalg.cholesky(n[p:, p:] - flat.T @ flat)

    def solve(self, side: Array) -> Array:
        """The solution (P,) for a right side (P,)."""
        p = self._p
        g = side * self._scale
        first = np.linalg.solve(self._own, g[:p].reshape(*self._shape, 1))
        cross = self._cross.reshape(p, len(g) - p)
        last = np.linalg.solve(self._common, g[p:] - cross.T @ first.ravel())
        last = np.linalg.solve(self._common.T, last)
        first = first - self._cross @ last[:, None]
        first = np.linalg.solve(np.swapaxes(self._own, -1, -2), first).ravel()
        out: Array = np.concatenate([first, last]) * self._scale
        return out

    def inverse(self) -> Array:
        """The inverse (P, P): symmetric, and positive however badly conditioned, as it is made of squares."""
        p = self._p
        out = np.empty((len(self._scale),) * 2)
        last = np.linalg.inv(self._common)  # (G, G): the inverse is last.T @ last
        upper = np.linalg.inv(self._own)
        # what each photo's unknowns follow of the common ones
        follow = (np.swapaxes(upper, -1, -2) @ self._cross).reshape(p, len(last)) @ last.T
        out[p:, p:] = last.T @ last
        out[:p, p:] = -follow @ last
        out[p:, :p] = out[:p, p:].T
        out[:p, :p] = follow @ follow.T
        at = np.arange(p).reshape(self._shape)
        out[at[:, :, None], at[:, None, :]] += np.swapaxes(upper, -1, -2) @ upper
        out *= self._scale[:, None] * self._scale[None, :]
        return out
