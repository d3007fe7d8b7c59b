"""Predicted distances to a level, corrected: where the corrected curve of levels meets the threshold.

The predicted level at the predicted distance is the threshold; how it falls from there is read off the level rows of
the same prediction (linear in log range, beyond their ends as at the end). So a distance that is a maximum or
a 95th percentile over bearings keeps its own footing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from reconcile.comparison.row_groups import CARRIED_FACTOR, RowGroup, row_groups
from reconcile.transfer.applicable import Choice, Wanted, choose, outside
from reconcile.transfer.correction_curve import CorrectionCurve, correction_curve
from reconcile.transfer.forecast import scope_flags
from reconcile.vocabulary.documents.campaign import PredictedRange, Prediction
from reconcile.vocabulary.documents.correction import Correction, CorrectionDocument
from reconcile.vocabulary.quantities import FloatArray

NEAREST_M, FARTHEST_M = 1.0, 1e6  # no curve is followed beyond these
_SEARCH_POINTS = 481


@dataclass(frozen=True, slots=True)
class ForecastRange:
    """One row of predicted_ranges.csv, corrected. A distance is None where the curve meets no threshold."""

    predicted: PredictedRange
    correction: Correction | None
    corrected_range_m: float | None
    lower_95_m: float | None
    upper_95_m: float | None
    flags: tuple[str, ...]
    outside_scope_in: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PredictedCurve:
    """Level against range as predicted, through the threshold at the predicted distance."""

    range_m: FloatArray
    level_db: FloatArray
    anchor_range_m: float
    threshold_db: float

    def level(self, log_range: FloatArray) -> FloatArray:
        """Level at ranges given by their logarithm."""
        anchor = self._shape(np.array([math.log10(self.anchor_range_m)]))[0]
        return np.asarray(self.threshold_db + self._shape(log_range) - anchor)

    def _shape(self, log_range: FloatArray) -> FloatArray:
        x, y = np.log10(self.range_m), self.level_db
        inside = np.interp(log_range, x, y)
        near, far = (y[1] - y[0]) / (x[1] - x[0]), (y[-1] - y[-2]) / (x[-1] - x[-2])
        below, above = y[0] + near * (log_range - x[0]), y[-1] + far * (log_range - x[-1])
        return np.where(log_range < x[0], below, np.where(log_range > x[-1], above, inside))


def forecast_ranges(
    ranges: Sequence[PredictedRange], predictions: Sequence[Prediction], document: CorrectionDocument
) -> tuple[ForecastRange, ...]:
    """Each predicted distance corrected by the correction of its quantity, weighting, statistic and abatement."""
    curves = [group for group in row_groups(predictions) if len(group.range_m) > 1 and group.shared.band_hz is None]
    return tuple(_forecast(row, curves, document.corrections) for row in ranges)


def _forecast(row: PredictedRange, curves: Sequence[RowGroup], corrections: Sequence[Correction]) -> ForecastRange:
    levels, borrowed = _levels_of(row, curves)
    choice = choose(_wanted(row, levels), corrections)
    if choice.correction is None or levels is None:
        reason = choice.flags if choice.correction is None else ("no_correction", "no_predicted_levels")
        return ForecastRange(row, None, None, None, None, reason, ())
    predicted = PredictedCurve(np.array(levels.range_m), np.array(levels.level_db), row.range_m, row.threshold_db)
    added = correction_curve(choice.correction)
    found, low, high = (_meets(predicted, added, row.threshold_db, side) for side in (0.0, -1.0, 1.0))
    return _entry(row, choice, (found, low, high), _extra_flags(levels, borrowed, found), levels)


def _entry(
    row: PredictedRange,
    choice: Choice,
    ends: tuple[float | None, float | None, float | None],
    extra: Sequence[str],
    levels: RowGroup,
) -> ForecastRange:
    assert choice.correction is not None
    found, low, high = ends
    beyond: dict[str, None] = {}
    for at in (row.range_m, *([] if found is None else [found])):
        facts = (row.energy_kj, levels.shared.diameter_m, levels.shared.water_depth_m)
        beyond |= dict.fromkeys(outside(choice.correction, at, *facts))
    flags = (*scope_flags(choice, tuple(beyond), found or row.range_m), *extra)
    return ForecastRange(row, choice.correction, found, low, high, flags, tuple(beyond))


def _extra_flags(levels: RowGroup, borrowed: bool, found: float | None) -> list[str]:
    ends = levels.range_m[0] / CARRIED_FACTOR, levels.range_m[-1] * CARRIED_FACTOR
    stated = {
        "levels_of_another_statistic": borrowed,
        "extrapolated": found is not None and not ends[0] <= found <= ends[1],
        "threshold_not_met": found is None,
    }
    return [name for name, true in stated.items() if true]


def _wanted(row: PredictedRange, levels: RowGroup | None) -> Wanted:
    """What a predicted distance is of; foundation and method are those of the level rows of its prediction."""
    shared = levels.shared if levels else None
    statistic = row.statistic or ("median" if row.energy_kj is not None else None)
    return Wanted(
        model_id=row.model_id,
        quantity=row.quantity,
        weighting=row.weighting,
        band_hz=None,
        statistic=None if row.quantity == "cumulative_exposure_level" else statistic,
        foundation_type=shared.foundation_type if shared else None,
        installation_method=shared.installation_method if shared else None,
        abatement=row.abatement or (shared.abatement if shared else None),
    )


def _levels_of(row: PredictedRange, curves: Sequence[RowGroup]) -> tuple[RowGroup | None, bool]:
    """The level rows that say how the level falls: of the same quantity and statistic, else the nearest to that."""
    own = [
        curve
        for curve in curves
        if (curve.shared.prediction_id, curve.shared.model_id, curve.shared.weighting)
        == (row.prediction_id, row.model_id, row.weighting)
    ]
    quantities = [row.quantity] + (["exposure_level"] if row.quantity == "cumulative_exposure_level" else [])
    for quantity in quantities:
        of_quantity = [curve for curve in own if curve.shared.quantity == quantity]
        exact = [c for c in of_quantity if row.statistic in (None, c.statistic)]
        if exact:
            return exact[0], False
        if of_quantity:
            return of_quantity[0], True
    return None, False


def _meets(predicted: PredictedCurve, added: CorrectionCurve, threshold_db: float, side: float) -> float | None:
    """The range at which the corrected curve, or an end of its interval, falls to the threshold.

    Of several the one nearest to the predicted distance; None where there is none between 1 m and 1000 km.
    """

    def excess(log_range: float | FloatArray) -> FloatArray:
        x = np.atleast_1d(np.asarray(log_range, dtype=np.float64))
        ranges = np.asarray(10.0**x)
        half = side * added.half_width_db(ranges) if side else 0.0
        return np.asarray(predicted.level(x) + added.added_db(ranges) + half - threshold_db)

    grid = np.linspace(math.log10(NEAREST_M), math.log10(FARTHEST_M), _SEARCH_POINTS)
    values = excess(grid)
    falls = np.flatnonzero((values[:-1] > 0) & (values[1:] <= 0))
    if falls.size == 0:
        return None
    near = falls[np.argmin(np.abs(grid[falls] - math.log10(predicted.anchor_range_m)))]
    return _root(excess, float(grid[near]), float(grid[near + 1]))


def _root(excess: Callable[[float | FloatArray], FloatArray], low: float, high: float) -> float:
    return float(10.0 ** brentq(lambda x: float(excess(x)[0]), low, high))
