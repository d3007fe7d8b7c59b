"""Distances to a level: closed forms against published and computed values, intervals against a slow scan."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.spreading import fit_levels, intervals, range_to_threshold, threshold_range
from reconcile.spreading.rivals import rivals
from reconcile.vocabulary.documents.fit import Fit

REFERENCE = Path(__file__).parents[1] / "reference"
_DAMPED = pd.read_csv(REFERENCE / "damped_cylindrical_check_values.csv", comment="#")
_SPREADING = pd.read_csv(REFERENCE / "spreading_check_values.csv", comment="#")
_RANGES = _DAMPED[_DAMPED["check"] == "range"]
_PUBLISHED = _DAMPED[_DAMPED["check"] == "published_range"]
_DISTANCES = _SPREADING[_SPREADING["check"] == "distance_to_threshold"]


@pytest.mark.parametrize(
    "row", list(_RANGES.itertuples()), ids=lambda row: f"{row.attenuation_db_per_km}-{row.level_db}"
)
def test_damped_cylindrical_range(row: object) -> None:
    found = range_to_threshold(
        float(row.reference_level_db), 10.0, row.attenuation_db_per_km, float(row.reference_range_m), row.level_db
    )
    assert found == pytest.approx(row.range_m, abs=row.tolerance)


@pytest.mark.parametrize(
    "row", list(_DISTANCES.itertuples()), ids=lambda row: f"{row.level_at_r1_db}-{row.threshold_db}"
)
def test_power_law_range(row: object) -> None:
    found = range_to_threshold(row.level_at_r1_db, row.spreading_coefficient, 0.0, row.r1_m, row.threshold_db)
    assert found == pytest.approx(row.expected, abs=row.tolerance)


def test_four_published_ranges_lie_on_one_fitted_curve() -> None:
    # Ainslie et al. 2020 (ranges read; thresholds memory-high): abatement of 10 dB is the unabated curve read 10 dB
    # higher. One curve of 1.32 dB/km and 176.8 dB at 750 m (single strike, 3500 strikes) meets all four.
    abated = _PUBLISHED["note"].str.contains("10 dB abatement")
    level = _PUBLISHED["level_db"] + np.where(abated, 10.0, 0.0)
    single = level - 10.0 * np.log10(_PUBLISHED["n_strikes"].astype(float))
    table = pd.DataFrame({"range_m": _PUBLISHED["range_m"], "level_db": single, "quantity": "exposure_level"})
    fit = next(f for f in fit_levels(table).fits if f.model == "damped_cylindrical")
    assert fit.selected
    assert round(fit.coefficients.attenuation_db_per_km.value, 2) == 1.32
    assert round(fit.coefficients.level_at_reference_db.value, 1) == 176.8
    for threshold, published, tolerance in zip(level, _PUBLISHED["range_m"], _PUBLISHED["tolerance"], strict=True):
        found = threshold_range(fit, threshold, quantity="cumulative_exposure_level", n_strikes=3500)
        assert found.range_m == pytest.approx(published, abs=tolerance)


@pytest.mark.parametrize(
    ("coefficients", "threshold"),
    [
        ((170.0, -3.0, 0.0), 160.0),
        ((170.0, 0.0, 0.0), 160.0),
        ((170.0, 15.0, 0.0), 230.0),
        ((170.0, 10.0, -1.0), 160.0),
    ],
    ids=["rising", "flat", "never so loud from 1 m on", "negative attenuation"],
)
def test_a_threshold_that_is_not_reached(coefficients: tuple[float, float, float], threshold: float) -> None:
    assert range_to_threshold(*coefficients, 750.0, threshold) is None


def test_attenuation_without_spreading_is_a_straight_line() -> None:
    assert range_to_threshold(170.0, 0.0, 2.0, 750.0, 160.0) == pytest.approx(750.0 + 5000.0)


def _scattered_fit(model: str) -> Fit:
    random = np.random.default_rng(3)
    ranges = np.geomspace(300.0, 6000.0, 12)
    level = 175.0 - 14.0 * np.log10(ranges / 750.0) - 0.8 * (ranges - 750.0) / 1000.0 + random.normal(0.0, 1.0, 12)
    table = pd.DataFrame({"range_m": ranges, "level_db": level, "quantity": "exposure_level"})
    return next(fit for fit in fit_levels(table).fits if fit.model == model)


@pytest.mark.parametrize("model", ["spreading", "damped_cylindrical", "spreading_attenuation"])
def test_the_interval_holds_the_ranges_whose_band_holds_the_threshold(model: str) -> None:
    fit = _scattered_fit(model)
    found = threshold_range(fit, 165.0)
    grid = np.arange(500.0, 12_000.0, 0.5)  # the slow route: every half metre
    curve = intervals(fit, grid)
    inside = grid[(curve.confidence_low_db <= 165.0) & (curve.confidence_high_db >= 165.0)]
    assert found.interval_m == pytest.approx((inside[0], inside[-1]), abs=1.0)
    assert not found.extrapolated


def test_outside_the_measured_ranges_it_is_extrapolated() -> None:
    assert threshold_range(_scattered_fit("spreading"), 150.0).extrapolated
    assert threshold_range(_scattered_fit("spreading"), 200.0).extrapolated


def test_a_stated_statistic_raises_the_curve() -> None:
    fit = _scattered_fit("spreading").model_copy(
        update={"strike_sd_as_recorded_db": 2.0, "level_as_recorded_offset_db": -1.0}
    )
    # Normal levels: energy mean = mean + ln(10)/20·variance = 0.4605 dB for 2 dB; 10 lg 1000 = 30 dB.
    for statistic, quantity, raised in (
        (None, None, 0.0),
        ("median", None, 0.0),
        ("mean", None, -1.0),
        ("exceeded_5", None, -1.0 + 1.6449 * 2.0),
        ("energy_mean", None, -1.0 + 0.4605),
        (None, "cumulative_exposure_level", -1.0 + 0.4605 + 30.0),
    ):
        found = threshold_range(fit, 165.0 + raised, statistic=statistic, quantity=quantity, n_strikes=1000)
        assert found.range_m == pytest.approx(threshold_range(fit, 165.0).range_m, rel=1e-4)


def test_nearer_than_the_nearest_station_or_three_water_depths_it_is_less_than() -> None:
    fit = _scattered_fit("spreading")  # from 300 m on
    assert threshold_range(fit, 165.0).less_than_m is None
    near = threshold_range(fit, 183.0)
    assert near.range_m is not None
    assert near.range_m < 300.0
    assert near.less_than_m == pytest.approx(300.0)
    assert near.extrapolated
    deep = fit.model_copy(update={"water_depth_m": 200.0})
    assert threshold_range(deep, 178.0).less_than_m == pytest.approx(600.0)


def test_beyond_the_stations_the_interval_is_the_envelope_of_the_models_the_data_support() -> None:
    random = np.random.default_rng(3)
    ranges = np.geomspace(300.0, 6000.0, 12)
    level = 175.0 - 14.0 * np.log10(ranges / 750.0) - 0.8 * (ranges - 750.0) / 1000.0 + random.normal(0.0, 1.8, 12)
    document = fit_levels(pd.DataFrame({"range_m": ranges, "level_db": level, "quantity": "exposure_level"}))
    fit = next(entry for entry in document.fits if entry.selected)
    others = rivals(fit, document)
    assert others
    assert all(other.aicc - fit.aicc <= 2.0 for other in others)  # type: ignore[operator]
    far = threshold_range(fit, 154.0, rivals=others)
    alone = [threshold_range(entry, 154.0) for entry in (fit, *others)]
    assert far.interval_m[0] == min(found.interval_m[0] for found in alone)  # type: ignore[type-var]
    assert far.interval_m[1] == max(found.interval_m[1] for found in alone)  # type: ignore[type-var]
    assert threshold_range(fit, 165.0, rivals=others).interval_m == threshold_range(fit, 165.0).interval_m


def test_prediction_intervals_of_a_strike_a_pile_and_a_site_are_three_things() -> None:
    fit = _scattered_fit("spreading")
    small = fit.small_sample.model_copy(update={"covariance": ((0.0,),)})  # variances known: 1.96 standard errors
    spreads = {"residual_sd_db": 0.6, "pile_sd_db": 2.0, "station_sd_db": 1.5, "system_sd_db": 0.7, "strike_sd_db": 1.1}
    fit = fit.model_copy(update={"small_sample": small, **spreads})
    curve = intervals(fit, 1000.0)
    mean = ((curve.confidence_high_db[0] - curve.level_db[0]) / 1.959964) ** 2
    for new, variance in (
        ("strike", 0.6**2 + 1.1**2),
        ("pile", 0.6**2 + 2.0**2),
        ("site", 0.6**2 + 2.0**2 + 1.5**2),
        ("measured_site", 0.6**2 + 2.0**2 + 1.5**2 + 0.7**2),
    ):
        found = intervals(fit, 1000.0, new=new)  # type: ignore[arg-type]
        half = (found.prediction_high_db[0] - found.level_db[0]) / 1.959964
        assert half**2 == pytest.approx(mean + variance, rel=1e-5)
