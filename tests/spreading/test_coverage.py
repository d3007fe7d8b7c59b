"""How often the stated intervals of a fitted law hold the truth, with every error drawn anew and the model chosen.

Fixed before the first run. Campaigns as `simulated_campaigns` describes them, with 15 % of the farthest station's
strikes below the background: seeds 0 to 1999, in the gate 0 to 59. Of the selected fit, with the choice in the loop:

- 95 % intervals of N, alpha, the level at the reference range (1 km), the level at 750 m and the distance to 165 dB
  hold the truth in 92 to 97.5 % of the campaigns (in the gate's 60: in 85 % or more);
- on average no wider than 1.25 times those of an oracle that sees every strike and knows every variance;
- mean errors within three Monte Carlo errors of zero (of the distance: of its logarithm).

With 50, 80 and 95 % of the farthest station's strikes below the background, seeds 0 to 999 each (gate: 80 %, 0 to 19):
mean error of alpha within three Monte Carlo errors of zero. Ordinary least squares on all strikes that are neither
below the background nor clipped stands beside it. Two runs without a band, seeds 0 to 399, say what happens where the
places' true effect is 0.75 or 3 dB while the prior stays at 1.5 dB.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest

from reconcile.inference import ordinary_least_squares
from reconcile.spreading import fit_campaign, intervals, range_to_threshold, threshold_range
from reconcile.vocabulary.documents.fit import Fit
from tests.spreading import level_campaigns as invented
from tests.spreading import simulated_campaigns as sim

LOWEST, HIGHEST, WIDEST, MONTE_CARLO = 0.92, 0.975, 1.25, 3.0
GATE_LOWEST = 0.85
ASKED = ("N", "alpha", "level at 1 km", "level at 750 m", "distance to 165 dB")
_NEAR = np.array([1.0, -math.log10(0.75), 0.25])
_CURVE = (
    ("spreading_coefficient_db_per_decade", sim.SPREADING_DB),
    ("attenuation_db_per_km", sim.ALPHA_DB_PER_KM),
    ("level_at_reference_db", sim.LEVEL_DB),
)
_DISTANCE_M = range_to_threshold(sim.LEVEL_DB, sim.SPREADING_DB, sim.ALPHA_DB_PER_KM, sim.REFERENCE_M, sim.THRESHOLD_DB)

Row = list[tuple[float, bool, float]]  # error, whether the interval holds the truth, its half-width


def _design(range_m: np.ndarray) -> np.ndarray:
    decades = np.log10(range_m / sim.REFERENCE_M)
    return np.column_stack([np.ones(range_m.size), -decades, -(range_m - sim.REFERENCE_M) / 1000.0])


def _judged(value: float, low: float, high: float, truth: float) -> tuple[float, bool, float]:
    return value - truth, low <= truth <= high, (high - low) / 2.0


def of_fit(fit: Fit) -> Row:
    """Errors, coverage and half-widths of a fit's five quantities."""
    row = [
        _judged(getattr(fit.coefficients, name).value, *fit.coefficient_intervals_95[name], truth)
        for name, truth in _CURVE
    ]
    curve = intervals(fit, 750.0)
    low, high = float(curve.confidence_low_db[0]), float(curve.confidence_high_db[0])
    row.append(_judged(float(curve.level_db[0]), low, high, float(sim.truth_db(750.0))))
    found = threshold_range(fit, sim.THRESHOLD_DB)
    ends = (found.range_m or math.nan, found.interval_m[0] or 1.0, found.interval_m[1] or 1e6)
    row.append(_judged(*(math.log10(end) for end in ends), math.log10(_DISTANCE_M or math.nan)))
    return row


def _of_line(b: np.ndarray, covariance: np.ndarray) -> Row:
    """The same for coefficients (level, N, alpha) with a normal interval."""
    slope = sim.SPREADING_DB / math.log(10.0) / (_DISTANCE_M or 1.0) + sim.ALPHA_DB_PER_KM / 1000.0
    per_decade = slope * (_DISTANCE_M or 1.0) * math.log(10.0)
    at = _design(np.array([_DISTANCE_M]))[0]
    directions = (
        (np.array([0.0, 1.0, 0.0]), sim.SPREADING_DB, 1.0),
        (np.array([0.0, 0.0, 1.0]), sim.ALPHA_DB_PER_KM, 1.0),
        (np.array([1.0, 0.0, 0.0]), sim.LEVEL_DB, 1.0),
        (_NEAR, float(sim.truth_db(750.0)), 1.0),
        (at, sim.THRESHOLD_DB, per_decade),
    )
    row = []
    for direction, truth, per in directions:
        half = 1.959964 * math.sqrt(float(direction @ covariance @ direction))
        value = float(direction @ b)
        row.append(_judged(value / per, (value - half) / per, (value + half) / per, truth / per))
    return row


def of_oracle(campaign: sim.Simulated) -> Row:
    """Generalised least squares of the true cell means with every variance known."""
    X = _design(campaign.range_m)
    strikes = (1.0 + sim.SERIAL) / (1.0 - sim.SERIAL) / sim.STRIKES
    V = (campaign.pile[:, None] == campaign.pile) * (sim.PILE_DB**2 + sim.SHARED_STRIKE_DB**2 * strikes)
    V = V + (campaign.station[:, None] == campaign.station) * (sim.CHAIN_DB**2 + sim.PLACE_DB**2)
    V = V + np.eye(campaign.pile.size) * (sim.CELL_DB**2 + sim.OWN_STRIKE_DB**2 * strikes)
    inverse = np.linalg.inv(V)
    covariance = np.linalg.inv(X.T @ inverse @ X)
    b = covariance @ X.T @ inverse @ campaign.level_db
    covariance[0, 0] += sim.COMMON_DB**2
    return _of_line(b, covariance)


def of_least_squares(campaign: sim.Simulated) -> Row:
    """Ordinary least squares on all strikes that are neither below the background nor clipped."""
    seen = campaign.strikes[campaign.strikes["exposure_censoring"] == "none"]
    energy = np.log10(seen["energy_kj"].to_numpy() / campaign.reference_energy_kj)
    level = seen["exposure_level_db"].to_numpy() - sim.ENERGY_DB * energy
    fit = ordinary_least_squares(level, _design(seen["range_m"].to_numpy(dtype=float)))
    return _of_line(fit.coefficients, fit.covariance)


def run(seeds: Iterable[int], far_share: float = 0.15, place_db: float = sim.PLACE_DB) -> np.ndarray:
    """(campaigns; selected fit, oracle, ordinary least squares; 5 quantities; error, held, half-width)."""
    rows = []
    for seed in seeds:
        campaign = sim.simulate(seed, far_share, place_db)
        document = fit_campaign(campaign.strikes, invented.NO_BANDS, campaign.campaign, sim.REFERENCE_M)
        fit = next(entry for entry in document.fits if entry.selected)
        rows.append([of_fit(fit), of_oracle(campaign), of_least_squares(campaign)])
    return np.array(rows, dtype=float)


def report(found: np.ndarray) -> list[dict[str, float]]:
    """A line for each quantity, printed; as numbers for the test."""
    lines = []
    for k, name in enumerate(ASKED):
        fit, oracle, least = (found[:, j, k, :] for j in range(3))
        error = fit[:, 0]
        line = {
            "coverage": float(fit[:, 1].mean()),
            "width": float(fit[:, 2].mean() / oracle[:, 2].mean()),
            "mean": float(error.mean()),
            "monte_carlo": float(error.std(ddof=1) / math.sqrt(error.size)),
        }
        lines.append(line)
        print(
            f"{name:20s} coverage {line['coverage']:.3f}, width {line['width']:.2f} of the oracle's, mean error "
            f"{line['mean']:+.3f} ± {line['monte_carlo']:.3f}; least squares: coverage {least[:, 1].mean():.3f}, "
            f"mean error {least[:, 0].mean():+.3f}"
        )
    return lines


def missed(lines: list[dict[str, float]], lowest: float, highest: float) -> list[str]:
    """What was not reached, and by how much."""
    found = []
    for name, line in zip(ASKED, lines, strict=True):
        if line["coverage"] < lowest:
            found.append(f"{name}: not reached, coverage lower by {lowest - line['coverage']:.4f}")
        if line["coverage"] > highest:
            found.append(f"{name}: not reached, coverage higher by {line['coverage'] - highest:.4f}")
        if line["width"] > WIDEST:
            found.append(f"{name}: not reached, wider by {line['width'] - WIDEST:.3f}")
        beyond = abs(line["mean"]) - MONTE_CARLO * line["monte_carlo"]
        if beyond > 0:
            found.append(f"{name}: not reached, mean error beyond by {beyond:.4f}")
    print("\n".join(found) or "all reached")
    return found


def test_intervals_of_the_law_hold_the_truth_with_the_choice_in_the_loop() -> None:
    assert missed(report(run(range(60))), GATE_LOWEST, 1.0) == []


def test_alpha_is_unbiased_with_eighty_percent_of_far_strikes_hidden() -> None:
    alpha = report(run(range(20), 0.8))[1]
    assert abs(alpha["mean"]) <= MONTE_CARLO * alpha["monte_carlo"]


@pytest.mark.long
def test_intervals_over_two_thousand_campaigns() -> None:
    assert missed(report(run(range(2000))), LOWEST, HIGHEST) == []


@pytest.mark.long
@pytest.mark.parametrize("far_share", [0.5, 0.8, 0.95])
def test_alpha_is_unbiased_however_many_far_strikes_are_hidden(far_share: float) -> None:
    alpha = report(run(range(1000), far_share))[1]
    assert abs(alpha["mean"]) <= MONTE_CARLO * alpha["monte_carlo"]


@pytest.mark.long
@pytest.mark.parametrize("place_db", [0.75, 3.0])
def test_coverage_where_the_prior_of_the_place_is_wrong(place_db: float) -> None:
    report(run(range(400), place_db=place_db))  # printed for the documentation; no band was promised
