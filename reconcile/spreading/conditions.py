"""For which pile, hydrophone and penetration a curve is asked, where the fit knows what these do to the level."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reconcile.vocabulary.documents.fit import Coefficient, Fit


@dataclass(frozen=True, slots=True)
class Conditions:
    """Pile diameter, hydrophone depth and penetration in metres; None: as the curve's own reference."""

    pile_diameter_m: float | None = None
    hydrophone_depth_m: float | None = None
    penetration_m: float | None = None


AT_REFERENCE = Conditions()


def offsets(fit: Fit, conditions: Conditions) -> dict[str, float]:
    """By how much (decades of diameter, metres) conditions differ from the reference, for each coefficient of a fit."""
    found = {}
    for covariate in fit.covariates:
        if covariate.coefficient is None or covariate.reference is None:
            continue
        asked = getattr(conditions, covariate.name)
        if asked is None:
            found[covariate.coefficient] = 0.0
        elif covariate.name == "pile_diameter_m":
            found[covariate.coefficient] = math.log10(asked / covariate.reference)
        else:
            found[covariate.coefficient] = asked - covariate.reference
    return found


def raised_by_db(fit: Fit, conditions: Conditions) -> float:
    """What conditions add to the curve."""
    return sum(_value(fit, name) * offset for name, offset in offsets(fit, conditions).items())


def _value(fit: Fit, name: str) -> float:
    coefficient = getattr(fit.coefficients, name)
    return coefficient.value if isinstance(coefficient, Coefficient) else 0.0
