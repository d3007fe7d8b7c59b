"""All models fitted to the pile-station means of one quantity and group, and the choice between them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from reconcile.inference import (
    LinearFit,
    Structure,
    corrected_information_criterion,
    fit_linear,
    ordinary_least_squares,
)
from reconcile.inference.mixed import RESIDUAL
from reconcile.spreading.cells import LEAST_RESIDUAL_SD_DB, cell_structure
from reconcile.spreading.means import Means
from reconcile.spreading.models import CYLINDRICAL_DB_PER_DECADE
from reconcile.spreading.selection import Candidate, choose
from reconcile.vocabulary.documents.fit import (
    Coefficient,
    Covariance,
    Fit,
    FitCoefficients,
    ModelName,
    NotFitted,
    SmallSample,
)
from reconcile.vocabulary.quantities import FloatArray

# Which of (level at reference, N, alpha) each model fits; the fixed ones are N = 0 or 10 and alpha = 0.
_FITTED: dict[ModelName, tuple[int, ...]] = {
    "spreading": (0, 1),
    "damped_cylindrical": (0, 2),
    "spreading_attenuation": (0, 1, 2),
}
_NAMES = (
    "level_at_reference_db",
    "spreading_coefficient_db_per_decade",
    "attenuation_db_per_km",
    "energy_coefficient_db_per_decade",
)
_SAME_RANGE = 0.02  # ranges closer than this in log10 (5 %) are one range
_FEW_PILES, _FEW_PLACES, _NARROW = 10, 4, 2.0


@dataclass(frozen=True, slots=True)
class Subject:
    """What is being fitted, and what is known of it beside the means."""

    quantity: str | None
    weighting: str = "none"
    band_hz: float | None = None
    installation_method: str | None = None
    foundation_type: str | None = None
    abatement: str | None = None
    reference_range_m: float = 750.0
    common_uncertainty_db: float = 0.0
    n_censored: int = 0


def not_fitted(subject: Subject, reason: str) -> NotFitted:
    """The record of a quantity and group without a fit, and why."""
    return NotFitted(
        quantity=subject.quantity,
        weighting=subject.weighting,
        band_hz=subject.band_hz,
        installation_method=subject.installation_method,
        foundation_type=subject.foundation_type,
        abatement=subject.abatement,
        reason=reason,
    )


def distinct_ranges(range_m: FloatArray) -> int:
    """How many ranges there are, each more than 5 % beyond the one counted before it."""
    count, last = 0, -np.inf
    for position in np.sort(np.log10(range_m)):
        if position - last > _SAME_RANGE:
            count, last = count + 1, position
    return count


def fit_models(means: Means, subject: Subject) -> tuple[list[Fit], str | None]:
    """Every model that the means can identify, one of them selected; or none and the reason.

    A model needs as many distinct ranges as it has coefficients, and without pile and station labels one row more.
    """
    cells = means.cells
    layout = cell_structure(cells)
    room = min(distinct_ranges(cells.range_m), cells.n if layout else cells.n - 1)
    models = [model for model, fitted in _FITTED.items() if len(fitted) <= room]
    if not models:
        found = distinct_ranges(cells.range_m)
        return [], f"{cells.n} uncensored levels at {found} distinct ranges; a fit needs two ranges" + (
            "" if layout else " and three levels"
        )
    linear = {model: _fit_linear(model, means, subject.reference_range_m, layout) for model in models}
    choices = choose([_candidate(model, fit, means, subject, layout) for model, fit in linear.items()])
    return [_entry(model, linear[model], means, subject, choices[model]) for model in models], None


def _design(model: ModelName, means: Means, reference_range_m: float) -> tuple[FloatArray, FloatArray]:
    """Levels at the reference energy less what the model fixes, and the columns of what it fits."""
    cells = means.cells
    decades = np.log10(cells.range_m / reference_range_m)
    kilometres = (cells.range_m - reference_range_m) / 1000.0
    columns = np.stack([np.ones(cells.n), -decades, -kilometres], axis=1)
    level = cells.level_db - means.energy.value * cells.log_energy
    if model == "damped_cylindrical":
        level = level + CYLINDRICAL_DB_PER_DECADE * decades
    return level, columns[:, _FITTED[model]]


def _fit_linear(model: ModelName, means: Means, reference_range_m: float, layout: Structure | None) -> LinearFit:
    level, columns = _design(model, means, reference_range_m)
    return fit_linear(level, columns, layout) if layout else ordinary_least_squares(level, columns)


def _slopes(model: ModelName, fit: LinearFit) -> tuple[float, float]:
    """N and alpha of a fitted model."""
    values = dict(zip(_FITTED[model], fit.coefficients.tolist(), strict=True))
    return values.get(1, CYLINDRICAL_DB_PER_DECADE if model == "damped_cylindrical" else 0.0), values.get(2, 0.0)


def _candidate(model: ModelName, fit: LinearFit, means: Means, subject: Subject, layout: Structure | None) -> Candidate:
    """The model for the choice: AICc from maximum likelihood, counting the fitted coefficients and one spread."""
    likelihood = fit.minus_2_log_likelihood
    if layout:
        level, columns = _design(model, means, subject.reference_range_m)
        likelihood = fit_linear(level, columns, layout, restricted=False, start=fit.variances).minus_2_log_likelihood
    count = len(_FITTED[model])
    spreading, attenuation = _slopes(model, fit)
    return Candidate(
        model=model,
        quantity=subject.quantity,
        spreading_db_per_decade=spreading,
        attenuation_db_per_km=attenuation,
        n_coefficients=count,
        minus_2_log_likelihood=likelihood,
        aicc=corrected_information_criterion(likelihood, means.cells.n, count + 1),
    )


def _entry(model: ModelName, fit: LinearFit, means: Means, subject: Subject, choice: Candidate) -> Fit:
    cells = means.cells
    covariance = _covariance(model, fit, means, subject.common_uncertainty_db)
    spreading, attenuation = _slopes(model, fit)
    values = (float(fit.coefficients[0]), spreading, attenuation, means.energy.value)
    errors = np.sqrt(np.diag(covariance)).tolist()
    coefficients = {
        name: Coefficient(value=value, standard_error=error)
        for name, value, error in zip(_NAMES, values, errors, strict=True)
    }
    chain = cells.chain_sd_db
    least = LEAST_RESIDUAL_SD_DB**2 if fit.names != (RESIDUAL,) else 0.0
    system_sd = float(np.sqrt(np.mean(chain**2))) if chain is not None else float(np.sqrt(fit.variance("system")))
    return Fit(
        quantity=subject.quantity,
        weighting=subject.weighting,
        band_hz=subject.band_hz,
        installation_method=subject.installation_method,
        foundation_type=subject.foundation_type,
        abatement=subject.abatement,
        model=model,
        selected=choice.selected,
        reference_range_m=subject.reference_range_m,
        coefficients=FitCoefficients(**coefficients),
        covariance=Covariance(names=_NAMES, matrix=_rows(covariance)),
        residual_sd_db=math.sqrt(fit.variance("residual") + least),
        pile_sd_db=float(np.sqrt(fit.variance("pile"))),
        system_sd_db=system_sd,
        station_sd_db=float(np.sqrt(fit.variance("place"))),
        reference_energy_kj=means.reference_energy_kj,
        n_observations=cells.n,
        n_censored=subject.n_censored,
        n_piles=_count(cells.pile),
        n_stations=_count(cells.place),
        range_min_m=float(cells.range_m.min()),
        range_max_m=float(cells.range_m.max()),
        flags=_flags(means, subject, choice),
        n_strikes=int(cells.n_strikes.sum()),
        common_uncertainty_db=subject.common_uncertainty_db,
        strike_sd_db=means.strike_sd_db,
        strike_sd_as_recorded_db=means.strike_sd_as_recorded_db,
        level_as_recorded_offset_db=means.level_as_recorded_offset_db,
        aicc=choice.aicc,
        chosen_because=choice.reason if choice.selected else None,
        not_chosen_because=None if choice.selected else choice.reason,
        small_sample=small_sample(fit, _FITTED[model], 3),
    )


def _covariance(model: ModelName, fit: LinearFit, means: Means, common_uncertainty_db: float) -> FloatArray:
    """Covariance of all four coefficients: the fit's, what all chains share, and the energy coefficient's."""
    fitted = list(_FITTED[model])
    covariance = np.zeros((4, 4))
    covariance[np.ix_(fitted, fitted)] = fit.covariance
    covariance[0, 0] += common_uncertainty_db**2
    by_energy = np.zeros(4)
    by_energy[fitted] = -fit.weights @ means.cells.log_energy
    by_energy[3] = 1.0
    return np.asarray(covariance + means.energy.standard_error**2 * np.outer(by_energy, by_energy))


def small_sample(fit: LinearFit, places: tuple[int, ...], size: int) -> SmallSample:
    """The document's part for intervals, with the fitted coefficients at their `places` among `size`."""
    gradients = np.zeros((len(fit.names), size, size))
    gradients[np.ix_(range(len(fit.names)), places, places)] = fit.gradients
    return SmallSample(
        components=fit.names,
        gradients=tuple(_rows(g) for g in gradients),
        covariance=_rows(fit.covariance_of_variances),
    )


def _rows(matrix: FloatArray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())


def _count(labels: object) -> int:
    return 0 if labels is None else len(set(np.asarray(labels).tolist()))


def _flags(means: Means, subject: Subject, choice: Candidate) -> tuple[str, ...]:
    cells = means.cells
    stated = {
        "not_supported": not choice.supported,
        "censored_rows_left_out": subject.n_censored > 0,
        "few_piles": cells.pile is not None and _count(cells.pile) < _FEW_PILES,
        "few_stations": cells.place is not None and _count(cells.place) < _FEW_PLACES,
        "narrow_ranges": float(cells.range_m.max()) < _NARROW * float(cells.range_m.min()),
        "energy_coefficient_assumed": not means.energy.fitted,
        "level_rises_with_range": choice.rises,
    }
    return tuple(name for name, true in stated.items() if true)
