"""The sine fit and the search for the stable part, against tones of known level.

Coverage: 200 seeds (1000 to 1199), white and coloured noise 20 dB below the tone, 95 % intervals by Student's t. With a
true share of 95 % the number of 200 that hold the truth lies between 180 and 198 with 99.8 % (binomial). Size and band
were fixed before the first run.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from reconcile.recordings.tone import NoTone, ToneMeasure, fit_sine, measure_tone, strongest_hz
from tests.recordings.tones import RATE_HZ, tone_pa

SEEDS = range(1000, 1200)
LEAST_HOLD, MOST_HOLD = 180, 198
LEVEL_DB = 120.0  # 1 Pa rms: samples are used as parts of a full scale of 10 Pa
FULL_SCALE_PA = 10.0


def measured(pressure_pa: np.ndarray, frequency_hz: float = 250.0, rate_hz: int = RATE_HZ) -> ToneMeasure:
    found = measure_tone((pressure_pa / FULL_SCALE_PA).astype(np.float32), rate_hz, frequency_hz)
    assert isinstance(found, ToneMeasure), found
    return found


def refused(pressure_pa: np.ndarray, frequency_hz: float = 250.0) -> str:
    found = measure_tone((pressure_pa / FULL_SCALE_PA).astype(np.float32), RATE_HZ, frequency_hz)
    assert isinstance(found, NoTone), found
    return found.reason


def error_db(found: ToneMeasure, level_db: float = LEVEL_DB) -> float:
    return float(20 * np.log10(found.rms * FULL_SCALE_PA * 1e6) - level_db)


def test_the_fit_recovers_all_four_parameters() -> None:
    time_s = (np.arange(4000) - 1999.5) / RATE_HZ
    samples = 0.3 * np.cos(2 * np.pi * 251.3 * time_s + 0.4) + 0.05
    fit = fit_sine(samples, RATE_HZ, strongest_hz(samples, RATE_HZ, 250.0))
    assert fit.amplitude == pytest.approx(0.3, abs=1e-9)
    assert fit.phase == pytest.approx(0.4, abs=1e-8)
    assert fit.frequency_hz == pytest.approx(251.3, abs=1e-7)
    assert fit.offset == pytest.approx(0.05, abs=1e-9)


@pytest.mark.parametrize("frequency_hz", [250.0, 252.5, 247.5])
def test_noise_20_db_below_and_a_frequency_off_by_a_percent(frequency_hz: float) -> None:
    found = measured(tone_pa(LEVEL_DB, 12.0, frequency_hz=frequency_hz, noise_below_db=20.0))
    assert abs(error_db(found)) < 0.02
    assert abs(found.frequency_hz - frequency_hz) < 0.01
    assert found.standard_uncertainty_db < 0.01


@pytest.mark.parametrize(
    ("rate_hz", "frequency_hz"), [(2000, 20.0), (8000, 1000.0), (96_000, 250.0), (44_100, 15_000.0)]
)
def test_other_rates_and_frequencies(rate_hz: int, frequency_hz: float) -> None:
    found = measured(
        tone_pa(LEVEL_DB, 8.0, frequency_hz=1.004 * frequency_hz, noise_below_db=20.0, rate_hz=rate_hz),
        frequency_hz,
        rate_hz,
    )
    assert abs(error_db(found)) < 0.02


def test_only_what_lies_between_switching_on_and_off_is_measured() -> None:
    found = measured(tone_pa(LEVEL_DB, 20.0, on_s=(9.0, 16.5), noise_below_db=20.0))
    assert abs(error_db(found)) < 0.02
    assert 9.0 <= found.from_s < 9.3
    assert 16.2 < found.to_s <= 16.5


def test_bumps_are_left_out() -> None:
    pressure = tone_pa(LEVEL_DB, 20.0, noise_below_db=30.0)
    rng = np.random.default_rng(5)
    for at_s in (2.0, 4.5, 15.0):  # the coupler is touched: 0.4 s of noise five times as strong, the tone broken
        rows = slice(round(at_s * RATE_HZ), round((at_s + 0.4) * RATE_HZ))
        pressure[rows] = 0.3 * pressure[rows] + rng.normal(0.0, 5.0, pressure[rows].size)
    found = measured(pressure)
    assert abs(error_db(found)) < 0.02
    assert 4.9 <= found.from_s < 5.3
    assert 14.7 < found.to_s <= 15.0


def test_harmonics_do_not_count_and_are_told() -> None:
    second = tone_pa(LEVEL_DB - 30.0, 10.0, frequency_hz=500.0, seed=2)
    found = measured(tone_pa(LEVEL_DB, 10.0, noise_below_db=40.0) + second)
    assert abs(error_db(found)) < 0.02
    assert found.distortion == pytest.approx(10 ** (-30 / 20), rel=0.02)


def test_hum_and_swell_do_not_leak_into_the_fit() -> None:
    time_s = np.arange(10 * RATE_HZ) / RATE_HZ
    hum = 0.7 * np.sin(2 * np.pi * 50.0 * time_s)
    swell = 5.0 * np.sin(2 * np.pi * 0.3 * time_s + 1.0) + 1.5 * time_s / 10.0
    assert abs(error_db(measured(tone_pa(LEVEL_DB, 10.0, noise_below_db=40.0) + hum + swell))) < 0.02


def test_longer_hum_at_the_same_frequency_is_not_taken_for_the_tone() -> None:
    hum = tone_pa(LEVEL_DB - 25.0, 60.0, frequency_hz=250.0, noise_below_db=40.0)
    found = measured(
        tone_pa(LEVEL_DB, 60.0, on_s=(30.0, 36.0), noise_below_db=40.0) + hum * (np.arange(hum.size) < 240_000)
    )
    assert abs(error_db(found)) < 0.02


def test_a_frequency_that_wanders_loses_no_level() -> None:
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    phase = 2 * np.pi * 250.0 * time_s + 40.0 * np.sin(2 * np.pi * 0.02 * time_s)  # 0.8 Hz to and fro
    assert abs(error_db(measured(np.sqrt(2.0) * np.cos(phase)))) < 0.01


@pytest.mark.parametrize("coloured", [False, True], ids=["white", "coloured"])
def test_the_uncertainty_covers_the_truth(coloured: bool) -> None:
    hold = 0
    for seed in SEEDS:
        clean = tone_pa(LEVEL_DB, 4.0, noise_below_db=300.0, phase=seed)
        noise = np.random.default_rng(seed).normal(size=clean.size)
        if coloured:  # first-order autoregressive, 0.9: power at 250 Hz well above that of white noise of its strength
            noise = signal.lfilter([1.0], [1.0, -0.9], noise)
        found = measured(clean + 0.1 * noise / noise.std())
        hold += abs(error_db(found)) <= stats.t.ppf(0.975, found.degrees_of_freedom) * found.standard_uncertainty_db
    assert LEAST_HOLD <= hold <= MOST_HOLD, f"not reached: {hold} of {len(SEEDS)}"


def test_a_clipped_tone_is_refused() -> None:
    assert "the tone is clipped" in refused(np.clip(tone_pa(141.0, 5.0), -FULL_SCALE_PA, FULL_SCALE_PA))


def test_a_tone_flattened_below_full_scale_is_refused() -> None:
    assert "flattened" in refused(np.clip(tone_pa(LEVEL_DB, 5.0), -1.2, 1.2))


def test_a_distorted_tone_is_refused() -> None:
    assert "distorted" in refused(tone_pa(LEVEL_DB, 5.0) + tone_pa(LEVEL_DB - 15, 5.0, frequency_hz=500.0))


@pytest.mark.parametrize(
    "pressure",
    [
        np.random.default_rng(3).normal(size=80_000),
        np.zeros(80_000),
        np.zeros(0),
        np.full(80_000, np.nan),
        tone_pa(LEVEL_DB, 10.0, on_s=(2.0, 2.9)),
        tone_pa(LEVEL_DB, 10.0, frequency_hz=400.0, noise_below_db=20.0),
    ],
    ids=["noise", "silence", "nothing", "not numbers", "under a second", "another frequency"],
)
def test_no_tone_is_a_reason_and_no_exception(pressure: np.ndarray) -> None:
    assert "no tone near 250 Hz that stands still for 1 s" in refused(pressure)


def test_a_frequency_above_half_the_rate_is_refused() -> None:
    assert "cannot be in a recording at 8000 Hz" in refused(np.zeros(8000), 4000.0)
