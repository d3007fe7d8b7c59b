"""From strikes to what they say of the mean level of each pile at each station, at one strike energy.

Known levels enter by their number and mean, limits (below the background, clipped) one by one; nothing is dropped.
Consecutive strikes are alike: a cell's evidence is that of (1 - r)/(1 + r) times its strikes, with r the correlation
of neighbours (first-order autoregressive; Bayley and Hammersley 1946).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.inference import Groups, Limited, row_scatter
from reconcile.spreading.cells import CellIndex, Cells
from reconcile.spreading.energy import LEAST_STRIKES, EnergyCoefficient, energy_coefficient, serial_correlation
from reconcile.spreading.penetration import WithinPiles, beside_energy, left_out
from reconcile.vocabulary.quantities import FloatArray

LEAST_STRIKE_SD_DB = 1e-3  # of single strikes: levels are not rounded finer
LIMIT_STEP_DB = 0.05
_NO_END = 100_000.0  # steps: beyond any level, where a limit has no other end
_HARDLY = 0.1  # share of limited strikes at which a cell still shows how the level follows the energy


@dataclass(frozen=True, slots=True)
class CodedStrikes:
    """The strikes of one group in order of time, coded once for all quantities; a value for each strike and station."""

    index: CellIndex
    range_m: FloatArray
    log_energy: FloatArray  # log10 of energy over the reference energy; NaN where not known
    reference_energy_kj: float | None  # the median energy; None where none is known
    strike: NDArray[np.intp]
    pile: NDArray[np.intp]
    penetration_m: FloatArray  # beyond the reference; NaN where not known
    reference_penetration_m: float | None  # the median; None where none is known


@dataclass(frozen=True, slots=True)
class Means:
    """What is fitted of one level: the cells, and what the strikes behind them say beside.

    `strike_sd_db` is the spread within a pile and station at one energy, `strike_sd_as_recorded_db` that with the
    energies as they were; `level_as_recorded_offset_db` is mean level as recorded less mean level at the reference
    energy.
    """

    cells: Cells
    within: WithinPiles
    reference_energy_kj: float | None
    strike_sd_db: float
    strike_sd_as_recorded_db: float
    level_as_recorded_offset_db: float
    penetration_m: FloatArray  # mean of each cell beyond the reference; 0 where it has no coefficient

    @property
    def energy(self) -> EnergyCoefficient:
        """How the level rises with strike energy."""
        return self.within.energy


def code_strikes(
    index: CellIndex,
    range_m: FloatArray,
    energy_kj: FloatArray,
    strike: pd.Series,
    pile: pd.Series,
    penetration_m: FloatArray | None = None,
) -> CodedStrikes:
    """Number strikes and piles, bring energies to decades over their median and penetrations to metres beyond it."""
    known = np.isfinite(energy_kj) & (np.nan_to_num(energy_kj) > 0)
    reference = float(np.median(energy_kj[known])) if known.any() else None
    log_energy = np.full(energy_kj.size, np.nan)
    if reference is not None:
        log_energy[known] = np.log10(energy_kj[known] / reference)
    strikes, piles = (np.asarray(pd.factorize(labels)[0], dtype=np.intp) for labels in (strike, pile))
    depth = np.full(energy_kj.size, np.nan) if penetration_m is None else penetration_m
    median = float(np.nanmedian(depth)) if np.isfinite(depth).any() else None
    beyond = depth if median is None else depth - median
    return CodedStrikes(index, range_m, log_energy, reference, strikes, piles, beyond, median)


def strike_means(lowest_db: FloatArray, highest_db: FloatArray, coded: CodedStrikes) -> Means:
    """What the strikes say of each cell's mean level, from the bounds between which each strike's level lies.

    Equal bounds are a known level; -inf below or +inf above is a limit (below the background, clipped); NaN or no
    bound at all says nothing. In a cell where some strikes have energies, those alone are used: only they can be
    brought to one energy.
    """
    index = coded.index
    known = np.isfinite(lowest_db) & (lowest_db == highest_db)
    limited = (lowest_db < highest_db) & (np.isfinite(lowest_db) | np.isfinite(highest_db))
    used = (known | limited) & np.isfinite(coded.range_m)
    with_energy = used & np.isfinite(coded.log_energy)
    used = np.where(index.total(with_energy)[index.code] > 0, with_energy, used)
    known, limited = known & used, limited & used
    level = np.where(known, lowest_db, 0.0)
    within = _within_piles(level, _clear_rows(known, limited, index), coded)
    log_energy, penetration = (np.where(np.isfinite(v), v, 0.0) for v in (coded.log_energy, coded.penetration_m))
    if within.penetration.coefficient is None:
        penetration = np.zeros_like(penetration)
    shift = within.energy.value * log_energy + within.value * penetration
    bounds = (lowest_db, highest_db)
    groups, strike_sd = _groups(bounds, shift, (known, limited), index)
    cells, depths = _cells(groups, known, used, (log_energy, penetration), coded)
    return Means(
        cells=cells,
        within=within,
        reference_energy_kj=coded.reference_energy_kj,
        strike_sd_db=strike_sd,
        strike_sd_as_recorded_db=_groups(bounds, np.zeros_like(shift), (known, limited), index)[1],
        level_as_recorded_offset_db=_mean_over_cells(shift, used, index),
        penetration_m=depths,
    )


def _within_piles(level_db: FloatArray, rows: NDArray[np.bool_], coded: CodedStrikes) -> WithinPiles:
    """How the level follows energy and penetration, from strikes of the same pile."""
    reference = coded.reference_penetration_m
    coded_as = (coded.index, coded.strike, coded.pile)
    if coded.reference_energy_kj is None:
        return left_out(EnergyCoefficient(), reference, "energies are not known")
    alone = energy_coefficient(level_db, coded.log_energy, rows, *coded_as)
    if reference is None:
        return left_out(alone, None, "it is not known")
    return beside_energy(level_db, coded.log_energy, coded.penetration_m, rows, *coded_as, alone, reference)


def _mean_over_cells(values: FloatArray, used: NDArray[np.bool_], index: CellIndex) -> float:
    """Mean over the cells of the means over their used strikes; 0 where there are none."""
    count = index.total(used)
    kept = count > 0
    return float(np.mean(index.total(values * used)[kept] / count[kept])) if kept.any() else 0.0


def _clear_rows(known: NDArray[np.bool_], limited: NDArray[np.bool_], index: CellIndex) -> NDArray[np.bool_]:
    """Known strikes of cells in which hardly a strike is limited: elsewhere the faint or the loud ones are missing."""
    share = index.total(limited) / np.maximum(index.total(known | limited), 1.0)
    for most in (0.0, _HARDLY):
        clear = known & (share <= most)[index.code]
        if int(clear.sum()) >= LEAST_STRIKES:
            break
    return np.asarray(clear)


def _groups(
    bounds: tuple[FloatArray, FloatArray],
    shift: FloatArray,
    kinds: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    index: CellIndex,
) -> tuple[Groups, float]:
    """The strikes less `shift` as groups, and the standard deviation of a strike about its cell's mean."""
    known, limited = kinds
    level = np.where(known, bounds[0] - np.where(known, shift, 0.0), 0.0)
    number = index.total(known)
    mean = index.total(level) / np.maximum(number, 1.0)
    residual = np.where(known, level - mean[index.code], 0.0)
    squares = index.total(residual**2)
    free = np.maximum(number - 1.0, 0.0)
    pooled = float(np.sqrt(squares.sum() / free.sum())) if free.sum() > 0 else 0.0
    limits = _limits(bounds[0][limited] - shift[limited], bounds[1][limited] - shift[limited], index.code[limited])
    if limits.n:
        pooled = row_scatter(number, mean, squares, limits, pooled).row_sd
    cut = np.bincount(limits.group, minlength=index.n) > 0
    own = np.sqrt(squares / np.maximum(free, 1.0))
    row_sd = np.maximum(np.where((number > 1) & ~cut, own, pooled), LEAST_STRIKE_SD_DB)
    correlation = serial_correlation(residual[known], index.code[known])
    worth = np.full(index.n, (1.0 - correlation) / (1.0 + correlation))
    total = number + np.bincount(limits.group, limits.count, minlength=index.n)
    worth = np.maximum(worth, np.minimum(1.0 / np.maximum(total, 1.0), 1.0))
    return Groups(number, mean, row_sd, worth, limits), pooled


def _limits(low: FloatArray, high: FloatArray, code: NDArray[np.intp]) -> Limited:
    """Limits of single strikes, those of one cell within a twentieth of a decibel counted together."""
    ends = [np.round(end / LIMIT_STEP_DB) for end in (low, high)]
    known = [np.where(np.isfinite(end), end, _NO_END * np.sign(end)).astype(np.int64) for end in ends]
    keys, (spans, starts) = code.astype(np.int64), ([], [])
    for end in known:  # one whole number for cell, low and high, which sorts as they do
        starts.append(int(end.min(initial=0)))
        spans.append(int(end.max(initial=0)) - starts[-1] + 1)
        keys = keys * spans[-1] + (end - starts[-1])
    _, first, count = np.unique(keys, return_index=True, return_counts=True)
    return Limited(
        code[first], ends[0][first] * LIMIT_STEP_DB, ends[1][first] * LIMIT_STEP_DB, count.astype(np.float64)
    )


def _cells(
    groups: Groups,
    known: NDArray[np.bool_],
    used: NDArray[np.bool_],
    conditions: tuple[FloatArray, FloatArray],
    coded: CodedStrikes,
) -> tuple[Cells, FloatArray]:
    """The cells that have strikes, with means over the known ones where there are any; and their mean penetration."""
    index = coded.index
    counted = used & (known | (groups.number == 0)[index.code])
    count = index.total(counted)
    kept = count > 0
    labels = index.labels[kept]

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(index.total(np.where(counted, values, 0.0))[kept] / count[kept])

    def column(name: str) -> NDArray[np.object_] | None:
        return labels[name].to_numpy(object) if name in labels.columns else None

    chain = labels["chain_sd_db"].to_numpy(np.float64) if "chain_sd_db" in labels.columns else None
    nearest = np.full(index.n, np.inf)
    np.minimum.at(nearest, index.code[counted], coded.range_m[counted])
    decades = np.log10(np.where(counted, coded.range_m, 1.0) / np.where(counted, nearest[index.code], 1.0))
    place, limited = np.cumsum(kept) - 1, groups.limited
    log_energy, penetration_m = (mean(values) for values in conditions)
    cells = Cells(
        range_m=nearest[kept] * 10.0 ** mean(decades),  # a range that is the same for all strikes keeps its digits
        groups=Groups(
            groups.number[kept],
            groups.mean[kept],
            groups.row_sd[kept],
            groups.worth[kept],
            Limited(np.asarray(place[limited.group], dtype=np.intp), limited.low, limited.high, limited.count),
        ),
        log_energy=log_energy,
        n_strikes=index.total(used)[kept].astype(np.intp),
        pile=column("pile_id"),
        place=column("mooring_id"),
        system=column("system_id"),
        chain_sd_db=chain,
        order=mean(coded.strike.astype(np.float64)),
        repeated=bool((groups.number > 1).any()),
        labels=labels.reset_index(drop=True),
    )
    return cells, penetration_m
