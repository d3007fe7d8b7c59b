"""Statistics that know nothing of sound.

Names come from their modules when they are first asked for: a part of this room needs no more than itself.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reconcile.inference.censored import LimitedFit, fit_limited, fit_limited_scale
    from reconcile.inference.cross_validation import left_out_errors, left_out_rows, root_mean_square
    from reconcile.inference.intervals import Estimate, effective_degrees_of_freedom, half_width_factors
    from reconcile.inference.least_squares import corrected_information_criterion, ordinary_least_squares
    from reconcile.inference.limits import Groups, Limited, row_scatter
    from reconcile.inference.mixed import LinearFit, Prior, Structure, fit_linear, shared_covariance, structure
    from reconcile.inference.robust import fit_student
    from reconcile.inference.separable import Separable, profile_interval, separable_least_squares
    from reconcile.inference.tobit import fit_limited_rows

_MODULES = {
    "censored": ("LimitedFit", "fit_limited", "fit_limited_scale"),
    "cross_validation": ("left_out_errors", "left_out_rows", "root_mean_square"),
    "intervals": ("Estimate", "effective_degrees_of_freedom", "half_width_factors"),
    "least_squares": ("corrected_information_criterion", "ordinary_least_squares"),
    "limits": ("Groups", "Limited", "row_scatter"),
    "mixed": ("LinearFit", "Prior", "Structure", "fit_linear", "shared_covariance", "structure"),
    "robust": ("fit_student",),
    "separable": ("Separable", "profile_interval", "separable_least_squares"),
    "tobit": ("fit_limited_rows",),
}
_MODULE_OF = {name: module for module, names in _MODULES.items() for name in names}

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


def __getattr__(name: str) -> object:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
