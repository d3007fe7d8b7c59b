"""What later projects inherit."""

from reconcile.transfer.correction import correction_document
from reconcile.transfer.forecast import ForecastLevel, forecast_levels
from reconcile.transfer.forecast_ranges import ForecastRange, forecast_ranges
from reconcile.transfer.foundation_order import foundation_relation
from reconcile.transfer.foundations import ProjectResults, foundation_levels
from reconcile.transfer.pooling import pooled_document
from reconcile.transfer.project_corrections import Source

__all__ = [
    "ForecastLevel",
    "ForecastRange",
    "ProjectResults",
    "Source",
    "correction_document",
    "forecast_levels",
    "forecast_ranges",
    "foundation_levels",
    "foundation_relation",
    "pooled_document",
]
