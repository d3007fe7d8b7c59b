"""Effective degrees of freedom against the worked example of the guide to uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.inference import Estimate, effective_degrees_of_freedom


def test_worked_example_of_combined_components() -> None:
    # JCGM 100:2008, example in G.4 (memory-high): 0.25, 0.57, 0.82 % from n = 10, 5, 15: 19.0 degrees of freedom,
    # coverage factor 2.09 at 95 %.
    variances, degrees = np.array([0.25, 0.57, 0.82]) ** 2, np.array([9.0, 4.0, 14.0])
    certainty = np.diag(2.0 * variances**2 / degrees)  # a variance from nu degrees of freedom has variance 2 v²/nu
    found = effective_degrees_of_freedom(np.array([variances.sum()]), np.ones((1, 3)), certainty)[0]
    assert found == pytest.approx(19.0, abs=0.05)
    low, high = Estimate(0.0, float(variances.sum()), 19.0).interval()
    assert (high - low) / 2 / np.sqrt(variances.sum()) == pytest.approx(2.09, abs=0.005)


def test_known_variance_has_no_limit_of_degrees_and_gives_the_normal_quantile() -> None:
    degrees = effective_degrees_of_freedom(np.array([1.0]), np.array([[0.0]]), np.array([[1.0]]))[0]
    low, high = Estimate(0.0, 1.0, float(degrees)).interval()
    assert (high, -low) == pytest.approx((1.959964, 1.959964), abs=1e-5)  # normal quantile, four inputs of JCGM 101
