"""Opened results on the desk of the page: one at a time asks of them, and what was asked before is kept ready."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import pandas as pd

from reconcile.review import answers, pending
from reconcile.review.decision_file import ConflictError, NewDecision
from reconcile.review.doubt import next_doubtful
from reconcile.review.session import NoSoundError, Review
from reconcile.review.strike_list import Filters, filtered
from reconcile.strikes.exposure_periods import microseconds


class ReadAgainError(Exception):
    """The results have been read again since the page was loaded: places of strikes are others now."""

    def __str__(self) -> str:
        return "the results have been read again in another window: load the page anew"


class Desk:
    """A `Review`, a name for this opening of it, and a lock: many threads of the server ask."""

    def __init__(self, review: Review, reopen: Callable[[], Review] | None = None) -> None:
        self._lock = threading.RLock()
        self._reopen = reopen
        self._open(review)

    def _open(self, review: Review) -> None:
        self.review = review
        self.opened = secrets.token_hex(6)
        self.n = len(review.table)
        self.station_ids = frozenset(station.id for station in review.campaign.stations)
        names = review.table["strike_id"]
        known = names.notna().to_numpy(dtype=bool)
        self._same: dict[Any, Any] = names[known].groupby(names[known]).groups
        self._time_us = microseconds(review.table["time_utc"])
        self._doubtful = lru_cache(maxsize=8)(lambda asked: filtered(review.table, asked))

    def campaign(self) -> dict[str, Any]:
        """The campaign, with the decisions."""
        with self._lock:
            return {
                **answers.campaign(self.review, self.opened),
                "can_reopen": self._reopen is not None,
                "first": self.next(-1, Filters(doubtful=True)),
                **self.decisions(),
            }

    def decisions(self) -> dict[str, Any]:
        """All decisions as they are now, with the version that a new one has to be made on."""
        with self._lock:
            while True:
                version = self.review.version()
                lines = pending.shown(self.review.decisions(), self.review.n_applied, self.review.table)
                if self.review.version() == version:
                    return {"version": version, "n_applied": self.review.n_applied, "decisions": lines}

    def strikes(self, station_id: str) -> bytes:
        """A station's strikes."""
        with self._lock:
            return answers.strikes(self.review, station_id, self.opened)

    def levels(self, station_id: str, from_us: int, to_us: int, n: int) -> bytes:
        """A station's envelope."""
        with self._lock:
            return answers.levels(self.review.envelopes.columns(station_id, from_us, to_us, n))

    def pressure(self, station_id: str, from_us: int, to_us: int, n: int) -> bytes:
        """A station's pressure."""
        with self._lock:
            return answers.pressure(self.review.pressure(station_id, from_us, to_us, n))

    def view(self, place: int) -> bytes:
        """One strike, with the rows of the same strike at other stations."""
        with self._lock:
            name = self.review.table["strike_id"].iat[place]
            same = [int(i) for i in self._same.get(name, ())] if isinstance(name, str) else []
            return answers.view(self.review, place, int(self._time_us[place]), self.review.view(place), same)

    def listen(self, place: int, speed: float, gain_db: float) -> bytes:
        """One strike as a WAV file."""
        with self._lock:
            return self.review.listen(place, speed=speed, gain_db=gain_db)

    def next(self, place: int, asked: Filters) -> dict[str, Any]:
        """The doubtful strike to look at after one (-1: the first), of those that the filters leave."""
        with self._lock:
            in_order: pd.DataFrame = self._doubtful(asked)
            decided = pending.decided_places(self.decisions()["decisions"])
            done = [k for k, other in enumerate(in_order.index) if other in decided]
            station_id, at_us = ("", 0) if place < 0 else self._where(place)
            k = next_doubtful(in_order, station_id, at_us, done)
            left = {"n": len(in_order), "n_left": len(in_order) - len(done)}
            if k is None:
                return {"place": None, **left}
            found = in_order.iloc[k]
            return {"place": int(in_order.index[k]), "station_id": found["station_id"], "position": k + 1, **left}

    def _where(self, place: int) -> tuple[str, int]:
        return str(self.review.table["station_id"].iat[place]), int(self._time_us[place])

    def decide(self, decision: NewDecision, seen: str) -> dict[str, Any]:
        """Write a decision; where somebody else has decided since `seen`, nothing is written."""
        with self._lock:
            if self.review.version() != seen:
                raise ConflictError(self.review.version())
            written = self.review.decide(decision, seen)
            return {"line": written.line, "recovered": written.recovered, **self.decisions()}

    def read_again(self) -> dict[str, Any]:
        """Open the results again, as the last run left them."""
        if self._reopen is None:
            raise NoSoundError("the results cannot be read again from here")
        with self._lock:
            self._open(self._reopen())
            return {"opened": self.opened}
