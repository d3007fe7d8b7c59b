"""Exposure of a receptor that flees while a pile is driven, by the fitted law: no hydrophone measures that."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd

from reconcile.comparison.level_bounds import Bounds, MeasuredLevel, not_measured
from reconcile.spreading.curves import intervals, level_curve
from reconcile.spreading.receptor import fleeing_exposure_level_db, fleeing_range_m
from reconcile.vocabulary.criteria import Criterion
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import Fit, FitDocument
from reconcile.vocabulary.quantities import FloatArray

_NO_START = "the receptor flees: speed and start are not both stated, and a hydrophone does not follow it"


def fleeing_levels(
    criterion: Criterion, strikes: pd.DataFrame, fitted: FitDocument | None, campaign: Campaign
) -> Iterator[MeasuredLevel]:
    """The cumulative exposure of each struck pile on a receptor that is at its start when the first strike comes.

    `strikes` are usable ones, with the group of their pile. Only strikes that some station heard are summed.
    """
    if criterion.start_range_m is None or criterion.fleeing_speed_m_s is None:
        yield not_measured(_NO_START)
        return
    if criterion.period != "pile":
        yield not_measured("the exposure of a receptor that flees is summed over a pile: state period = 'pile'")
        return
    for pile_id, own in strikes.groupby("pile_id"):
        group = [str(own[name].iloc[0]) for name in ("installation_method", "foundation_type", "abatement")]
        fit = None if fitted is None else fitted.selected("exposure_level", criterion.weighting, None, *group)
        if fit is None:
            yield not_measured("no fit of the exposure level against range", pile_id=str(pile_id))
            continue
        each = own.groupby("strike_id", sort=False).agg(time_utc=("time_utc", "min"), energy_kj=("energy_kj", "first"))
        yield _of_pile(str(pile_id), each.sort_values("time_utc"), fit, criterion, campaign)


def _of_pile(pile_id: str, each: pd.DataFrame, fit: Fit, criterion: Criterion, campaign: Campaign) -> MeasuredLevel:
    assert criterion.start_range_m is not None
    assert criterion.fleeing_speed_m_s is not None
    time_s = (each["time_utc"] - each["time_utc"].iloc[0]).dt.total_seconds().to_numpy(np.float64)
    at_reference_db = float(level_curve(fit, [fit.reference_range_m])[0])
    level = fleeing_exposure_level_db(
        _levels_at_reference(fit, each["energy_kj"].to_numpy(np.float64)),
        time_s,
        criterion.start_range_m,
        criterion.fleeing_speed_m_s,
        lambda ranges: level_curve(fit, ranges) - at_reference_db,
    )
    ranges = fleeing_range_m(time_s, criterion.start_range_m, criterion.fleeing_speed_m_s)
    curve = intervals(fit, np.array([float(np.median(ranges))]))
    half = float(curve.confidence_high_db[0] - curve.level_db[0])
    beyond = ranges.min() < fit.range_min_m or ranges.max() > fit.range_max_m
    note = (
        f"computed by the fit for a receptor that flees at {criterion.fleeing_speed_m_s:g} m/s "
        f"from {criterion.start_range_m:g} m to {ranges.max():.0f} m"
    )
    if beyond:
        note += f"; the fit holds from {fit.range_min_m:.0f} m to {fit.range_max_m:.0f} m and is extrapolated"
    return MeasuredLevel(
        recorded=Bounds.known(level),
        brought=Bounds.known(level),
        pile_id=pile_id,
        start_utc=each["time_utc"].iloc[0],
        end_utc=each["time_utc"].iloc[-1],
        n_strikes=len(each),
        uncertainty_db=half / 1.96,
        note=note,
    )


def _levels_at_reference(fit: Fit, energy_kj: FloatArray) -> FloatArray:
    """Single-strike exposure levels at the reference range, each for its energy, raised to the mean energy.

    Levels that scatter by s dB about a curve have a mean energy (ln 10/20) s² above it (normal scatter, closed form).
    """
    level = np.full(energy_kj.shape, fit.coefficients.level_at_reference_db.value)
    known = np.isfinite(energy_kj) & (np.nan_to_num(energy_kj) > 0)
    if fit.reference_energy_kj is not None:
        coefficient = fit.coefficients.energy_coefficient_db_per_decade.value
        level[known] += coefficient * np.log10(energy_kj[known] / fit.reference_energy_kj)
    else:
        known = np.zeros_like(known)
    level[~known] += fit.level_as_recorded_offset_db
    scatter = np.where(known, fit.strike_sd_db or 0.0, fit.strike_sd_as_recorded_db or 0.0)
    return np.asarray(level + math.log(10.0) / 20.0 * scatter**2)
