"""How the level rises with strike energy, from strikes of the same pile alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.spreading.cells import CellIndex
from reconcile.vocabulary.quantities import FloatArray

ASSUMED_DB_PER_DECADE = 10.0  # radiated energy in proportion to hammer energy
PRIOR_SD_DB_PER_DECADE = 3.0
LEAST_SPREAD = 0.05  # standard deviation of log10 energy within piles: 12 % of the energy
LEAST_STRIKES = 20
MOST_CORRELATION = 0.95


@dataclass(frozen=True, slots=True)
class EnergyCoefficient:
    """Decibels per decade of strike energy; `fitted` False where it is assumed, with standard error 0."""

    value: float = ASSUMED_DB_PER_DECADE
    standard_error: float = 0.0
    fitted: bool = False


def energy_coefficient(
    level_db: FloatArray,
    log_energy: FloatArray,
    used: NDArray[np.bool_],
    index: CellIndex,
    strike: NDArray[np.intp],
    pile: NDArray[np.intp],
) -> EnergyCoefficient:
    """The coefficient within piles, combined with the prior 10 ± 3 dB per decade by inverse variances.

    Levels and energies are centred on their pile and station; what a strike then has in common at all stations is one
    observation. Its standard error is widened for the serial correlation of consecutive strikes by (1 + r)/(1 - r).
    `strike` numbers the strikes in order of time, `pile` the piles; only rows that are `used` and have an energy count.
    """
    rows = used & np.isfinite(log_energy)
    if int(rows.sum()) < LEAST_STRIKES:
        return EnergyCoefficient()
    (y, x), piles = strike_values((level_db, log_energy), rows, index, strike, pile)
    free = y.size - np.unique(piles).size - 1
    squares = float(x @ x)
    if y.size < LEAST_STRIKES or free < 1 or np.sqrt(squares / y.size) < LEAST_SPREAD:
        return EnergyCoefficient()
    slope = float(x @ y) / squares
    residual = y - slope * x
    variance = float(residual @ residual) / free / squares * serial_factor(residual, piles)
    precision, prior = 1.0 / max(variance, 1e-12), 1.0 / PRIOR_SD_DB_PER_DECADE**2
    value = (slope * precision + ASSUMED_DB_PER_DECADE * prior) / (precision + prior)
    return EnergyCoefficient(value, float(1.0 / np.sqrt(precision + prior)), fitted=True)


def strike_values(
    values: tuple[FloatArray, ...],
    rows: NDArray[np.bool_],
    index: CellIndex,
    strike: NDArray[np.intp],
    pile: NDArray[np.intp],
) -> tuple[list[FloatArray], NDArray[np.intp]]:
    """Some values of the strikes in `rows`, centred on pile and station, averaged over the stations of each strike.

    Beside them the pile of each strike.
    """
    number = strike[rows]  # from 0 on without many gaps, so that counting does what sorting would
    heard = np.bincount(number)
    there = heard > 0
    means = [np.asarray(np.bincount(number, _centred(v, rows, index)[rows])[there] / heard[there]) for v in values]
    of_strike = np.zeros(heard.size, dtype=np.intp)
    of_strike[number[::-1]] = pile[rows][::-1]  # that of the first row of each
    return means, of_strike[there]


def _centred(values: FloatArray, rows: NDArray[np.bool_], index: CellIndex) -> FloatArray:
    kept = np.where(rows, values, 0.0)
    count = np.maximum(index.total(rows), 1.0)
    return np.asarray(kept - (index.total(kept) / count)[index.code])


def serial_factor(residual: FloatArray, piles: NDArray[np.intp]) -> float:
    """Inflation of a variance by the serial correlation of neighbours in one pile."""
    correlation = serial_correlation(residual, piles)
    return (1.0 + correlation) / (1.0 - correlation)


def serial_correlation(residual: FloatArray, series: NDArray[np.intp]) -> float:
    """First-order serial correlation of residuals, from neighbours within each series; between 0 and 0.95.

    Residuals of one series stand in order of time; those of several may be interleaved.
    """
    small = series.size > 0 and int(series.max()) < 2**16  # such are sorted by counting
    order = np.argsort(series.astype(np.uint16) if small else series, kind="stable")
    values, labels = residual[order], series[order]
    same = labels[1:] == labels[:-1]
    whole = float(values @ values)
    if whole <= 0 or not same.any():
        return 0.0
    correlation = float(np.sum(values[1:][same] * values[:-1][same])) / whole
    return min(max(correlation, 0.0), MOST_CORRELATION)
