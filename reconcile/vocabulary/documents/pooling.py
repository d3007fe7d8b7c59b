"""What a correction from several projects says of how it was come by: contributions, spread, validation."""

from __future__ import annotations

from typing import Literal

from reconcile.vocabulary.documents.correction_parts import CorrectionCoefficients, Interval, Scope
from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.documents.fit import Covariance

ValidationFinding = Literal["better", "worse", "not_shown"]


class Contribution(Document):
    """What one project gave: its own correction at the pooled reference range, and its share in the pooled offset."""

    project: str
    coefficients: CorrectionCoefficients
    covariance: Covariance
    offset_interval_95_db: Interval
    weight_percent: float
    spread_between_piles_db: float
    n_piles: int
    n_pairs: int | None = None
    prediction_ids: tuple[str, ...] = ()
    scope: Scope
    flags: tuple[str, ...] = ()


class CoefficientHeterogeneity(Document):
    """How one coefficient differs between projects. `tau` is REML's without the prior, `tau_used` with it."""

    coefficient: str
    n_projects: int
    tau: float
    tau_used: float
    q: float
    q_degrees_of_freedom: int
    q_p_value: float
    i_squared_percent: float


class LeftOut(Document):
    """The pooled offset at the reference range without one project."""

    project: str
    offset_db: float
    offset_interval_95_db: Interval
    spread_between_projects_db: float


class SpreadPriorUsed(Document):
    """The prior of the spread between projects, worth `worth` further projects with these standard deviations."""

    offset_db: float
    spreading_db_per_decade: float
    attenuation_db_per_km: float
    worth: float


class ValidatedProject(Document):
    """Mean absolute error over a project's ranges, uncorrected and corrected by the other projects."""

    project: str
    range_m: tuple[float, ...]
    uncorrected_db: float
    corrected_db: float
    within_interval: bool


class Validation(Document):
    """Leave-one-project-out: is a prediction better when corrected by what the other projects taught?

    `gain_db` is the mean over projects of uncorrected less corrected error, with its 95 % interval from Student's t.
    """

    projects: tuple[ValidatedProject, ...]
    uncorrected_db: float
    corrected_db: float
    gain_db: float
    gain_interval_95_db: Interval | None
    n_improved: int
    n_within_interval: int
    finding: ValidationFinding
    words: str


class PooledEvidence(Document):
    """How a pooled correction was come by. Intervals are at the reference range."""

    model: Literal["multivariate", "univariate"]
    hartung_knapp_factor: float
    degrees_of_freedom: float
    degrees_of_freedom_new_project: float
    between_projects: Covariance
    prior: SpreadPriorUsed | None
    heterogeneity: tuple[CoefficientHeterogeneity, ...]
    offset_interval_95_db: Interval
    offset_new_project_interval_95_db: Interval
    spreading_interval_95_db: Interval | None
    contributions: tuple[Contribution, ...]
    leave_one_out: tuple[LeftOut, ...]
    validation: Validation | None


class PooledSource(Document):
    """A file that was pooled: name as given without its folders, SHA-256, and the projects in it."""

    file: str
    sha256: str
    projects: tuple[str, ...]
