"""What one channel gives: its strikes, its seconds, and the energies that a second look works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.levels import PulseMeasure
from reconcile.strikes.narrow_band import NarrowBand
from reconcile.strikes.quality_path import PulseQuality
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.quantities import FloatArray


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

    `marks` has one column for each of SECOND_MARKS, `moments` for each of MOMENTS; `narrow` are spectra of those
    seconds in which tonal lines are sought.
    """

    station_id: str
    first_cell: int
    mean_square: FloatArray
    bands: FloatArray
    weighted: FloatArray
    clipped: NDArray[np.bool_]
    marks: NDArray[np.bool_]
    moments: FloatArray
    narrow: NarrowBand


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
