"""What can be known at best of a hammer log in whole seconds: the likeliest blow of each strike for one who knows all
but the answer.

The oracle knows when every blow was struck, the log's offset, drift and jitter, and how blows are left out and
invented (`piling_truth.py`). The posterior is the exact one, over all ways in which the log can have come about, by
sums forwards and backwards over blows and log lines. Nothing of the program is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from tests.strikes.piling_truth import START_S, Hammer, Piling

APART_S = 0.1  # an invented blow lies at least so far from the blows before and after it


@dataclass(frozen=True)
class Oracle:
    """For each blow struck the likeliest line of the log (-1: none) and how likely it is."""

    line: np.ndarray
    probability: np.ndarray


def oracle(hammer: Hammer, line_s: np.ndarray) -> Oracle:
    """`line_s`: the log's times in order, whole seconds on the scale of `struck_s`."""
    n, m = len(hammer.struck_s), len(line_s)
    at_s = hammer.struck_s + hammer.offset_s + hammer.drift_ppm * 1e-6 * (hammer.struck_s - hammer.struck_s[0])
    logged, invented = np.zeros((n, m)), np.zeros((n, m))
    for k in range(n):
        edges = (line_s[:, None] + [-0.5, 0.5] - at_s[k]) / hammer.jitter_s
        logged[k] = (1 - hammer.missing) * (norm.cdf(edges[:, 1]) - norm.cdf(edges[:, 0]))
        if k + 1 < n:
            low, high = at_s[k] + APART_S, at_s[k + 1] - APART_S
            inside = np.minimum(line_s + 0.5, high) - np.maximum(line_s - 0.5, low)
            invented[k] = hammer.phantom * np.maximum(inside, 0.0) / (high - low)
    no_phantom = np.append(np.full(n - 1, 1 - hammer.phantom), 1.0)

    # before[k][j]: blows up to k, with the gaps after them, made the first j lines; struck[k][j]: without gap k
    before, struck = np.zeros((n + 1, m + 1)), np.zeros((n, m + 1))
    before[0, 0] = 1.0
    for k in range(n):
        struck[k] = hammer.missing * before[k]
        struck[k, 1:] += before[k, :-1] * logged[k]
        after_gap = no_phantom[k] * struck[k]
        after_gap[1:] += struck[k, :-1] * invented[k]
        before[k + 1] = after_gap / after_gap.sum()
    # rest[k][j]: what gap k and all that follows make of the lines from j on; next_rest: what blow k and all that
    # follows do
    likeliest, probability = np.full(n, -1), np.zeros(n)
    after = np.zeros(m + 1)
    after[m] = 1.0
    for k in reversed(range(n)):
        rest = no_phantom[k] * after
        rest[:-1] += invented[k] * after[1:]
        pair = before[k, :-1] * logged[k] * rest[1:]
        none = hammer.missing * float(before[k] @ rest)
        total = none + pair.sum()
        best = int(np.argmax(pair))
        likeliest[k] = best if pair[best] >= none else -1
        probability[k] = max(pair[best], none) / total
        next_rest = hammer.missing * rest
        next_rest[:-1] += logged[k] * rest[1:]
        after = next_rest / next_rest.sum()
    return Oracle(likeliest, probability)


@dataclass(frozen=True)
class Floor:
    """Shares of the heard strikes: with the right number (or rightly none) where the likeliest is always taken, and
    wrong ones that look as sure as right ones.
    """

    right: float
    wrong_and_sure: float


def floor(truth: Piling, pile_id: str, sure: float) -> Floor:
    """What the oracle reaches on all arrivals of a pile, where it flags all that is less likely than `sure`."""
    assert truth.log is not None
    line_s = truth.log.time_utc.astype("datetime64[us]").astype(np.int64) / 1e6 - START_S
    found = oracle(truth.hammers[pile_id], line_s)
    number = np.where(found.line >= 0, truth.log.blow_number[found.line], -1)
    of = truth.pulses["blow"].to_numpy() - 1
    right = number[of] == np.where(truth.pulses["in_log"], truth.pulses["blow"], -1)
    carried = (found.probability[of] >= sure) & (number[of] >= 0)
    return Floor(float(right.mean()), float((carried & ~right).mean()))
