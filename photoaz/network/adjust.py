"""Least-squares adjustment with a priori sigmas: Gauss-Newton with Levenberg's damping, covariance, tests, budget.

Formulas: Koch, Parameter Estimation and Hypothesis Testing in Linear Models (1999), ch. 3; the w-test is Baarda's data
snooping (A Testing Procedure for Use in Geodetic Networks, 1968). Steps follow the residuals' bend (geodesic
acceleration: Transtrum and Sethna, Improvements to the Levenberg-Marquardt algorithm for nonlinear least-squares
minimization, 2012, arXiv 1201.5885). Observations carry unit weight after whitening.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, ndtri

from photoaz.errors import PhotoazError
from photoaz.network.arrow import Arrow
from photoaz.network.equations import Equations
from photoaz.network.observations import Observation
from photoaz.network.parameters import PHOTO, Layout

Array = NDArray[Any]

#: a step's bend is followed up to this part of the step itself (Transtrum and Sethna's alpha)
_BEND = 0.75


class AdjustmentError(PhotoazError, ArithmeticError):
    """The adjustment has no solution: an unknown that nothing fixes, or numbers that are not finite."""


@dataclass(frozen=True, slots=True)
class Adjusted:
    """x (P,): the unknowns. covariance (P, P). cost: sum of squared whitened residuals. rows: which rows of `jacobian`

    and `residual` belong to which observation. converged: a further step would be negligible; where it is not, x is no
    result.
    """

    x: Array
    covariance: Array
    cost: float
    residual: Array
    jacobian: Array
    rows: tuple[slice, ...]
    iterations: int
    converged: bool


def linearise(observations: Sequence[Observation], x: Array) -> tuple[Array, Array, tuple[slice, ...]]:
    """Residuals (R,), Jacobian (R, P) and each observation's rows at x (P,). Derivatives by complex step: exact."""
    equations = Equations(observations, len(x))
    residual, jacobian = equations.jacobian(x)
    return residual, jacobian, equations.rows


def residuals(observations: Sequence[Observation], x: Array) -> Array:
    """Whitened residuals (R,) at x (P,), without derivatives."""
    return Equations(observations, len(x)).residual(x)


def adjust(
    observations: Sequence[Observation],
    start: Array,
    *,
    layout: Layout | None = None,
    max_iterations: int = 40,
    tolerance: float = 1e-7,
) -> Adjusted:
    """Adjust from `start` (P,); converged when a step lowers the cost, or would, by less than `tolerance` of it.

    layout: of the unknowns, where no observation connects two photos: then the work grows linearly with them.

    Raises
    ------
    AdjustmentError
        Where an unknown is fixed by nothing, or the residuals are not finite.
    """
    x = np.asarray(start, float).copy()
    equations = Equations(observations, len(x))
    blocks = (0, 0) if layout is None else (len(layout.photos), len(PHOTO))
    damping = 1e-4
    now = equations.linear(x)
    if not np.isfinite(now.cost):
        raise AdjustmentError("the observations cannot be computed at the starting values")
    converged = False
    iterations = 0
    for _ in range(max_iterations):
        iterations += 1
        scale = np.diag(now.normal).copy()
        if (scale <= 0).any():
            raise AdjustmentError(f"nothing fixes unknown number {int(np.argmin(scale))}")
        for _ in range(12):
            try:
                damped = Arrow(now.normal + np.diag(damping * scale), *blocks)
            except np.linalg.LinAlgError:
                damping *= 10.0
                continue
            step = damped.solve(now.side)
            with np.errstate(all="ignore"):
                # a tower seen from a place hardly known is a narrow bent valley: the step follows its bend
                bend = 0.5 * damped.solve(equations.bend(now, x, step))
                if not 4.0 * (scale * bend * bend).sum() <= (_BEND * _BEND) * (scale * step * step).sum():
                    bend = np.zeros_like(step)
                trial = equations.linear(x + step + bend)
            if np.isfinite(trial.cost) and trial.cost <= now.cost * (1 + 1e-12):
                break
            damping *= 10.0
        else:
            break  # no step lowers the cost any more
        x, gain, now = x + step + bend, now.cost - trial.cost, trial
        damping = max(damping / 10.0, 1e-9)
        if gain < tolerance * (1.0 + now.cost) and damping < 1e-3:
            converged = True
            break
    covariance = inverse(now.normal, *blocks)
    # what a whole step would still lower the cost by: its square root is how many sigmas the minimum is away
    ahead = float(now.side @ covariance @ now.side)
    converged = converged or ahead < tolerance * (1.0 + now.cost)
    r, jac = equations.jacobian(x)
    return Adjusted(x, covariance, now.cost, r, jac, equations.rows, iterations, converged)


def inverse(normal: Array, blocks: int = 0, size: int = 0) -> Array:
    """Inverse of a normal matrix (P, P), scaled to a unit diagonal first: its unknowns differ by many powers of ten.

    blocks, size: as of Arrow.
    """
    try:
        return Arrow(normal, blocks, size).inverse()
    except np.linalg.LinAlgError:
        pass
    unit = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    try:  # by a hair not positive definite in floating point
        out: Array = np.linalg.inv(normal * unit[:, None] * unit[None, :]) * unit[:, None] * unit[None, :]
    except np.linalg.LinAlgError as e:
        raise AdjustmentError("the normal equations are singular: an unknown is fixed by nothing") from e
    return 0.5 * (out + out.T)


def w_tests(observations: Sequence[Observation], adjusted: Adjusted) -> tuple[float, ...]:
    """Standardised residual of each observation: sqrt of its quadratic form over its own cofactor, as a normal deviate.

    For a single row this is Baarda's w. For m rows the quadratic form is chi-square with m degrees of freedom; it is
    given as the normal deviate of equal two-sided probability, so that all can be compared. NaN where the rest of the
    network does not control the observation.
    """
    alike: dict[tuple[int, int], list[int]] = {}
    for k, (o, s) in enumerate(zip(observations, adjusted.rows, strict=True)):
        alike.setdefault((len(o.index), s.stop - s.start), []).append(k)
    out = np.full(len(observations), np.nan)
    for (_n, m), members in alike.items():
        index = np.stack([observations[k].index for k in members])
        rows = np.array([adjusted.rows[k].start for k in members])[:, None] + np.arange(m)
        j = adjusted.jacobian[rows[:, :, None], index[:, None, :]]
        v = adjusted.residual[rows]
        q = np.eye(m) - j @ adjusted.covariance[index[:, :, None], index[:, None, :]] @ np.swapaxes(j, -1, -2)
        values, vectors = np.linalg.eigh(q)
        ok = values > 1e-4  # redundancy below a ten-thousandth controls nothing
        along = (np.swapaxes(vectors, -1, -2) @ v[..., None])[..., 0] ** 2
        t = np.where(ok, along / np.where(ok, values, 1.0), 0.0).sum(-1)
        dof = ok.sum(-1)
        deviate = np.where(dof == 1, np.sqrt(t), -ndtri(np.maximum(chdtrc(np.maximum(dof, 1), t), 1e-300) / 2))
        out[members] = np.where(dof > 0, deviate, np.nan)
    return tuple(float(w) for w in out)


def variance_shares(observations: Sequence[Observation], adjusted: Adjusted, index: int) -> Mapping[str, float]:
    """Each source's part of the variance of unknown `index`, in its unit squared; the parts sum to the whole.

    x_hat = C J^T l with unit-variance l: the variance is the sum over rows of (C J^T)^2.
    """
    gain = adjusted.jacobian @ adjusted.covariance[:, index]
    out: dict[str, float] = {}
    for o, s in zip(observations, adjusted.rows, strict=True):
        out[o.source] = out.get(o.source, 0.0) + float((gain[s] ** 2).sum())
    return out


def rest_information(adjusted: Adjusted, keep: Array, own: Array) -> Array:
    """Information (K, K) that all but some observations give on the unknowns `keep` (K,), the others eliminated.

    own (K, K): normal matrix of those observations, which must depend on `keep` alone. The inverse of a covariance's
    block is the information of everything on that block (Koch 1999, reduced normal equations); never less than none is
    left, whatever rounding makes of small differences.
    """
    whole = inverse(adjusted.covariance[np.ix_(keep, keep)])
    unit = 1.0 / np.sqrt(np.diag(whole))
    values, vectors = np.linalg.eigh((whole - own) * unit[:, None] * unit[None, :])
    vectors = vectors / unit[:, None]
    out: Array = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return out
