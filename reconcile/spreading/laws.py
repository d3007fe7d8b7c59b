"""The fitted laws as linear models of the cells: what each fits, what it fixes, and how well it foretells."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from reconcile.inference import Groups, LinearFit, Structure, fit_student, profile_interval, separable_least_squares
from reconcile.inference.mixed import RESIDUAL
from reconcile.spreading.cell_fits import CellFit, fit_cells, shifted
from reconcile.spreading.cells import LEAST_RESIDUAL_SD_DB, Cells
from reconcile.spreading.leaving_out import WithoutPlace, foretold_db, without_places
from reconcile.spreading.models import CYLINDRICAL_DB_PER_DECADE, beyond_transition
from reconcile.vocabulary.documents.fit import ModelName
from reconcile.vocabulary.quantities import FloatArray

# Which of (level at reference, N, alpha) each model fits; the fixed ones are N = 0 or 10 and no attenuation beyond
# the absorption of sea water.
FITTED: dict[ModelName, tuple[int, ...]] = {
    "spreading": (0, 1),
    "damped_cylindrical": (0, 2),
    "spreading_attenuation": (0, 1, 2),
    "two_regime": (0, 1, 3, 4),  # the last two: spreading added beyond the transition, and log10 of its range
}


@dataclass(frozen=True, slots=True)
class Law:
    """A model fitted to the cells.

    `minus_2_log_likelihood` is of maximum likelihood, for comparing models. `foretold_db` holds the root mean square
    errors with which stations, piles (or, without labels, rows) left out in turn are predicted; None where leaving one
    out leaves too little.
    """

    model: ModelName
    linear: LinearFit
    minus_2_log_likelihood: float
    left_out_station_db: float | None
    left_out_pile_db: float | None
    residual_db: FloatArray  # of the heard cells about the curve
    without: tuple[WithoutPlace, ...]
    fitted: CellFit
    absorption_db_per_km: float
    transition_log10_range: float | None = None
    transition_interval_95: tuple[float, float] | None = None
    student: bool = False  # a Student t residual in place of a normal one

    @property
    def one_station_decides(self) -> bool:
        """Whether the curve without one of the places leaves its own 95 % interval at some station's range."""
        return any(one.decides for one in self.without)

    @property
    def further_spreading_db_per_decade(self) -> float:
        """What the two-regime law adds beyond the transition."""
        return self._coefficient(3, 0.0)

    @property
    def spreading_db_per_decade(self) -> float:
        """N, fitted or fixed."""
        fixed = CYLINDRICAL_DB_PER_DECADE if self.model == "damped_cylindrical" else 0.0
        return self._coefficient(1, fixed)

    @property
    def attenuation_db_per_km(self) -> float:
        """What is fitted beyond the absorption of sea water; 0 where nothing is."""
        return self._coefficient(2, 0.0)

    @property
    def correlation(self) -> float:
        """Of the errors of N and alpha where both are fitted, else 0."""
        if FITTED[self.model] != (0, 1, 2):
            return 0.0
        covariance = self.linear.covariance
        return float(covariance[1, 2] / np.sqrt(covariance[1, 1] * covariance[2, 2]))

    def _coefficient(self, which: int, otherwise: float) -> float:
        fitted = FITTED[self.model]
        return float(self.linear.coefficients[fitted.index(which)]) if which in fitted else otherwise


def columns(range_m: FloatArray, reference_range_m: float) -> FloatArray:
    """Derivatives of the level by (level at reference, N, alpha), one row for each range."""
    decades = np.log10(range_m / reference_range_m)
    return np.stack([np.ones_like(decades), -decades, -(range_m - reference_range_m) / 1000.0], axis=1)


def fit_law(
    model: ModelName, cells: Cells, reference_range_m: float, layout: Structure | None, absorption_db_per_km: float
) -> Law:
    """Fit one law with a linear design: least squares where nothing is shared or limited, else the mixed model."""
    groups, X = _linear_design(model, cells, reference_range_m, absorption_db_per_km)
    return _law(model, fit_cells(groups, X, cells, layout), cells, absorption_db_per_km)


def fit_two_regimes(
    cells: Cells, reference_range_m: float, layout: Structure | None, absorption_db_per_km: float
) -> Law | None:
    """Fit the two-regime law; None where no transition within the ranges fits better than one at their ends.

    The transition is sought by least squares, whitened with the covariance that the law with attenuation finds; then
    all coefficients are fitted, with the curve's derivative by the transition as a further column.
    """
    design = columns(cells.range_m, reference_range_m)
    groups = shifted(cells.groups, -absorption_db_per_km * design[:, 2])
    start = fit_cells(groups, design, cells, layout)
    ranges = cells.range_m[start.used]
    V = np.eye(ranges.size) if start.V is None else start.V
    root = np.linalg.inv(np.linalg.cholesky(V))

    def bent(log_range: float) -> FloatArray:
        bend = beyond_transition(cells.range_m, 10.0**log_range, reference_range_m)
        return np.column_stack([design[:, :2], -bend])

    inner = np.unique(np.round(np.log10(np.sort(ranges)), 2))[[1, -2]]
    bracket, whitened = (float(inner[0]), float(inner[1])), root @ start.response

    def white(log_range: float) -> FloatArray:
        return np.asarray(root @ bent(log_range)[start.used])

    found = separable_least_squares(whitened, white, bracket)
    if found is None:
        return None
    further = float(found.linear.coefficients[2])
    beyond = (np.log10(cells.range_m) > found.tau) * 1.0 - float(math.log10(reference_range_m) > found.tau)
    X = np.column_stack([bent(found.tau), further * beyond])
    if np.linalg.matrix_rank(X[cells.heard]) < X.shape[1]:
        return None
    law = _law("two_regime", fit_cells(groups, X, cells, layout), cells, absorption_db_per_km)
    between = profile_interval(whitened, white, bracket, found)
    return replace(law, transition_log10_range=found.tau, transition_interval_95=between)


def with_student_residual(law: Law, cells: Cells, reference_range_m: float, layout: Structure | None) -> Law | None:
    """A law refitted with a Student t residual; None where strikes are limited or the law is not linear.

    Likelihood and left-out errors stay those of the normal fit: they compare between laws.
    """
    if cells.groups.limited.n or law.model == "two_regime":
        return None
    groups, X = _linear_design(law.model, cells, reference_range_m, law.absorption_db_per_km)
    if layout is None:
        nothing, one = np.zeros((cells.n, cells.n)), np.eye(cells.n)
        linear = fit_student(
            groups.mean, X, Structure((RESIDUAL,), (one,), (one,), (None,), nothing), np.zeros(cells.n)
        )
    else:
        least = LEAST_RESIDUAL_SD_DB**2
        shared = replace(layout, known=layout.known - least * np.eye(cells.n))
        linear = fit_student(groups.mean, X, shared, cells.variance_of_mean + least)
    residual = (groups.mean - X @ linear.coefficients)[cells.heard]
    return replace(law, linear=linear, residual_db=residual, student=True)


def _linear_design(
    model: ModelName, cells: Cells, reference_range_m: float, absorption_db_per_km: float
) -> tuple[Groups, FloatArray]:
    """Levels less what a law fixes, and the columns of what it fits."""
    design = columns(cells.range_m, reference_range_m)
    fixed = -absorption_db_per_km * design[:, 2]
    if model == "damped_cylindrical":
        fixed = fixed - CYLINDRICAL_DB_PER_DECADE * design[:, 1]
    return shifted(cells.groups, fixed), design[:, FITTED[model]]


def _law(model: ModelName, fitted: CellFit, cells: Cells, absorption_db_per_km: float) -> Law:
    station, pile = foretold_db(fitted, cells)
    residual = np.zeros(cells.n)
    residual[fitted.used] = fitted.response - fitted.design @ fitted.linear.coefficients
    return Law(
        model=model,
        linear=fitted.linear,
        minus_2_log_likelihood=fitted.minus_2_log_likelihood,
        left_out_station_db=station,
        left_out_pile_db=pile,
        residual_db=residual[cells.heard],
        without=tuple(without_places(fitted, cells)),
        fitted=fitted,
        absorption_db_per_km=absorption_db_per_km,
    )
