"""Many recordings of strikes whose quality is known: pulses of the demonstration's physics and invented ones, in noise.

Everything is drawn from one generator: sampling rate, bits, level, noise, offset, swell. Sample values are in parts of
full scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.scenario.driving import drive
from reconcile.scenario.pulses import edge_taper, time_series
from reconcile.scenario.site import full_site
from reconcile.scenario.sound import GRID_HZ, spectra_at_stations
from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.pulses import pulse_columns, second_columns
from reconcile.strikes.strike_rows import strike_rows
from reconcile.vocabulary.documents.campaign import Settings
from tests.strikes.campaigns import campaign
from tests.strikes.signals import FULL_SCALE_PA, analysed, coloured_noise, write_stream
from tests.strikes.test_strike_rows import association

RATES_HZ = (8_000, 16_000, 24_000, 32_000, 44_100, 48_000)
EVERY_S = 1.2
Signal = NDArray[np.float64]


@dataclass(frozen=True)
class Recording:
    """Samples in parts of full scale; of each strike where it reaches 30 % of its peak, and the peak without noise."""

    rate_hz: int
    bits: int
    sound: Signal
    first: NDArray[np.int64]
    peak: Signal

    @property
    def step(self) -> float:
        return float(2.0 ** (1 - self.bits))


@cache
def modelled_spectra(n_piles: int) -> list[tuple[NDArray[np.complex128], Signal]]:
    """Spectra at five stations, and the jitter from strike to strike in dB, of struck piles of the demonstration."""
    piles = [pile for pile in full_site().piles if pile.installation_method == "impact"][:n_piles]
    return [(spectra_at_stations(pile, full_site().stations), drive(pile, GRID_HZ, 1).jitter_db) for pile in piles]


def modelled_pulse(rng: np.random.Generator, rate_hz: int, n_piles: int) -> Signal:
    """A strike in shallow water at some station, largest value 1."""
    spectra = modelled_spectra(n_piles)
    rows, jitter = spectra[rng.integers(len(spectra))]
    spectrum = rows[rng.integers(len(rows))] * 10 ** (jitter[rng.integers(len(jitter))] / 20)
    spectrum = spectrum * edge_taper(GRID_HZ, min(16_000.0, rate_hz / 2))
    spectrum = spectrum * np.exp(2j * np.pi * GRID_HZ * rng.uniform(0, 1 / rate_hz))
    n = round(1.5 * rate_hz)
    pulse = time_series(spectrum[: min(n // 2 + 1, GRID_HZ.size)], rate_hz, n)
    return np.asarray(pulse / np.abs(pulse).max())


def invented_pulse(rng: np.random.Generator, rate_hz: int) -> Signal:
    """A sum of damped modes from 50 Hz to 3 kHz of any phase, slow or sudden, largest value 1."""
    t = (np.arange(round(0.6 * rate_hz)) + rng.uniform()) / rate_hz
    n = int(rng.integers(4, 12))
    f = np.exp(rng.uniform(np.log(50.0), np.log(min(3000.0, 0.35 * rate_hz)), n))
    f[0] = np.exp(rng.uniform(np.log(60.0), np.log(300.0)))
    amplitude = (100.0 / f) ** rng.uniform(0.3, 1.0) * rng.uniform(0.5, 1.5, n) * rng.choice([-1.0, 1.0], n)
    damping, phase = rng.uniform(15.0, 60.0) * np.sqrt(f / 100.0), rng.uniform(0.0, 2 * np.pi, n)
    pulse = (
        amplitude[:, None] * np.exp(-np.outer(damping, t)) * np.sin(2 * np.pi * np.outer(f, t) + phase[:, None])
    ).sum(0)
    pulse *= 1.0 - np.exp(-t / np.exp(rng.uniform(np.log(0.0003), np.log(0.004))))
    return np.asarray(pulse / np.abs(pulse).max())


def strikes_in_noise(
    rng: np.random.Generator,
    n_strikes: int,
    *,
    n_piles: int,
    peak: float,
    scatter_db: float,
    above_noise_db: float,
    rate_hz: int,
    bits: int,
) -> Recording:
    """Strikes every 1.2 s or so in noise (coloured and white, the white one step rms at least), swell and an offset."""
    step = 2.0 ** (1 - bits)
    n = round((n_strikes * EVERY_S + 3.5) * rate_hz)
    kind = rng.integers(2)
    clean, first, largest = np.zeros(n), [], []
    for k in range(n_strikes):
        pulse = invented_pulse(rng, rate_hz) if kind else modelled_pulse(rng, rate_hz, n_piles)
        pulse = pulse * peak * 10 ** (rng.normal(0.0, scatter_db) / 20)
        at = round((2.0 + k * EVERY_S + rng.uniform(-0.06, 0.06)) * rate_hz)
        stop = min(n, at + pulse.size)
        clean[at:stop] += pulse[: stop - at]
        first.append(at + int(np.argmax(np.abs(pulse) > 0.3 * np.abs(pulse).max())))
        largest.append(float(np.abs(pulse).max()))
    noise = peak * 10 ** (-above_noise_db / 20)
    white = max(noise * rng.uniform(0.1, 0.5), step)
    t = np.arange(n) / rate_hz
    swell = noise * rng.uniform(0.0, 5.0) * np.sin(2 * np.pi * rng.uniform(0.1, 0.4) * t + rng.uniform(0.0, 6.0))
    offset = rng.uniform(-0.01, 0.01)
    sound = clean + coloured_noise(rng, n, rate_hz, 80.0, noise) + white * rng.standard_normal(n) + swell + offset
    return Recording(rate_hz, bits, sound, np.array(first), np.array(largest))


def clean_recording(rng: np.random.Generator, n_strikes: int, n_piles: int) -> Recording:
    """Nothing wrong with it: 16 or 24 bits, strikes from twenty steps to nine tenths of full scale."""
    bits = int(rng.choice([16, 24]))
    peak = float(np.exp(rng.uniform(np.log(20.0 * 2.0 ** (1 - bits)), np.log(0.75))))
    return strikes_in_noise(
        rng,
        n_strikes,
        n_piles=n_piles,
        peak=peak,
        scatter_db=0.5,
        above_noise_db=float(rng.uniform(35.0, 60.0)),
        rate_hz=int(rng.choice(RATES_HZ)),
        bits=bits,
    )


def quantised(recording: Recording) -> Signal:
    """Sample values as the converter writes them."""
    return np.asarray(np.clip(np.round(recording.sound / recording.step) * recording.step, -1.0, 1.0 - recording.step))


@dataclass(frozen=True)
class Judged:
    """Rows of `strikes` with the sample at which each rose, and the marks of the seconds."""

    strikes: pd.DataFrame
    seconds: pd.DataFrame

    def flags_near(self, sample: int, within: int) -> set[str] | None:
        """Flags of the strike that rose within some samples of one; None where there is none."""
        near = (self.strikes["rise_sample"] - sample).abs()
        return set(self.strikes["flags"][near.idxmin()]) if near.min() <= within else None


def judged(folder: Path, recording: Recording) -> Judged:
    """The whole path: written to a file, read, analysed, made into rows."""
    folder.mkdir(parents=True, exist_ok=True)
    pressure = quantised(recording) * FULL_SCALE_PA
    stream = write_stream(folder, pressure, recording.rate_hz, subtype=f"PCM_{recording.bits}")
    settings = Settings(weightings=("nmfs-2024:LF",))
    pulses, seconds = analysed(stream, settings)
    channel = stream.channels[0]
    bands = bands_of(channel, recording.rate_hz)
    table = pd.DataFrame(pulse_columns(pulses, stream, channel, bands, settings.weightings)).assign(station_id="NEAR")
    rows = strike_rows(table, association(len(table)), campaign())
    order = table["time_us"].argsort(kind="stable")
    rows["rise_sample"] = np.array([p.rise_sample for p in pulses])[order]
    return Judged(rows, pd.DataFrame(second_columns(seconds, stream, channel, bands, settings.weightings)))
