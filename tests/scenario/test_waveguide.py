from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.scenario.waveguide import (
    Waveguide,
    absorption_ainslie_mccolm_1998,
    grazing_parameters,
    line_source_excitation,
    mode_sum,
    point_source_excitation,
    trapped_modes,
)
from tests.band_losses import band_losses

REFERENCE = Path(__file__).parents[1] / "reference"
TABLE = pd.read_csv(REFERENCE / "waveguide_transmission_loss.csv", comment="#")
FITS = pd.read_csv(REFERENCE / "waveguide_band_fits.csv", comment="#")
TRAPPED = TABLE.dropna(subset=["trapped_modes_db"])
FULL_FIELD = TRAPPED.dropna(subset=["wavenumber_integration_db"])


def smoothed_loss_db(frequency_hz: float, range_m: float) -> float:
    """Loss averaged over 0.92 R to 1.08 R as the table's header says."""
    modes = trapped_modes(Waveguide(), np.array([frequency_hz]))
    excitation = point_source_excitation(modes, 15.0)
    ranges_m = np.linspace(0.92 * range_m, 1.08 * range_m, 801)
    intensity = [abs(mode_sum(modes, excitation, r, np.array([20.0]))[0, 0]) ** 2 for r in ranges_m]
    return float(-10.0 * np.log10(np.mean(intensity)))


@pytest.mark.parametrize(
    ("frequency_hz", "range_m", "expected_db"), TRAPPED[["frequency_hz", "range_m", "trapped_modes_db"]].values
)
def test_loss_is_that_of_the_published_trapped_modes(frequency_hz: float, range_m: float, expected_db: float) -> None:
    # Same method, same waveguide: to the two decimals printed.
    assert smoothed_loss_db(frequency_hz, range_m) == pytest.approx(expected_db, abs=0.01)


@pytest.mark.parametrize(
    ("frequency_hz", "range_m", "expected_db"),
    FULL_FIELD[["frequency_hz", "range_m", "wavenumber_integration_db"]].values,
)
def test_loss_is_near_the_full_field(frequency_hz: float, range_m: float, expected_db: float) -> None:
    # The header allows trapped modes 0.3 dB against the full field at 750 m and beyond.
    assert smoothed_loss_db(frequency_hz, range_m) == pytest.approx(expected_db, abs=0.3)


def test_number_of_trapped_modes() -> None:
    modes = trapped_modes(Waveguide(), TABLE["frequency_hz"].to_numpy(dtype=float))
    assert modes.count.tolist() == TABLE["n_trapped_modes"].tolist()


def test_cutoff_is_the_one_stated() -> None:
    assert Waveguide().cutoff_hz == pytest.approx(30.0, abs=0.05)
    assert trapped_modes(Waveguide(), np.array([29.9])).count.tolist() == [0]


@pytest.mark.parametrize(
    "row", FITS[FITS["model"] == "N and alpha"].to_dict("records"), ids=lambda row: f"{row['nominal_hz']} Hz"
)
def test_fits_to_the_band_loss(row: dict[str, float]) -> None:
    ranges_m, loss_db = band_losses(int(row["n"]))
    design = np.stack([np.ones(200), np.log10(ranges_m / 750.0), (ranges_m - 750.0) / 1000.0], axis=1)
    found = np.linalg.lstsq(design, loss_db, rcond=None)[0]
    expected = [row["loss_at_750_m_db"], row["n_db_per_decade"], row["alpha_db_per_km"]]
    assert found == pytest.approx(expected, abs=row["tolerance"])


def test_modes_meet_the_boundary_condition_up_to_high_frequencies() -> None:
    # Second route: the dispersion relation in its other form, tan(g D) = -m g / gamma.
    waveguide = Waveguide(40.0, 1490.0, 1660.0)
    frequencies_hz = np.array([25.0, 400.0, 16000.0])
    theta, v = grazing_parameters(waveguide, frequencies_hz)
    for angles, size in zip(theta, v, strict=True):
        angle = angles[np.isfinite(angles)]
        across, decay = size * np.sin(angle), size * np.cos(angle)
        mismatch = np.sin(across) * decay + waveguide.density_ratio * across * np.cos(across)
        assert np.max(np.abs(mismatch)) < 1e-7 * size
        assert np.all(np.diff(across) > 0.9 * np.pi / 2.0)


def test_line_source_is_the_mean_of_delayed_point_sources() -> None:
    modes = trapped_modes(Waveguide(), np.array([60.0, 333.0, 1200.0]))
    depths_m = (np.arange(20000) + 0.5) * 30.0 / 20000
    slow = np.zeros(modes.amplitude.shape, dtype=complex)
    for depth_m in depths_m:
        delay = np.exp(2j * np.pi * modes.frequencies_hz[:, None] * depth_m / 5100.0)
        slow += point_source_excitation(modes, depth_m) * delay / depths_m.size
    assert np.max(np.abs(line_source_excitation(modes, 5100.0) - slow)) < 1e-8


def test_absorption_against_published_formula_values() -> None:
    rows = pd.read_csv(REFERENCE / "absorption_check_values.csv", comment="#")
    rows = rows[rows["model"] == "ainslie_mccolm_1998"]
    assert len(rows) > 10
    for row in rows.to_dict("records"):
        found = absorption_ainslie_mccolm_1998(
            np.array([float(row["frequency_hz"])]), temperature_c=row["temperature_c"], salinity=row["salinity"],
            depth_m=row["depth_m"], ph=row["ph"],
        )  # fmt: skip
        assert found[0] == pytest.approx(row["absorption_db_per_km"], abs=row["tolerance_db_per_km"])
