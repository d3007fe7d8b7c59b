"""Spreading laws against computed check values."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from reconcile.spreading import damped_cylindrical, models, spreading, spreading_attenuation

REFERENCE = Path(__file__).parents[1] / "reference"
_DAMPED = pd.read_csv(REFERENCE / "damped_cylindrical_check_values.csv", comment="#")
_SPREADING = pd.read_csv(REFERENCE / "spreading_check_values.csv", comment="#")
_GEOMETRY = pd.read_csv(REFERENCE / "damped_cylindrical_geometry.csv", comment="#")
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


@pytest.mark.parametrize(
    "row", list(_GEOMETRY.itertuples()), ids=lambda row: f"{row.check}-{row.wave_speed_pile_m_s}-{row.water_depth_m}"
)
def test_mach_wave_and_bottom_loss(row: object) -> None:
    angle = models.mach_angle_deg(row.sound_speed_water_m_s, row.wave_speed_pile_m_s)
    if row.check == "mach_angle":
        assert angle == pytest.approx(row.expected, abs=row.tolerance)
    elif row.check == "cycle_distance":
        assert models.bounce_distance_m(row.water_depth_m, angle) == pytest.approx(row.expected, abs=row.tolerance)
    else:
        found = models.attenuation_of_bottom_loss(row.bottom_loss_db, row.water_depth_m, angle)
        assert found == pytest.approx(row.expected, abs=row.tolerance)
        assert models.bottom_loss_of_attenuation(found, row.water_depth_m, angle) == pytest.approx(row.bottom_loss_db)


@pytest.mark.parametrize("reference_m", [500.0, 5000.0])
def test_two_regimes_are_two_lines_that_meet(reference_m: float) -> None:
    # by hand: 170 dB at the reference; 10 dB per decade up to 1500 m, 22 beyond
    at = {r: float(models.two_regime(r, 170.0, 10.0, 12.0, 1500.0, reference_m)) for r in (150.0, 1500.0, 15_000.0)}
    assert float(models.two_regime(reference_m, 170.0, 10.0, 12.0, 1500.0, reference_m)) == pytest.approx(170.0)
    assert at[150.0] - at[1500.0] == pytest.approx(10.0)
    assert at[1500.0] - at[15_000.0] == pytest.approx(22.0)
