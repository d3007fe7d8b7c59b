"""The way of one channel through the signal path, cell by cell: filter, ticks, frames, strikes.

The caller pushes cells of one second in order; every sixteen cells a block is complete and yields its strikes and its
seconds. Blocks, frames and batches lie on the stream's absolute grid, so the numbers do not depend on where reading
began or how long the pieces were.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reconcile.recordings.streams import Channel
from reconcile.strikes.band_levels import BandSums, bands_of
from reconcile.strikes.detection import FAINT_TICKS, HISTORY_S, Rise, confirm, find_rises
from reconcile.strikes.full_band import FullBandFilter
from reconcile.strikes.levels import Interval, PulseMeasure, View, has_quiet, is_short, measure_pulse, pulse_interval
from reconcile.strikes.octaves import N_OCTAVES, REACH_TICKS, STEPS, octave_energies
from reconcile.strikes.quality import HUM_TO_HZ, has_mains_hum
from reconcile.strikes.quality_path import PulseQuality, QualityPath, RawCell
from reconcile.strikes.ticks import TICKS, Samples, TickGrid
from reconcile.vocabulary.quantities import FloatArray

BLOCK_CELLS = 16
HISTORY_CELLS = HISTORY_S + 4  # ticks kept before a block: the floor's history and the strikes before
PREROLL_CELLS = BLOCK_CELLS  # what a start in mid-stream reads ahead of its first block
_FRAME_ROWS = 8
_PULSE_ROWS = 16
_QUIET_FADE_S = 0.02
_ASKED_REACH_TICKS = 100
_FAINT_HISTORY_FROM = 2  # cell of the arrays: the octaves before it are not known where reading began in mid-stream


@dataclass(frozen=True, slots=True)
class Pulse:
    """A strike as one channel heard it; energies in Pa² s, mean squares in Pa², positions in samples of the stream."""

    station_id: str
    start_sample: int
    n_samples: int
    rise_sample: int
    measure: PulseMeasure
    clipped: bool
    cut: bool
    at_edge: bool
    short_quiet: bool
    second_look: bool
    quality: PulseQuality
    band_energy: FloatArray
    band_noise: FloatArray
    weighted_energy: FloatArray
    weighted_noise: FloatArray


@dataclass(frozen=True, slots=True)
class Seconds:
    """Continuous levels of consecutive whole seconds from `first_cell` on: mean squares in Pa² (NaN for none).

    `marks` has one column for each of SECOND_MARKS.
    """

    station_id: str
    first_cell: int
    mean_square: FloatArray
    bands: FloatArray
    weighted: FloatArray
    clipped: NDArray[np.bool_]
    marks: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class TickEnergies:
    """Energies of consecutive whole seconds from `first_cell` on, float32, what a second look works on.

    `mean_square` (Pa²) of each 1 ms, shape (ticks,), `octaves` of each 5 ms, shape (5, steps) as in `octaves.py`.
    Zero is where nothing was recorded (after the end, places that could not be read).
    """

    station_id: str
    first_cell: int
    mean_square: Samples
    octaves: Samples


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
        self._window_fft = fft.next_fast_len(max(rate_hz, round(window_max_s * rate_hz) + 1), True)
        self._pulse_sums = BandSums(self.filter, self._window_fft, self.bands, weightings)
        self._quiet_sums = BandSums(self.filter, fft.next_fast_len(rate_hz // 2, True), self.bands, weightings)
        self._frame_sums = BandSums(self.filter, fft.next_fast_len(2 * rate_hz, True), self.bands, weightings)
        hann = np.sin(np.pi * (np.arange(2 * rate_hz) + 0.5) / (2 * rate_hz)) ** 2
        self._hann: Samples = hann.astype(np.float32)
        self._hann_square = float(np.sum(hann**2))
        self._block_cell = first_block_cell
        self._asked = asked
        n_cells = BLOCK_CELLS + self.ahead
        self._pressure = np.zeros((self._back + n_cells) * rate_hz, dtype=np.float32)
        self._ticks = np.zeros((HISTORY_CELLS + n_cells) * TICKS)
        self._tick_means = np.zeros_like(self._ticks)
        self._octaves = np.zeros((N_OCTAVES, (HISTORY_CELLS + n_cells) * STEPS), dtype=np.float32)
        self._octaves_from = 1  # first cell of the arrays whose octaves are not known yet
        self._clipped = np.zeros((HISTORY_CELLS + n_cells) * TICKS, dtype=bool)
        cells = first_block_cell, HISTORY_CELLS, n_cells
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
        filtered = self.filter.cell(before.raw, this.raw, after.raw, (before.means, this.means, after.means))
        self._quality.take(before, this, after)
        rate = self.grid.rate_hz
        at = this.cell - self._block_cell + self._back
        if at >= 0:
            self._pressure[at * rate : (at + 1) * rate] = filtered
        at = (this.cell - self._block_cell + HISTORY_CELLS) * TICKS
        if at >= 0:
            self._ticks[at : at + TICKS] = self.grid.mean_squares(filtered)
            self._tick_means[at : at + TICKS] = self.grid.means(filtered)
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
        pulses = list(self._pulses(view))
        seconds = self._seconds(view, n_samples)
        energies = self._energies()
        self._advance()
        return pulses, seconds, energies

    def asked_pulses(self, n_samples: int | None) -> list[Pulse]:
        """The strikes asked for of the block that is complete, without its seconds, and room for the next one."""
        view = self._view(n_samples)
        self._quality.begin_block(None if n_samples is None else view.valid_to)
        self._add_octaves()
        pulses = list(self._pulses(view))
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
        self._pressure[: kept_pressure * rate] = self._pressure[BLOCK_CELLS * rate :].copy()
        for kept in (self._ticks, self._tick_means, self._clipped):
            kept[:kept_ticks] = kept[BLOCK_CELLS * TICKS :].copy()
            kept[kept_ticks:] = 0
        self._octaves[:, : -BLOCK_CELLS * STEPS] = self._octaves[:, BLOCK_CELLS * STEPS :].copy()
        self._block_cell += BLOCK_CELLS
        self._quality.advance(BLOCK_CELLS, self._block_cell - self._back)

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

    def _pulses(self, view: View) -> Iterator[Pulse]:
        owned = HISTORY_CELLS * TICKS, (HISTORY_CELLS + BLOCK_CELLS) * TICKS
        end = len(self._ticks) - TICKS // 2
        first = max(owned[0] - 3 * TICKS, view.valid_from)
        loud = find_rises(self._ticks, first, min(end, view.valid_to), view.valid_from)
        rises = self._with_faint(view, loud)
        asked: set[Rise] | None = None
        if self._asked is not None:
            asked = {rise.shifted(-view.first_tick) for rise in self._asked}
            rises = _with_asked(rises, asked)
        waiting: list[tuple[Rise, Interval]] = []
        for i, rise in enumerate(rises):
            if not owned[0] <= rise.peak_tick < owned[1] or (asked is not None and rise not in asked):
                continue
            previous = rises[i - 1].rise_tick if i else None
            following = rises[i + 1].rise_tick if i + 1 < len(rises) else None
            interval = pulse_interval(view, rise.rise_tick, previous, following, self._longest, rise.least_ticks)
            waiting.append((rise, interval))
            if len(waiting) == _PULSE_ROWS:
                yield from self._measured(view, waiting)
                waiting = []
        if waiting:
            yield from self._measured(view, waiting)

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

    def _measured(self, view: View, waiting: Sequence[tuple[Rise, Interval]]) -> Iterator[Pulse]:
        """Measure up to sixteen strikes; their spectra are always sixteen rows."""
        rate = self.grid.rate_hz
        rows = np.zeros((_PULSE_ROWS, self._window_fft), dtype=np.float32)
        quiet_rows = np.zeros((_PULSE_ROWS, self._quiet_sums.n_fft), dtype=np.float32)
        quiet_square = np.ones(_PULSE_ROWS)
        for k, (_, interval) in enumerate(waiting):
            pressure = view.samples(interval.start, interval.end)
            rows[k, : pressure.size] = pressure
            if has_quiet(interval):
                quiet = view.samples(interval.quiet_start, interval.quiet_end)
                fade = _fade(quiet.size, round(_QUIET_FADE_S * rate))
                quiet_rows[k, : quiet.size] = quiet * fade
                quiet_square[k] = float(np.sum(fade.astype(np.float64) ** 2))
        band, weighted = (s / (self._window_fft * rate) for s in self._pulse_sums.sums(rows))
        per_square = 1.0 / (self._quiet_sums.n_fft * quiet_square[:, None])
        band_noise, weighted_noise = (s * per_square for s in self._quiet_sums.sums(quiet_rows))
        for k, (rise, interval) in enumerate(waiting):
            first = self.grid.sample(view.first_tick + interval.start)
            missing = np.nan if not has_quiet(interval) else 1.0
            measure, clipped = measure_pulse(view, interval), self._clipped[interval.start : interval.end].any()
            noise = band_noise[k] * missing
            yield Pulse(
                station_id=self.channel.station_id,
                start_sample=first,
                n_samples=self.grid.sample(view.first_tick + interval.end) - first,
                rise_sample=self.grid.sample(view.first_tick + rise.rise_tick),
                measure=measure,
                clipped=bool(clipped),
                cut=interval.cut,
                at_edge=interval.at_edge,
                short_quiet=is_short(interval),
                second_look=self._asked is not None,
                quality=self._quality.pulse(view, interval, measure, bool(clipped), (band[k], noise)),
                band_energy=band[k],
                band_noise=noise,
                weighted_energy=weighted[k],
                weighted_noise=weighted_noise[k] * missing,
            )

    def _seconds(self, view: View, n_samples: int | None) -> Seconds:
        """Mean squares of the block's whole seconds, bands and weightings from Hann frames centred on them."""
        rate, first = self.grid.rate_hz, self._block_cell
        n_cells = BLOCK_CELLS if n_samples is None else max(0, min(BLOCK_CELLS, n_samples // rate - first))
        owned = slice(HISTORY_CELLS * TICKS, (HISTORY_CELLS + BLOCK_CELLS) * TICKS)
        mean_square: FloatArray = (self._ticks[owned].reshape(BLOCK_CELLS, TICKS) * (self.grid.sizes / rate)).sum(
            axis=1
        )
        bands, weighted = np.empty((BLOCK_CELLS, len(self.bands))), np.empty((BLOCK_CELLS, len(self._weightings)))
        hum, bin_hz = np.zeros(BLOCK_CELLS, dtype=bool), rate / self._frame_sums.n_fft
        half = rate // 2
        for row in range(0, BLOCK_CELLS, _FRAME_ROWS):
            frames = np.zeros((_FRAME_ROWS, self._frame_sums.n_fft), dtype=np.float32)
            for k in range(_FRAME_ROWS):
                at = (self._back + row + k) * rate - half
                np.multiply(self._pressure[at : at + 2 * rate], self._hann, out=frames[k, : 2 * rate])
            scale = 1.0 / (self._frame_sums.n_fft * self._hann_square)
            power = self._frame_sums.power(frames)
            band, weight = self._frame_sums.sums_of(power)
            hum[row : row + _FRAME_ROWS] = has_mains_hum(power[:, : int(HUM_TO_HZ / bin_hz)], bin_hz)
            bands[row : row + _FRAME_ROWS], weighted[row : row + _FRAME_ROWS] = band * scale, weight * scale
        starts = np.arange(first, first + BLOCK_CELLS) * rate - half
        outside = (starts < 0) | (starts + 2 * rate > (np.inf if n_samples is None else n_samples))
        bands[outside], weighted[outside], hum[outside] = np.nan, np.nan, False
        clipped: NDArray[np.bool_] = np.any(self._clipped[owned].reshape(BLOCK_CELLS, TICKS), axis=1)
        return Seconds(
            self.channel.station_id,
            first,
            mean_square[:n_cells],
            bands[:n_cells],
            weighted[:n_cells],
            clipped[:n_cells],
            self._quality.seconds(view, mean_square, bands, hum)[:n_cells],
        )

    @property
    def _weightings(self) -> tuple[str, ...]:
        return self._frame_sums.weightings


def _with_asked(rises: list[Rise], asked: set[Rise]) -> list[Rise]:
    """All strikes in order of time; one that is asked for takes the place of what was found within 100 ms of it."""
    at = np.array([rise.rise_tick for rise in asked])
    kept = [rise for rise in rises if not at.size or np.abs(at - rise.rise_tick).min() > _ASKED_REACH_TICKS]
    return sorted([*kept, *asked], key=lambda rise: rise.rise_tick)


def _fade(n: int, ramp: int) -> Samples:
    """A window of ones with raised-cosine ends: a sharp cut would leak low frequencies into the high bands."""
    window = np.ones(n, dtype=np.float32)
    ramp = min(ramp, n // 2)
    rise = np.sin(0.5 * np.pi * (np.arange(ramp) + 0.5) / ramp) ** 2 if ramp else np.zeros(0)
    window[:ramp], window[n - ramp :] = rise, rise[::-1]
    return window
