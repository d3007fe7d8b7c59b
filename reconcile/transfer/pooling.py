"""Several projects' corrections into one, group by group."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np

from reconcile.inference.intervals import half_width_factor
from reconcile.inference.meta_analysis import interval_of_a_new_study, interval_of_the_mean
from reconcile.spreading.cells import SPREAD_PRIOR
from reconcile.transfer.project_corrections import (
    NAMES,
    Key,
    ProjectCorrection,
    Source,
    at_reference,
    coefficients,
    group_key,
    matrix,
    pooling_faults,
    project_corrections,
    vector,
)
from reconcile.transfer.project_effects import ProjectEffects, heterogeneities, project_effects
from reconcile.transfer.spread_prior import ENOUGH_PROJECTS, prior_used
from reconcile.transfer.validation import validation
from reconcile.vocabulary.documents.correction import Correction, CorrectionDocument, Extent, Scope
from reconcile.vocabulary.documents.fit import Covariance
from reconcile.vocabulary.documents.pooling import CoefficientHeterogeneity, Contribution, LeftOut, PooledEvidence
from reconcile.vocabulary.errors import InputError
from reconcile.vocabulary.quantities import FloatArray

_NORMAL_95 = 1.959963984540054


def pooled_document(sources: Sequence[Source], model_id: str | None = None) -> CorrectionDocument:
    """The corrections of several projects as one document, at the reference range that most of them have.

    A group that only one project has is kept as that project left it. Raises InputError with every reason why the
    documents cannot be pooled.
    """
    faults = pooling_faults(sources, model_id)
    if faults:
        raise InputError(faults)
    parts = list(project_corrections(sources, model_id))
    reference = common_reference_m(parts)
    moved = [ProjectCorrection(p.project, p.file, at_reference(p.correction, reference)) for p in parts]
    groups: dict[Key, list[ProjectCorrection]] = {}
    for part in moved:
        groups.setdefault(group_key(part.correction), []).append(part)
    projects = tuple(dict.fromkeys(part.project for part in parts))
    entries = tuple(pooled_correction(group) if len(group) > 1 else _single(group[0]) for group in groups.values())
    return CorrectionDocument(project=" + ".join(projects), corrections=entries, projects=projects)


def common_reference_m(parts: Sequence[ProjectCorrection]) -> float:
    """The reference range of most corrections; of several, the shortest."""
    counted = Counter(part.correction.reference_range_m for part in parts)
    return min(counted, key=lambda range_m: (-counted[range_m], range_m))


def pooled_correction(parts: Sequence[ProjectCorrection], *, validated: bool = True) -> Correction:
    """Two projects or more, of one group and at one reference range, as one correction.

    `validated`: leave each project out in turn, and judge it by the others.
    """
    corrections = [part.correction for part in parts]
    effects = project_effects(corrections)
    values, covariance = coefficients(effects.mean, effects.covariance)
    first = corrections[0]
    changes = {
        "coefficients": values,
        "covariance": covariance,
        "spread_between_piles_db": spread_between_piles_db(corrections),
        "spread_between_projects_db": math.sqrt(effects.between[0, 0]),
        "n_projects": len(parts),
        "n_piles": sum(c.n_piles for c in corrections),
        "n_pairs": sum(c.n_pairs or 0 for c in corrections) or None,
        "prediction_ids": tuple(dict.fromkeys(name for c in corrections for name in c.prediction_ids)),
        "scope": hull([c.scope for c in corrections]),
        "flags": _flags(corrections, effects),
        "small_sample": None,
        "project": None,
        "pooled": _evidence(parts, effects, validated),
    }
    return first.model_copy(update=changes)


def _single(part: ProjectCorrection) -> Correction:
    flags = tuple(dict.fromkeys((*part.correction.flags, "single_project")))
    return part.correction.model_copy(update={"project": part.project, "flags": flags})


def spread_between_piles_db(corrections: Sequence[Correction]) -> float:
    """Root mean variance over the projects, each with its piles less one and the prior's worth as weight."""
    weights = np.array([c.n_piles - 1 + SPREAD_PRIOR.worth for c in corrections])
    variances = np.array([c.spread_between_piles_db**2 for c in corrections])
    return float(np.sqrt(np.average(variances, weights=weights)))


def hull(scopes: Sequence[Scope]) -> Scope:
    """The smallest scope that holds them all; an extent that none knows stays unknown."""

    def extent(name: str) -> Extent:
        known = [value for scope in scopes for value in getattr(scope, name) if value is not None]
        return (min(known), max(known)) if known else (None, None)

    return Scope(
        range_m=extent("range_m"),
        energy_kj=extent("energy_kj"),
        diameter_m=extent("diameter_m"),
        water_depth_m=extent("water_depth_m"),
    )


def _flags(corrections: Sequence[Correction], effects: ProjectEffects) -> tuple[str, ...]:
    stated = {
        "few_projects": len(corrections) < ENOUGH_PROJECTS,
        "trend_not_estimated": not effects.estimated[1],
        "trend_of_some_projects": effects.estimated[1] and any("trend_not_estimated" in c.flags for c in corrections),
    }
    theirs = {flag for c in corrections for flag in c.flags} - {"trend_not_estimated", "single_project"}
    return (*(name for name, true in stated.items() if true), *sorted(theirs - set(stated)))


def _evidence(parts: Sequence[ProjectCorrection], effects: ProjectEffects, validated: bool) -> PooledEvidence:
    corrections = [part.correction for part in parts]
    left_out = range(len(parts)) if validated else ()
    without = [project_effects(corrections[:i] + corrections[i + 1 :]) for i in left_out]
    half = half_width_factor(effects.degrees_of_freedom) * math.sqrt(effects.covariance[1, 1])
    slope = (float(effects.mean[1]) - half, float(effects.mean[1]) + half) if effects.estimated[1] else None
    return PooledEvidence(
        model=effects.model,
        hartung_knapp_factor=effects.offset.hartung_knapp,
        degrees_of_freedom=effects.degrees_of_freedom,
        degrees_of_freedom_new_project=effects.degrees_of_freedom_new_project,
        between_projects=_covariance(effects.between),
        prior=prior_used(effects.prior),
        heterogeneity=tuple(_heterogeneity(corrections, effects)),
        offset_interval_95_db=interval_of_the_mean(effects.offset),
        offset_new_project_interval_95_db=interval_of_a_new_study(effects.offset),
        spreading_interval_95_db=slope,
        contributions=tuple(_contribution(p, w) for p, w in zip(parts, effects.offset_weights, strict=True)),
        leave_one_out=tuple(_left_out(parts[i], rest) for i, rest in zip(left_out, without, strict=True)),
        validation=validation(parts, without) if validated else None,
    )


def _covariance(values: FloatArray) -> Covariance:
    return Covariance(names=NAMES, matrix=tuple(tuple(float(x) for x in row) for row in values))


def _heterogeneity(corrections: Sequence[Correction], effects: ProjectEffects) -> list[CoefficientHeterogeneity]:
    return [
        CoefficientHeterogeneity(
            coefficient=NAMES[i],
            n_projects=found.q_degrees_of_freedom + 1,
            tau=found.tau,
            tau_used=math.sqrt(effects.between[i, i]),
            q=found.q,
            q_degrees_of_freedom=found.q_degrees_of_freedom,
            q_p_value=found.q_p_value,
            i_squared_percent=found.i_squared_percent,
        )
        for i, found in heterogeneities(corrections).items()
    ]


def _contribution(part: ProjectCorrection, weight: float) -> Contribution:
    own = part.correction
    offset = own.coefficients.offset_db
    values, covariance = coefficients(vector(own), matrix(own))
    return Contribution(
        project=part.project,
        coefficients=values,
        covariance=covariance,
        offset_interval_95_db=_own_interval(offset.value, offset.standard_error),
        weight_percent=100.0 * float(weight),
        spread_between_piles_db=own.spread_between_piles_db,
        n_piles=own.n_piles,
        n_pairs=own.n_pairs,
        prediction_ids=own.prediction_ids,
        scope=own.scope,
        flags=own.flags,
    )


def _own_interval(value: float, standard_error: float) -> tuple[float, float]:
    """A project's own interval as forest figures draw it: normal, its variance taken as known."""
    return value - _NORMAL_95 * standard_error, value + _NORMAL_95 * standard_error


def _left_out(part: ProjectCorrection, rest: ProjectEffects) -> LeftOut:
    return LeftOut(
        project=part.project,
        offset_db=float(rest.mean[0]),
        offset_interval_95_db=interval_of_the_mean(rest.offset),
        spread_between_projects_db=math.sqrt(rest.between[0, 0]),
    )
