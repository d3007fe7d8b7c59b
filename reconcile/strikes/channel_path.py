"""The way of one channel through the signal path, cell by cell: filter, ticks, frames, strikes.

The caller pushes cells of one second in order; every sixteen cells a block is complete and yields its strikes and its
seconds. Blocks, frames and batches lie on the stream's absolute grid, so the numbers do not depend on where reading
began or how long the pieces were.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.streams import Channel
from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.channel_results import Pulse, Seconds, TickEnergies
from reconcile.strikes.detection import FAINT_TICKS, HISTORY_S, Rise, confirm, find_rises
from reconcile.strikes.frames import Frames
from reconcile.strikes.full_band import FullBandFilter
from reconcile.strikes.levels import Interval, View, is_short, measure_pulse, pulse_interval
from reconcile.strikes.moments import MOMENTS, second_moments
from reconcile.strikes.octaves import N_OCTAVES, REACH_TICKS, STEPS, octave_energies
from reconcile.strikes.quality_path import QualityPath, RawCell
from reconcile.strikes.strike_spectra import StrikeSpectra
from reconcile.strikes.ticks import TICKS, Samples, TickGrid
from reconcile.vocabulary.quantities import FloatArray

BLOCK_CELLS = 16
HISTORY_CELLS = HISTORY_S + 4  # ticks kept before a block: the floor's history and the strikes before
PREROLL_CELLS = BLOCK_CELLS  # what a start in mid-stream reads ahead of its first block
_ASKED_REACH_TICKS = 100
_FAINT_HISTORY_FROM = 2  # cell of the arrays: the octaves before it are not known where reading began in mid-stream


class ChannelPath:
    """Signal path of one channel; `first_block_cell` is the first cell of the first block that it owns.

    `step_pa` is the step of quantisation in Pa, 0 where it is not known. `asked` (ticks of the stream) are strikes that
    a second look has found: where they are given, pulses are measured of these alone.
    """

    def __init__(
        self,
        channel: Channel,
        rate_hz: int,
        weightings: Sequence[str],
        window_max_s: float,
        first_block_cell: int,
        step_pa: float = 0.0,
        asked: Sequence[Rise] | None = None,
    ) -> None:
        self.channel = channel
        self.grid = TickGrid(rate_hz)
        self.filter = FullBandFilter(self.grid, channel.valid_from_hz, channel.valid_to_hz, channel.correction)
        self.bands = bands_of(channel, rate_hz)
        self.ahead = max(2, int(np.ceil(window_max_s + 0.8)))
        self._back = int(np.ceil(window_max_s + 0.6)) + 1  # cells of samples kept before a block
        self._longest = round(window_max_s * TICKS)
        self._strikes = StrikeSpectra(channel, self.filter, weightings, window_max_s)
        self._frames = Frames(channel, self.filter, weightings)
        self._block_cell = first_block_cell
        self._asked = asked
        n_cells = BLOCK_CELLS + self.ahead
        self._pressure = np.zeros((self._back + n_cells) * rate_hz, dtype=np.float32)
        self._ticks = np.zeros((HISTORY_CELLS + n_cells) * TICKS)
        self._tick_means = np.zeros_like(self._ticks)
        self._octaves = np.zeros((N_OCTAVES, (HISTORY_CELLS + n_cells) * STEPS), dtype=np.float32)
        self._octaves_from = 1  # first cell of the arrays whose octaves are not known yet
        self._clipped = np.zeros((HISTORY_CELLS + n_cells) * TICKS, dtype=bool)
        self._moments = np.zeros((HISTORY_CELLS + n_cells, len(MOMENTS)))
        cells = first_block_cell, HISTORY_CELLS, self._back, n_cells
        self._quality = QualityPath(channel, self.grid, step_pa, self.bands, cells)
        self._raw: list[RawCell] = []

    def push(self, cell: int, raw: Samples, clipped_ticks: NDArray[np.int64]) -> None:
        """Take the next cell of pressure (Pa, one second) and the ticks of it that hold samples at full scale."""
        means = self.grid.means(raw)
        if not self._raw:  # before the first sample the sound is taken to stand still: a step would ring
            still = np.zeros(TICKS, dtype=np.float32)
            held = np.full_like(raw, raw[0])
            self._raw.append(RawCell(cell - 1, held, np.full_like(means, float(raw[0])), still, None))
        steepest = self._quality.steepest(raw, float(self._raw[-1].raw[-1]))
        self._raw.append(RawCell(cell, raw, means, steepest, clipped_ticks))
        if len(self._raw) == 3:
            self._filter_middle()
            del self._raw[0]

    def _filter_middle(self) -> None:
        before, this, after = self._raw
        rate = self.grid.rate_hz
        at = this.cell - self._block_cell + self._back
        filtered = self._pressure[at * rate : (at + 1) * rate] if at >= 0 else np.empty(rate, dtype=np.float32)
        raw_means = before.means, this.means, after.means
        self.filter.cell(before.raw, this.raw, after.raw, raw_means, out=filtered)
        self._quality.take(before, this, after)
        at = (this.cell - self._block_cell + HISTORY_CELLS) * TICKS
        if at >= 0:
            squares, means = self.grid.mean_squares(filtered), self.grid.means(filtered)
            self._ticks[at : at + TICKS], self._tick_means[at : at + TICKS] = squares, means
            self._moments[at // TICKS] = second_moments(filtered, means, squares, self.grid)
            if this.clipped_ticks is not None:
                self._clipped[at + this.clipped_ticks] = True

    def end_at(self, n_samples: int) -> None:
        """Silence what lies behind the last recorded sample."""
        rate = self.grid.rate_hz
        whole_ticks = self._tick_count(n_samples)
        at = whole_ticks - (self._block_cell - HISTORY_CELLS) * TICKS
        self._ticks[max(0, at) :] = 0.0
        self._tick_means[max(0, at) :] = 0.0
        at_sample = n_samples - (self._block_cell - self._back) * rate
        self._pressure[max(0, at_sample) :] = 0.0

    def _tick_count(self, n_samples: int) -> int:
        """Whole ticks in the first samples of the stream."""
        cell, within = divmod(n_samples, self.grid.rate_hz)
        return cell * TICKS + int(np.searchsorted(self.grid.edges, within, side="right")) - 1

    def block(self, n_samples: int | None) -> tuple[list[Pulse], Seconds, TickEnergies]:
        """Strikes, seconds and energies of ticks of the block that is complete, and room for the next one.

        `n_samples` is the length of the stream where its end has been reached, else None.
        """
        view = self._view(n_samples)
        self._quality.begin_block(None if n_samples is None else view.valid_to)
        self._add_octaves()
        pulses = self._pulses(view)
        seconds = self._seconds(view, n_samples)
        energies = self._energies()
        self._advance()
        return pulses, seconds, energies

    def asked_pulses(self, n_samples: int | None) -> list[Pulse]:
        """The strikes asked for of the block that is complete, without its seconds, and room for the next one."""
        view = self._view(n_samples)
        self._quality.begin_block(None if n_samples is None else view.valid_to)
        self._add_octaves()
        pulses = self._pulses(view)
        self._advance()
        return pulses

    def _add_octaves(self) -> None:
        """Octaves of the cells that are new; the last cell of the arrays waits for the one behind it."""
        first, end = self._octaves_from, HISTORY_CELLS + BLOCK_CELLS + self.ahead - 1
        near = slice(first * TICKS - REACH_TICKS, end * TICKS + REACH_TICKS)
        octaves = octave_energies(self._tick_means[near], self._ticks[near])
        self._octaves[:, first * STEPS : end * STEPS] = octaves
        self._octaves_from = end - BLOCK_CELLS

    def _energies(self) -> TickEnergies:
        first, end = HISTORY_CELLS, HISTORY_CELLS + BLOCK_CELLS
        mean_square = self._ticks[first * TICKS : end * TICKS].astype(np.float32)
        octaves = self._octaves[:, first * STEPS : end * STEPS].copy()
        return TickEnergies(self.channel.station_id, self._block_cell, mean_square, octaves)

    def _advance(self) -> None:
        rate, kept_pressure = self.grid.rate_hz, self._back + self.ahead
        kept_ticks = (HISTORY_CELLS + self.ahead) * TICKS
        self._pressure[: kept_pressure * rate] = self._pressure[BLOCK_CELLS * rate :]
        for kept in (self._ticks, self._tick_means, self._clipped):
            kept[:kept_ticks] = kept[BLOCK_CELLS * TICKS :].copy()
            kept[kept_ticks:] = 0
        self._moments[:-BLOCK_CELLS] = self._moments[BLOCK_CELLS:].copy()
        self._octaves[:, : -BLOCK_CELLS * STEPS] = self._octaves[:, BLOCK_CELLS * STEPS :].copy()
        self._block_cell += BLOCK_CELLS
        self._quality.advance(BLOCK_CELLS)

    def _view(self, n_samples: int | None) -> View:
        first = (self._block_cell - HISTORY_CELLS) * TICKS
        end = len(self._ticks) if n_samples is None else self._tick_count(n_samples) - first
        return View(
            pressure_pa=self._pressure,
            mean_squares=self._ticks,
            grid=self.grid,
            first_tick=first,
            pressure_first_tick=(self._block_cell - self._back) * TICKS,
            valid_from=max(0, -first),
            valid_to=min(len(self._ticks), end),
        )

    def _pulses(self, view: View) -> list[Pulse]:
        owned = HISTORY_CELLS * TICKS, (HISTORY_CELLS + BLOCK_CELLS) * TICKS
        end = len(self._ticks) - TICKS // 2
        first = max(owned[0] - 3 * TICKS, view.valid_from)
        loud = find_rises(self._ticks, first, min(end, view.valid_to), view.valid_from)
        rises = self._with_faint(view, loud)
        asked: set[Rise] | None = None
        if self._asked is not None:
            asked = {rise.shifted(-view.first_tick) for rise in self._asked}
            rises = _with_asked(rises, asked)
        owned_by_block: list[tuple[Rise, Interval]] = []
        for i, rise in enumerate(rises):
            if not owned[0] <= rise.peak_tick < owned[1] or (asked is not None and rise not in asked):
                continue
            previous = rises[i - 1].rise_tick if i else None
            following = rises[i + 1].rise_tick if i + 1 < len(rises) else None
            interval = pulse_interval(view, rise.rise_tick, previous, following, self._longest, rise.least_ticks)
            owned_by_block.append((rise, interval))
        return self._measured(view, owned_by_block)

    def _with_faint(self, view: View, loud: list[Rise]) -> list[Rise]:
        """Strikes in order of time: those of the full band (`loud`), and the faint ones outside the pulses of these."""
        first = max(_FAINT_HISTORY_FROM, -(-view.valid_from // TICKS))
        octaves = self._octaves[:, first * STEPS : (HISTORY_CELLS + BLOCK_CELLS + self.ahead - 1) * STEPS]
        loud, faint = confirm(octaves, first * TICKS, loud)
        rises = list(loud)
        for rise in faint:
            before = [r for r in loud if r.rise_tick < rise.rise_tick]
            if before:
                interval = pulse_interval(view, before[-1].rise_tick, None, None, self._longest)
                if rise.rise_tick < interval.end + FAINT_TICKS:
                    continue
            rises.append(rise)
        return sorted(rises, key=lambda r: r.rise_tick)

    def _measured(self, view: View, strikes: Sequence[tuple[Rise, Interval]]) -> list[Pulse]:
        energies = self._strikes.energies(view, [interval for _, interval in strikes])
        pulses = []
        for (rise, interval), energy in zip(strikes, energies, strict=True):
            first = self.grid.sample(view.first_tick + interval.start)
            measure = measure_pulse(view, interval)
            clipped = bool(self._clipped[interval.start : interval.end].any())
            pulses.append(
                Pulse(
                    station_id=self.channel.station_id,
                    start_sample=first,
                    n_samples=self.grid.sample(view.first_tick + interval.end) - first,
                    rise_sample=self.grid.sample(view.first_tick + rise.rise_tick),
                    measure=measure,
                    clipped=clipped,
                    cut=interval.cut,
                    at_edge=interval.at_edge,
                    short_quiet=is_short(interval),
                    second_look=self._asked is not None,
                    quality=self._quality.pulse(view, interval, measure, clipped, (energy.bands, energy.band_noise)),
                    band_energy=energy.bands,
                    band_noise=energy.band_noise,
                    weighted_energy=energy.weighted,
                    weighted_noise=energy.weighted_noise,
                )
            )
        return pulses

    def _seconds(self, view: View, n_samples: int | None) -> Seconds:
        """Continuous levels of the block's whole seconds: mean squares in time, bands and weightings from frames."""
        rate, first = self.grid.rate_hz, self._block_cell
        n_cells = BLOCK_CELLS if n_samples is None else max(0, min(BLOCK_CELLS, n_samples // rate - first))
        owned = slice(HISTORY_CELLS * TICKS, (HISTORY_CELLS + BLOCK_CELLS) * TICKS)
        ticks = self._ticks[owned].reshape(BLOCK_CELLS, TICKS)
        mean_square: FloatArray = (ticks * (self.grid.sizes / rate)).sum(axis=1)
        frames = self._frames.levels(self._pressure, self._back * rate, first, BLOCK_CELLS, n_samples)
        clipped: NDArray[np.bool_] = np.any(self._clipped[owned].reshape(BLOCK_CELLS, TICKS), axis=1)
        return Seconds(
            self.channel.station_id,
            first,
            mean_square[:n_cells],
            frames.bands[:n_cells],
            frames.weighted[:n_cells],
            clipped[:n_cells],
            self._quality.seconds(view, mean_square, frames.bands, frames.hum)[:n_cells],
            self._moments[HISTORY_CELLS : HISTORY_CELLS + n_cells].copy(),
            frames.narrow,
        )


def _with_asked(rises: list[Rise], asked: set[Rise]) -> list[Rise]:
    """All strikes in order of time; one that is asked for takes the place of what was found within 100 ms of it."""
    at = np.array([rise.rise_tick for rise in asked])
    kept = [rise for rise in rises if not at.size or np.abs(at - rise.rise_tick).min() > _ASKED_REACH_TICKS]
    return sorted([*kept, *asked], key=lambda rise: rise.rise_tick)
