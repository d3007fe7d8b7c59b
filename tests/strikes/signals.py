"""Signals and streams that the tests of this room share; written to WAV by soundfile as 32-bit float pascals."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from reconcile.recordings.blocks import ReadingReport
from reconcile.recordings.clock import StationClock
from reconcile.recordings.streams import Channel, Segment, Stream
from reconcile.recordings.wav import open_recording
from reconcile.strikes.channel_results import Pulse, Seconds
from reconcile.strikes.stream_analysis import analyse_stream
from reconcile.vocabulary.documents.campaign import Settings

FULL_SCALE_PA = 1e5  # pascals of the sample value 1.0


def write_stream(
    folder: Path,
    pressure_pa: NDArray[np.float64],
    rate_hz: int,
    *,
    from_hz: float = 10.0,
    to_hz: float | None = None,
    cuts: tuple[int, ...] = (),
    subtype: str = "FLOAT",
) -> Stream:
    """A stream of one or more abutting files; `pressure_pa` has shape (samples,) or (samples, channels)."""
    frames = pressure_pa[:, None] if pressure_pa.ndim == 1 else pressure_pa
    bounds = [0, *cuts, len(frames)]
    segments = []
    for number, (start, end) in enumerate(pairwise(bounds)):
        path = folder / f"part{number}.wav"
        soundfile.write(path, frames[start:end] / FULL_SCALE_PA, rate_hz, subtype=subtype)
        segments.append(Segment(open_recording(path, path.name), 0, end - start, start))
    channels = tuple(
        Channel(
            f"S{number + 1}", "H1", number, FULL_SCALE_PA, from_hz, to_hz or 0.45 * rate_hz, StationClock(0, 0.0, 0.0)
        )
        for number in range(frames.shape[1])
    )
    return Stream(tuple(segments), rate_hz, 0, channels)


def analysed(stream: Stream, settings: Settings | None = None, **kwargs: float) -> tuple[list[Pulse], list[Seconds]]:
    """All pulses and seconds of a stream."""
    parts = list(analyse_stream(stream, settings or Settings(), ReadingReport(), **kwargs))  # type: ignore[arg-type]
    return [p for part in parts for p in part.pulses], [s for part in parts for s in part.seconds]


def coloured_noise(
    rng: np.random.Generator, n: int, rate_hz: int, corner_hz: float, rms_pa: float
) -> NDArray[np.float64]:
    """Gaussian noise, flat below a corner and falling 20 dB per decade above it, made in the frequency domain."""
    frequency = np.fft.rfftfreq(n, 1 / rate_hz)
    shape = 1.0 / np.sqrt(1.0 + (frequency / corner_hz) ** 2)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * shape, n)
    return np.asarray(noise * rms_pa / np.sqrt(np.mean(noise**2)))


def zero_phase_high_pass(pressure_pa: NDArray[np.float64], rate_hz: int, from_hz: float) -> NDArray[np.float64]:
    """The contract's high-pass in one long transform: the slow and obvious route."""
    n = len(pressure_pa) + 20 * rate_hz
    f = np.fft.rfftfreq(n, 1 / rate_hz)
    spectrum = np.fft.rfft(pressure_pa, n) * f**2 / np.sqrt(f**4 + from_hz**4)
    return np.asarray(np.fft.irfft(spectrum, n)[: len(pressure_pa)])


def ringing(rate_hz: int, seconds: float = 0.4) -> NDArray[np.float64]:
    """A pulse of damped modes from 80 Hz to 2 kHz, largest value 1: something like a strike at close range."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    modes = (80.0, 130.0, 190.0, 260.0, 410.0, 630.0, 1150.0, 2000.0)
    x = sum((100.0 / f) ** 0.4 * np.exp(-30.0 * t * (f / 100.0) ** 0.5) * np.sin(2 * np.pi * f * t) for f in modes)
    x = np.asarray(x) * (1.0 - np.exp(-t / 0.0005))
    return x / np.abs(x).max()


def strikes_in_noise(seconds: int, rate_hz: int, seed: int, channels: int = 1) -> NDArray[np.float64]:
    """Strikes every 1.31 s in coloured noise, with an offset and a swell; shape (samples, channels)."""
    rng = np.random.default_rng(seed)
    n = seconds * rate_hz
    x = np.stack([coloured_noise(rng, n, rate_hz, 80.0, 1.0) for _ in range(channels)], axis=1)
    pulse = ringing(rate_hz)
    for at in np.arange(0.9, seconds - 1.0, 1.31) + rng.uniform(-0.05, 0.05, len(np.arange(0.9, seconds - 1.0, 1.31))):
        first = round(at * rate_hz)
        x[first : first + pulse.size] += 300.0 * pulse[:, None] * (1.0 + np.arange(channels))
    x += 5.0 + 4.0 * np.sin(2 * np.pi * 0.3 * np.arange(n) / rate_hz)[:, None]
    return x
