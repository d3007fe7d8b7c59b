"""What the choice between models leaves open: intervals that do not rest on the chosen model alone."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.spreading.selection import MOST_CORRELATION, NEEDED_GAIN
from reconcile.vocabulary.documents.fit import Fit, FitDocument, group_key

_ALPHA = "attenuation_db_per_km"
_FULLEST = "spreading_attenuation"


def with_choice(fits: Sequence[Fit]) -> list[Fit]:
    """The fits of one subject, the selected one's coefficient intervals widened by those of the fullest model.

    To hold N at 10, or alpha at nothing, is a choice that the data did not force: what they leave open of either is
    what the model says that fits both. A negative attenuation is not among what is left open.
    """
    full = next((fit for fit in fits if fit.model == _FULLEST and _separable(fit)), None)
    simpler = ("spreading", "damped_cylindrical", _FULLEST)
    return [_widened(fit, full) if fit.selected and full and fit.model in simpler else fit for fit in fits]


def _separable(fit: Fit) -> bool:
    """Whether N and alpha of a fit can be told apart."""
    variance = [fit.covariance.matrix[k][k] for k in (1, 2)]
    product = (variance[0] * variance[1]) ** 0.5
    return bool(product > 0 and abs(fit.covariance.matrix[1][2]) <= MOST_CORRELATION * product)


def _widened(fit: Fit, full: Fit) -> Fit:
    least = fit.absorption_db_per_km
    intervals = {}
    for name, (low, high) in fit.coefficient_intervals_95.items():
        further = full.coefficient_intervals_95.get(name, (low, high))
        low, high = min(low, further[0]), max(high, further[1])
        intervals[name] = (max(low, least), max(high, least)) if name == _ALPHA else (low, high)
    return fit.model_copy(update={"coefficient_intervals_95": intervals})


def rivals(fit: Fit, document: FitDocument | Sequence[Fit]) -> tuple[Fit, ...]:
    """The other supported models of a fit's subject that AICc does not put more than 2 behind it.

    For an observation within the measured ranges they agree nearly; beyond these they part.
    """
    fits = document.fits if isinstance(document, FitDocument) else document
    others = [other for other in fits if group_key(other) == group_key(fit) and other.model != fit.model]
    supported = [other for other in others if "not_supported" not in other.flags]
    return tuple(other for other in supported if _near(other, fit))


def _near(other: Fit, fit: Fit) -> bool:
    if other.aicc is None or fit.aicc is None:
        return False
    return other.aicc - fit.aicc <= NEEDED_GAIN
