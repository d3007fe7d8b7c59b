"""Intervals of a chosen fit held against campaigns drawn from it, where limits and few groups leave no exact theory."""

from __future__ import annotations

import zlib

import numpy as np

from reconcile.inference.parametric_bootstrap import widening
from reconcile.spreading.cells import Cells
from reconcile.spreading.laws import FITTED, Law, columns
from reconcile.vocabulary.documents.fit import Fit, IntervalBasis

FEW_GROUPS = 10  # piles, or places: with fewer the degrees of freedom matter
MOST_CELLS, MOST_CELLS_OF_A_BAND = 80, 30  # about a second, and a tenth: time grows as the cube of their number
_POINTS = 5  # of the curve, over the measured ranges
_NAMES = ("level_at_reference_db", "spreading_coefficient_db_per_decade", "attenuation_db_per_km")


def with_bootstrap(fit: Fit, law: Law, cells: Cells) -> Fit:
    """The fit with its intervals widened as far as a parametric bootstrap asks for; never narrowed.

    The replicates know no more of the spreads than the fit does, so that a factor below 1 would be no knowledge.
    """
    refusal = _refusal(fit, law, cells)
    if refusal is not None:
        return fit if not refusal else _with(fit, refusal)
    fitted, ranges = law.fitted, np.geomspace(fit.range_min_m, fit.range_max_m, _POINTS)
    places = FITTED[law.model]
    contrasts = np.concatenate([np.eye(len(places)), columns(ranges, fit.reference_range_m)[:, places]])
    seed = zlib.crc32(np.round(fitted.groups.mean, 6).tobytes())
    if fitted.limited is None or fitted.layout is None:
        return fit
    found = widening(fitted.groups, fitted.X, fitted.layout, fitted.limited, contrasts, seed)
    if found is None:
        return _with(fit, "with limits; the bootstrap did not settle, so the degrees of freedom are an approximation")
    factors = np.maximum(found.factors, 1.0).tolist()
    of_coefficients = dict(zip((_NAMES[k] for k in places), factors[: len(places)], strict=True))
    basis = IntervalBasis(
        method="bootstrap",
        reason="limits, and fewer than ten piles or places",
        n_replicates=found.n_replicates,
        seed=seed,
        range_m=tuple(ranges.tolist()),
        factors=tuple(factors[len(places) :]),
        coefficient_factors=of_coefficients,
    )
    intervals = {
        name: _widened(low, high, of_coefficients.get(name, 1.0))
        for name, (low, high) in fit.coefficient_intervals_95.items()
    }
    return fit.model_copy(update={"intervals_by": basis, "coefficient_intervals_95": intervals})


def _refusal(fit: Fit, law: Law, cells: Cells) -> str | None:
    """Why there is no bootstrap: empty where none is needed, None where there is to be one."""
    if not cells.n_censored or law.fitted.layout is None or min(fit.n_piles, fit.n_stations) >= FEW_GROUPS:
        return ""
    approximate = "so the degrees of freedom are an approximation"
    if law.model == "two_regime":
        return f"with limits; the law of two regimes is not linear, {approximate}"
    if cells.n > (MOST_CELLS if fit.band_hz is None else MOST_CELLS_OF_A_BAND):
        return f"with limits; too many piles and places for a bootstrap of this fit, {approximate}"
    if law.fitted.limited is None:
        return f"with limits; strikes are not repeated, {approximate}"
    return None


def _with(fit: Fit, reason: str) -> Fit:
    return fit.model_copy(update={"intervals_by": IntervalBasis(method="satterthwaite", reason=reason)})


def _widened(low: float, high: float, factor: float) -> tuple[float, float]:
    centre, half = (low + high) / 2.0, factor * (high - low) / 2.0
    return centre - half, centre + half
