"""The full band against one long transform, and the low-pass against the contract's two points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from reconcile.strikes.full_band import FullBandFilter, high_pass_magnitude
from reconcile.strikes.ticks import TICKS, TickGrid
from tests.strikes.signals import ringing, zero_phase_high_pass


def filtered(pressure: np.ndarray, rate_hz: int, from_hz: float, to_hz: float) -> np.ndarray:
    """Whole cells through the filter; the first and last cell are lost."""
    grid = TickGrid(rate_hz)
    band = FullBandFilter(grid, from_hz, to_hz)
    cells = pressure.astype(np.float32).reshape(-1, rate_hz)
    means = [grid.means(cell) for cell in cells]
    done = [
        band.cell(cells[k - 1], cells[k], cells[k + 1], (means[k - 1], means[k], means[k + 1]))
        for k in range(1, len(cells) - 1)
    ]
    return np.concatenate(done).astype(np.float64)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 44100, 48000, 52734])
@pytest.mark.parametrize("from_hz", [5.0, 10.0, 25.0, 40.0, 60.0])
def test_high_pass_is_that_of_one_long_transform(rate_hz: int, from_hz: float) -> None:
    rng = np.random.default_rng(11)
    n = 7 * rate_hz
    sound = 0.3 * rng.standard_normal(n)
    t = np.arange(n) / rate_hz
    pulse = ringing(rate_hz)
    sound[3 * rate_hz + 1234 : 3 * rate_hz + 1234 + pulse.size] += 50.0 * pulse
    swell = 30.0 * np.sin(2 * np.pi * 0.3 * t)  # far above the sound, as is the offset
    # offset and swell never end: their response is taken in closed form, not from a padded transform
    reference = zero_phase_high_pass(sound, rate_hz, from_hz) + swell * 0.3**2 / np.sqrt(0.3**4 + from_hz**4)
    got = filtered(sound + swell + 20.0, rate_hz, from_hz, 0.45 * rate_hz)
    inner = slice(2 * rate_hz, 5 * rate_hz)
    error = got[rate_hz : 4 * rate_hz] - reference[inner]
    assert np.sqrt(np.mean(error**2)) < 2e-3 * np.sqrt(np.mean(reference[inner] ** 2))
    assert np.abs(got[rate_hz : 4 * rate_hz]).max() == pytest.approx(np.abs(reference[inner]).max(), rel=5e-4)


def test_magnitude_is_3_db_down_at_the_corner() -> None:
    # |H|² = f⁴/(f⁴ + f0⁴) is one half at f0: 3.0103 dB
    assert 20 * np.log10(high_pass_magnitude(np.array([10.0]), 10.0)[0]) == pytest.approx(-3.0103, abs=1e-4)


@pytest.mark.parametrize(("rate_hz", "to_hz"), [(48000, 2000.0), (48000, 10000.0), (96000, 20000.0), (44100, 4000.0)])
def test_low_pass_meets_the_contract(rate_hz: int, to_hz: float) -> None:
    n = 5 * rate_hz
    t = np.arange(n) / rate_hz

    def gain_db(frequency: float) -> float:
        got = filtered(np.sin(2 * np.pi * frequency * t), rate_hz, 10.0, to_hz)
        return float(10 * np.log10(np.mean(got[rate_hz : 2 * rate_hz] ** 2) / 0.5))

    assert gain_db(to_hz) == pytest.approx(-3.01, abs=0.02)  # contract: 3 dB down there
    assert gain_db(1.2 * to_hz) < -60.0  # contract: 60 dB at 1.2 times it
    assert abs(gain_db(0.7 * to_hz)) < 0.01


def test_linear_phase_keeps_a_pulse_in_place() -> None:
    rate = 48000
    x = np.zeros(5 * rate)
    x[2 * rate + 100] = 1.0
    got = filtered(x, rate, 10.0, 5000.0)
    assert int(np.argmax(got)) == rate + 100


def test_power_response_is_what_the_filter_does(tmp_path: Path) -> None:
    rate, frequencies = 48000, np.array([12.0, 35.0, 300.0, 4800.0, 5200.0])
    t = np.arange(6 * rate) / rate
    for from_hz in (10.0, 60.0):
        band = FullBandFilter(TickGrid(rate), from_hz, 5000.0)
        stated = band.power_response(frequencies)
        for frequency, power in zip(frequencies, stated, strict=True):
            got = filtered(np.sin(2 * np.pi * frequency * t), rate, from_hz, 5000.0)
            assert np.mean(got[rate : 3 * rate] ** 2) / 0.5 == pytest.approx(power, rel=4e-3)


def test_ticks_of_a_rate_that_is_no_multiple_of_1000() -> None:
    grid = TickGrid(44100)
    assert grid.sizes.sum() == 44100
    assert set(grid.sizes) == {44, 45}
    cell = np.arange(44100, dtype=np.float32)
    assert grid.means(cell)[0] == pytest.approx(21.5)
    assert grid.sample(3 * TICKS) == 3 * 44100


CURVE = ((10.0, 3.0), (100.0, 0.0), (1000.0, -1.0), (10_000.0, -5.0), (20_000.0, 5.0))  # gain in dB


def corrected(pressure: np.ndarray, rate_hz: int, from_hz: float, to_hz: float) -> np.ndarray:
    grid = TickGrid(rate_hz)
    band = FullBandFilter(grid, from_hz, to_hz, CURVE)
    cells = pressure.astype(np.float32).reshape(-1, rate_hz)
    means = [grid.means(cell) for cell in cells]
    return np.concatenate(
        [
            band.cell(cells[k - 1], cells[k], cells[k + 1], (means[k - 1], means[k], means[k + 1]))
            for k in range(1, len(cells) - 1)
        ]
    ).astype(np.float64)


@pytest.mark.parametrize("frequency", [12.0, 20.0, 47.0, 316.2, 3162.0, 14_142.0, 23_000.0])
@pytest.mark.parametrize("from_hz", [10.0, 60.0])
def test_a_curve_is_made_up_for_at_every_frequency(frequency: float, from_hz: float) -> None:
    """Expected: linear in dB over log frequency, held beyond the ends, worked by hand at the points in between."""
    rate = 64_000
    by_hand = {12.0: 3.0 - 3.0 * np.log10(1.2), 20.0: 3.0 - 3.0 * np.log10(2.0), 47.0: 3.0 - 3.0 * np.log10(4.7)}
    by_hand |= {316.2: -0.5, 3162.0: -3.0, 14_142.0: 0.0, 23_000.0: 5.0}
    t = np.arange(6 * rate) / rate
    got = corrected(np.sin(2 * np.pi * frequency * t), rate, from_hz, 0.45 * rate)
    high_pass_db = 20 * np.log10(frequency**2 / np.sqrt(frequency**4 + from_hz**4))
    level = 10 * np.log10(np.mean(got[rate : 3 * rate] ** 2) / 0.5)
    assert level == pytest.approx(by_hand[frequency] + high_pass_db, abs=0.03)


def test_peak_through_a_curve_that_slopes_8_db_is_that_of_the_pressure() -> None:
    """A pulse recorded by a chain whose sensitivity falls by 8 dB from 20 Hz to 20 kHz; the pressure comes back."""
    rate = 96_000
    slope = ((20.0, -4.0), (20_000.0, 4.0))  # gain that the recorder lacks
    pressure = np.zeros(5 * rate)
    pulse = ringing(rate)
    pressure[2 * rate + 77 : 2 * rate + 77 + pulse.size] = pulse
    n = pressure.size
    f = np.fft.rfftfreq(n, 1 / rate)
    gain_db = np.interp(np.log(np.maximum(f, 1e-3)), np.log([20.0, 20_000.0]), [-4.0, 4.0])
    recorded = np.fft.irfft(np.fft.rfft(pressure) * 10 ** (-gain_db / 20), n)
    grid = TickGrid(rate)
    band = FullBandFilter(grid, 10.0, 0.45 * rate, slope)
    cells = recorded.astype(np.float32).reshape(-1, rate)
    means = [grid.means(cell) for cell in cells]
    got = band.cell(cells[1], cells[2], cells[3], (means[1], means[2], means[3])).astype(np.float64)
    truth = zero_phase_high_pass(pressure, rate, 10.0)[2 * rate : 3 * rate]
    assert 20 * np.log10(np.abs(got).max() / np.abs(truth).max()) == pytest.approx(0.0, abs=0.05)
    assert 10 * np.log10(np.sum(got**2) / np.sum(truth**2)) == pytest.approx(0.0, abs=0.05)
