"""Statistics over strikes, with and without censored ones."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.comparison.statistics import strike_statistic

INFINITE = np.inf


def _value(name: str, levels: list[float]) -> float:
    array = np.array(levels)
    return strike_statistic(name, array, array).value_db


def test_exceeded_by_five_percent_by_linear_interpolation() -> None:
    # Hyndman and Fan 1996, type 7: 150 to 169 in steps of 1 gives 168.05, 1 to 100 gives 95.05.
    assert _value("exceeded_5", list(np.arange(150.0, 170.0))) == pytest.approx(168.05, abs=1e-9)
    assert _value("exceeded_5", list(np.arange(1.0, 101.0))) == pytest.approx(95.05, abs=1e-9)


def test_mean_of_levels_is_not_the_energy_mean() -> None:
    # 160 and 170 dB: mean 165, energy mean 10 lg((10^16 + 10^17)/2) = 167.40 dB
    assert _value("mean", [160.0, 170.0]) == 165.0
    assert _value("energy_mean", [160.0, 170.0]) == pytest.approx(167.4036, abs=1e-4)
    assert _value("median", [160.0, 170.0, 171.0]) == 170.0
    assert _value("maximum", [160.0, 170.0, 171.0]) == 171.0


@pytest.mark.parametrize(
    ("name", "lowest", "highest", "expected"),
    [
        ("median", [-INFINITE, 160.0, 170.0, 171.0, 172.0], [150.0, 160.0, 170.0, 171.0, 172.0], 170.0),
        ("median", [-INFINITE, -INFINITE, 170.0], [150.0, 151.0, 170.0], None),
        ("median", [160.0, 161.0, 170.0], [160.0, 161.0, INFINITE], 161.0),
        ("maximum", [-INFINITE, 160.0, 170.0], [150.0, 160.0, 170.0], 170.0),
        ("maximum", [160.0, 170.0], [160.0, INFINITE], None),
        ("maximum", [-INFINITE, 170.0], [175.0, 170.0], None),
        ("mean", [-INFINITE, 170.0], [150.0, 170.0], None),
        ("energy_mean", [160.0, 170.0], [160.0, INFINITE], None),
        ("median", [-INFINITE, 165.0, 170.0], [INFINITE, 165.0, 170.0], None),
    ],
)
def test_censored_strikes_take_a_statistic_away_only_where_they_could_move_it(
    name: str, lowest: list[float], highest: list[float], expected: float | None
) -> None:
    found = strike_statistic(name, np.array(lowest), np.array(highest))
    assert found.n_strikes == len(lowest)
    assert np.isnan(found.value_db) if expected is None else found.value_db == expected


def test_standard_error_is_that_of_the_mean() -> None:
    levels = np.array([160.0, 162.0, 164.0, 166.0])
    assert strike_statistic("median", levels, levels).standard_error_db == pytest.approx(np.sqrt(20 / 3) / 2)
