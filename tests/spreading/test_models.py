"""Spreading laws against computed check values."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from reconcile.spreading import damped_cylindrical, spreading, spreading_attenuation

REFERENCE = Path(__file__).parents[1] / "reference"
_DAMPED = pd.read_csv(REFERENCE / "damped_cylindrical_check_values.csv", comment="#")
_SPREADING = pd.read_csv(REFERENCE / "spreading_check_values.csv", comment="#")
_LEVELS = _DAMPED[_DAMPED["check"] == "level"]
_LOSSES = _SPREADING[_SPREADING["check"] == "loss"]


@pytest.mark.parametrize(
    "row", list(_LEVELS.itertuples()), ids=lambda row: f"{row.attenuation_db_per_km}-{row.range_m}"
)
def test_damped_cylindrical_levels(row: object) -> None:
    level = damped_cylindrical(
        row.range_m, float(row.reference_level_db), row.attenuation_db_per_km, float(row.reference_range_m)
    )
    assert float(level) == pytest.approx(float(row.level_db), abs=row.tolerance)


@pytest.mark.parametrize("row", list(_LOSSES.itertuples()), ids=lambda row: f"{row.spreading_coefficient}-{row.r2_m}")
def test_geometric_loss(row: object) -> None:
    level = spreading(row.r2_m, 0.0, row.spreading_coefficient, row.r1_m)
    assert -float(level) == pytest.approx(row.expected, abs=row.tolerance)


def test_every_law_meets_its_level_at_the_reference_range() -> None:
    assert float(spreading_attenuation(750.0, 176.8, 15.0, 1.3, 750.0)) == 176.8
