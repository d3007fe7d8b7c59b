"""What is wrong with single samples: drop-outs, zeros and spikes, marked tick by tick in the sound as it was recorded.

A mark says what was seen; nothing is repaired or left out here. The samples are those before the full band (pascals,
still multiples of one quantisation step), because its filter smears a jump. Thresholds are common practice without a
source unless a reason stands beside them; `step_pa` is the quantisation step, 0 where it is not known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.ticks import TICKS, Samples, TickGrid

Marks = NDArray[np.bool_]

DROP_OUT_S = 0.005
ZEROS_S = 0.002
_BEFORE_RUN_S = 0.02  # of sound that tells how often values repeat
_UNLIKELY = 21.0  # e^-21 is about 1e-9: one run by chance in some ten billion samples
_SPIKE_RATIO = 8.0
_SPIKE_WITHIN_S = 0.003
_SPIKE_STEPS = 8.0
_SPIKE_BACK = 0.25


FAULTS = ("drop_out", "zeros", "spike")


def steepest(raw: Samples, last: float, grid: TickGrid, work: Samples) -> Samples:
    """Largest difference between neighbouring samples in each tick of a cell, shape (1000,), Pa.

    A difference belongs to the later sample; `last` is the sample before the cell. `work` is room for a cell.
    """
    np.subtract(raw[1:], raw[:-1], out=work[1:])
    work[0] = raw[0] - np.float32(last)
    np.abs(work, out=work)
    return grid.largest(work)


def sample_faults(cells: tuple[Samples, Samples, Samples], steep: Samples, grid: TickGrid, step_pa: float) -> Marks:
    """Faults of the middle one of three cells, shape (3, 1000): whether a tick holds each of FAULTS.

    `steep` holds the steepest differences of the three cells, shape (3000,): all that is looked at of most cells.
    """
    marks = np.zeros((len(FAULTS), TICKS), dtype=bool)
    still = not steep[TICKS : 2 * TICKS].all()
    jumps = _lone_jumps(steep, step_pa)
    if still or jumps.size:
        near = Neighbourhood(np.concatenate(cells), grid)
        if still:
            marks[0], marks[1] = interruptions(near)
        marks[2] = spikes(near, jumps)
    return marks


def _lone_jumps(steep: Samples, step_pa: float) -> NDArray[np.int64]:
    """Ticks of the middle cell whose steepest difference may be a spike: those 3 ms before and after are small."""
    here = steep[TICKS : 2 * TICKS]
    around = np.maximum(steep[TICKS - 3 : 2 * TICKS - 3], steep[TICKS + 3 : 2 * TICKS + 3])
    return np.flatnonzero((here > _SPIKE_RATIO * around) & (here > _SPIKE_STEPS * step_pa))


@dataclass(frozen=True, slots=True)
class Neighbourhood:
    """Three cells of sound in a row, as recorded; the middle one is judged."""

    sound: Samples
    grid: TickGrid

    def ticks(self, start: int, end: int) -> slice:
        """Ticks of the middle cell that hold samples [start, end) of the three cells."""
        rate = self.grid.rate_hz
        first, last = max(start, rate) - rate, min(end, 2 * rate) - 1 - rate
        if last < first:
            return slice(0, 0)
        at = np.searchsorted(self.grid.edges, [first, last], side="right") - 1
        return slice(int(at[0]), int(at[1]) + 1)


def interruptions(near: Neighbourhood) -> tuple[Marks, Marks]:
    """Ticks of drop-outs and of zeros, two arrays of shape (1000,).

    A drop-out is a run of one value of 5 ms or more, zeros a run of the value zero of 2 ms or more, that sound did not
    make: with the share of repeated values in the 20 ms before it, a run as long (5 ms of it at most) would come once
    in 1e9. So the rounding of a quiet sound to a few steps, whose values repeat before a run as well, is none. Nor is
    a plateau, which the sound enters and leaves smoothly and on one side. What comes before a run that began more
    than a second ago is not known: it is not marked here.
    """
    drop_out, zeros = np.zeros(TICKS, dtype=bool), np.zeros(TICKS, dtype=bool)
    rate, sound = near.grid.rate_hz, near.sound
    starts = np.concatenate([[0], np.flatnonzero(sound[1:] != sound[:-1]) + 1])
    ends = np.append(starts[1:], sound.size)
    found = (ends - starts >= ZEROS_S * rate) & (ends > rate) & (starts < 2 * rate)
    for start, end in zip(starts[found], ends[found], strict=True):
        zero = sound[start] == 0.0
        if (zero or end - start >= DROP_OUT_S * rate) and _interrupts(sound, int(start), int(end), rate):
            (zeros if zero else drop_out)[near.ticks(int(start), int(end))] = True
    return drop_out, zeros


def _interrupts(sound: Samples, start: int, end: int, rate_hz: int) -> bool:
    """Whether the run of one value [start, end) is not one that this sound makes by chance or at a flat top."""
    before = sound[max(0, start - round(_BEFORE_RUN_S * rate_hz)) : start]
    if before.size < DROP_OUT_S * rate_hz:
        return False
    repeats = np.count_nonzero(before[1:] == before[:-1])
    length = min(end - start, round(DROP_OUT_S * rate_hz))
    if -length * np.log((repeats + 1) / before.size) < _UNLIKELY:
        return False
    n, value = max(2, rate_hz // TICKS), sound[start]
    sides = before[-n:] - value, sound[end : end + n] - value
    same_side = (np.all(sides[0] > 0) and np.all(sides[1] > 0)) or (np.all(sides[0] < 0) and np.all(sides[1] < 0))
    smooth = sides[1].size == n and all(
        abs(edge) <= 2 * np.abs(np.diff(side)).max()
        for edge, side in zip((sides[0][-1], sides[1][0]), sides, strict=True)
    )
    return not (same_side and smooth)


def spikes(near: Neighbourhood, ticks: NDArray[np.int64]) -> Marks:
    """Which of some ticks of the middle cell hold a spike: one or two samples far outside their neighbours.

    The sound jumps, by eight times any other difference within 3 ms (and eight steps at least), and is back within two
    samples, to a quarter of the jump. A strike's own rise is followed by its ringing, and a click in the water by that
    of the converter's low-pass: both leave more than an eighth. Returns marks of shape (1000,).
    """
    marks = np.zeros(TICKS, dtype=bool)
    rate = near.grid.rate_hz
    within = int(np.ceil(_SPIKE_WITHIN_S * rate))
    for tick in ticks:
        first = rate + int(near.grid.edges[tick])  # differences[i] belongs to sample first - within + i
        differences = np.diff(near.sound[first - within - 1 : rate + int(near.grid.edges[tick + 1]) + within])
        top = within + int(np.argmax(np.abs(differences[within : differences.size - within])))
        jump = abs(float(differences[top]))
        low = top - within
        large = low + np.flatnonzero(np.abs(differences[low : top + within + 1]) > jump / _SPIKE_RATIO)
        rest = abs(float(differences[large[0] : large[-1] + 1].sum()))
        if 1 <= large[-1] - large[0] <= 2 and rest <= _SPIKE_BACK * jump:
            at = first - within + int(large[0])
            marks[near.ticks(at, at + int(large[-1] - large[0]))] = True
    return marks


def sample_spread(sound: Samples) -> float:
    """Standard deviation of what scatters from sample to sample, Pa: of white noise, its own."""
    if sound.size < 2:
        return 0.0
    step = np.subtract(sound[1:], sound[:-1]).astype(np.float64)
    return float(np.sqrt(step @ step / step.size / 2.0))
