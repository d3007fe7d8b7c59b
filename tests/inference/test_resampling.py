"""Intervals of quantiles: coverage on dependent series of known quantiles, closed forms, speed."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest

from reconcile.inference.resampling import FEWEST, block_length, quantile_interval, quantile_share_interval

# Set before the first run: 400 series of 1000 values, first-order autoregression with 0.8 and unit variance, seed 11;
# between 88 and 98 % of the intervals hold the true quantile.
SEED, N_SERIES, N_VALUES, DEPENDENCE, BAND = 11, 400, 1000, 0.8, (0.88, 0.98)


def dependent_series(rng: np.random.Generator) -> np.ndarray:
    steps = rng.standard_normal(N_VALUES) * np.sqrt(1.0 - DEPENDENCE**2)
    values = np.empty(N_VALUES)
    last = rng.standard_normal()
    for k, step in enumerate(steps):
        last = DEPENDENCE * last + step
        values[k] = last
    return values


@pytest.mark.parametrize("share", [0.5, 0.95])
def test_intervals_hold_the_true_quantile_of_dependent_values(share: float) -> None:
    rng = np.random.default_rng(SEED)
    truth = NormalDist().inv_cdf(share)
    held = 0
    for _ in range(N_SERIES):
        low, high = quantile_interval(dependent_series(rng), share)
        held += low <= truth <= high
    assert BAND[0] <= held / N_SERIES <= BAND[1], held / N_SERIES


def test_independent_values_have_the_interval_of_the_binomial() -> None:
    """Of 2000 independent values 95 % lie below: the share's standard deviation is √(p(1-p)/n) (closed form)."""
    below = np.random.default_rng(3).random(2000) < 0.95
    low, high = quantile_share_interval(below, 0.95)
    assert (high - low) / (2 * 1.96) == pytest.approx(np.sqrt(0.95 * 0.05 / 2000), rel=0.15)


def test_neighbours_that_are_alike_widen_it() -> None:
    """Each value ten times over: the scatter of the share is √10 times that of as many independent values."""
    once = np.random.default_rng(5).random(4000) < 0.5
    low, high = quantile_share_interval(np.repeat(once[:400], 10), 0.5)
    alone = quantile_share_interval(once, 0.5)
    assert (high - low) / (alone[1] - alone[0]) == pytest.approx(np.sqrt(10.0), rel=0.25)


def test_it_brackets_the_quantile_and_is_the_same_each_time() -> None:
    values = np.random.default_rng(2).normal(170.0, 2.0, 500)
    low, high = quantile_interval(values, 0.95)
    assert low < np.quantile(values, 0.95) < high
    assert (low, high) == quantile_interval(values.copy(), 0.95)


def test_equal_values_have_an_interval_of_no_width() -> None:
    assert quantile_interval(np.full(100, 160.0), 0.95) == (160.0, 160.0)


def test_too_few_values_have_none() -> None:
    assert np.isnan(quantile_interval(np.arange(FEWEST - 1.0), 0.5)).all()
    assert np.isfinite(quantile_interval(np.arange(float(FEWEST)), 0.5)).all()
    assert block_length(30) == 6
