"""How the level changes with the penetration of the pile beside the strike energy, within piles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.spreading.cells import CellIndex
from reconcile.spreading.energy import (
    ASSUMED_DB_PER_DECADE,
    LEAST_SPREAD,
    LEAST_STRIKES,
    PRIOR_SD_DB_PER_DECADE,
    EnergyCoefficient,
    serial_factor,
    strike_values,
)
from reconcile.vocabulary.documents.fit import Covariate
from reconcile.vocabulary.quantities import FloatArray

PRIOR_SD_DB_PER_M = 0.2  # 4 dB over twenty metres: own choice
LEAST_SPREAD_M = 1.0  # standard deviation within piles
MOST_CORRELATION = 0.95  # of energy and penetration within piles
COEFFICIENT = "penetration_coefficient_db_per_m"


@dataclass(frozen=True, slots=True)
class WithinPiles:
    """The coefficients of energy and penetration; that of penetration is 0 where the strikes do not carry it."""

    energy: EnergyCoefficient
    penetration: Covariate
    value: float = 0.0
    standard_error: float = 0.0
    covariance: float = 0.0  # of the errors of both


def left_out(energy: EnergyCoefficient, reference_m: float | None, reason: str) -> WithinPiles:
    """Energy alone, with the reason why penetration is not beside it."""
    return WithinPiles(energy, _entry(None, reference_m, reason))


def beside_energy(
    level_db: FloatArray,
    log_energy: FloatArray,
    penetration_m: FloatArray,
    used: NDArray[np.bool_],
    index: CellIndex,
    strike: NDArray[np.intp],
    pile: NDArray[np.intp],
    alone: EnergyCoefficient,
    reference_m: float,
) -> WithinPiles:
    """Both coefficients from strikes of the same piles, with their priors; `alone` is that of energy without.

    Levels, energies and penetrations are centred on pile and station and averaged over the stations of a strike. Normal
    priors, 10 ± 3 dB per decade and 0 ± 0.2 dB/m, enter as observations; errors are widened for serial correlation.
    `penetration_m` is that beyond `reference_m`, NaN where not known.
    """
    if not alone.fitted:
        return left_out(alone, reference_m, "the energy coefficient is not fitted either")
    rows = used & np.isfinite(log_energy) & np.isfinite(penetration_m)
    if int(rows.sum()) < LEAST_STRIKES:
        return left_out(alone, reference_m, "it is known of too few strikes")
    (y, *columns), piles = strike_values((level_db, log_energy, penetration_m), rows, index, strike, pile)
    X, free = np.column_stack(columns), y.size - np.unique(piles).size - 2
    spread = np.sqrt(np.mean(X**2, axis=0))
    if y.size < LEAST_STRIKES or free < 1 or spread[0] < LEAST_SPREAD or spread[1] < LEAST_SPREAD_M:
        return left_out(alone, reference_m, "it changes too little within piles")
    if abs(float(np.mean(X[:, 0] * X[:, 1]))) > MOST_CORRELATION * spread[0] * spread[1]:
        return left_out(alone, reference_m, "it goes with the strike energy")
    least = np.linalg.lstsq(X, y, rcond=None)[0]
    residual = y - X @ least
    variance = max(float(residual @ residual) / free * serial_factor(residual, piles), 1e-12)
    prior = np.diag([PRIOR_SD_DB_PER_DECADE**-2.0, PRIOR_SD_DB_PER_M**-2.0])
    covariance = np.linalg.inv(X.T @ X / variance + prior)
    found = covariance @ (X.T @ y / variance + prior @ np.array([ASSUMED_DB_PER_DECADE, 0.0]))
    errors = np.sqrt(np.diag(covariance))
    energy = EnergyCoefficient(float(found[0]), float(errors[0]), fitted=True)
    entry = _entry(COEFFICIENT, reference_m, "fitted within piles beside the strike energy, with the prior")
    return WithinPiles(energy, entry, float(found[1]), float(errors[1]), float(covariance[0, 1]))


def _entry(coefficient: str | None, reference_m: float | None, reason: str) -> Covariate:
    return Covariate(
        name="penetration_m",
        coefficient=coefficient,
        reference=reference_m,
        prior_sd=PRIOR_SD_DB_PER_M,
        reason=reason,
    )
