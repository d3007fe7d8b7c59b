"""From strikes to pile-station means at one strike energy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.spreading.cells import CellIndex, Cells
from reconcile.spreading.energy import EnergyCoefficient, energy_coefficient
from reconcile.vocabulary.quantities import FloatArray


@dataclass(frozen=True, slots=True)
class CodedStrikes:
    """The strikes of one group in order of time, coded once for all quantities; a value for each strike and station."""

    index: CellIndex
    range_m: FloatArray
    log_energy: FloatArray  # log10 of energy over the reference energy; NaN where not known
    reference_energy_kj: float | None  # the median energy; None where none is known
    strike: NDArray[np.intp]
    pile: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Means:
    """Pile-station means of one level, and what the strikes behind them say beside.

    `strike_sd_db` is the spread within a pile and station at one energy, `strike_sd_as_recorded_db` that with the
    energies as they were; `level_as_recorded_offset_db` is mean level as recorded less mean level at the reference
    energy.
    """

    cells: Cells
    energy: EnergyCoefficient
    reference_energy_kj: float | None
    strike_sd_db: float
    strike_sd_as_recorded_db: float
    level_as_recorded_offset_db: float


def code_strikes(
    index: CellIndex, range_m: FloatArray, energy_kj: FloatArray, strike: pd.Series, pile: pd.Series
) -> CodedStrikes:
    """Number strikes and piles, and bring energies to decades over their median."""
    known = np.isfinite(energy_kj) & (np.nan_to_num(energy_kj) > 0)
    reference = float(np.median(energy_kj[known])) if known.any() else None
    log_energy = np.full(energy_kj.size, np.nan)
    if reference is not None:
        log_energy[known] = np.log10(energy_kj[known] / reference)
    numbers = (np.asarray(pd.factorize(labels)[0], dtype=np.intp) for labels in (strike, pile))
    return CodedStrikes(index, range_m, log_energy, reference, *numbers)


def strike_means(level_db: FloatArray, known: NDArray[np.bool_], coded: CodedStrikes) -> Means:
    """Means over the strikes whose level is `known`.

    In a cell where some strikes have energies, those alone are used: only they can be brought to one energy.
    """
    index = coded.index
    used = known & np.isfinite(coded.range_m)
    with_energy = used & np.isfinite(coded.log_energy)
    used = np.where(index.total(with_energy)[index.code] > 0, with_energy, used)
    coefficient = EnergyCoefficient()
    if coded.reference_energy_kj is not None:
        coefficient = energy_coefficient(level_db, coded.log_energy, used, index, coded.strike, coded.pile)
    log_energy = np.where(np.isfinite(coded.log_energy), coded.log_energy, 0.0)
    level = np.where(used, level_db, 0.0)
    spread, strike_sd = _within(level - coefficient.value * log_energy, used, index)
    cells = _cells(index, used, level, log_energy, coded.range_m, np.where(index.total(used) > 1, spread, strike_sd**2))
    return Means(
        cells=cells,
        energy=coefficient,
        reference_energy_kj=coded.reference_energy_kj,
        strike_sd_db=strike_sd,
        strike_sd_as_recorded_db=_within(level, used, index)[1],
        level_as_recorded_offset_db=coefficient.value * float(np.mean(cells.log_energy)) if cells.n else 0.0,
    )


def _within(values: FloatArray, used: NDArray[np.bool_], index: CellIndex) -> tuple[FloatArray, float]:
    """Variance of the used values within each cell (n - 1), and the standard deviation pooled over the cells."""
    count = index.total(used)
    mean = index.total(values * used) / np.maximum(count, 1.0)
    squares = index.total(((values - mean[index.code]) * used) ** 2)
    free = np.maximum(count - 1.0, 0.0)
    whole = float(free.sum())
    return squares / np.maximum(free, 1.0), float(np.sqrt(squares.sum() / whole)) if whole > 0 else 0.0


def _cells(
    index: CellIndex,
    used: NDArray[np.bool_],
    level: FloatArray,
    log_energy: FloatArray,
    range_m: FloatArray,
    variance: FloatArray,
) -> Cells:
    count = index.total(used)
    kept = count > 0
    labels = index.labels[kept]

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(index.total(np.where(used, values, 0.0))[kept] / count[kept])

    def column(name: str) -> NDArray[np.object_] | None:
        return labels[name].to_numpy(object) if name in labels.columns else None

    chain = labels["chain_sd_db"].to_numpy(np.float64) if "chain_sd_db" in labels.columns else None
    nearest = np.full(index.n, np.inf)
    np.minimum.at(nearest, index.code[used], range_m[used])
    decades = np.log10(np.where(used, range_m, 1.0) / np.where(used, nearest[index.code], 1.0))
    return Cells(
        range_m=nearest[kept] * 10.0 ** mean(decades),  # a range that is the same for all strikes keeps its digits
        level_db=mean(level),
        variance_of_mean=variance[kept] / count[kept],
        log_energy=mean(log_energy),
        n_strikes=count[kept].astype(np.intp),
        pile=column("pile_id"),
        place=column("mooring_id"),
        system=column("system_id"),
        chain_sd_db=chain,
    )
