"""Strikes at a stated signal to noise in a long recording, and what a finder made of them.

Strikes are those of the demonstration's waveguide at one station, jittering from one to the next, or damped modes of
any phase; background is white or like the sea's (most of it below 60 Hz, with a ship's lines); intervals jitter. Signal
to noise is the strike's energy over the background's mean square times the strike's 5-95 % duration, both in the full
band, known before they are added up. The high-pass is the slow and obvious one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.recordings.blocks import ReadingReport
from reconcile.recordings.streams import Stream
from reconcile.scenario.pulses import edge_taper, time_series
from reconcile.scenario.sound import GRID_HZ
from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.pulses import pulse_columns, second_columns
from reconcile.strikes.second_look import Listener
from reconcile.strikes.stream_analysis import analyse_stream
from reconcile.vocabulary.documents.campaign import Settings
from tests.strikes.signals import coloured_noise, write_stream
from tests.strikes.strike_corpus import invented_pulse, modelled_spectra

RATE_HZ = 8_000
EVERY_S, JITTER_S = 1.2, 0.06
FROM_HZ = 10.0
SAME_S = 0.05
SHIP_LINES_HZ = (37.3, 74.6, 112.0, 148.5)
Signal = NDArray[np.float64]


@dataclass(frozen=True)
class Faint:
    """Pressure in Pa, and of each strike the time of its 5 % point, its energy (Pa² s) and 5-95 % duration."""

    sound: Signal
    noise: Signal
    onset_s: Signal
    energy_pa2_s: Signal
    duration_s: Signal


def high_passed(pressure: Signal, rate_hz: int = RATE_HZ) -> Signal:
    """The contract's zero-phase high-pass, in one transform."""
    f = np.fft.rfftfreq(len(pressure), 1 / rate_hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(pressure) * f**2 / np.sqrt(f**4 + FROM_HZ**4), len(pressure)))


def background(rng: np.random.Generator, kind: str, n: int, rate_hz: int = RATE_HZ) -> Signal:
    """Noise of 1 Pa rms or so: `white`, or `sea`: falling above 60 Hz, with four lines of a ship in it."""
    if kind == "white":
        return rng.standard_normal(n)
    t = np.arange(n) / rate_hz
    noise = coloured_noise(rng, n, rate_hz, 60.0, 1.0)
    for frequency in SHIP_LINES_HZ:
        noise += 0.15 * np.sin(2 * np.pi * frequency * t + rng.uniform(0, 2 * np.pi))
    return noise


def strike(rng: np.random.Generator, kind: str, rate_hz: int = RATE_HZ) -> Signal:
    """A strike without noise: `waveguide` (each with its own jitter) or `modes` (always the same)."""
    if kind == "modes":
        return invented_pulse(np.random.default_rng(77), rate_hz)
    rows, jitter = modelled_spectra(1)[0]
    spectrum = (
        rows[3] * 10 ** (jitter[rng.integers(len(jitter))] / 20) * edge_taper(GRID_HZ, min(16_000.0, rate_hz / 2))
    )
    n = round(1.5 * rate_hz)
    return np.asarray(time_series(spectrum[: min(n // 2 + 1, GRID_HZ.size)], rate_hz, n))


def faint_strikes(
    seed: int, n_strikes: int, snr_db: float | Signal, *, noise: str, kind: str, rate_hz: int = RATE_HZ
) -> Faint:
    """`n_strikes` strikes every 1.2 s or so, all at one signal to noise, or each at its own."""
    rng = np.random.default_rng(seed)
    n = round((n_strikes * EVERY_S + 8.0) * rate_hz)
    sound = high_passed(background(rng, noise, n, rate_hz), rate_hz)
    quiet, mean_square = sound.copy(), float(np.mean(sound**2))
    at = 4.0 + np.cumsum(EVERY_S + rng.uniform(-JITTER_S, JITTER_S, n_strikes)) - EVERY_S
    onset, energy, duration = np.zeros(n_strikes), np.zeros(n_strikes), np.zeros(n_strikes)
    for k, snr in enumerate(np.broadcast_to(snr_db, n_strikes)):
        pulse = np.pad(strike(rng, kind, rate_hz), rate_hz // 10)
        pulse = high_passed(pulse, rate_hz)
        cumulated = np.cumsum(pulse**2)
        i5, i95 = (int(np.searchsorted(cumulated, share * cumulated[-1])) for share in (0.05, 0.95))
        wanted = 10 ** (snr / 10) * mean_square * (i95 - i5)
        first = round(at[k] * rate_hz)
        length = min(pulse.size, n - first)
        sound[first : first + length] += pulse[:length] * np.sqrt(wanted / cumulated[-1])
        onset[k], energy[k], duration[k] = (first + i5) / rate_hz, wanted / rate_hz, (i95 - i5) / rate_hz
    return Faint(sound, quiet, onset, energy, duration)


def found_and_invented(found_s: Signal, onset_s: Signal) -> tuple[int, int]:
    """How many strikes were found (within 50 ms), and how many finds are none."""
    order = np.sort(found_s)
    if not order.size:
        return 0, 0
    near = (
        np.clip(np.searchsorted(order, onset_s), 1, order.size - 1) if order.size > 1 else np.zeros(len(onset_s), int)
    )
    distance = np.minimum(np.abs(order[near] - onset_s), np.abs(order[near - 1] - onset_s))
    n_found = int(np.sum(distance <= SAME_S))
    return n_found, order.size - n_found


@dataclass(frozen=True)
class Heard:
    """What the first pass made of a recording: its pulses as a table of UTC onsets, and what it kept."""

    stream: Stream
    pulses: pd.DataFrame
    seconds: pd.DataFrame
    listener: Listener

    def found_s(self, more_us: NDArray[np.int64] | None = None) -> Signal:
        """Onsets in seconds from the first sample, those of a second look added."""
        more = np.zeros(0, dtype=np.int64) if more_us is None else more_us
        return np.concatenate([self.pulses["time_us"].to_numpy(dtype=np.int64), more]) / 1e6


def first_pass(folder: Path, sound: Signal, rate_hz: int = RATE_HZ) -> Heard:
    """Written to a file, read, analysed; what `running` keeps on disk is held in memory."""
    folder.mkdir(parents=True, exist_ok=True)
    stream, settings = write_stream(folder, sound, rate_hz), Settings(weightings=("nmfs-2024:LF",))
    parts = list(analyse_stream(stream, settings, ReadingReport()))
    channel = stream.channels[0]
    bands = bands_of(channel, rate_hz)
    found = [p for part in parts for p in part.pulses]
    held = {
        part.first_cell: (
            np.concatenate([e.mean_square for e in part.energies]),
            np.concatenate([e.octaves for e in part.energies], axis=1),
        )
        for part in parts
    }
    listener = Listener(stream, channel, {first: partial(held.__getitem__, first) for first in held})
    names = bands, settings.weightings
    pulses = pd.DataFrame(pulse_columns(found, stream, channel, *names))
    seconds = pd.DataFrame(second_columns([s for part in parts for s in part.seconds], stream, channel, *names))
    return Heard(stream, pulses, seconds, listener)


def span_us(heard: Heard) -> tuple[int, int]:
    """From the first sample to the last."""
    return 0, int(heard.stream.n_samples * 1e6 / heard.stream.rate_hz)


def expected_of(onset_s: Signal, tolerance_s: float, off_s: Signal | float = 0.0) -> pd.DataFrame:
    """Expected arrivals at station S1, `off_s` from the truth; strike k is K-000k of pile P1."""
    n = len(onset_s)
    return pd.DataFrame(
        {
            "strike_id": [f"P1-{k:05d}" for k in range(n)],
            "pile_id": "P1",
            "blow_number": pd.array(range(n), dtype="Int32"),
            "energy_kj": 1000.0,
            "station_id": "S1",
            "time_us": np.round((onset_s + off_s) * 1e6).astype(np.int64),
            "tolerance_s": tolerance_s,
            "overlapping_piles": False,
        }
    )
