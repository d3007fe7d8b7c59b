"""Rows of predictions.csv that are one curve: equal in all but range and level."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from reconcile.spreading.curves import level_curve
from reconcile.vocabulary.documents.campaign import Prediction
from reconcile.vocabulary.documents.fit import Fit

CARRIED_FACTOR = 1.5  # in range; beyond an end up to this a prediction is carried by the fit's slope and counted
_TOLERANCE = 1e-9  # of a ratio of ranges


@dataclass(frozen=True, slots=True)
class PredictedLevel:
    """A prediction at a station's range, dB; `level_db` is NaN where no fit says how to carry it."""

    level_db: float
    carried: bool = False
    extrapolated: bool = False


@dataclass(frozen=True, slots=True)
class RowGroup:
    """The rows of one predicted curve, in order of range; all that they share is in `shared`, the first of them."""

    shared: Prediction
    range_m: tuple[float, ...]
    level_db: tuple[float, ...]

    @property
    def statistic(self) -> str | None:
        """The statistic over strikes: as stated; the median where an energy alone is stated; else not known."""
        if self.shared.quantity == "cumulative_exposure_level":
            return None
        return self.shared.statistic or ("median" if self.shared.energy_kj is not None else None)

    @property
    def basis_known(self) -> bool:
        """Whether it is known which strike was predicted; a cumulative level is of all of them."""
        return self.statistic is not None or self.shared.quantity == "cumulative_exposure_level"

    def at(self, range_m: float, fit: Fit | None) -> PredictedLevel:
        """The predicted level at a range: linear in log range within the rows, carried by the fit's slope beyond."""
        nearest, farthest = self.range_m[0], self.range_m[-1]
        if nearest * (1.0 - _TOLERANCE) <= range_m <= farthest * (1.0 + _TOLERANCE):
            level = np.interp(math.log10(range_m), np.log10(self.range_m), self.level_db)
            return PredictedLevel(float(level))
        beyond_near = range_m < nearest
        end, level_at_end = (nearest, self.level_db[0]) if beyond_near else (farthest, self.level_db[-1])
        ratio = end / range_m if beyond_near else range_m / end
        far = ratio > CARRIED_FACTOR * (1.0 + _TOLERANCE)
        if fit is None:
            return PredictedLevel(math.nan, carried=not far, extrapolated=far)
        here, there = level_curve(fit, [range_m, end])
        return PredictedLevel(level_at_end + float(here - there), carried=not far, extrapolated=far)


def row_groups(predictions: Iterable[Prediction]) -> list[RowGroup]:
    """The predicted curves, in the order in which their first rows stand in the file."""
    collected: dict[str, list[Prediction]] = {}
    for row in predictions:
        key = row.model_dump_json(exclude={"line", "range_m", "level_db"})
        collected.setdefault(key, []).append(row)
    groups = []
    for rows in collected.values():
        ordered = sorted(rows, key=lambda row: row.range_m)
        groups.append(RowGroup(rows[0], tuple(r.range_m for r in ordered), tuple(r.level_db for r in ordered)))
    return groups
