"""Five pooled projects and a sixth forecast, with a shared bias at 0, 1, 2 and 4 times the spread between projects.

Seeds, sizes and bands below were fixed before the first run; nothing is redrawn. The oracle knows the shared bias and
the spread between projects and piles; no forecast can know the sixth project's own part. A level that is forecast is
that of one pile of the sixth project. Five projects whose own errors are zero already cost sqrt(1 + 1/5) = 1.095 where
a project's mean is forecast and not a pile; with errors no method reaches 1.1 there, which is printed as well.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from reconcile.inference.meta_analysis import RandomEffects
from reconcile.transfer.correction_curve import correction_curve
from reconcile.transfer.pooling import pooled_correction
from reconcile.transfer.project_corrections import ProjectCorrection
from reconcile.transfer.project_effects import project_effects
from reconcile.vocabulary.documents.correction import Correction
from tests.transfer.invented_projects import correction

RATIOS = (0.0, 1.0, 2.0, 4.0)  # shared bias over spread between projects
SPREAD_DB, PILE_DB, SLOPE_SPREAD_DB = 2.0, 1.5, 2.0
PROJECTS, SIXTHS = 5, 25  # new projects that are forecast from each five
GATE, LONG = 150, 1000  # fives for each ratio
MOST_ERROR = 1.1  # of the oracle's mean absolute error
COVERAGE = (0.90, 0.99)  # of 95 % intervals: small-sample and prior make them rather too wide
RANGES_M = np.array([500.0, 750.0, 1500.0, 3000.0])


def _projects(
    random: np.random.Generator, shared: np.ndarray, with_slope: bool, spread_db: float = SPREAD_DB, n: int = PROJECTS
) -> list[Correction]:
    """Projects of four piles; chains, places and the common part in their stated variances (about 1.1 dB²)."""
    spread = np.diag([spread_db**2, SLOPE_SPREAD_DB**2])
    found = []
    for size in random.uniform(0.6, 1.6, n):
        own = size * np.array([[1.1, 0.2], [0.2, 2.0]])
        value = shared + random.multivariate_normal([0.0, 0.0], spread + own)
        piles = float(PILE_DB * math.sqrt(random.chisquare(3) / 3.0))
        if with_slope:
            found.append(correction(value[0], value[1], covariance=own, spread_between_piles_db=piles))
        else:
            found.append(correction(value[0], offset_variance=float(own[0, 0]), spread_between_piles_db=piles))
    return found


def _run(n: int, first_seed: int, ratio: float, with_slope: bool) -> dict[str, float]:
    """Mean absolute errors and shares of intervals that hold the truth, over `n` fives."""
    ours, oracle, mean_ours, mean_oracle, covered, covered_mean = ([] for _ in range(6))
    shared = np.array([ratio * SPREAD_DB, 1.0 if with_slope else 0.0])
    rows = np.stack([np.ones(4), np.log10(RANGES_M / 750.0) * with_slope], axis=1)
    for seed in range(first_seed, first_seed + n):
        random = np.random.default_rng([seed, round(10 * ratio), int(with_slope)])
        five = _projects(random, shared, with_slope)
        pooled = _pooled(five)
        curve = correction_curve(pooled)
        added = curve.added_db(RANGES_M)
        half = curve.half_width_db(RANGES_M)
        new = shared + random.normal(size=(SIXTHS, 2)) * [SPREAD_DB, SLOPE_SPREAD_DB * with_slope]
        truth = new @ rows.T
        level = truth + random.normal(0.0, PILE_DB, (SIXTHS, 1))
        ours.append(np.abs(level - added).mean())
        oracle.append(np.abs(level - rows @ shared).mean())
        mean_ours.append(np.abs(truth - added).mean())
        mean_oracle.append(np.abs(truth - rows @ shared).mean())
        covered.append(np.mean(np.abs(level - added) <= half))
        effects = project_effects(five)
        covered_mean.append(abs(effects.mean[0] - shared[0]) <= _half(effects.offset))
    return {
        "error": float(np.mean(ours) / np.mean(oracle)),
        "error_of_project_mean": float(np.mean(mean_ours) / np.mean(mean_oracle)),
        "coverage": float(np.mean(covered)),
        "coverage_of_mean": float(np.mean(covered_mean)),
    }


def _half(fit: RandomEffects) -> float:
    low, high = fit.mean_of(np.eye(fit.mean.size)[0]).interval()
    return (high - low) / 2.0


def _pooled(five: list[Correction]) -> Correction:
    return pooled_correction([ProjectCorrection(f"P{i}", "file", c) for i, c in enumerate(five)], validated=False)


def _report(name: str, ratio: float, found: dict[str, float]) -> None:
    reached = "" if found["error"] <= MOST_ERROR else "  NOT REACHED"
    mean = "" if found["error_of_project_mean"] <= MOST_ERROR else " (1.1 not reached)"
    print(
        f"{name}, shared bias {ratio:g} x spread: error {found['error']:.3f} of the oracle's{reached}, of a project's "
        f"mean {found['error_of_project_mean']:.3f}{mean}; coverage new pile {found['coverage']:.3f}, "
        f"mean {found['coverage_of_mean']:.3f}"
    )


@pytest.mark.parametrize("ratio", RATIOS)
def test_a_sixth_project_by_five(ratio: float) -> None:
    found = _run(GATE, 0, ratio, with_slope=False)
    _report("gate", ratio, found)
    assert found["error"] <= MOST_ERROR
    assert COVERAGE[0] <= found["coverage"] <= COVERAGE[1]
    assert COVERAGE[0] <= found["coverage_of_mean"] <= 1.0


@pytest.mark.long
@pytest.mark.parametrize("with_slope", [False, True], ids=["offset", "offset_and_slope"])
@pytest.mark.parametrize("ratio", RATIOS)
def test_a_sixth_project_by_five_in_full(ratio: float, with_slope: bool) -> None:
    found = _run(LONG, 10_000, ratio, with_slope)
    _report("long, slope too" if with_slope else "long", ratio, found)
    assert found["error"] <= MOST_ERROR
    assert COVERAGE[0] <= found["coverage"] <= COVERAGE[1]
    assert COVERAGE[0] <= found["coverage_of_mean"] <= 1.0


NOT_REACHED = {(4.0, 2): "two projects cannot show a spread of more than twice what is assumed: 0.883 on the first run"}
SPREADS_AND_NUMBERS = [
    pytest.param(
        spread, n, marks=[pytest.mark.xfail(reason=NOT_REACHED[spread, n])] if (spread, n) in NOT_REACHED else []
    )
    for spread in (0.5, 1.0, 3.0, 4.0)
    for n in (2, 3, 5, 7, 9)
]


@pytest.mark.long
@pytest.mark.parametrize(("spread_db", "n"), SPREADS_AND_NUMBERS)
def test_intervals_cover_with_other_spreads_and_numbers(spread_db: float, n: int) -> None:
    """400 times; 95 % intervals for a pile of a new project, at the reference range: 0.90 at least."""
    inside = []
    for seed in range(400):
        random = np.random.default_rng([50_000 + seed, n, round(10 * spread_db)])
        curve = correction_curve(_pooled(_projects(random, np.array([3.0, 0.0]), False, spread_db, n)))
        level = 3.0 + random.normal(0.0, math.hypot(spread_db, PILE_DB), SIXTHS)
        at = np.array([750.0])
        inside.append(np.mean(np.abs(level - curve.added_db(at)) <= curve.half_width_db(at)))
    covered = float(np.mean(inside))
    print(f"{n} projects, spread {spread_db:g} dB: coverage {covered:.3f}{'' if covered >= 0.9 else '  NOT REACHED'}")
    assert covered >= COVERAGE[0]


def test_the_oracle_of_the_simulation_is_what_it_says() -> None:
    """Mean absolute deviation of a normal distribution: sqrt(2/pi) standard deviations."""
    random = np.random.default_rng(77)
    sample = np.abs(random.normal(0.0, math.hypot(SPREAD_DB, PILE_DB), 200_000)).mean()
    assert sample == pytest.approx(math.sqrt(2.0 / math.pi) * math.hypot(SPREAD_DB, PILE_DB), rel=0.01)
