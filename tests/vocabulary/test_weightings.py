"""Auditory weightings against values computed elsewhere from the guidance's printed parameters."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.vocabulary.weightings import WEIGHTINGS, Weighting, power_response, weighting_db
from tests.reference_rows import reference_rows

ROWS = reference_rows("auditory_weighting_values.csv")
GROUPS = {"LF", "HF", "VHF", "PW", "OW"}  # in water
ROWS_2024 = [row for row in ROWS if row["guidance"] == "nmfs-2024" and row["group"] in GROUPS]
PRINTED_2018 = [row for row in ROWS if row["checked"] == "read"]
# NMFS 2018, Table 3: a, b, f1 (kHz), f2 (kHz), C (dB). From memory; the printed worked example below agrees with them.
PARAMETERS_2018 = {
    "LF": (1.0, 2, 0.2, 19.0, 0.13),
    "MF": (1.6, 2, 8.8, 110.0, 1.20),
    "HF": (1.8, 2, 12.0, 140.0, 1.36),
    "PW": (1.0, 2, 1.9, 30.0, 0.75),
    "OW": (2.0, 2, 0.94, 25.0, 0.64),
}


@pytest.mark.parametrize("row", ROWS_2024, ids=lambda row: f"{row['group']}-{row['frequency_hz']}")
def test_nmfs_2024(row: dict[str, str]) -> None:
    weighting = WEIGHTINGS[f"nmfs-2024:{row['group']}"]
    value = float(weighting_db(weighting, float(row["frequency_hz"])))
    assert value == pytest.approx(float(row["weighting_db"]), abs=float(row["tolerance_db"]))


@pytest.mark.parametrize("row", PRINTED_2018, ids=lambda row: row["group"])
def test_the_formula_gives_the_printed_worked_example(row: dict[str, str]) -> None:
    a, b, f1_khz, f2_khz, gain_db = PARAMETERS_2018[row["group"]]
    weighting = Weighting("nmfs-2018", row["group"], "", a, b, f1_khz * 1e3, f2_khz * 1e3, gain_db)
    value = float(weighting_db(weighting, float(row["frequency_hz"])))
    assert value == pytest.approx(float(row["weighting_db"]), abs=float(row["tolerance_db"]) + 1e-9)


def test_every_group_of_the_contract_is_there_and_tested() -> None:
    assert {f"nmfs-2024:{group}" for group in GROUPS} <= set(WEIGHTINGS)
    assert {row["group"] for row in ROWS_2024} == GROUPS


def test_weightings_are_zero_at_zero_and_named_by_their_keys() -> None:
    for name, weighting in WEIGHTINGS.items():
        assert weighting.name == name
        assert power_response(weighting, 0.0) == 0.0
        assert np.isnan(weighting_db(weighting, 0.0))  # a level of nothing is not a number, not minus infinity
