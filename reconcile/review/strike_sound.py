"""Pressure read from the recordings for a person to look at: a few seconds of one channel, in its full band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.streams import Channel, Stream
from reconcile.strikes.full_band import FullBandFilter, correction_gain
from reconcile.strikes.octaves import STEPS
from reconcile.strikes.second_look import Listener
from reconcile.strikes.ticks import TickGrid
from reconcile.vocabulary.quantities import FloatArray

MOST_S = 15.0  # read at a time: longer stretches are drawn from envelopes
_AROUND_S = 1.5  # on either side, for the filter


@dataclass(frozen=True, slots=True)
class Sound:
    """Pressure in Pa of one channel from a sample of its stream on."""

    rate_hz: int
    first_sample: int
    pressure_pa: FloatArray


@dataclass(frozen=True, slots=True)
class PressureColumns:
    """Least and largest pressure (Pa) in each column of a view, NaN where nothing was recorded; edges as in Columns."""

    edges_us: FloatArray
    lowest_pa: FloatArray
    highest_pa: FloatArray


def read_sound(stream: Stream, channel: Channel, first: int, end: int) -> Sound:
    """Samples [first, end) of a channel as far as there are any, in the chain's full band.

    Raises ValueError where that is more than MOST_S; what cannot be read is zero.
    """
    if end - first > MOST_S * stream.rate_hz:
        raise ValueError(f"at most {MOST_S:g} s at a time")
    first, end = max(first, 0), min(end, stream.n_samples)
    around = round(_AROUND_S * stream.rate_hz)
    begin, stop = max(first - around, 0), min(end + around, stream.n_samples)
    raw = _by_chain(stream, channel, begin, stop)
    filtered = _full_band(raw, stream.rate_hz, channel)
    return Sound(stream.rate_hz, first, filtered[max(first - begin, 0) : max(end - begin, 0)])


def _by_chain(stream: Stream, channel: Channel, first: int, end: int) -> FloatArray:
    """Pressure by the chain alone."""
    pieces: list[FloatArray] = []
    left = end - first
    for block in pressure_blocks(replace(stream, channels=(channel,)), first, 1.0, ReadingReport()):
        if left <= 0:
            break
        taken = block.pressure_pa[0, :left].astype(np.float64)
        pieces.append(taken)
        left -= len(taken)
    return np.concatenate(pieces) if pieces else np.zeros(0)


def _full_band(raw: FloatArray, rate_hz: int, channel: Channel) -> FloatArray:
    """The full band (docs/method.md) by one product in the frequency domain; outside, the sound stands still."""
    if not raw.size:
        return raw
    pad = round(_AROUND_S * rate_hz)
    padded = np.pad(raw, pad, mode="edge")
    size = 1 << int(np.ceil(np.log2(len(padded))))
    frequency_hz = np.asarray(np.fft.rfftfreq(size, 1.0 / rate_hz), dtype=np.float64)
    band = FullBandFilter(TickGrid(rate_hz), channel.valid_from_hz, channel.valid_to_hz)
    gain = np.sqrt(band.power_response(frequency_hz)) * correction_gain(frequency_hz, channel.correction)
    held = np.pad(padded, (0, size - len(padded)), mode="edge")
    return np.asarray(np.fft.irfft(np.fft.rfft(held) * gain, size)[pad : pad + len(raw)])


def pressure_columns(
    listeners: Sequence[Listener], station_id: str, from_us: int, to_us: int, n_columns: int
) -> PressureColumns:
    """A station's pressure between two times, at most MOST_S apart: least and largest of each column."""
    if not 1 <= n_columns <= 10_000 or to_us <= from_us:
        raise ValueError("1 to 10000 columns between two times in order")
    if to_us - from_us > MOST_S * 1e6:
        raise ValueError(f"at most {MOST_S:g} s at a time")
    edges_us = np.linspace(float(from_us), float(to_us), n_columns + 1)
    lowest, highest = np.full(n_columns, np.nan), np.full(n_columns, np.nan)
    for listener in listeners:
        if listener.station_id != station_id:
            continue
        rate, stream = listener.stream.rate_hz, listener.stream
        samples = listener.steps(np.round(edges_us).astype(np.int64)) * (rate / STEPS)
        inside = np.flatnonzero((samples[1:] > 0) & (samples[:-1] < stream.n_samples))
        if not inside.size:
            continue
        start = np.clip(np.floor(samples[inside]), 0, stream.n_samples - 1).astype(np.int64)
        stop = np.clip(np.ceil(samples[inside + 1]), start + 1, stream.n_samples).astype(np.int64)
        sound = read_sound(stream, listener.channel, int(start[0]), int(stop[-1]))
        padded = np.append(sound.pressure_pa, np.nan)
        pairs = np.stack([start - start[0], stop - start[0]], axis=1).ravel()
        lowest[inside] = np.fmin.reduceat(padded, pairs)[::2]
        highest[inside] = np.fmax.reduceat(padded, pairs)[::2]
    return PressureColumns(edges_us, lowest, highest)
