"""The difference between two abatement states, from all strikes of both: a mixed model with censored levels.

    level = a - N·lg(R/R_ref) - loss·[abated] + pile + receiver + chain + rest

The loss itself differs from pile to pile and from place to place, beside its mean.
What the two states share (a pile, a receiver, a chain) cancels, and only as far as they share it: with one pile
without abatement the difference is as uncertain as piles differ. Levels are at one strike energy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.inference import Estimate, Prior, shared_covariance
from reconcile.inference.censored import fit_limited
from reconcile.inference.mixed import LinearFit, Structure, indicator, structure
from reconcile.spreading.cells import LEAST_RESIDUAL_SD_DB, PILE_PRIOR, SPREAD_PRIOR, Cells
from reconcile.spreading.energy import PRIOR_SD_DB_PER_DECADE
from reconcile.spreading.fitting import distinct_ranges
from reconcile.spreading.means import CodedStrikes, Means, strike_means
from reconcile.vocabulary.quantities import FloatArray

LEAST_PILE_SD_DB = 1.5  # piles of one field are not alike to better than this, whatever a few of them show
# What an abatement does differs less from pile to pile than piles do. Worth two piles; own choice, no published source.
LOSS_BETWEEN_PILES_PRIOR = Prior(standard_deviation=1.0, worth=2.0)
ASSUMED_SPREADING_DB_PER_DECADE, SPREADING_SD_DB_PER_DECADE = 15.0, 5.0  # where ranges do not tell the slope
_SLOPE_RANGES, _SLOPE_FACTOR = 3, 2.0  # distinct ranges, and the factor they must span, for a slope of its own
_LEAST_KNOWN_SHARE = 0.1  # of the levels of a state: with fewer known the loss is a bound


@dataclass(frozen=True, slots=True)
class StateLevels:
    """Levels of strikes in two states: bounds in dB, cells whose labels have `abated`, and which strikes are abated."""

    lowest_db: FloatArray
    highest_db: FloatArray
    coded: CodedStrikes
    abated: NDArray[np.bool_]

    @property
    def used(self) -> NDArray[np.bool_]:
        """Of which something is known."""
        limited = (self.lowest_db < self.highest_db) & (np.isfinite(self.lowest_db) | np.isfinite(self.highest_db))
        return np.asarray((self.known | limited) & np.isfinite(self.coded.range_m))

    @property
    def known(self) -> NDArray[np.bool_]:
        """Whose level itself is known."""
        return np.asarray(np.isfinite(self.lowest_db) & (self.lowest_db == self.highest_db))


@dataclass(frozen=True, slots=True)
class StateContrast:
    """The loss between two states, in dB. `censoring` is none, at_least or at_most."""

    loss: Estimate
    censoring: str
    energy_shift_db: float
    energy_uncertainty_db: float
    energy_assumed: bool
    spread_between_piles_db: float
    slope_assumed: bool

    @property
    def interval_95_db(self) -> tuple[float, float]:
        """Its ends; NaN on the side on which nothing is known."""
        low, high = self.loss.interval()
        return (math.nan if self.censoring == "at_most" else low, math.nan if self.censoring == "at_least" else high)


def state_contrast(levels: StateLevels, reference_range_m: float) -> StateContrast | None:
    """The loss that a state brings, or None where one of the states has no level that says anything."""
    bounded = _bounded(levels)
    if bounded is None:
        return None
    levels, censoring = bounded
    with_slope = _slope_fitted(levels)
    if not with_slope:
        shift = ASSUMED_SPREADING_DB_PER_DECADE * np.log10(levels.coded.range_m / reference_range_m)
        levels = replace(levels, lowest_db=levels.lowest_db + shift, highest_db=levels.highest_db + shift)
    means = strike_means(levels.lowest_db, levels.highest_db, levels.coded)
    cells = means.cells
    abated = cells.labels["abated"].to_numpy(bool)
    decades = np.log10(cells.range_m / reference_range_m)
    columns = [np.ones(cells.n), -abated.astype(np.float64)] + ([-decades] if with_slope else [])
    X = np.stack(columns, axis=1)
    if np.linalg.matrix_rank(X[cells.heard]) < X.shape[1]:
        return None
    return _contrast(means, _fitted(cells, X), None if with_slope else decades, censoring)


def _contrast(means: Means, fitted: _Fitted, decades: FloatArray | None, censoring: str) -> StateContrast:
    """`decades` are those of the ranges where their slope is assumed."""
    row = _loss_row(fitted.linear.coefficients.size)
    weights = row @ fitted.linear.weights
    energies = float(weights @ means.cells.log_energy)
    error = means.energy.standard_error if means.energy.fitted else PRIOR_SD_DB_PER_DECADE
    of_energy = error * abs(energies)
    of_slope = 0.0 if decades is None else SPREADING_SD_DB_PER_DECADE * float(weights @ decades)
    loss = fitted.linear.contrast(row, of_energy**2 + of_slope**2)
    degrees = min(loss.degrees_of_freedom, fitted.most_degrees_of_freedom)
    return StateContrast(
        loss=replace(loss, degrees_of_freedom=degrees),
        censoring=censoring,
        energy_shift_db=means.energy.value * energies,
        energy_uncertainty_db=of_energy,
        energy_assumed=not means.energy.fitted,
        spread_between_piles_db=fitted.pile_sd_db,
        slope_assumed=decades is not None,
    )


def _slope_fitted(levels: StateLevels) -> bool:
    ranges = levels.coded.range_m[levels.known]
    enough = ranges.size and distinct_ranges(ranges) >= _SLOPE_RANGES
    return bool(enough and ranges.max() >= _SLOPE_FACTOR * ranges.min())


def _bounded(levels: StateLevels) -> tuple[StateLevels, str] | None:
    """The levels with limits in the place of levels where hardly one is known, and what the loss then is.

    Limits that hide the abated sound, or clipped unabated sound, make the loss at least what it comes to; the
    reverse makes it at most that. None where neither holds, or a state has nothing.
    """
    lowest, highest = levels.lowest_db.copy(), levels.highest_db.copy()
    bounds = set()
    for abated in (False, True):
        own = levels.used & (levels.abated == abated)
        if not own.any():
            return None
        if float(np.mean(levels.known[own])) >= _LEAST_KNOWN_SHARE:
            continue
        hidden, clipped = own & np.isneginf(lowest), own & np.isposinf(highest)
        if clipped.any() and hidden.any():
            return None
        lowest[hidden], highest[clipped] = highest[hidden], lowest[clipped]
        bounds.add("at_least" if hidden.any() == abated else "at_most")
    if len(bounds) > 1:
        return None
    return replace(levels, lowest_db=lowest, highest_db=highest), bounds.pop() if bounds else "none"


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The model, the standard deviation between piles that it uses, and most degrees of freedom of the loss."""

    linear: LinearFit
    pile_sd_db: float
    most_degrees_of_freedom: float


def _fitted(cells: Cells, X: FloatArray) -> _Fitted:
    """The model with its components as estimated, or with the least spread between piles held where less was found.

    To hold a spread is not to know it: the degrees of freedom are then no more than those of the estimate.
    """
    layout = _structure(cells)
    linear = fit_limited(cells.groups, X, layout).linear
    pile_sd_db = math.sqrt(linear.variance("pile"))
    if pile_sd_db >= LEAST_PILE_SD_DB:
        return _Fitted(linear, pile_sd_db, math.inf)
    degrees = linear.contrast(_loss_row(X.shape[1])).degrees_of_freedom
    least = LEAST_PILE_SD_DB**2 * layout.kernels[layout.names.index("pile")]
    layout = layout.without("pile")
    held = fit_limited(cells.groups, X, replace(layout, known=layout.known + least)).linear
    return _Fitted(held, LEAST_PILE_SD_DB, degrees)


def _loss_row(size: int) -> FloatArray:
    return np.asarray(np.arange(size) == 1, dtype=np.float64)


def _structure(cells: Cells) -> Structure:
    """What cells share: pile, receiver, chain; and the loss itself from pile to pile and from place to place."""
    labels = cells.labels
    receiver = labels["mooring_id"] + "\n" + labels["station_id"]
    groups: dict[str, list[object]] = {"pile": labels["pile_id"].tolist()}
    if receiver.nunique() > 1:
        groups["place"] = receiver.tolist()
    known = np.diag(np.full(cells.n, LEAST_RESIDUAL_SD_DB**2))
    chain_sd_db = labels["chain_sd_db"].to_numpy(np.float64)
    known = known + shared_covariance(labels["system_id"].tolist(), chain_sd_db)
    layout = structure(groups, known, {"pile": PILE_PRIOR, "place": SPREAD_PRIOR})
    for column, prior in (("pile_id", LOSS_BETWEEN_PILES_PRIOR), ("mooring_id", SPREAD_PRIOR)):
        if paired(labels, column) and labels[column].nunique() > 1:
            layout = _with_loss(layout, labels, column, prior)
    return layout


def _with_loss(layout: Structure, labels: pd.DataFrame, column: str, prior: Prior) -> Structure:
    """The structure with a loss of its own in each pile or place: an effect that abated cells alone have.

    Where piles are in one state each this could not be told from what differs between piles anyway.
    """
    own = indicator(labels[column].tolist()) * labels["abated"].to_numpy(np.float64)[:, None]
    own = own[:, own.any(axis=0)]
    return Structure(
        names=(*layout.names, f"loss by {column}"),
        indicators=(*layout.indicators, own),
        kernels=(*layout.kernels, own @ own.T),
        priors=(*layout.priors, prior),
        known=layout.known,
    )


def paired(labels: pd.DataFrame, column: str) -> int:
    """How many piles (or places) there are in both states."""
    return int((labels.groupby(column)["abated"].nunique() == 2).sum())
