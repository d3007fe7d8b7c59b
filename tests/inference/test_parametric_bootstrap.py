"""Factors by which intervals are widened: 1 where theory is exact; stacked fits against fits one by one."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.inference import Groups, Limited, Prior, Structure, fit_limited, structure
from reconcile.inference import parametric_bootstrap as bootstrap

# Fixed before the first run: 16 rows in four columns, seeds 1 and 2; factors within 0.15 of 1 (three standard errors
# of a 95 % quantile from 199 replicates), stacked fits within 0.03 dB of those one by one.
FACTOR_BAND, SAME_DB = 0.15, 0.03


def _groups(seed: int, limit_db: float | None) -> tuple[Groups, np.ndarray, Structure]:
    """Four piles at four places of which the last is partly below a limit; means of twenty rows each."""
    random = np.random.default_rng(seed)
    pile, place = (x.ravel() for x in np.meshgrid(np.arange(4), np.arange(4), indexing="ij"))
    X = np.column_stack([np.ones(16), -np.log10(np.array([1.0, 2.0, 4.0, 8.0]))[place]])
    mean = X @ np.array([170.0, 15.0]) + random.normal(0, 1.5, 4)[pile] + random.normal(0, 1.0, 4)[place]
    rows = mean[:, None] + random.normal(0.0, 1.0, (16, 20))
    below = rows < (-np.inf if limit_db is None else limit_db)
    number = (~below).sum(axis=1).astype(float)
    heard = np.where(below, 0.0, rows).sum(axis=1) / np.maximum(number, 1.0)
    hidden = np.flatnonzero(below.any(axis=1))
    limits = Limited(
        hidden.astype(np.intp),
        np.full(hidden.size, -np.inf),
        np.full(hidden.size, limit_db or 0.0),
        below.sum(axis=1)[hidden].astype(float),
    )
    priors = {"pile": Prior(2.0, 2.0), "place": Prior(1.5, 2.0)}
    layout = structure({"pile": pile.tolist(), "place": place.tolist()}, np.diag(np.full(16, 0.25)), priors)
    return Groups(number, heard, np.ones(16), np.ones(16), limits), X, layout


def test_independent_rows_without_limits_need_no_widening() -> None:
    random = np.random.default_rng(1)
    X = np.column_stack([np.ones(8), np.arange(8.0)])
    one = np.eye(8)
    layout = Structure(("residual",), (one,), (one,), (None,), np.zeros((8, 8)))
    nothing = Limited(np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0), np.zeros(0))
    groups = Groups(np.full(8, 1e6), X @ [1.0, 2.0] + random.normal(0.0, 1.0, 8), np.ones(8), np.ones(8), nothing)
    found = bootstrap.widening(groups, X, layout, fit_limited(groups, X, layout), np.eye(2), seed=1)
    assert found is not None  # Student's t with six degrees of freedom is exact
    assert found.n_replicates == bootstrap.N_REPLICATES
    assert found.factors == pytest.approx(1.0, abs=FACTOR_BAND)


def test_replicates_fitted_at_once_are_those_fitted_one_by_one() -> None:
    groups, X, layout = _groups(2, 157.5)
    assert groups.limited.n > 0
    fit = fit_limited(groups, X, layout)
    drawn = bootstrap._draw(groups, X, layout, fit, np.random.default_rng(3))
    stack = bootstrap._fit_all(drawn, X, layout, fit)
    assert stack.settled.mean() > 0.9
    n, compared = groups.n, 0
    for b in np.flatnonzero(stack.settled)[:12]:
        own = (drawn.limited.group >= b * n) & (drawn.limited.group < (b + 1) * n)
        one = Groups(
            drawn.number[b * n : (b + 1) * n],
            drawn.mean[b * n : (b + 1) * n],
            drawn.row_sd[b * n : (b + 1) * n],
            drawn.worth[b * n : (b + 1) * n],
            Limited(
                (drawn.limited.group[own] - b * n).astype(np.intp),
                drawn.limited.low[own],
                drawn.limited.high[own],
                drawn.limited.count[own],
            ),
        )
        alone = fit_limited(one, X, layout).linear
        assert stack.coefficients[b] == pytest.approx(alone.coefficients, abs=SAME_DB)
        assert np.sqrt(np.diag(stack.covariance[b])) == pytest.approx(np.sqrt(np.diag(alone.covariance)), rel=0.05)
        compared += 1
    assert compared == 12


def test_as_many_rows_are_hidden_as_where_each_is_drawn_for_itself() -> None:
    """The slow route: new piles and places about the curve, every row, held against the mean limit of its group."""
    groups, X, layout = _groups(2, 157.5)
    fit = fit_limited(groups, X, layout)
    drawn = bootstrap._draw(groups, X, layout, fit, np.random.default_rng(4))
    random, V = np.random.default_rng(6), layout.covariance(fit.linear.variances)
    means = random.multivariate_normal(X @ fit.linear.coefficients, V, size=1000)
    rows = means[:, :, None] + random.normal(0.0, 1.0, (1000, 16, 20))
    limited = np.zeros(16, dtype=bool)
    limited[groups.limited.group] = True
    hidden = float(((rows < 157.5) & limited[:, None]).mean())
    assert drawn.limited.n / (drawn.number.sum() + drawn.limited.n) == pytest.approx(hidden, abs=0.03)


def test_the_same_seed_gives_the_same_factors() -> None:
    groups, X, layout = _groups(2, 157.5)
    fit = fit_limited(groups, X, layout)
    first, second = (bootstrap.widening(groups, X, layout, fit, np.eye(2), seed=5) for _ in range(2))
    assert first is not None
    assert second is not None
    assert first.factors.tolist() == second.factors.tolist()
