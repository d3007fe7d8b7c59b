"""Which logged blow each strike was, once the log's clock is known: in order, one to one, and only where it is sure.

Strikes and blows within reach of each other form small chains; in each, all ways of pairing in order are weighed (a
sum over all of them, forwards and backwards), so that a pair carries its probability. Times in whole seconds and blows
that the log invented make chains in which no pair is sure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.trains import Indices, rounded_log_density
from reconcile.vocabulary.quantities import FloatArray

SURE = 0.95
_SPREADS = 6.0
_LEAST_TOLERANCE_S, _LARGEST_TOLERANCE_S = 0.05, 0.25
_MISSING, _INVENTED = 0.05, 0.03  # of strikes in the log, and of blows in it
_ROUNDED_BEYOND = 4.0  # jitters
_STATION, _MOST_STATIONS = 2.0, 3  # log odds for each further station


@dataclass(frozen=True, slots=True)
class Matches:
    """For each strike the index of its blow, or -1, and whether two blows (or none) are about as likely."""

    blow: Indices
    unsure: NDArray[np.bool_]


def match(
    strike_s: FloatArray,
    blow_s: FloatArray,
    spread_s: float,
    interval_s: float,
    rounded_to_s: float,
    n_stations: Indices | None = None,
) -> Matches:
    """Pair strikes with blows on one clock; both in order of time. `spread_s`: of the jitter (before rounding).

    `n_stations` that heard a strike speak for it, where two are near one blow.
    """
    n = len(strike_s)
    blow, unsure = np.full(n, -1, dtype=np.int64), np.zeros(n, dtype=bool)
    if rounded_to_s > 0.05:
        reach_s = rounded_to_s / 2.0 + _ROUNDED_BEYOND * spread_s
    else:
        reach_s = min(max(_SPREADS * spread_s, _LEAST_TOLERANCE_S), _LARGEST_TOLERANCE_S, 0.35 * interval_s)
    first = np.searchsorted(blow_s, strike_s - reach_s)
    count = np.searchsorted(blow_s, strike_s + reach_s, side="right") - first
    strike = np.repeat(np.arange(n), count)
    other = np.repeat(first, count) + np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    gain = _gain(blow_s[other] - strike_s[strike], spread_s, interval_s, rounded_to_s)
    if n_stations is not None:
        gain = gain + _STATION * np.minimum(n_stations[strike] - 1, _MOST_STATIONS)
    new_strike = np.concatenate([[True], np.diff(strike) > 0]) if strike.size else np.zeros(0, dtype=bool)
    highest = np.maximum.accumulate(other) if other.size else other
    begins = new_strike & np.concatenate([[True], other[1:] > highest[:-1]]) if strike.size else new_strike
    starts = np.flatnonzero(begins)
    lengths = np.diff(np.append(starts, len(strike)))
    alone = starts[lengths == 1]
    sure = 1.0 / (1.0 + np.exp(-gain[alone]))
    blow[strike[alone[sure >= 0.5]]] = other[alone[sure >= 0.5]]
    unsure[strike[alone]] = (sure < SURE) & (sure > 1.0 - SURE)
    for start, length in zip(starts[lengths > 1], lengths[lengths > 1], strict=True):
        part = slice(start, start + length)
        _chain(strike[part], other[part], gain[part], blow, unsure)
    return Matches(blow, unsure)


def _gain(residual_s: FloatArray, spread_s: float, interval_s: float, rounded_to_s: float) -> FloatArray:
    """Log odds that two events are one blow, against a strike that is not in the log beside a blow that never was."""
    if rounded_to_s > 0.05:
        log_density = rounded_log_density(residual_s, spread_s, rounded_to_s) - np.log(rounded_to_s)
    else:
        log_density = -0.5 * (residual_s / spread_s) ** 2 - np.log(spread_s * np.sqrt(2.0 * np.pi))
    return np.asarray(log_density + np.log(interval_s) - np.log(_MISSING) - np.log(_INVENTED))


def _chain(strike: Indices, other: Indices, gain: FloatArray, blow: Indices, unsure: NDArray[np.bool_]) -> None:
    """Weigh all pairings in order of one chain and write down the likeliest partner of each of its strikes."""
    s0, b0 = int(strike[0]), int(other.min())
    weight = np.full((int(strike[-1]) - s0 + 1, int(other.max()) - b0 + 1), -np.inf)
    weight[strike - s0, other - b0] = gain
    forward = _sums(weight)
    backward = _sums(weight[::-1, ::-1])[::-1, ::-1]
    total = forward[-1, -1]
    pair = np.exp(np.minimum(forward[:-1, :-1] + weight + backward[1:, 1:] - total, 0.0))
    for k in range(len(pair)):
        best = int(np.argmax(pair[k]))
        none = 1.0 - pair[k].sum()
        if pair[k, best] >= SURE:
            blow[s0 + k] = b0 + best
        elif none < SURE:
            unsure[s0 + k] = True


def _sums(weight: FloatArray) -> FloatArray:
    """Log sums over all pairings in order of the first i strikes and j blows, shape (strikes + 1, blows + 1)."""
    n, m = weight.shape
    total = np.zeros((n + 1, m + 1))
    for i in range(1, n + 1):
        # rows i-1 and i: a strike is paired with blow k and nothing after it, or left alone
        paired = total[i - 1, :-1] + weight[i - 1]
        total[i, 0] = total[i - 1, 0]
        reached = np.logaddexp.accumulate(paired)
        total[i, 1:] = np.logaddexp(total[i - 1, 1:], reached)
    return total
