from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.scenario import truth

REFERENCE = Path(__file__).parents[1] / "reference"
RATE_HZ, N = 48000, 72000


def spectrum_of(pressure_pa: np.ndarray) -> np.ndarray:
    """Spectrum in Pa/Hz with exp(-i omega t), of a series that begins at time 0."""
    return np.conj(np.fft.rfft(pressure_pa)) / RATE_HZ


def test_weightings_have_the_guidance_values() -> None:
    rows = pd.read_csv(REFERENCE / "auditory_weighting_values.csv", comment="#")
    rows = rows[(rows["guidance"] == "nmfs-2024") & rows["group"].isin(["LF", "HF", "VHF", "PW", "OW"])]
    assert len(rows) > 40
    for row in rows.itertuples():
        found = truth.weighting_nmfs_2024_db(row.group.lower(), np.array([float(row.frequency_hz)]))
        assert found[0] == pytest.approx(row.weighting_db, abs=1e-4)


def test_bands_carry_the_contract_names() -> None:
    rows = pd.read_csv(REFERENCE / "decidecade_bands.csv", comment="#")
    named = truth.bands(48000.0)
    expected = rows[(rows["n"] >= 10) & (rows["centre_hz"] <= 0.45 * 48000)]
    assert [f"exposure_level_{name}_db" for name in named] == expected["exposure_level_column"].tolist()
    assert list(named.values()) == expected["n"].tolist()


def test_levels_of_a_gaussian_tone_burst() -> None:
    # Closed forms: p = A exp(-t^2 / (2 s^2)) cos(w t) far above 10 Hz has exposure A^2 s sqrt(pi) / 2, and its energy
    # lies within +- 1.6449 s / sqrt(2) for 90 %.
    amplitude_pa, sigma_s, centre_s = 500.0, 0.01, 0.7
    time_s = np.arange(N) / RATE_HZ - centre_s
    pulse = amplitude_pa * np.exp(-0.5 * (time_s / sigma_s) ** 2) * np.cos(2.0 * np.pi * 1000.0 * time_s)
    levels, _ = truth.pulse_levels(spectrum_of(pulse)[None, :], RATE_HZ, N)
    exposure_db = 10.0 * np.log10(amplitude_pa**2 * sigma_s * np.sqrt(np.pi) / 2.0) + 120.0
    duration_s = 2.0 * 1.644854 * sigma_s / np.sqrt(2.0)
    assert levels["exposure_level_db"][0] == pytest.approx(exposure_db, abs=1e-4)
    assert levels["peak_level_db"][0] == pytest.approx(20.0 * np.log10(amplitude_pa) + 120.0, abs=1e-3)
    assert levels["pulse_duration_s"][0] == pytest.approx(duration_s, rel=0.01)
    assert levels["arrival_s"][0] == pytest.approx(centre_s - duration_s / 2.0, abs=1e-4)
    assert levels["rms_level_db"][0] == pytest.approx(exposure_db + 10.0 * np.log10(0.9 / duration_s), abs=0.05)
    assert levels["exposure_level_1000hz_db"][0] == pytest.approx(exposure_db, abs=1e-3)
    weighted_db = exposure_db + truth.weighting_nmfs_2024_db("lf", np.array([1000.0]))[0]
    assert levels["exposure_level_nmfs_2024_lf_db"][0] == pytest.approx(weighted_db, abs=1e-3)


def test_bands_of_an_impulse_are_as_wide_as_published() -> None:
    # A single sample is flat in frequency: exposure of a band = 2 * (p / rate)^2 * bandwidth.
    rows = pd.read_csv(REFERENCE / "decidecade_bands.csv", comment="#").set_index("exposure_level_column")
    pulse = np.zeros(N)
    pulse[N // 2] = 1e4
    levels, _ = truth.pulse_levels(spectrum_of(pulse)[None, :], RATE_HZ, N)
    for name in truth.bands(RATE_HZ):
        column = f"exposure_level_{name}_db"
        expected_db = 10.0 * np.log10(2.0 * (1e4 / RATE_HZ) ** 2 * rows.loc[column, "bandwidth_hz"]) + 120.0
        assert levels[column][0] == pytest.approx(expected_db, abs=1e-5)


def test_full_band_is_three_decibels_down_at_ten_hertz() -> None:
    assert truth.full_band_response(np.array([10.0]))[0] == pytest.approx(np.sqrt(0.5))
    assert truth.full_band_response(np.array([0.0]))[0] == 0.0
