"""Forecast levels and distances: values in closed form, scope, what is not stated, intervals for a new project."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t as student_t

from reconcile.transfer.forecast import forecast_levels
from reconcile.transfer.forecast_ranges import forecast_ranges
from reconcile.transfer.pooling import pooled_document
from reconcile.transfer.project_corrections import Source
from reconcile.transfer.spread_prior import SPREAD_BETWEEN_PROJECTS
from reconcile.vocabulary.documents.campaign import PredictedRange, Prediction
from reconcile.vocabulary.documents.correction import CorrectionDocument
from tests.transfer.invented_projects import SCOPE, correction, document

COVARIANCE = np.array([[0.5, 0.2], [0.2, 0.9]])
OFFSETS = [-1.0, -6.0, -4.5, -3.0, -8.0, 0.5, -2.0, -5.0, -7.0]


def _row(range_m: float = 750.0, level_db: float = 178.0, **changes: object) -> Prediction:
    facts: dict[str, object] = {
        "line": 2,
        "prediction_id": "N1",
        "quantity": "exposure_level",
        "statistic": "median",
        "abatement": "none",
        "model_id": "M1",
        "foundation_type": "monopile",
        "installation_method": "impact",
    }
    return Prediction.model_validate({"range_m": range_m, "level_db": level_db} | facts | changes)


def _single(**changes: object) -> CorrectionDocument:
    return document("A", correction(-4.0, 2.0, covariance=COVARIANCE, **changes))


def _pooled(offsets: list[float]) -> CorrectionDocument:
    entries = [correction(v, offset_variance=0.5) for v in offsets]
    return pooled_document([Source(f"{i}", document(f"P{i}", c)) for i, c in enumerate(entries)])


def test_the_correction_is_added_at_the_row_s_range() -> None:
    (level,) = forecast_levels([_row(3000.0, 169.0)], _single())
    added = -4.0 + 2.0 * math.log10(4.0)
    assert level.correction_db == pytest.approx(added)
    assert level.corrected_level_db == pytest.approx(169.0 + added)
    assert level.flags == ("one_project",)


def test_the_interval_from_one_project_holds_the_assumed_spread_twice() -> None:
    """Variance: own errors, twice the prior's between projects (that project and the new one), and a pile's."""
    (level,) = forecast_levels([_row(7500.0)], _single(scope=SCOPE.model_copy(update={"range_m": (100.0, 9000.0)})))
    row = np.array([1.0, 1.0])
    prior = np.diag(np.square(SPREAD_BETWEEN_PROJECTS.standard_deviations[:2]))
    project, pile = float(row @ (COVARIANCE + 2 * prior) @ row), 1.5**2
    degrees = (project + pile) ** 2 / (project**2 / 2.0 + pile**2 / (3 + 2.0))
    half = student_t.ppf(0.975, degrees) * math.sqrt(project + pile)
    assert level.upper_95_db is not None
    assert level.lower_95_db is not None
    assert (level.upper_95_db - level.lower_95_db) / 2 == pytest.approx(half, rel=1e-6)


def test_the_interval_from_many_projects_holds_the_spread_between_projects_and_piles() -> None:
    (level,) = forecast_levels([_row()], _pooled(OFFSETS))
    spread = np.var(OFFSETS, ddof=1)
    project, pile = (spread - 0.5) + spread / 9, 1.5**2
    degrees = (project + pile) ** 2 / (project**2 / 7.0 + pile**2 / (27 + 2.0))
    half = student_t.ppf(0.975, degrees) * math.sqrt(project + pile)
    assert level.corrected_level_db == pytest.approx(178.0 + np.mean(OFFSETS))
    assert level.upper_95_db == pytest.approx(178.0 + np.mean(OFFSETS) + half, rel=1e-6)


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"range_m": 399.0}, ("range_m",)),
        ({"range_m": 5001.0}, ("range_m",)),
        ({"energy_kj": 3000.0}, ("energy_kj",)),
        ({"diameter_m": 11.0, "water_depth_m": 60.0}, ("diameter_m", "water_depth_m")),
        ({"range_m": 400.0, "energy_kj": 300.0, "diameter_m": 9.0, "water_depth_m": None}, ()),
    ],
)
def test_outside_the_scope_is_flagged_and_still_corrected(changes: dict[str, object], where: tuple[str, ...]) -> None:
    (level,) = forecast_levels([_row(**changes)], _single())  # type: ignore[arg-type]
    assert level.outside_scope_in == where
    assert ("outside_scope" in level.flags) == bool(where)
    assert level.corrected_level_db is not None


@pytest.mark.parametrize(
    "changes",
    [
        {"model_id": "M2"},
        {"quantity": "peak_level"},
        {"weighting": "nmfs-2024:LF"},
        {"band_hz": 125.0},
        {"statistic": "mean"},
        {"foundation_type": "jacket"},
        {"installation_method": "vibratory"},
        {"abatement": "bubble curtain"},
    ],
    ids=str,
)
def test_without_a_correction_levels_are_null(changes: dict[str, object]) -> None:
    (level,) = forecast_levels([_row(**changes)], _single())  # type: ignore[arg-type]
    assert level.flags == ("no_correction",)
    found = (level.correction_db, level.corrected_level_db, level.lower_95_db, level.upper_95_db)
    assert found == (None, None, None, None)


def test_what_a_row_does_not_state_is_flagged_and_ambiguity_refused() -> None:
    silent = _row(statistic=None, foundation_type=None, installation_method=None, abatement=None)
    (level,) = forecast_levels([silent], _single())
    assert set(level.flags) == {"abatement_not_stated", "group_not_stated", "statistic_not_stated", "one_project"}
    both = document("A", correction(-4.0), correction(-2.0, foundation_type="jacket"))
    (unsure,) = forecast_levels([silent], both)
    assert unsure.flags == ("no_correction", "group_ambiguous")
    assert unsure.corrected_level_db is None
    assert forecast_levels([_row(statistic=None, energy_kj=900.0)], _single())[0].flags == ("one_project",)


def test_a_range_between_the_projects_is_said() -> None:
    scopes = [SCOPE.model_copy(update={"range_m": ends}) for ends in ((400.0, 800.0), (3000.0, 6000.0))]
    entries = [document(f"P{i}", correction(-1.0 * i, scope=s)) for i, s in enumerate(scopes)]
    pooled = pooled_document([Source(str(i), d) for i, d in enumerate(entries)])
    flags = [level.flags for level in forecast_levels([_row(500.0), _row(1500.0), _row(4000.0)], pooled)]
    assert ["between_scopes" in f for f in flags] == [False, True, False]


def _range(threshold_db: float, range_m: float, **changes: object) -> PredictedRange:
    facts: dict[str, object] = {
        "line": 2,
        "prediction_id": "N1",
        "quantity": "exposure_level",
        "threshold_db": threshold_db,
        "range_m": range_m,
        "model_id": "M1",
        "abatement": "none",
        "statistic": "median",
    }
    return PredictedRange.model_validate(facts | changes)


def _levels(coefficient: float = 15.0) -> list[Prediction]:
    return [_row(r, 178.0 - coefficient * math.log10(r / 750.0)) for r in (300.0, 750.0, 2000.0, 9000.0)]


def test_a_distance_moves_by_the_correction_in_closed_form() -> None:
    """178 - 15 lg(R/750) - 4 + 2 lg(R/750) = T: a straight line of 13 dB per decade."""
    threshold = 165.0
    predicted = 750.0 * 10 ** ((178.0 - threshold) / 15.0)
    (found,) = forecast_ranges([_range(threshold, predicted)], _levels(), _single())
    assert found.corrected_range_m == pytest.approx(750.0 * 10 ** ((174.0 - threshold) / 13.0), rel=1e-6)
    assert found.lower_95_m is not None
    assert found.lower_95_m < found.corrected_range_m
    (level,) = forecast_levels([_row(found.lower_95_m, 178.0 - 15.0 * math.log10(found.lower_95_m / 750.0))], _single())
    assert level.lower_95_db == pytest.approx(threshold, abs=1e-6)  # the end of the levels' interval lies there


def test_a_predicted_distance_keeps_its_own_footing() -> None:
    """A distance that is a 95th percentile over bearings is longer than the curve's: the ratio stays."""
    threshold, own = 165.0, 750.0 * 10 ** (13.0 / 15.0)
    flat = document("A", correction(-4.0))
    plain, longer = forecast_ranges([_range(threshold, own), _range(threshold, 1.3 * own)], _levels(), flat)
    assert plain.corrected_range_m is not None
    assert longer.corrected_range_m == pytest.approx(1.3 * plain.corrected_range_m, rel=1e-6)


def test_distances_without_levels_and_thresholds_that_are_not_met() -> None:
    (bare,) = forecast_ranges([_range(165.0, 5000.0)], [_row()], _single())
    assert bare.flags == ("no_correction", "no_predicted_levels")
    assert bare.corrected_range_m is None
    rising = document("A", correction(-1.0, 20.0, covariance=COVARIANCE))  # rises faster than the prediction falls
    (never,) = forecast_ranges([_range(165.0, 5500.0)], _levels(), rising)
    assert "threshold_not_met" in never.flags


def test_a_cumulative_distance_takes_the_exposure_correction() -> None:
    row = _range(200.0, 1000.0, quantity="cumulative_exposure_level", statistic=None, n_strikes=3000)
    (found,) = forecast_ranges([row], _levels(), document("A", correction(-4.0)))
    assert found.corrected_range_m == pytest.approx(1000.0 * 10 ** (-4.0 / 15.0), rel=1e-6)
    assert "exposure_correction_used" in found.flags


def test_outside_the_scope_counts_the_corrected_distance() -> None:
    (found,) = forecast_ranges([_range(176.0, 1019.0)], _levels(), document("A", correction(-8.0)))
    assert found.corrected_range_m is not None
    assert found.corrected_range_m < SCOPE.range_m[0]  # type: ignore[operator]
    assert found.outside_scope_in == ("range_m",)
