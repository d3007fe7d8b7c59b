"""Statistics against numbers worked by hand, and what censoring makes null."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.strikes.summary import Series, statistics
from tests.reference_rows import reference_rows


def series(levels: list[float], censoring: list[str] | None = None, quantity: str = "exposure_level") -> Series:
    kinds = np.array(censoring or ["none"] * len(levels), dtype=object)
    return Series(quantity, "none", np.nan, np.array(levels), kinds)


def test_mean_of_levels_and_level_of_the_mean_energy() -> None:
    """terms.md, trap 6: 160 and 170 dB have the mean level 165 and the energy mean 167.4."""
    found = statistics(series([160.0, 170.0]))
    assert found["mean_db"] == pytest.approx(165.0)
    assert found["energy_mean_db"] == pytest.approx(167.4036, abs=1e-4)
    assert found["cumulative_exposure_level_db"] == pytest.approx(170.4139, abs=1e-4)  # + 10 lg 2


def test_quantiles_interpolate_linearly() -> None:
    """Levels 0 to 20: the 95th percentile (exceeded by 5 %) is 19, by definition 7 of Hyndman and Fan 1996."""
    found = statistics(series([float(k) for k in range(21)]))
    assert found["exceeded_5_db"] == pytest.approx(19.0)
    assert found["exceeded_95_db"] == pytest.approx(1.0)
    assert found["exceeded_90_db"] == pytest.approx(2.0)
    assert found["median_db"] == found["exceeded_50_db"] == pytest.approx(10.0)
    assert (found["minimum_db"], found["maximum_db"]) == (0.0, 20.0)


def test_a_limit_at_the_low_end_leaves_the_high_quantiles() -> None:
    found = statistics(series([140.0, 150.0, 151.0, 152.0, 153.0], ["at_most", "none", "none", "none", "none"]))
    assert found["n_strikes"] == 5
    assert found["n_censored"] == 1
    assert found["median_db"] == 151.0
    assert found["maximum_db"] == 153.0
    assert np.isnan(found["mean_db"])
    assert np.isnan(found["minimum_db"])
    assert np.isnan(found["energy_mean_db"])  # 140 dB among 150 dB moves it by 0.08 dB


def test_a_limit_far_below_does_not_move_the_energy() -> None:
    found = statistics(series([100.0, 150.0, 150.0], ["at_most", "none", "none"]))
    assert found["cumulative_exposure_level_db"] == pytest.approx(153.0103, abs=1e-3)


def test_a_clipped_strike_leaves_the_low_quantiles() -> None:
    found = statistics(series([150.0, 151.0, 152.0, 153.0, 160.0], ["none", "none", "none", "none", "at_least"]))
    assert found["median_db"] == 152.0
    assert np.isnan(found["maximum_db"])
    assert np.isnan(found["cumulative_exposure_level_db"])


def test_null_levels_do_not_count() -> None:
    found = statistics(series([150.0, np.nan, 152.0], quantity="rms_level"))
    assert found["n_strikes"] == 2
    assert found["mean_db"] == 151.0
    assert "cumulative_exposure_level_db" not in found


CONVENTIONS = [row for row in reference_rows("percentile_conventions.csv") if row["definition"] == "linear"]
DATA = {"150 to 169 in steps of 1": np.arange(150.0, 170.0), "1 to 100 in steps of 1": np.arange(1.0, 101.0)}


@pytest.mark.parametrize("row", CONVENTIONS, ids=lambda row: row["n"])
def test_exceeded_5_is_the_95th_percentile_by_linear_interpolation(row: dict[str, str]) -> None:
    """Definition 7 of Hyndman and Fan 1996; the others of the table differ by up to 1 dB on 20 strikes."""
    found = statistics(series(list(DATA[row["data"]])))
    assert found["exceeded_5_db"] == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_intervals_lie_about_their_statistics() -> None:
    levels = list(np.random.default_rng(6).normal(170.0, 2.0, 400))
    found = statistics(series(levels))
    for name in ("median", "exceeded_5"):
        assert found[f"{name}_lower_db"] < found[f"{name}_db"] < found[f"{name}_upper_db"]
    # closed form for independent values: the median's standard error is 1.2533 σ/√n; blocks are noisier than that
    width = found["median_upper_db"] - found["median_lower_db"]
    assert width / (2 * 1.96) == pytest.approx(1.2533 * 2.0 / 20.0, rel=0.4)


def test_intervals_that_censored_strikes_could_move_are_null() -> None:
    levels = np.random.default_rng(6).normal(170.0, 2.0, 400)
    faint = np.where(levels < 168.0, "at_most", "none").astype(object)
    found = statistics(Series("exposure_level", "none", np.nan, levels, faint))
    assert np.isfinite([found["median_lower_db"], found["median_upper_db"], found["exceeded_5_upper_db"]]).all()
    clipped = np.where(levels > np.quantile(levels, 0.96), "at_least", "none").astype(object)
    found = statistics(Series("exposure_level", "none", np.nan, levels, clipped))
    assert np.isfinite(found["exceeded_5_db"])
    assert np.isfinite(found["exceeded_5_lower_db"])
    assert np.isnan(found["exceeded_5_upper_db"])


def test_few_strikes_have_no_interval() -> None:
    found = statistics(series([float(k) for k in range(20)]))
    assert np.isnan([found["median_lower_db"], found["exceeded_5_upper_db"]]).all()
