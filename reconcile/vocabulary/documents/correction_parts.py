"""What corrections of one project and pooled ones have in common."""

from __future__ import annotations

from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.documents.fit import Coefficient

Extent = tuple[float | None, float | None]
Interval = tuple[float, float]


class CorrectionCoefficients(Document):
    """The coefficients that are added."""

    offset_db: Coefficient
    spreading_db_per_decade: Coefficient
    attenuation_db_per_km: Coefficient


class Scope(Document):
    """Smallest and largest of what the correction comes from; null where not known. Energies are as measured."""

    range_m: Extent
    energy_kj: Extent
    diameter_m: Extent
    water_depth_m: Extent
