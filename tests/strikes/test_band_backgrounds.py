"""Narrow bands: backgrounds pooled over neighbours, and a margin that a background alone seldom reaches.

The check by chance uses seed, size and band as fixed before its first run.
"""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.strikes.band_backgrounds import pooled
from reconcile.vocabulary.band_limits import has_few_numbers, margin_db

SEED, DRAWS, SHARE = 20261, 4000, 0.03
RATE_HZ, WINDOW_S, QUIET_S, DURATION_S, NEIGHBOURS = 1000, 0.3, 0.2, 0.1, 21


def energies(rng: np.random.Generator, n: int, length_s: float, centre_hz: float) -> np.ndarray:
    """Energy of white noise in a decidecade over a stretch, by a fine spectrum (zeros behind it), for n draws."""
    noise = rng.standard_normal((n, round(length_s * RATE_HZ)))
    spectrum = np.fft.rfft(noise, 8 * RATE_HZ, axis=1)
    frequency = np.fft.rfftfreq(8 * RATE_HZ, 1 / RATE_HZ)
    inside = (frequency >= centre_hz * 10**-0.05) & (frequency < centre_hz * 10**0.05)
    return np.asarray((np.abs(spectrum[:, inside]) ** 2).sum(axis=1))


@pytest.mark.parametrize("band", [10, 12, 14, 16])
def test_a_background_alone_seldom_passes_for_a_strike(band: int) -> None:
    rng = np.random.default_rng(SEED + band)
    window = energies(rng, DRAWS, WINDOW_S, 10 ** (band / 10)) / WINDOW_S
    quiet = energies(rng, DRAWS * NEIGHBOURS, QUIET_S, 10 ** (band / 10)) / QUIET_S
    noise = quiet.reshape(DRAWS, NEIGHBOURS).mean(axis=1)
    signal_to_noise = (window - noise) * WINDOW_S / (noise * DURATION_S)
    share = np.mean(signal_to_noise >= 10 ** (margin_db(band, 3.0) / 10))
    by_3_db = np.mean(signal_to_noise >= 10**0.3)
    print(f"band {band}: {share:.4f} by the margin of {margin_db(band, 3.0):.1f} dB, {by_3_db:.3f} by 3 dB")
    assert share < SHARE
    assert by_3_db > 2 * SHARE  # why there is a margin


def test_wide_bands_keep_the_rule_and_a_larger_setting_holds() -> None:
    assert [has_few_numbers(n) for n in (10, 16, 17, 30)] == [True, True, False, False]
    assert margin_db(17, 3.0) == 3.0
    assert margin_db(10, 20.0) == 20.0
    assert margin_db(10, 3.0) > margin_db(16, 3.0) > 3.0


def test_backgrounds_are_the_mean_of_21_neighbours_without_pauses() -> None:
    n = 50
    noise = np.arange(n, dtype=np.float64)
    noise[7] = np.nan
    time_us = np.arange(n, dtype=np.int64) * 2_000_000
    time_us[30:] += 100_000_000
    station = np.array(["A"] * n, dtype=object)
    state = np.zeros(n, dtype=np.int64)
    found = pooled(noise, station, time_us, state)
    assert np.isnan(found[7])
    run = [k for k in range(30) if k != 7]
    assert found[15] == pytest.approx(np.mean([noise[k] for k in run[run.index(15) - 10 : run.index(15) + 11]]))
    assert found[0] == pytest.approx(np.mean([noise[k] for k in run[:21]]))
    assert found[49] == pytest.approx(np.mean(np.arange(30, 50)))
    near, once = np.array([0, 1], dtype=np.int64), np.zeros(2, dtype=np.int64)
    two = pooled(np.array([1.0, 3.0]), np.array(["A", "B"], dtype=object), near, once)
    assert two.tolist() == [1.0, 3.0]


def test_backgrounds_of_two_abatement_states_are_never_mixed() -> None:
    """Twenty strikes before the curtain is on, 1 Pa² of background, and twenty after it, 9 Pa²."""
    state = np.repeat([0, 1], 20).astype(np.int64)
    noise, time_us = np.where(state == 0, 1.0, 9.0), np.arange(40, dtype=np.int64) * 1_000_000
    assert pooled(noise, np.array(["A"] * 40, dtype=object), time_us, state).tolist() == noise.tolist()
