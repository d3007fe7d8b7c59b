"""Pulses with known levels, to 0.01 dB, on the pressure itself and through the whole path.

Expected values: tests/reference/closed_form_signals.csv (closed forms), read row by row.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.levels import Interval, View, kurtosis, measure_pulse, power_sums
from reconcile.strikes.ticks import TICKS, TickGrid
from reconcile.vocabulary.quantities import exposure_level_db, mean_square_level_db, peak_level_db
from tests.strikes.signals import analysed, coloured_noise, write_stream, zero_phase_high_pass

REFERENCE = pd.read_csv(Path(__file__).parent.parent / "reference" / "closed_form_signals.csv", comment="#")
RATE = 192_000
START = RATE // 2 + 37  # of the pulse within the second, not on a tick


def parameters(signal: str) -> dict[str, float]:
    text = REFERENCE[REFERENCE.signal == signal]["parameters"].iloc[0]
    return {key: float(value) for key, value in (pair.split("=") for pair in text.split())}


def expected(signal: str, quantity: str) -> float:
    rows = REFERENCE[(REFERENCE.signal == signal) & (REFERENCE.quantity == quantity)]
    assert len(rows) == 1
    return float(rows["expected"].iloc[0])


def waveform(signal: str, t: np.ndarray) -> np.ndarray:
    p = parameters(signal)
    inside = (t >= 0) & (t <= p.get("duration_s", np.inf))
    shapes = {
        "exp_decay": lambda: p["p0_pa"] * np.exp(-np.maximum(t, 0) / p["tau_s"]),
        "damped_sine": lambda: (
            p["p0_pa"] * np.exp(-np.maximum(t, 0) / p["tau_s"]) * np.sin(2 * np.pi * p["frequency_hz"] * t)
        ),
        "gated_sine": lambda: p["amplitude_pa"] * np.sin(2 * np.pi * p["frequency_hz"] * t),
        "half_sine": lambda: p["p0_pa"] * np.sin(np.pi * t / p["duration_s"]),
        "linear_decay": lambda: p["p0_pa"] * (1 - t / p["duration_s"]),
        "n_wave": lambda: p["p0_pa"] * (1 - 2 * t / p["duration_s"]),
        "rect_pulse": lambda: np.full_like(t, p["amplitude_pa"]),
        "gaussian_pulse": lambda: p["p0_pa"] * np.exp(-((t - 0.02) ** 2) / (2 * p["s_s"] ** 2)),
        "ricker": lambda: (
            p["p0_pa"]
            * (1 - 2 * (np.pi * p["frequency_hz"] * (t - 0.02)) ** 2)
            * np.exp(-((np.pi * p["frequency_hz"] * (t - 0.02)) ** 2))
        ),
    }
    always = ("gaussian_pulse", "ricker")
    return np.where(inside | np.isin(signal, always), shapes[signal](), 0.0)


def view_of(pressure: np.ndarray) -> View:
    grid = TickGrid(RATE)
    cells = pressure.astype(np.float32).reshape(-1, RATE)
    ticks = np.concatenate([grid.mean_squares(cell) for cell in cells])
    return View(cells.ravel(), ticks, grid, 0, 0, 0, len(ticks))


def whole_second(pressure: np.ndarray):  # type: ignore[no-untyped-def]
    view = view_of(pressure)
    return measure_pulse(view, Interval(400, 2 * TICKS - 400, 100, 300, 100, cut=False, at_edge=False))


@pytest.mark.parametrize(
    "signal",
    [
        "exp_decay",
        "damped_sine",
        "gated_sine",
        "half_sine",
        "linear_decay",
        "n_wave",
        "rect_pulse",
        "gaussian_pulse",
        "ricker",
    ],
)
def test_levels_of_known_pulses(signal: str) -> None:
    # samples at the middle of their intervals, so that a sum over them is an integral to second order
    t = (np.arange(2 * RATE) - START + 0.5) / RATE
    measure = whole_second(waveform(signal, t))
    assert peak_level_db(measure.peak_pa) == pytest.approx(expected(signal, "peak_level"), abs=0.01)
    assert exposure_level_db(measure.energy_pa2_s) == pytest.approx(expected(signal, "exposure_level"), abs=0.01)
    assert measure.duration_s == pytest.approx(expected(signal, "pulse_duration"), rel=0.005)
    for quantity in ("rms_level_energy_inside", "rms_level"):
        if ((REFERENCE.signal == signal) & (REFERENCE.quantity == quantity)).any():
            rms = mean_square_level_db(0.9 * measure.energy_pa2_s / measure.duration_s)
            assert rms == pytest.approx(expected(signal, quantity), abs=0.01)


def test_peak_to_peak_of_the_n_wave() -> None:
    t = (np.arange(2 * RATE) - START + 0.5) / RATE
    measure = whole_second(waveform("n_wave", t))
    assert peak_level_db(measure.peak_to_peak_pa) == pytest.approx(expected("n_wave", "peak_to_peak_level"), abs=0.01)


def test_largest_125_ms_of_a_short_pulse() -> None:
    # closed form: the whole energy lies within 125 ms, so the level is that of E / 0.125 s
    t = (np.arange(2 * RATE) - START + 0.5) / RATE
    measure = whole_second(waveform("exp_decay", t))
    level = expected("exp_decay", "exposure_level") - 10 * np.log10(0.125)
    assert mean_square_level_db(measure.max_125ms_pa2) == pytest.approx(level, abs=0.01)


def test_kurtosis_of_known_signals() -> None:
    def kurtosis_of(sound: np.ndarray) -> float:
        return kurtosis(sound.size, power_sums(sound))

    t = (np.arange(RATE) + 0.5) / RATE
    assert kurtosis_of(np.sin(2 * np.pi * 250 * t).astype(np.float32)) == pytest.approx(
        expected("gated_sine", "kurtosis"), abs=1e-4
    )
    assert kurtosis_of(np.sign(np.sin(2 * np.pi * 250 * t)).astype(np.float32)) == pytest.approx(
        expected("square_wave", "kurtosis"), abs=1e-4
    )
    decay = np.exp(-t / 0.005).astype(np.float32)
    assert kurtosis_of(decay) == pytest.approx(expected("exp_decay_in_window", "kurtosis_mean_removed"), rel=1e-3)
    noise = np.random.default_rng(5).standard_normal(1_920_000).astype(np.float32)
    assert kurtosis_of(noise) == pytest.approx(expected("gaussian_noise", "kurtosis"), abs=0.05)


@pytest.mark.parametrize("signal", ["exp_decay", "gated_sine", "gaussian_pulse", "half_sine", "n_wave"])
@pytest.mark.parametrize("rate_hz", [96_000, 44_100])
def test_whole_path_against_one_long_transform(tmp_path: Path, signal: str, rate_hz: int) -> None:
    """File to pulse: the same shape through the contract's high-pass by one long transform, measured by plain sums.

    For the gated sine the high-pass takes 1e-5 dB, so the closed form itself is met.
    """
    seconds, at = 20, 12.34567
    t = (np.arange(seconds * rate_hz) + 0.5) / rate_hz - at
    clean = waveform(signal, t)
    noise = coloured_noise(np.random.default_rng(3), t.size, rate_hz, 100.0, 1e-4 * np.abs(clean).max())
    (pulse,), _ = analysed(write_stream(tmp_path, clean + noise, rate_hz))
    truth = zero_phase_high_pass(clean, rate_hz, 10.0)
    energy = np.sum(truth**2) / rate_hz
    subtracted = pulse.measure.energy_pa2_s - pulse.measure.noise_pa2 * pulse.n_samples / rate_hz
    assert exposure_level_db(subtracted) == pytest.approx(exposure_level_db(energy), abs=0.01)
    # noise at a ten-thousandth of the peak moves it by a few ten-thousandths: 0.003 dB
    assert peak_level_db(pulse.measure.peak_pa) == pytest.approx(peak_level_db(np.abs(truth).max()), abs=0.01)
    cumulated = np.cumsum(truth**2) / np.sum(truth**2)
    duration = (np.searchsorted(cumulated, 0.95) - np.searchsorted(cumulated, 0.05)) / rate_hz
    assert pulse.measure.duration_s == pytest.approx(duration, rel=0.01, abs=2 / rate_hz)
    if signal == "gated_sine":
        assert exposure_level_db(subtracted) == pytest.approx(expected(signal, "exposure_level"), abs=0.01)
