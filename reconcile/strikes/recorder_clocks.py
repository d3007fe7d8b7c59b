"""Offset and drift of each recorder over the whole campaign, from what was found during each piling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reconcile.campaign.station_periods import period_numbers, station_periods
from reconcile.strikes.station_clocks import KnownOffset, StationClock
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray

_DRIFT_PRIOR = 1e-5  # of what is left of a recorder's drift, from one piling to another
_DISTANCE_SPREAD_S = 0.02  # what a wrong distance does to the offset of a piling
_LEAST_ERROR_S, _LEAST_DRIFT_ERROR = 1e-4, 1e-8
Key = tuple[str, int]  # station, number of the clock that it had (deployments may begin a new one)


@dataclass(frozen=True, slots=True)
class RecorderClock:
    """What a recorder's clock was off, beyond what is stated, against the mean of the stations.

    Station time less mean time: the offset at `at_s` (the middle of what was heard, seconds since 1970) and the drift.
    A wrong distance of 1.5 m is 1 ms of offset; errors hold it only as far as several pilings disagree.
    """

    station_id: str
    at_s: float
    offset_s: float
    offset_standard_error_s: float
    drift_ppm: float
    drift_standard_error_ppm: float
    residual_sd_s: float
    n_strikes: int
    n_piles: int
    ambiguous: bool


Clocks = dict[str, StationClock]


def mean_offsets(sessions: Sequence[Clocks]) -> dict[str, float]:
    """Each station's mean offset over the pilings, where more than one station heard them."""
    offsets: dict[str, list[float]] = {}
    for session in sessions:
        for name, clock in session.items():
            if clock.decided and len(session) > 1:
                offsets.setdefault(name, []).append(clock.line.offset_s)
    return {name: float(np.mean(found)) for name, found in sorted(offsets.items())}


def known_offsets(campaign: Campaign, sessions: Sequence[Clocks], number: int) -> dict[str, KnownOffset]:
    """What the other pilings say of each station's clock during one: from the nearest in time of the same clock."""
    known: dict[str, KnownOffset] = {}
    for name, clock in sessions[number].items():
        key, at_s = _key(campaign, name, clock), clock.line.origin_s
        others = [
            session[name].line
            for k, session in enumerate(sessions)
            if k != number and name in session and session[name].decided and len(session) > 1
            if _key(campaign, name, session[name]) == key
        ]
        if others:
            nearest = min(others, key=lambda line: abs(line.origin_s - at_s))
            gap_s = abs(nearest.origin_s - at_s)
            known[name] = KnownOffset(nearest.offset_s, float(np.hypot(_DISTANCE_SPREAD_S, _DRIFT_PRIOR * gap_s)))
    return known


def _key(campaign: Campaign, name: str, clock: StationClock) -> Key:
    periods = station_periods(campaign, name)
    at_us = np.array([round(clock.line.origin_s * 1e6)], dtype=np.int64)
    held = int(period_numbers(periods, at_us)[0])
    return name, sum(period.clock_restarts for period in periods[: held + 1])


def recorder_clocks(campaign: Campaign, sessions: Sequence[Clocks]) -> list[RecorderClock]:
    """One entry for each recorder's clock that could be compared with another's."""
    found: dict[Key, list[StationClock]] = {}
    undecided: dict[Key, int] = {}
    for session in sessions:
        for name, clock in session.items():
            if len(session) > 1:
                key = _key(campaign, name, clock)
                found.setdefault(key, [])
                undecided.setdefault(key, 0)
                if clock.decided and np.isfinite(clock.offset_error_s):
                    found[key].append(clock)
                else:
                    undecided[key] += 1
    return [_recorder(key[0], clocks) for key, clocks in sorted(found.items())]


def _recorder(name: str, clocks: Sequence[StationClock]) -> RecorderClock:
    """A line through the pilings' lines by weighted least squares."""
    if not clocks:
        return RecorderClock(name, np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, 0, 0, True)
    weight = np.array([clock.n_strikes for clock in clocks], dtype=np.float64)
    origins = np.array([clock.line.origin_s for clock in clocks])
    at_s = float(origins @ weight / weight.sum())
    values, covariance, spread_s = _line_through(clocks, origins - at_s)
    spreads = np.array([clock.spread_s for clock in clocks])
    within = float(np.sqrt(np.nanmean(spreads**2))) if np.isfinite(spreads).any() else 0.0
    return RecorderClock(
        station_id=name,
        at_s=at_s,
        offset_s=float(values[0]),
        offset_standard_error_s=float(np.sqrt(covariance[0, 0])),
        drift_ppm=float(values[1] * 1e6),
        drift_standard_error_ppm=float(np.sqrt(covariance[1, 1]) * 1e6),
        residual_sd_s=float(np.hypot(within, spread_s)),
        n_strikes=int(weight.sum()),
        n_piles=len(clocks),
        ambiguous=False,
    )


def _line_through(clocks: Sequence[StationClock], since_s: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Offset at 0 and drift, their covariance, and the scatter of the pilings' offsets about the line.

    A piling's offset and its own drift are two observations; where pilings disagree by more than their errors
    (distances that are not quite right), the errors of all grow accordingly.
    """
    offset = np.array([clock.line.offset_s for clock in clocks])
    drift = np.array([clock.line.drift for clock in clocks])
    offset_error = np.maximum([clock.offset_error_s for clock in clocks], _LEAST_ERROR_S)
    drift_error = np.maximum([clock.drift_error for clock in clocks], _LEAST_DRIFT_ERROR)
    design = np.concatenate([np.stack([np.ones_like(since_s), since_s], 1), np.stack([0 * drift, 1 + 0 * drift], 1)])
    observed = np.concatenate([offset, drift])
    between = 0.0
    for _ in range(8):
        error = np.concatenate([np.hypot(offset_error, between), drift_error])
        weighted = design / error[:, None]
        covariance = np.linalg.inv(weighted.T @ weighted)
        values = covariance @ (weighted.T @ (observed / error))
        residual = (observed - design @ values)[: len(clocks)]
        free = max(1, len(clocks) - 2)
        between = float(np.sqrt(max(0.0, residual @ residual / free - np.mean(offset_error**2))))
    return values, covariance, between if len(clocks) > 2 else 0.0
