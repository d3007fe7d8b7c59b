"""What limited rows say of a mean, against quadrature, differences and a likelihood written out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import norm, truncnorm

from reconcile.inference.limits import Groups, Limited, expected_rows, limited_evidence, row_scatter

INTERVALS = [(-np.inf, 0.3), (1.2, np.inf), (-0.4, 0.1), (7.5, 9.0), (-30.0, -25.0), (20.0, np.inf), (-np.inf, -12.0)]


@pytest.mark.parametrize(("low", "high"), INTERVALS)
def test_share_of_an_interval_by_quadrature(low: float, high: float) -> None:
    mean, sd = 0.5, 1.7
    found = limited_evidence(np.array([low]), np.array([high]), np.array([mean]), np.array([sd]))[0][0]
    ends = [(end - mean) / sd for end in (low, high)]
    near = min((e for e in ends if np.isfinite(e)), key=abs)  # the density is scaled by its value there
    scaled, _ = quad(
        lambda x: np.exp(norm.logpdf(x) - norm.logpdf(near)), max(ends[0], -40), min(ends[1], 40), epsabs=0
    )
    assert found == pytest.approx(float(np.log(scaled) + norm.logpdf(near)), rel=1e-7)


@pytest.mark.parametrize(("low", "high"), INTERVALS)
def test_derivatives_by_differences(low: float, high: float) -> None:
    def at(mean: float) -> tuple[float, float, float]:
        found = limited_evidence(np.array([low]), np.array([high]), np.array([mean]), np.array([1.3]))
        return float(found[0][0]), float(found[1][0]), float(found[2][0])

    step = 1e-4
    (up, slope_up, _), (down, slope_down, _), (_, slope, bend) = at(0.2 + step), at(0.2 - step), at(0.2)
    assert slope == pytest.approx((up - down) / (2 * step), rel=1e-5, abs=1e-6)
    assert bend == pytest.approx(-(slope_up - slope_down) / (2 * step), rel=1e-4, abs=1e-6)


@pytest.mark.parametrize(("low", "high"), INTERVALS[:3])
def test_expected_row_is_that_of_the_truncated_normal(low: float, high: float) -> None:
    mean, sd = 0.5, 1.7
    found = expected_rows(np.array([low]), np.array([high]), np.array([mean]), np.array([sd]))
    other = truncnorm((low - mean) / sd, (high - mean) / sd, loc=mean, scale=sd)
    assert float(found[0][0]) == pytest.approx(other.mean(), rel=1e-9)
    assert float(found[1][0]) == pytest.approx(other.var(), rel=1e-8)


def test_evidence_of_groups_is_the_sum_over_their_rows() -> None:
    # Rows one by one: group 0 has three known rows and two below 1.0, group 1 a row above 4.0 alone; half of the rows'
    # worth counts. The mean's own density, not the rows', stands for the known ones.
    limited = Limited(np.array([0, 1]), np.array([-np.inf, 4.0]), np.array([1.0, np.inf]), np.array([2.0, 1.0]))
    groups = Groups(np.array([3.0, 0.0]), np.array([1.5, 0.0]), np.array([0.8, 1.1]), np.array([0.5, 0.5]), limited)
    means = np.array([1.2, 3.0])
    found = groups.evidence(means).log_likelihood
    assert found[0] == pytest.approx(
        norm.logpdf(1.5, 1.2, 0.8 / np.sqrt(1.5)) + 0.5 * 2 * norm.logcdf(1.0, 1.2, 0.8), rel=1e-12
    )
    assert found[1] == pytest.approx(0.5 * norm.logsf(4.0, 3.0, 1.1), rel=1e-12)


def test_scatter_with_limits_by_the_likelihood_written_out() -> None:
    # One group, a limit and a top: maximum likelihood of (mean, sd) but for the divisor n - 1 in place of n.
    random = np.random.default_rng(6)
    y = random.normal(10.0, 2.0, 400)
    low, high = y < 9.0, y > 13.0
    known = y[~low & ~high]
    limited = Limited(
        np.array([0, 0]), np.array([-np.inf, 13.0]), np.array([9.0, np.inf]), np.array([low.sum(), high.sum()], float)
    )
    squares = float(((known - known.mean()) ** 2).sum())
    found = row_scatter(np.array([float(known.size)]), np.array([known.mean()]), np.array([squares]), limited, 1.0)

    def minus_log_likelihood(theta: np.ndarray) -> float:
        mean, sd = theta[0], np.exp(theta[1])
        whole = norm.logpdf(known, mean, sd).sum() + low.sum() * norm.logcdf(9.0, mean, sd)
        return -float(whole + high.sum() * norm.logsf(13.0, mean, sd))

    slow = minimize(minus_log_likelihood, [9.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-9})
    assert found.mean[0] == pytest.approx(slow.x[0], abs=0.01)
    assert found.row_sd == pytest.approx(float(np.exp(slow.x[1])), rel=0.01)
