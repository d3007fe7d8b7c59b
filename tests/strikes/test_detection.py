"""Detection: nothing found where nothing is, strikes found where they are, the onset stable."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from reconcile.strikes.detection import floor_of_seconds
from tests.strikes.signals import analysed, coloured_noise, ringing, write_stream

RATE = 12_000


@pytest.mark.parametrize("corner_hz", [15.0, 60.0, 300.0, 3000.0])
def test_noise_alone_holds_no_strike(tmp_path: Path, corner_hz: float) -> None:
    """Ten minutes of Gaussian noise of each colour, seed 21."""
    rng = np.random.default_rng(21)
    pulses, _ = analysed(write_stream(tmp_path, coloured_noise(rng, 600 * RATE, RATE, corner_hz, 1.0), RATE))
    assert pulses == []


def test_a_rising_ship_and_a_vibratory_hammer_are_no_strikes(tmp_path: Path) -> None:
    """Noise that grows by 25 dB in 30 s, and a 23 Hz tone with harmonics that starts within two seconds."""
    rng = np.random.default_rng(22)
    n = 120 * RATE
    t = np.arange(n) / RATE
    x = coloured_noise(rng, n, RATE, 100.0, 1.0)
    x += coloured_noise(rng, n, RATE, 300.0, 1.0) * 10 ** (25 * np.clip((t - 20) / 30, 0, 1) / 20)
    hammer = sum(np.cos(2 * np.pi * 23.0 * k * t + k) / k for k in range(1, 12))
    x += 60.0 * hammer * np.clip((t - 80) / 2, 0, 1)
    pulses, _ = analysed(write_stream(tmp_path, x, RATE))
    assert pulses == []


def test_the_first_strike_of_a_recording_is_found(tmp_path: Path) -> None:
    rng = np.random.default_rng(23)
    x = coloured_noise(rng, 20 * RATE, RATE, 100.0, 1.0)
    pulse = ringing(RATE)
    for at in (0.6, 5.0):
        x[round(at * RATE) : round(at * RATE) + pulse.size] += 200.0 * pulse
    pulses, _ = analysed(write_stream(tmp_path, x, RATE))
    assert [round(p.rise_sample / RATE, 1) for p in pulses] == [
        pytest.approx(0.6, abs=0.1),
        pytest.approx(5.0, abs=0.1),
    ]


def test_strikes_at_120_a_minute(tmp_path: Path) -> None:
    rng = np.random.default_rng(24)
    x = coloured_noise(rng, 40 * RATE, RATE, 100.0, 1.0)
    pulse = ringing(RATE)
    starts = np.arange(2.0, 38.0, 0.5)
    for at in starts:
        x[round(at * RATE) : round(at * RATE) + pulse.size] += 200.0 * pulse
    pulses, _ = analysed(write_stream(tmp_path, x, RATE))
    assert len(pulses) == len(starts)


def test_silence_and_padding_are_no_floor() -> None:
    smooth = np.concatenate([np.zeros(1000), np.full(1000, 4.0), np.full(1000, 9.0)])
    floor, _ = floor_of_seconds(smooth)
    assert list(floor) == [np.inf, 4.0, 4.0]


def test_a_recording_that_begins_or_ends_within_a_strike_says_so(tmp_path: Path) -> None:
    rng = np.random.default_rng(25)
    x = coloured_noise(rng, 20 * RATE, RATE, 100.0, 1.0)
    pulse = ringing(RATE)
    x[: pulse.size - 300] += 500.0 * pulse[300:]
    x[10 * RATE : 10 * RATE + pulse.size] += 500.0 * pulse
    tail = 20 * RATE - round(0.1 * RATE)
    x[tail:] += 500.0 * pulse[: 20 * RATE - tail]
    pulses, _ = analysed(write_stream(tmp_path, x, RATE))
    middle = [p for p in pulses if 9 * RATE < p.start_sample < 11 * RATE]
    assert [p.at_edge for p in middle] == [False]
    assert all(p.at_edge for p in pulses if p not in middle)
    assert any(p.start_sample > 19 * RATE for p in pulses)
