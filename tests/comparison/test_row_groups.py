"""Predicted curves: grouping, interpolation, carrying."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from reconcile.comparison.row_groups import row_groups
from reconcile.spreading import fit_levels
from reconcile.vocabulary.documents.fit import Fit
from tests.spreading.level_campaigns import prediction


def _fit() -> Fit:
    table = pd.DataFrame({"range_m": [100.0, 1000.0, 10_000.0], "level_db": [190.0, 170.0, 150.0]})
    return next(fit for fit in fit_levels(table).fits if fit.model == "spreading")  # N = 20 exactly


def test_rows_equal_in_all_but_range_and_level_are_one_curve() -> None:
    rows = [
        prediction(1500.0, 168.0, line=2),
        prediction(750.0, 174.0, line=3),
        prediction(750.0, 190.0, line=4, quantity="peak_level"),
        prediction(750.0, 180.0, line=5, statistic="maximum"),
        prediction(3000.0, 162.0, line=6),
    ]
    groups = row_groups(rows)
    assert [(group.range_m, group.level_db) for group in groups] == [
        ((750.0, 1500.0, 3000.0), (174.0, 168.0, 162.0)),
        ((750.0,), (190.0,)),
        ((750.0,), (180.0,)),
    ]


def test_linear_in_log_range_within() -> None:
    (group,) = row_groups([prediction(100.0, 190.0), prediction(1000.0, 170.0)])
    found = group.at(10**2.5, None)
    assert found.level_db == pytest.approx(180.0)
    assert not found.carried
    assert not found.extrapolated
    assert group.at(1000.0, None).level_db == 170.0


@pytest.mark.parametrize(
    ("range_m", "expected", "carried"),
    [
        (1500.0, 170.0 - 20.0 * math.log10(1.5), True),
        (1501.0, 170.0 - 20.0 * math.log10(1.501), False),
        (100.0 / 1.5, 185.0 + 20.0 * math.log10(1.5), True),
        (50.0, 185.0 + 20.0 * math.log10(2.0), False),
    ],
)
def test_carried_by_the_slope_of_the_fit_up_to_a_factor_of_one_and_a_half(
    range_m: float, expected: float, carried: bool
) -> None:
    # The prediction falls by 15 dB per decade, the fit by 20: beyond the ends the fit's slope counts.
    (group,) = row_groups([prediction(100.0, 185.0), prediction(1000.0, 170.0)])
    found = group.at(range_m, _fit())
    assert found.level_db == pytest.approx(expected, abs=1e-6)
    assert found.carried == carried
    assert found.extrapolated != carried


def test_a_single_range_is_carried_the_same_way() -> None:
    (group,) = row_groups([prediction(750.0, 176.0)])
    assert group.at(750.0, None).level_db == 176.0
    assert group.at(900.0, _fit()).level_db == pytest.approx(176.0 - 20.0 * math.log10(1.2))
    assert math.isnan(group.at(900.0, None).level_db)


def test_the_statistic_of_a_prediction() -> None:
    stated, by_energy, unknown, cumulative = row_groups(
        [
            prediction(750.0, 176.0, statistic="exceeded_5"),
            prediction(750.0, 176.0, statistic=None, energy_kj=2000.0),
            prediction(750.0, 176.0, statistic=None),
            prediction(750.0, 206.0, statistic=None, quantity="cumulative_exposure_level"),
        ]
    )
    assert (stated.statistic, by_energy.statistic, unknown.statistic, cumulative.statistic) == (
        "exceeded_5",
        "median",
        None,
        None,
    )
    assert (stated.basis_known, by_energy.basis_known, unknown.basis_known, cumulative.basis_known) == (
        True,
        True,
        False,
        True,
    )
