"""Fits from a table of levels alone: published tables, certified data, and every fault at once."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from reconcile.running.fit_lines import fit_lines
from reconcile.spreading import fit_levels, intervals, read_levels
from reconcile.vocabulary.documents.fit import Fit, FitDocument
from reconcile.vocabulary.errors import InputError
from tests.inference.published import certified, data

REFERENCE = Path(__file__).parents[1] / "reference"
_BRIDGE = pd.read_csv(REFERENCE / "level_versus_range_benicia.csv", comment="#")
_LINES = pd.read_csv(REFERENCE / "level_versus_range_benicia_fits.csv", comment="#")
_AT_750_M = pd.read_csv(REFERENCE / "level_versus_range_benicia_750m.csv", comment="#")
_COMPUTED = _LINES[_LINES["checked"] == "computed"]


def _bridge(near_only: bool = False) -> pd.DataFrame:
    rows = _BRIDGE[_BRIDGE["range_m"] <= 100] if near_only else _BRIDGE
    return rows[["quantity", "range_m"]].assign(level_db=rows["measured_db"].astype(float))


def _fit(document: FitDocument, quantity: str | None, model: str) -> Fit:
    return next(fit for fit in document.fits if (fit.quantity, fit.model) == (quantity, model))


@pytest.mark.parametrize("row", list(_COMPUTED.itertuples()), ids=lambda row: f"{row.quantity}-{row.model}-{row.n}")
def test_bridge_lines_to_the_digits_given(row: object) -> None:
    model = "spreading_attenuation" if "alpha" in row.model else "spreading"
    document = fit_levels(_bridge(near_only=row.points != "all ranges"), reference_range_m=10.0)
    fit = _fit(document, row.quantity, model)
    c = fit.coefficients
    found = [c.level_at_reference_db, c.spreading_coefficient_db_per_decade]
    expected = [(row.a_db, row.se_a_db), (row.n_db_per_decade, row.se_n_db_per_decade)]
    if model == "spreading_attenuation":
        found.append(c.attenuation_db_per_km)
        expected.append((row.alpha_db_per_km, row.se_alpha_db_per_km))
    for coefficient, (value, error) in zip(found, expected, strict=True):
        assert coefficient.value == pytest.approx(value, abs=row.tolerance)
        assert coefficient.standard_error == pytest.approx(error, abs=row.tolerance)
    assert fit.residual_sd_db == pytest.approx(row.residual_sd_db, abs=row.tolerance)
    assert fit.n_observations == row.n


@pytest.mark.parametrize("row", list(_AT_750_M.itertuples()), ids=lambda row: row.quantity)
def test_bridge_level_at_750_m_with_both_intervals(row: object) -> None:
    curve = intervals(_fit(fit_levels(_bridge()), row.quantity, "spreading"), 750.0)
    assert curve.level_db[0] == pytest.approx(row.level_db, abs=1e-5)
    assert curve.confidence_high_db[0] - curve.level_db[0] == pytest.approx(row.ci95_half_width_db, abs=1e-5)
    assert curve.level_db[0] - curve.prediction_low_db[0] == pytest.approx(row.pi95_half_width_db, abs=1e-5)


def test_bridge_near_ranges_give_a_negative_attenuation_that_is_flagged_and_not_selected() -> None:
    document = fit_levels(_bridge(near_only=True))
    for quantity in ("peak_level", "rms_level", "exposure_level"):
        fit = _fit(document, quantity, "spreading_attenuation")
        assert fit.coefficients.attenuation_db_per_km.value < 0
        assert "not_supported" in fit.flags
        assert not fit.selected
        assert "negative" in (fit.not_chosen_because or "")


def test_norris_through_the_line_fitter_to_nine_digits() -> None:
    # y = b0 + b1·x as a level over log range: R = 10^(x/500) m with R_ref = 1 m makes N = -500·b1.
    table, expected = data("norris"), certified("norris")
    levels = pd.DataFrame({"range_m": 10.0 ** (table["x"] / 500.0), "level_db": table["y"].astype(float)})
    fit = _fit(fit_levels(levels, reference_range_m=1.0), None, "spreading")
    level, slope = fit.coefficients.level_at_reference_db, fit.coefficients.spreading_coefficient_db_per_decade
    assert level.value == pytest.approx(expected["b0"], rel=5e-10)
    assert level.standard_error == pytest.approx(expected["se_b0"], rel=5e-10)
    assert slope.value / -500.0 == pytest.approx(expected["b1"], rel=5e-10)
    assert slope.standard_error / 500.0 == pytest.approx(expected["se_b1"], rel=5e-10)
    assert fit.residual_sd_db == pytest.approx(expected["residual_sd"], rel=5e-10)
    curve = intervals(fit, 10.0)  # x = 500
    assert curve.level_db[0] == pytest.approx(expected["fit_at_x_500"], abs=5e-7)
    half = curve.confidence_high_db[0] - curve.level_db[0]
    assert half == pytest.approx(expected["ci95_half_width_at_x_500"], abs=5e-9)
    assert curve.prediction_high_db[0] - curve.level_db[0] == pytest.approx(
        expected["pi95_half_width_at_x_500"], abs=5e-9
    )


def test_norris_as_a_loss_per_distance_to_nine_digits() -> None:
    # The same line as a loss per distance: L + 10·log10(R/R_ref) = b0 - alpha·(R - R_ref)/1000, alpha = 1000·b1.
    table, expected = data("norris"), certified("norris")
    ranges = table["x"].astype(float)
    level = -table["y"] - 10.0 * np.log10(ranges / 100.0)
    fit = _fit(fit_levels(pd.DataFrame({"range_m": ranges, "level_db": level}), 100.0), None, "damped_cylindrical")
    assert fit.coefficients.attenuation_db_per_km.value / 1000.0 == pytest.approx(expected["b1"], rel=5e-10)
    assert fit.coefficients.attenuation_db_per_km.standard_error / 1000.0 == pytest.approx(expected["se_b1"], rel=5e-10)


def test_two_ranges_cannot_carry_an_attenuation_and_one_carries_nothing() -> None:
    two = pd.DataFrame({"range_m": [500.0, 500.0, 1000.0, 1010.0], "level_db": [170.0, 171.0, 165.0, 166.0]})
    assert {fit.model for fit in fit_levels(two).fits} == {"spreading", "damped_cylindrical"}
    one = fit_levels(two.iloc[:2])
    assert one.fits == ()
    assert "two ranges" in one.not_fitted[0].reason


def test_ranges_without_gaps_are_many_ranges() -> None:
    ranges = np.geomspace(500.0, 5000.0, 200)
    table = pd.DataFrame({"range_m": ranges, "level_db": 175.0 - 15.0 * np.log10(ranges / 750.0)})
    document = fit_levels(table)
    assert len(document.fits) == 3
    fit = next(fit for fit in document.fits if fit.selected)
    assert fit.model == "spreading"
    assert fit.coefficients.spreading_coefficient_db_per_decade.value == pytest.approx(15.0, abs=1e-9)


def test_ids_make_rows_share_their_pile_and_place() -> None:
    random = np.random.default_rng(8)
    piles, places = np.repeat(np.arange(6), 5), np.tile(np.arange(5), 6)
    ranges = np.geomspace(400.0, 6000.0, 5)[places] * 10 ** random.normal(0.0, 0.02, 30)
    level = 175.0 - 15.0 * np.log10(ranges / 750.0) + random.normal(0, 3, 6)[piles] + random.normal(0, 0.3, 30)
    table = pd.DataFrame({"range_m": ranges, "level_db": level})
    alone = _fit(fit_levels(table), None, "spreading")
    named = _fit(fit_levels(table.assign(pile_id=piles.astype(str), station_id=places.astype(str))), None, "spreading")
    assert named.n_piles == 6
    assert named.n_stations == 5
    assert named.pile_sd_db > 5 * named.residual_sd_db
    error = named.coefficients.level_at_reference_db.standard_error
    assert error > 1.5 * alone.coefficients.level_at_reference_db.standard_error


def test_censored_rows_without_ids_by_the_likelihood_written_out() -> None:
    random = np.random.default_rng(3)
    ranges = np.geomspace(300.0, 6000.0, 60)
    decades = np.log10(ranges / 750.0)
    level = 175.0 - 15.0 * decades + random.normal(0.0, 2.0, 60)
    faint, clipped = level < 165.0, level > 179.0
    stated = np.clip(level, 165.0, 179.0)
    table = pd.DataFrame({"range_m": ranges, "level_db": stated})
    table["censoring"] = np.where(faint, "at_most", np.where(clipped, "at_least", "none"))
    fit = _fit(fit_levels(table), None, "spreading")

    def minus_log_likelihood(theta: np.ndarray) -> float:  # Tobin 1958, term by term
        mean, sd = theta[0] - theta[1] * decades, np.exp(theta[2])
        known = ~faint & ~clipped
        whole = norm.logpdf(level[known], mean[known], sd).sum() + norm.logcdf(165.0, mean[faint], sd).sum()
        return -float(whole + norm.logsf(179.0, mean[clipped], sd).sum())

    slow = minimize(
        minus_log_likelihood, [170.0, 12.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9}
    )
    c = fit.coefficients
    assert fit.n_censored == int(faint.sum() + clipped.sum())
    assert c.level_at_reference_db.value == pytest.approx(slow.x[0], abs=1e-4)
    assert c.spreading_coefficient_db_per_decade.value == pytest.approx(slow.x[1], abs=1e-3)
    known = 60 - fit.n_censored
    assert fit.residual_sd_db == pytest.approx(np.exp(slow.x[2]) * np.sqrt(known / (known - 2)), rel=1e-4)
    assert "censored_rows" in fit.flags


def test_censored_rows_with_ids_and_no_repeats() -> None:
    random = np.random.default_rng(8)
    piles, places = np.repeat(np.arange(12), 8), np.tile(np.arange(8), 12)
    ranges = np.geomspace(400.0, 6000.0, 8)[places]
    level = 175.0 - 15.0 * np.log10(ranges / 750.0) + random.normal(0, 2, 12)[piles] + random.normal(0, 1.5, 96)
    table = pd.DataFrame({"range_m": ranges, "level_db": level})
    table = table.assign(pile_id=piles.astype(str), station_id=places.astype(str))
    true = _fit(fit_levels(table), None, "spreading").coefficients
    table["censoring"] = np.where(level < 162.0, "at_most", "none")
    table["level_db"] = np.maximum(level, 162.0)
    found = _fit(fit_levels(table), None, "spreading")
    dropped = _fit(fit_levels(table[level >= 162.0]), None, "spreading").coefficients
    assert found.n_censored == int((level < 162.0).sum()) > 10
    slope = found.coefficients.spreading_coefficient_db_per_decade
    error = abs(slope.value - true.spreading_coefficient_db_per_decade.value)
    assert error < 0.6 * slope.standard_error
    assert error < 0.5 * abs(
        dropped.spreading_coefficient_db_per_decade.value - true.spreading_coefficient_db_per_decade.value
    )


def test_a_long_table_with_one_kind_of_id_is_binned_by_range() -> None:
    random = np.random.default_rng(4)
    piles = np.repeat(np.arange(5), 3000)
    ranges = 10.0 ** random.uniform(2.5, 3.9, piles.size)
    level = 175.0 - 15.0 * np.log10(ranges / 750.0) + random.normal(0, 2, 5)[piles] + random.normal(0, 2, piles.size)
    fit = _fit(fit_levels(pd.DataFrame({"range_m": ranges, "level_db": level, "pile_id": piles})), None, "spreading")
    assert fit.n_strikes == 15_000
    assert fit.n_observations < 200
    error = fit.coefficients.spreading_coefficient_db_per_decade.standard_error
    assert fit.coefficients.spreading_coefficient_db_per_decade.value == pytest.approx(15.0, abs=3.0 * error)
    assert error < 0.3


def test_the_robust_option_is_hardly_moved_by_a_cell_far_off() -> None:
    random = np.random.default_rng(8)
    piles, places = np.repeat(np.arange(8), 6), np.tile(np.arange(6), 8)
    ranges = np.geomspace(400.0, 6000.0, 6)[places]
    level = 175.0 - 15.0 * np.log10(ranges / 750.0) + random.normal(0, 1, 8)[piles] + random.normal(0, 0.4, 48)
    spoilt = level.copy()
    spoilt[[5, 47]] += 15.0
    table = pd.DataFrame({"range_m": ranges, "pile_id": piles.astype(str), "station_id": places.astype(str)})
    clean = _fit(fit_levels(table.assign(level_db=level)), None, "spreading")
    fits = {
        robust: _fit(fit_levels(table.assign(level_db=spoilt), robust=robust), None, "spreading")
        for robust in (False, True)
    }
    at_6_km = {robust: intervals(fit, 6000.0).level_db[0] for robust, fit in fits.items()}
    wanted = intervals(clean, 6000.0).level_db[0]
    assert abs(at_6_km[True] - wanted) < 0.3 * abs(at_6_km[False] - wanted)
    assert ("student_residual" in fits[True].flags, "student_residual" in fits[False].flags) == (True, False)


def test_laws_are_refused_by_the_robust_coefficients_where_these_are_asked_for() -> None:
    """15 dB per decade and 0.6 dB/km; one row far off at the furthest range turns the normal attenuation negative."""
    random = np.random.default_rng(3)
    ranges = np.geomspace(300.0, 9000.0, 24)
    level = 180.0 - 15.0 * np.log10(ranges / 750.0) - 0.6 * (ranges - 750.0) / 1000.0 + random.normal(0.0, 0.2, 24)
    level[-1] += 30.0
    table = pd.DataFrame({"range_m": ranges, "level_db": level})
    for robust in (False, True):
        law = _fit(fit_levels(table, robust=robust), None, "spreading_attenuation")
        alpha = law.coefficients.attenuation_db_per_km.value
        assert (alpha > 0.0) == robust
        assert ("not_supported" in law.flags) == (not robust)
        assert robust or "negative" in (law.not_chosen_because or "")


def test_two_ranges_without_ids_give_the_simplest_law_and_a_flag() -> None:
    level = [180.0, 180.4, 179.8, 170.1, 169.7, 170.2]
    document = fit_levels(pd.DataFrame({"range_m": [400.0, 405.0, 400.0, 2000.0, 2010.0, 2000.0], "level_db": level}))
    (chosen,) = (fit for fit in document.fits if fit.selected)
    assert chosen.model == "spreading"
    assert "two_ranges" in chosen.flags
    said = "\n".join(fit_lines(document))
    assert "two_ranges: fewer than three distinct ranges" in said


def test_the_terminal_says_where_two_regimes_meet_and_what_is_to_be_known() -> None:
    ranges = np.geomspace(100.0, 10_000.0, 30)
    rise = 160.0 + 12.0 * np.log10(ranges / 750.0)
    (line, *notes) = fit_lines(fit_levels(pd.DataFrame({"range_m": ranges, "level_db": rise})))
    assert "spreading" in line
    assert any(note.strip().startswith("level_rises_with_range: ") for note in notes)
    bent = 180.0 - 10.0 * np.log10(ranges / 750.0) - 20.0 * np.maximum(np.log10(ranges / 2000.0), 0.0)
    bent += np.random.default_rng(1).normal(0.0, 0.1, 30)
    fits = fit_levels(pd.DataFrame({"range_m": ranges, "level_db": bent}))
    found = re.search(r"up to (\d+) m and ([\d.]+) dB per decade beyond", "\n".join(fit_lines(fits)))
    assert found is not None
    assert float(found[1]) == pytest.approx(2000.0, rel=0.1)
    assert float(found[2]) == pytest.approx(30.0, abs=1.5)


def test_a_document_is_the_same_after_a_round_trip() -> None:
    document = fit_levels(_bridge())
    assert FitDocument.model_validate_json(document.model_dump_json()) == document


def test_reading_keeps_numbers_and_ids(tmp_path: Path) -> None:
    path = tmp_path / "levels.csv"
    path.write_text(
        "range_m,level_db,quantity,station_id,band_hz,remark\n750, 170.5 ,peak_level,007,,near\n\n1500,165,,8,31.5,\n",
        encoding="utf-8-sig",
        newline="\r\n",
    )
    table = read_levels(path)
    assert list(table.columns) == ["range_m", "level_db", "quantity", "band_hz", "station_id"]
    assert table["level_db"].tolist() == [170.5, 165.0]
    assert table["station_id"].tolist() == ["007", "8"]
    assert table["quantity"].isna().tolist() == [False, True]


def test_every_fault_is_named_by_line(tmp_path: Path) -> None:
    path = tmp_path / "levels.csv"
    path.write_text(
        "range_m,level_db,quantity,censoring\n"
        "750,170,peak_levl,none\n"
        "-3,abc,,\n"
        ",160,exposure_level,below\n"
        "nan,inf,exposure_level,none\n"
    )
    with pytest.raises(InputError) as caught:
        read_levels(path)
    places = {fault.where for fault in caught.value.faults}
    assert places == {
        "line 2, column quantity",
        "line 3, column range_m",
        "line 3, column level_db",
        "line 4, column range_m",
        "line 4, column censoring",
        "line 5, column range_m",
        "line 5, column level_db",
    }
    assert "did you mean 'peak_level'?" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "comma-separated"),
        ("range_m,level_db,level_db\n1,2,3\n", "the column twice"),
        ("range_m,level_db\n", "no rows"),
        ("range,level_db\n1,2\n", "a column range_m"),
        ("range_m,level_db\n1,2,3\n", "line 2"),
    ],
)
def test_a_table_that_is_none(tmp_path: Path, text: str, expected: str) -> None:
    path = tmp_path / "levels.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=expected):
        read_levels(path)


def test_a_file_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_levels(tmp_path / "none.csv")
    path = tmp_path / "levels.csv"
    path.write_bytes(b"range_m,level_db\n1,\xff\xfe\n")
    with pytest.raises(InputError, match="UTF-8"):
        read_levels(path)
