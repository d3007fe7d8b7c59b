"""Pulses of all streams as columns of linear values: what association, levels and limits work on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.streams import Channel, Stream
from reconcile.strikes.channel_results import Pulse, Seconds
from reconcile.strikes.levels import PulseMeasure
from reconcile.strikes.moments import MOMENTS
from reconcile.strikes.quality import PULSE_MARKS, SECOND_MARKS

_MEASURES = tuple(field.name for field in fields(PulseMeasure))
_MARKS = ("clipped", "cut", "at_edge", "short_quiet", "second_look")
Columns = dict[str, NDArray[np.generic]]
_EXTREMES, _FLAT = ("highest", "lowest"), ("flat_above", "flat_below")


def pulse_columns(
    pulses: Sequence[Pulse], stream: Stream, channel: Channel, bands: Sequence[int], weightings: Sequence[str]
) -> Columns:
    """One row for each pulse that one channel heard in a part of a stream.

    Times are UTC in microseconds since 1970 by the station's stated clock; band and weighting columns are named
    `band_<n>`, `band_noise_<n>`, `weighted_<name>`, `weighted_noise_<name>`. `highest` and `lowest` are extremes of the
    sound as recorded, from its baseline, in parts of full scale, `flat_above` and `flat_below` whether these are flat.
    """
    rate = stream.rate_hz
    starts = np.array([p.start_sample for p in pulses], dtype=np.float64)
    onset = np.array([p.measure.onset_s for p in pulses], dtype=np.float64)
    rises = np.array([p.rise_sample for p in pulses], dtype=np.float64)
    at_onset = np.where(np.isfinite(onset), starts + onset * rate, rises)
    located = [stream.locate(p.start_sample) for p in pulses]
    columns: Columns = {
        "station_id": np.array([p.station_id for p in pulses], dtype=np.str_),
        "system_id": np.array([channel.system_id] * len(pulses), dtype=np.str_),
        "time_us": channel.clock.utc_us(stream.recorder_us(at_onset)),
        "recording": np.array([name for name, _ in located], dtype=np.str_),
        "start_sample": np.array([sample for _, sample in located], dtype=np.int64),
        "window_s": np.array([p.n_samples for p in pulses], dtype=np.float64) / rate,
        **{name: np.array([getattr(p.measure, name) for p in pulses], dtype=np.float64) for name in _MEASURES},
        **{name: np.array([getattr(p, name) for p in pulses], dtype=bool) for name in _MARKS},
        "not_heard": np.zeros(len(pulses), dtype=bool),
        **{name: np.array([name in p.quality.marks for p in pulses], dtype=bool) for name in PULSE_MARKS},
        **{name: np.array([getattr(p.quality, name) for p in pulses], dtype=np.float64) for name in _EXTREMES},
        **{name: np.array([getattr(p.quality, name) for p in pulses], dtype=bool) for name in _FLAT},
    }
    for part, names, attribute in (
        ("band_", bands, "band_energy"),
        ("band_noise_", bands, "band_noise"),
        ("weighted_", weightings, "weighted_energy"),
        ("weighted_noise_", weightings, "weighted_noise"),
    ):
        values = np.array([getattr(p, attribute) for p in pulses], dtype=np.float64).reshape(len(pulses), len(names))
        columns |= {f"{part}{name}": values[:, i] for i, name in enumerate(names)}
    return columns


def second_columns(
    seconds: Sequence[Seconds], stream: Stream, channel: Channel, bands: Sequence[int], weightings: Sequence[str]
) -> Columns:
    """One row for each whole second of one channel: mean squares in Pa², float32.

    `cell` counts seconds from the first sample of the stream; `start_us` is UTC as in `pulse_columns`.
    """
    cells = np.concatenate([s.first_cell + np.arange(len(s.mean_square)) for s in seconds])
    marks, moments = np.concatenate([s.marks for s in seconds]), np.concatenate([s.moments for s in seconds])
    band = np.concatenate([s.bands for s in seconds]).astype(np.float32)
    weighted = np.concatenate([s.weighted for s in seconds]).astype(np.float32)
    columns: Columns = {
        "station_id": np.array([channel.station_id] * len(cells), dtype=np.str_),
        "cell": cells.astype(np.int64),
        "start_us": channel.clock.utc_us(stream.recorder_us(cells.astype(np.float64) * stream.rate_hz)),
        "mean_square": np.concatenate([s.mean_square for s in seconds]),
        "clipped": np.concatenate([s.clipped for s in seconds]),
        **{name: marks[:, i] for i, name in enumerate(SECOND_MARKS)},
        **{f"second_{name}": moments[:, i] for i, name in enumerate(MOMENTS)},
        **{f"band_{n}": band[:, i] for i, n in enumerate(bands)},
        **{f"weighted_{name}": weighted[:, i] for i, name in enumerate(weightings)},
    }
    return columns


@dataclass(frozen=True, slots=True)
class RecordedInterval:
    """A stretch of time in which a station was recording; UTC in microseconds since 1970."""

    station_id: str
    start_us: int
    end_us: int


def recorded_intervals(streams: Sequence[Stream]) -> tuple[RecordedInterval, ...]:
    """When each station was recording, by its stated clock."""
    intervals = []
    for stream in streams:
        ends = stream.recorder_us(np.array([0.0, float(stream.n_samples)]))
        for channel in stream.channels:
            start, end = channel.clock.utc_us(ends)
            intervals.append(RecordedInterval(channel.station_id, int(start), int(end)))
    return tuple(sorted(intervals, key=lambda i: (i.station_id, i.start_us)))
