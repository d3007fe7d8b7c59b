"""Which strike of which pile each pulse was: one assignment over all stations and the hammer log.

Recorders are aligned with each other by the arrivals that they share (`station_clocks.py`), arrivals grouped to
strikes with one identity at all stations (`identity.py`), piles driven at one time told apart (`ownership.py`), the
log's clock found (`log_clock.py`), and strikes matched with its blows in order (`blow_matching.py`). What two
solutions explain equally well is not guessed: it is flagged, and the number is null.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.blows import HammerLog
from reconcile.strikes.blow_matching import match
from reconcile.strikes.identity import grouped, numbered
from reconcile.strikes.log_clock import LogClock, LogLine
from reconcile.strikes.overlaps import overlapping
from reconcile.strikes.ownership import ONE_PILE_GAP_S, Log, PileStrikes, clocks_by_log, owned
from reconcile.strikes.recorder_clocks import RecorderClock, known_offsets, mean_offsets, recorder_clocks
from reconcile.strikes.sessions import MARGIN_S, Arrivals, Session, arrivals_of, sessions, within_other_work
from reconcile.strikes.station_clocks import KnownOffset, StationClock, station_clocks
from reconcile.strikes.trains import Indices, Train, train, usual_interval_s
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray


@dataclass(slots=True)
class Association:
    """What each pulse was, in the order of the pulses, and the clocks found on the way.

    `strikes` holds the piles' strikes that were heard, one row each: `strike_id`, `pile_id`, `blow_number` (NaN where
    none), `energy_kj`, `emitted_s` (when the sound left the pile, by the stations' mean clock, seconds since 1970),
    `n_stations`. `station_clocks` are by pile and station, in order of time: several where a pile was struck again.
    """

    pile_id: list[str | None]
    blow_number: list[int | None]
    energy_kj: FloatArray
    strike_id: list[str]
    flags: list[list[str]]
    log_clocks: list[LogClock] = field(default_factory=list)
    station_offsets_s: dict[str, float] = field(default_factory=dict)  # against the mean of the stations
    recorder_clocks: list[RecorderClock] = field(default_factory=list)
    log_lines: dict[str, LogLine] = field(default_factory=dict)  # by pile, where the log's clock is decided
    station_clocks: dict[tuple[str, str], tuple[StationClock, ...]] = field(default_factory=dict)
    strikes: pd.DataFrame = field(default_factory=pd.DataFrame)


def associate(pulses: pd.DataFrame, campaign: Campaign, log: HammerLog | None) -> Association:
    """Assign pile, blow number, energy and a strike identity that all stations share.

    `pulses` needs `station_id` and `time_us` (UTC, microseconds since 1970); energies and window lengths are used where
    they are there.
    """
    arrivals = arrivals_of(pulses)
    work = _Work(arrivals, log, within_other_work(arrivals, campaign))
    groups = sessions(arrivals, campaign, log)
    clocks = [_session_clocks(arrivals, session, {}) for session in groups]
    for k, session in enumerate(groups):
        if not all(clock.decided for clock in clocks[k].values()):
            clocks[k] = _session_clocks(arrivals, session, known_offsets(campaign, clocks, k))
        work.solve(session, clocks[k])
    result = work.result()
    result.recorder_clocks = recorder_clocks(campaign, clocks)
    result.station_offsets_s = mean_offsets(clocks)
    marked = overlapping(pulses, result.pile_id, result.strikes, result.station_clocks, campaign)
    for i in np.flatnonzero(marked):
        result.flags[i].append("overlapping_piles")
    return result


def _session_clocks(arrivals: Arrivals, session: Session, known: dict[str, KnownOffset]) -> dict[str, StationClock]:
    """Recorders' clocks during a session, stated at its first arrival."""
    return station_clocks(_views(arrivals, session), float(session.emitted_s.min()), known, shared=session.shared)


def _views(arrivals: Arrivals, session: Session) -> dict[str, list[Train]]:
    """Each station's arrivals less the travel time from each pile; without levels where piles are mixed."""
    views = {}
    for code in np.unique(arrivals.station[session.rows]):
        here = arrivals.station[session.rows] == code
        levels = np.full(int(here.sum()), np.nan) if session.shared else arrivals.level_db[session.rows[here]]
        views[arrivals.names[code]] = [
            train(emitted[here][own[here]], levels[own[here]])
            for emitted, own in zip(session.emitted_s, session.possible, strict=True)
        ]
    return views


class _Work:
    """The association as it grows, in arrays over all pulses."""

    def __init__(self, arrivals: Arrivals, log: HammerLog | None, other_work: NDArray[np.bool_]) -> None:
        n = len(arrivals.time_s)
        self.arrivals, self.log, self.other_work = arrivals, log, other_work
        self.pile_id, self.strike_id = np.full(n, None, dtype=object), np.full(n, "", dtype=object)
        self.number, self.energy_kj = np.full(n, -1, dtype=np.int64), np.full(n, np.nan)
        self.emitted_s, self.usable = np.full(n, np.nan), np.zeros(n, dtype=bool)
        self.flags = {flag: np.zeros(n, dtype=bool) for flag in _FLAGS}
        self.n_unlogged: dict[str, int] = {}  # strikes named so far, by pile
        self.log_clocks: list[LogClock] = []
        self.log_lines: dict[str, LogLine] = {}
        self.station_clocks: dict[tuple[str, str], tuple[StationClock, ...]] = {}

    def solve(self, session: Session, clocks: dict[str, StationClock]) -> None:
        """Assign a session's arrivals."""
        rows, station = session.rows, self.arrivals.station[session.rows]
        logs = [self._log(pile.pile_id, session.logged[k]) for k, pile in enumerate(session.piles)]
        corrected_s, piles, uncertain = self._owned(session, clocks, logs)
        views = {n: v for n, v in _views(self.arrivals, session).items() if not clocks[n].decided}
        by_log = clocks_by_log(views, piles, logs, clocks, shared=session.shared)
        if by_log:
            clocks.update(by_log)
            corrected_s, piles, uncertain = self._owned(session, clocks, logs)
        for name, clock in clocks.items():
            self.usable[rows[station == self.arrivals.names.index(name)]] = clock.decided
        for k, found in enumerate(piles):
            for name, clock in clocks.items():
                key = (session.piles[k].pile_id, name)
                self.station_clocks[key] = (*self.station_clocks.get(key, ()), clock)
            self.emitted_s[rows[found.arrivals]] = corrected_s[k, found.arrivals]
            self._assign(session, k, found)
        self.flags["pile_ambiguous"][rows] = uncertain

    def _owned(
        self, session: Session, clocks: dict[str, StationClock], logs: list[Log]
    ) -> tuple[FloatArray, list[PileStrikes], NDArray[np.bool_]]:
        """Times on the mean clock (piles, arrivals), each pile's strikes, and arrivals that may be another pile's."""
        station = self.arrivals.station[session.rows]
        corrected_s, usable = session.emitted_s.copy(), np.zeros(len(station), dtype=bool)
        for name, clock in clocks.items():
            here = station == self.arrivals.names.index(name)
            corrected_s[:, here] -= clock.line.at(session.emitted_s[:, here])
            usable[here] = clock.decided
        return corrected_s, *owned(session, corrected_s, station, self.arrivals.level_db[session.rows], usable, logs)

    def _log(self, pile_id: str, blows: Indices) -> Log:
        if self.log is None:
            return Log(np.zeros(0, dtype=np.int64), np.zeros(0))
        times = self.log.time_utc[blows].astype("datetime64[us]").astype(np.int64)
        return Log(times, self.log.energy_kj[blows], self.log_lines.get(pile_id))

    def _assign(self, session: Session, k: int, found: PileStrikes) -> None:
        """Write down a pile's arrivals: identity, and number and energy where a blow was matched."""
        pile_id = session.piles[k].pile_id
        rows, label = session.rows[found.arrivals], found.strikes.label
        usable = self.usable[rows]
        blow, unsure, energy_kj = self._matched(session.logged[k], found, usable)
        logged = blow[label] >= 0
        kept = self._driven(session.outside_s[k, found.arrivals], logged, found.strikes.time_s[label], rows)
        names = np.full(len(rows), None, dtype=object)
        if self.log is not None and logged.any():
            number = self.log.blow_number[blow[label[logged]]]
            names[logged] = [f"{pile_id}-{n:05d}" for n in number.tolist()]
            numbered_too = logged & usable
            self.number[rows[numbered_too]] = self.log.blow_number[blow[label[numbered_too]]]
        valued = kept & usable
        self.energy_kj[rows[valued]] = energy_kj[label[valued]]
        new = kept & ~logged
        names[new] = numbered(f"{pile_id}-", label[new], self.n_unlogged.get(pile_id, 0))
        self.n_unlogged[pile_id] = self.n_unlogged.get(pile_id, 0) + len(np.unique(label[new]))
        self.pile_id[rows[kept]] = pile_id
        self.strike_id[rows[kept]] = names[kept]
        self.flags["identity_ambiguous"][rows] = ~usable
        if found.clock is not None:
            self.log_clocks.append(found.clock)
            if found.line is not None and not found.clock.ambiguous:
                before = self.log_lines.get(pile_id)
                self.log_lines[pile_id] = found.line if before is None else before.with_piece(found.line)
            unclear = found.clock.ambiguous | unsure[label] | ~usable
            self.flags["match_ambiguous"][rows] = unclear & ~(logged & usable)
            self.flags["blow_number_doubtful"][rows] = unsure[label] & logged & usable
            self.flags["not_in_log"][rows] = ~logged & ~unclear

    def _matched(
        self, rows: Indices, found: PileStrikes, usable: NDArray[np.bool_]
    ) -> tuple[Indices, NDArray[np.bool_], FloatArray]:
        """The row of the log for each strike (-1: none), whether that is unsure, and the energy (NaN: not known)."""
        n = len(found.strikes)
        blow, unsure, energy_kj = np.full(n, -1, dtype=np.int64), np.zeros(n, dtype=bool), np.full(n, np.nan)
        if self.log is None or found.line is None or found.clock is None or found.clock.ambiguous:
            return blow, unsure, energy_kj
        times = self.log.time_utc[rows].astype("datetime64[us]").astype(np.int64)
        counted = np.zeros(n, dtype=bool)
        counted[found.strikes.label[usable]] = True
        heard = np.bincount(found.strikes.label[usable], minlength=n)
        strike_s, blow_s = found.strikes.time_s[counted], found.line.station_s(times / 1e6)
        interval_s = usual_interval_s([train(strike_s), train(blow_s)])
        matches = match(strike_s, blow_s, found.line.jitter_s, interval_s, found.line.resolution_s, heard[counted])
        blow[counted], unsure[counted] = np.where(matches.blow >= 0, rows[matches.blow], -1), matches.unsure
        energy_kj[counted] = matches.energy_kj(self.log.energy_kj[rows])
        return blow, unsure, energy_kj

    def _driven(
        self, outside_s: FloatArray, matched: NDArray[np.bool_], time_s: FloatArray, rows: Indices
    ) -> NDArray[np.bool_]:
        """Arrivals of the pile: matched, or within its stated times, or within 30 s of them or of matched ones.

        What lies outside the stated times and within those of vibratory or other work is that work's.
        """
        near = np.zeros(len(rows), dtype=bool)
        if matched.any():
            near = (time_s >= time_s[matched].min() - MARGIN_S) & (time_s <= time_s[matched].max() + MARGIN_S)
        other = self.other_work[rows] & (outside_s > 0)
        return np.asarray(matched | (((outside_s <= MARGIN_S) | near) & ~other))

    def result(self) -> Association:
        """The association in lists, with what is no pile's named and flagged."""
        loose = np.flatnonzero(self.strike_id == "")
        groups = grouped(self.arrivals.time_s[loose], self.arrivals.station[loose], ONE_PILE_GAP_S)
        self.strike_id[loose] = numbered("outside-", groups)
        for flag, marked in self.flags.items():
            marked[loose] = flag == "outside_piling"
        flags: list[list[str]] = [[] for _ in range(len(self.strike_id))]
        for flag, marked in self.flags.items():
            for i in np.flatnonzero(marked):
                flags[i].append(flag)
        return Association(
            pile_id=self.pile_id.tolist(),
            blow_number=[n if n >= 0 else None for n in self.number.tolist()],
            energy_kj=self.energy_kj,
            strike_id=self.strike_id.tolist(),
            flags=flags,
            log_clocks=self.log_clocks,
            log_lines=self.log_lines,
            station_clocks=self.station_clocks,
            strikes=self._strikes(),
        )

    def _strikes(self) -> pd.DataFrame:
        """The strikes that were heard where the clock is known, one row each."""
        rows = np.flatnonzero((self.pile_id != None) & self.usable)  # noqa: E711 - element by element
        ids, first, inverse, n = np.unique(
            self.strike_id[rows].astype(str), return_index=True, return_inverse=True, return_counts=True
        )
        base_s = float(np.min(self.emitted_s[rows], initial=np.inf)) if rows.size else 0.0
        emitted = np.bincount(inverse, self.emitted_s[rows] - base_s, minlength=len(ids)) / np.maximum(n, 1)
        number = self.number[rows[first]].astype(np.float64)
        return pd.DataFrame(
            {
                "strike_id": ids.astype(object),
                "pile_id": self.pile_id[rows[first]],
                "blow_number": np.where(number >= 0, number, np.nan),
                "energy_kj": self.energy_kj[rows[first]],
                "emitted_s": emitted + base_s,
                "n_stations": n,
            }
        )


_FLAGS = (
    "not_in_log",
    "match_ambiguous",
    "blow_number_doubtful",
    "outside_piling",
    "identity_ambiguous",
    "pile_ambiguous",
)


def match_flags(association: Association) -> dict[str, list[str]]:
    """What is doubtful of each strike's match with the log, from rows of stations whose clock is decided."""
    marked: dict[str, list[str]] = {}
    for strike_id, flags in zip(association.strike_id, association.flags, strict=True):
        if "identity_ambiguous" not in flags:
            marked[strike_id] = [flag for flag in flags if flag in ("match_ambiguous", "blow_number_doubtful")]
    return marked


def without(association: Association, left_out: NDArray[np.bool_]) -> Association:
    """The association of the other pulses; strikes of which none is left are gone."""
    kept = np.flatnonzero(~left_out).tolist()
    strike_id = [association.strike_id[i] for i in kept]
    strikes = association.strikes
    if not strikes.empty:
        strikes = strikes[strikes["strike_id"].isin(set(strike_id))].reset_index(drop=True)
    return replace(
        association,
        pile_id=[association.pile_id[i] for i in kept],
        blow_number=[association.blow_number[i] for i in kept],
        energy_kj=association.energy_kj[kept],
        strike_id=strike_id,
        flags=[association.flags[i] for i in kept],
        strikes=strikes,
    )
