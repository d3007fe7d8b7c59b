"""Statistics that know nothing of sound."""

from reconcile.inference.censored import LimitedFit, fit_limited, fit_limited_scale
from reconcile.inference.cross_validation import left_out_errors, left_out_rows, root_mean_square
from reconcile.inference.intervals import Estimate, effective_degrees_of_freedom, half_width_factors
from reconcile.inference.least_squares import corrected_information_criterion, ordinary_least_squares
from reconcile.inference.limits import Groups, Limited, row_scatter
from reconcile.inference.mixed import LinearFit, Prior, Structure, fit_linear, shared_covariance, structure
from reconcile.inference.robust import fit_student
from reconcile.inference.separable import Separable, profile_interval, separable_least_squares
from reconcile.inference.tobit import fit_limited_rows

__all__ = [
    "Estimate",
    "Groups",
    "Limited",
    "LimitedFit",
    "LinearFit",
    "Prior",
    "Separable",
    "Structure",
    "corrected_information_criterion",
    "effective_degrees_of_freedom",
    "fit_limited",
    "fit_limited_rows",
    "fit_limited_scale",
    "fit_linear",
    "fit_student",
    "half_width_factors",
    "left_out_errors",
    "left_out_rows",
    "ordinary_least_squares",
    "profile_interval",
    "root_mean_square",
    "row_scatter",
    "separable_least_squares",
    "shared_covariance",
    "structure",
]
