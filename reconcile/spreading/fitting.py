"""All models fitted to the cells of one quantity and group, and the choice between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.inference import Structure, corrected_information_criterion
from reconcile.spreading.bootstrapped import with_bootstrap
from reconcile.spreading.cells import Cells, cell_structure
from reconcile.spreading.covariates import CellCovariate, cell_covariates, with_covariates
from reconcile.spreading.entries import document_entry
from reconcile.spreading.laws import FITTED, Law, fit_law, fit_two_regimes, with_student_residual
from reconcile.spreading.means import Means
from reconcile.spreading.residual_rows import joined, residual_rows
from reconcile.spreading.rivals import with_choice
from reconcile.spreading.selection import TOLD_APART_RANGES, Candidate, choose
from reconcile.spreading.subject import Subject
from reconcile.vocabulary.documents.fit import Fit, ModelName
from reconcile.vocabulary.quantities import FloatArray

TWO_REGIME_RANGES = 6  # distinct ranges, and places, for two lines and where they meet
_SAME_RANGE = 0.02  # ranges closer than this in log10 (5 %) are one range


@dataclass(frozen=True, slots=True)
class ModelFits:
    """The models of one subject, what the chosen one leaves of each cell, and, where there is none, why."""

    fits: tuple[Fit, ...]
    residuals: pd.DataFrame
    reason: str | None


@dataclass(frozen=True, slots=True)
class _Setting:
    """What all models of one subject are fitted to."""

    means: Means
    subject: Subject
    layout: Structure | None

    @property
    def cells(self) -> Cells:
        return self.means.cells


def distinct_ranges(range_m: FloatArray) -> int:
    """How many ranges there are, each more than 5 % beyond the one counted before it."""
    count, last = 0, -np.inf
    for position in np.sort(np.log10(range_m)):
        if position - last > _SAME_RANGE:
            count, last = count + 1, position
    return count


def fit_models(means: Means, subject: Subject) -> ModelFits:
    """Every model that the levels can identify, one of them selected; or none and the reason.

    A model needs as many distinct ranges at which something was heard as it has coefficients, and without pile and
    station labels one row more.
    """
    cells = means.cells
    covariates = _covariates(cells, subject)
    setting = _Setting(means, subject, with_covariates(cell_structure(cells), covariates))
    ranges, heard = distinct_ranges(cells.heard_range_m), int(cells.heard.sum())
    room = min(ranges, heard if setting.layout else heard - 1)
    models = [model for model, fitted in FITTED.items() if len(fitted) <= room and model != "two_regime"]
    if not models:
        needed = "" if setting.layout else " and three levels"
        reason = f"{heard} uncensored levels at {ranges} distinct ranges; a fit needs two ranges{needed}"
        return ModelFits((), joined(()), reason)
    laws = _laws(setting, models, room)
    if subject.robust:
        laws = {
            model: with_student_residual(law, cells, subject.reference_range_m, setting.layout) or law
            for model, law in laws.items()
        }
    choices = choose([_candidate(law, setting, ranges) for law in laws.values()])
    entries = [document_entry(law, means, subject, choices, covariates) for law in laws.values()]
    entries = [with_bootstrap(fit, laws[fit.model], cells) if fit.selected else fit for fit in entries]
    chosen = next(law for model, law in laws.items() if choices[model].selected)
    return ModelFits(tuple(with_choice(entries)), residual_rows(chosen, means, subject), None)


def _covariates(cells: Cells, subject: Subject) -> tuple[CellCovariate, ...]:
    """The covariates of the cells; with a Student t residual none."""
    found = cell_covariates(cells)
    if not subject.robust:
        return found
    reason = "not together with a Student t residual"
    return tuple(
        CellCovariate(one.entry.model_copy(update={"coefficient": None, "reason": reason}), None) for one in found
    )


def _laws(setting: _Setting, models: Sequence[ModelName], room: int) -> dict[ModelName, Law]:
    """The laws with a linear design, and that of two regimes where there are ranges and places enough for it."""
    cells, subject = setting.cells, setting.subject
    stated = (cells, subject.reference_range_m, setting.layout, subject.absorption_db_per_km)
    laws: dict[ModelName, Law] = {model: fit_law(model, *stated) for model in models}
    if room >= TWO_REGIME_RANGES and (cells.place is None or len(set(cells.place.tolist())) >= TWO_REGIME_RANGES):
        two = fit_two_regimes(*stated)
        if two:
            laws["two_regime"] = two
    return laws


def _candidate(law: Law, setting: _Setting, n_ranges: int) -> Candidate:
    """The model for the choice: AICc from maximum likelihood, counting the fitted coefficients and one spread.

    With a Student t residual the coefficients are those of that fit; criterion and left-out error stay the normal
    fit's, for these compare between laws.
    """
    count = len(FITTED[law.model])
    likelihood, heard = law.minus_2_log_likelihood, int(setting.cells.heard.sum())
    return Candidate(
        model=law.model,
        quantity=setting.subject.quantity,
        spreading_db_per_decade=law.spreading_db_per_decade,
        attenuation_db_per_km=law.attenuation_db_per_km,
        n_coefficients=count,
        minus_2_log_likelihood=likelihood,
        aicc=corrected_information_criterion(likelihood, heard, count + 1),
        left_out_db=law.left_out_station_db,
        correlation=law.correlation,
        n_ranges=n_ranges if setting.layout else None,
        further_spreading_db_per_decade=law.further_spreading_db_per_decade,
        two_ranges=n_ranges < TOLD_APART_RANGES,
    )
