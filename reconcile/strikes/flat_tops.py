"""Analogue saturation: tops that are flat below the converter's full scale.

Judged on the samples as they were recorded: the high-pass tilts a plateau. One strike may show it by itself; where
several of a station do, the level at which they end is a limit, and what reaches it has met it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.quantities import FloatArray

Marks = NDArray[np.bool_]

_DEPTH, _DEEPEST = 0.005, 0.05  # of the upper level below the extreme, as a share of it
_SPREADS, _STEPS = 4.0, 1.5  # what the depth must be at least, in standard deviations and in steps
_SCALES = ((6.0, 1.2, 0.62), (10.0, 1.5, 0.54))  # lower level's depth over the upper's, samples taken off, share
_EITHER_TOP = 0.7  # of the larger of the two extremes
_SILENCE_PA = 1e-30
_FEWEST_SAMPLES = 4  # within the upper level: by _SCALES no lobe with fewer is a plateau
_FEWEST = 3
_REACHED, _EXCEEDED, _EXCEEDING = 0.97, 1.03, 0.01
_SHOWN = 0.2


def flat_sides(sound: Samples, baseline_pa: float, spread_pa: float, step_pa: float) -> tuple[bool, bool]:
    """Whether a strike has a flat top above its baseline (Pa), and one below it.

    Of a top that reaches the extreme, samples within 0.5 % of it are held against those within 3 % and 5 %. A smooth
    top is a parabola: the former are sqrt(1/6) = 0.41 and sqrt(1/10) = 0.32 of the latter, whatever its width. At 0.62
    or 0.54 (and 1.2 or 1.5 samples more, for those that meet a narrow top by chance) it is a plateau; the shares are
    those that one clean strike in some thousands reaches. A plateau shorter than three samples is not seen, nor a
    compression that bends the whole range alike. The depths grow with what scatters samples on a plateau: four
    standard deviations (`spread_pa`), one and a half steps of quantisation; beyond 5 % nothing can be told.
    """
    tops = float(sound.max()) - baseline_pa, baseline_pa - float(sound.min())
    least = max(_EITHER_TOP * max(tops), _SILENCE_PA)
    above, below = (
        top >= least and _has_plateau(sound, baseline_pa, sign * top, max(spread_pa * _SPREADS, step_pa * _STEPS) / top)
        for sign, top in zip((1.0, -1.0), tops, strict=True)
    )
    return above, below


def _has_plateau(sound: Samples, baseline_pa: float, top_pa: float, least_depth: float) -> bool:
    depth = max(_DEPTH, least_depth)
    if depth > _DEEPEST:
        return False
    deepest = np.float32(baseline_pa + top_pa * (1.0 - _SCALES[-1][0] * depth))
    at = np.flatnonzero(sound >= deepest if top_pa > 0 else sound <= deepest)
    height = (sound[at].astype(np.float64) - baseline_pa) / top_pa
    near = height >= 1.0 - depth
    if np.count_nonzero(near) < _FEWEST_SAMPLES:
        return False
    for ratio, taken_off, share in _SCALES:
        inside = height >= 1.0 - ratio * depth
        lobe = np.cumsum(np.concatenate([[0], np.diff(at[inside]) > 1]))
        reaching = np.bincount(lobe, near[inside])
        if np.any(reaching - taken_off >= share * np.bincount(lobe)):
            return True
    return False


def reaching_limit(tops: FloatArray, flat: Marks) -> Marks:
    """Strikes of one station that reach a limit which those with flat tops show, shape (strikes,).

    `tops` are their extremes above and below the baseline in parts of full scale, `flat` whether these are flat, both
    of shape (strikes, 2). The limit of a side is the median top of three or more strikes that are flat there. It counts
    as one where hardly a strike (1 %) exceeds it (by 3 %) and a fifth of those that come within 3 % of it are flat:
    strikes of equal strength, which end at one level too, are not.
    """
    result: Marks = np.any(flat, axis=1)
    for side, flat_there in zip(tops.T, flat.T, strict=True):
        if np.count_nonzero(flat_there) < _FEWEST:
            continue
        limit = float(np.median(side[flat_there]))
        reaching = side >= _REACHED * limit
        exceeding = np.count_nonzero(side > _EXCEEDED * limit)
        if exceeding <= _EXCEEDING * np.count_nonzero(reaching) and np.mean(flat_there[reaching]) >= _SHOWN:
            result |= reaching
    return result
