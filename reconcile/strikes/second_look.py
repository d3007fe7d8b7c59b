"""A second look at what the first pass kept: faint strikes found by a matched filter, and arrivals that are expected.

Blind: over the recordings of a pile, with the template of the station's own strikes; what stands out by BLIND_SCORE is
a strike. Expected: where the log or other stations say that a strike arrived within a tolerance; there less is enough,
by the number of moments in the window, for one window in a hundred to hold a false arrival. What is known to be a
strike, and every other expected arrival, is left out of the background that scores are held against.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.recordings.streams import Channel, Stream
from reconcile.strikes.matched_filter import (
    TEMPLATE_STEPS,
    Quiet,
    Template,
    default_template,
    median_energy,
    peaks,
    scores,
    strike_window,
)
from reconcile.strikes.octaves import N_OCTAVES, STEP_TICKS, STEPS
from reconcile.strikes.stream_analysis import PART_CELLS
from reconcile.strikes.ticks import TICKS, Samples
from reconcile.vocabulary.quantities import FloatArray

BLIND_SCORE = 6.0  # noise of the sea reaches it less than once in an hour
FALSE_PER_WINDOW = 0.01
_HEAVIER_TAIL = 1.15  # than a normal variable's: what a score must be over what it would have to be
_CHUNK_STEPS, _MARGIN_STEPS = 600 * STEPS, 65 * STEPS
_BEFORE_PULSE_US, _AFTER_PULSE_US = 50_000, 100_000
_AFTER_EXPECTED_US, _WIDE_S = 200_000, 0.3
_STEP_US = STEP_TICKS * 1000
_MOST_WINDOWS = 200  # of which a template is made
_ECHO_US = 300_000  # after a pulse: nothing blind is taken there
Held = Callable[[], tuple[Samples, Samples]]
Zones = NDArray[np.int64]  # shape (n, 2): first and last step of what is no background


@dataclass(frozen=True, slots=True)
class Listener:
    """One channel of a stream with the energies that were kept of it, part by part (by first cell)."""

    stream: Stream
    channel: Channel
    parts: Mapping[int, Held]

    @property
    def station_id(self) -> str:
        return self.channel.station_id

    @property
    def n_steps(self) -> int:
        """Whole steps of 5 ms that were recorded."""
        return self.stream.n_samples * STEPS // self.stream.rate_hz

    def steps(self, time_us: NDArray[np.int64]) -> FloatArray:
        """Position in steps from the stream's first sample of UTC times by the station's stated clock."""
        clock = self.channel.clock
        since_us = (time_us - clock.first_us + clock.offset_s * 1e6) / (1.0 - clock.drift_ppm * 1e-6)
        return np.asarray((since_us + clock.first_us - self.stream.start_us) / _STEP_US)

    def time_us(self, step: FloatArray) -> NDArray[np.int64]:
        """UTC of positions in steps."""
        samples = np.asarray(step, dtype=np.float64) * (self.stream.rate_hz / STEPS)
        return self.channel.clock.utc_us(self.stream.recorder_us(samples))

    def octaves(self, first: int, end: int) -> FloatArray:
        """Octave energies of steps [first, end), shape (5, steps); zero where nothing is kept."""
        result = np.zeros((N_OCTAVES, end - first))
        for at, piece in self._pieces(first, end, STEPS, 1):
            result[:, at : at + piece.shape[1]] = piece
        return result

    def mean_squares(self, first_tick: int, end_tick: int) -> FloatArray:
        """1 ms mean squares (Pa²) of ticks [first_tick, end_tick); zero where nothing is kept."""
        result = np.zeros(end_tick - first_tick)
        for at, piece in self._pieces(first_tick, end_tick, TICKS, 0):
            result[at : at + len(piece)] = piece
        return result

    def _pieces(self, first: int, end: int, per_cell: int, which: int) -> Iterator[tuple[int, Samples]]:
        per_part = PART_CELLS * per_cell
        for number in range(max(0, first) // per_part, (end - 1) // per_part + 1):
            held = self.parts.get(number * PART_CELLS)
            if held is None:
                continue
            whole, begin = held()[which], number * per_part
            start, stop = max(first, begin), min(end, begin + whole.shape[-1])
            if start < stop:
                yield start - first, whole[..., start - begin : stop - begin]


def expected_score(tolerance_s: float) -> float:
    """The score that an arrival must have within ± a tolerance."""
    n = max(1, 2 * round(tolerance_s * STEPS) + 1)
    return _HEAVIER_TAIL * NormalDist().inv_cdf(1.0 - FALSE_PER_WINDOW / n)


def templates(
    listeners: Sequence[Listener], pulses: pd.DataFrame, pile_id: str, range_m: Mapping[str, float]
) -> dict[str, Template]:
    """The template of each station for one pile: of its own strikes, else of those of the station next in range.

    `pulses` (`station_id`, `time_us`) are those of the pile; without any the usual strike is looked for.
    """
    own: dict[str, Template] = {}
    stations = sorted({listener.station_id for listener in listeners})
    for station in stations:
        here = pulses[pulses["station_id"] == station]["time_us"].to_numpy(dtype=np.int64)
        here = here[:: max(1, -(-len(here) // _MOST_WINDOWS))]
        windows = [w for listener in listeners if listener.station_id == station for w in _windows(listener, here)]
        energy = median_energy(windows)
        if energy is not None:
            own[station] = Template(energy, f"{station} {pile_id}")
    result = {}
    for station in stations:
        nearest = sorted(own, key=lambda other: (abs(np.log(_ratio(range_m, other, station))), other))
        result[station] = own.get(station) or (own[nearest[0]] if nearest else default_template())
    return result


def _ratio(range_m: Mapping[str, float], one: str, other: str) -> float:
    ratio = range_m.get(one, 1.0) / range_m.get(other, 1.0)
    return ratio if np.isfinite(ratio) and ratio > 0 else 1e6


def _windows(listener: Listener, time_us: NDArray[np.int64]) -> Iterator[FloatArray]:
    for position in listener.steps(time_us):
        if 60 <= position < listener.n_steps - TEMPLATE_STEPS:
            step = int(position)
            window = strike_window(listener.octaves(step - 60, step + TEMPLATE_STEPS), 60)
            if window is not None:
                yield window


def zones_of(listener: Listener, pulses: pd.DataFrame) -> Zones:
    """Steps that pulses heard by a listener's station fill: from 50 ms before the onset to 100 ms after the window."""
    here = pulses[pulses["station_id"] == listener.station_id]
    onset = here["time_us"].to_numpy(dtype=np.int64)
    length = np.nan_to_num(here["window_s"].to_numpy(dtype=np.float64), nan=0.3) * 1e6
    return _zones(listener, onset - _BEFORE_PULSE_US, onset + length.astype(np.int64) + _AFTER_PULSE_US)


def _zones(listener: Listener, start_us: NDArray[np.int64], end_us: NDArray[np.int64]) -> Zones:
    zones = np.stack([np.floor(listener.steps(start_us)), np.ceil(listener.steps(end_us))], axis=1).astype(np.int64)
    return zones[(zones[:, 1] > 0) & (zones[:, 0] < listener.n_steps)]


def _quiet(zones: Zones, first: int, end: int) -> Quiet:
    quiet = np.ones(end - first, dtype=bool)
    for start, stop in zones[(zones[:, 1] >= first) & (zones[:, 0] < end)]:
        quiet[max(0, start - first) : stop - first + 1] = False
    return quiet


def _chunk_scores(listener: Listener, number: int, zones: Zones, template: Template) -> FloatArray:
    """Scores of one chunk of a stream, with a margin on either side."""
    first, end = number * _CHUNK_STEPS - _MARGIN_STEPS, (number + 1) * _CHUNK_STEPS + _MARGIN_STEPS
    return scores(listener.octaves(first, end), _quiet(zones, first, end), template)


def blind_arrivals(
    listener: Listener, pulses: pd.DataFrame, span_us: tuple[int, int], template: Template
) -> NDArray[np.int64]:
    """Onsets (UTC, microseconds) of strikes within a span of time that are no pulse yet and stand out by themselves."""
    zones = zones_of(listener, pulses)
    low, high = (float(s) for s in listener.steps(np.array(span_us, dtype=np.int64)))
    low, high = max(0.0, low), min(float(listener.n_steps), high)
    if low >= high:
        return np.zeros(0, dtype=np.int64)
    found: list[int] = []
    for number in range(int(low) // _CHUNK_STEPS, int(high) // _CHUNK_STEPS + 1):
        start = number * _CHUNK_STEPS - _MARGIN_STEPS
        steps = [start + i for i in peaks(_chunk_scores(listener, number, zones, template), BLIND_SCORE)]
        found += [s for s in steps if s // _CHUNK_STEPS == number and low <= s < high]
    echo = _ECHO_US // _STEP_US
    free = [s for s in found if not np.any((zones[:, 0] - 2 <= s) & (s <= zones[:, 1] + echo))]
    return listener.time_us(np.array(free, dtype=np.float64) + 0.5)


def expected_onsets(
    listener: Listener, expected: pd.DataFrame, pulses: pd.DataFrame, template: Template
) -> pd.DataFrame:
    """What is heard of a station's expected arrivals in a stream: with `onset_us` (0: not heard) and `score`.

    Rows outside the stream are left out. `expected` needs `time_us` and `tolerance_s`, `pulses` `station_id`, `time_us`
    and `window_s`: those already heard, among which no arrival is looked for.
    """
    here = expected[expected["station_id"] == listener.station_id]
    time_us = here["time_us"].to_numpy(dtype=np.int64)
    position = listener.steps(time_us)
    inside = (position >= 0) & (position < listener.n_steps)
    here, time_us, position = here[inside], time_us[inside], position[inside]
    if here.empty:
        return here.assign(onset_us=np.zeros(0, dtype=np.int64), score=np.zeros(0))
    tolerance = here["tolerance_s"].to_numpy(dtype=np.float64)
    reach_us = (tolerance * 1e6).astype(np.int64)
    heard = zones_of(listener, pulses)
    narrow = tolerance <= _WIDE_S  # wider windows would leave no background
    windows = _zones(listener, (time_us - reach_us)[narrow], (time_us + reach_us + _AFTER_EXPECTED_US)[narrow])
    zones = np.concatenate([heard, windows])
    onset_us, best = np.zeros(len(here), dtype=np.int64), np.full(len(here), -np.inf)
    for number in np.unique(position.astype(np.int64) // _CHUNK_STEPS):
        score = _chunk_scores(listener, int(number), zones, template)
        start = int(number) * _CHUNK_STEPS - _MARGIN_STEPS
        taken = ~_quiet(heard, start, start + score.size)
        score[taken] = -np.inf
        for i in np.flatnonzero(position.astype(np.int64) // _CHUNK_STEPS == number):
            reach = round(tolerance[i] * STEPS)
            middle = int(position[i]) - start
            window = score[max(0, middle - reach) : middle + reach + 1]
            at = int(np.argmax(window))
            best[i] = window[at]
            if best[i] >= expected_score(float(tolerance[i])):
                step = start + max(0, middle - reach) + at + 0.5
                onset_us[i] = int(listener.time_us(np.array([step]))[0])
    return here.assign(onset_us=onset_us, score=best)
