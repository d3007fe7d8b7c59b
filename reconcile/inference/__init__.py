"""Statistics that know nothing of sound."""

from reconcile.inference.intervals import Estimate, effective_degrees_of_freedom, half_width_factors
from reconcile.inference.least_squares import corrected_information_criterion, ordinary_least_squares
from reconcile.inference.mixed import LinearFit, Prior, Structure, fit_linear, shared_covariance, structure

__all__ = [
    "Estimate",
    "LinearFit",
    "Prior",
    "Structure",
    "corrected_information_criterion",
    "effective_degrees_of_freedom",
    "fit_linear",
    "half_width_factors",
    "ordinary_least_squares",
    "shared_covariance",
    "structure",
]
