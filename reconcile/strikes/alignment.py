"""Offset and drift between two clocks that timed the same events, and whether another alignment fits as well.

Offsets that many pairs share (`offset_search.py`) are refined to a line and held against each other. For an alignment
speak residuals that are smaller than those of others, steps of the level that both sides show, and ends and pauses that
meet: where they do not, events are left over that the other side must have missed. An alignment is decided only where
it is better than any other one by odds of a thousand to one; of what residuals say, three standard deviations of chance
are taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.offset_search import LARGEST_DRIFT, STRETCH_S, Blocks, Search, busiest, offset_candidates
from reconcile.strikes.trains import (
    Indices,
    Line,
    Train,
    fit_gain,
    pairs,
    rounded_line,
    spread_of,
    step_gain,
    straight_line,
    tolerance_s,
    usual_gap_s,
    usual_interval_s,
)
from reconcile.vocabulary.quantities import FloatArray

DECIDED = float(np.log(1000.0))
_DRIFT_PRIOR = 5e-5
_CHANCE = 3.0  # standard deviations
_LEAST_MISSING, _MOST_MISSING = 0.05, 0.5
_SHARE_MARGIN = 0.1
_LARGEST_CHANCE = 3.0  # of one blow; of rounded times single blows at the ends of the step say most, by chance too
_LIKELY = 5  # alignments that are held against all others
_PAUSE = 3.5  # usual intervals
_ROUNDS, _ROUNDS_ROUNDED = 3, 8


@dataclass(frozen=True, slots=True)
class Alignment:
    """The second clock less the first one, as a line on the first one's time, with its doubt.

    `margin` is by how much the alignment is better than any other one (log likelihood, chance taken off); `confidence`
    the odds against all others that were tried, as a probability. `jitter_s` is the spread before rounding. Errors are
    standard errors, of the offset at the line's origin.
    """

    line: Line
    offset_error_s: float
    drift_error: float
    spread_s: float
    jitter_s: float
    n_matched: int
    margin: float
    confidence: float

    @property
    def decided(self) -> bool:
        return self.margin >= DECIDED


@dataclass(slots=True)
class _Tried:
    line: Line
    covariance: FloatArray
    spread_s: float
    pairs: list[tuple[Indices, Indices]]
    residuals: list[FloatArray]


def align(blocks: Blocks, search: Search) -> Alignment | None:
    """The best line between two clocks over one or more pairs of trains; None where nothing pairs.

    Every pair of trains is one view of the same two clocks (of two piles driven at once: arrivals less the travel time
    from either).
    """
    blocks = [(one, other) for one, other in blocks if len(one) and len(other)]
    if not blocks:
        return None
    interval_s = usual_interval_s([t for block in blocks for t in block])
    origin_s = busiest(np.concatenate([one.time_s for one, _ in blocks]))
    tried = []
    for offset_s, drift in offset_candidates(blocks, search, interval_s, origin_s):
        found = _refined(blocks, Line(origin_s, offset_s, drift), search, interval_s)
        if found is not None and abs(found.line.drift) <= 1.5 * LARGEST_DRIFT:
            tried.append(found)
    return _best(blocks, tried, search, interval_s) if tried else None


def _refined(blocks: Blocks, line: Line, search: Search, interval_s: float) -> _Tried | None:
    """A candidate's pairs and least squares line, over a stretch that grows to the whole."""
    within_s = min(search.within_s, tolerance_s(interval_s, search.rounded_to_s))
    span_s = max(float(np.abs(one.time_s - line.origin_s).max()) for one, _ in blocks)
    rounds = _ROUNDS_ROUNDED if search.rounded_to_s > 0.05 else _ROUNDS
    radii = [
        min(span_s, STRETCH_S * 2.0**k) for k in range(max(rounds, 1 + int(np.ceil(np.log2(span_s / STRETCH_S + 1)))))
    ]
    radii[-1] = span_s
    result = None
    for radius_s in radii:
        matched, residuals, at = [], [], []
        for one, other in blocks:
            expected = one.time_s + line.at(one.time_s)
            i, j = pairs(expected, other.time_s, within_s)
            matched.append((i, j))
            residuals.append(other.time_s[j] - expected[i])
            at.append(one.time_s[i] - line.origin_s)
        residual, time_s = np.concatenate(residuals), np.concatenate(at)
        if not residual.size:
            return None
        used = np.abs(time_s) <= radius_s + 1e-3
        if not used.any():
            return result
        centred = residual[used] - np.median(residual[used])
        if search.rounded_to_s > 0.05:
            spread_s = search.rounded_to_s / np.sqrt(12.0)
        else:
            spread_s = spread_of(centred, 0.0)
            used[used] = np.abs(centred) <= 4.0 * spread_s
        difference = residual[used] + line.offset_s + line.drift * time_s[used]
        values, covariance = straight_line(time_s[used], difference, spread_s, _DRIFT_PRIOR)
        line = Line(line.origin_s, float(values[0]), float(values[1]))
        result = _Tried(line, covariance, spread_s, matched, residuals)
    return result


def _best(blocks: Blocks, tried: Sequence[_Tried], search: Search, interval_s: float) -> Alignment:
    """The alignment that is better than all others by most, and by how much."""
    tried = _well_paired(tried)
    missing = _missing(blocks, max(tried, key=_n_pairs))
    gaps_s = [usual_gap_s(one) for one, _ in blocks]
    spreads_s = [spread_of(np.concatenate(one.residuals), search.rounded_to_s) for one in tried]
    offsets = np.array([one.line.offset_s for one in tried])
    widest_s = max(float(np.sqrt(np.mean(np.concatenate(one.residuals) ** 2))) for one in tried)
    fits = np.empty((len(tried), sum(len(one) for one, _ in blocks)))
    marks = -0.5 * ((offsets - search.centre_s) / search.prior_s) ** 2
    for k, one in enumerate(tried):
        fits[k], step = _gains(blocks, one, search, spreads_s[k], max(widest_s, *spreads_s))
        marks[k] += step - missing * sum(_added(*block, one, b, gaps_s[b]) for b, block in enumerate(blocks))
    support = marks + np.nansum(fits, axis=1)
    likely = {
        *np.argsort(-support, kind="stable")[:_LIKELY].tolist(),
        *np.argsort(-marks, kind="stable")[:_LIKELY].tolist(),
    }
    largest = np.inf if search.rounded_to_s > 0.05 else _LARGEST_CHANCE
    distinct = [np.abs(offsets - offset) >= 0.35 * interval_s for offset in offsets]
    leads = {k: _leads(k, fits, marks, distinct[k], largest) for k in sorted(likely)}
    first = max(leads, key=lambda k: (leads[k].min(initial=np.inf), support[k]))
    odds = float(np.exp(-np.maximum(leads[first], 0.0)).sum())
    return _final(blocks, tried[first], search, float(leads[first].min(initial=np.inf)), 1.0 / (1.0 + odds))


def _leads(first: int, fits: FloatArray, marks: FloatArray, others: NDArray[np.bool_], largest: float) -> FloatArray:
    """By how much an alignment is better than each of some others.

    What residuals say counts only as far as it is more than chance: of perfectly regular blows they favour some lag by
    chance, and by more the more blows there are. A blow's part in that chance is `largest` at the most: what one blow
    says by more than that is no noise.
    """
    difference = fits[first] - fits[others]
    both = np.isfinite(difference)
    n = both.sum(axis=1)
    total = np.where(both, difference, 0.0).sum(axis=1)
    usual = np.where(both, np.clip(difference, -largest, largest), 0.0)
    square = (usual**2).sum(axis=1) - usual.sum(axis=1) ** 2 / np.maximum(n, 1)
    chance = _CHANCE * np.sqrt(np.maximum(0.0, square))
    beyond = np.sign(total) * np.maximum(0.0, np.abs(total) - chance)
    return np.asarray(marks[first] - marks[others] + beyond)


def _n_pairs(tried: _Tried) -> int:
    return sum(len(i) for i, _ in tried.pairs)


def _well_paired(tried: Sequence[_Tried]) -> list[_Tried]:
    """Alignments that pair as large a share of what both sides hold as any other does; offsets between two lags do
    not.
    """
    shares = []
    for one in tried:
        n = 0
        for i, j in one.pairs:
            if len(i):
                n += min(int(i[-1] - i[0]), int(j.max() - j.min())) + 1
        shares.append(_n_pairs(one) / n if n else 0.0)
    most = max(_n_pairs(one) for one in tried)
    best = max(share for share, one in zip(shares, tried, strict=True) if _n_pairs(one) >= 0.5 * most)
    least = best * (1.0 - max(_SHARE_MARGIN, 0.7 / np.sqrt(most)))
    return [one for share, one in zip(shares, tried, strict=True) if share >= least]


def _missing(blocks: Blocks, tried: _Tried) -> float:
    """Minus the log probability that an event of either side is missing on the other."""
    total = 0.0
    n_matched = _n_pairs(tried)
    for side in (0, 1):
        n = 0
        for block, matched in zip(blocks, tried.pairs, strict=True):
            shared = block[side].time_s[matched[side]]
            if shared.size:
                n += int(np.sum((block[side].time_s >= shared.min()) & (block[side].time_s <= shared.max())))
        share = 1.0 - n_matched / n if n else 1.0
        total -= float(np.log(np.clip(share, _LEAST_MISSING, _MOST_MISSING)))
    return total


def _added(one: Train, other: Train, tried: _Tried, block: int, gaps_s: FloatArray) -> int:
    """Events of the second train without a partner before, after, and in the pauses of the first one.

    At another lag ends and pauses do not meet, and there are more of these. What is missing here and there in between
    is by chance, the same for every lag, and says nothing.
    """
    alone = np.ones(len(other), dtype=bool)
    alone[tried.pairs[block][1]] = False
    at = other.time_s[alone]
    at = at - tried.line.at(at)
    place = np.searchsorted(one.time_s, at)
    pause = np.concatenate([[True], np.diff(one.time_s) > _PAUSE * gaps_s, [True]])
    return int(pause[place].sum())


def _gains(blocks: Blocks, tried: _Tried, search: Search, spread_s: float, widest_s: float) -> tuple[FloatArray, float]:
    """What speaks for an alignment: residuals, by event of the first trains (NaN: unpaired), and steps of the level."""
    fits, steps = [], 0.0
    for (one, other), (i, j), own in zip(blocks, tried.pairs, tried.residuals, strict=True):
        fit = np.full(len(one), np.nan)
        fit[i] = fit_gain(own, spread_s, widest_s, search.rounded_to_s)
        fits.append(fit)
        steps += step_gain(one, other, i, j)
    return np.concatenate(fits), steps


def _final(blocks: Blocks, tried: _Tried, search: Search, margin: float, confidence: float) -> Alignment:
    """The line stated at the first event of the first trains that pairs, with its errors."""
    time_s = np.concatenate([one.time_s[i] for (one, _), (i, _) in zip(blocks, tried.pairs, strict=True)])
    residual = np.concatenate(tried.residuals)
    values, covariance = np.array([tried.line.offset_s, tried.line.drift]), tried.covariance
    since = time_s - tried.line.origin_s
    jitter_s = spread_s = spread_of(residual, search.rounded_to_s)
    if search.rounded_to_s > 0.05:
        difference = residual + tried.line.at(time_s)
        values, covariance = rounded_line(since, difference, jitter_s, search.rounded_to_s, _DRIFT_PRIOR)
        spread_s = float(np.std(difference - values[0] - values[1] * since))
    back = float(since.min())
    at_first = covariance[0, 0] + 2.0 * back * covariance[0, 1] + back**2 * covariance[1, 1]
    line = Line(tried.line.origin_s, float(values[0]), float(values[1])).moved(float(time_s.min()))
    return Alignment(
        line=line,
        offset_error_s=float(np.sqrt(max(at_first, 0.0))),
        drift_error=float(np.sqrt(covariance[1, 1])),
        spread_s=spread_s,
        jitter_s=jitter_s,
        n_matched=len(residual),
        margin=margin,
        confidence=confidence,
    )
