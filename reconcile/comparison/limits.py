"""Measured levels held against thresholds and limits: margin, uncertainty, and what can be said.

Nothing more is said than that the measured level is so many decibels below or above. Where a clipped strike, or one
under the background, leaves the level open on the side that matters, it is said that it cannot be shown.
"""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

import pandas as pd

from reconcile.comparison.level_bounds import Bounds, MeasuredLevel
from reconcile.comparison.limit_levels import LevelSource, measured_levels
from reconcile.vocabulary.criteria import Criterion
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.tables import LIMITS

ONE_SIDED_95 = 1.645  # standard normal quantile at 95 %
UNSURE = "memory-medium"  # a criterion of that standing never fails a run


def limit_rows(
    strikes: pd.DataFrame,
    exposure: pd.DataFrame,
    summary: pd.DataFrame,
    fitted: FitDocument | None,
    campaign: Campaign,
) -> pd.DataFrame:
    """Rows of `limits` for every criterion of the campaign. `fitted` is needed for receptors that flee only."""
    source = LevelSource.of(strikes, exposure, summary, fitted, campaign)
    rows = [_row(criterion, level) for criterion in campaign.criteria for level in measured_levels(criterion, source)]
    return pd.DataFrame(rows, columns=list(LIMITS.column_names))


def over_limit(table: pd.DataFrame) -> list[str]:
    """One line for each limit that a measured level lies above, of those that may fail a run."""
    rows = table[(table["outcome"] == "above") & table["can_fail"].astype(bool)]
    return [_line(row) for row in rows.to_dict("records")]


def not_shown(table: pd.DataFrame) -> list[str]:
    """One line for each limit to which the measured level cannot be shown to lie below or above."""
    rows = table[(table["outcome"] == "cannot_be_shown") & table["can_fail"].astype(bool)]
    return [_line(row) for row in rows.to_dict("records")]


def _line(row: dict[Hashable, Any]) -> str:
    names = ("criteria_set", "effect", "pile_id", "station_id")
    where = ", ".join(row[name] for name in names if isinstance(row[name], str) and row[name])
    return f"{where} ({str(row['quantity']).replace('_', ' ')}, {row['limit_db']:g} dB): {row['statement']}"


def _row(criterion: Criterion, level: MeasuredLevel) -> dict[str, object]:
    outcome, value, censoring = _outcome(level, criterion.level_db)
    margin = criterion.level_db - value
    return {
        "criteria_set": criterion.criteria_set,
        "kind": criterion.kind,
        "subject": criterion.subject,
        "effect": criterion.effect,
        "source_type": criterion.source_type,
        "quantity": criterion.quantity,
        "weighting": criterion.weighting,
        "statistic": level.statistic,
        "pile_id": level.pile_id,
        "station_id": level.station_id,
        "period": criterion.period,
        "start_utc": level.start_utc,
        "end_utc": level.end_utc,
        "range_m": level.range_m,
        "limit_range_m": math.nan if criterion.range_m is None else criterion.range_m,
        "n_strikes": level.n_strikes,
        "recorded_fraction": level.recorded_fraction,
        "measured_as_recorded_db": _value(level.recorded, censoring),
        "measured_db": value,
        "limit_db": criterion.level_db,
        "margin_db": margin,
        "standard_uncertainty_db": level.uncertainty_db,
        "margin_with_uncertainty_db": margin - ONE_SIDED_95 * level.uncertainty_db,
        "censoring": censoring,
        "outcome": outcome,
        "can_fail": criterion.kind == "limit" and criterion.standing != UNSURE,
        "statement": level.reason or _statement(outcome, margin, value, censoring, level.uncertainty_db),
        "note": "; ".join(_notes(criterion, level)),
        "source": criterion.source,
        "date": criterion.date,
        "standing": criterion.standing,
    }


def _outcome(level: MeasuredLevel, limit_db: float) -> tuple[str, float, str]:
    """What the bounds say of a limit, the bound that says it (NaN for none), and of what kind that bound is."""
    low, high = level.brought.lowest_db, level.brought.highest_db
    if level.reason:
        return "not_compared", math.nan, "none"
    if low > limit_db:
        return "above", low, "none" if level.brought.one else "at_least"
    if high <= limit_db:
        return "below", high, "none" if level.brought.one else "at_most"
    if level.brought.one:  # the limit lies between two bounds that are one number
        return "above", high, "none"
    if math.isinf(high):
        return "cannot_be_shown", math.nan if math.isinf(low) else low, "at_least"
    return "cannot_be_shown", high, "at_most"


def _value(bounds: Bounds, censoring: str) -> float:
    value = bounds.lowest_db if censoring == "at_least" else bounds.highest_db
    return math.nan if math.isinf(value) else value


def _statement(outcome: str, margin_db: float, value_db: float, censoring: str, uncertainty_db: float) -> str:
    """The one sentence that is said of a measured level."""
    doubt = "" if math.isnan(uncertainty_db) else f" (standard uncertainty {uncertainty_db:.1f} dB)"
    if outcome in ("below", "above"):
        least = "" if censoring == "none" else "at least "
        return f"measured level is {least}{abs(margin_db):.1f} dB {outcome}{doubt}"
    if math.isnan(value_db):
        return "measured level is not known: whether it is below or above cannot be shown"
    if censoring == "at_least":
        return f"measured level is at least {value_db:.1f} dB (clipped): that it is below cannot be shown"
    return f"measured level is at most {value_db:.1f} dB: whether it is below or above cannot be shown"


def _notes(criterion: Criterion, level: MeasuredLevel) -> list[str]:
    notes = [note for note in (criterion.note, level.note) if note]
    if criterion.relation:
        notes.append(f"printed as {criterion.relation} {criterion.level_db:g} dB")
    if criterion.standing.startswith("memory"):
        notes.append("the number is recalled, not read in its source")
    if criterion.kind == "threshold":
        notes.append("the sound at the hydrophone: no animal was there")
    return notes
