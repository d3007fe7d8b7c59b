"""Strikes matched with lines of a log that is rounded to whole seconds: against every course of events written out one
by one, and simple cases.
"""

from __future__ import annotations

from itertools import combinations, combinations_with_replacement
from math import factorial

import numpy as np
import pytest
from scipy.stats import norm

from reconcile.strikes.blow_matching import CARRIED, match
from reconcile.strikes.coarse_matching import candidates

INTERVAL_S, JITTER_S, MISSING, INVENTED = 1.2, 0.02, 0.05, 0.03


def by_enumeration(strike_s: np.ndarray, blow_s: np.ndarray) -> np.ndarray:
    """Probability of each strike and line (last column: none). Every way to pair in order, and every gap between
    strikes that each line without a strike may come from.
    """
    n, m = len(strike_s), len(blow_s)
    bounds = [-np.inf, *strike_s, np.inf]
    weight = np.zeros((n, m + 1))
    for size in range(min(n, m) + 1):
        for strikes in combinations(range(n), size):
            for lines in combinations(range(m), size):
                own = dict(zip(strikes, lines, strict=True))
                free = [j for j in range(m) if j not in lines]
                product = MISSING ** (n - size) * (1 - MISSING) ** size
                for i, j in own.items():
                    low, high = blow_s[j] - 0.5 - strike_s[i], blow_s[j] + 0.5 - strike_s[i]
                    product *= norm.cdf(high / JITTER_S) - norm.cdf(low / JITTER_S)
                total = 0.0
                for gaps in combinations_with_replacement(range(n + 1), len(free)):
                    # gap g lies before strike g: in order with the strikes that have a line
                    if all((j > own[i]) == (g > i) for j, g in zip(free, gaps, strict=True) for i in own):
                        total += product * placed(blow_s[free], gaps, bounds)
                for i in range(n):
                    weight[i, own.get(i, m)] += total
    return weight / weight.sum(axis=1, keepdims=True)


def placed(line_s: np.ndarray, gaps: tuple[int, ...], bounds: list[float]) -> float:
    """Weight of invented blows at a constant rate, each in its second and gap, in the order of the log."""
    product = 1.0
    for gap in set(gaps):
        own = [second for second, g in zip(line_s.tolist(), gaps, strict=True) if g == gap]
        for second in set(own):
            inside = min(second + 0.5, bounds[gap + 1]) - max(second - 0.5, bounds[gap])
            product *= (max(0.0, inside) * INVENTED / INTERVAL_S) ** own.count(second) / factorial(own.count(second))
    return product


@pytest.mark.parametrize("seed", range(1601, 1621))
def test_probabilities_are_those_of_all_courses_of_events(seed: int) -> None:
    rng = np.random.default_rng(seed)
    strike_s = np.cumsum(rng.uniform(0.6, 1.3, 4))
    blow_s = np.sort(np.round(np.concatenate([strike_s[rng.random(4) < 0.8], rng.uniform(0.5, 4.0, 2)])))
    found, wanted = candidates(strike_s, blow_s, JITTER_S, INTERVAL_S, 1.0), by_enumeration(strike_s, blow_s)
    pair = np.zeros((4, len(blow_s)))
    pair[found.strike, found.blow] = found.probability
    # the least probability of the program is a ten-thousandth, not nothing
    assert pair == pytest.approx(wanted[:, :-1], abs=0.01)
    assert found.none == pytest.approx(wanted[:, -1], abs=0.01)


def test_of_two_lines_in_a_second_the_order_tells() -> None:
    """A strike early in its second: the invented blow came after it, with the odds of the second's two parts."""
    found = candidates(np.array([9.7]), np.array([10.0, 10.0]), JITTER_S, INTERVAL_S, 1.0)
    assert found.probability.sum() + found.none[0] == pytest.approx(1.0)
    assert found.probability[0] / found.probability[1] == pytest.approx(0.8 / 0.2)


def test_the_likelier_line_is_carried_and_marked_and_of_equal_ones_none() -> None:
    early = match(np.array([9.7]), np.array([10.0, 10.0]), JITTER_S, INTERVAL_S, 1.0)
    assert early.blow.tolist() == [0]
    assert early.unsure.tolist() == [True]
    middle = match(np.array([10.0]), np.array([10.0, 10.0]), JITTER_S, INTERVAL_S, 1.0)
    assert middle.blow.tolist() == [-1]
    assert middle.unsure.tolist() == [True]
    assert 0.5 < CARRIED < 0.8  # never two strikes with one line


def test_energy_in_doubt_is_kept_where_all_agree_within_five_per_cent() -> None:
    strike_s, blow_s = np.array([10.0, 11.2, 12.9]), np.array([10.0, 10.0, 11.0, 13.0])
    found = match(strike_s, blow_s, JITTER_S, INTERVAL_S, 1.0)
    assert found.unsure.tolist() == [True, False, False]
    near = found.energy_kj(np.array([1000.0, 1040.0, 900.0, 800.0]))
    assert near == pytest.approx([1020.0, 900.0, 800.0], abs=1e-6)
    for other in (1060.0, np.nan):
        far = found.energy_kj(np.array([1000.0, other, 900.0, 800.0]))
        assert np.isnan(far[0])
        assert far[1:] == pytest.approx([900.0, 800.0])


def test_an_echo_does_not_take_a_strikes_line() -> None:
    strike_s, blow_s = np.array([10.0, 10.2]), np.array([10.0])
    found = match(strike_s, blow_s, JITTER_S, INTERVAL_S, 1.0, np.array([4, 1]))
    assert found.blow.tolist() == [0, -1]
    alone = match(strike_s, blow_s, JITTER_S, INTERVAL_S, 1.0)
    assert alone.blow.tolist() == [-1, -1]
    assert alone.unsure.all()


def test_nothing_to_match() -> None:
    assert match(np.zeros(0), np.array([1.0]), 0.01, INTERVAL_S, 1.0).blow.size == 0
    found = match(np.array([1.0]), np.zeros(0), 0.01, INTERVAL_S, 1.0)
    assert found.blow.tolist() == [-1]
    assert not found.unsure.any()
    assert np.isnan(found.energy_kj(np.zeros(0))).all()
