"""One strike at one station: from filtered pressure to energies, peaks and times.

What comes out is linear (Pa, Pa², Pa² s, seconds), before any level is taken and before the background decides what is
censored: those need the other strikes of the pile.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.between_samples import oversampled_peak
from reconcile.strikes.ticks import Samples, TickGrid
from reconcile.vocabulary.quantities import FloatArray

BEFORE_RISE_TICKS = 20
_QUIET_TICKS, _QUIET_GAP_TICKS, _SHORTEST_QUIET_TICKS = 200, 50, 50
_END_TICKS, _END_HOLD_TICKS = 20, 100
_SPREAD_MARGIN = 1.5  # on the largest 20 ms mean square of the quiet stretch
_FAST_TICKS = 125
_SHORT_SUM = 128


@dataclass(frozen=True, slots=True)
class Interval:
    """A strike's stretches in ticks of the view: pulse [start, end), background [quiet_start, quiet_end)."""

    start: int
    end: int
    quiet_start: int
    quiet_end: int
    noise_peak_start: int  # the stretch as long as the pulse that ends at quiet_end, as far as there is one
    cut: bool  # ended before the pulse had decayed
    at_edge: bool  # the recording starts or ends within it


@dataclass(frozen=True, slots=True)
class View:
    """A stretch of filtered sound: samples, 1 ms mean squares, and the grid; tick 0 is `first_tick` of the stream."""

    pressure_pa: Samples
    mean_squares: FloatArray
    grid: TickGrid
    first_tick: int
    pressure_first_tick: int
    valid_from: int  # ticks of the view that hold recorded sound: [valid_from, valid_to)
    valid_to: int

    def samples(self, start: int, end: int) -> Samples:
        """Pressure between two ticks of the view."""
        return self.pressure_pa[self.index(start) : self.index(end)]

    def index(self, tick: int) -> int:
        """Where a tick of the view begins in `pressure_pa`; its first sample for ticks before that."""
        return max(0, self.grid.sample(self.first_tick + tick) - self.grid.sample(self.pressure_first_tick))

    def energy(self, start: int, end: int) -> FloatArray:
        """Sum of squares (Pa²) of each tick of a range."""
        sizes = self.grid.samples_in(self.first_tick + start, self.first_tick + end)
        return np.asarray(self.mean_squares[start:end] * sizes)


def pulse_interval(
    view: View, rise: int, previous_rise: int | None, next_rise: int | None, longest: int, least: int = 0
) -> Interval:
    """The pulse interval and the background before it, by the contract's definition.

    Background: the 200 ms that end 50 ms before the rise, not reaching into the first half of the time since the rise
    before. Pulse: from 20 ms before the rise until 20 ms mean squares have stayed within the background's spread (1.5
    times its largest) for 100 ms, at most `longest` ticks or until 20 ms before the next rise; `least` ticks at least,
    as far as the next rise allows: a faint strike hides in its background before it has decayed.
    """
    quiet_end = max(view.valid_from, rise - _QUIET_GAP_TICKS)
    halfway = view.valid_from if previous_rise is None else (previous_rise + rise + 1) // 2
    quiet_start = min(max(rise - _QUIET_GAP_TICKS - _QUIET_TICKS, halfway, view.valid_from), quiet_end)
    start = rise - BEFORE_RISE_TICKS
    limit = start + longest
    if next_rise is not None:
        limit = min(limit, next_rise - BEFORE_RISE_TICKS)
    needed = limit + _END_HOLD_TICKS + _END_TICKS
    means = _moving_mean(view.mean_squares[rise : min(needed, view.valid_to)], _END_TICKS)
    quiet = _moving_mean(view.mean_squares[quiet_start:quiet_end], _END_TICKS)
    spread = _SPREAD_MARGIN * float(quiet.max()) if quiet.size else 0.0
    end = max(rise + _first_hold(means <= spread, _END_HOLD_TICKS), start + least)
    cut = end > limit
    end = min(end, limit, view.valid_to)
    at_edge = start < view.valid_from or (end == view.valid_to and end < limit)
    start = max(start, view.valid_from)
    noise_peak_start = min(max(quiet_end - (end - start), halfway, view.valid_from), quiet_start)
    return Interval(start, end, quiet_start, quiet_end, noise_peak_start, cut, at_edge)


def has_quiet(interval: Interval) -> bool:
    """Whether the background is long enough to be measured (50 ms)."""
    return interval.quiet_end - interval.quiet_start >= _SHORTEST_QUIET_TICKS


def is_short(interval: Interval) -> bool:
    """Whether the background is shorter than 200 ms."""
    return interval.quiet_end - interval.quiet_start < _QUIET_TICKS


def _moving_mean(values: FloatArray, n: int) -> FloatArray:
    if len(values) < n:
        return np.zeros(0)
    sums = np.cumsum(np.concatenate([[0.0], values]))
    return np.asarray((sums[n:] - sums[:-n]) / n)


def _first_hold(quiet: NDArray[np.bool_], hold: int) -> int:
    """First index from which `quiet` holds for `hold` in a row; a number beyond the end where there is none."""
    loud = np.flatnonzero(~quiet)
    edges = np.concatenate([[-1], loud, [len(quiet)]])
    long_enough = np.flatnonzero(np.diff(edges) > hold)
    return int(edges[long_enough[0]] + 1) if long_enough.size else 10**9


@dataclass(frozen=True, slots=True)
class PulseMeasure:
    """What is measured in the time domain; NaN where it cannot be."""

    peak_pa: float
    peak_to_peak_pa: float
    compression_peak_pa: float  # largest pressure
    rarefaction_peak_pa: float  # largest fall below zero, as a positive number
    oversampled_peak_pa: float  # largest magnitude at four times the rate, around the largest sample
    energy_pa2_s: float  # of the interval as it is
    fourth_power_pa4_s: float  # integral of the pressure's fourth power over the interval
    noise_pa2: float  # mean square of the quiet stretch
    quiet_s: float  # length of that stretch
    noise_peak_pa: float
    duration_s: float
    onset_s: float  # 5 % point, from the start of the interval
    rise_time_s: float
    kurtosis: float
    max_125ms_pa2: float


def measure_pulse(view: View, interval: Interval) -> PulseMeasure:
    """Time-domain measures of one pulse interval (quantities of ISO 18405:2017)."""
    rate = view.grid.rate_hz
    pressure = view.samples(interval.start, interval.end)
    energy = view.energy(interval.start, interval.end)
    quiet_energy = view.energy(interval.quiet_start, interval.quiet_end)
    quiet_samples = view.samples(interval.quiet_start, interval.quiet_end).size
    quiet = view.samples(interval.noise_peak_start, interval.quiet_end)
    noise = float(quiet_energy.sum() / quiet_samples) if has_quiet(interval) else float("nan")
    subtracted = noise if np.isfinite(noise) else 0.0
    t5, t95 = energy_times(view, interval, subtracted)
    at_largest, at_smallest = int(np.argmax(pressure)), int(np.argmin(pressure))
    largest, smallest = float(pressure[at_largest]), float(pressure[at_smallest])
    extremes = (-abs(largest), at_largest), (-abs(smallest), at_smallest)
    highest = min(extremes)[1]  # of two of one size the first
    powers = power_sums(pressure)
    return PulseMeasure(
        peak_pa=float(abs(pressure[highest])),
        peak_to_peak_pa=largest - smallest,
        compression_peak_pa=max(0.0, largest),
        rarefaction_peak_pa=max(0.0, -smallest),
        oversampled_peak_pa=oversampled_peak(view.pressure_pa, view.index(interval.start) + highest),
        energy_pa2_s=float(energy.sum() / rate),
        fourth_power_pa4_s=powers[3] / rate,
        noise_pa2=noise,
        quiet_s=quiet_samples / rate,
        noise_peak_pa=float(np.abs(quiet).max()) if has_quiet(interval) else float("nan"),
        duration_s=t95 - t5,
        onset_s=t5,
        rise_time_s=(highest + 0.5) / rate - t5,
        kurtosis=kurtosis(pressure.size, powers),
        max_125ms_pa2=_largest_mean_square(view, interval),
    )


def energy_times(view: View, interval: Interval, noise_pa2: float) -> tuple[float, float]:
    """Times from the interval's start at which 5 % (first crossing) and 95 % (last) of the energy has arrived.

    The energy is cumulated with the background's share subtracted; crossings are interpolated between samples. NaN
    where no energy is left.
    """
    sizes = view.grid.samples_in(view.first_tick + interval.start, view.first_tick + interval.end)
    gained = view.energy(interval.start, interval.end) - noise_pa2 * sizes
    cumulated = np.concatenate([[0.0], np.cumsum(gained)])
    total = cumulated[-1]
    if total <= 0:
        return float("nan"), float("nan")
    first = int(np.argmax(cumulated[1:] >= 0.05 * total))
    last = int(np.flatnonzero(cumulated[:-1] <= 0.95 * total)[-1])
    times = []
    for tick, level, at_last in ((first, 0.05 * total, False), (last, 0.95 * total, True)):
        fine = cumulated[tick] + np.cumsum(
            view.samples(interval.start + tick, interval.start + tick + 1).astype(np.float64) ** 2 - noise_pa2
        )
        fine = np.concatenate([[cumulated[tick]], fine])
        sample = _crossing(fine, level, at_last)
        times.append((int(sizes[:tick].sum()) + sample) / view.grid.rate_hz)
    return times[0], times[1]


def _crossing(cumulated: FloatArray, level: float, at_last: bool) -> float:
    """Position between samples at which a cumulated sum first (or last) rises through a level."""
    below = cumulated <= level if at_last else cumulated < level
    rises = np.flatnonzero(below[:-1] & ~below[1:])
    if rises.size == 0:
        return float(len(cumulated) - 1)
    i = int(rises[-1] if at_last else rises[0])
    return i + float((level - cumulated[i]) / (cumulated[i + 1] - cumulated[i]))


def power_sums(pressure: Samples) -> tuple[float, float, float, float]:
    """Sums of the first to fourth powers: float32 over 128 samples, float64 between these."""
    whole = pressure[: pressure.size // _SHORT_SUM * _SHORT_SUM].reshape(-1, _SHORT_SUM)
    rest = pressure[whole.size :].astype(np.float64)
    square = whole * whole
    short = np.einsum("ij->i", whole), np.vecdot(whole, whole), np.vecdot(square, whole), np.vecdot(square, square)
    of_rest = (float(np.sum(rest**power)) for power in (1, 2, 3, 4))
    first, second, third, fourth = (float(s.sum(dtype=np.float64)) + r for s, r in zip(short, of_rest, strict=True))
    return first, second, third, fourth


def kurtosis(n: int, powers: tuple[float, float, float, float]) -> float:
    """Pearson's kurtosis with the mean removed, n Σd⁴ / (Σd²)², from sums of powers; a Gaussian has 3.

    The mean of filtered sound is small against its rms: nothing cancels.
    """
    first, second, third, fourth = powers
    mean = first / n if n else 0.0
    square = second - n * mean**2
    return (
        n * (fourth - 4 * mean * third + 6 * mean**2 * second - 3 * n * mean**4) / square**2 if square > 0 else np.nan
    )


def _largest_mean_square(view: View, interval: Interval) -> float:
    """Largest mean square over any 125 ms that touches the pulse, in steps of 1 ms."""
    start = max(view.valid_from, interval.start - _FAST_TICKS)
    end = min(view.valid_to, interval.end + _FAST_TICKS)
    means = _moving_mean(view.mean_squares[start:end], _FAST_TICKS)
    return float(means.max()) if means.size else float("nan")
