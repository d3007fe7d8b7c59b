"""What is to be said of fits below their table: why a model was chosen or not, and what the chosen one rests on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reconcile.report.formatting import decibels, significant, with_error
from reconcile.report.words import MODELS, group_words, sentence_case
from reconcile.vocabulary.documents.fit import Coefficient, Covariate, Fit

_COVARIATES = {
    "pile_diameter_m": ("pile diameter", "dB per decade"),
    "hydrophone_depth_m": ("hydrophone depth", "dB per metre"),
    "penetration_m": ("penetration", "dB per metre"),
}


def fit_notes(fits: Sequence[Fit]) -> tuple[str, ...]:
    """For each group of piles why its model was chosen, what was refused, and what the chosen fit rests on."""
    notes = []
    for key in dict.fromkeys(fit_group(fit) for fit in fits):
        own = [fit for fit in fits if fit_group(fit) == key]
        said = [_chosen(fit) for fit in own if fit.selected]
        said += [_refused(fit) for fit in own if "not_supported" in fit.flags]
        said += [words for fit in own if fit.selected for words in _basis(fit)]
        notes.append(f"{sentence_case(group_words(*key))}. {' '.join(said)}")
    return tuple(notes)


def fit_group(fit: Fit) -> tuple[str | None, str | None, str | None]:
    """Method, foundation type and abatement of a fit."""
    return fit.installation_method, fit.foundation_type, fit.abatement


def _chosen(fit: Fit) -> str:
    return f"Chosen is {MODELS[fit.model]}: {_model_names(fit.chosen_because or 'no reason is on record')}."


def _refused(fit: Fit) -> str:
    return f"Not supported: {MODELS[fit.model]}, as {_model_names(fit.not_chosen_because or 'flagged')}."


def _model_names(reason: str) -> str:
    for name in sorted(MODELS, key=len, reverse=True):
        reason = reason.replace(name, MODELS[name])
    return reason


def _basis(fit: Fit) -> Iterator[str]:
    basis = fit.intervals_by
    if basis is not None and basis.method == "bootstrap":
        most = max(basis.factors, default=1.0)
        yield (
            f"Intervals were held against {basis.n_replicates} campaigns drawn from the fit ({basis.reason}); the band"
            f" of the curve was made wider by up to {100.0 * (most - 1.0):.0f} %."
        )
    elif basis is not None and fit.n_censored:
        yield f"Intervals: {basis.reason}."
    fitted = [one for one in fit.covariates if one.coefficient]
    for one in fitted:
        yield f"{sentence_case(_covariate(fit, one))}."
    left_out = [f"{_COVARIATES[one.name][0]} ({one.reason})" for one in fit.covariates if not one.coefficient]
    if left_out:
        yield f"Not in the model: {', '.join(left_out)}."
    if fit.bottom_loss is not None:
        yield from _bottom_loss(fit)


def _covariate(fit: Fit, covariate: Covariate) -> str:
    words, unit = _COVARIATES[covariate.name]
    coefficient = getattr(fit.coefficients, covariate.coefficient or "")
    value = with_error(coefficient.value, coefficient.standard_error) if isinstance(coefficient, Coefficient) else ""
    return (
        f"{words}: {value} {unit} beyond {significant(covariate.reference)} m ({covariate.reason}"
        f" 0 ± {significant(covariate.prior_sd)})"
    )


def _bottom_loss(fit: Fit) -> Iterator[str]:
    loss = fit.bottom_loss
    if loss is not None:
        yield (
            f"The attenuation reads as {decibels(loss.loss_db.value, 2)} ± {decibels(loss.loss_db.standard_error, 2)}"
            f" dB lost at each reflection from the bottom: one every {significant(loss.cycle_distance_m)} m, in"
            f" {significant(loss.water_depth_m)} m of water, for a Mach angle of {significant(loss.mach_angle_deg)}°"
            f" (assumed: sound at {significant(loss.wave_speed_pile_m_s, 4)} m/s in the pile)."
        )
