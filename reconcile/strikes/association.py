"""Which blow of which pile a pulse was: the hammer log matched to the arrivals by time.

The log's clock may be off by a constant and a drift, recorders by tens of milliseconds, and sound takes time to travel.
For each pile several offsets that bring many arrivals onto logged blows are refined (drift, each station's own offset)
and compared: each matched blow speaks for an offset by ln(0.25 s / spread of the residuals). Hammering is never quite
regular, so an alignment that is off by one blow fits worse. Where the runner-up is not clearly worse the match is
ambiguous and nothing is guessed. (A row for a blow that a station did not hear is not made here.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.blows import HammerLog
from reconcile.campaign.distances import Distances
from reconcile.recordings.clock import epoch_us
from reconcile.vocabulary.documents.campaign import Campaign, Pile
from reconcile.vocabulary.quantities import FloatArray

LARGEST_OFFSET_S = 60.0
_MARGIN_S = 30.0  # around a pile's stated times
_LONGEST_TRAVEL_S = 600.0
_BIN_S = 0.02
_APART_S = 0.3  # between offsets that are tried
_TRIED = 9
_TRIED_SHARE = 0.4  # of the best offset's arrivals
_CLEARLY_BETTER = 6.0  # in log likelihood: odds of 400 to 1
_SMALLEST_SPREAD_S = 0.002
_TOLERANCE_S = 0.25
_SAME_STRIKE_S = 0.25
Times = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LogClock:
    """How a pile's hammer log lies against the stations' mean stated clock: log = station time + offset + drift."""

    pile_id: str
    offset_s: float
    drift_ppm: float
    residual_sd_s: float
    n_blows: int
    n_matched: int
    ambiguous: bool


@dataclass(slots=True)
class Association:
    """What each pulse was, in the order of the pulses, and the clocks found on the way."""

    pile_id: list[str | None]
    blow_number: list[int | None]
    energy_kj: FloatArray
    strike_id: list[str]
    flags: list[list[str]]
    log_clocks: list[LogClock] = field(default_factory=list)
    station_offsets_s: dict[str, float] = field(default_factory=dict)  # against the mean of the stations


def associate(pulses: pd.DataFrame, campaign: Campaign, log: HammerLog | None) -> Association:
    """Assign pile, blow number, energy and a strike identity that all stations share.

    `pulses` needs `station_id` and `time_us` (UTC, microseconds since 1970).
    """
    n = len(pulses)
    result = Association([None] * n, [None] * n, np.full(n, np.nan), [""] * n, [[] for _ in range(n)])
    station = pulses["station_id"].to_numpy(dtype=object)
    time_s = pulses["time_us"].to_numpy(dtype=np.float64) / 1e6
    distances = Distances(campaign)
    time_us = pulses["time_us"].to_numpy(dtype=np.int64)
    owner = _owners(time_us, station, campaign, distances)
    offsets: dict[str, list[float]] = {}
    for pile in campaign.piles:
        rows = np.flatnonzero(owner == pile.pile_id)
        if rows.size:
            emitted = time_s[rows] - distances.travel_s(pile.pile_id, station[rows], time_us[rows])
            _assign_pile(result, pile, rows, emitted, station, log, offsets)
    loose = np.flatnonzero([pile is None for pile in owner])
    for number, group in enumerate(_clusters(time_s[loose], station[loose]), start=1):
        for i in loose[group]:
            result.strike_id[i] = f"outside-u{number:05d}"
            result.flags[i].append("outside_piling")
    result.station_offsets_s = {s: float(np.mean(values)) for s, values in sorted(offsets.items())}
    return result


def _owners(
    time_us: NDArray[np.int64], station: NDArray[np.object_], campaign: Campaign, distances: Distances
) -> NDArray[np.object_]:
    """The impact pile that was being driven at each time: within its stated times, else within 30 s of them."""
    time_s = time_us / 1e6
    owner = np.full(len(time_s), None, dtype=object)
    distance = np.full(len(time_s), np.inf)
    for pile in campaign.piles:
        start, end = epoch_us(pile.start_utc) / 1e6, epoch_us(pile.end_utc) / 1e6
        about = np.flatnonzero((time_s >= start - _MARGIN_S) & (time_s <= end + _MARGIN_S + _LONGEST_TRAVEL_S))
        emitted = time_s[about] - distances.travel_s(pile.pile_id, station[about], time_us[about])
        outside = np.maximum(np.maximum(start - emitted, emitted - end), 0.0)
        reach = _MARGIN_S if pile.installation_method == "impact" else 0.0
        nearer = (outside <= reach) & (outside < distance[about])
        owner[about[nearer]] = pile.pile_id if pile.installation_method == "impact" else None
        distance[about[nearer]] = outside[nearer]
    return owner


def _assign_pile(
    result: Association,
    pile: Pile,
    rows: NDArray[np.int64],
    emitted: Times,
    station: NDArray[np.object_],
    log: HammerLog | None,
    offsets: dict[str, list[float]],
) -> None:
    """Blow numbers and identities of one pile's pulses."""
    blows = np.flatnonzero(log.pile_id == pile.pile_id) if log is not None else np.zeros(0, dtype=np.int64)
    matched = np.full(rows.size, -1)
    ambiguous = False
    corrected = emitted.copy()
    if log is not None and blows.size:
        blow_s = log.time_utc[blows].astype("datetime64[us]").astype(np.int64) / 1e6
        clock, line = match_log(pile.pile_id, emitted, station[rows], blow_s)
        result.log_clocks.append(clock)
        ambiguous = clock.ambiguous
        expected = blow_s - np.polyval(line, blow_s - blow_s[0])
        for name in np.unique(station[rows]):
            here = np.flatnonzero(station[rows] == name)
            late = _median_residual(emitted[here], expected)
            offsets.setdefault(str(name), []).append(late)
            corrected[here] -= late
        if not ambiguous:
            matched = _one_to_one(corrected, expected, station[rows])
        for k in np.flatnonzero(matched >= 0):
            i, blow = rows[k], blows[matched[k]]
            result.blow_number[i] = int(log.blow_number[blow])
            result.energy_kj[i] = float(log.energy_kj[blow])
            result.strike_id[i] = f"{pile.pile_id}-{int(log.blow_number[blow]):05d}"
    for i in rows:
        result.pile_id[i] = pile.pile_id
    rest = np.flatnonzero(matched < 0)
    for number, group in enumerate(_clusters(corrected[rest], station[rows[rest]]), start=1):
        for k in rest[group]:
            result.strike_id[rows[k]] = f"{pile.pile_id}-u{number:05d}"
            if blows.size:
                result.flags[rows[k]].append("match_ambiguous" if ambiguous else "not_in_log")


@dataclass(frozen=True, slots=True)
class _Alignment:
    """A log offset tried: the line of the offset on time, residuals' spread, blows matched, and what speaks for it."""

    line: Times
    spread_s: float
    n_matched: int
    support: float


def match_log(pile_id: str, emitted_s: Times, station: NDArray[np.object_], blow_s: Times) -> tuple[LogClock, Times]:
    """Offset and drift of a log: log time minus the time at which the sound left the pile, both in seconds.

    Returns the clock and the line (slope, intercept) of the offset on seconds since the first blow.
    """
    order = np.sort(blow_s)
    tried = [_aligned(offset, emitted_s, station, order) for offset in _offsets(emitted_s, order)]
    tried.sort(key=lambda alignment: -alignment.support)
    if not tried:
        return LogClock(pile_id, 0.0, 0.0, float("nan"), len(blow_s), 0, True), np.zeros(2)
    best = tried[0]
    ambiguous = len(tried) > 1 and best.support - tried[1].support < _CLEARLY_BETTER
    drift_ppm, offset = float(best.line[0] * 1e6), float(best.line[1])
    return LogClock(pile_id, offset, drift_ppm, best.spread_s, len(blow_s), best.n_matched, ambiguous), best.line


def _aligned(offset: float, emitted_s: Times, station: NDArray[np.object_], order: Times) -> _Alignment:
    """Refine one offset: a line in time and each station's own offset from it, four times over."""
    first = order[0]
    line = np.array([0.0, offset])
    late = np.zeros(len(emitted_s))
    near = np.zeros(0, dtype=bool)
    residual, nearest = np.zeros(0), np.zeros(0, dtype=np.int64)
    for _ in range(4):
        shifted = emitted_s - late + np.polyval(line, emitted_s - first)
        nearest = _nearest(order, shifted)
        residual = order[nearest] - shifted
        near = np.abs(residual) < _TOLERANCE_S
        if near.sum() < 2:
            break
        x, y = emitted_s[near] - first, (order[nearest] - emitted_s + late)[near]
        straight = near.sum() >= 10 and np.ptp(x) > 30.0
        line = np.asarray(np.polyfit(x, y, 1)) if straight else np.array([0.0, float(np.median(y))])
        off_line = emitted_s + np.polyval(line, emitted_s - first) - order[nearest]
        for name in np.unique(station[near]):
            here = station == name
            late[here] = np.median(off_line[here & near])
        late -= np.mean([late[station == name][0] for name in np.unique(station)])
    n_matched = len(np.unique(nearest[near])) if near.size else 0
    spread = float(np.std(residual[near])) if near.any() else float("nan")
    support = n_matched * np.log(_TOLERANCE_S / max(spread, _SMALLEST_SPREAD_S)) if n_matched else -np.inf
    return _Alignment(line, spread, n_matched, float(support))


def _offsets(emitted_s: Times, order: Times) -> list[float]:
    """Offsets that many pairs of arrival and blow share, the most common first."""
    within = [order[(order >= t - LARGEST_OFFSET_S) & (order <= t + LARGEST_OFFSET_S)] - t for t in emitted_s]
    differences = np.concatenate(within or [np.zeros(0)])
    edges = np.arange(-LARGEST_OFFSET_S - _BIN_S / 2, LARGEST_OFFSET_S + _BIN_S, _BIN_S)
    kernel = np.exp(-0.5 * (np.arange(-5, 6) / 2.0) ** 2)
    score = np.convolve(np.histogram(differences, edges)[0].astype(np.float64), kernel, "same")
    least, apart = _TRIED_SHARE * score.max(initial=0.0), round(_APART_S / _BIN_S)
    found: list[float] = []
    while len(found) < _TRIED and score.max(initial=0.0) > max(least, 0.0):
        best = int(np.argmax(score))
        found.append(float((edges[best] + edges[best + 1]) / 2))
        score[max(0, best - apart) : best + apart + 1] = 0.0
    return found


def _nearest(ordered: Times, values: Times) -> NDArray[np.int64]:
    right = np.clip(np.searchsorted(ordered, values), 1, max(1, len(ordered) - 1))
    if len(ordered) == 1:
        return np.zeros(len(values), dtype=np.int64)
    return np.asarray(
        np.where(values - ordered[right - 1] <= ordered[right] - values, right - 1, right), dtype=np.int64
    )


def _median_residual(emitted: Times, expected: Times) -> float:
    order = np.sort(expected)
    residual = emitted - order[_nearest(order, emitted)]
    near = residual[np.abs(residual) < _TOLERANCE_S]
    return float(np.median(near)) if near.size else 0.0


def _one_to_one(times: Times, expected: Times, station: NDArray[np.object_]) -> NDArray[np.int64]:
    """Index of the blow of each pulse, or -1: the nearest within tolerance, one pulse of a station for each blow."""
    order = np.argsort(expected)
    interval = float(np.median(np.diff(expected[order]))) if len(order) > 1 else 1.0
    tolerance = min(_TOLERANCE_S, 0.35 * interval)
    nearest = order[_nearest(expected[order], times)]
    distance = np.abs(times - expected[nearest])
    matched = np.where(distance <= tolerance, nearest, -1)
    taken: dict[tuple[object, int], int] = {}
    for k in np.argsort(distance):
        if matched[k] >= 0 and taken.setdefault((station[k], int(matched[k])), int(k)) != k:
            matched[k] = -1
    return np.asarray(matched, dtype=np.int64)


def _clusters(times: Times, station: Sequence[object] | NDArray[np.object_]) -> list[NDArray[np.int64]]:
    """Groups of arrivals within a quarter of a second of the group's first, each station at most once."""
    groups: list[list[int]] = []
    heard: set[object] = set()
    for k in np.argsort(times, kind="stable"):
        new = not groups or times[k] - times[groups[-1][0]] > _SAME_STRIKE_S or station[k] in heard
        if new:
            groups.append([])
            heard = set()
        groups[-1].append(int(k))
        heard.add(station[k])
    return [np.array(group, dtype=np.int64) for group in groups]
