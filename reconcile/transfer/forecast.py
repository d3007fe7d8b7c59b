"""A new project's predicted levels with what earlier projects taught added, and their interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reconcile.transfer.applicable import Choice, Wanted, between_scopes, choose, outside
from reconcile.transfer.correction_curve import correction_curve
from reconcile.vocabulary.documents.campaign import Prediction
from reconcile.vocabulary.documents.correction import Correction, CorrectionDocument


@dataclass(frozen=True, slots=True)
class ForecastLevel:
    """One row of predictions.csv, corrected. Levels are None where there is no correction."""

    prediction: Prediction
    correction: Correction | None
    correction_db: float | None
    corrected_level_db: float | None
    lower_95_db: float | None
    upper_95_db: float | None
    flags: tuple[str, ...]
    outside_scope_in: tuple[str, ...]

    @property
    def line(self) -> int:
        """Of the row in its file."""
        return self.prediction.line


def forecast_levels(predictions: Sequence[Prediction], document: CorrectionDocument) -> tuple[ForecastLevel, ...]:
    """Each predicted level plus the correction at its range; the interval is that for a pile of a new project."""
    return tuple(_forecast(row, document.corrections) for row in predictions)


def wanted_level(row: Prediction) -> Wanted:
    """What a predicted level is of. An energy without a statistic means the median strike of that energy."""
    statistic = row.statistic or ("median" if row.energy_kj is not None else None)
    return Wanted(
        model_id=row.model_id,
        quantity=row.quantity,
        weighting=row.weighting,
        band_hz=row.band_hz,
        statistic=None if row.quantity == "cumulative_exposure_level" else statistic,
        foundation_type=row.foundation_type,
        installation_method=row.installation_method,
        abatement=row.abatement,
    )


def _forecast(row: Prediction, corrections: Sequence[Correction]) -> ForecastLevel:
    choice = choose(wanted_level(row), corrections)
    if choice.correction is None:
        return ForecastLevel(row, None, None, None, None, None, choice.flags, ())
    curve = correction_curve(choice.correction)
    at = np.array([row.range_m])
    added, half = float(curve.added_db(at)[0]), float(curve.half_width_db(at)[0])
    corrected = row.level_db + added
    beyond = outside(choice.correction, row.range_m, row.energy_kj, row.diameter_m, row.water_depth_m)
    flags = scope_flags(choice, beyond, row.range_m)
    return ForecastLevel(row, choice.correction, added, corrected, corrected - half, corrected + half, flags, beyond)


def scope_flags(choice: Choice, beyond: Sequence[str], range_m: float) -> tuple[str, ...]:
    """The flags of a row with a correction: where it stands to the scope, then what was not stated."""
    assert choice.correction is not None
    scope = (["outside_scope"] if beyond else []) + (
        ["between_scopes"] if between_scopes(choice.correction, range_m) else []
    )
    return (*scope, *choice.flags)
