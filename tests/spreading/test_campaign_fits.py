"""Fits of invented campaigns whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.spreading import fit_campaign, intervals
from reconcile.vocabulary.documents.campaign import PredictedRange
from reconcile.vocabulary.documents.fit import Fit, FitDocument
from reconcile.vocabulary.tables.bands import exposure_column, noise_column
from tests.spreading import level_campaigns as invented

PILES = [f"A{k}" for k in range(6)]
STATIONS = {"S0": 500.0, "S1": 750.0, "S2": 1500.0, "S3": 3000.0, "S4": 6000.0}
LEVEL_DB, SPREADING_DB, ALPHA_DB_PER_KM = 176.0, 14.0, 0.8


def _cells(piles: list[str] | None = None) -> dict[tuple[str, str], float]:
    random = np.random.default_rng(77)
    return {(p, s): r * float(10 ** random.normal(0, 0.04)) for p in piles or PILES for s, r in STATIONS.items()}


def _truth(range_m: float) -> float:
    line = float(invented.line_db(range_m, LEVEL_DB, SPREADING_DB))
    return line - ALPHA_DB_PER_KM * (range_m - 750.0) / 1000.0


def _fit(document: FitDocument, quantity: str = "exposure_level", model: str | None = None, **facts: object) -> Fit:
    return next(
        fit
        for fit in document.fits
        if fit.quantity == quantity
        and fit.weighting == facts.get("weighting", "none")
        and fit.band_hz == facts.get("band_hz")
        and (fit.selected if model is None else fit.model == model)
    )


def _table(seed: int = 1, scatter_db: float = 0.5, n: int = 40, cells: object = None) -> pd.DataFrame:
    random = np.random.default_rng(seed)
    return invented.strikes(
        cells or _cells(),  # type: ignore[arg-type]
        lambda _p, _s, r: _truth(r) + random.normal(0, scatter_db, n),
    )


def test_an_exact_campaign_gives_its_law_back() -> None:
    # Only strike scatter of 0.5 dB over 40 strikes: the curve is known to about 0.02 dB.
    cells = _cells()
    project = invented.campaign([invented.pile(p) for p in PILES], cells)
    fit = _fit(fit_campaign(_table(), invented.NO_BANDS, project), model="spreading_attenuation")
    c = fit.coefficients
    assert c.level_at_reference_db.value == pytest.approx(LEVEL_DB, abs=0.1)
    assert c.spreading_coefficient_db_per_decade.value == pytest.approx(SPREADING_DB, abs=0.4)
    assert c.attenuation_db_per_km.value == pytest.approx(ALPHA_DB_PER_KM, abs=0.06)
    assert fit.n_observations == 30
    assert fit.n_strikes == 1200
    assert fit.strike_sd_db == pytest.approx(0.5, abs=0.03)
    assert fit.system_sd_db == pytest.approx(0.7)
    assert (fit.n_piles, fit.n_stations) == (6, 5)
    assert "few_piles" in fit.flags


def test_every_model_is_listed_and_one_of_each_is_selected() -> None:
    document = fit_campaign(_table(), invented.NO_BANDS, invented.campaign([invented.pile(p) for p in PILES], _cells()))
    for quantity in ("exposure_level", "peak_level", "rms_level"):
        fits = [fit for fit in document.fits if fit.quantity == quantity]
        assert {fit.model for fit in fits} == {"spreading", "spreading_attenuation", "damped_cylindrical"}
        assert sum(fit.selected for fit in fits) == 1
        assert all((fit.chosen_because is None) != fit.selected for fit in fits)
    assert "not_supported" in _fit(document, "peak_level", "damped_cylindrical").flags
    assert "not_supported" not in _fit(document, "exposure_level", "damped_cylindrical").flags


def test_what_all_chains_share_is_in_the_level_alone() -> None:
    piles = [invented.pile(p) for p in PILES]
    without = _fit(fit_campaign(_table(), invented.NO_BANDS, invented.campaign(piles, _cells(), common_db=0.0)))
    with_it = _fit(fit_campaign(_table(), invented.NO_BANDS, invented.campaign(piles, _cells(), common_db=1.2)))
    difference = np.array(with_it.covariance.matrix) - np.array(without.covariance.matrix)
    assert difference[0, 0] == pytest.approx(1.44)
    difference[0, 0] = 0.0
    assert np.abs(difference).max() < 1e-12


def test_groups_are_never_mixed() -> None:
    cells = _cells()
    piles = [invented.pile(p) for p in PILES[:4]]
    piles += [invented.pile(PILES[4], abatement="bubble curtain"), invented.pile(PILES[5], abatement="Bubble curtain ")]
    table = _table()
    quieter = table["pile_id"].isin(PILES[4:])
    table.loc[quieter, "exposure_level_db"] -= 10.0
    document = fit_campaign(table, invented.NO_BANDS, invented.campaign(piles, cells))
    levels = {
        fit.abatement: fit.coefficients.level_at_reference_db.value
        for fit in document.fits
        if fit.quantity == "exposure_level" and fit.selected
    }
    assert set(levels) == {"none", "bubble curtain"}
    assert levels["none"] - levels["bubble curtain"] == pytest.approx(10.0, abs=0.2)


def test_the_energy_coefficient_is_fitted_within_piles() -> None:
    # Between piles the level falls with energy, within piles it rises by 12 dB per decade.
    random = np.random.default_rng(4)
    mean = {p: 800.0 + 300.0 * k for k, p in enumerate(PILES)}
    energy = {p: mean[p] * np.geomspace(0.4, 1.6, 60) for p in PILES}

    def level(pile_id: str, _station: str, range_m: float) -> np.ndarray:
        at = 12.0 * np.log10(energy[pile_id] / 1500.0) - 25.0 * np.log10(mean[pile_id] / 1500.0)
        return _truth(range_m) + at + random.normal(0, 0.5, 60)

    cells = _cells()
    table = invented.strikes(cells, level, lambda p: energy[p])
    fit = _fit(fit_campaign(table, invented.NO_BANDS, invented.campaign([invented.pile(p) for p in PILES], cells)))
    coefficient = fit.coefficients.energy_coefficient_db_per_decade
    assert "energy_coefficient_assumed" not in fit.flags
    assert 0 < coefficient.standard_error < 0.5
    assert coefficient.value == pytest.approx(12.0, abs=3 * coefficient.standard_error)
    assert fit.reference_energy_kj == pytest.approx(np.median(np.concatenate([energy[p] for p in PILES])))
    assert fit.strike_sd_db == pytest.approx(0.5, abs=0.05)
    assert (fit.strike_sd_as_recorded_db or 0) > 1.5


def test_without_energies_the_coefficient_is_assumed_and_no_reference_energy_given() -> None:
    fit = _fit(
        fit_campaign(_table(), invented.NO_BANDS, invented.campaign([invented.pile(p) for p in PILES], _cells()))
    )
    assert "energy_coefficient_assumed" in fit.flags
    assert fit.reference_energy_kj is None
    assert fit.coefficients.energy_coefficient_db_per_decade.standard_error == 0.0


def test_excluded_strikes_do_not_move_the_fit() -> None:
    project = invented.campaign([invented.pile(p) for p in PILES], _cells())
    clean = _table()
    spoilt = clean.copy()
    wrong = spoilt.sample(frac=0.1, random_state=1).assign(exposure_level_db=250.0)
    wrong["flags"] = [["recording_edge"]] * len(wrong)
    spoilt = pd.concat([spoilt, wrong], ignore_index=True)
    assert fit_campaign(spoilt, invented.NO_BANDS, project).fits == fit_campaign(clean, invented.NO_BANDS, project).fits


def test_censored_strikes_are_counted_and_in_the_likelihood() -> None:
    table = _table(scatter_db=1.5)
    true = _fit(fit_campaign(table, invented.NO_BANDS, invented.campaign([invented.pile(p) for p in PILES], _cells())))
    limit_db = float(table.loc[table["station_id"] == "S4", "exposure_level_db"].quantile(0.6))
    faint = (table["station_id"] == "S4") & (table["exposure_level_db"] < limit_db)
    top_db = float(table.loc[table["station_id"] == "S0", "peak_level_db"].quantile(0.8))
    clipped = (table["station_id"] == "S0") & (table["peak_level_db"] > top_db)
    table.loc[faint, ["exposure_level_db", "exposure_censoring"]] = [limit_db, "at_most"]
    table.loc[clipped, ["peak_level_db", "peak_censoring"]] = [top_db, "at_least"]
    # rms is null below 6 dB of signal to noise: less than 0.9·10^0.6 times the background, 5.54 dB above its level
    table["noise_level_db"] = limit_db + 9.0 - 6.0 - 10.0 * np.log10(0.9)
    table.loc[faint, "rms_level_db"] = np.nan
    document = fit_campaign(table, invented.NO_BANDS, invented.campaign([invented.pile(p) for p in PILES], _cells()))
    for quantity, rows, raised in (
        ("exposure_level", faint, 0.0),
        ("rms_level", faint, 9.0),
        ("peak_level", clipped, 20.0),
    ):
        fit = _fit(document, quantity, "spreading_attenuation")
        assert fit.n_censored == int(rows.sum())
        assert fit.n_strikes == len(table)
        assert "censored_rows" in fit.flags
        for range_m in (500.0, 750.0, 6000.0):  # as if nothing had been hidden
            found = intervals(fit, range_m).level_db[0] - raised
            assert found == pytest.approx(intervals(true, range_m).level_db[0], abs=0.6)


def test_a_station_that_heard_nothing_still_bends_the_curve() -> None:
    table = _table(scatter_db=1.5)
    silent = table["station_id"] == "S4"
    project = invented.campaign([invented.pile(p) for p in PILES], _cells())
    table.loc[silent, ["exposure_level_db", "exposure_censoring"]] = [_truth(6000.0) - 3.0, "at_most"]
    fit = _fit(fit_campaign(table, invented.NO_BANDS, project), model="spreading")
    without = _fit(fit_campaign(table[~silent], invented.NO_BANDS, project), model="spreading")
    at_6_km = [intervals(f, 6000.0).level_db[0] for f in (fit, without)]
    assert at_6_km[0] < at_6_km[1] - 0.5
    assert fit.range_max_m == without.range_max_m < 4000.0


def test_bands_and_weightings_by_their_own_background() -> None:
    table = _table()
    table["exposure_level_nmfs_2024_lf_db"] = table["exposure_level_db"] - 5.0
    table["exposure_censoring_nmfs_2024_lf"] = "none"
    bands = table[["strike_id", "station_id"]].copy()
    bands[exposure_column(30)] = (table["exposure_level_db"] - 12.0).astype("float32")
    bands[noise_column(30)] = np.float32(100.0)
    faint = table["station_id"] == "S4"
    bands.loc[faint, noise_column(30)] = bands.loc[faint, exposure_column(30)] - 2.0
    project = invented.campaign([invented.pile(p) for p in PILES], _cells(), weightings=("nmfs-2024:LF",))
    document = fit_campaign(table, bands, project)
    weighted = _fit(document, model="spreading_attenuation", weighting="nmfs-2024:LF")
    assert weighted.coefficients.level_at_reference_db.value == pytest.approx(LEVEL_DB - 5.0, abs=0.1)
    band = _fit(document, band_hz=1000.0)
    assert band.n_censored == int(faint.sum())
    assert band.range_max_m < 4000.0


def test_ranges_come_from_the_campaign_where_the_strikes_have_none() -> None:
    project = invented.campaign([invented.pile(p) for p in PILES], _cells())
    table = _table()
    stated = fit_campaign(table, invented.NO_BANDS, project)
    table["range_m"] = np.nan
    assert fit_campaign(table, invented.NO_BANDS, project).fits == stated.fits


def test_one_station_carries_no_fit_and_it_is_said() -> None:
    cells = {(p, "S1"): 750.0 for p in PILES}
    document = fit_campaign(
        _table(cells=cells), invented.NO_BANDS, invented.campaign([invented.pile(p) for p in PILES], cells)
    )
    assert document.fits == ()
    assert {row.quantity for row in document.not_fitted} == {"exposure_level", "peak_level", "rms_level"}


def test_one_pile_at_two_stations_is_fitted_with_wide_intervals() -> None:
    cells = {("A0", "S0"): 500.0, ("A0", "S3"): 3000.0}
    project = invented.campaign([invented.pile("A0")], cells)
    fit = _fit(fit_campaign(_table(cells=cells), invented.NO_BANDS, project))
    assert {"few_piles", "few_stations"} <= set(fit.flags)
    curve = intervals(fit, [500.0, 3000.0])
    assert (curve.confidence_high_db - curve.confidence_low_db > 5.0).all()


def test_predicted_thresholds_are_met_by_the_curve() -> None:
    predicted = [
        PredictedRange(line=2, prediction_id="P1", quantity="exposure_level", threshold_db=165.0, range_m=3000.0),
        PredictedRange(
            line=3,
            prediction_id="P1",
            quantity="cumulative_exposure_level",
            threshold_db=198.0,
            range_m=3000.0,
            n_strikes=2000,
        ),
        PredictedRange(
            line=4, prediction_id="P1", quantity="cumulative_exposure_level", threshold_db=198.0, range_m=3000.0
        ),
    ]
    project = invented.campaign([invented.pile(p) for p in PILES], _cells(), predicted_ranges=predicted)
    fit = _fit(fit_campaign(_table(), invented.NO_BANDS, project))
    single, cumulative = fit.threshold_ranges
    assert single.range_m is not None
    assert intervals(fit, single.range_m).level_db[0] == pytest.approx(165.0, abs=1e-9)
    low, high = single.interval_m
    assert low is not None
    assert high is not None
    assert low < single.range_m < high
    # 2000 strikes of 0.5 dB spread: energy mean 0.115·0.25 = 0.029 dB above the mean, plus 33.010 dB.
    assert cumulative.range_m is not None
    expected = 198.0 - 33.010 - 0.029
    assert intervals(fit, cumulative.range_m).level_db[0] == pytest.approx(expected, abs=0.01)


def test_all_levels_of_a_campaign() -> None:
    random = np.random.default_rng(2)
    table = _table(n=400)
    bands = table[["strike_id", "station_id"]].copy()
    for n in range(10, 45):
        bands[exposure_column(n)] = table["exposure_level_db"].astype("float32") - np.float32(random.uniform(5, 20))
        bands[noise_column(n)] = np.float32(90.0)
    project = invented.campaign([invented.pile(p) for p in PILES], _cells())
    document = fit_campaign(table, bands, project)
    assert len(document.fits) == 3 * 38
