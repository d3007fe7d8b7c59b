"""Decisions on the rows of `strikes` and `background`: flags, never a row less."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.station_periods import listeners
from reconcile.strikes.decided import Mark, Resolved, Stretch, within
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.decisions import REACH_US

REJECTED_FLAG, UNUSABLE_FLAG, UNUSABLE_SECOND_FLAG = "rejected_by_decision", "unusable_stretch", "unusable_second"
_FLAG_OF = {
    "rejected": REJECTED_FLAG,
    "accepted": "accepted_by_decision",
    "excluded": "excluded_by_decision",
    "added": "added_by_decision",
    "moved": "moved_by_decision",
}
CLEARED = frozenset({"cable_knock"})  # what `accept` takes back: a rule's view that it is no strike
_TWIN_FLAG = "other_channel_used"
_OUT = frozenset({REJECTED_FLAG, UNUSABLE_FLAG, "excluded_by_decision"})
_SAID = {
    "rejected": "rejected: no strike",
    "accepted": "accepted as a strike",
    "excluded": "kept out of statistics and fits",
}


def flagged_strikes(strikes: pd.DataFrame, found: Resolved, campaign: Campaign) -> pd.DataFrame:
    """The rows of `strikes` with the flags of decisions; what each line did is written into `found`."""
    if not found.entries:
        return strikes
    flags = [list(own) for own in strikes["flags"]]
    time_us, station = microseconds(strikes["time_utc"]), strikes["station_id"].to_numpy(dtype=object)
    by_station = {str(name): np.asarray(rows) for name, rows in strikes.groupby("station_id").indices.items()}
    for mark in found.marks:
        rows = by_station.get(mark.station_id, np.zeros(0, dtype=np.int64))
        row = _nearest(time_us, rows, mark.time_us)
        if row is None:
            for line in {mark.verdict_line, mark.measure_line} - {0}:
                found.unuse(line, "the strike is in no table any more")
            continue
        flags[row] = _decided(flags[row], mark)
        _say(mark, str(strikes["strike_id"].iloc[row]), found)
    for k in _without_ground(strikes, flags):
        flags[k].append(REJECTED_FLAG)
    inside = within(found.stretches, station, time_us)
    for k in np.flatnonzero(inside).tolist():
        flags[k].append(UNUSABLE_FLAG)
    for stretch in found.stretches:
        n = int(within([stretch], station, time_us).sum())
        for line in stretch.lines:
            found.say(line, "bounds an unusable stretch")
            found.entries[line] = found.entries[line].model_copy(update={"n_strikes": n})
    for k in _instead(strikes, flags, campaign):
        flags[k].remove(_TWIN_FLAG)
    result = strikes.copy()
    result["flags"] = pd.Series([sorted(set(own)) for own in flags], index=strikes.index, dtype=object)
    return result


def _without_ground(strikes: pd.DataFrame, flags: list[list[str]]) -> list[int]:
    """Rows of stations that did not hear a strike which was known from rejected rows alone, and from no log."""
    rejected = np.array([REJECTED_FLAG in own for own in flags], dtype=bool)
    if not rejected.any():
        return []
    ids = strikes["strike_id"].to_numpy(dtype=object)
    of_them = np.isin(ids.astype(str), ids[rejected].astype(str)) & strikes["blow_number"].isna().to_numpy(dtype=bool)
    silent = np.array(["not_heard" in own for own in flags], dtype=bool)
    still_heard = set(ids[of_them & ~silent & ~rejected].tolist())
    return [int(k) for k in np.flatnonzero(of_them & silent & ~rejected) if ids[k] not in still_heard]


def _instead(strikes: pd.DataFrame, flags: list[list[str]], campaign: Campaign) -> list[int]:
    """Rows that are used now that their better twin is decided out: of each strike at a listener the clearest one."""
    out = np.array([not _OUT.isdisjoint(own) for own in flags], dtype=bool)
    twin = np.array([_TWIN_FLAG in own for own in flags], dtype=bool)
    if not out.any() or not twin.any():
        return []
    listener = listeners(campaign, strikes["station_id"].to_numpy(dtype=object), microseconds(strikes["time_utc"]))
    frame = pd.DataFrame({"strike": strikes["strike_id"].to_numpy(), "listener": listener})
    frame["used"], frame["waits"] = ~twin & ~out, twin & ~out
    frame["clear"] = (strikes["exposure_censoring"] != "at_least").to_numpy(dtype=bool)
    frame["snr"] = strikes["signal_to_noise_db"].fillna(-np.inf).to_numpy(dtype=np.float64)
    open_ = frame[frame["waits"] & ~frame.groupby(["strike", "listener"])["used"].transform("any")]
    best = open_.sort_values(["clear", "snr"], ascending=False, kind="stable")
    return [int(k) for k in best.drop_duplicates(["strike", "listener"]).index]


def _nearest(time_us: NDArray[np.int64], rows: NDArray[np.int64], at: int) -> int | None:
    if not rows.size:
        return None
    apart = np.abs(time_us[rows] - at)
    best = int(np.argmin(apart))
    return int(rows[best]) if apart[best] <= REACH_US else None


def _decided(flags: list[str], mark: Mark) -> list[str]:
    if mark.verdict == "accepted":
        flags = [flag for flag in flags if flag not in CLEARED]
    return [*flags, *(_FLAG_OF[kind] for kind in (mark.verdict, mark.kind) if kind is not None)]


def _say(mark: Mark, strike_id: str, found: Resolved) -> None:
    if mark.verdict is not None:
        found.say(mark.verdict_line, f"{strike_id} {_SAID[mark.verdict]}")
        found.entries[mark.verdict_line] = found.entries[mark.verdict_line].model_copy(update={"n_strikes": 1})
    if mark.kind is not None:
        found.say(mark.measure_line, f"{strike_id} {mark.kind}, and measured there")
        found.entries[mark.measure_line] = found.entries[mark.measure_line].model_copy(update={"n_strikes": 1})


def flagged_background(rows: pd.DataFrame, found: Resolved) -> pd.DataFrame:
    """Rows of `background` (of one station) with a flag where they overlap an unusable stretch; seconds are counted."""
    if not found.stretches or rows.empty:
        return rows
    station, start_us = rows["station_id"].to_numpy(dtype=object), microseconds(rows["start_utc"])
    length_us = np.round(rows["duration_s"].to_numpy(dtype=np.float64) * 1e6).astype(np.int64)
    touched = np.zeros(len(rows), dtype=bool)
    for length in np.unique(length_us):
        of_length = length_us == length
        touched |= of_length & within(found.stretches, station, start_us, int(length))
    if not touched.any():
        return rows
    _count_seconds(found, found.stretches, station[length_us == 1_000_000], start_us[length_us == 1_000_000])
    flags = [
        sorted([*own, UNUSABLE_SECOND_FLAG]) if hit else own for own, hit in zip(rows["flags"], touched, strict=True)
    ]
    return rows.assign(flags=pd.Series(flags, index=rows.index, dtype=object))


def _count_seconds(
    found: Resolved, stretches: Sequence[Stretch], station: NDArray[np.object_], start_us: NDArray[np.int64]
) -> None:
    for stretch in stretches:
        n = int(within([stretch], station, start_us, 1_000_000).sum())
        for line in stretch.lines:
            entry = found.entries[line]
            found.entries[line] = entry.model_copy(update={"n_seconds": entry.n_seconds + n})


def in_exposures(strikes: pd.DataFrame) -> pd.DataFrame:
    """The strikes that a cumulative exposure sums: without what is no strike, and what lies in a gap."""
    return strikes[~_has(strikes, {REJECTED_FLAG, UNUSABLE_FLAG})]


def are_strikes(strikes: pd.DataFrame) -> pd.DataFrame:
    """The rows of which no person said that they are no strikes."""
    return strikes[~_has(strikes, {REJECTED_FLAG})]


def usable_seconds(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of `background` outside unusable stretches."""
    return rows[~_has(rows, {UNUSABLE_SECOND_FLAG})]


def _has(rows: pd.DataFrame, flags: set[str]) -> NDArray[np.bool_]:
    return np.array([not flags.isdisjoint(own) for own in rows["flags"]], dtype=bool)
