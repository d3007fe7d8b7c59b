"""`correction.json`: what is added to a later prediction by the same method, that is the bias with its sign changed.

correction(R) = offset + spreading·log10(R/R_ref) + attenuation·(R - R_ref)/1000
"""

from __future__ import annotations

from typing import Literal

from reconcile.vocabulary.documents.correction_parts import CorrectionCoefficients, Extent, Scope
from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.documents.fit import Covariance, SmallSample
from reconcile.vocabulary.documents.foundations import FoundationRelation
from reconcile.vocabulary.documents.pooling import PooledEvidence, PooledSource

__all__ = ["Correction", "CorrectionCoefficients", "CorrectionDocument", "Extent", "Scope"]


class Correction(Document):
    """The correction of one prediction method for one quantity, weighting, band, statistic and group of piles.

    `pooled` says how one from several projects was come by; `small_sample` is of one project's own fit; `project` is
    whose it is where only one project of a pooled file had it.
    """

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
    n_pairs: int | None = None
    prediction_ids: tuple[str, ...] = ()
    small_sample: SmallSample | None = None
    project: str | None = None
    pooled: PooledEvidence | None = None


class CorrectionDocument(Document):
    """`correction.json`, of one project or pooled; `projects` names those that were pooled."""

    format_version: Literal[1] = 1
    project: str
    corrections: tuple[Correction, ...]
    projects: tuple[str, ...] = ()
    sources: tuple[PooledSource, ...] = ()
    versions: dict[str, str] = {}  # noqa: RUF012 - of the program that pooled
    foundations: FoundationRelation | None = None
