"""`correction.json`: what is added to a later prediction by the same method, that is the bias with its sign changed.

correction(R) = offset + spreading·log10(R/R_ref) + attenuation·(R - R_ref)/1000
"""

from __future__ import annotations

from typing import Literal

from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.documents.fit import Coefficient, Covariance, SmallSample

Extent = tuple[float | None, float | None]


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


class Correction(Document):
    """The correction of one prediction method for one quantity, weighting, band, statistic and group of piles."""

    model_id: str
    quantity: str
    weighting: str
    band_hz: float | None
    foundation_type: str
    installation_method: str
    abatement: str
    reference_range_m: float
    coefficients: CorrectionCoefficients
    covariance: Covariance
    spread_between_piles_db: float
    spread_between_projects_db: float | None = None
    n_projects: int = 1
    n_piles: int
    scope: Scope
    flags: tuple[str, ...] = ()
    statistic: str | None = None
    n_pairs: int
    prediction_ids: tuple[str, ...] = ()
    small_sample: SmallSample


class CorrectionDocument(Document):
    """`correction.json`."""

    format_version: Literal[1] = 1
    project: str
    corrections: tuple[Correction, ...]
