"""Every row of tests/reference/closed_form_signals.csv, by the functions that measure strikes, to its printed digit.

Samples of 2 MHz, as the table's head asks for. Integrals (energies, durations, kurtosis) are of samples at the middle
of their intervals, so that a sum is an integral to second order; peaks of samples that hold the instant of the peak.
Where a row's tolerance lies below what samples of 32 bits can tell it is widened, and the width stands here.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import fft

from reconcile.recordings.clock import StationClock
from reconcile.recordings.streams import Channel
from reconcile.strikes.band_levels import ROWS as SPECTRA
from reconcile.strikes.band_levels import BandSums
from reconcile.strikes.full_band import FullBandFilter
from reconcile.strikes.levels import Interval, PulseMeasure, View, kurtosis, measure_pulse, power_sums
from reconcile.strikes.subtraction import effective_duration_s
from reconcile.strikes.ticks import TickGrid
from reconcile.vocabulary.decidecades import lower_edge_hz, upper_edge_hz
from reconcile.vocabulary.quantities import exposure_level_db, mean_square_level_db, peak_level_db
from tests.reference_rows import reference_rows

RATE = 2_000_000
START_S = 0.5  # of the pulse; its interval is 0.45 to 0.95 s
CENTRE_S = 0.02  # of shapes that reach to both sides, after the start
TIME_STEP_S = 5e-8  # a tenth of a sample: what 32 bits leave of an interpolated crossing
CREST_S = 1e-6  # two samples: in 32 bits a crest is flat for so long
ROWS = reference_rows("closed_form_signals.csv")
PULSES = {
    *("exp_decay", "damped_sine", "gated_sine", "half_sine", "linear_decay", "n_wave", "rect_pulse"),
    *("gaussian_pulse", "ricker"),
}
Floats = NDArray[np.float64]


def parameters(text: str) -> dict[str, float]:
    return {key: float(value) for key, value in (pair.split("=") for pair in text.split())}


def wave(signal: str, p: dict[str, float], t: Floats) -> Floats:
    """The formulas of the table's column `definition`."""
    on = (t >= -1e-9) & (t <= p.get("duration_s", np.inf) + 1e-9)
    late, c = np.maximum(t, 0), t - CENTRE_S
    shape = {
        "exp_decay": lambda: on * p["p0_pa"] * np.exp(-late / p["tau_s"]),
        "damped_sine": lambda: on * p["p0_pa"] * np.exp(-late / p["tau_s"]) * np.sin(2 * np.pi * p["frequency_hz"] * t),
        "gated_sine": lambda: on * p["amplitude_pa"] * np.sin(2 * np.pi * p["frequency_hz"] * t),
        "half_sine": lambda: on * p["p0_pa"] * np.sin(np.pi * t / p["duration_s"]),
        "linear_decay": lambda: on * p["p0_pa"] * (1 - t / p["duration_s"]),
        "n_wave": lambda: on * p["p0_pa"] * (1 - 2 * t / p["duration_s"]),
        "rect_pulse": lambda: on * p["amplitude_pa"],
        "gaussian_pulse": lambda: p["p0_pa"] * np.exp(-(c**2) / (2 * p["s_s"] ** 2)),
        "ricker": lambda: (
            p["p0_pa"]
            * (1 - 2 * (np.pi * p["frequency_hz"] * c) ** 2)
            * np.exp(-((np.pi * p["frequency_hz"] * c) ** 2))
        ),
    }
    return np.asarray(shape[signal](), dtype=np.float64)


@cache
def measured(signal: str, middle: bool) -> tuple[PulseMeasure, float]:
    """The measures of a pulse, and seconds from the start of its interval to the pulse's own time zero."""
    grid = TickGrid(RATE)
    text = next(row["parameters"] for row in ROWS if row["signal"] == signal)
    t = (np.arange(RATE) + (0.5 if middle else 0.0)) / RATE - START_S
    pressure = wave(signal, parameters(text), t).astype(np.float32)
    ticks = np.zeros(1000)
    ticks[:] = grid.mean_squares(pressure)
    view = View(pressure, ticks, grid, 0, 0, 0, 1000)
    return measure_pulse(view, Interval(450, 950, 100, 300, 100, cut=False, at_edge=False)), START_S - 0.45


def value(signal: str, quantity: str) -> float:
    """What the product says of a quantity of a pulse."""
    m, zero_s = measured(signal, middle=not quantity.startswith(("peak", "time_of_peak")))
    subtracted = m.energy_pa2_s  # silence before it: nothing to subtract
    return {
        "peak_level": lambda: float(peak_level_db(m.peak_pa)),
        "peak_to_peak_level": lambda: float(peak_level_db(m.peak_to_peak_pa)),
        "exposure_level": lambda: float(exposure_level_db(subtracted)),
        "pulse_duration": lambda: m.duration_s,
        "t5": lambda: m.onset_s - zero_s,
        "t95": lambda: m.onset_s + m.duration_s - zero_s,
        "time_of_peak": lambda: m.onset_s + m.rise_time_s - zero_s - 0.5 / RATE,  # the sample itself, not its middle
        "rms_level_energy_inside": lambda: float(mean_square_level_db(0.9 * subtracted / m.duration_s)),
        "rms_level": lambda: float(mean_square_level_db(0.9 * subtracted / m.duration_s)),
        "rms_level_whole_energy": lambda: float(mean_square_level_db(subtracted / m.duration_s)),
    }[quantity]()


@pytest.mark.parametrize(
    "row",
    [row for row in ROWS if row["signal"] in PULSES and row["quantity"] != "kurtosis"],
    ids=lambda row: f"{row['signal']}-{row['quantity']}",
)
def test_pulses(row: dict[str, str]) -> None:
    tolerance = float(row["tolerance"])
    if row["unit"] == "s":
        tolerance = max(tolerance, CREST_S if row["quantity"] == "time_of_peak" else TIME_STEP_S)
    assert value(row["signal"], row["quantity"]) == pytest.approx(float(row["expected"]), abs=tolerance)


# Closed forms worked here, of the shapes above: ∫p² and ∫p⁴ by hand; largest and smallest value.
EFFECTIVE_S = {
    "exp_decay": 0.005,  # τ
    "gated_sine": 2 / 3 * 0.1,
    "rect_pulse": 0.02,
    "gaussian_pulse": 0.002 * np.sqrt(2 * np.pi),
    "half_sine": 2 / 3 * 0.01,
    "linear_decay": 5 / 9 * 0.01,
    "n_wave": 5 / 9 * 0.01,
}
EITHER_SIGN_DB = {
    "n_wave": (180.0, 180.0),
    "gated_sine": (160.0, 160.0),
    "ricker": (180.0, 180.0 + 20 * np.log10(2 * np.exp(-1.5))),  # least where (π f t)² = 3/2
}


@pytest.mark.parametrize("signal", EFFECTIVE_S)
def test_effective_duration(signal: str) -> None:
    m, _ = measured(signal, middle=True)
    frame = pd.DataFrame([{**{name: getattr(m, name) for name in PulseMeasure.__slots__}, "window_s": 0.5}])
    assert effective_duration_s(frame)[0] == pytest.approx(EFFECTIVE_S[signal], rel=1e-4)


@pytest.mark.parametrize("signal", EITHER_SIGN_DB)
def test_peaks_of_either_sign(signal: str) -> None:
    m, _ = measured(signal, middle=False)
    found = peak_level_db([m.compression_peak_pa, m.rarefaction_peak_pa])
    assert found == pytest.approx(np.array(EITHER_SIGN_DB[signal]), abs=1e-4)


@pytest.mark.parametrize("signal", ["exp_decay", "rect_pulse"])
def test_a_pulse_of_one_sign_has_no_level_of_the_other(signal: str) -> None:
    m, _ = measured(signal, middle=False)
    assert m.rarefaction_peak_pa == 0.0
    assert np.isnan(peak_level_db(m.rarefaction_peak_pa))


def signal_of(signal: str) -> Floats:
    """The sounds of the table that are no pulses."""
    t = (np.arange(RATE) + 0.5) / RATE
    if signal == "gated_sine":
        return np.asarray(np.sin(2 * np.pi * 250.0 * t[: RATE // 10]))
    if signal == "square_wave":
        return np.sign(np.sin(2 * np.pi * 250.0 * t))
    if signal == "exp_decay_in_window":
        return np.asarray(np.exp(-t / 0.005))
    if signal == "two_tones":
        return np.asarray(np.sin(2 * np.pi * 200.0 * t) + 0.5 * np.sin(2 * np.pi * 310.0 * t))
    return 2.0 * np.random.default_rng(1810).standard_normal(RATE)  # gaussian_noise, for 10 s at 200 kHz


@pytest.mark.parametrize(
    "row",
    [row for row in ROWS if row["signal"] not in {*PULSES, "white_band_level"} or row["quantity"] == "kurtosis"],
    ids=lambda row: f"{row['signal']}-{row['quantity']}",
)
def test_steady_sounds(row: dict[str, str]) -> None:
    sound = signal_of(row["signal"]).astype(np.float32)
    grid = TickGrid(sound.size if row["signal"] != "gated_sine" else RATE)
    tolerance = float(row["tolerance"])
    if row["quantity"].startswith("kurtosis"):
        found, wanted = kurtosis(sound.size, power_sums(sound)), float(row["expected"])
        if row["quantity"].endswith("taken_as_zero"):  # the product removes the mean: 1/β is the effective share
            square = sound.astype(np.float64) ** 2
            found = float(sound.size * (square @ square) / square.sum() ** 2)
        tolerance = max(tolerance, 2e-6 * wanted)
        assert found == pytest.approx(wanted, abs=tolerance)
        return
    mean_square = float(grid.mean_squares(sound).mean())
    exposure = row["quantity"] == "exposure_level"
    level = exposure_level_db(mean_square * 10.0) if exposure else mean_square_level_db(mean_square)
    assert level == pytest.approx(float(row["expected"]), abs=tolerance)


def test_band_of_white_sound() -> None:
    """An impulse has the same exposure in each hertz: its level in a decidecade through the product's sums."""
    rate, density = 192_000, 1e-12 * 10 ** (100 / 10)  # Pa² s/Hz
    width, level = (float(row["expected"]) for row in ROWS if row["signal"] == "white_band_level")
    assert upper_edge_hz(30) - lower_edge_hz(30) == pytest.approx(width, abs=1e-4)
    grid = TickGrid(rate)
    channel = Channel("S", "H", 0, 1.0, 10.0, 0.45 * rate, StationClock(0, 0.0, 0.0))
    full_band = FullBandFilter(grid, channel.valid_from_hz, channel.valid_to_hz, channel.correction)
    n = fft.next_fast_len(rate, True)
    sums = BandSums(full_band, n, (30,), ())
    rows = np.zeros((SPECTRA, n), dtype=np.float32)
    rows[:, 100] = rate * np.sqrt(density / 2)
    band, _ = sums.sums(rows)
    assert exposure_level_db(band[0, 0] / (n * rate)) == pytest.approx(level, abs=1e-4)
