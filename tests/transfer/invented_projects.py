"""Invented corrections of projects whose truth is known: shared bias, each project's own, errors of measurement."""

from __future__ import annotations

import numpy as np

from reconcile.vocabulary.documents.correction import Correction, CorrectionCoefficients, CorrectionDocument, Scope
from reconcile.vocabulary.documents.fit import Coefficient, Covariance

NAMES = ("offset_db", "spreading_db_per_decade", "attenuation_db_per_km")
SCOPE = Scope(range_m=(400.0, 5000.0), energy_kj=(300.0, 2500.0), diameter_m=(7.0, 9.0), water_depth_m=(20.0, 40.0))


def correction(
    offset_db: float,
    slope_db: float | None = None,
    *,
    covariance: np.ndarray | None = None,
    offset_variance: float = 1.0,
    **changes: object,
) -> Correction:
    """A correction of monopiles by impact; without a slope it was held at zero. `covariance` is of offset and slope."""
    matrix = np.zeros((3, 3))
    matrix[0, 0] = offset_variance
    if covariance is not None:
        matrix[:2, :2] = covariance
    errors = np.sqrt(np.diag(matrix))
    facts: dict[str, object] = {
        "model_id": "M1",
        "quantity": "exposure_level",
        "weighting": "none",
        "band_hz": None,
        "foundation_type": "monopile",
        "installation_method": "impact",
        "abatement": "none",
        "reference_range_m": 750.0,
        "coefficients": CorrectionCoefficients(
            offset_db=Coefficient(value=offset_db, standard_error=float(errors[0])),
            spreading_db_per_decade=Coefficient(value=slope_db or 0.0, standard_error=float(errors[1])),
            attenuation_db_per_km=Coefficient(value=0.0, standard_error=0.0),
        ),
        "covariance": Covariance(names=NAMES, matrix=tuple(tuple(row) for row in matrix.tolist())),
        "spread_between_piles_db": 1.5,
        "n_piles": 4,
        "n_pairs": 20,
        "scope": SCOPE,
        "statistic": "median",
        "flags": () if slope_db is not None else ("trend_not_estimated",),
    }
    return Correction.model_validate(facts | changes)


def document(project: str, *corrections: Correction) -> CorrectionDocument:
    """One project's correction document."""
    return CorrectionDocument(project=project, corrections=corrections)
