"""Observation equations of a network, linearised all at once: alike observations as one batch, not one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from photoaz.network.box_batch import BoxBatch
from photoaz.network.observations import Box, Direct, Directs, Known, Observation, wrap

Array = NDArray[Any]

_COMPLEX_STEP = 1e-30


class _Group(Protocol):
    """K observations with n unknowns and m rows each: index (K, n), rows (K, m) of the whole."""

    @property
    def index(self) -> Array: ...

    @property
    def rows(self) -> Array: ...

    def evaluate(self, x: Array) -> tuple[Array, Array]:
        """Residuals (K, m) and derivatives (K, m, n) at the unknowns (P,)."""
        ...

    def residual(self, x: Array) -> Array:
        """Residuals (K, m) alone."""
        ...


@dataclass(frozen=True, slots=True)
class _Linear:
    """Observations of constant derivatives: residual = root @ (x - at) - offset, wrapped where it is an angle."""

    index: Array
    rows: Array
    at: Array
    root: Array
    offset: Array
    angle: Array

    def residual(self, x: Array) -> Array:
        d = x[self.index] - self.at
        d = np.where(self.angle[:, None], wrap(d), d)
        out: Array = (self.root @ d[..., None])[..., 0] - self.offset
        return out

    def evaluate(self, x: Array) -> tuple[Array, Array]:
        return self.residual(x), self.root


@dataclass(frozen=True, slots=True)
class _Boxes:
    index: Array
    rows: Array
    stack: BoxBatch

    def residual(self, x: Array) -> Array:
        return self.stack.residual(x[self.index])

    def evaluate(self, x: Array) -> tuple[Array, Array]:
        return self.stack.evaluate(x[self.index])


@dataclass(frozen=True, slots=True)
class _Single:
    """Any one observation, differentiated by complex steps."""

    index: Array
    rows: Array
    observation: Observation

    def residual(self, x: Array) -> Array:
        out: Array = self.observation.residual(x[self.index[0]])[None]
        return out

    def evaluate(self, x: Array) -> tuple[Array, Array]:
        n = self.index.shape[1]
        batch = np.repeat(x[self.index].astype(complex), n, 0)
        batch[range(n), range(n)] += 1j * _COMPLEX_STEP
        out = self.observation.residual(batch)
        return out[:1].real, (out.imag.T / _COMPLEX_STEP)[None]


@dataclass(frozen=True, slots=True)
class Linear:
    """Equations at one place: the sum of squared residuals, the normal matrix J^T J (P, P), its right side -J^T r (P,),
    and each group's residuals and derivatives.
    """

    cost: float
    normal: Array
    side: Array
    parts: list[tuple[Array, Array]]


class Equations:
    """The equations of some observations in `size` unknowns, ready to be evaluated at many places.

    rows: which rows belong to which observation, in their order.
    """

    def __init__(self, observations: Sequence[Observation], size: int) -> None:
        self.size = size
        self.rows: tuple[slice, ...]
        rows: list[slice] = []
        kinds: dict[tuple[str, int, int], list[int]] = {}
        at = 0
        for k, o in enumerate(observations):
            m = _row_count(o)
            if isinstance(o, (Direct, Directs, Known)):
                kinds.setdefault(("linear", len(o.index), m), []).append(k)
            elif isinstance(o, Box):
                kinds.setdefault(("box", len(o.index), m), []).append(k)
            else:
                with np.errstate(all="ignore"):  # only counted, wherever that is
                    m = m or len(o.residual(np.zeros(len(o.index))))
                kinds[f"single {k}", len(o.index), m] = [k]
            rows.append(slice(at, at + m))
            at += m
        self.rows = tuple(rows)
        self.count = at
        self._groups: list[_Group] = []
        for (kind, _n, m), members in kinds.items():
            index = np.stack([observations[k].index for k in members])
            row = np.array([rows[k].start for k in members])[:, None] + np.arange(m)
            some = [observations[k] for k in members]
            if kind == "linear":
                self._groups.append(_linear(some, index, row))
            elif kind == "box":
                self._groups.append(_Boxes(index, row, BoxBatch.of([o for o in some if isinstance(o, Box)])))
            else:
                self._groups.append(_Single(index, row, some[0]))
        self._cells = np.concatenate(
            [(g.index[:, :, None] * size + g.index[:, None, :]).ravel() for g in self._groups] or [np.zeros(0, int)]
        )
        self._places = np.concatenate([g.index.ravel() for g in self._groups] or [np.zeros(0, int)])

    def residual(self, x: Array) -> Array:
        """Whitened residuals (R,)."""
        out = np.empty(self.count)
        for g in self._groups:
            out[g.rows] = g.residual(x)
        return out

    def linear(self, x: Array) -> Linear:
        """Linearised at x (P,)."""
        parts = [g.evaluate(x) for g in self._groups]
        cost = float(sum((r * r).sum() for r, _ in parts))
        blocks = [(np.swapaxes(j, -1, -2) @ j).ravel() for _, j in parts]
        n = np.bincount(self._cells, np.concatenate(blocks), self.size**2).reshape(self.size, self.size)
        return Linear(cost, n, self._side(parts, [r for r, _ in parts]), parts)

    def bend(self, at: Linear, x: Array, step: Array, share: float = 0.1) -> Array:
        """-J^T r'' (P,), r'' the second derivative of the residuals along a step (P,), from a `share` of the step."""
        second = []
        for g, (r, j) in zip(self._groups, at.parts, strict=True):
            ahead = g.residual(x + share * step)
            second.append(2.0 / share * ((ahead - r) / share - (j @ step[g.index][..., None])[..., 0]))
        return self._side(at.parts, second)

    def _side(self, parts: Sequence[tuple[Array, Array]], residuals: Sequence[Array]) -> Array:
        sides = [-(np.swapaxes(j, -1, -2) @ r[..., None]).ravel() for (_, j), r in zip(parts, residuals, strict=True)]
        return np.bincount(self._places, np.concatenate(sides), self.size)

    def jacobian(self, x: Array) -> tuple[Array, Array]:
        """Residuals (R,) and their derivatives (R, P)."""
        residual, jacobian = np.empty(self.count), np.zeros((self.count, self.size))
        for g in self._groups:
            r, j = g.evaluate(x)
            residual[g.rows] = r
            jacobian[g.rows[:, :, None], g.index[:, None, :]] = j
        return residual, jacobian


def _row_count(o: Observation) -> int:
    """Rows of an observation whose kind tells; 0 of others."""
    if isinstance(o, (Direct, Directs)):
        return len(o.index)
    return len(o.root) if isinstance(o, (Known, Box)) else 0


def _linear(some: Sequence[Observation], index: Array, rows: Array) -> _Linear:
    k, n = index.shape
    m = rows.shape[1]
    at, root, offset = np.zeros((k, n)), np.zeros((k, m, n)), np.zeros((k, m))
    angle = np.zeros(k, bool)
    for i, o in enumerate(some):
        if isinstance(o, Known):
            at[i], root[i], offset[i], angle[i] = o.at, o.root, o.offset, o.angles
        elif isinstance(o, (Direct, Directs)):
            at[i] = o.value
            root[i, range(n), range(n)] = 1.0 / np.asarray(o.sigma)
            angle[i] = isinstance(o, Direct) and o.angle
    return _Linear(index, rows, at, root, offset, angle)
