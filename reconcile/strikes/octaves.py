"""Energies in five octaves, every 5 ms: what faint strikes are looked for in.

Noise of the sea lies at low frequencies, electronic noise at high ones, a strike mostly from 100 to 500 Hz. Held
against the background octave by octave it stands out where the energy of the full band does not. Four octaves about
52, 105, 210 and 420 Hz come from 1 ms means through box wavelets, twice the mean over L ticks less those of the L ticks
before and behind (L = 8, 4, 2, 1; below the octave they rise with f², so that swell and ships' lowest lines stay out);
the fifth is what varies within a tick, from some 450 Hz up. Sums of a few terms on the absolute grid: the same bits for
any block.
"""

from __future__ import annotations

import numpy as np

from reconcile.strikes.ticks import TICKS, Samples
from reconcile.vocabulary.quantities import FloatArray

STEP_TICKS = 5
STEPS = TICKS // STEP_TICKS  # in a second
WIDTHS = (8, 4, 2, 1)  # of the wavelets in ticks
N_OCTAVES = len(WIDTHS) + 1
REACH_TICKS = 12  # to either side that a wavelet needs


def octave_energies(means: FloatArray, mean_squares: FloatArray) -> Samples:
    """Mean squares (Pa², times the wavelets' gain) in each octave, shape (5, steps), from the lowest up.

    `means` (Pa) and `mean_squares` (Pa²) are those of the ticks of a stretch of filtered sound with REACH_TICKS more at
    either end; between these it holds whole steps.
    """
    n = len(means) - 2 * REACH_TICKS
    result = np.empty((N_OCTAVES, n // STEP_TICKS), dtype=np.float32)
    sums = {1: means}
    for width in (1, 2, 4):
        sums[2 * width] = sums[width][:-width] + sums[width][width:]  # sums[L][k]: ticks k to k + L
    for row, width in enumerate(WIDTHS):
        first = REACH_TICKS - width // 2  # the middle box of the first tick
        middle, before, behind = (sums[width][first + s : first + s + n] for s in (0, -width, width))
        wavelet = 2.0 * middle - before - behind
        result[row] = _by_step(wavelet * wavelet) / np.float32(width**2)
    inner = slice(REACH_TICKS, REACH_TICKS + n)
    within = mean_squares[inner] - means[inner] ** 2
    result[-1] = np.maximum(_by_step(within), 0.0)
    return result


def _by_step(values: FloatArray) -> FloatArray:
    rows = values.reshape(-1, STEP_TICKS)
    return np.asarray((rows[:, 0] + rows[:, 1] + rows[:, 2] + rows[:, 3] + rows[:, 4]) / STEP_TICKS)
