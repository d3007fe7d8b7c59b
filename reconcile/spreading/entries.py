"""From a fitted law to its entry in `fit.json`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from reconcile.inference import LinearFit, half_width_factors
from reconcile.inference.intervals import effective_degrees_of_freedom
from reconcile.inference.mixed import RESIDUAL
from reconcile.spreading.bottom_loss import bottom_loss
from reconcile.spreading.cells import LEAST_RESIDUAL_SD_DB, Cells
from reconcile.spreading.covariates import CellCovariate, Slope, slope
from reconcile.spreading.diagnostics import flags_of
from reconcile.spreading.laws import FITTED, Law
from reconcile.spreading.means import Means
from reconcile.spreading.selection import Candidate
from reconcile.spreading.subject import Subject
from reconcile.vocabulary.documents.fit import (
    Coefficient,
    Covariance,
    Fit,
    FitCoefficients,
    Influence,
    IntervalBasis,
    ModelName,
    SmallSample,
)
from reconcile.vocabulary.quantities import FloatArray

NAMES = (
    "level_at_reference_db",
    "spreading_coefficient_db_per_decade",
    "attenuation_db_per_km",
    "energy_coefficient_db_per_decade",
)
_TWO_REGIMES = ("further_spreading_db_per_decade", "transition_log10_range")  # after those, where they are fitted
_ENERGY = 3  # place of the energy coefficient

_INTERVALS = {
    False: "no limits: degrees of freedom of the restricted likelihood",
    True: "with limits: degrees of freedom of the normal observations that the limits stand for, an approximation",
}

_Slopes = Sequence[tuple[str, Slope]]  # of the covariates of the cells, by name of the coefficient


def document_entry(
    law: Law,
    means: Means,
    subject: Subject,
    choices: Mapping[ModelName, Candidate],
    covariates: Sequence[CellCovariate],
) -> Fit:
    """The entry of one law among its rivals."""
    cells, linear, choice = means.cells, law.linear, choices[law.model]
    found = [(one.entry.coefficient, slope(law.fitted, one)) for one in covariates]
    slopes = [(name, one) for name, one in found if name and one]
    covariance = _covariance(law, means, subject.common_uncertainty_db, slopes)
    names, values = _named_values(law, means, slopes)
    errors = np.sqrt(np.diag(covariance)).tolist()
    coefficients = {
        name: Coefficient(value=value, standard_error=error)
        for name, value, error in zip(names, values, errors, strict=True)
    }
    small = small_sample(linear, FITTED[law.model], len(names) - 1)
    heard = cells.heard_range_m
    return Fit(
        quantity=subject.quantity,
        weighting=subject.weighting,
        band_hz=subject.band_hz,
        installation_method=subject.installation_method,
        foundation_type=subject.foundation_type,
        abatement=subject.abatement,
        model=law.model,
        selected=choice.selected,
        reference_range_m=subject.reference_range_m,
        coefficients=FitCoefficients(**coefficients),
        covariance=Covariance(names=names, matrix=_rows(covariance)),
        **_spreads(linear, cells),
        reference_energy_kj=means.reference_energy_kj,
        n_observations=cells.n,
        n_censored=cells.n_censored,
        n_piles=_count(cells.pile),
        n_stations=_count(cells.place),
        range_min_m=float(heard.min()),
        range_max_m=float(heard.max()),
        flags=flags_of(law, means, choice, subject.robust),
        n_strikes=int(cells.n_strikes.sum()),
        common_uncertainty_db=subject.common_uncertainty_db,
        strike_sd_db=means.strike_sd_db,
        strike_sd_as_recorded_db=means.strike_sd_as_recorded_db,
        level_as_recorded_offset_db=means.level_as_recorded_offset_db,
        aicc=choice.aicc,
        left_out_station_db=law.left_out_station_db,
        left_out_pile_db=law.left_out_pile_db,
        absorption_db_per_km=law.absorption_db_per_km,
        water_depth_m=subject.water_depth_m,
        coefficient_intervals_95=_intervals(names, values, covariance, small) | _by_profile(law),
        chosen_because=choice.reason if choice.selected else None,
        not_chosen_because=None if choice.selected else choice.reason,
        small_sample=small,
        covariates=(means.within.penetration, *(one.entry for one in covariates)),
        sea_water=subject.sea_water,
        bottom_loss=bottom_loss(law, subject, float(covariance[2, 2])),
        influence=_influence(law),
        intervals_by=IntervalBasis(method="satterthwaite", reason=_INTERVALS[cells.n_censored > 0]),
    )


def _spreads(linear: LinearFit, cells: Cells) -> dict[str, float]:
    chain = cells.chain_sd_db
    least = LEAST_RESIDUAL_SD_DB**2 if linear.names != (RESIDUAL,) else 0.0
    return {
        "residual_sd_db": math.sqrt(linear.variance(RESIDUAL) + least),
        "pile_sd_db": math.sqrt(linear.variance("pile")),
        "system_sd_db": math.sqrt(linear.variance("system") if chain is None else float(np.mean(chain**2))),
        "station_sd_db": math.sqrt(linear.variance("place")),
    }


def _named_values(law: Law, means: Means, slopes: _Slopes) -> tuple[tuple[str, ...], tuple[float, ...]]:
    """Names and values of the coefficients, in the order of the covariance."""
    further = [(name, one.value) for name, one in slopes]
    if means.within.penetration.coefficient:
        further.insert(0, (means.within.penetration.coefficient, means.within.value))
    if law.transition_log10_range is not None:
        regimes = (law.further_spreading_db_per_decade, law.transition_log10_range)
        further = [*zip(_TWO_REGIMES, regimes, strict=True), *further]
    values = (
        float(law.linear.coefficients[0]),
        law.spreading_db_per_decade,
        law.attenuation_db_per_km + law.absorption_db_per_km,
        means.energy.value,
    )
    return NAMES + tuple(name for name, _ in further), values + tuple(value for _, value in further)


def _covariance(law: Law, means: Means, common_uncertainty_db: float, slopes: _Slopes) -> FloatArray:
    """Covariance of all coefficients: the fit's, what all chains share, and those of energy and penetration.

    An error of these two moves the cells' levels by what their mean strike differs from the reference.
    """
    within = means.within
    fitted = [place + (place >= _ENERGY) for place in FITTED[law.model]]
    penetration = len(NAMES) if law.transition_log10_range is None else len(NAMES) + len(_TWO_REGIMES)
    first = penetration + (within.penetration.coefficient is not None)
    covariance = np.zeros((first + len(slopes), first + len(slopes)))
    covariance[np.ix_(fitted, fitted)] = law.linear.covariance
    covariance[0, 0] += common_uncertainty_db**2
    moved = np.zeros((2, first + len(slopes)))
    for row, offset in enumerate((means.cells.log_energy, means.penetration_m)):
        moved[row, fitted] = -law.linear.weights @ offset
        moved[row, first:] = [-one.weights @ offset[law.fitted.used] for _, one in slopes]
    moved[0, _ENERGY] = 1.0
    if first > penetration:
        moved[1, penetration] = 1.0
    for place, (_, one) in enumerate(slopes, first):
        covariance[fitted, place] = covariance[place, fitted] = one.with_law
        for beside, (_, other) in enumerate(slopes, first):
            covariance[place, beside] = one.covariance_with(other)
    of_both = np.diag([within.energy.standard_error**2, within.standard_error**2])
    of_both[0, 1] = of_both[1, 0] = within.covariance
    return np.asarray(covariance + moved.T @ of_both @ moved)


def small_sample(fit: LinearFit, places: tuple[int, ...], size: int) -> SmallSample:
    """The document's part for intervals, with the fitted coefficients at their `places` among `size`."""
    gradients = np.zeros((len(fit.names), size, size))
    gradients[np.ix_(range(len(fit.names)), places, places)] = fit.gradients
    return SmallSample(
        components=fit.names,
        gradients=tuple(_rows(g) for g in gradients),
        covariance=_rows(fit.covariance_of_variances),
    )


def _intervals(
    names: tuple[str, ...], values: tuple[float, ...], covariance: FloatArray, small: SmallSample
) -> dict[str, tuple[float, float]]:
    """95 % intervals of the coefficients of the curve, each with its own degrees of freedom."""
    of_curve = [k for k in range(len(names)) if k != _ENERGY]
    variance = np.diag(covariance)[of_curve]
    size = len(of_curve)
    gradient = np.array(small.gradients).reshape(-1, size, size)[:, range(size), range(size)].T
    degrees = effective_degrees_of_freedom(np.maximum(variance, 1e-300), gradient, np.array(small.covariance))
    halves = half_width_factors(degrees) * np.sqrt(variance)
    return {names[k]: (values[k] - half, values[k] + half) for k, half in zip(of_curve, halves.tolist(), strict=True)}


def _influence(law: Law) -> tuple[Influence, ...]:
    """What leaving each place out does, by the names of the coefficients that the law fits."""
    names = (*NAMES[:_ENERGY], *_TWO_REGIMES)
    fitted = [names[place] for place in FITTED[law.model]]
    return tuple(
        Influence(
            mooring_id=one.place,
            coefficients=dict(zip(fitted, one.change.tolist(), strict=True)),
            decides=one.decides,
        )
        for one in law.without
    )


def _by_profile(law: Law) -> dict[str, tuple[float, float]]:
    """The interval of the transition, whose likelihood is no parabola."""
    return {_TWO_REGIMES[1]: law.transition_interval_95} if law.transition_interval_95 else {}


def _rows(matrix: FloatArray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())


def _count(labels: object) -> int:
    return 0 if labels is None else len(set(np.asarray(labels).tolist()))
