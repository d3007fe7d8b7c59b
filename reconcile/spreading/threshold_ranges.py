"""Distance at which a fitted curve falls to a threshold, with its interval."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from scipy.optimize import brentq
from scipy.special import wrightomega

from reconcile.spreading.conditions import AT_REFERENCE, Conditions, raised_by_db
from reconcile.spreading.curves import half_widths, level_curve
from reconcile.vocabulary.documents.fit import Fit, ThresholdRange
from reconcile.vocabulary.quantities import FloatArray

NEAREST_M, FARTHEST_M = 1.0, 1e6  # no curve is followed beyond these
WATER_DEPTHS = 3.0  # nearer than this many the field is not yet that of the layer
_SEARCH_POINTS = 241
_NORMAL_95 = 1.6448536269514722  # quantile of the normal distribution that 5 % exceed
ENERGY_MEAN = math.log(10.0) / 20.0  # dB per dB²: energy mean less mean of normally distributed levels (0.115)


def range_to_threshold(
    level_at_reference_db: float,
    spreading_coefficient_db_per_decade: float,
    attenuation_db_per_km: float,
    reference_range_m: float,
    threshold_db: float,
) -> float | None:
    """Range in metres at which L(R) equals the threshold, in closed form; None where it is not reached from 1 m on.

    Without attenuation R = R_ref·10^((L_ref - T)/N). With it, in natural units n = N/ln 10 and a in dB/m,
    R = (n/a)·W0[(a/n)·R_ref·exp((L_ref - T + a R_ref)/n)], with Lambert's W0; W0(exp z) is the Wright omega of z,
    which does not overflow. A curve that does not fall with range reaches nothing.
    """
    excess, n = level_at_reference_db - threshold_db, spreading_coefficient_db_per_decade / math.log(10.0)
    a = attenuation_db_per_km / 1000.0
    if n < 0 or a < 0 or n + a == 0:
        return None
    if a == 0:
        exponent = excess / spreading_coefficient_db_per_decade
        result = reference_range_m * 10.0**exponent if exponent < 300 else math.inf
    elif n == 0:
        result = reference_range_m + excess / a
    else:
        z = math.log(a / n * reference_range_m) + (excess + a * reference_range_m) / n
        result = n / a * float(np.real(wrightomega(z)))
    return result if NEAREST_M <= result < math.inf else None


def threshold_range(
    fit: Fit,
    threshold_db: float,
    *,
    quantity: str | None = None,
    statistic: str | None = None,
    n_strikes: int | None = None,
    energy_kj: float | None = None,
    rivals: Sequence[Fit] = (),
    conditions: Conditions = AT_REFERENCE,
) -> ThresholdRange:
    """Where a fit's curve meets a threshold, for a stated strike.

    The curve is raised to the statistic (see `raised_db`) and moved to `energy_kj` and `conditions`; the interval
    holds the ranges at which the threshold lies within the 95 % confidence band of the mean curve. An end is null where
    the band does not part from the threshold between 1 m and 1000 km. Where the distance lies outside the measured
    ranges the interval is the envelope with those of the `rivals`, the models that the data support nearly as well.
    Nearer than the nearest station, or than three water depths, the curve is no ground for a distance: `less_than_m` is
    what can be said.
    """
    subject = quantity or fit.quantity
    stated = (subject, statistic, n_strikes, energy_kj)
    found, interval = _met(fit, threshold_db, *stated, conditions)
    outside = found is None or not fit.range_min_m <= found <= fit.range_max_m
    heard = [_met(rival, threshold_db, *stated, conditions) for rival in rivals] if outside else []
    return ThresholdRange(
        threshold_db=threshold_db,
        range_m=found,
        interval_m=_envelope([(found, interval), *heard]),
        extrapolated=outside,
        quantity=subject,
        statistic=statistic,
        n_strikes=n_strikes,
        energy_kj=energy_kj,
        pile_diameter_m=conditions.pile_diameter_m,
        less_than_m=_nearest(fit, found),
        models=(fit.model, *(rival.model for rival in rivals)) if outside else (fit.model,),
    )


_Met = tuple[float | None, tuple[float | None, float | None]]


def _met(
    fit: Fit,
    threshold_db: float,
    quantity: str | None,
    statistic: str | None,
    n_strikes: int | None,
    energy_kj: float | None,
    conditions: Conditions,
) -> _Met:
    """Where one curve meets a threshold, and between which ranges its confidence band does."""
    log_energy = _log_energy(fit, energy_kj)
    c = fit.coefficients
    raised = raised_db(fit, quantity, statistic, n_strikes, energy_kj)
    raised += c.energy_coefficient_db_per_decade.value * log_energy + raised_by_db(fit, conditions)
    lowered = threshold_db - raised
    found = _curve_to_threshold(fit, lowered)
    return found, _interval(fit, lowered, found, log_energy, conditions)


def _curve_to_threshold(fit: Fit, threshold_db: float) -> float | None:
    """Range at which a fit's curve equals a level: of two regimes, within that which holds there."""
    c, reference = fit.coefficients, fit.reference_range_m
    level, slope = c.level_at_reference_db.value, c.spreading_coefficient_db_per_decade.value
    attenuation = c.attenuation_db_per_km.value
    if c.further_spreading_db_per_decade is None or c.transition_log10_range is None:
        return range_to_threshold(level, slope, attenuation, reference, threshold_db)
    further, transition = c.further_spreading_db_per_decade.value, c.transition_log10_range.value
    decades = transition - math.log10(reference)
    near = level + further * max(-decades, 0.0)  # the near line at the reference range
    found = range_to_threshold(near, slope, attenuation, reference, threshold_db)
    if found is not None and math.log10(found) <= transition:
        return found
    found = range_to_threshold(near + further * decades, slope + further, attenuation, reference, threshold_db)
    return found if found is not None and math.log10(found) >= transition else None


def _envelope(met: Sequence[_Met]) -> tuple[float | None, float | None]:
    """From the least to the greatest end of several intervals; an open end of one that has a distance stays open."""
    intervals = [interval for found, interval in met if found is not None]
    lows, highs = [low for low, _ in intervals], [high for _, high in intervals]
    low = None if not lows or None in lows else min(value for value in lows if value is not None)
    high = None if not highs or None in highs else max(value for value in highs if value is not None)
    return low, high


def _nearest(fit: Fit, found: float | None) -> float | None:
    """The range below which no distance is given, where the curve's lies below it; None where it does not."""
    least = max(fit.range_min_m, WATER_DEPTHS * (fit.water_depth_m or 0.0))
    return least if found is not None and found < least else None


def raised_db(
    fit: Fit, quantity: str | None, statistic: str | None, n_strikes: int | None, energy_kj: float | None
) -> float:
    """What is added to the mean curve (in levels, at the reference energy) for a statistic or a cumulative level.

    Strikes are taken as normally distributed in level within a pile and station: the level exceeded by 5 % is 1.645
    standard deviations above their mean, the energy mean ln(10)/20 times the variance above it. A cumulative level is
    the energy mean plus 10 lg of the number of strikes. With an energy stated the strikes are of that energy,
    otherwise as they were struck; the median strike is that of the median energy, which the curve is for.
    """
    as_struck = energy_kj is None
    spread = (fit.strike_sd_as_recorded_db if as_struck else fit.strike_sd_db) or 0.0
    if quantity != "cumulative_exposure_level" and statistic in (None, "median"):
        return 0.0
    raised = fit.level_as_recorded_offset_db if as_struck else 0.0
    if quantity == "cumulative_exposure_level" and n_strikes:
        return raised + ENERGY_MEAN * spread**2 + 10.0 * math.log10(n_strikes)
    if statistic == "energy_mean":
        return raised + ENERGY_MEAN * spread**2
    return raised + (_NORMAL_95 * spread if statistic == "exceeded_5" else 0.0)


def _log_energy(fit: Fit, energy_kj: float | None) -> float:
    if energy_kj is None or fit.reference_energy_kj is None:
        return 0.0
    return math.log10(energy_kj / fit.reference_energy_kj)


def _interval(
    fit: Fit, threshold_db: float, found: float | None, log_energy: float, conditions: Conditions
) -> tuple[float | None, float | None]:
    """Ends of the ranges around `found` at which the confidence band holds the threshold."""
    if found is None:
        return None, None

    def margin(log_range: float | FloatArray, side: float) -> FloatArray:
        ranges = np.atleast_1d(np.asarray(10.0 ** np.asarray(log_range)))
        half = half_widths(fit, ranges, log_energy=log_energy, conditions=conditions)[0]
        return np.asarray(level_curve(fit, ranges) + side * half - threshold_db)

    here, far = math.log10(found), math.log10(FARTHEST_M)
    inner = np.linspace(here, math.log10(NEAREST_M), _SEARCH_POINTS)
    outer = np.linspace(here, max(far, here), _SEARCH_POINTS)
    return (
        _crossing(lambda x: margin(x, -1.0), inner, above=True),
        _crossing(lambda x: margin(x, +1.0), outer, above=False),
    )


def _crossing(margin: Callable[[float | FloatArray], FloatArray], grid: FloatArray, *, above: bool) -> float | None:
    """First range along a grid of log10 ranges at which the margin changes to `above` (or below) zero."""
    values = margin(grid)
    past = np.flatnonzero(values > 0 if above else values < 0)
    if past.size == 0:
        return None
    k = int(past[0])
    if k == 0:
        return float(10.0 ** grid[0])
    return float(10.0 ** brentq(lambda x: float(margin(x)[0]), grid[k - 1], grid[k]))
