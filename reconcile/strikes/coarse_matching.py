"""Which logged blow each strike was where the log's times are rounded coarsely, to whole seconds for example.

Several lines of such a log may name one second, and only their order says more. So the ways in which strikes, blows
that the log lacks and blows that it invented can follow each other in time are weighed, all of them (sums forwards and
backwards over a lattice of strikes and lines): an invented blow may lie anywhere in its step, and the more of the step
lies before a strike, the likelier the first of two lines is the invented one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from reconcile.strikes.trains import Indices
from reconcile.vocabulary.quantities import FloatArray

MISSING, INVENTED = 0.05, 0.03  # of strikes in the log, and of blows in it
_BEYOND = 4.0  # jitters beyond half the step
_LEAST_PROBABILITY = 1e-4
_STATION, _MOST_STATIONS = 2.0, 3  # log odds for each further station
_CROWDED = 0.5  # of the usual interval: of two strikes so close one is none


@dataclass(frozen=True, slots=True)
class Candidates:
    """Blows that a strike may have been: index of the strike, of the blow, and probability, in order of strikes.

    `none` is for each strike the probability that the log does not hold it.
    """

    strike: Indices
    blow: Indices
    probability: FloatArray
    none: FloatArray


def candidates(
    strike_s: FloatArray,
    blow_s: FloatArray,
    jitter_s: float,
    interval_s: float,
    rounded_to_s: float,
    n_stations: Indices | None = None,
) -> Candidates:
    """Probabilities of all pairs of strikes and blows on one clock; both in order of time, lines of one step in the
    order of the log.

    `jitter_s` is that before rounding. Of two strikes closer than half the usual interval the one that more stations
    heard (`n_stations`) is likelier a blow.
    """
    strike, other = pairs_within(strike_s, blow_s, rounded_to_s / 2.0 + _BEYOND * jitter_s)
    logged = (1.0 - MISSING) * _inside(blow_s[other] - strike_s[strike], jitter_s, rounded_to_s)
    unlogged = _unlogged(strike_s, interval_s, n_stations)
    rate = INVENTED / interval_s
    probability, none = np.zeros(len(strike)), np.ones(len(strike_s))
    starts = chain_starts(strike, other)
    ends = np.append(starts[1:], len(strike))
    alone = starts[ends - starts == 1]
    neither = unlogged[strike[alone]] * rate * rounded_to_s
    probability[alone] = logged[alone] / (logged[alone] + neither)
    none[strike[alone]] = 1.0 - probability[alone]
    for start, end in zip(starts[ends - starts > 1].tolist(), ends[ends - starts > 1].tolist(), strict=True):
        s, b = strike[start:end], other[start:end]
        strikes, lines = slice(int(s[0]), int(s[-1]) + 1), slice(int(b.min()), int(b.max()) + 1)
        pair = np.zeros((strikes.stop - strikes.start, lines.stop - lines.start))
        pair[s - strikes.start, b - lines.start] = logged[start:end]
        pair, none[strikes] = _chain(strike_s[strikes], blow_s[lines], pair, unlogged[strikes], rate, rounded_to_s)
        probability[start:end] = pair[s - strikes.start, b - lines.start]
    return Candidates(strike, other, probability, none)


def pairs_within(strike_s: FloatArray, blow_s: FloatArray, reach_s: float) -> tuple[Indices, Indices]:
    """All pairs within reach of each other, by strike."""
    first = np.searchsorted(blow_s, strike_s - reach_s)
    count = np.searchsorted(blow_s, strike_s + reach_s, side="right") - first
    strike = np.repeat(np.arange(len(strike_s)), count)
    other = np.repeat(first, count) + np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return strike, other


def chain_starts(strike: Indices, other: Indices) -> Indices:
    """Where chains begin in pairs by strike: one chain shares neither strikes nor blows with another."""
    if not strike.size:
        return np.zeros(0, dtype=np.int64)
    highest = np.maximum.accumulate(other)
    begins = (np.diff(strike) > 0) & (other[1:] > highest[:-1])
    return np.flatnonzero(np.concatenate([[True], begins]))


def _inside(residual_s: FloatArray, jitter_s: float, rounded_to_s: float) -> FloatArray:
    """Probability that a time jitters into a step that lies so far from it."""
    half = rounded_to_s / 2.0
    inside = ndtr((residual_s + half) / jitter_s) - ndtr((residual_s - half) / jitter_s)
    return np.asarray(np.maximum(inside, _LEAST_PROBABILITY))


def _unlogged(strike_s: FloatArray, interval_s: float, n_stations: Indices | None) -> FloatArray:
    """Weight of each strike's not being in the log: larger next to one that more stations heard."""
    weight = np.full(len(strike_s), MISSING)
    if n_stations is None or len(strike_s) < 2:
        return weight
    close = np.diff(strike_s) < _CROWDED * interval_s
    lead = np.where(close, np.diff(n_stations), 0)
    weight[:-1] *= np.exp(_STATION * np.clip(lead, 0, _MOST_STATIONS))
    weight[1:] *= np.exp(_STATION * np.clip(-lead, 0, _MOST_STATIONS))
    return weight


def _chain(
    strike_s: FloatArray, blow_s: FloatArray, logged: FloatArray, unlogged: FloatArray, rate: float, step_s: float
) -> tuple[FloatArray, FloatArray]:
    """Probability of each pair of a chain, and of each strike's not being in the log.

    `logged` (strikes, lines) and `unlogged` (strikes) are weights, `rate` that of invented blows per second. A lattice
    point (i, j) has i strikes and j lines behind it in time.
    """
    n, m = logged.shape
    bounds = [-np.inf, *strike_s.tolist(), np.inf]
    moves = [list(_invented(blow_s, bounds[i], bounds[i + 1], rate, step_s)) for i in range(n + 1)]
    before = np.zeros((n + 1, m + 1))
    before[0, 0] = 1.0
    for j, k, weight in moves[0]:
        before[0, k] += weight if j == 0 else 0.0
    for i in range(n):
        reached = unlogged[i] * before[i]
        reached[1:] += before[i, :-1] * logged[i]
        total = reached.copy()
        for j, k, weight in moves[i + 1]:
            total[k] += reached[j] * weight
        before[i + 1] = total / total.sum()
    pair, none = np.zeros((n, m)), np.zeros(n)
    after = np.zeros(m + 1)
    after[m] = 1.0
    for i in reversed(range(n)):
        rest = after.copy()
        for j, k, weight in moves[i + 1]:
            rest[j] += after[k] * weight
        pair[i] = before[i, :-1] * logged[i] * rest[1:]
        none[i] = unlogged[i] * float(before[i] @ rest)
        total_weight = none[i] + pair[i].sum()
        pair[i], none[i] = pair[i] / total_weight, none[i] / total_weight
        after = unlogged[i] * rest
        after[:-1] += logged[i] * rest[1:]
        after /= after.sum()
    return pair, none


def _invented(
    blow_s: FloatArray, from_s: float, to_s: float, rate: float, step_s: float
) -> Iterator[tuple[int, int, float]]:
    """Runs of lines (first, end) that may all be invented between two times, with the weight of that.

    Of r lines in one step only one of r! orders is that of the log.
    """
    low = np.maximum(blow_s - step_s / 2.0, from_s)
    length = np.minimum(blow_s + step_s / 2.0, to_s) - low
    first, end = np.searchsorted(blow_s, [from_s - step_s / 2.0, to_s + step_s / 2.0]).tolist()
    for j in range(first, end):
        weight, same = 1.0, 0
        for k in range(j, end):
            if length[k] <= 0:
                break
            same = same + 1 if k > j and blow_s[k] - blow_s[k - 1] < step_s / 2.0 else 1
            weight *= rate * float(length[k]) / same
            yield j, k + 1, weight
