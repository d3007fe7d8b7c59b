"""Band and weighted energies against closed forms, and leakage of the frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from reconcile.recordings.clock import StationClock
from reconcile.recordings.streams import Channel
from reconcile.strikes.band_levels import ROWS, BandSums, bands_of
from reconcile.strikes.full_band import FullBandFilter
from reconcile.strikes.ticks import TickGrid
from reconcile.vocabulary.decidecades import band_number, lower_edge_hz, upper_edge_hz
from reconcile.vocabulary.documents.campaign import Settings
from reconcile.vocabulary.quantities import mean_square_level_db
from reconcile.vocabulary.weightings import WEIGHTINGS
from tests.strikes.signals import analysed, ringing, write_stream

RATE = 48_000
NAMES = tuple(WEIGHTINGS)


def channel(from_hz: float, to_hz: float, correction: tuple[tuple[float, float], ...] = ()) -> Channel:
    return Channel("S1", "H1", 0, 1.0, from_hz, to_hz, StationClock(0, 0.0, 0.0), correction)


def sums(n_fft: int) -> BandSums:
    return BandSums(
        FullBandFilter(TickGrid(RATE), 10.0, 0.45 * RATE), n_fft, bands_of(channel(10.0, 0.45 * RATE), RATE), NAMES
    )


def test_white_spectrum_gives_each_band_its_bandwidth() -> None:
    """A single sample has a flat energy spectrum: a band's share is its bandwidth over half the rate.

    Expected: closed form, bandwidth from the exact edges (IEC 61260-1:2014), full band's response taken as divided out.
    """
    row = np.zeros((ROWS, RATE), dtype=np.float32)
    row[0, 7] = 1.0
    sums_1s = sums(RATE)
    band, _ = sums_1s.sums(row)
    # the row itself is not filtered: undo the division by the response that `sums` makes
    band_filter = FullBandFilter(TickGrid(RATE), 10.0, 0.45 * RATE)
    energy = band[0] / RATE  # sum of |X|² over n_fft: energy re one sample squared
    for n, got in zip(sums_1s.bands, energy, strict=True):
        f = np.linspace(lower_edge_hz(n), upper_edge_hz(n), 4001)
        wanted = np.trapezoid(1.0 / band_filter.power_response(f), f) / (RATE / 2)
        tolerance = 0.01 if n > 15 else 0.15  # a few 1 Hz bins stand for a band at 10 to 30 Hz
        assert 10 * np.log10(got / wanted) == pytest.approx(0.0, abs=tolerance), n


def test_band_level_of_white_noise(tmp_path: Path) -> None:
    """Reference: spectral density level 100 dB re 1 µPa²/Hz gives 123.63 dB in the 1 kHz decidecade (closed form)."""
    rng = np.random.default_rng(8)
    density = 1e10 * 1e-12  # Pa²/Hz of 100 dB re 1 µPa²/Hz
    noise = rng.standard_normal(120 * RATE) * np.sqrt(density * RATE / 2)
    _, seconds = analysed(write_stream(tmp_path, noise, RATE))
    bands = np.concatenate([s.bands for s in seconds])
    index = bands_of(channel(10.0, 0.45 * RATE), RATE).index(band_number(1000.0))
    level = mean_square_level_db(np.nanmean(bands[:, index]))
    # 118 frames of 231 Hz: standard deviation about 0.03 dB
    assert level == pytest.approx(123.6317, abs=0.1)
    whole = mean_square_level_db(np.mean(np.concatenate([s.mean_square for s in seconds])))
    in_band = 0.5 * RATE - np.pi * 10.0 / (2 * np.sqrt(2))  # ∫ 1 - f⁴/(f⁴ + f0⁴) df = π f0 / (2√2)
    assert whole == pytest.approx(100 + 10 * np.log10(in_band), abs=0.01)


@pytest.mark.parametrize("frequency", [25.12, 63.1, 250.0, 1000.0])
def test_steady_tone_leaks_less_than_50_db_two_bands_away(tmp_path: Path, frequency: float) -> None:
    """The contract's limit for the continuous levels."""
    t = np.arange(6 * RATE) / RATE
    _, seconds = analysed(write_stream(tmp_path, 100.0 * np.sin(2 * np.pi * frequency * t), RATE))
    bands = np.concatenate([s.bands for s in seconds])[2]
    numbers = np.array(bands_of(channel(10.0, 0.45 * RATE), RATE))
    own = round(10 * np.log10(frequency))
    away = np.abs(numbers - own) >= 2
    assert 10 * np.log10(bands[away].max() / bands[numbers == own][0]) < -50.0
    assert bands[numbers == own][0] == pytest.approx(100.0**2 / 2, rel=2e-3)


def test_weighted_energy_of_tones_is_the_weighting_itself(tmp_path: Path) -> None:
    """Expected from NMFS 2024 Eq. 1, written out here a second time."""
    t = np.arange(6 * RATE) / RATE
    for frequency in (100.0, 1000.0, 8000.0):
        _, seconds = analysed(write_stream(tmp_path, 50.0 * np.sin(2 * np.pi * frequency * t), RATE))
        weighted = np.concatenate([s.weighted for s in seconds])[2]
        for name, got in zip(Settings().weightings, weighted, strict=True):
            w = WEIGHTINGS[name]
            x1, x2 = (frequency / w.f1_hz) ** 2, (frequency / w.f2_hz) ** 2
            wanted_db = w.gain_db + 10 * np.log10(x1**w.a / ((1 + x1) ** w.a * (1 + x2) ** w.b))
            # a Hann frame spreads a tone over four bins: where the weighting is steep that costs 0.02 dB
            assert 10 * np.log10(got / (50.0**2 / 2)) == pytest.approx(wanted_db, abs=0.03), (name, frequency)


def test_bands_of_a_strike_sum_to_its_full_band(tmp_path: Path) -> None:
    """Parseval: the energy of a pulse between the lowest and the highest band's edge is that of the pulse."""
    x = np.zeros(20 * RATE)
    pulse = ringing(RATE)
    x[12 * RATE : 12 * RATE + pulse.size] = 1000.0 * pulse
    x += 0.01 * np.random.default_rng(2).standard_normal(x.size)
    (found,), _ = analysed(write_stream(tmp_path, x, RATE))
    response_taken = found.band_energy.sum() / found.measure.energy_pa2_s
    # dividing out the high-pass adds what it took: below 0.02 dB for this pulse, which has little under 40 Hz
    assert 10 * np.log10(response_taken) == pytest.approx(0.0, abs=0.03)


def test_a_band_must_lie_within_the_band_and_below_half_the_rate() -> None:
    bands = bands_of(channel(10.0, 0.45 * 44_100), 44_100)
    assert bands[0] == band_number(10.0)
    assert bands[-1] == band_number(16_000.0)  # 20 kHz: its upper edge, 22.4 kHz, is above 22.05 kHz
    assert bands_of(channel(50.0, 2000.0), 48_000)[0] == band_number(50.0)  # exact centre 50.12 Hz


def test_bands_outside_a_curves_table_are_left_out() -> None:
    limited = bands_of(channel(10.0, 20_000.0, ((25.0, 0.0), (5000.0, 1.0))), 96_000)
    assert limited[0] == band_number(25.0)  # exact centre 25.12 Hz
    assert limited[-1] == band_number(5000.0)  # exact centre 5012 Hz: within 1 % of the table's end
