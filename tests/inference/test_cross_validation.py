"""Errors of groups left out in turn, against fits that leave them out."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.inference import left_out_errors, left_out_rows


def _data() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    random = np.random.default_rng(12)
    group = np.repeat(np.arange(5), 4)
    X = np.column_stack([np.ones(20), np.linspace(0, 1, 20)])
    V = 2.0 * (group[:, None] == group) + np.diag(random.uniform(0.5, 1.5, 20)) + 0.3
    y = X @ [3.0, -2.0] + np.linalg.cholesky(V) @ random.standard_normal(20)
    return y, X, V, group


def test_left_out_groups_by_fitting_without_them() -> None:
    y, X, V, group = _data()
    scored = np.arange(20) % 3 > 0
    found = left_out_errors(y, X, V, group.tolist(), scored)
    assert found is not None
    for k in range(5):
        out = group == k
        inverse = np.linalg.inv(V[np.ix_(~out, ~out)])
        b = np.linalg.solve(X[~out].T @ inverse @ X[~out], X[~out].T @ inverse @ y[~out])
        predicted = X[out] @ b + V[np.ix_(out, ~out)] @ inverse @ (y[~out] - X[~out] @ b)
        assert found[k] == pytest.approx(float((y[out] - predicted)[scored[out]].mean()), rel=1e-9)


def test_a_group_without_which_nothing_can_be_fitted() -> None:
    y, X, V, group = _data()
    X = X.copy()
    X[:, 1] = group == 2  # group 2 alone carries the second coefficient
    assert left_out_errors(y, X, V, group.tolist(), np.ones(20, dtype=bool)) is None


def test_left_out_rows_by_fitting_without_them() -> None:
    y, X, _, _ = _data()
    residual = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    found = left_out_rows(residual, X)
    assert found is not None
    for k in range(20):
        rest = np.arange(20) != k
        b = np.linalg.lstsq(X[rest], y[rest], rcond=None)[0]
        assert found[k] == pytest.approx(float(y[k] - X[k] @ b), rel=1e-9)
