"""What the level may depend on beside range and energy: pile diameter across piles, hydrophone depth across cells.

Each enters as a coefficient with a normal prior about zero (Bayesian generalised least squares, the same as a random
slope of known variance): `known` of the covariance gains prior_sd² z z', with z the cells' distance from the reference.
So the coefficients of the law are told as far as the covariate leaves them open, whatever the data say of it.
Where the data cannot carry one it is left out, and the reason is said.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.station_periods import period_numbers, station_periods
from reconcile.inference import Structure
from reconcile.spreading.cell_fits import CellFit
from reconcile.spreading.cells import Cells
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import Covariate
from reconcile.vocabulary.quantities import FloatArray

DIAMETER_PRIOR_SD_DB_PER_DECADE = 20.0  # energy per length goes with circumference, or its square: 10 or 20
DEPTH_PRIOR_SD_DB_PER_M = 0.2  # 2 dB over ten metres
LEAST_PILES, LEAST_DIAMETERS, LEAST_PLACES, LEAST_DEPTHS = 6, 3, 6, 3
LEAST_LOG_SPREAD, LEAST_DEPTH_SPREAD_M = 0.03, 2.0  # standard deviations: 7 % of the diameter, 2 m
MOST_CORRELATION = 0.9  # with the logarithm of range (depth), or with the mean energy of piles (diameter)

_Name = Literal["pile_diameter_m", "hydrophone_depth_m"]
COEFFICIENTS: dict[_Name, str] = {
    "pile_diameter_m": "pile_diameter_coefficient_db_per_decade",
    "hydrophone_depth_m": "hydrophone_depth_coefficient_db_per_m",
}


@dataclass(frozen=True, slots=True)
class CellCovariate:
    """A covariate of the cells: how far each lies from the reference (decades of diameter, metres of depth)."""

    entry: Covariate
    offset: FloatArray | None  # None where the data do not carry it


@dataclass(frozen=True, slots=True)
class Slope:
    """The coefficient of a covariate, and the covariance of its error with those of the coefficients of the law."""

    value: float
    with_law: FloatArray
    weights: FloatArray  # (used cells,): value = weights @ response
    offset: FloatArray  # (used cells,)
    prior_sd: float

    def covariance_with(self, other: Slope) -> float:
        """Of the errors of two slopes; with itself the variance."""
        own = self.prior_sd**2 if other is self else 0.0
        return own - other.prior_sd**2 * float(self.weights @ other.offset)


def hydrophone_depth_m(campaign: Campaign, station_ids: NDArray[np.object_], time_us: NDArray[np.int64]) -> FloatArray:
    """Depth of the hydrophone of each of some stations at some times; NaN where it is not stated."""
    found = np.full(len(station_ids), np.nan)
    for station in campaign.stations:
        rows = np.flatnonzero(station_ids == station.id)
        if rows.size:
            periods = station_periods(campaign, station.id)
            depths = np.array([np.nan if p.hydrophone_depth_m is None else p.hydrophone_depth_m for p in periods])
            found[rows] = depths[period_numbers(periods, time_us[rows])]
    return found


def cell_covariates(cells: Cells) -> tuple[CellCovariate, ...]:
    """Both covariates, those that the data do not carry with the reason."""
    return (
        _covariate("pile_diameter_m", DIAMETER_PRIOR_SD_DB_PER_DECADE, cells, _diameter_objection, np.log10),
        _covariate("hydrophone_depth_m", DEPTH_PRIOR_SD_DB_PER_M, cells, _depth_objection, np.asarray),
    )


def _covariate(
    name: _Name,
    prior_sd: float,
    cells: Cells,
    objection: Callable[[Cells, FloatArray], str | None],
    scale: Callable[[FloatArray], FloatArray],
) -> CellCovariate:
    """A covariate about the median over the cells."""
    column = name.removeprefix("pile_")
    if column not in cells.labels.columns or not len(cells.labels):
        return CellCovariate(_entry(name, None, prior_sd, "it is not known"), None)
    values = cells.labels[column].to_numpy(np.float64)
    if np.isnan(values).any():
        return CellCovariate(_entry(name, None, prior_sd, "it is not known of all"), None)
    reference, against = float(np.median(values)), objection(cells, values)
    if against:
        return CellCovariate(_entry(name, reference, prior_sd, against), None)
    basis = "across piles" if name == "pile_diameter_m" else "across places and depths"
    entry = _entry(name, reference, prior_sd, f"fitted {basis}, with the prior")
    carried = entry.model_copy(update={"coefficient": COEFFICIENTS[name]})
    return CellCovariate(carried, np.asarray(scale(values) - scale(np.array(reference))))


def _entry(name: _Name, reference: float | None, prior_sd: float, reason: str) -> Covariate:
    return Covariate(name=name, coefficient=None, reference=reference, prior_sd=prior_sd, reason=reason)


def _diameter_objection(cells: Cells, diameter_m: FloatArray) -> str | None:
    """Why the diameter's coefficient cannot be told; None where it can."""
    if cells.pile is None:
        return "piles are not named"
    piles, first = np.unique(cells.pile.astype(str), return_index=True)
    log_diameter = np.log10(diameter_m[first])
    if piles.size < LEAST_PILES:
        return f"piles are fewer than {LEAST_PILES}"
    n_diameters = np.unique(np.round(log_diameter, 2)).size
    if n_diameters < LEAST_DIAMETERS or float(np.std(log_diameter)) < LEAST_LOG_SPREAD:
        return "the diameters are too much alike"
    if _correlation(log_diameter, cells.log_energy[first]) > MOST_CORRELATION:
        return "it goes with the strike energy of the piles"
    return None


def _depth_objection(cells: Cells, depth_m: FloatArray) -> str | None:
    """Why the depth's coefficient cannot be told; None where it can."""
    if cells.place is None:
        return "places are not named"
    places = cells.place.astype(str)
    beside = any(float(np.ptp(depth_m[places == place])) >= LEAST_DEPTH_SPREAD_M for place in np.unique(places))
    if beside:
        return None
    if float(np.std(depth_m)) < LEAST_DEPTH_SPREAD_M:
        return "the depths are too much alike"
    if np.unique(places).size < LEAST_PLACES or np.unique(np.round(depth_m)).size < LEAST_DEPTHS:
        return f"no place with two depths, and fewer than {LEAST_PLACES} places at {LEAST_DEPTHS} depths"
    if _correlation(depth_m, np.log10(cells.range_m)) > MOST_CORRELATION:
        return "it goes with the range"
    return None


def _correlation(x: FloatArray, y: FloatArray) -> float:
    if float(np.std(x)) == 0 or float(np.std(y)) == 0:
        return 0.0
    return abs(float(np.corrcoef(x, y)[0, 1]))


def with_covariates(layout: Structure | None, covariates: tuple[CellCovariate, ...]) -> Structure | None:
    """The covariance of the cells with what the covariates' priors leave open."""
    if layout is None:
        return None
    known = layout.known
    for one in covariates:
        if one.offset is not None:
            known = known + one.entry.prior_sd**2 * np.outer(one.offset, one.offset)
    return replace(layout, known=known)


def slope(fitted: CellFit, covariate: CellCovariate) -> Slope | None:
    """What the cells say of a covariate's coefficient, given its prior and the variances as fitted.

    With P as in restricted likelihood and s the prior's standard deviation the mean is s² z'P y, the variance
    s² - s⁴ z'P z, and the covariance with the coefficients of the law -s² W z (Robinson 1991, Statistical Science 6,
    15-32: the mixed model equations).
    """
    if covariate.offset is None or fitted.V is None:
        return None
    z, inverse, X = covariate.offset[fitted.used], np.linalg.inv(fitted.V), fitted.design
    weighted = inverse @ X
    covariance = np.linalg.inv(X.T @ weighted)
    Pz = inverse @ z - weighted @ (covariance @ (weighted.T @ z))
    weights = covariate.entry.prior_sd**2 * Pz
    with_law = -(covariate.entry.prior_sd**2) * (covariance @ (weighted.T @ z))
    return Slope(float(weights @ fitted.response), np.asarray(with_law), weights, z, covariate.entry.prior_sd)
