"""Kurtosis of minutes from moments of seconds: closed forms, scipy as a second library, the same bits for any block."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from reconcile.strikes.background import background_rows
from reconcile.strikes.moments import joint_kurtosis, second_moments
from reconcile.strikes.pulses import second_columns
from reconcile.strikes.ticks import TickGrid
from reconcile.vocabulary.quantities import FloatArray
from tests.reference_rows import reference_rows
from tests.strikes.campaigns import campaign
from tests.strikes.signals import analysed, ringing, write_stream, zero_phase_high_pass

RATE = 8_000


def minute_kurtosis(pressure: FloatArray, rate_hz: int = RATE) -> float:
    """Kurtosis of whole seconds as the path makes it, second by second in float32."""
    grid = TickGrid(rate_hz)
    cells = pressure.astype(np.float32).reshape(-1, rate_hz)
    moments = [second_moments(cell, grid.means(cell), grid.mean_squares(cell), grid) for cell in cells]
    return float(joint_kurtosis(np.array([moments]))[0])


def published(signal: str, quantity: str) -> float:
    (row,) = [
        r for r in reference_rows("closed_form_signals.csv") if (r["signal"], r["quantity"]) == (signal, quantity)
    ]
    return float(row["expected"])


def test_sine_and_square_wave() -> None:
    """1.5 and 1 (closed forms): whole cycles."""
    t = np.arange(10 * RATE) / RATE
    assert minute_kurtosis(100.0 * np.sin(2 * np.pi * 250.0 * t)) == pytest.approx(
        published("gated_sine", "kurtosis"), abs=1e-6
    )
    square = np.where(np.arange(10 * RATE) % 32 < 16, 1.0, -1.0)
    assert minute_kurtosis(square) == pytest.approx(published("square_wave", "kurtosis"), abs=1e-6)


def test_a_decaying_pulse_in_a_window() -> None:
    """exp(-t/tau), tau 5 ms, in 1 s: the published value with the mean removed; samples in the middle of their time."""
    rate = 100_000
    t = (np.arange(rate) + 0.5) / rate
    expected = published("exp_decay_in_window", "kurtosis_mean_removed")
    assert minute_kurtosis(np.exp(-t / 0.005), rate) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025])
def test_against_a_second_library(rate_hz: int) -> None:
    """Pulses in noise that swells over a minute: scipy on all samples in float64, within 2e-6 of the value."""
    rng = np.random.default_rng(2031)
    n = 60 * rate_hz
    x = rng.standard_normal(n) * np.linspace(0.5, 2.0, n)
    pulse = 40.0 * ringing(rate_hz)
    for at in range(rate_hz, n - rate_hz, round(1.3 * rate_hz)):
        x[at : at + pulse.size] += pulse
    stored = x.astype(np.float32).astype(np.float64)
    expected = scipy.stats.kurtosis(stored, fisher=False)
    assert expected > 10.0
    assert minute_kurtosis(x, rate_hz) == pytest.approx(expected, rel=2e-6)


def test_offsets_that_differ_from_second_to_second() -> None:
    """The joining formula with unlike means: what joins one sample after the other must give the whole's moments."""
    rng = np.random.default_rng(7)
    x = rng.gamma(2.0, 1.0, (5, RATE)) + np.array([0.0, 3.0, -2.0, 5.0, 1.0])[:, None]
    stored = x.astype(np.float32).astype(np.float64)
    assert minute_kurtosis(x.ravel()) == pytest.approx(scipy.stats.kurtosis(stored.ravel(), fisher=False), rel=1e-5)


def test_silence_has_no_kurtosis() -> None:
    assert np.isnan(minute_kurtosis(np.zeros(2 * RATE)))
    assert minute_kurtosis(np.concatenate([np.zeros(RATE), np.tile([1.0, -1.0], RATE // 2)])) == pytest.approx(2.0)


def test_through_the_path_and_the_same_bits_for_any_block(tmp_path: Path) -> None:
    """Gaussian noise (3) and a train of pulses above 40, file to minute; reading in pieces changes no bit."""
    rng = np.random.default_rng(11)
    x = rng.standard_normal(130 * RATE)
    pulse = 300.0 * ringing(RATE)
    for at in range(62 * RATE, 118 * RATE, 2 * RATE):
        x[at : at + pulse.size] += pulse
    stream = write_stream(tmp_path, x, RATE)
    found = [analysed(stream, block_s=block_s)[1] for block_s in (8.0, 1.7)]
    first, second = (np.concatenate([s.moments for s in seconds]) for seconds in found)
    assert first.tobytes() == second.tobytes()
    seconds = pd.DataFrame(second_columns(found[0], stream, stream.channels[0], (), ()))
    minutes = background_rows(seconds, campaign(), ()).query("duration_s == 60.0")["kurtosis"].to_numpy()
    filtered = zero_phase_high_pass(x, RATE, 10.0)[60 * RATE : 120 * RATE]
    assert minutes[0] == pytest.approx(3.0, abs=0.03)  # standard deviation of 480 000 samples: sqrt(24/n) = 0.007
    assert minutes[1] == pytest.approx(scipy.stats.kurtosis(filtered, fisher=False), rel=1e-3)
    assert minutes[1] > 40.0
