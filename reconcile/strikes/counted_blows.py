"""Strikes laid into the increments of a driving log that holds only counts.

The order of the counts is laid over the order of the strikes. Between two boundaries lie as many strikes as were
counted, as nearly as may be, and a boundary lies at the increment's time, where the log has times; both are weighed by
least squares (bounded, so that an increment that was not recorded does not pull at its neighbours), and the best
boundaries of all are found by dynamic programming. The log's clock may be off by up to 60 s: the offset is the one at
which the counts agree best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.documents.campaign import DrivingIncrement
from reconcile.vocabulary.quantities import FloatArray

LARGEST_OFFSET_S = 60.0
LARGEST_MISMATCH = 0.10  # of the logged blows: beyond it counts and strikes are not reconciled
PAUSE_S = 3600.0
_STEP_S = 0.25
_BLOWS_TRIED = 6  # to either side of the offset that the counts show
_ROUNDS = 2  # in which each is refined
_PAUSE_IN_DRIVE_S = 60.0
_COUNT_SD, _COUNT_SHARE = 0.3, 0.005  # how far a count may be off: a third of a blow, and 0.5 % of it
_CLOCK_SD_S = 0.5
_BOUND = 25.0  # of one term of the least squares
_OUTSIDE_S = 30.0  # a strike further from every increment is in none
_NEIGHBOURS = 5  # strikes to either side over which the usual interval is taken
_SAME = (0.1, 0.3)  # of an interval: how near a gap lies to a whole number of them, by their scatter
_SHORTEST_S = 0.01  # no hammer strikes faster
_MOST_HIDDEN = 6  # intervals in a gap that is not a pause
Indices = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class CountMatch:
    """How a pile's counts lie against its strikes.

    `increment`: number of the increment of each strike, -1 for none. `offset_s`: log minus station clock, NaN where the
    log has no times. `n_heard`: strikes laid into increments. Where counts and strikes are not `reconciled`, because
    their `mismatch` (a share of the logged blows) is too large, the increments mean nothing.
    """

    increment: Indices
    offset_s: float
    n_logged: int
    n_heard: int
    mismatch: float
    reconciled: bool


def match_counts(time_s: FloatArray, increments: Sequence[DrivingIncrement]) -> CountMatch:
    """Lay strikes into increments. `time_s`: when each strike's sound left the pile, in order, seconds since 1970.

    There is at least one strike and one increment; the increments follow each other, and have times in all or in none.
    """
    counts = np.array([increment.n_blows for increment in increments], dtype=np.float64)
    start, end = (np.array([_seconds(getattr(i, name)) for i in increments]) for name in ("start_utc", "end_utc"))
    timed = bool(np.isfinite(start).all())
    used = np.arange(len(time_s)) if timed else _driven(time_s, counts.sum())
    weights = completed(time_s[used], counts.sum())
    if timed:
        bounds, offset_s = _by_time(time_s[used], weights, counts, start, end)
    else:
        offset_s, total = np.nan, np.concatenate([[0.0], np.cumsum(weights)])
        reached = np.concatenate([[0.0], np.cumsum(counts)]) * (total[-1] / max(counts.sum(), 1.0))
        width = int(15 + abs(total[-1] - counts.sum()) + _COUNT_SHARE * counts.sum())
        candidates = [_near(int(np.searchsorted(total, at)), width, len(used)) for at in reached]
        candidates[0], candidates[-1] = np.array([0]), np.array([len(used)])
        bounds, _ = _best_bounds(total, counts, candidates, [np.zeros(len(c)) for c in candidates])
    increment = np.full(len(time_s), -1, dtype=np.intp)
    increment[used] = np.searchsorted(bounds[1:], np.arange(len(used)), side="right")
    if timed:
        outside = _outside_s(time_s, start - offset_s, end - offset_s) > _OUTSIDE_S
        increment[outside | (increment >= len(counts))] = -1
    return _judged(increment, counts, weights, used, offset_s)


def _judged(increment: Indices, counts: FloatArray, weights: FloatArray, used: Indices, offset_s: float) -> CountMatch:
    """The match with its mismatch: over the increments with strikes; of a log with times the outer two do not count."""
    inside = increment >= 0
    heard = np.bincount(increment[inside], minlength=len(counts)).astype(np.float64)
    whole = np.bincount(increment[used][inside[used]], weights[inside[used]], minlength=len(counts))
    judged = np.flatnonzero(heard > 0) if np.isfinite(offset_s) else np.arange(len(counts))
    if np.isfinite(offset_s) and len(judged) >= 4:
        judged = judged[1:-1]
    logged = max(float(counts[judged].sum()), 1.0)
    by_increment = float(np.abs(whole[judged] - counts[judged]).sum()) / logged
    in_all = abs(float(heard[judged].sum()) - float(counts[judged].sum())) / logged
    mismatch = max(by_increment, in_all) if judged.size else 1.0
    return CountMatch(increment, offset_s, int(counts.sum()), int(inside.sum()), mismatch, mismatch <= LARGEST_MISMATCH)


def _seconds(moment: object) -> float:
    return np.nan if moment is None else epoch_us(moment) / 1e6  # type: ignore[arg-type]


def _outside_s(time_s: FloatArray, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
    """How far each strike lies outside the nearest increment."""
    after = np.clip(np.searchsorted(start_s, time_s, side="right") - 1, 0, len(start_s) - 1)
    nearest = np.full(len(time_s), np.inf)
    for number in (after, np.clip(after + 1, 0, len(start_s) - 1)):
        beyond = np.maximum(np.maximum(start_s[number] - time_s, time_s - end_s[number]), 0.0)
        nearest = np.minimum(nearest, beyond)
    return nearest


def _driven(time_s: FloatArray, n_logged: float) -> Indices:
    """The strikes that a log without times may mean: the run of stretches between pauses whose number fits best.

    A restrike, or a trial before, may not be in the log.
    """
    edges = np.concatenate([[0], np.flatnonzero(np.diff(time_s) > PAUSE_S) + 1, [len(time_s)]])
    runs = [(int(a), int(b)) for i, a in enumerate(edges[:-1]) for b in edges[i + 1 :]]
    first, last = min(runs, key=lambda run: (abs(run[1] - run[0] - n_logged), run[0] - run[1]))
    whole = abs(len(time_s) - n_logged) <= _COUNT_SHARE * n_logged / 2
    return np.arange(len(time_s)) if whole else np.arange(first, last)


def completed(time_s: FloatArray, n_logged: float) -> FloatArray:
    """How many blows each strike stands for: itself, those missed before it, none where it is one too many.

    A strike between two others that are a usual interval apart is one too many; a gap of two to six usual intervals
    hides blows. Where that makes more than were logged, lone strikes at a pause are taken to be none, and then the
    gaps that are least clearly a multiple to hide nothing.
    """
    weights = np.ones(len(time_s))
    if len(time_s) < 2 * _NEIGHBOURS:
        return weights
    gaps = np.diff(time_s)
    usual = _running_median(gaps)
    tolerance = float(np.clip(4 * 1.48 * float(np.median(np.abs(gaps / usual - 1.0))), *_SAME))
    whole = np.abs((gaps[:-1] + gaps[1:]) / usual[:-1] - 1.0)
    for k in (np.argsort(whole, kind="stable")[: int(np.sum(whole <= tolerance))] + 1).tolist():
        if weights[k - 1] and weights[k + 1]:
            weights[k] = 0.0
    kept = np.flatnonzero(weights > 0)
    multiple = np.diff(time_s[kept]) / _running_median(np.diff(time_s[kept]))
    times = np.round(multiple)
    off = np.abs(multiple - times) / np.sqrt(np.maximum(times, 1.0))
    hiding = np.flatnonzero((times >= 2) & (times <= _MOST_HIDDEN) & (off <= tolerance))
    weights[kept[hiding + 1]] += times[hiding] - 1
    least, most = np.minimum(multiple[:-1], multiple[1:]), np.maximum(multiple[:-1], multiple[1:])
    lone = kept[1:-1][(least > 1 + 2 * tolerance) & (most > _MOST_HIDDEN) & (weights[kept[1:-1]] == 1)]
    unclear = kept[hiding[np.argsort(-off[hiding], kind="stable")] + 1]
    surplus = weights.sum() - n_logged
    for k, left in [*((int(k), 0.0) for k in lone), *((int(k), 1.0) for k in unclear)]:
        taken = min(weights[k] - left, max(surplus, 0.0))
        weights[k] -= taken
        surplus -= taken
    return weights


def _running_median(values: FloatArray) -> FloatArray:
    """The usual value about each of some intervals."""
    width = 2 * _NEIGHBOURS + 1
    padded = np.pad(values, _NEIGHBOURS, mode="reflect")
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return np.asarray(np.maximum(medians, _SHORTEST_S), dtype=np.float64)


def _by_time(
    time_s: FloatArray, weights: FloatArray, counts: FloatArray, start_s: FloatArray, end_s: FloatArray
) -> tuple[Indices, float]:
    """Boundaries and clock offset of a log with times.

    The offset at which strikes by time agree best with the counts, and those a few blows to either side, are tried (of
    a log by the minute all offsets); each is refined by the boundaries that it leads to.
    """
    log = _Timed(time_s, np.concatenate([[0.0], np.cumsum(weights)]), counts, start_s, end_s)
    first_s, usual_s = log.offset_by_counts(), float(np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0
    found = []
    tried = first_s + usual_s * np.arange(-_BLOWS_TRIED, _BLOWS_TRIED + 1)
    if log.clock_sd_s > _BLOWS_TRIED * usual_s / 2:
        tried = np.arange(-LARGEST_OFFSET_S, LARGEST_OFFSET_S + 1.0, log.clock_sd_s / 2)
    for offset_s in tried.tolist():
        for _ in range(_ROUNDS):
            bounds, cost = log.bounds(offset_s)
            found.append((cost, offset_s, bounds))
            refined = log.offset_by_bounds(bounds)
            if not np.isfinite(refined) or abs(refined - offset_s) < _STEP_S / 4:
                break
            offset_s = refined
    possible = [entry for entry in found if abs(entry[1]) <= LARGEST_OFFSET_S + usual_s] or found
    _, offset_s, bounds = min(possible, key=lambda entry: entry[0])
    return bounds, offset_s


@dataclass(frozen=True, slots=True)
class _Timed:
    """A log with times beside the strikes; `total` are the blows before each strike, and all of them."""

    time_s: FloatArray
    total: FloatArray
    counts: FloatArray
    start_s: FloatArray
    end_s: FloatArray

    @property
    def clock_sd_s(self) -> float:
        """How far a logged time may be off: by its rounding, and a little."""
        times_s = np.concatenate([self.start_s, self.end_s])
        step_s = next((step for step in (60.0, 1.0) if np.allclose(times_s % step, 0.0, atol=1e-4)), 0.0)
        return float(np.hypot(step_s / np.sqrt(12.0), _CLOCK_SD_S))

    def offset_by_counts(self) -> float:
        """The offset at which strikes by time agree best with the counts; the middle of several that are as good."""
        tried = np.arange(-LARGEST_OFFSET_S, LARGEST_OFFSET_S + _STEP_S / 2, _STEP_S)
        rate = self.counts / np.maximum(self.end_s - self.start_s, 1.0)
        variance = _COUNT_SD**2 + (_COUNT_SHARE * self.counts) ** 2 + 2 * (self.clock_sd_s * rate) ** 2
        cost = np.empty(len(tried))
        for k, offset_s in enumerate(tried):
            until = np.searchsorted(self.time_s, self.end_s - offset_s)
            inside = until - np.searchsorted(self.time_s, self.start_s - offset_s)
            misfit = np.minimum((inside - self.counts) ** 2 / (2 * variance), _BOUND)
            cost[k] = misfit.sum() + (len(self.time_s) - inside.sum()) / 2
        best = np.flatnonzero(cost <= cost.min() + 1e-9)
        run = best[: int(np.argmax(np.append(np.diff(best) > 1, True))) + 1]
        return float(tried[run].mean())

    def bounds(self, offset_s: float) -> tuple[Indices, float]:
        """The best boundaries with the log's clock off by so much, and their cost.

        A boundary is where one increment ends and where the next begins: two times where there was a pause.
        """
        closing = np.concatenate([self.start_s[:1], self.end_s]) - offset_s
        opening = np.concatenate([self.start_s, self.end_s[-1:]]) - offset_s
        reach_s, n = 3 * self.clock_sd_s, len(self.time_s)
        first = np.searchsorted(self.time_s, closing - reach_s)
        last = np.searchsorted(self.time_s, opening + reach_s)
        candidates, costs = [], []
        for j in range(len(closing)):
            candidate = _near(int(first[j] + last[j]) // 2, int(last[j] - first[j]) // 2 + 5, n)
            misfit = sum(_distance_s(self.time_s, candidate, at) ** 2 for at in (closing[j], opening[j]))
            candidates.append(candidate)
            costs.append(np.minimum(misfit / (2 * self.clock_sd_s**2), _BOUND))
        costs[0] = costs[0] + _count_cost(self.total[candidates[0]], 0.0)
        costs[-1] = costs[-1] + _count_cost(self.total[-1] - self.total[candidates[-1]], 0.0)
        return _best_bounds(self.total, self.counts, candidates, costs)

    def offset_by_bounds(self, bounds: Indices) -> float:
        """The offset that some boundaries show, but for those in a pause; NaN where there are none."""
        opening = np.concatenate([self.start_s, self.end_s[-1:]])
        inner = (bounds > 0) & (bounds < len(self.time_s))
        before, after = self.time_s[bounds[inner] - 1], self.time_s[bounds[inner]]
        near = after - before < _PAUSE_IN_DRIVE_S
        return float(np.median((opening[inner] - (before + after) / 2)[near])) if near.any() else np.nan


def _near(middle: int, width: int, n: int) -> Indices:
    return np.arange(max(0, middle - width), min(n, middle + width) + 1)


def _distance_s(time_s: FloatArray, bound: Indices, moment_s: float) -> FloatArray:
    """How far a moment lies from the gap between the strikes before and after each boundary."""
    padded = np.concatenate([[-np.inf], time_s, [np.inf]])
    return np.maximum(np.maximum(padded[bound] - moment_s, moment_s - padded[bound + 1]), 0.0)


def _count_cost(held: FloatArray, n_blows: float) -> FloatArray:
    """Misfit of some numbers of strikes to a count; beyond the bound nearer is still a little better."""
    variance = _COUNT_SD**2 + (_COUNT_SHARE * n_blows) ** 2
    return np.minimum((held - n_blows) ** 2 / (2 * variance), _BOUND) + 1e-3 * np.abs(held - n_blows)


def _best_bounds(
    total: FloatArray, counts: FloatArray, candidates: Sequence[Indices], costs: Sequence[FloatArray]
) -> tuple[Indices, float]:
    """The boundaries (first strike of each increment, and the end) with the least cost, and that cost.

    `total`: blows before each strike; `costs` of the candidates' own.
    """
    best, came_from = costs[0], []
    for j, n_blows in enumerate(counts):
        held = total[candidates[j + 1]][None, :] - total[candidates[j]][:, None]
        rises = candidates[j + 1][None, :] >= candidates[j][:, None]
        reached = np.where(rises, best[:, None] + _count_cost(held, float(n_blows)), np.inf)
        came_from.append(np.argmin(reached, axis=0))
        best = reached.min(axis=0) + costs[j + 1]
    place = int(np.argmin(best))
    bounds = [int(candidates[-1][place])]
    for j in range(len(counts) - 1, -1, -1):
        place = int(came_from[j][place])
        bounds.append(int(candidates[j][place]))
    return np.array(bounds[::-1], dtype=np.intp), float(best.min())
