"""How likely a predicted distance was exceeded, the areas, and the distance of most places."""

from __future__ import annotations

import math

import pytest
from scipy.stats import norm

from reconcile.comparison.exceedance import circle_km2, distance_of_most_places_m, probabilities_exceeded
from reconcile.spreading.conditions import Conditions
from reconcile.spreading.predicted_distances import measured_distance
from reconcile.vocabulary.documents.campaign import PredictedRange
from reconcile.vocabulary.documents.fit import Coefficient, Fit
from reconcile.vocabulary.documents.fit_parts import Covariate
from tests.report.small_evidence import fit_document


def _fit(**changes: object) -> Fit:
    """175 dB at 750 m, 17 dB per decade; the level known to 1 dB, the slope exactly, nothing estimated from few."""
    fit = next(f for f in fit_document().fits if f.selected)
    size = len(fit.covariance.matrix)
    matrix = [[0.0] * size for _ in range(size)]
    matrix[0][0] = 1.0
    known = tuple(tuple(0.0 for _ in row) for row in fit.small_sample.covariance)
    small = fit.small_sample.model_copy(update={"covariance": known})
    return fit.model_copy(
        update={
            "covariance": fit.covariance.model_copy(update={"matrix": tuple(tuple(row) for row in matrix)}),
            "small_sample": small,
            "residual_sd_db": 0.0,
            "pile_sd_db": 2.0,
            "station_sd_db": 1.0,
        }
        | changes
    )


def _row(range_m: float, threshold_db: float = 160.0) -> PredictedRange:
    return PredictedRange(
        line=2, prediction_id="P1", quantity="exposure_level", threshold_db=threshold_db, range_m=range_m
    )


@pytest.mark.parametrize("range_m", [3000.0, 5000.0, 6500.0])
def test_probabilities_are_those_of_the_normal_distribution_where_all_is_known(range_m: float) -> None:
    fit = _fit()
    c = fit.coefficients
    level = c.level_at_reference_db.value - c.spreading_coefficient_db_per_decade.value * math.log10(range_m / 750.0)
    mean, new = probabilities_exceeded(fit, _row(range_m))
    assert mean == pytest.approx(float(norm.cdf(level - 160.0)), abs=1e-3)
    assert new == pytest.approx(float(norm.cdf((level - 160.0) / math.sqrt(1.0 + 2.0**2 + 1.0**2))), abs=1e-3)


def test_at_the_measured_distance_it_is_one_half() -> None:
    fit = _fit()
    n = fit.coefficients.spreading_coefficient_db_per_decade.value
    level = fit.coefficients.level_at_reference_db.value
    met = 750.0 * 10.0 ** ((level - 160.0) / n)
    assert probabilities_exceeded(fit, _row(met)) == pytest.approx((0.5, 0.5), abs=1e-6)
    # 95 % of places lie below the curve raised by 1.645 of their standard deviations
    assert distance_of_most_places_m(fit, _row(met)) == pytest.approx(met * 10.0 ** (1.6449 / n), rel=1e-3)


def test_areas_are_circles() -> None:
    assert circle_km2(2000.0) == pytest.approx(4.0 * math.pi)
    assert circle_km2(None) is None


def _one_larger(matrix: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
    """With a row and a column more, known exactly."""
    return (*((*row, 0.0) for row in matrix), (0.0,) * (len(matrix) + 1))


def test_a_thicker_pile_is_met_further_out_by_its_own_diameter() -> None:
    fit = _fit()
    n = fit.coefficients.spreading_coefficient_db_per_decade.value
    diameter = Covariate(
        name="pile_diameter_m",
        coefficient="pile_diameter_coefficient_db_per_decade",
        reference=8.0,
        prior_sd=20.0,
        reason="piles of 6 to 10 m",
    )
    slope = Coefficient(value=10.0, standard_error=0.0)
    by_diameter = fit.coefficients.model_copy(update={"pile_diameter_coefficient_db_per_decade": slope})
    covariance = fit.covariance.model_copy(
        update={"names": (*fit.covariance.names, diameter.coefficient), "matrix": _one_larger(fit.covariance.matrix)}
    )
    gradients = tuple(_one_larger(matrix) for matrix in fit.small_sample.gradients)
    small = fit.small_sample.model_copy(update={"gradients": gradients})
    changes = {"coefficients": by_diameter, "covariates": (diameter,), "covariance": covariance, "small_sample": small}
    fit = fit.model_copy(update=changes)
    twice = Conditions(pile_diameter_m=16.0)  # 3.01 dB louder
    level = fit.coefficients.level_at_reference_db.value + 10.0 * math.log10(2.0)
    met = 750.0 * 10.0 ** ((level - 160.0) / n)
    assert measured_distance(fit, _row(met), twice).range_m == pytest.approx(met, rel=1e-6)
    assert probabilities_exceeded(fit, _row(met), twice)[0] == pytest.approx(0.5, abs=1e-6)
    assert probabilities_exceeded(fit, _row(met))[0] < 0.01  # the reference pile, 3 dB quieter and known to 1 dB
