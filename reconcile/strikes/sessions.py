"""Stretches of piling: the piles driven at one time, the arrivals from then, and whose each arrival is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import activity_periods, impact_periods
from reconcile.campaign.blows import HammerLog
from reconcile.campaign.distances import Distances
from reconcile.strikes.trains import Indices
from reconcile.vocabulary.documents.campaign import Campaign, Pile
from reconcile.vocabulary.quantities import FloatArray, level_db

LARGEST_LOG_OFFSET_S = 60.0
MARGIN_S = 30.0  # around a pile's stated times
_LONGEST_TRAVEL_S = 600.0
_ANOTHER_RUN_S = 600.0  # without a logged blow


@dataclass(frozen=True, slots=True)
class Arrivals:
    """All pulses: station as a number (index of `names`), UTC by its stated clock, level (dB, NaN where not
    measured).
    """

    names: tuple[str, ...]
    station: Indices
    station_id: NDArray[np.object_]
    time_us: NDArray[np.int64]
    time_s: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, slots=True)
class Session:
    """Piles driven at one time, with the arrivals that may be theirs.

    `rows` are indices of the arrivals; `emitted_s` (piles, rows) their times less the travel time from each pile;
    `outside_s` (piles, rows) how far these lie outside the pile's stated times; `possible` (piles, rows) whether an
    arrival may be the pile's at all. `logged` are for each pile the rows of its log from then, in order of time.
    """

    piles: tuple[Pile, ...]
    rows: Indices
    emitted_s: FloatArray
    outside_s: FloatArray
    possible: NDArray[np.bool_]
    logged: tuple[Indices, ...]

    @property
    def shared(self) -> bool:
        """Whether an arrival may be of more than one pile."""
        return bool((self.possible.sum(axis=0) > 1).any())


def arrivals_of(pulses: pd.DataFrame) -> Arrivals:
    """The pulses as arrays. `pulses` needs `station_id` and `time_us`; levels are taken where there are energies."""
    station_id = pulses["station_id"].to_numpy(dtype=object)
    names, station = np.unique(station_id.astype(str), return_inverse=True)
    time_us = pulses["time_us"].to_numpy(dtype=np.int64)
    levels = np.full(len(pulses), np.nan)
    if {"energy_pa2_s", "noise_pa2", "window_s"}.issubset(pulses.columns):
        share = (pulses["noise_pa2"] * pulses["window_s"]).fillna(0.0).to_numpy(dtype=np.float64)
        energy = pulses["energy_pa2_s"].to_numpy(dtype=np.float64) - share
        levels[energy > 0] = level_db(energy[energy > 0])
    return Arrivals(tuple(names.tolist()), station.astype(np.int64), station_id, time_us, time_us / 1e6, levels)


def logged_us(log: HammerLog | None, pile_id: str) -> tuple[Indices, NDArray[np.int64]]:
    """Rows of a pile in the log, in order of time, and their times in microseconds since 1970 by the log's clock."""
    if log is None:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    rows = np.flatnonzero(log.pile_id == pile_id)
    time_us = log.time_utc[rows].astype("datetime64[us]").astype(np.int64)
    order = np.argsort(time_us, kind="stable")
    return rows[order], time_us[order]


@dataclass(frozen=True, slots=True)
class _Window:
    """A stretch in which sound may have left a pile: about a stated period, or a run of its log."""

    low_s: float
    high_s: float
    pile: Pile
    stated: bool


def sessions(arrivals: Arrivals, campaign: Campaign, log: HammerLog | None) -> list[Session]:
    """What may have been driven at one time, in order; stretches without an arrival are left out.

    A pile that was struck again hours later is in two sessions.
    """
    windows = sorted(_windows(campaign, log), key=lambda window: window.low_s)
    groups: list[list[_Window]] = []
    for window in windows:
        if groups and window.low_s <= max(w.high_s for w in groups[-1]):
            groups[-1].append(window)
        else:
            groups.append([window])
    distances = Distances(campaign)
    found = [_session(arrivals, group, distances, log) for group in groups]
    return [session for session in found if session.rows.size]


def _windows(campaign: Campaign, log: HammerLog | None) -> Iterator[_Window]:
    for pile in campaign.piles:
        periods = impact_periods(campaign, pile.pile_id)
        for period in periods:
            yield _Window(period.start_us / 1e6 - MARGIN_S, period.end_us / 1e6 + MARGIN_S, pile, True)
        _, times = logged_us(log, pile.pile_id)
        if periods and times.size:
            for run in np.split(times / 1e6, np.flatnonzero(np.diff(times) > _ANOTHER_RUN_S * 1e6) + 1):
                yield _Window(run[0] - LARGEST_LOG_OFFSET_S, run[-1] + LARGEST_LOG_OFFSET_S, pile, False)


def _session(arrivals: Arrivals, group: Sequence[_Window], distances: Distances, log: HammerLog | None) -> Session:
    low, high = min(w.low_s for w in group), max(w.high_s for w in group)
    rows = np.flatnonzero((arrivals.time_s >= low) & (arrivals.time_s <= high + _LONGEST_TRAVEL_S))
    piles = tuple({window.pile.pile_id: window.pile for window in group}.values())
    shape = (len(piles), len(rows))
    emitted, outside, possible = np.zeros(shape), np.full(shape, np.inf), np.zeros(shape, dtype=bool)
    logged = []
    for k, pile in enumerate(piles):
        travel_s = distances.travel_s(pile.pile_id, arrivals.station_id[rows], arrivals.time_us[rows])
        emitted[k] = arrivals.time_s[rows] - travel_s
        for window in group:
            if window.pile is pile:
                possible[k] |= (emitted[k] >= window.low_s) & (emitted[k] <= window.high_s)
                if window.stated:
                    start, end = window.low_s + MARGIN_S, window.high_s - MARGIN_S
                    outside[k] = np.minimum(outside[k], np.maximum(np.maximum(start - emitted[k], emitted[k] - end), 0))
        blows, times = logged_us(log, pile.pile_id)
        logged.append(blows[(times / 1e6 >= low) & (times / 1e6 <= high)])
    some = possible.any(axis=0)
    return Session(piles, rows[some], emitted[:, some], outside[:, some], possible[:, some], tuple(logged))


def within_other_work(arrivals: Arrivals, campaign: Campaign) -> NDArray[np.bool_]:
    """Arrivals from the times of work that is not driving by impact."""
    found = np.zeros(len(arrivals.time_s), dtype=bool)
    distances = Distances(campaign)
    for period in activity_periods(campaign):
        if period.installation_method != "impact":
            start, end = period.start_us / 1e6, period.end_us / 1e6
            about = np.flatnonzero((arrivals.time_s >= start) & (arrivals.time_s <= end + _LONGEST_TRAVEL_S))
            travel = distances.travel_s(period.pile_id, arrivals.station_id[about], arrivals.time_us[about])
            emitted = arrivals.time_s[about] - travel
            found[about[(emitted >= start) & (emitted <= end)]] = True
    return found
