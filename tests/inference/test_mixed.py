"""Mixed models against published estimates, a second program and closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.inference import LinearFit, Prior, fit_linear, shared_covariance, structure
from tests.inference.published import certified, data


def _dyestuff(restricted: bool) -> LinearFit:
    table = data("dyestuff")
    layout = structure({"batch": table["batch"].tolist()}, np.zeros((30, 30)))
    return fit_linear(table["yield_g"].to_numpy(float), np.ones((30, 1)), layout, restricted=restricted)


def test_dyestuff_restricted_to_the_printed_digits() -> None:
    fit, expected = _dyestuff(restricted=True), certified("dyestuff")
    assert fit.coefficients[0] == pytest.approx(expected["mean"], abs=0.05)
    assert fit.variance("batch") == pytest.approx(expected["reml_variance_batch"], abs=0.005)
    assert fit.variance("residual") == pytest.approx(expected["reml_variance_residual"], abs=0.005)
    assert np.sqrt(fit.variance("batch")) == pytest.approx(expected["reml_sd_batch"], abs=5e-7)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(expected["reml_se_mean"], abs=5e-7)
    assert fit.minus_2_log_likelihood == pytest.approx(expected["reml_criterion"], abs=5e-7)


def test_dyestuff_maximum_likelihood() -> None:
    fit, expected = _dyestuff(restricted=False), certified("dyestuff")
    assert fit.variance("batch") == pytest.approx(expected["ml_variance_batch"], abs=5e-6)
    assert fit.variance("residual") == pytest.approx(expected["ml_variance_residual"], abs=0.005)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(expected["ml_se_mean"], abs=5e-7)
    assert fit.minus_2_log_likelihood == pytest.approx(expected["ml_minus_2_log_likelihood"], abs=5e-6)


def test_balanced_groups_have_one_degree_less_than_groups() -> None:
    # One-way balanced: the mean's variance rests on the mean square between 6 batches alone.
    assert _dyestuff(restricted=True).contrast([1.0]).degrees_of_freedom == pytest.approx(5.0, rel=1e-6)


@pytest.mark.parametrize(("restricted", "prefix"), [(True, "reml"), (False, "ml")])
def test_sleep_study_with_random_intercepts(restricted: bool, prefix: str) -> None:
    table, expected = data("sleepstudy"), certified("sleepstudy_random_intercept")
    X = np.column_stack([np.ones(180), table["days"].to_numpy(float)])
    layout = structure({"subject": table["subject"].tolist()}, np.zeros((180, 180)))
    fit = fit_linear(table["reaction_ms"].to_numpy(float), X, layout, restricted=restricted)
    errors = np.sqrt(np.diag(fit.covariance))
    for k in (0, 1):
        assert fit.coefficients[k] == pytest.approx(expected[f"{prefix}_b{k}"], abs=5e-5)
        assert errors[k] == pytest.approx(expected[f"{prefix}_se_b{k}"], abs=5e-5)
    assert np.sqrt(fit.variance("subject")) == pytest.approx(expected[f"{prefix}_sd_intercept"], abs=5e-5)
    assert np.sqrt(fit.variance("residual")) == pytest.approx(expected[f"{prefix}_sd_residual"], abs=5e-5)
    criterion = expected["reml_criterion" if restricted else "ml_deviance"]
    assert fit.minus_2_log_likelihood == pytest.approx(criterion, abs=5e-5)


def test_crossed_effects_agree_with_a_second_program() -> None:
    mixed_lm = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    random = np.random.default_rng(11)
    pile, place = (labels.ravel() for labels in np.meshgrid(np.arange(8), np.arange(6), indexing="ij"))
    x = np.linspace(-0.2, 0.9, 6)[place] + random.normal(0.0, 0.05, 48)
    y = 170.0 - 15.0 * x + random.normal(0, 2, 8)[pile] + random.normal(0, 1, 6)[place] + random.normal(0, 0.7, 48)
    layout = structure({"pile": pile.tolist(), "place": place.tolist()}, np.zeros((48, 48)))
    fit = fit_linear(y, np.column_stack([np.ones(48), x]), layout)
    frame = pd.DataFrame({"y": y, "x": x, "pile": pile, "place": place, "all": 1})
    model = mixed_lm.MixedLM.from_formula(
        "y ~ x", frame, groups="all", re_formula="0", vc_formula={"pile": "0 + C(pile)", "place": "0 + C(place)"}
    )
    other = model.fit(reml=True, method=["bfgs", "lbfgs"])
    variances = dict(zip(model.exog_vc.names, other.vcomp, strict=True))  # its order is alphabetical, not ours
    np.testing.assert_allclose(fit.coefficients, other.fe_params.to_numpy(), rtol=1e-4)
    for name in ("pile", "place"):
        assert fit.variance(name) == pytest.approx(variances[name], rel=0.01)
    assert fit.variance("residual") == pytest.approx(other.scale, rel=0.01)
    assert -0.5 * fit.minus_2_log_likelihood >= other.llf - 1e-6
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), other.bse_fe.to_numpy(), rtol=0.01)


def test_a_variance_that_the_data_do_not_show_is_zero() -> None:
    # The group means are equal, so the between mean square is below the within one: REML sits at the bound.
    y = np.array([1.0, -1.0, 2.0, -2.0, 0.5, -0.5])
    layout = structure({"group": [0, 0, 1, 1, 2, 2]}, np.zeros((6, 6)))
    fit = fit_linear(y, np.ones((6, 1)), layout)
    assert fit.variance("group") == 0.0
    assert fit.variance("residual") == pytest.approx(float(y @ y) / 5.0, rel=1e-6)


def test_known_variances_weight_the_mean() -> None:
    # Two chains of known uncertainty 1 and 2, no scatter to estimate: the weighted mean and 1/(1 + 1/4), closed form.
    layout = structure({"place": ["a", "b"]}, shared_covariance(["a", "b"], [1.0, 2.0]), {"place": Prior(1e-6, 1e9)})
    fit = fit_linear(np.array([0.0, 5.0]), np.ones((2, 1)), layout)
    assert fit.coefficients[0] == pytest.approx(1.0, rel=1e-6)
    estimate = fit.contrast([1.0], known_variance=0.25)
    assert estimate.variance == pytest.approx(0.8 + 0.25, rel=1e-6)
    assert estimate.degrees_of_freedom == pytest.approx(1e6)


def test_a_single_group_is_known_by_its_prior_alone() -> None:
    layout = structure({"pile": ["A"]}, np.zeros((1, 1)), {"pile": Prior(standard_deviation=1.5, worth=2.0)})
    estimate = fit_linear(np.array([4.0]), np.ones((1, 1)), layout).contrast([1.0])
    assert estimate.value == 4.0
    assert estimate.standard_error == pytest.approx(1.5)
    assert estimate.degrees_of_freedom == pytest.approx(2.0)


def test_many_groups_outweigh_the_prior() -> None:
    random = np.random.default_rng(5)
    group = np.repeat(np.arange(200), 3)
    y = random.normal(0.0, 4.0, 200)[group] + random.normal(0.0, 0.5, 600)
    known, labels = np.zeros((600, 600)), {"group": group.tolist()}
    plain = fit_linear(y, np.ones((600, 1)), structure(labels, known))
    held = fit_linear(y, np.ones((600, 1)), structure(labels, known, {"group": Prior(1.5, 2.0)}))
    assert held.variance("group") == pytest.approx(plain.variance("group"), rel=0.02)


def test_the_residual_is_left_out_where_every_group_has_one_row() -> None:
    layout = structure({"pile": [1, 1, 1], "place": [1, 2, 3]}, np.zeros((3, 3)))
    assert layout.names == ("pile", "place")
