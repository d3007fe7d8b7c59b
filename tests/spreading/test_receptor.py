"""Exposure of receptors that stay or flee, against the published closed vectors and integrals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from reconcile.spreading.receptor import fleeing_exposure_level_db, fleeing_range_m
from tests.reference_rows import reference_rows

# Levels at 750 m, a strike every 2 s, strike 0 at the start range: closed sums, four decimals.
RECEPTORS = [
    row
    for row in reference_rows("cumulative_exposure_examples.csv")
    if row["check"] in ("fleeing_receptor", "static_receptor")
]


def law(n: float, alpha: float = 0.0, reference_m: float = 750.0) -> Callable[[np.ndarray], np.ndarray]:
    """-N lg(R/R_ref) - alpha (R - R_ref)/1000."""
    return lambda r: -n * np.log10(r / reference_m) - alpha * (r - reference_m) / 1000.0


@pytest.mark.parametrize(
    "row", RECEPTORS, ids=lambda r: f"{r['start_range_m']}-{r['spreading_coefficient']}-{r['check']}"
)
def test_closed_vectors(row: dict[str, str]) -> None:
    times = 2.0 * np.arange(int(row["n_strikes"]))
    found = fleeing_exposure_level_db(
        float(row["exposure_level_db"]),
        times,
        float(row["start_range_m"]),
        float(row["speed_m_s"]),
        law(float(row["spreading_coefficient"])),
    )
    assert found == pytest.approx(float(row["expected_db"]), abs=float(row["tolerance"]))


def test_there_are_vectors_of_both_kinds() -> None:
    assert {row["check"] for row in RECEPTORS} == {"fleeing_receptor", "static_receptor"}


def test_attenuation_and_unequal_strikes_by_hand() -> None:
    """Two strikes, at 1000 m and 2000 m: 170 - 0 - 2·0 and 173 - 20 lg 2 - 2·1, with reference range 1000 m."""
    found = fleeing_exposure_level_db([170.0, 173.0], [0.0, 1000.0], 1000.0, 1.0, law(20.0, 2.0, 1000.0))
    far = 173.0 - 20.0 * np.log10(2.0) - 2.0
    assert found == pytest.approx(10.0 * np.log10(10.0**17.0 + 10.0 ** (far / 10.0)), abs=1e-9)


def test_many_faint_strikes_tend_to_the_integral() -> None:
    """N = 20: Σ (R_ref/r)² → (R_ref²/(v dt)) (1/r0 − 1/r1), strikes close together (closed form, midpoint rule)."""
    dt, speed, start, n = 0.05, 2.0, 400.0, 20_000
    times = dt * (np.arange(n) + 0.5)
    end = start + speed * dt * n
    found = fleeing_exposure_level_db(160.0, times, start, speed, law(20.0))
    integral = 750.0**2 / (speed * dt) * (1.0 / start - 1.0 / end)
    assert found == pytest.approx(160.0 + 10.0 * np.log10(integral), abs=1e-5)


def test_it_starts_where_it_is_said() -> None:
    assert fleeing_range_m([0.0, 10.0], 200.0, 1.5).tolist() == [200.0, 215.0]
    assert np.isnan(fleeing_exposure_level_db([], [], 200.0, 1.5, law(15.0)))
