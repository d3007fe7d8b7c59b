"""A measured level as a limit needs it: bounds between which it lies, and the sampling error of a statistic."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.inference.resampling import quantile_interval
from reconcile.vocabulary.quantities import FloatArray, energy_mean_db

_BEYOND_DB = 1e6  # stands for a level of which nothing is known on that side, so that quantiles remain numbers
_NO_LEVEL_DB = 1e3  # no sound has such a level
_SAME_DB = 0.005  # bounds this close are one number
_QUANTILES = {"median": 0.5, "exceeded_5": 0.95, "maximum": 1.0}


@dataclass(frozen=True, slots=True)
class Bounds:
    """The true level lies between these, in dB; they are infinite where nothing is known on that side."""

    lowest_db: float
    highest_db: float

    @classmethod
    def known(cls, value_db: float) -> Bounds:
        """Of a level that is known."""
        return cls(value_db, value_db)

    @property
    def one(self) -> bool:
        """Whether the two are one number."""
        return self.highest_db - self.lowest_db < _SAME_DB

    def moved(self, by_db: float) -> Bounds:
        """Both, higher by so much."""
        return Bounds(self.lowest_db + by_db, self.highest_db + by_db)


@dataclass(frozen=True, slots=True)
class MeasuredLevel:
    """A level to be held against a criterion, as recorded and as brought to the criterion's distance.

    Where `reason` is not empty nothing was measured, and it says why. `note` is what a reader should know of it.
    """

    recorded: Bounds
    brought: Bounds
    pile_id: str | None = None
    station_id: str | None = None
    start_utc: pd.Timestamp | None = None
    end_utc: pd.Timestamp | None = None
    range_m: float = math.nan
    n_strikes: int | None = None
    statistic: str | None = None
    uncertainty_db: float = math.nan
    recorded_fraction: float = math.nan
    reason: str = ""
    note: str = ""


def not_measured(reason: str, pile_id: str | None = None) -> MeasuredLevel:
    """A level that is not there, and why."""
    nothing = Bounds(-math.inf, math.inf)
    return MeasuredLevel(nothing, nothing, pile_id=pile_id, reason=reason)


def statistic_bounds(name: str, lowest_db: FloatArray, highest_db: FloatArray) -> Bounds:
    """Bounds of `mean`, `energy_mean`, `median`, `exceeded_5` or `maximum` over strikes that lie each within its own.

    Quantiles are by linear interpolation between ordered levels; `exceeded_5` is the 95th percentile.
    """
    return Bounds(_statistic(name, lowest_db), _statistic(name, highest_db))


def _statistic(name: str, levels_db: FloatArray) -> float:
    if name in _QUANTILES:
        value = float(np.quantile(np.clip(levels_db, -_BEYOND_DB, _BEYOND_DB), _QUANTILES[name]))
        return value if abs(value) < _NO_LEVEL_DB else math.copysign(math.inf, value)
    if name == "energy_mean":
        return math.inf if np.isposinf(levels_db).any() else energy_mean_db(levels_db)
    return float(np.mean(levels_db))


def sampling_error_db(name: str, levels_db: FloatArray) -> float:
    """Standard error of a statistic of strikes in order of time; 0 for the loudest, which is what it is.

    Of quantiles by blocks of neighbours (a quarter of the 95 % interval, nearly); of few strikes, and of means, the
    standard deviation over the root of their number.
    """
    if name == "maximum" or levels_db.size < 2:
        return 0.0
    if name in _QUANTILES:
        low, high = quantile_interval(levels_db, _QUANTILES[name])
        if not math.isnan(low):
            return (high - low) / (2.0 * 1.96)
    return float(np.std(levels_db, ddof=1)) / math.sqrt(levels_db.size)
