"""One linear design fitted to the cells: least squares where nothing is shared or limited, else the mixed model."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reconcile.inference import (
    Groups,
    LimitedFit,
    LinearFit,
    Structure,
    fit_limited,
    fit_limited_rows,
    fit_limited_scale,
    fit_linear,
    ordinary_least_squares,
)
from reconcile.inference.mixed import RESIDUAL
from reconcile.spreading.cells import Cells
from reconcile.vocabulary.quantities import FloatArray


@dataclass(frozen=True, slots=True)
class CellFit:
    """A linear fit of the cells, its likelihood, and what it rests on.

    `used` are the cells that count, `response` their levels (where limits are in play the normal observations that they
    stand for), `V` their covariance, None where they are independent. `limited` is there where limits and repeated
    strikes are, `layout` what cells share.
    """

    linear: LinearFit
    minus_2_log_likelihood: float
    groups: Groups
    X: FloatArray
    used: NDArray[np.bool_]
    response: FloatArray
    V: FloatArray | None
    layout: Structure | None = None
    limited: LimitedFit | None = None

    @property
    def design(self) -> FloatArray:
        """The columns of the cells that count."""
        return self.X[self.used]


def fit_cells(groups: Groups, X: FloatArray, cells: Cells, layout: Structure | None) -> CellFit:
    """Fit columns `X` (cells, p) to the levels in `groups`."""
    if layout is None:
        return _limited_rows(groups, X) if groups.limited.n else _least_squares(groups, X)
    return _with_limits(groups, X, cells, layout) if groups.limited.n else _mixed(groups, X, cells, layout)


def shifted(groups: Groups, by_db: FloatArray) -> Groups:
    """Groups whose every row, known or limited, is raised by an amount for each group."""
    rows = groups.limited
    raised = replace(rows, low=rows.low + by_db[rows.group], high=rows.high + by_db[rows.group])
    return replace(groups, mean=groups.mean + by_db, limited=raised)


def _least_squares(groups: Groups, X: FloatArray) -> CellFit:
    linear = ordinary_least_squares(groups.mean, X)
    every = np.ones(groups.n, dtype=bool)
    return CellFit(linear, linear.minus_2_log_likelihood, groups, X, every, groups.mean, None)


def _limited_rows(groups: Groups, X: FloatArray) -> CellFit:
    linear, known = fit_limited_rows(groups, X), groups.number > 0
    return CellFit(linear, linear.minus_2_log_likelihood, groups, X, known, groups.mean[known], None)


def _mixed(groups: Groups, X: FloatArray, cells: Cells, layout: Structure) -> CellFit:
    every = np.ones(cells.n, dtype=bool)
    whole = layout.part(every, np.diag(cells.variance_of_mean))
    linear = fit_linear(groups.mean, X, whole)
    plain = fit_linear(groups.mean, X, whole, restricted=False, start=linear.variances)
    V = whole.covariance(linear.variances)
    return CellFit(linear, plain.minus_2_log_likelihood, groups, X, every, groups.mean, V, layout)


def _with_limits(groups: Groups, X: FloatArray, cells: Cells, layout: Structure) -> CellFit:
    """With limited strikes: their scatter is known from repeated strikes, or sought as the residual of single ones."""
    if cells.repeated:
        shared = layout
        found = fit_limited(groups, X, shared)
        plain = fit_limited(groups, X, shared, restricted=False, start=found)
    else:
        shared, heard = layout.without(RESIDUAL), cells.heard
        line = X[heard] @ np.linalg.lstsq(X[heard], groups.mean[heard], rcond=None)[0]
        guess = max(float(np.std(groups.mean[heard] - line)), 0.1)
        found = fit_limited_scale(groups, X, shared, guess)
        plain = fit_limited_scale(groups, X, shared, guess, restricted=False)
    linear = found.linear
    variances = np.array([linear.variance(name) for name in shared.names])
    return CellFit(
        linear=linear,
        minus_2_log_likelihood=plain.linear.minus_2_log_likelihood,
        groups=groups,
        X=X,
        used=np.ones(cells.n, dtype=bool),
        response=found.response,
        V=shared.covariance(variances) + np.diag(found.response_variance),
        layout=layout,
        limited=found if cells.repeated else None,
    )
