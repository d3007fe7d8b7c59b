"""Random-effects meta-analysis against published results, closed forms, and slow second routes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t as student_t

from reconcile.inference.meta_analysis import (
    SpreadPrior,
    Studies,
    heterogeneity,
    interval_of_a_new_study,
    interval_of_the_mean,
    leave_one_out,
    normal_interval_of_the_mean,
    random_effects,
)
from tests.inference.published import certified, data

BCG = certified("bcg")  # Colditz et al. 1994, JAMA 271: 698-702 (data); results as in Viechtbauer 2010, JSS 36(3)


def _bcg() -> Studies:
    """Log risk ratios of 13 trials, from the counts: the table's own six decimals lose a digit of Q."""
    d = data("bcg")
    a, b, c, e = (d[n].to_numpy(float) for n in ("treated_positive", "treated_negative", "control_positive",
                                                   "control_negative"))  # fmt: skip
    y = np.log(a / (a + b)) - np.log(c / (c + e))
    v = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + e)
    assert np.allclose(y, d["log_risk_ratio"], atol=5e-7)
    assert np.allclose(v, d["sampling_variance"], atol=5e-7)
    return Studies(y[:, None], v[:, None, None])


def _single(y: list[float], variances: list[float]) -> Studies:
    return Studies(np.array(y)[:, None], np.array(variances)[:, None, None])


def test_bcg_to_the_printed_digits() -> None:
    studies = _bcg()
    fit, spread = random_effects(studies), heterogeneity(studies)
    six, four = 5e-7, 5e-5  # half a unit of the last digit
    assert fit.between[0, 0] == pytest.approx(BCG["reml_tau2"], abs=six)
    assert fit.mean[0] == pytest.approx(BCG["reml_mean"], abs=six)
    assert math.sqrt(fit.covariance[0, 0]) == pytest.approx(BCG["reml_se"], abs=six)
    assert math.sqrt(fit.adjusted_covariance[0, 0]) == pytest.approx(BCG["reml_hartung_knapp_se"], abs=six)
    wanted = [BCG["reml_hartung_knapp_ci95_low"], BCG["reml_hartung_knapp_ci95_high"]]
    assert interval_of_the_mean(fit) == pytest.approx(wanted, abs=four)
    assert normal_interval_of_the_mean(fit) == pytest.approx([BCG["reml_ci95_low"], BCG["reml_ci95_high"]], abs=four)
    wanted = [BCG["reml_pi95_t_k_minus_2_low"], BCG["reml_pi95_t_k_minus_2_high"]]
    assert interval_of_a_new_study(fit) == pytest.approx(wanted, abs=four)
    assert spread.q == pytest.approx(BCG["q_statistic"], abs=six)
    assert spread.tau == pytest.approx(BCG["reml_tau"], abs=four)
    assert spread.i_squared_percent == pytest.approx(BCG["reml_i2_percent"], abs=5e-3)
    assert spread.q_degrees_of_freedom == 12


def test_studies_of_one_precision_have_a_closed_form() -> None:
    y = [1.0, 4.0, -2.0, 3.0, 6.5, 0.0, 2.0, 3.0, 5.0]
    fit = random_effects(_single(y, [0.5] * 9))
    assert fit.mean[0] == pytest.approx(np.mean(y), abs=1e-9)
    assert fit.between[0, 0] == pytest.approx(np.var(y, ddof=1) - 0.5, rel=1e-6)
    half = student_t.ppf(0.975, 8) * np.std(y, ddof=1) / 3.0
    assert interval_of_the_mean(fit) == pytest.approx([np.mean(y) - half, np.mean(y) + half], rel=1e-6)
    assert fit.weights[:, 0] == pytest.approx(np.full(9, 1 / 9))


def test_studies_that_agree_have_no_spread_and_no_interval_narrower_than_their_errors() -> None:
    fit = random_effects(_single([1.0, 1.01, 0.99, 1.0], [1.0] * 4))
    assert fit.between[0, 0] == 0.0
    assert fit.hartung_knapp < 0.01
    assert fit.adjusted_covariance[0, 0] == pytest.approx(0.25)


def test_a_prior_is_worth_further_studies() -> None:
    """Equal precisions: V = ((k - 1) S² + worth sd²) / (k - 1 + worth), where S² is smaller than sd²."""
    y = np.array([1.0, 1.5, 0.5, 1.2, 0.8])
    fit = random_effects(_single(y.tolist(), [1e-9] * 5), SpreadPrior((1.5,), 2.0))
    wanted = (4 * np.var(y, ddof=1) + 2 * 1.5**2) / 6
    assert fit.between[0, 0] == pytest.approx(wanted, rel=1e-6)
    assert fit.degrees_of_freedom == 6.0
    assert fit.degrees_of_freedom_of_a_new_study == 6.0


def test_a_prior_never_narrows_what_the_studies_show() -> None:
    y = [10.0, -10.0, 5.0, -5.0, 0.0]
    plain = random_effects(_single(y, [0.1] * 5))
    fit = random_effects(_single(y, [0.1] * 5), SpreadPrior((1.5,), 2.0))
    assert fit.between[0, 0] == pytest.approx(plain.between[0, 0], rel=1e-6)


def test_one_study_needs_a_prior() -> None:
    one = _single([2.0], [0.3])
    with pytest.raises(ValueError, match="prior"):
        random_effects(one)
    fit = random_effects(one, SpreadPrior((1.5,), 2.0))
    assert (fit.mean[0], fit.degrees_of_freedom) == (2.0, 2.0)
    assert fit.new_study(np.array([1.0])).variance == pytest.approx(0.3 + 2 * 1.5**2)


def _multivariate(seed: int, k: int) -> Studies:
    random = np.random.default_rng(seed)
    truth = np.array([[4.0, 1.5], [1.5, 9.0]])
    covariances = np.array([np.array([[0.6, 0.1], [0.1, 1.2]]) * s for s in random.uniform(0.5, 2.0, k)])
    y = np.array([random.multivariate_normal([-3.0, 2.0], truth + S) for S in covariances])
    return Studies(y, covariances)


def test_two_coefficients_lie_at_the_maximum_of_the_restricted_likelihood() -> None:
    """Second route: the restricted likelihood written out for the stacked model, searched on a grid around the fit."""
    studies = _multivariate(5, 12)
    fit = random_effects(studies)
    X = np.tile(np.eye(2), (12, 1))
    y = studies.estimates.ravel()

    def minus_2(between: np.ndarray) -> float:
        V = np.zeros((24, 24))
        for i in range(12):
            V[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = studies.covariances[i] + between
        inverse = np.linalg.inv(V)
        A = X.T @ inverse @ X
        b = np.linalg.solve(A, X.T @ inverse @ y)
        r = y - X @ b
        constants = 22 * math.log(2 * math.pi)
        return float(np.linalg.slogdet(V)[1] + np.linalg.slogdet(A)[1] + r @ inverse @ r + constants)

    best = minus_2(fit.between)
    assert fit.minus_2_log_likelihood == pytest.approx(best, abs=1e-8)
    for step in (1e-3, 0.05, 0.4):
        for a, b, c in np.ndindex(3, 3, 3):
            move = np.array([[a - 1.0, b - 1.0], [b - 1.0, c - 1.0]]) * step
            trial = fit.between + move
            if np.linalg.eigvalsh(trial).min() > 0:
                assert minus_2(trial) >= best - 1e-7


def test_a_coefficient_that_a_study_lacks_is_left_out_of_it_alone() -> None:
    """Second route: with the between-study covariance as found, least squares over the values that there are."""
    studies = _multivariate(6, 9)
    y, S = studies.estimates.copy(), studies.covariances.copy()
    y[3:5, 1] = np.nan
    S[3:5, 1, :] = S[3:5, :, 1] = np.nan
    fit = random_effects(Studies(y, S))
    information, score = np.zeros((2, 2)), np.zeros(2)
    for i in range(9):
        rows = [0] if i in (3, 4) else [0, 1]
        H = np.eye(2)[rows]
        W = np.linalg.inv((studies.covariances[i] + fit.between)[np.ix_(rows, rows)])
        information += H.T @ W @ H
        score += H.T @ W @ studies.estimates[i][rows]
    assert fit.mean == pytest.approx(np.linalg.solve(information, score), rel=1e-6)
    assert fit.covariance == pytest.approx(np.linalg.inv(information), rel=1e-5)
    assert fit.n_known == (9, 7)
    assert fit.weights[3, 1] == 0.0


def test_without_each_study_is_a_fit_of_the_others() -> None:
    studies = _bcg()
    fits = leave_one_out(studies)
    assert len(fits) == 13
    keep = [i for i in range(13) if i != 4]
    alone = random_effects(Studies(studies.estimates[keep], studies.covariances[keep]))
    assert fits[4].mean[0] == alone.mean[0]
