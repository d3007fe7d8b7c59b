"""Foundation and sound over several projects: what was measured, in which order, and what goes with what."""

from __future__ import annotations

from reconcile.vocabulary.documents.correction_parts import Interval
from reconcile.vocabulary.documents.document import Document


class FoundationLevels(Document):
    """One project's piles of one foundation type, installation method and abatement, at the reference range.

    Exposure is that of one strike (impact) or of one second (other work); `activity_exposure_db` is the cumulative
    exposure of a whole installation, the mean over its piles. `basis` is `fit`, `summary` or `assumed_slope`.
    """

    project: str
    foundation_type: str
    installation_method: str
    abatement: str
    reference_range_m: float
    n_piles: int
    diameter_m: float | None
    rated_energy_kj: float | None
    strike_energy_kj: float | None
    water_depth_m: float | None
    duration_h: float | None
    exposure_level_db: float | None
    exposure_standard_error_db: float | None
    peak_level_db: float | None
    peak_standard_error_db: float | None
    activity_exposure_db: float | None
    activity_standard_error_db: float | None
    basis: str


class RankedGroup(Document):
    """A foundation type and method with its mean level over projects, and the medians of what goes with it."""

    foundation_type: str
    installation_method: str
    n_projects: int
    n_piles: int
    level_db: float
    level_interval_95_db: Interval
    diameter_m: float | None
    rated_energy_kj: float | None
    water_depth_m: float | None
    duration_h: float | None


class GroupDifference(Document):
    """Louder less quieter of two groups that follow each other, and the confounders that differ between them too."""

    louder: tuple[str, str]
    quieter: tuple[str, str]
    difference_db: float
    interval_95_db: Interval
    distinguished: bool
    confounders: tuple[str, ...]


class Ranking(Document):
    """Groups of one abatement state from loud to quiet, by one measure."""

    measure: str
    abatement: str
    groups: tuple[RankedGroup, ...]
    differences: tuple[GroupDifference, ...]
    words: str


class Association(Document):
    """How the level of impact piling goes with one property, per tenfold of it, over projects and groups."""

    measure: str
    abatement: str
    property: str
    n: int
    slope_db_per_decade: float
    interval_95_db: Interval
    goes_with: tuple[str, ...]
    words: str


class FoundationRelation(Document):
    """The relation of foundation to sound as measured over the pooled projects."""

    levels: tuple[FoundationLevels, ...]
    rankings: tuple[Ranking, ...]
    associations: tuple[Association, ...]
