"""What a fit's user should know beside its numbers, as flags."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t

from reconcile.spreading.cells import Cells
from reconcile.spreading.laws import Law
from reconcile.spreading.means import Means
from reconcile.spreading.selection import Candidate
from reconcile.vocabulary.quantities import FloatArray

FEW_PILES, FEW_PLACES, NARROW = 10, 4, 2.0
_LEAST_GROUPS = 6  # piles or stations, for anything to be said of what is left of them
_CHANCE = 0.01  # how often a flag of residuals comes up where nothing is wrong


def flags_of(law: Law, means: Means, choice: Candidate, robust: bool) -> tuple[str, ...]:
    """The flags of one fitted law; `robust`: a Student t residual was asked for."""
    cells = means.cells
    heard = cells.heard_range_m
    stated = {
        "not_supported": not choice.supported,
        "censored_rows": cells.n_censored > 0,
        "student_residual": law.student,
        "student_residual_refused": robust and not law.student,
        "few_piles": cells.pile is not None and _count(cells.pile) < FEW_PILES,
        "few_stations": cells.place is not None and _count(cells.place) < FEW_PLACES,
        "two_ranges": choice.two_ranges,
        "narrow_ranges": float(heard.max()) < NARROW * float(heard.min()),
        "energy_coefficient_assumed": not means.energy.fitted,
        "level_rises_with_range": choice.rises,
        "place_and_chain_not_told_apart": _one_chain_each(cells),
        "one_station_decides": law.one_station_decides,
        "residuals_follow_energy": _follow(law.residual_db, cells.pile, cells.log_energy, cells),
        "residuals_follow_time": _follow(law.residual_db, cells.pile, cells.order, cells),
        "residuals_curved": _curved(law.residual_db, cells),
    }
    return tuple(name for name, true in stated.items() if true)


def _one_chain_each(cells: Cells) -> bool:
    """Whether every place kept one chain and every chain one place: then their effects are one."""
    if cells.place is None or cells.system is None:
        return False
    pairs = set(zip(cells.place.tolist(), cells.system.tolist(), strict=True))
    return len(pairs) == _count(cells.place) == _count(cells.system)


def _group_means(values: FloatArray, labels: NDArray[np.object_]) -> FloatArray:
    codes = np.unique(labels.astype(str), return_inverse=True)[1]
    return np.asarray(np.bincount(codes, values) / np.bincount(codes))


def _follow(residual: FloatArray, labels: NDArray[np.object_] | None, values: FloatArray, cells: Cells) -> bool:
    """Whether group means of the residuals of the heard cells follow those of some values, beyond chance."""
    if labels is None or _count(labels[cells.heard]) < _LEAST_GROUPS:
        return False
    heard = labels[cells.heard]
    x, y = (_group_means(part, heard) for part in (values[cells.heard], residual))
    return _significant(y, np.stack([np.ones_like(x), x], axis=1))


def _curved(residual: FloatArray, cells: Cells) -> bool:
    """Whether the means of the places bend with range, beyond what a line in log range and chance give."""
    if cells.place is None or _count(cells.place[cells.heard]) < _LEAST_GROUPS:
        return False
    heard = cells.place[cells.heard]
    x, y = (_group_means(part, heard) for part in (np.log10(cells.heard_range_m), residual))
    x = x - x.mean()
    return _significant(y, np.stack([np.ones_like(x), x, x**2], axis=1))


def _significant(y: FloatArray, X: FloatArray) -> bool:
    """Whether the last coefficient of a least squares fit differs from zero (two-sided, at the chance stated)."""
    n, p = X.shape
    if np.linalg.matrix_rank(X) < p:
        return False
    coefficients = np.linalg.lstsq(X, y, rcond=None)[0]
    residual = y - X @ coefficients
    variance = float(residual @ residual) / (n - p) * float(np.linalg.inv(X.T @ X)[-1, -1])
    if variance <= 0:
        return False
    most = float(student_t.ppf(1.0 - _CHANCE / 2.0, n - p)) * math.sqrt(variance)
    return abs(float(coefficients[-1])) > most


def _count(labels: object) -> int:
    return len(set(np.asarray(labels).tolist()))
