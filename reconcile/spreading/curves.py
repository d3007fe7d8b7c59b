"""The curve of a fit and its intervals, from the entry of the document alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reconcile.inference import effective_degrees_of_freedom, half_width_factors
from reconcile.spreading.conditions import AT_REFERENCE, Conditions, offsets, raised_by_db
from reconcile.spreading.models import beyond_transition, spreading_attenuation
from reconcile.vocabulary.documents.fit import Fit
from reconcile.vocabulary.quantities import FloatArray

_ENERGY = 3  # place of the energy coefficient among the covariance's names

New = Literal["strike", "pile", "site", "measured_site"]
"""What a prediction interval about the mean curve is for.

`strike`: one further strike of a pile and place like those measured (residual and strike scatter); `pile`: the mean
over a new pile's strikes at a place already measured (pile and residual); `site`: the mean over a new pile's strikes at
a new place (pile, place and residual); `measured_site`: the same as a new chain would read it, its error included.
"""


@dataclass(frozen=True, slots=True)
class CurveIntervals:
    """A fitted curve at some ranges with two intervals, all in dB, one value for each range.

    `confidence` is for the mean curve, what all chains share included. `prediction` is for what `New` says: by default
    the mean level over the strikes of a new pile at a new place, measured by a new chain.
    """

    range_m: FloatArray
    level_db: FloatArray
    confidence_low_db: FloatArray
    confidence_high_db: FloatArray
    prediction_low_db: FloatArray
    prediction_high_db: FloatArray
    extrapolated: NDArray[np.bool_]  # true outside the measured ranges


def level_curve(fit: Fit, range_m: ArrayLike) -> FloatArray:
    """Level of the fitted curve at some ranges, for a strike of the reference energy."""
    c = fit.coefficients
    level = spreading_attenuation(
        range_m,
        c.level_at_reference_db.value,
        c.spreading_coefficient_db_per_decade.value,
        c.attenuation_db_per_km.value,
        fit.reference_range_m,
    )
    if c.further_spreading_db_per_decade is None or c.transition_log10_range is None:
        return level
    transition_m = 10.0**c.transition_log10_range.value
    bend = beyond_transition(range_m, transition_m, fit.reference_range_m)
    return np.asarray(level - c.further_spreading_db_per_decade.value * bend)


def intervals(
    fit: Fit,
    range_m: ArrayLike,
    probability: float = 0.95,
    log_energy: float = 0.0,
    *,
    new: New = "measured_site",
    rivals: Sequence[Fit] = (),
    conditions: Conditions = AT_REFERENCE,
) -> CurveIntervals:
    """Curve, confidence and prediction interval at some ranges.

    `log_energy` is log10 of a strike energy over the reference energy; it moves the curve by the energy coefficient,
    with that coefficient's uncertainty, as `conditions` do where the fit knows their coefficients. Outside the measured
    ranges both intervals are the envelope of the fit's and of those of its `rivals`, the models that the data support
    nearly as well (`rivals.rivals`).
    """
    ranges = np.atleast_1d(np.asarray(range_m, dtype=np.float64))
    outside = (ranges < fit.range_min_m) | (ranges > fit.range_max_m)
    lows, highs = [], []
    for one in (fit, *rivals):
        centre = _centre(one, ranges, log_energy, conditions)
        halves = np.stack(half_widths(one, ranges, probability, log_energy, new, conditions))
        counts = one is fit or outside
        lows.append(np.where(counts, centre - halves, np.inf))
        highs.append(np.where(counts, centre + halves, -np.inf))
    low, high = np.min(lows, axis=0), np.max(highs, axis=0)
    return CurveIntervals(
        range_m=ranges,
        level_db=_centre(fit, ranges, log_energy, conditions),
        confidence_low_db=low[0],
        confidence_high_db=high[0],
        prediction_low_db=low[1],
        prediction_high_db=high[1],
        extrapolated=outside,
    )


def _centre(fit: Fit, range_m: FloatArray, log_energy: float, conditions: Conditions) -> FloatArray:
    by_energy = fit.coefficients.energy_coefficient_db_per_decade.value * log_energy
    return np.asarray(level_curve(fit, range_m) + by_energy + raised_by_db(fit, conditions))


def half_widths(
    fit: Fit,
    range_m: FloatArray,
    probability: float = 0.95,
    log_energy: float = 0.0,
    new: New = "measured_site",
    conditions: Conditions = AT_REFERENCE,
) -> tuple[FloatArray, FloatArray]:
    """Half-widths in dB of the confidence and of the prediction interval at some ranges.

    Where a bootstrap showed the confidence interval to be too narrow it is widened by the factor found.
    """
    rows = _derivatives(fit, range_m, log_energy, conditions)
    of_curve = np.delete(rows, _ENERGY, axis=1)
    variance = np.einsum("mi,ij,mj->m", rows, np.array(fit.covariance.matrix), rows)
    small = fit.small_sample
    gradient = np.einsum("mi,kij,mj->mk", of_curve, np.array(small.gradients), of_curve)
    certainty = np.array(small.covariance)
    further, estimated = _further(fit, new)
    counted = np.array([float(name in estimated) for name in small.components])
    halves = []
    for extra, step in ((0.0, 0.0), (further, 1.0)):
        degrees = effective_degrees_of_freedom(variance + extra, gradient + step * counted, certainty)
        halves.append(half_width_factors(degrees, probability) * np.sqrt(variance + extra))
    widened = halves[0] * _widening(fit, range_m)
    return widened, np.maximum(halves[1], widened)


def _widening(fit: Fit, range_m: FloatArray) -> FloatArray:
    """Factor of the bootstrap at some ranges; 1 where there was none."""
    basis = fit.intervals_by
    if basis is None or not basis.factors:
        return np.ones_like(range_m)
    return np.asarray(np.interp(np.log10(range_m), np.log10(basis.range_m), basis.factors))


def _derivatives(fit: Fit, range_m: FloatArray, log_energy: float, conditions: Conditions) -> FloatArray:
    """Derivatives of the level by the coefficients, in the order of the fit's covariance."""
    decades = np.log10(range_m / fit.reference_range_m)
    kilometres = (range_m - fit.reference_range_m) / 1000.0
    one = np.ones_like(range_m)
    columns = [one, -decades, -kilometres, log_energy * one]
    further, transition = fit.coefficients.further_spreading_db_per_decade, fit.coefficients.transition_log10_range
    if further is not None and transition is not None:
        transition_m = 10.0**transition.value
        beyond = (range_m > transition_m) * 1.0 - float(fit.reference_range_m > transition_m)
        columns += [-beyond_transition(range_m, transition_m, fit.reference_range_m), further.value * beyond]
    columns += [offset * one for offset in offsets(fit, conditions).values()]
    return np.stack(columns, axis=1)


def _further(fit: Fit, new: New) -> tuple[float, tuple[str, ...]]:
    """The variance beyond the mean curve's that a new observation has, and the estimated components in it."""
    parts = {
        "residual": fit.residual_sd_db**2,
        "pile": fit.pile_sd_db**2,
        "place": fit.station_sd_db**2,
        "system": fit.system_sd_db**2,
        "strike": (fit.strike_sd_db or 0.0) ** 2,
    }
    wanted = {
        "strike": ("residual", "strike"),
        "pile": ("residual", "pile"),
        "site": ("residual", "pile", "place"),
        "measured_site": ("residual", "pile", "place", "system"),
    }[new]
    return sum(parts[name] for name in wanted), wanted
