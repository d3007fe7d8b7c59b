"""What a correction adds at a range, and the interval that holds for a new project."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from reconcile.inference.intervals import half_width_factors
from reconcile.spreading.cells import SPREAD_PRIOR
from reconcile.transfer.project_corrections import matrix, vector
from reconcile.transfer.project_effects import project_effects
from reconcile.transfer.spread_prior import ENOUGH_PROJECTS, SPREAD_BETWEEN_PROJECTS
from reconcile.vocabulary.documents.correction import Correction
from reconcile.vocabulary.quantities import FloatArray


@dataclass(frozen=True, slots=True)
class CorrectionCurve:
    """A correction with what intervals for a pile of a new project need.

    The variance at a range is that of the mean (coefficients), of a new project about it, and of a pile about its
    project; the degrees of freedom are Satterthwaite's of the two parts.
    """

    reference_range_m: float
    coefficients: FloatArray  # (3,)
    project_covariance: FloatArray  # (3, 3): mean and new project together
    project_degrees_of_freedom: float
    pile_variance: float
    pile_degrees_of_freedom: float

    def added_db(self, range_m: FloatArray) -> FloatArray:
        """What is added to a prediction at some ranges."""
        return np.asarray(self._rows(range_m) @ self.coefficients)

    def half_width_db(self, range_m: FloatArray, probability: float = 0.95) -> FloatArray:
        """Half-width of the interval for a pile of a new project, at some ranges."""
        rows = self._rows(range_m)
        project = np.einsum("mi,ij,mj->m", rows, self.project_covariance, rows)
        whole = project + self.pile_variance
        squares = project**2 / self.project_degrees_of_freedom + self.pile_variance**2 / self.pile_degrees_of_freedom
        degrees = np.where(squares > 0, whole**2 / np.where(squares > 0, squares, 1.0), 1.0)
        return np.asarray(half_width_factors(degrees, probability) * np.sqrt(whole))

    def _rows(self, range_m: FloatArray) -> FloatArray:
        ranges = np.atleast_1d(np.asarray(range_m, dtype=np.float64))
        decades = np.log10(ranges / self.reference_range_m)
        return np.stack([np.ones_like(ranges), decades, (ranges - self.reference_range_m) / 1000.0], axis=1)


def correction_curve(correction: Correction) -> CorrectionCurve:
    """The curve of one project's correction or of a pooled one.

    One project shows nothing of the spread between projects: the prior's stands in for it, once for how far that
    project lies from the mean and once for how far the new one does. A slope that was not estimated gets the
    prior's too: held at zero, it is not known to be zero.
    """
    covariance, degrees = _project_part(correction)
    return CorrectionCurve(
        reference_range_m=correction.reference_range_m,
        coefficients=vector(correction),
        project_covariance=covariance,
        project_degrees_of_freedom=degrees,
        pile_variance=correction.spread_between_piles_db**2,
        pile_degrees_of_freedom=max(correction.n_piles - correction.n_projects, 0) + SPREAD_PRIOR.worth,
    )


def prior_is_used(correction: Correction) -> bool:
    """Whether the spread between projects rests on the prior, wholly or in part."""
    return correction.n_projects < ENOUGH_PROJECTS


def _project_part(correction: Correction) -> tuple[FloatArray, float]:
    if correction.pooled is not None:
        evidence = correction.pooled
        between = np.array(evidence.between_projects.matrix)
        covariance, degrees = matrix(correction) + between, evidence.degrees_of_freedom_new_project
    elif correction.n_projects > 1:
        covariance = matrix(correction) + np.diag([(correction.spread_between_projects_db or 0.0) ** 2, 0.0, 0.0])
        n, worth = correction.n_projects, SPREAD_BETWEEN_PROJECTS.worth
        degrees = float(n - 1 + worth if n < ENOUGH_PROJECTS else n - 2)
    else:
        effects = project_effects([correction])
        covariance, degrees = effects.covariance + effects.between, effects.degrees_of_freedom_new_project
    if covariance[1, 1] <= 0.0:
        covariance[1, 1] = 2.0 * SPREAD_BETWEEN_PROJECTS.standard_deviations[1] ** 2
    return covariance, degrees


def spread_between_projects_db(correction: Correction) -> float:
    """The standard deviation between projects, at the reference range, that intervals are made with."""
    if correction.spread_between_projects_db is not None:
        return correction.spread_between_projects_db
    return math.sqrt(project_effects([correction]).between[0, 0])
