"""Truth through each form of the measuring chain, by the command line: a tone and pulses made in pascals.

Voltages and samples are made here from pressures of closed form, and written by the tests' own writer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.running.levels_stage import levels
from tests.recordings.tones import write_pcm_24
from tests.small_campaign import PILES_HEADER

RATE_HZ = 48_000
LENGTH_S = 34.0
TONE_HZ, TONE_PA = 1000.0, 20.0  # rms; steady from 2.5 s to 7.5 s, fading in and out
FIRST_S, EVERY_S, N_PULSES = 12.0, 1.7, 10
SIGMA_S, LOW_HZ, HIGH_HZ = 0.004, 200.0, 3000.0
LOW_PA, HIGH_PA = 60.0, 35.0
NOISE_PA = 0.004
WITHIN_DB, WITH_CURVE_DB = 0.02, 0.05
CURVE = ((50.0, -180.0), (5000.0, -172.0))  # 8 dB over two decades

SCALAR = "sensitivity_db = -176.0\ngain_db = {gain}\nfull_scale_v = 2.5\n"
END_TO_END = "end_to_end_sensitivity_db = -166.0\n"


def pressure_pa() -> np.ndarray:
    """A tone, then pulses: A exp(-t²/2σ²) cos(2πft) at two frequencies, in faint white noise."""
    time_s = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    sound = np.random.default_rng(31).normal(0.0, NOISE_PA, time_s.size)
    fading = np.interp(time_s, [0.5, 2.5, 7.5, 9.5], [0.0, 1.0, 1.0, 0.0])
    sound += fading * math.sqrt(2.0) * TONE_PA * np.sin(2 * math.pi * TONE_HZ * time_s)
    for k in range(N_PULSES):
        since = time_s - (FIRST_S + EVERY_S * k)
        bell = np.exp(-0.5 * (since / SIGMA_S) ** 2)
        sound += bell * (
            LOW_PA * np.cos(2 * math.pi * LOW_HZ * since) + HIGH_PA * np.cos(2 * math.pi * HIGH_HZ * since)
        )
    return sound


PEAK_DB = 20.0 * math.log10((LOW_PA + HIGH_PA) / 1e-6)
# ∫ A² exp(-t²/σ²) cos²(2πft) dt = A² σ √π / 2; the cross term and the one at 2f vanish as exp(-(2πfσ)²)
LOW_DB, HIGH_DB = (10.0 * math.log10(a**2 * SIGMA_S * math.sqrt(math.pi) / 2.0 / 1e-12) for a in (LOW_PA, HIGH_PA))
EXPOSURE_DB = 10.0 * math.log10(10 ** (LOW_DB / 10) + 10 ** (HIGH_DB / 10))
TONE_DB = 20.0 * math.log10(TONE_PA / 1e-6)


def by_a_number(sensitivity_db: float, gain_db: float) -> Callable[[np.ndarray], np.ndarray]:
    def voltage(sound_pa: np.ndarray) -> np.ndarray:
        return np.asarray(sound_pa * 1e6 * 10 ** ((sensitivity_db + gain_db) / 20.0))

    return voltage


def by_the_curve(sound_pa: np.ndarray) -> np.ndarray:
    """Volts behind a hydrophone whose sensitivity follows CURVE, held at its ends, zero phase, and a gain of 20 dB."""
    frequency = np.fft.rfftfreq(sound_pa.size, 1.0 / RATE_HZ)
    at = np.log10(np.clip(frequency, CURVE[0][0], CURVE[1][0]))
    low, high = (math.log10(f) for f, _ in CURVE)
    sensitivity_db = CURVE[0][1] + (CURVE[1][1] - CURVE[0][1]) * (at - low) / (high - low)
    factor = 10 ** ((sensitivity_db + 20.0 + 120.0) / 20.0)
    return np.fft.irfft(np.fft.rfft(sound_pa) * factor, sound_pa.size)


def campaign(folder: Path, chain: str, samples: np.ndarray) -> Path:
    """A campaign of one station and one pile."""
    write_pcm_24(folder / "recordings" / "A_20250501T080000.000000Z.wav", [samples], RATE_HZ)
    (folder / "calibration").mkdir()
    rows = "".join(f"{f:g},{s:g}\n" for f, s in CURVE)
    (folder / "calibration" / "H.csv").write_text("frequency_hz,sensitivity_db\n" + rows, encoding="utf-8")
    toml = 'format_version = 1\n[campaign]\nname = "Chains"\nsound_speed_m_s = 1500.0\n[[systems]]\nid = "H"\n' + chain
    toml += 'standard_uncertainty_db = 0.7\n[[stations]]\nid = "A"\nsystem = "H"\nchannel = 1\n'
    toml += 'recordings = "recordings/*.wav"\ntime_pattern = "A_%Y%m%dT%H%M%S.%fZ"\n'
    (folder / "campaign.toml").write_text(toml, encoding="utf-8")
    pile = "P,monopile,impact,8,30,,,3000,none,2025-05-01T08:00:10Z,2025-05-01T08:00:34Z,"
    (folder / "piles.csv").write_text(f"{PILES_HEADER}\n{pile}\n", encoding="utf-8")
    ranges = "pile_id,station_id,range_m,standard_uncertainty_m\nP,A,750,5\n"
    (folder / "ranges.csv").write_text(ranges, encoding="utf-8")
    return folder


def measured(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    results = folder / "results"
    levels(folder, results, workers=1)
    strikes, bands, background = (pd.read_parquet(results / f"{n}.parquet") for n in ("strikes", "bands", "background"))
    strikes = strikes[strikes["pile_id"] == "P"]
    return strikes, bands[bands["strike_id"].isin(strikes["strike_id"])], background


@pytest.mark.parametrize(
    ("chain", "voltage", "full_scale_v"),
    [
        (SCALAR.format(gain="20.0"), by_a_number(-176.0, 20.0), 2.5),
        (SCALAR.format(gain="0.0"), by_a_number(-176.0, 0.0), 2.5),
        (END_TO_END, by_a_number(-166.0, 0.0), 1.0),
    ],
    ids=["stages", "no amplifier", "end to end"],
)
def test_a_number(tmp_path: Path, chain: str, voltage: Callable[[np.ndarray], np.ndarray], full_scale_v: float) -> None:
    strikes, _, background = measured(campaign(tmp_path, chain, voltage(pressure_pa()) / full_scale_v))
    assert len(strikes) == N_PULSES
    assert strikes["peak_level_db"].to_numpy() == pytest.approx(PEAK_DB, abs=WITHIN_DB)
    assert strikes["exposure_level_db"].to_numpy() == pytest.approx(EXPOSURE_DB, abs=WITHIN_DB)
    steady = background[(background["duration_s"] == 1.0)]["level_db"].to_numpy()[3:7]
    assert steady == pytest.approx(TONE_DB, abs=WITHIN_DB)


def test_a_curve_that_slopes_by_8_db(tmp_path: Path) -> None:
    """One number instead would leave 4.7 dB between 200 Hz and 3000 Hz (4 dB per decade)."""
    chain = SCALAR.format(gain="20.0") + 'sensitivity_curve = "calibration/H.csv"\n'
    strikes, bands, background = measured(campaign(tmp_path, chain, by_the_curve(pressure_pa()) / 2.5))
    assert len(strikes) == N_PULSES
    assert strikes["peak_level_db"].to_numpy() == pytest.approx(PEAK_DB, abs=WITH_CURVE_DB)
    assert strikes["exposure_level_db"].to_numpy() == pytest.approx(EXPOSURE_DB, abs=WITH_CURVE_DB)
    steady = background[(background["duration_s"] == 1.0)]["level_db"].to_numpy()[3:7]
    assert steady == pytest.approx(TONE_DB, abs=WITH_CURVE_DB)
    power = 10 ** (bands.filter(regex="^exposure_level").astype(float) / 10.0)
    nominal = power.columns.str.extract(r"level_([\d_]+)hz")[0].str.replace("_", ".").astype(float).to_numpy()
    for near, truth_db in ((LOW_HZ, LOW_DB), (HIGH_HZ, HIGH_DB)):
        # σ = 4 ms: the spectrum's standard deviation is 1 / (2√2πσ) = 28 Hz; bands from half to twice hold all of it
        held = power.loc[:, (nominal > near / 2.2) & (nominal < near * 2.2)].sum(axis=1)
        assert 10.0 * np.log10(held.to_numpy()) == pytest.approx(truth_db, abs=WITH_CURVE_DB)
    assert power.loc[:, (nominal < 49.0) | (nominal > 5100.0)].isna().all(axis=None)
