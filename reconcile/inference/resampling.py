"""Intervals of quantiles by resampling blocks of neighbours: observations in a row are not independent.

Blocks of the root of the number of observations are drawn with replacement from the observations laid in a ring
(circular block bootstrap: Politis and Romano 1992). What is resampled is the share of observations up to the
quantile; the interval of the share becomes one of values by the quantiles of the sample (Woodruff 1952, J. Am. Stat.
Assoc. 47). So 100,000 observations take milliseconds. Both papers are recalled, not re-read.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST = 30  # observations: below, a handful of blocks says nothing of the scatter between blocks
N_REPLICATES = 999
_SEED = 20_250_501


def block_length(n: int) -> int:
    """Observations in a block: the root of their number, rounded up."""
    return int(np.ceil(np.sqrt(n)))


def quantile_share_interval(below: NDArray[np.bool_], share: float, probability: float = 0.95) -> tuple[float, float]:
    """The interval of a quantile's share (0 to 1), from which observations, in their order, lie up to the quantile.

    NaN for fewer than 30 observations. The quantiles of the sample at its two ends are the interval of the quantile.
    """
    n = below.size
    if n < FEWEST:
        return float("nan"), float("nan")
    length = block_length(n)
    starts = _block_starts(n)
    ring = np.concatenate([below, below[: length - 1]])
    sums = np.concatenate([[0], np.cumsum(ring, dtype=np.int64)])
    in_block = sums[length:] - sums[:-length]
    n_blocks = starts.shape[1]
    replicates = in_block[starts].sum(axis=1) / (n_blocks * length)
    tail = 0.5 * (1.0 - probability)
    # blocks scatter about their own mean: the usual factor makes up for that mean having been fitted
    widened = (np.quantile(replicates, (tail, 1.0 - tail)) - below.mean()) * np.sqrt(n_blocks / (n_blocks - 1))
    low, high = np.clip(share + widened, 0.0, 1.0)
    return float(low), float(high)


def quantile_interval(values: Floats, share: float, probability: float = 0.95) -> tuple[float, float]:
    """Interval of the quantile at `share` (0 to 1) of some values in their order; NaN for fewer than 30.

    The quantile is that by linear interpolation (definition 7 of Hyndman and Fan 1996).
    """
    if values.size < FEWEST:
        return float("nan"), float("nan")
    shares = quantile_share_interval(values <= np.quantile(values, share), share, probability)
    low, high = np.quantile(values, shares)
    return float(low), float(high)


@lru_cache(maxsize=8)
def _block_starts(n: int) -> NDArray[np.intp]:
    """First observations of the drawn blocks, one row for each replicate; the same for the same number."""
    n_blocks = -(-n // block_length(n))
    drawn: NDArray[np.intp] = np.random.default_rng(_SEED).integers(0, n, (N_REPLICATES, n_blocks), dtype=np.intp)
    return drawn
