"""Levels and linear values against single-number conversions worked elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.vocabulary.quantities import (
    QUANTITIES,
    energy_mean_db,
    energy_sum_db,
    exposure_level_db,
    exposure_pa2_s,
    level_db,
    mean_square_level_db,
    mean_square_pa2,
    peak_level_db,
    ratio,
)
from reconcile.vocabulary.tables import SUMMARY, strikes_table
from tests.reference_rows import reference_rows

ROWS = reference_rows("level_conversions.csv")


def row_of(check: str) -> dict[str, str]:
    return next(row for row in ROWS if row["check"] == check)


def rows_of(check: str) -> list[dict[str, str]]:
    return [row for row in ROWS if row["check"] == check]


@pytest.mark.parametrize("row", rows_of("level_to_pressure"), ids=lambda row: row["input"])
def test_level_to_pressure_and_back(row: dict[str, str]) -> None:
    level, pressure_pa = float(row["input"]), float(row["expected"])
    half_last_digit = 0.5 * 10.0 ** (np.floor(np.log10(pressure_pa)) - 5)  # the rows print six digits
    tolerance = max(float(row["tolerance"]), half_last_digit)
    assert np.sqrt(mean_square_pa2(level)) == pytest.approx(pressure_pa, abs=tolerance)
    assert peak_level_db(pressure_pa) == pytest.approx(level, abs=1e-4)
    assert peak_level_db(-pressure_pa) == pytest.approx(level, abs=1e-4)
    assert mean_square_level_db(pressure_pa**2) == pytest.approx(level, abs=1e-4)


def test_the_published_peak() -> None:
    row = row_of("bolle_2012_peak")
    assert np.sqrt(mean_square_pa2(float(row["input"]))) / 1e3 == pytest.approx(
        float(row["expected"]), abs=float(row["tolerance"])
    )


LEQ = {  # N, T (s) and level of each row; the last two as in its column `input`
    "leq_from_exposure_1": (1, 0.125, 160.0),
    "leq_from_exposure_15": (15, 30.0, 170.0),
    "rms_125ms_from_exposure": (1, 0.125, 0.0),
}


@pytest.mark.parametrize("row", [row for check in LEQ for row in rows_of(check)], ids=lambda row: row["check"])
def test_exposure_over_time_is_a_mean_square(row: dict[str, str]) -> None:
    n, time_s, level = LEQ[row["check"]]
    mean_square = n * exposure_pa2_s(level) / time_s
    assert mean_square_level_db(mean_square) == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


@pytest.mark.parametrize("row", rows_of("background_correction"), ids=lambda row: row["input"])
def test_subtracting_a_background_as_energy(row: dict[str, str]) -> None:
    total, background = ratio(float(row["input"])), ratio(0.0)
    lost = float(row["input"]) - float(level_db(total - background))
    assert lost == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_one_pascal_by_the_reference_of_air() -> None:
    row = row_of("water_reference_to_air_reference")
    in_air_db = float(peak_level_db(20e-6))  # 0 dB re 20 µPa, by the reference of water
    assert in_air_db == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_no_row_of_the_conversions_is_left_out() -> None:
    tested = {"level_to_pressure", "bolle_2012_peak", "background_correction", "share_0.9_in_rms", *LEQ}
    elsewhere = {"clipping_level"}  # tests/recordings/test_blocks.py: the formula of the chain
    assert {row["check"] for row in ROWS} == tested | elsewhere | {"water_reference_to_air_reference"}


# tests/reference/uncertainty_examples.csv, rows "decibel": closed forms, computed there.
@pytest.mark.parametrize(
    ("stated", "found"),
    [
        ("+10 % of pressure", float(peak_level_db(1.1) - peak_level_db(1.0))),
        ("-10 % of pressure", float(peak_level_db(0.9) - peak_level_db(1.0))),
        ("+1 dB", 100 * (float(np.sqrt(ratio(1.0))) - 1)),
        ("+2 dB", 100 * (float(np.sqrt(ratio(2.0))) - 1)),
        ("+3 dB", 100 * (float(np.sqrt(ratio(3.0))) - 1)),
        (
            "relative standard uncertainty of pressure 1",
            float(peak_level_db(1 + 1e-7) - peak_level_db(1 - 1e-7)) / 2e-7,
        ),
    ],
)
def test_decibels_and_ratios_of_pressures(stated: str, found: float) -> None:
    row = next(row for row in reference_rows("uncertainty_examples.csv") if row["inputs"] == stated)
    assert found == pytest.approx(float(row["recomputed"]), abs=float(row["tolerance"]))


def test_share_of_nine_tenths() -> None:
    row = row_of("share_0.9_in_rms")
    assert -float(level_db(0.9)) == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_one_pascal_for_one_second_is_120_db() -> None:
    assert exposure_level_db(1.0) == pytest.approx(120.0, abs=1e-12)
    assert exposure_pa2_s(120.0) == pytest.approx(1.0, rel=1e-12)


REFERENCED = {  # level of a reference value, by identifier of iso_quantities.csv (ISO 18405:2017, from memory there)
    "rms_level_db": mean_square_level_db,
    "peak_level_db": peak_level_db,
    "peak_to_peak_level_db": peak_level_db,
    "exposure_level_db": exposure_level_db,
    "cumulative_exposure_level_db": exposure_level_db,
}


@pytest.mark.parametrize("identifier", REFERENCED)
def test_the_reference_value_has_a_level_of_zero_and_stands_in_the_unit(identifier: str) -> None:
    row = next(row for row in reference_rows("iso_quantities.csv") if row["identifier"] == identifier)
    assert REFERENCED[identifier](float(row["reference_si"])) == pytest.approx(0.0, abs=1e-12)
    columns = {column.name: column.unit for column in (*strikes_table(()).columns, *SUMMARY.columns)}
    reference = row["reference_value"].replace("uPa2 s", "µPa² s").replace("uPa2", "µPa").replace("uPa", "µPa")
    assert columns[identifier] == f"dB re {reference}"


def test_energy_mean_and_sum() -> None:
    assert energy_sum_db([100.0, 100.0]) == pytest.approx(103.0103, abs=1e-4)  # 10 lg 2
    assert energy_sum_db([160.0] * 1000) == pytest.approx(190.0, abs=1e-9)
    assert energy_mean_db([100.0, 110.0]) == pytest.approx(107.4036, abs=1e-4)  # 10 lg 5.5, not 105
    assert np.isnan(energy_mean_db([]))
    assert np.isnan(energy_sum_db([]))


def test_what_is_not_positive_has_no_level() -> None:
    assert np.isnan(level_db([0.0, -1.0, np.nan])).all()
    assert np.isnan(exposure_level_db(-1e-12))


def test_the_quantities_of_the_contract() -> None:
    assert set(QUANTITIES) == {"peak_level", "exposure_level", "rms_level", "cumulative_exposure_level"}
    assert {q.unit for q in QUANTITIES.values()} == {"dB re 1 µPa", "dB re 1 µPa² s"}
