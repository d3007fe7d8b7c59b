"""Diameter, hydrophone depth and penetration: found where the data carry them, left out with the reason where not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.spreading import Conditions, fit_campaign, fit_levels, intervals, threshold_range
from reconcile.spreading.covariates import DIAMETER_PRIOR_SD_DB_PER_DECADE
from reconcile.vocabulary.documents.campaign import PredictedRange
from reconcile.vocabulary.documents.fit import Covariate, Fit
from tests.spreading import level_campaigns as invented

# Fixed before the first run: eight piles at six places, scatter 0.3 dB; a slope lies within three standard errors
# and within the bands named beside it.
RANGES_M = dict(zip([f"S{k}" for k in range(6)], np.geomspace(400.0, 6000.0, 6).tolist(), strict=True))
DIAMETERS_M = (6.0, 7.0, 8.0, 9.0, 6.5, 7.5, 8.5, 10.0)
DEPTHS_M = (8.0, 20.0, 12.0, 18.0, 9.0, 15.0)
BY_DIAMETER, BY_DEPTH, BY_PENETRATION = 25.0, 0.15, -0.12


def _table(random: np.random.Generator, n: int = 1) -> pd.DataFrame:
    """Levels of eight piles at six places with all three covariates in them; `n` strikes each."""
    rows = []
    for p, diameter in enumerate(DIAMETERS_M):
        ramp = np.linspace(0.0, 1.0, n)
        energy = 1000.0 * 10.0 ** (0.3 * np.sin(3.0 * np.pi * ramp))
        for s, (station, range_m) in enumerate(RANGES_M.items()):
            level = 176.0 - 15.0 * np.log10(range_m / 750.0) + BY_DIAMETER * np.log10(diameter / 7.75)
            level = level + BY_DEPTH * (DEPTHS_M[s] - 13.5) + BY_PENETRATION * (30.0 * ramp - 15.0)
            level = level + 10.0 * np.log10(energy / 1000.0) + random.normal(0.0, 0.3, n)
            facts = {"range_m": range_m * 1.02**p, "pile_id": f"A{p}", "station_id": station}
            facts |= {"diameter_m": diameter, "hydrophone_depth_m": DEPTHS_M[s]}
            rows.append(pd.DataFrame({"level_db": level, "energy_kj": energy, "penetration_m": 30.0 * ramp, **facts}))
    return pd.concat(rows, ignore_index=True)


def _selected(table: pd.DataFrame, **options: bool) -> Fit:
    return next(fit for fit in fit_levels(table, **options).fits if fit.selected)


def _entry(fit: Fit, name: str) -> Covariate:
    return next(one for one in fit.covariates if one.name == name)


def test_all_three_are_found() -> None:
    fit = _selected(_table(np.random.default_rng(11), n=40))
    c = fit.coefficients
    for coefficient, truth, band in (
        (c.pile_diameter_coefficient_db_per_decade, BY_DIAMETER, 12.0),
        (c.hydrophone_depth_coefficient_db_per_m, BY_DEPTH, 0.3),
        (c.penetration_coefficient_db_per_m, BY_PENETRATION, 0.02),
    ):
        assert coefficient is not None
        assert abs(coefficient.value - truth) < min(3.0 * coefficient.standard_error, band)
    assert fit.covariance.names[4:] == (
        "penetration_coefficient_db_per_m",
        "pile_diameter_coefficient_db_per_decade",
        "hydrophone_depth_coefficient_db_per_m",
    )
    assert np.linalg.eigvalsh(np.array(fit.covariance.matrix)).min() > -1e-9
    assert c.energy_coefficient_db_per_decade.value == pytest.approx(10.0, abs=0.5)


def test_the_slope_is_that_of_least_squares_with_the_prior_as_one_more_row() -> None:
    """Closed form for given variances: a row 0 = slope with the prior's error, all weighted by the inverse of V."""
    table = _table(np.random.default_rng(12)).drop(columns=["energy_kj", "penetration_m", "hydrophone_depth_m"])
    fit = next(f for f in fit_levels(table).fits if f.model == "spreading")
    pile, place = (pd.factorize(table[name])[0] for name in ("pile_id", "station_id"))
    V = fit.residual_sd_db**2 * np.eye(len(table))
    V += fit.pile_sd_db**2 * (pile[:, None] == pile) + fit.station_sd_db**2 * (place[:, None] == place)
    z = np.log10(table["diameter_m"] / float(table["diameter_m"].median()))
    X = np.column_stack([np.ones(len(table)), -np.log10(table["range_m"] / 750.0), z])
    precision = X.T @ np.linalg.solve(V, X)
    precision[2, 2] += DIAMETER_PRIOR_SD_DB_PER_DECADE**-2.0
    b = np.linalg.solve(precision, X.T @ np.linalg.solve(V, table["level_db"].to_numpy()))
    slope = fit.coefficients.pile_diameter_coefficient_db_per_decade
    assert slope is not None
    assert slope.value == pytest.approx(b[2], abs=1e-3)
    covariance = np.linalg.inv(precision)
    names = fit.covariance.names
    place_of = [0, 1, names.index("pile_diameter_coefficient_db_per_decade")]
    assert np.array(fit.covariance.matrix)[np.ix_(place_of, place_of)] == pytest.approx(covariance, rel=1e-3, abs=1e-6)


def test_the_curve_is_asked_for_a_pile_and_a_depth() -> None:
    fit = _selected(_table(np.random.default_rng(13), n=40))
    at_reference = intervals(fit, 1000.0)
    asked = intervals(fit, 1000.0, conditions=Conditions(pile_diameter_m=9.5, hydrophone_depth_m=20.0))
    diameter, depth = (_entry(fit, name).reference for name in ("pile_diameter_m", "hydrophone_depth_m"))
    c = fit.coefficients
    assert diameter is not None
    assert depth is not None
    assert c.pile_diameter_coefficient_db_per_decade is not None
    assert c.hydrophone_depth_coefficient_db_per_m is not None
    expected = c.pile_diameter_coefficient_db_per_decade.value * np.log10(9.5 / diameter)
    expected += c.hydrophone_depth_coefficient_db_per_m.value * (20.0 - depth)
    assert float(asked.level_db[0] - at_reference.level_db[0]) == pytest.approx(expected)
    wider = (asked.confidence_high_db - asked.confidence_low_db) - (
        at_reference.confidence_high_db - at_reference.confidence_low_db
    )
    assert float(wider[0]) > 0
    larger = threshold_range(fit, 170.0, conditions=Conditions(pile_diameter_m=9.5))
    assert (larger.range_m or 0.0) > (threshold_range(fit, 170.0).range_m or 0.0)
    assert larger.pile_diameter_m == 9.5


def test_what_the_data_cannot_carry_is_left_out_and_said() -> None:
    table = _table(np.random.default_rng(14), n=40)
    few = table[table["pile_id"].isin(["A0", "A3"])]
    assert "fewer than" in _entry(_selected(few), "pile_diameter_m").reason
    alike = table.assign(diameter_m=8.0, hydrophone_depth_m=12.0)
    assert _entry(_selected(alike), "pile_diameter_m").reason == "the diameters are too much alike"
    assert _entry(_selected(alike), "hydrophone_depth_m").reason == "the depths are too much alike"
    deeper = table.assign(hydrophone_depth_m=10.0 * np.log10(table["range_m"]))
    assert _entry(_selected(deeper), "hydrophone_depth_m").reason == "it goes with the range"
    together = table.assign(penetration_m=10.0 * np.log10(table["energy_kj"]))
    assert _entry(_selected(together), "penetration_m").reason == "it goes with the strike energy"
    unknown = _selected(table[["range_m", "level_db", "pile_id", "station_id"]])
    assert {one.reason for one in unknown.covariates} == {"it is not known", "energies are not known"}
    assert all(one.coefficient is None for one in unknown.covariates)
    assert len(unknown.covariance.names) == 4
    robust = _selected(table, robust=True)
    assert "Student" in _entry(robust, "pile_diameter_m").reason


def test_a_campaign_states_diameters_and_distances_are_those_of_the_pile_asked_for() -> None:
    random = np.random.default_rng(15)
    cells = {(f"A{p}", s): r * 1.02**p for p in range(8) for s, r in RANGES_M.items()}
    piles = [invented.pile(f"A{p}", diameter_m=d, prediction_id=f"P{p}") for p, d in enumerate(DIAMETERS_M)]
    asked = PredictedRange(line=2, prediction_id="P7", quantity="exposure_level", threshold_db=170.0, range_m=1500.0)
    campaign = invented.campaign(piles, cells, predicted_ranges=[asked])

    def level(pile: str, _station: str, range_m: float) -> np.ndarray:
        by_diameter = BY_DIAMETER * np.log10(DIAMETERS_M[int(pile[1:])] / 7.75)
        return float(invented.line_db(range_m, 176.0, 15.0)) + by_diameter + random.normal(0.0, 0.3, 5)

    document = fit_campaign(invented.strikes(cells, level), invented.NO_BANDS, campaign)
    fit = next(f for f in document.fits if f.selected and f.quantity == "exposure_level")
    assert fit.coefficients.pile_diameter_coefficient_db_per_decade is not None
    assert fit.threshold_ranges[0].pile_diameter_m == 10.0
