"""Whose strike an arrival was, where several piles may have been driven at the time.

For each pile the arrivals of a strike meet once that pile's travel times are taken off, and lie where its log has a
blow. A stated time that does not hold an arrival speaks against it, more the further off it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.alignment import align
from reconcile.strikes.identity import Strikes, grouped, partner_support, strikes_of
from reconcile.strikes.log_clock import LogClock, LogLine, energy_levels_db, log_clock
from reconcile.strikes.offset_search import Search
from reconcile.strikes.sessions import Session
from reconcile.strikes.station_clocks import LARGEST_OFFSET_S, OFFSET_PRIOR_S, StationClock
from reconcile.strikes.trains import Indices, Train, nearest, train
from reconcile.vocabulary.quantities import FloatArray

ONE_PILE_GAP_S, _SEVERAL_PILES_GAP_S = 0.15, 0.06
_CLEAR = 3.0  # log odds of 20 to 1
_OUTSIDE_S = 10.0  # the stated time's doubt: one unit of log odds for each
_LOGGED = 6.0  # what lying at a logged blow speaks for a pile
_LEAST_JITTER_S = 0.01


@dataclass(frozen=True, slots=True)
class Log:
    """A pile's log: times in microseconds by its clock, in order, and energies (kJ, NaN where not known).

    `known`: what earlier driving of the pile says of its clock.
    """

    time_us: Indices
    energy_kj: FloatArray
    known: LogLine | None = None


@dataclass(frozen=True, slots=True)
class PileStrikes:
    """A pile's arrivals (places within the session) with its strikes, and its log's clock where there is a log."""

    arrivals: Indices
    strikes: Strikes
    clock: LogClock | None
    line: LogLine | None


def owned(
    session: Session,
    corrected_s: FloatArray,
    station: Indices,
    level_db: FloatArray,
    usable: NDArray[np.bool_],
    logs: Sequence[Log],
) -> tuple[list[PileStrikes], NDArray[np.bool_]]:
    """The strikes of each pile of a session, and which arrivals may as well be another pile's.

    `corrected_s` (piles, arrivals): times less travel time and the recorder's found clock; `usable` arrivals are from
    recorders whose clock is decided: only these are held against the log.
    """
    n_piles, n = corrected_s.shape
    if n_piles == 1:
        every = np.arange(n)
        return [_pile(session, 0, every, corrected_s[0], station, level_db, usable, logs[0])], np.zeros(n, dtype=bool)
    support = np.where(session.possible, -session.outside_s / _OUTSIDE_S, -np.inf)
    for k in range(n_piles):
        own = np.flatnonzero(session.possible[k])
        times = corrected_s[k, own]
        support[k, own] += partner_support(times, grouped(times, station[own], _SEVERAL_PILES_GAP_S))
    first_guess = support.copy()
    for k in range(n_piles):
        others = np.delete(first_guess, k, axis=0).max(axis=0)
        likely = np.flatnonzero(session.possible[k] & (first_guess[k] >= others - _CLEAR))
        found = _pile(
            session, k, likely, corrected_s[k, likely], station[likely], level_db[likely], usable[likely], logs[k]
        )
        support[k] += _logged_support(corrected_s[k], found, logs[k])
    order = np.sort(support, axis=0)
    best = np.argmax(support, axis=0)
    ambiguous = order[-1] < order[-2] + _CLEAR
    piles = []
    for k in range(n_piles):
        own = np.flatnonzero(best == k)
        piles.append(_pile(session, k, own, corrected_s[k, own], station[own], level_db[own], usable[own], logs[k]))
    return piles, ambiguous


def _pile(
    session: Session,
    k: int,
    arrivals: Indices,
    corrected_s: FloatArray,
    station: Indices,
    level_db: FloatArray,
    usable: NDArray[np.bool_],
    log: Log,
) -> PileStrikes:
    strikes = strikes_of(corrected_s, level_db, station, ONE_PILE_GAP_S)
    if not len(log.time_us):
        return PileStrikes(arrivals, strikes, None, None)
    counted = np.zeros(len(strikes), dtype=bool)
    counted[strikes.label[usable]] = True
    held = Strikes(strikes.time_s[counted], strikes.level_db[counted], strikes.label[:0])
    clock, line = log_clock(
        session.piles[k].pile_id, held.train, log.time_us, log.energy_kj, alone=not session.shared, known=log.known
    )
    return PileStrikes(arrivals, strikes, clock, line)


def _logged_support(corrected_s: FloatArray, found: PileStrikes, log: Log) -> FloatArray:
    """What the nearest logged blow speaks for each arrival, where the log's clock is decided."""
    if found.clock is None or found.line is None or found.clock.ambiguous:
        return np.zeros(len(corrected_s))
    blow_s = found.line.station_s(log.time_us / 1e6)
    late_s = np.abs(corrected_s - blow_s[nearest(blow_s, corrected_s)])
    beyond = np.maximum(0.0, late_s - found.line.resolution_s / 2.0)
    return np.maximum(0.0, _LOGGED - 0.5 * (beyond / max(found.line.jitter_s, _LEAST_JITTER_S)) ** 2)


def clocks_by_log(
    views: Mapping[str, Sequence[Train]],
    piles: Sequence[PileStrikes],
    logs: Sequence[Log],
    clocks: Mapping[str, StationClock],
    *,
    shared: bool,
) -> dict[str, StationClock]:
    """Clocks of stations that could not be aligned with the others, found from logs whose clock is decided.

    A log's energies have no scatter, and show steps that get lost between two stations. `views` as in `station_clocks`.
    """
    decided: dict[str, StationClock] = {}
    for name, view in views.items():
        blocks = []
        for found, log, own in zip(piles, logs, view, strict=True):
            if found.clock is not None and found.line is not None and not found.clock.ambiguous:
                levels = np.full(len(log.time_us), np.nan) if shared else energy_levels_db(log.energy_kj)
                blocks.append((train(found.line.station_s(log.time_us / 1e6), levels), own))
        alignment = align(blocks, Search(LARGEST_OFFSET_S, prior_s=OFFSET_PRIOR_S))
        if alignment is not None and alignment.decided:
            line = alignment.line.moved(clocks[name].line.origin_s)
            errors = (alignment.offset_error_s, alignment.drift_error)
            decided[name] = StationClock(line, *errors, alignment.spread_s, alignment.n_matched, True)
    return decided
