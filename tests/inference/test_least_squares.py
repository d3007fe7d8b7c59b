"""Ordinary least squares against certified results of the NIST Statistical Reference Datasets."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.inference import corrected_information_criterion, ordinary_least_squares
from tests.inference.published import certified, data


def test_norris_to_nine_digits() -> None:
    table, expected = data("norris"), certified("norris")
    x = table["x"].to_numpy(float)
    fit = ordinary_least_squares(table["y"].to_numpy(float), np.stack([np.ones(x.size), x], axis=1))
    errors = np.sqrt(np.diag(fit.covariance))
    found = {
        "b0": fit.coefficients[0],
        "b1": fit.coefficients[1],
        "se_b0": errors[0],
        "se_b1": errors[1],
        "residual_sd": np.sqrt(fit.variance("residual")),
    }
    for name, value in found.items():
        assert value == pytest.approx(expected[name], rel=5e-10), name


def test_norris_interval_of_the_line() -> None:
    table, expected = data("norris"), certified("norris")
    x = table["x"].to_numpy(float)
    fit = ordinary_least_squares(table["y"].to_numpy(float), np.stack([np.ones(x.size), x], axis=1))
    at_500 = fit.contrast([1.0, 500.0])
    low, high = at_500.interval()
    assert at_500.degrees_of_freedom == pytest.approx(34.0, rel=1e-9)
    assert at_500.value == pytest.approx(expected["fit_at_x_500"], abs=5e-7)
    assert (high - low) / 2 == pytest.approx(expected["ci95_half_width_at_x_500"], abs=5e-10)


def test_longley_to_nine_digits() -> None:
    table, expected = data("longley"), certified("longley")
    X = np.column_stack([np.ones(len(table)), table[[f"x{k}" for k in range(1, 7)]].to_numpy(float)])
    fit = ordinary_least_squares(table["y"].to_numpy(float), X)
    errors = np.sqrt(np.diag(fit.covariance))
    for k in range(7):
        assert fit.coefficients[k] == pytest.approx(expected[f"b{k}"], rel=5e-10)
        assert errors[k] == pytest.approx(expected[f"se_b{k}"], rel=5e-10)
    assert np.sqrt(fit.variance("residual")) == pytest.approx(expected["residual_sd"], rel=5e-10)


def test_line_through_the_origin() -> None:
    # NoInt1: data recalled (memory-high); they reproduce the certified results exactly.
    table, expected = data("noint1"), certified("noint1")
    fit = ordinary_least_squares(table["y"].to_numpy(float), table[["x"]].to_numpy(float))
    assert fit.coefficients[0] == pytest.approx(expected["b1"], rel=5e-10)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(expected["se_b1"], rel=5e-10)


def test_no_row_to_spare_is_refused() -> None:
    with pytest.raises(ValueError, match="2 observations cannot carry 2 coefficients"):
        ordinary_least_squares(np.array([1.0, 2.0]), np.array([[1.0, 0.0], [1.0, 1.0]]))


def test_corrected_criterion_by_its_formula() -> None:
    # 2k + 2k(k+1)/(n-k-1) with k = 3, n = 10: 6 + 24/6 = 10
    assert corrected_information_criterion(5.0, 10, 3) == pytest.approx(15.0)
    assert corrected_information_criterion(5.0, 4, 3) is None
