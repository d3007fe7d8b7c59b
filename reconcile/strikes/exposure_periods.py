"""Periods over which cumulative exposure is summed: piles, days by UTC and by a local clock, 24 h, stated ones."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.recordings.clock import epoch_us
from reconcile.vocabulary.criteria import PeriodKind
from reconcile.vocabulary.documents.campaign import Campaign

DAY_US = 86_400_000_000


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of time over which exposure is summed at every station.

    `pile_id` is that of a pile's own period, `name` the id of a stated one; None for all others.
    """

    kind: PeriodKind
    start_us: int
    end_us: int
    pile_id: str | None = None
    name: str | None = None

    def holds(self, times: pd.Series, piles: pd.Series) -> NDArray[np.bool_]:
        """Which of some rows lie in the period. A pile's period holds the rows of the pile, wherever they lie."""
        if self.pile_id is not None:
            return (piles == self.pile_id).to_numpy(dtype=bool)
        at = microseconds(times)
        return np.asarray((at >= self.start_us) & (at < self.end_us))


def microseconds(times: pd.Series) -> NDArray[np.int64]:
    """Times as whole microseconds since 1970 UTC."""
    naive = times.dt.tz_convert("UTC").dt.tz_localize(None)
    return np.asarray(naive.to_numpy(dtype="datetime64[us]").astype(np.int64))


def periods_with(times: pd.Series, piles: pd.Series, campaign: Campaign) -> Iterator[Period]:
    """The periods that hold at least one of some rows.

    Each stretch of 24 h begins with the first row after the one before. A local day lasts from midnight to midnight of
    the clock of `local_time_zone`: 23 or 25 h where that clock changes.
    """
    for pile in campaign.piles:
        if (piles == pile.pile_id).any():
            yield Period("pile", epoch_us(pile.start_utc), epoch_us(pile.end_utc), pile_id=pile.pile_id)
    at = np.sort(microseconds(times))
    for day in np.unique(at // DAY_US):
        yield Period("utc_day", int(day) * DAY_US, (int(day) + 1) * DAY_US)
    if campaign.settings.local_time_zone is not None:
        yield from _local_days(at, ZoneInfo(campaign.settings.local_time_zone))
    for stated in campaign.periods:
        period = Period("stated", epoch_us(stated.start_utc), epoch_us(stated.end_utc), name=stated.id)
        if period.holds(times, piles).any():
            yield period
    while at.size:
        yield Period("24_h_from_first_strike", int(at[0]), int(at[0]) + DAY_US)
        at = at[at >= at[0] + DAY_US]


def _local_days(at_us: NDArray[np.int64], zone: ZoneInfo) -> Iterator[Period]:
    """Days of a local clock; `at_us` rises."""
    while at_us.size:
        local = datetime.fromtimestamp(int(at_us[0]) // 1_000_000, UTC).astimezone(zone).date()
        start, end = (datetime.combine(day, time(), zone) for day in (local, local + timedelta(days=1)))
        period = Period("local_day", epoch_us(start), epoch_us(end))
        yield period
        at_us = at_us[at_us >= period.end_us]
