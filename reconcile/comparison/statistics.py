"""Statistics over strikes of which some are known by a limit alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reconcile.vocabulary.quantities import FloatArray, energy_mean_db

_BEYOND_DB = 1e6  # stands for a level of which nothing is known on that side
_QUANTILES = {"median": 50.0, "exceeded_5": 95.0, "maximum": 100.0}


@dataclass(frozen=True, slots=True)
class StrikeStatistic:
    """A statistic of some strikes; `value_db` is NaN where censored strikes could move it."""

    value_db: float
    n_strikes: int
    standard_error_db: float  # of the mean: the sample's standard deviation over the root of n


def strike_statistic(name: str, lowest_db: FloatArray, highest_db: FloatArray) -> StrikeStatistic:
    """`mean`, `energy_mean`, `median`, `exceeded_5` (95th percentile, linear interpolation) or `maximum`.

    Each strike's true level lies between `lowest_db` and `highest_db`; the two are equal where it is known.
    """
    known = lowest_db == highest_db
    levels = lowest_db[known]
    error = float(np.std(levels, ddof=1)) / np.sqrt(levels.size) if levels.size > 1 else 0.0
    if name in _QUANTILES:
        value = _quantile(_QUANTILES[name], lowest_db, highest_db)
    elif not known.all() or not levels.size:
        value = float("nan")
    else:
        value = energy_mean_db(levels) if name == "energy_mean" else float(np.mean(levels))
    return StrikeStatistic(value, int(lowest_db.size), float(error))


def _quantile(percent: float, lowest_db: FloatArray, highest_db: FloatArray) -> float:
    """The quantile where it is the same whatever the censored strikes truly were, else NaN."""
    if not lowest_db.size:
        return float("nan")
    low, high = (float(np.percentile(np.clip(x, -_BEYOND_DB, _BEYOND_DB), percent)) for x in (lowest_db, highest_db))
    return low if low == high and abs(low) < _BEYOND_DB else float("nan")
