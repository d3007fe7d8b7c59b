"""A results folder opened for a person to look at: the one thing that the page and its server need.

Nothing is computed anew and nothing is changed but decisions.csv; a run applies what was decided, and the session is
then opened again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reconcile.recordings.sensitivity_path import SensitivityPaths
from reconcile.recordings.streams import Channel, Stream
from reconcile.review.decision_file import NewDecision, Written, append_decision, check_decision, decisions_of, version
from reconcile.review.doubt import doubtful_in_order
from reconcile.review.envelopes import Envelopes
from reconcile.review.meeting import check_station, met
from reconcile.review.strike_list import records
from reconcile.review.strike_sound import PressureColumns, pressure_columns
from reconcile.review.strike_view import StrikeView, strike_view, wav_bytes
from reconcile.strikes.exposure_periods import microseconds
from reconcile.strikes.second_look import Listener
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.decisions import Decision


class NoSoundError(Exception):
    """The recording of a strike is not at hand; the text says which."""


@dataclass(slots=True)
class Review:
    """What is looked at. `table` is `strike_list.listed`: a strike is named by its place (row) in it.

    `doubtful` are the doubtful ones in the order of `doubt.doubtful_in_order`, `n_applied` the lines of decisions.csv
    that the results hold, `envelopes` the overview (`columns`, `make`, `n_missing`, `spans_us`).
    """

    folder: Path
    campaign: Campaign
    table: pd.DataFrame
    listeners: Sequence[Listener]
    envelopes: Envelopes
    paths: SensitivityPaths
    n_applied: int

    @property
    def doubtful(self) -> pd.DataFrame:
        """Rows of `table` to look at, the most doubtful first; their index is the place in `table`."""
        return doubtful_in_order(self.table)

    def row(self, place: int) -> dict[str, Any]:
        """A row of `table` as JSON takes it. Raises IndexError where there is none."""
        if not 0 <= place < len(self.table):
            raise IndexError(place)
        return next(records(self.table.iloc[[place]]))

    def view(self, place: int) -> StrikeView:
        """Waveform, spectrogram, energy, background, flags and levels of a strike. Raises IndexError, NoSoundError."""
        row = self.row(place)
        stream, channel, first = self._located(row)
        at = microseconds(self.table["time_utc"].iloc[[place]])
        system = channel.system_id
        return strike_view(
            stream,
            channel,
            first,
            row,
            previous_sample=self._previous(place, stream, first),
            correction_db=float(self.paths.correction_db(channel.station_id, system, at)[0]),
        )

    def listen(self, place: int, *, speed: float = 0.25, gain_db: float = 0.0) -> bytes:
        """A strike as a WAV file to listen to (`strike_view.wav_bytes`), with its errors and those of `view`."""
        shown = self.view(place)
        return wav_bytes(shown.pressure_pa, shown.rate_hz, speed=speed, gain_db=gain_db)

    def pressure(self, station_id: str, from_us: int, to_us: int, n_columns: int) -> PressureColumns:
        """Least and largest pressure by column over some seconds (`strike_sound.pressure_columns`)."""
        return pressure_columns(self.listeners, station_id, from_us, to_us, n_columns)

    def version(self) -> str:
        """What the decisions are now: handed out with every view, and handed back with a decision."""
        return version(self.folder)

    def decisions(self) -> tuple[Decision, ...]:
        """All lines of decisions.csv; those from `n_applied` on are not in the results yet."""
        return decisions_of(self.folder)

    def decide(self, decision: NewDecision, seen: str | None) -> Written:
        """Write a decision. Raises InputError with what is wrong with it, ConflictError, MachineError."""
        check_decision(decision)
        check_station(decision, (station.id for station in self.campaign.stations))
        met(decision, self.table, self.decisions())
        return append_decision(self.folder, decision, seen)

    def _located(self, row: dict[str, Any]) -> tuple[Stream, Channel, int]:
        """Stream, channel, and the sample of the stream at which a row's pulse interval begins."""
        name, frame = row["recording"], row["start_sample"]
        for listener in self.listeners if frame is not None else ():
            if listener.station_id == row["station_id"]:
                for segment in listener.stream.segments:
                    since = frame - segment.first_frame
                    if segment.recording.name == name and 0 <= since < segment.n_frames:
                        return listener.stream, listener.channel, segment.at + since
        raise NoSoundError(f"the recording {name} of {row['station_id']} is not at hand")

    def _previous(self, place: int, stream: Stream, first: int) -> int | None:
        """Where the interval of the pulse before a strike begins in the same stream."""
        row = self.table.iloc[place]
        near = slice(max(0, place - 200), place)
        before = self.table.iloc[near]
        heard = np.array(["not_heard" not in flags for flags in before["flags"]], dtype=bool)
        before = before[heard & (before["station_id"] == row["station_id"]).to_numpy(dtype=bool)]
        if before.empty:
            return None
        last = before.iloc[-1]
        for segment in stream.segments:
            if segment.recording.name == last["recording"]:
                at = segment.at + int(last["start_sample"]) - segment.first_frame
                return at if at < first else None
        return None
