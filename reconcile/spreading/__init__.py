"""Level versus range: pile-station means to fits, curves and distances."""

from reconcile.spreading.campaign_fits import fit_campaign, fit_with_residuals
from reconcile.spreading.conditions import Conditions
from reconcile.spreading.curves import CurveIntervals, intervals, level_curve
from reconcile.spreading.levels_table import fit_levels, read_levels
from reconcile.spreading.models import damped_cylindrical, spreading, spreading_attenuation
from reconcile.spreading.threshold_ranges import range_to_threshold, threshold_range

__all__ = [
    "Conditions",
    "CurveIntervals",
    "damped_cylindrical",
    "fit_campaign",
    "fit_levels",
    "fit_with_residuals",
    "intervals",
    "level_curve",
    "range_to_threshold",
    "read_levels",
    "spreading",
    "spreading_attenuation",
    "threshold_range",
]
