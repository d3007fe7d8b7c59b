"""What the quality of strikes and seconds is judged by, kept alongside the signal path of one channel.

The sound as it was recorded, the faults of its samples and its 1 ms means, on the same grid as the
filtered sound. A cell is judged with its neighbours, so that the marks do not depend on where reading began.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.streams import Channel
from reconcile.strikes.flat_tops import flat_sides
from reconcile.strikes.levels import Interval, PulseMeasure, View, has_quiet
from reconcile.strikes.quality import (
    PULSE_MARKS,
    SECOND_MARKS,
    KnockTest,
    Marks,
    NoiseFloor,
    is_shifted,
    shifted_seconds,
    slow_stretches,
)
from reconcile.strikes.sample_faults import FAULTS, sample_faults, sample_spread, steepest
from reconcile.strikes.ticks import TICKS, Samples, TickGrid
from reconcile.vocabulary.quantities import FloatArray

_HELD, _HELD_AT_ZERO = len(FAULTS), len(FAULTS) + 1  # rows beside FAULTS: a whole cell is one value
_QUIET_S = 0.2


@dataclass(frozen=True, slots=True)
class RawCell:
    """One second of sound as recorded (Pa), with its 1 ms means and steepest differences."""

    cell: int
    raw: Samples
    means: FloatArray
    steepest: Samples
    clipped_ticks: NDArray[np.int64] | None


@dataclass(frozen=True, slots=True)
class PulseQuality:
    """Marks of a strike; its extremes above and below its baseline in parts of full scale, whether they are flat."""

    marks: tuple[str, ...]
    highest: float
    lowest: float
    flat_above: bool
    flat_below: bool


class QualityPath:
    """Quality of one channel; arrays of ticks begin `history_cells` before the block that is being made."""

    def __init__(
        self, channel: Channel, grid: TickGrid, step_pa: float, bands: Sequence[int], cells: tuple[int, int, int, int]
    ) -> None:
        """`cells`: the first block's first, and how many are kept: ticks before it, samples before it, from it on."""
        self._block_cell, self._history_cells, self._back, n_cells = cells
        self._grid, self._step_pa, self._bands = grid, step_pa, tuple(bands)
        self._full_scale_pa = channel.pascals_per_unit
        full_band_hz = channel.valid_from_hz, channel.valid_to_hz
        self._floor = NoiseFloor(step_pa, grid.rate_hz, full_band_hz, self._bands)
        self._knock = KnockTest(bands)
        n_ticks = (self._history_cells + n_cells) * TICKS
        self._faults = np.zeros((len(FAULTS) + 2, n_ticks), dtype=bool)
        self._means = np.zeros(n_ticks)
        self._stretches = np.zeros(0)
        self._recorded: Samples = np.zeros((self._back + n_cells) * grid.rate_hz, dtype=np.float32)
        self._work: Samples = np.empty(grid.rate_hz, dtype=np.float32)

    def steepest(self, raw: Samples, last: float) -> Samples:
        """Steepest difference of each tick of a cell; `last` is the sample before it."""
        return steepest(raw, last, self._grid, self._work)

    def take(self, before: RawCell, this: RawCell, after: RawCell) -> None:
        """Judge the cell `this`."""
        rate = self._grid.rate_hz
        at = this.cell - self._block_cell + self._back
        if at >= 0:
            self._recorded[at * rate : (at + 1) * rate] = this.raw
        at = (this.cell - self._block_cell + self._history_cells) * TICKS
        if at < 0:
            return
        self._means[at : at + TICKS] = this.means
        steep = np.concatenate([before.steepest, this.steepest, after.steepest])
        cells = before.raw, this.raw, after.raw
        faults = self._faults[:, at : at + TICKS]
        faults[: len(FAULTS)] = sample_faults(cells, steep, self._grid, self._step_pa)
        if this.clipped_ticks is not None:
            faults[:, this.clipped_ticks] = False  # a plateau at full scale is no drop-out
        if not this.steepest[1:].any() and np.all(this.raw == this.raw[0]):
            faults[_HELD_AT_ZERO if this.raw[0] == 0.0 else _HELD] = True

    def begin_block(self, recorded_ticks: int | None) -> None:
        """Ready for the strikes and seconds of a block; ticks from `recorded_ticks` of the view on are padding."""
        if recorded_ticks is not None:
            self._faults[:, max(0, recorded_ticks) :] = False
        self._stretches = slow_stretches(self._means)

    def advance(self, n_cells: int) -> None:
        """Go on by `n_cells`."""
        n = n_cells * TICKS
        for kept in (self._means, *self._faults):
            kept[:-n] = kept[n:].copy()
            kept[-n:] = 0
        self._block_cell += n_cells
        kept_samples = self._recorded[n_cells * self._grid.rate_hz :]
        self._recorded[: kept_samples.size] = kept_samples

    def _sound(self, view: View, start: int, end: int) -> Samples:
        """The sound as recorded between two ticks of the view."""
        return self._recorded[view.index(start) : view.index(end)]

    def pulse(
        self,
        view: View,
        interval: Interval,
        measure: PulseMeasure,
        clipped: bool,
        bands: tuple[FloatArray, FloatArray],
    ) -> PulseQuality:
        """Quality of one strike; `bands` are its energies and its background's mean squares."""
        start, end, quiet = interval.start, interval.end, slice(interval.quiet_start, interval.quiet_end)
        sound = self._sound(view, start, end)
        known = has_quiet(interval)
        baseline = float(self._means[quiet if known else slice(start, end)].mean())
        spread = sample_spread(self._sound(view, interval.quiet_start, interval.quiet_end)) if known else 0.0
        lost = slice(min(start, interval.quiet_start), end)
        spike = bool(self._faults[FAULTS.index("spike"), start:end].any())
        flat = (False, False) if clipped else flat_sides(sound, baseline, spread, self._step_pa)
        energy, noise = bands
        noise_energy = np.nan_to_num(noise) * (view.samples(start, end).size / self._grid.rate_hz)
        valid = view.valid_from, view.valid_to
        self_noise = self._floor.reached(np.array([measure.noise_pa2]), noise[None, :], _QUIET_S)
        found = {
            "flattened": any(flat),
            "drop_out": self._faults[FAULTS.index("drop_out"), lost].any(),
            "zeros": self._faults[FAULTS.index("zeros"), lost].any(),
            "spike": spike,
            "spike_at_peak": spike and self._spike_at(view, start, end),
            "dc_shift": is_shifted(self._stretches, interval, valid, measure.peak_pa),
            "self_noise": self_noise[0],
            "cable_knock": self._knock.is_knock(energy - noise_energy, measure.rise_time_s),
        }
        extremes = float(sound.max()) - baseline, baseline - float(sound.min())
        highest, lowest = (extreme / self._full_scale_pa for extreme in extremes)
        return PulseQuality(tuple(mark for mark in PULSE_MARKS if found[mark]), highest, lowest, *flat)

    def _spike_at(self, view: View, start: int, end: int) -> bool:
        """Whether the largest sample of a pulse lies in a tick with a spike, or next to one."""
        at = int(np.argmax(np.abs(view.samples(start, end))))
        ends = np.cumsum(self._grid.samples_in(view.first_tick + start, view.first_tick + end))
        tick = start + int(np.searchsorted(ends, at, side="right"))
        return bool(self._faults[FAULTS.index("spike"), tick - 1 : tick + 2].any())

    def seconds(self, view: View, mean_square: FloatArray, bands: FloatArray, hum: Marks) -> Marks:
        """Quality of the seconds of the block, shape (seconds, SECOND_MARKS)."""
        n = len(mean_square)
        first = self._history_cells * TICKS
        faults: Marks = np.any(self._faults[:, first : first + n * TICKS].reshape(-1, n, TICKS), axis=2)
        found = {
            "drop_out": faults[0] | faults[_HELD],
            "zeros": faults[1] | faults[_HELD_AT_ZERO],
            "spike": faults[2],
            "dc_shift": shifted_seconds(self._stretches, first, mean_square, (view.valid_from, view.valid_to)),
            "mains_hum": hum,
            "self_noise": self._floor.reached(mean_square, bands, 1.0),
        }
        return np.stack([found[mark] for mark in SECOND_MARKS], axis=1)
