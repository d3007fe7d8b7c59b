"""The second look over all stations: faint and expected strikes found, their windows read again, and kept.

Works on the parts alone, but for the windows that it asks for; what these gave is kept beside the parts, so that the
same run again reads nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import impact_periods
from reconcile.campaign.distances import Distances
from reconcile.running.executors import AskedPart, read_asked
from reconcile.running.places import Cluster
from reconcile.running.progress import shown
from reconcile.running.resume import PartStore, StreamParts, part_key
from reconcile.strikes.association import Association, match_flags
from reconcile.strikes.detection import RISE_BEFORE_ONSET_TICKS, Rise
from reconcile.strikes.matched_filter import Template
from reconcile.strikes.octaves import STEP_TICKS
from reconcile.strikes.second_look import Listener, blind_arrivals, expected_onsets, templates
from reconcile.strikes.stream_analysis import PART_CELLS
from reconcile.strikes.ticks import TICKS
from reconcile.strikes.unheard import Usual, unheard_rows, usual_at, usual_pulses
from reconcile.vocabulary.documents.campaign import Campaign

_MARGIN_US = 30_000_000  # around the times in which a pile is struck
_BLIND_WINDOW_S, _SHORTEST_WINDOW_S = 0.3, 0.1
_BLIND_ROUNDS = 2
_OPEN_PARTS = 8
_WHERE = ["listener", "asked_tick"]


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a listener's parts are: its stream and the number of its channel."""

    entry: StreamParts
    number: int


@dataclass(slots=True)
class SecondLook:
    """What is looked at, by how many processes windows are read, and what came of reading them."""

    parts: Sequence[StreamParts]
    store: PartStore
    campaign: Campaign
    workers: int
    cluster: Cluster | None = None
    windows_read_again: int = 0
    keys: list[str] = field(default_factory=list)  # of what was read again
    damaged: dict[str, str] = field(default_factory=dict)
    _kept: list[pd.DataFrame] = field(default_factory=list)  # pulses of this run with where each was asked for
    _places: list[_Place] = field(init=False)
    _listeners: list[Listener] = field(init=False)

    def __post_init__(self) -> None:
        self._places = [_Place(entry, n) for entry in self.parts for n in range(len(entry.stream.channels))]
        energies = lru_cache(maxsize=_OPEN_PARTS)(self.store.energies)  # a part is asked for strike by strike
        self._listeners = [
            Listener(
                place.entry.stream,
                place.entry.stream.channels[place.number],
                {
                    start: partial(energies, key, place.number)
                    for start, key in zip(place.entry.starts, place.entry.keys, strict=True)
                },
            )
            for place in self._places
        ]

    def close(self) -> None:
        """Let go of the energies, which count as memory as long as they are mapped: nothing more will be asked."""
        self._listeners = []

    def blind(self, pulses: pd.DataFrame) -> pd.DataFrame:
        """The pulses, and behind them those of strikes that the matched filter finds by itself while piles are struck.

        Where a station has heard too few strikes for a template of its own, it looks again with one of what it found.
        """
        satisfied: set[tuple[str, str]] = set()
        for _ in range(_BLIND_ROUNDS):
            asked: list[pd.DataFrame] = []
            taken = pulses[["station_id", "time_us", "window_s"]]
            for pile in self.campaign.piles:
                for period in impact_periods(self.campaign, pile.pile_id):
                    span = period.start_us - _MARGIN_US, period.end_us + _MARGIN_US
                    for k, template in self._templates(pulses, pile.pile_id, span):
                        pair = pile.pile_id, self._listeners[k].station_id
                        if pair in satisfied:
                            continue
                        onset_us = blind_arrivals(self._listeners[k], taken, span, template)
                        found = self._asked(k, onset_us).assign(window_s=_BLIND_WINDOW_S)
                        asked.append(found)
                        taken = pd.concat([taken, found[["station_id", "time_us", "window_s"]]], ignore_index=True)
                        satisfied |= {pair} if template.origin.startswith(f"{pair[1]} ") else set()
            found = self._measured(asked)
            if found.empty:
                break
            pulses = pd.concat([pulses, found.drop(columns=_WHERE)], ignore_index=True)
        return pulses

    def _templates(self, pulses: pd.DataFrame, pile_id: str, span_us: tuple[int, int]) -> list[tuple[int, Template]]:
        """Numbers of the listeners that were recording in a span of time, with the template of each for the pile."""
        during = []
        for k, listener in enumerate(self._listeners):
            start, end = listener.time_us(np.array([0.0, float(listener.n_steps)]))
            if start < span_us[1] and end > span_us[0]:
                during.append(k)
        here = pulses[(pulses["time_us"] >= span_us[0]) & (pulses["time_us"] < span_us[1])]
        known = templates([self._listeners[k] for k in during], here, pile_id, self._ranges_m(pile_id))
        return [(k, known[self._listeners[k].station_id]) for k in during]

    def _ranges_m(self, pile_id: str) -> dict[str, float]:
        """Distance of each station from a pile when it was first struck."""
        distances, periods = Distances(self.campaign), impact_periods(self.campaign, pile_id)
        at = np.array([periods[0].start_us if periods else 0], dtype=np.int64)
        return {s.id: float(distances.at(pile_id, s.id, at)[0][0]) for s in self.campaign.stations}

    def expected(
        self, pulses: pd.DataFrame, association: Association, expected: pd.DataFrame
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """What became of expected arrivals: pulses of those heard after all, then rows of those not heard.

        Returns the rows (as of `pulse_columns`) and, row by row, what of `expected` they are.
        """
        known = usual_pulses(pulses, association.pile_id)
        pairs = sorted({(str(p), str(s)) for p, s in zip(expected["pile_id"], expected["station_id"], strict=True)})
        ranges = {pile: self._ranges_m(pile) for pile in sorted({pile for pile, _ in pairs})}
        usual = {(pile, station): usual_at(known, pile, station, ranges[pile]) for pile, station in pairs}
        found = self._standing_out(pulses, association, expected, usual)
        heard = self._measured([found])
        if len(heard):
            heard = heard.merge(found[[*_WHERE, "row"]], on=_WHERE, validate="one_to_one")
            missing = expected[~expected.index.isin(heard["row"])]
        else:
            heard, missing = heard.assign(row=np.zeros(0, dtype=np.int64)), expected
        silent = self._not_heard(pulses, expected, missing, usual)
        rows = pd.concat([f for f in (heard, silent) if len(f)] or [heard], ignore_index=True)
        return rows.drop(columns=["row", *_WHERE], errors="ignore"), expected.loc[rows["row"]]

    def _standing_out(
        self,
        pulses: pd.DataFrame,
        association: Association,
        expected: pd.DataFrame,
        usual: Mapping[tuple[str, str], Usual],
    ) -> pd.DataFrame:
        """Onsets of expected arrivals that stand out, with the `row` of `expected`; of two at one onset the first."""
        piles = np.array(association.pile_id, dtype=object)
        frames = [self._asked(0, np.zeros(0, dtype=np.int64)).assign(window_s=0.0, row=0)]
        for pile_id, of_pile in expected[~expected["overlapping_piles"]].groupby("pile_id", sort=True):
            known = templates(self._listeners, pulses[piles == pile_id], str(pile_id), self._ranges_m(str(pile_id)))
            for k, listener in enumerate(self._listeners):
                onsets = expected_onsets(listener, of_pile, pulses, known[listener.station_id])
                onsets = onsets[onsets["onset_us"] != 0]
                if len(onsets):
                    window_s = usual[str(pile_id), listener.station_id].window_s
                    found = self._asked(k, onsets["onset_us"].to_numpy(dtype=np.int64))
                    frames.append(found.assign(window_s=window_s, row=onsets.index.to_numpy()))
        return pd.concat(frames, ignore_index=True).drop_duplicates(_WHERE)

    def _asked(self, k: int, onset_us: NDArray[np.int64]) -> pd.DataFrame:
        """Onsets at a listener with the tick of the stream at which each is measured."""
        tick = np.round(self._listeners[k].steps(onset_us) * STEP_TICKS).astype(np.int64)
        at = {"listener": k, "asked_tick": tick, "station_id": self._listeners[k].station_id, "time_us": onset_us}
        return pd.DataFrame(at)

    def measured_at(self, station_id: str, time_us: int) -> pd.DataFrame:
        """The pulse of a station whose onset a person gave; a frame without rows where it was not recording then.

        Its window alone is read, and kept as a part of its own.
        """
        at = np.array([time_us], dtype=np.int64)
        for k, listener in enumerate(self._listeners):
            if listener.station_id == station_id and 0 <= float(listener.steps(at)[0]) < listener.n_steps:
                found = self._measured([self._asked(k, at).assign(window_s=_BLIND_WINDOW_S)])
                return found.drop(columns=_WHERE).assign(second_look=False)
        return pd.DataFrame()

    def _measured(self, asked: Sequence[pd.DataFrame]) -> pd.DataFrame:
        """Pulses of onsets (frames of `_asked` with `window_s`), with `listener` and `asked_tick`.

        Of those that this run has measured already nothing is read; others are read if no part holds them.
        """
        wanted = [self._with_length(frame) for frame in asked if len(frame)]
        if not wanted:
            return pd.DataFrame()
        every = pd.concat(wanted, ignore_index=True).drop_duplicates([*_WHERE, "length"])
        if self._kept:
            known = pd.concat(self._kept, ignore_index=True)
            known = known.merge(every[[*_WHERE, "length"]], on=[*_WHERE, "length"])
            there = every.merge(known[[*_WHERE, "length"]], on=[*_WHERE, "length"], how="left", indicator=True)
            every = every[(there["_merge"] == "left_only").to_numpy(dtype=bool)]
        else:
            known = pd.DataFrame()
        new = self._read(every)
        if len(new):
            lengths = every[[*_WHERE, "length"]].drop_duplicates(_WHERE)
            new = new.merge(lengths, on=_WHERE, how="left", validate="many_to_one")
            self._kept.append(new)
        found = pd.concat([f for f in (known, new) if len(f)] or [new], ignore_index=True)
        return found.drop(columns="length", errors="ignore")

    def _with_length(self, frame: pd.DataFrame) -> pd.DataFrame:
        longest = self.campaign.settings.window_max_s
        length_s = frame["window_s"].clip(lower=_SHORTEST_WINDOW_S).clip(upper=longest)
        return frame.assign(length=(length_s * TICKS).round().astype(np.int64))

    def _read(self, asked: pd.DataFrame) -> pd.DataFrame:
        """Pulses of onsets, from the parts that hold them, or from the recordings."""
        by_part: defaultdict[tuple[int, int], dict[int, list[Rise]]] = defaultdict(dict)
        listener_of: dict[tuple[int, int, int], int] = {}
        entries, settings = {id(entry): n for n, entry in enumerate(self.parts)}, self.campaign.settings
        for k, tick, length in zip(asked["listener"], asked["asked_tick"], asked["length"], strict=True):
            place = self._places[k]
            part = int(tick) // (PART_CELLS * TICKS) * PART_CELLS
            where = entries[id(place.entry)], part
            rise = Rise(int(tick), int(tick) - RISE_BEFORE_ONSET_TICKS, int(length))
            by_part[where].setdefault(place.number, []).append(rise)
            listener_of[(*where, place.number)] = k
        work = [
            AskedPart(
                self.parts[n].stream,
                part,
                part_key(self.parts[n].stream, settings, part),
                {number: tuple(sorted(set(rises))) for number, rises in of.items()},
            )
            for (n, part), of in sorted(by_part.items())
        ]
        keys = [one.key for one in work]
        new = [one for one, key in zip(work, keys, strict=True) if not self.store.has(key)]
        reading = read_asked(new, settings, self.store.folder, self.workers, self.cluster)
        for _ in shown(reading, len(new), "second look", "parts"):
            pass
        frames = []
        for where, key, one in zip(sorted(by_part), keys, work, strict=True):
            self.damaged |= self.store.damaged(key)
            for number in one.asked:
                frame = self.store.pulses(key, number)
                frames.append(frame.assign(listener=listener_of[(*where, number)]))
        self.keys += keys
        self.windows_read_again += sum(len(frame) for frame in frames)
        return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()

    def _not_heard(
        self,
        pulses: pd.DataFrame,
        expected: pd.DataFrame,
        missing: pd.DataFrame,
        usual: Mapping[tuple[str, str], Usual],
    ) -> pd.DataFrame:
        frames = []
        for listener, place in zip(self._listeners, self._places, strict=True):
            here = missing[missing["station_id"] == listener.station_id]
            position = listener.steps(here["time_us"].to_numpy(dtype=np.int64))
            here = here[(position >= 0) & (position < listener.n_steps)]
            if len(here):
                kept = [self.store.seconds(key, place.number) for key in place.entry.keys]
                seconds = pd.concat(kept, ignore_index=True)
                rows = unheard_rows(listener, here, expected, pulses, seconds, usual)
                frames.append(rows.assign(row=here.index.to_numpy()))
        return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame({"row": np.zeros(0, dtype=np.int64)})


def extend(association: Association, of: pd.DataFrame) -> None:
    """Add to an association what rows of `expected_arrivals` say of as many pulses more."""
    doubts = match_flags(association)
    association.pile_id += [str(pile) for pile in of["pile_id"]]
    association.strike_id += [str(strike) for strike in of["strike_id"]]
    association.blow_number += [None if pd.isna(n) else int(n) for n in of["blow_number"]]
    association.energy_kj = np.concatenate([association.energy_kj, of["energy_kj"].to_numpy(dtype=np.float64)])
    numbered = pd.notna(of["blow_number"]).to_numpy()
    in_log = bool(association.log_lines)
    for i, (strike_id, overlapping) in enumerate(zip(of["strike_id"], of["overlapping_piles"], strict=True)):
        flags = [*doubts.get(str(strike_id), ()), *(["overlapping_piles"] if overlapping else [])]
        unlogged = in_log and not numbered[i] and "match_ambiguous" not in flags
        association.flags.append([*flags, "not_in_log"] if unlogged else flags)
