"""Mixed models with limited rows: exact where nothing is limited, against quadrature, and unbiased where much is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import log_ndtr, logsumexp
from scipy.stats import norm

from reconcile.inference import (
    Groups,
    Limited,
    Prior,
    fit_limited,
    fit_limited_rows,
    fit_limited_scale,
    fit_linear,
    structure,
)
from reconcile.inference.censored import marginal_criterion
from reconcile.inference.mixed import Structure

PILES, PLACES, ROWS = 8, 6, 12
PILE, PLACE = (labels.ravel() for labels in np.meshgrid(np.arange(PILES), np.arange(PLACES), indexing="ij"))
X = np.column_stack([np.ones(PILE.size), np.linspace(0.0, 1.0, PLACES)[PLACE]])


def _rows(seed: int, rows: int = ROWS, sd: float = 1.5) -> np.ndarray:
    random = np.random.default_rng(seed)
    mean = X @ [10.0, -6.0] + random.normal(0, 2.0, PILES)[PILE] + random.normal(0, 1.0, PLACES)[PLACE]
    return np.asarray(mean[:, None] + random.normal(0.0, sd, (PILE.size, rows)))


def _groups(y: np.ndarray, floor: float, sd: float = 1.5) -> Groups:
    """Rows below the floor are known only to lie there."""
    hidden = y < floor
    number = (~hidden).sum(axis=1).astype(float)
    mean = np.where(hidden, 0.0, y).sum(axis=1) / np.maximum(number, 1.0)
    group = np.flatnonzero(hidden.any(axis=1))
    count = hidden.sum(axis=1)[group].astype(float)
    limited = Limited(group, np.full(group.size, -np.inf), np.full(group.size, floor), count)
    return Groups(number, mean, np.full(y.shape[0], sd), np.ones(y.shape[0]), limited)


def _layout(n: int = PILE.size) -> Structure:
    return structure({"pile": PILE.tolist(), "place": PLACE.tolist()}, np.zeros((n, n)))


@pytest.mark.parametrize("restricted", [True, False])
def test_without_limits_it_is_the_exact_fit_of_the_means(restricted: bool) -> None:
    groups, layout = _groups(_rows(1), -np.inf), _layout()
    found = fit_limited(groups, X, layout, restricted=restricted)
    every = np.ones(PILE.size, dtype=bool)
    exact = fit_linear(groups.mean, X, layout.part(every, np.eye(PILE.size) * 1.5**2 / ROWS), restricted=restricted)
    np.testing.assert_allclose(found.linear.coefficients, exact.coefficients, rtol=1e-7)
    np.testing.assert_allclose(found.linear.covariance, exact.covariance, rtol=1e-3)
    assert found.linear.minus_2_log_likelihood == pytest.approx(exact.minus_2_log_likelihood, abs=1e-4)


def test_likelihood_of_one_grouping_by_quadrature() -> None:
    """Groups that share nothing: each group's random effect is integrated by 80 Gauss-Hermite points."""
    y = _rows(2)
    groups = _groups(y, 7.0)
    layout = structure({"cell": np.arange(PILE.size).tolist()}, np.zeros((PILE.size, PILE.size)))
    variances = np.array([3.0])
    found = marginal_criterion(groups, X, layout, variances, restricted=False)
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)

    def exact(b: np.ndarray) -> float:
        whole = 0.0
        for k in range(PILE.size):
            mean = X[k] @ b + np.sqrt(3.0) * nodes
            hidden = int((y[k] < 7.0).sum())
            log_rows = hidden * log_ndtr((7.0 - mean) / 1.5)
            if hidden < ROWS:
                log_rows = log_rows + norm.logpdf(groups.mean[k], mean, 1.5 / np.sqrt(ROWS - hidden))
            whole += float(logsumexp(log_rows + np.log(weights / np.sqrt(2.0 * np.pi))))
        return -2.0 * whole

    least = minimize(exact, [10.0, -6.0], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-8})
    assert int((groups.number == 0).sum()) > 10  # groups that are hidden whole
    assert found == pytest.approx(least.fun, abs=0.01)
    held = structure(
        {"cell": np.arange(PILE.size).tolist()}, np.zeros((PILE.size, PILE.size)), {"cell": Prior(3.0**0.5, 1e9)}
    )
    linear = fit_limited(groups, X, held, restricted=False).linear
    assert linear.variance("cell") == pytest.approx(3.0, rel=1e-3)
    errors = np.sqrt(np.diag(linear.covariance))
    assert np.all(np.abs(linear.coefficients - least.x) < 0.01 * errors)


def test_components_are_those_of_the_marginal_likelihood() -> None:
    """The alternation ends where a direct search over the variances ends, within a small part of their own error."""
    groups, layout = _groups(_rows(3), 6.0), _layout()
    found = fit_limited(groups, X, layout).linear

    def direct(logs: np.ndarray) -> float:
        return marginal_criterion(groups, X, layout, np.exp(logs), restricted=True)

    slow = minimize(direct, np.log(np.maximum(found.variances, 1e-3)), method="Nelder-Mead", options={"maxiter": 250})
    assert found.minus_2_log_likelihood <= slow.fun + 0.1
    for name, variance in zip(layout.names, np.exp(slow.x), strict=True):
        if name != "residual":
            assert found.variance(name) == pytest.approx(variance, rel=0.1)


def test_hidden_rows_leave_the_slope_where_it_was() -> None:
    # 60 data sets, seeds 100 to 159, fixed before the run; a floor that hides about a third of the rows, nearly all at
    # the far end. The mean error of the slope lies within three standard errors of zero; with the hidden rows dropped
    # it does not.
    errors, dropped = [], []
    for seed in range(100, 160):
        groups = _groups(_rows(seed), 6.5)
        errors.append(fit_limited(groups, X, _layout()).linear.coefficients[1] + 6.0)
        seen = groups.number > 0
        layout = _layout().part(seen, np.diag(1.5**2 / groups.number[seen]))
        dropped.append(fit_linear(groups.mean[seen], X[seen], layout).coefficients[1] + 6.0)
    print(f"mean error {np.mean(errors):+.3f}, with hidden rows dropped {np.mean(dropped):+.3f}")
    assert abs(np.mean(errors)) < 3.0 * np.std(errors, ddof=1) / np.sqrt(60)
    assert abs(np.mean(dropped)) > 3.0 * np.std(dropped, ddof=1) / np.sqrt(60)


def test_single_rows_with_limits_agree_with_the_likelihood_of_independent_rows() -> None:
    random = np.random.default_rng(9)
    y = 5.0 - 3.0 * X[:, 1] + random.normal(0.0, 1.0, PILE.size)
    groups = _groups(y[:, None], 3.5)
    hardly = Structure((), (), (), (), 0.3**2 * np.eye(PILE.size))  # a known part of what is the same scatter
    found = fit_limited_scale(groups, X, hardly, 1.0, restricted=False).linear
    other = fit_limited_rows(groups, X)
    np.testing.assert_allclose(found.coefficients, other.coefficients, rtol=1e-3)
    assert found.minus_2_log_likelihood == pytest.approx(other.minus_2_log_likelihood, abs=0.01)
    known = int((y >= 3.5).sum())
    whole = other.variance("residual") * (known - 2) / known
    assert found.variance("residual") + 0.3**2 == pytest.approx(whole, rel=0.01)


def test_a_group_far_below_its_limit_says_nothing() -> None:
    groups = _groups(_rows(4), -np.inf)
    number = groups.number.copy()
    number[0] = 0.0
    limit = Limited(np.array([0]), np.array([-np.inf]), np.array([60.0]), np.array([12.0]))
    without = Groups(number, groups.mean, groups.row_sd, groups.worth, groups.limited)
    with_it = Groups(number, groups.mean, groups.row_sd, groups.worth, limit)
    keep = np.arange(PILE.size) > 0
    found = fit_limited(with_it, X, _layout())
    exact = fit_linear(without.mean[keep], X[keep], _layout().part(keep, np.eye(PILE.size - 1) * 1.5**2 / ROWS))
    assert found.response_variance[0] > 1e5
    np.testing.assert_allclose(found.linear.coefficients, exact.coefficients, rtol=1e-6)


def test_as_many_groups_as_coefficients_each_with_a_limit() -> None:
    # Nothing but its own rows speaks of either group: the fit goes through what each says alone.
    limited = Limited(np.array([0, 1]), np.array([-np.inf, -np.inf]), np.array([9.0, 4.0]), np.array([3.0, 40.0]))
    groups = Groups(np.array([90.0, 20.0]), np.array([10.0, 5.0]), np.full(2, 0.4), np.ones(2), limited)
    layout = structure({"place": ["a", "b"]}, 0.25 * np.eye(2), {"place": Prior(1.5, 2.0)})
    design = np.array([[1.0, 0.0], [1.0, 1.0]])
    found = fit_limited(groups, design, layout)
    for k in range(2):
        mean = minimize(lambda m, k=k: -groups.evidence(np.full(2, m[0])).log_likelihood[k], [7.0], tol=1e-10).x[0]
        assert design[k] @ found.linear.coefficients == pytest.approx(mean, abs=0.02)


def test_groups_hidden_far_below_their_limit_raise_no_warning() -> None:
    y = _rows(5)
    y[PLACE == PLACES - 1] -= 400.0
    found = fit_limited(_groups(y, 7.0), X, _layout())
    assert np.isfinite(found.linear.coefficients).all()
