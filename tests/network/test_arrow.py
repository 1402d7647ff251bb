"""Normal equations of photos and what is common to them, against numpy's dense solution and inverse."""

from __future__ import annotations

import numpy as np
import pytest

from photoaz.network.arrow import Arrow


def arrow_matrix(rng: np.random.Generator, blocks: int, size: int, common: int) -> np.ndarray:
    """J^T J of rows that each concern one block and the common unknowns, in units that differ by powers of ten."""
    p = blocks * size + common
    rows = []
    for b in range(blocks):
        for _ in range(size + 4):
            row = np.zeros(p)
            row[b * size : (b + 1) * size] = rng.standard_normal(size)
            row[blocks * size :] = rng.standard_normal(common)
            rows.append(row)
    for _ in range(common + 2):
        rows.append(np.concatenate([np.zeros(blocks * size), rng.standard_normal(common)]))
    j = np.array(rows) * 10.0 ** rng.uniform(-3, 3, p)
    return j.T @ j


@pytest.mark.parametrize(("blocks", "size", "common"), [(0, 0, 6), (1, 9, 4), (5, 3, 7), (12, 9, 20)])
def test_solution_and_inverse_are_numpys(blocks: int, size: int, common: int) -> None:
    rng = np.random.default_rng(blocks)
    n = arrow_matrix(rng, blocks, size, common)
    x = rng.standard_normal(len(n)) / np.sqrt(np.diag(n))
    got = Arrow(n, blocks, size)
    unit = 1.0 / np.sqrt(np.diag(n))
    scaled = n * unit[:, None] * unit
    assert got.solve(n @ x) / unit == pytest.approx(x / unit, abs=1e-9 * np.linalg.cond(scaled))
    want = np.linalg.inv(scaled)
    inverse = got.inverse()
    assert inverse / unit[:, None] / unit == pytest.approx(
        want, abs=1e-12 * np.linalg.cond(scaled) * np.abs(want).max()
    )
    assert (inverse == inverse.T).all()
