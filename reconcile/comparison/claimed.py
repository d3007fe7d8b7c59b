"""A prediction's own standard deviation, held against what was measured."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm

from reconcile.comparison.bias_model import BiasFit
from reconcile.inference import effective_degrees_of_freedom
from reconcile.spreading.cells import LEAST_RESIDUAL_SD_DB
from reconcile.vocabulary.documents.bias_parts import ClaimedUncertainty, Verdict
from reconcile.vocabulary.quantities import FloatArray

_LEAST_PAIRS = 3
_STATISTIC = (
    "standard deviation of piles, places and rest by restricted maximum likelihood over the claimed one; "
    "95 % interval by chi-square with Satterthwaite's degrees of freedom"
)

_TOTAL_STATISTIC = (
    "root mean square of the errors over the claimed deviation and the measurement's together; 95 % interval by "
    "chi-square, the offset common to all pairs as one degree of freedom and the rest with those of the scatter"
)


def claimed_uncertainty(pairs: pd.DataFrame, fit: BiasFit) -> ClaimedUncertainty | None:
    """Coverage, probability integral transforms and scatter of the pairs whose prediction states its uncertainty.

    None where fewer than three do, or where one of them claims to have none. `fit` is the bias of the same pairs.
    """
    stated = pairs["predicted_sd_db"].to_numpy(np.float64)
    used = np.isfinite(stated)
    if int(used.sum()) < _LEAST_PAIRS or not (stated[used] > 0).all():
        return None
    claimed = stated[used]
    error = pairs["bias_db"].to_numpy(np.float64)[used]
    measured = pairs["measured_uncertainty_db"].to_numpy(np.float64)[used]
    deviation = np.sqrt(claimed**2 + measured**2)
    rms = math.sqrt(float(np.mean(claimed**2)))
    scatter, degrees = _scatter(pairs, fit)
    low, high = _interval(scatter, degrees)
    ratio = (low / rms, high / rms)
    total = math.sqrt(float(np.mean((error / deviation) ** 2)))
    between = _interval(total, _degrees_with_offset(error / deviation, degrees))
    return ClaimedUncertainty(
        n=int(used.sum()),
        claimed_sd_db=rms,
        coverage_95=float(np.mean(np.abs(error) <= norm.ppf(0.975) * deviation)),
        root_mean_square=total,
        scatter_db=scatter,
        scatter_ratio=scatter / rms,
        scatter_ratio_interval_95=ratio,
        scatter=_verdict(ratio),
        statistic=_STATISTIC,
        pit=tuple(norm.cdf(-error / deviation).tolist()),
        root_mean_square_interval_95=between,
        total=_verdict(between),
        total_statistic=_TOTAL_STATISTIC,
    )


def _verdict(ratio: tuple[float, float]) -> Verdict:
    """What the interval of a ratio to the claim says."""
    return "larger" if ratio[0] > 1.0 else "not_larger" if ratio[1] <= 1.0 else "not_decided"


def _interval(deviation: float, degrees: float) -> tuple[float, float]:
    """95 % interval of a standard deviation by chi-square."""
    low, high = (deviation * math.sqrt(degrees / float(chi2.ppf(p, degrees))) for p in (0.975, 0.025))
    return low, high


def _degrees_with_offset(ratio: FloatArray, degrees: float) -> float:
    """Degrees of freedom of the mean square of ratios (Satterthwaite): one for their mean, `degrees` for the rest.

    Pairs share piles, places and chains: to count them singly would take one offset for as many findings.
    """
    square = float(np.mean(ratio**2))
    common = float(np.mean(ratio)) ** 2 / square if square > 0 else 0.0
    return float(1.0 / (common**2 + (1.0 - common) ** 2 / degrees))


def _scatter(pairs: pd.DataFrame, fit: BiasFit) -> tuple[float, float]:
    """Standard deviation of single pairs' errors about their trend, without the chains', and its degrees of freedom.

    A component with one group (one pile, one place) is left out: nothing was seen of it.
    """
    seen = {"pile": pairs["pile_id"].nunique() > 1, "place": pairs["mooring_id"].nunique() > 1}
    counted = np.array([float(seen.get(name, True)) for name in fit.linear.names])
    variance = float(counted @ fit.linear.variances) + LEAST_RESIDUAL_SD_DB**2
    certainty = fit.linear.covariance_of_variances
    degrees = float(effective_degrees_of_freedom(np.array([variance]), counted[None, :], certainty)[0])
    return math.sqrt(variance), degrees
