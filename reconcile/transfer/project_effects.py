"""Offset, slope and attenuation of several projects' corrections as one random-effects model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from reconcile.inference.meta_analysis import (
    Heterogeneity,
    RandomEffects,
    SpreadPrior,
    Studies,
    heterogeneity,
    random_effects,
)
from reconcile.transfer.project_corrections import matrix, vector
from reconcile.transfer.spread_prior import SPREAD_BETWEEN_PROJECTS, prior_for
from reconcile.vocabulary.documents.correction import Correction
from reconcile.vocabulary.quantities import FloatArray

SLOPES_FOR_BOTH = 4  # projects with a slope from which offset and slope are one model: it has three variances
_LEAST_VARIANCE = 1e-6  # of a coefficient that a project states as exact, dB²


@dataclass(frozen=True, slots=True)
class ProjectEffects:
    """The three coefficients over projects: mean, its Hartung-Knapp covariance, covariance between projects."""

    model: Literal["multivariate", "univariate"]
    mean: FloatArray  # (3,)
    covariance: FloatArray  # (3, 3)
    between: FloatArray  # (3, 3)
    offset: RandomEffects  # the model that the offset is from
    offset_weights: FloatArray  # (k,)
    degrees_of_freedom: float
    degrees_of_freedom_new_project: float
    estimated: tuple[bool, bool, bool]
    prior: SpreadPrior | None


def project_effects(corrections: Sequence[Correction]) -> ProjectEffects:
    """Pool corrections that stand at one reference range.

    Offset and slope are one model where four projects or more have a slope, and where one project is all there is;
    else each coefficient is pooled alone over the projects that estimated it, as the attenuation always is. One that
    no project estimated stays at zero.
    """
    studies = studies_of(corrections)
    known = [int(n) for n in studies.known.sum(axis=0)]
    together = known[1] >= SLOPES_FOR_BOTH or known[0] == known[1] == 1
    prior = prior_for(known[0])
    mean, covariance, between = np.zeros(3), np.zeros((3, 3)), np.zeros((3, 3))
    fits: list[RandomEffects] = []
    blocks = [[0, 1], [2]] if together else [[0], [1], [2]]
    for block in blocks:
        if known[block[-1]] == 0:
            continue
        fit = _pooled(studies, block, known)
        fits.append(fit)
        place = np.ix_(block, block)
        mean[block], covariance[place], between[place] = fit.mean, fit.adjusted_covariance, fit.between
    first = fits[0]
    return ProjectEffects(
        model="multivariate" if together else "univariate",
        mean=mean,
        covariance=covariance,
        between=between,
        offset=first,
        offset_weights=first.weights[:, 0],
        degrees_of_freedom=first.degrees_of_freedom,
        degrees_of_freedom_new_project=first.degrees_of_freedom_of_a_new_study,
        estimated=(True, known[1] > 0, known[2] > 0),
        prior=prior,
    )


def _pooled(studies: Studies, block: list[int], known: list[int]) -> RandomEffects:
    prior = prior_for(min(known[i] for i in block))
    own = None
    if prior is not None:
        own = SpreadPrior(tuple(SPREAD_BETWEEN_PROJECTS.standard_deviations[i] for i in block), prior.worth)
    if len(block) == 1:
        return random_effects(studies.part(block[0]), own)
    place = np.ix_(range(studies.estimates.shape[0]), block, block)
    return random_effects(Studies(studies.estimates[:, block], studies.covariances[place]), own)


def studies_of(corrections: Sequence[Correction]) -> Studies:
    """Coefficients and covariances of the projects; NaN for a slope or attenuation that was held at zero."""
    estimates = np.array([vector(c) for c in corrections])
    covariances = np.array([matrix(c) for c in corrections])
    held = (np.diagonal(covariances, 0, 1, 2) <= 0.0) & (estimates == 0.0)
    held[:, 0] = False  # an offset without error is a statement, not an absence
    estimates[held] = np.nan
    covariances[held[:, :, None] | held[:, None, :]] = np.nan
    step = np.arange(3)
    covariances[:, step, step] = np.maximum(covariances[:, step, step], _LEAST_VARIANCE)
    return Studies(estimates, covariances)


def heterogeneities(corrections: Sequence[Correction]) -> dict[int, Heterogeneity]:
    """Heterogeneity of each coefficient that two projects or more estimated, each taken alone."""
    studies = studies_of(corrections)
    parts = {i: studies.part(i) for i in range(3)}
    return {i: heterogeneity(part) for i, part in parts.items() if part.estimates.shape[0] > 1}
