"""Strikes matched with logged blows: against all pairings in order written out one by one, and simple cases."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import norm

from reconcile.strikes.blow_matching import SURE, match

INTERVAL_S, MISSING, INVENTED = 1.2, 0.05, 0.03


def by_enumeration(strike_s: np.ndarray, blow_s: np.ndarray, jitter_s: float) -> np.ndarray:
    """Probability of each pair (strikes, blows): every way of pairing in order, weighed."""
    residual = blow_s[None, :] - strike_s[:, None]
    weight = norm.pdf(residual, scale=jitter_s) * INTERVAL_S / MISSING / INVENTED
    total, pair = 0.0, np.zeros(residual.shape)
    n, m = residual.shape
    for k in range(min(n, m) + 1):
        for strikes in combinations(range(n), k):
            for blows in combinations(range(m), k):
                product = float(np.prod([weight[i, j] for i, j in zip(strikes, blows, strict=True)]))
                total += product
                for i, j in zip(strikes, blows, strict=True):
                    pair[i, j] += product
    return pair / total


@pytest.mark.parametrize("seed", range(1401, 1421))
def test_probabilities_are_those_of_all_pairings(seed: int) -> None:
    """Few strikes and blows close together, some missing, some invented."""
    rng = np.random.default_rng(seed)
    strike_s = np.cumsum(rng.uniform(0.03, 0.1, 5))
    noted_s = strike_s[rng.random(5) < 0.8]
    blow_s = np.sort(np.append(noted_s + 0.03 * rng.standard_normal(len(noted_s)), rng.uniform(0.0, 0.4, 2)))
    found = match(strike_s, blow_s, 0.03, INTERVAL_S, 0.0)
    probability = by_enumeration(strike_s, blow_s, 0.03)
    for i in range(5):
        best = int(np.argmax(probability[i]))
        if abs(probability[i, best] - SURE) > 1e-6:  # pairs six standard deviations apart are left out
            assert found.blow[i] == (best if probability[i, best] >= SURE else -1)
        if found.blow[i] < 0:
            assert found.unsure[i] == (1 - probability[i].sum() < SURE)


def test_the_nearest_in_order_one_to_one() -> None:
    strike_s = np.array([10.0, 11.2, 12.4, 13.6, 20.0])
    blow_s = np.array([10.01, 12.39, 13.61, 16.0])
    found = match(strike_s, blow_s, 0.01, INTERVAL_S, 0.0)
    assert found.blow.tolist() == [0, -1, 1, 2, -1]
    assert not found.unsure.any()


def test_two_blows_at_one_strike_are_not_guessed() -> None:
    found = match(np.array([10.0, 11.2]), np.array([9.99, 10.01, 11.2]), 0.01, INTERVAL_S, 0.0)
    assert found.blow.tolist() == [-1, 2]
    assert found.unsure.tolist() == [True, False]


def test_of_two_strikes_at_one_blow_the_one_that_more_stations_heard() -> None:
    strikes, blows = np.array([10.0, 10.02]), np.array([10.01])
    alone = match(strikes, blows, 0.01, INTERVAL_S, 0.0)
    assert alone.blow.tolist() == [-1, -1]
    found = match(strikes, blows, 0.01, INTERVAL_S, 0.0, np.array([4, 1]))
    assert found.blow.tolist() == [0, -1]


def test_nothing_to_match() -> None:
    assert match(np.zeros(0), np.array([1.0]), 0.01, INTERVAL_S, 0.0).blow.size == 0
    assert match(np.array([1.0]), np.zeros(0), 0.01, INTERVAL_S, 0.0).blow.tolist() == [-1]
