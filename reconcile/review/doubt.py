"""Which strikes a person should look at first, and why.

Doubtful is a strike
- whose identity, pile or blow is not sure, that the log does not know, or that looks like a knock or a fault of the
  recording (a flag of FLAGS_OF_DOUBT, with its weight);
- whose signal to noise lies within 3 dB of the limit of censoring: a little more or less noise and it were a limit;
- whose level stands off by more than 6 dB from what the other stations (three or more together) heard of it;
- that only one place heard, though others were recording;
and a pulse that a rule rejected for two reasons, the fewest there are. What a person has decided already is not
doubtful. The weights add up; the most doubtful comes first, of equals the earliest.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.quantities import FloatArray

FLAGS_OF_DOUBT: dict[str, float] = {
    "cable_knock": 4.0,
    "spike_at_peak": 4.0,
    "pile_ambiguous": 3.0,
    "identity_ambiguous": 3.0,
    "dc_shift": 3.0,
    "match_ambiguous": 2.0,
    "not_in_log": 2.0,
    "drop_out": 2.0,
    "zeros": 2.0,
    "spike": 1.0,
    "blow_number_doubtful": 0.5,
    "second_look": 0.5,
}
NEAR_CENSORING_DB, STANDS_OFF_DB = 3.0, 6.0
_FEWEST_STATIONS, _FEWEST_REASONS = 3, 2
_NEAR_CENSORING, _STANDS_OFF, _ONE_PLACE, _REJECTED = 1.0, 3.0, 2.0, 2.0
DECIDED_FLAGS = frozenset(
    {
        "accepted_by_decision",
        "rejected_by_decision",
        "excluded_by_decision",
        "added_by_decision",
        "moved_by_decision",
        "unusable_stretch",
    }
)


def with_doubts(strikes: pd.DataFrame, censor_below_snr_db: float) -> pd.DataFrame:
    """Strikes (rows of `strike_list.listed`) with `doubts`, a list of words, and `doubt`, their weight (0: none)."""
    flags = [set(own) for own in strikes["flags"]]
    kind = strikes["kind"].to_numpy(dtype=object)
    decided = np.array([not DECIDED_FLAGS.isdisjoint(own) for own in flags], dtype=bool)
    silent = np.array(["not_heard" in own for own in flags], dtype=bool)
    looked_at = (kind == "strike") & ~silent & ~decided
    words: list[list[str]] = [[] for _ in range(len(strikes))]
    weight = np.zeros(len(strikes))
    for i in np.flatnonzero(looked_at):
        for flag in sorted(flags[i] & FLAGS_OF_DOUBT.keys()):
            words[i].append(flag)
            weight[i] += FLAGS_OF_DOUBT[flag]
    snr = strikes["signal_to_noise_db"].to_numpy(dtype=np.float64)
    for name, rows, of in (
        ("near_censoring", np.abs(snr - censor_below_snr_db) < NEAR_CENSORING_DB, _NEAR_CENSORING),
        ("stations_disagree", np.abs(stands_off_db(strikes, looked_at)) > STANDS_OFF_DB, _STANDS_OFF),
        ("one_place_only", _one_place_only(strikes, looked_at, silent), _ONE_PLACE),
    ):
        for i in np.flatnonzero(rows & looked_at):
            words[i].append(name)
            weight[i] += of
    for i in np.flatnonzero(kind == "rejected"):
        if len(flags[i]) <= _FEWEST_REASONS:
            words[i].append("rejected_for_few_reasons")
            weight[i] += _REJECTED
    return strikes.assign(doubts=pd.Series(words, index=strikes.index, dtype=object), doubt=weight)


def stands_off_db(strikes: pd.DataFrame, used: NDArray[np.bool_]) -> FloatArray:
    """By how much each level lies off what the other stations heard: level less the median of pile and station, less
    the median of that over the strike's stations. NaN where fewer than three heard it, or it is a limit.
    """
    clear = used & (strikes["exposure_censoring"] == "none").to_numpy(dtype=bool)
    level = np.where(clear, strikes["exposure_level_db"].to_numpy(dtype=np.float64), np.nan)
    frame = pd.DataFrame(
        {
            "pile": strikes["pile_id"].fillna("").to_numpy(),
            "station": strikes["station_id"].to_numpy(),
            "strike": strikes["strike_id"].fillna("").to_numpy(),
            "level": level,
        }
    )
    off = frame["level"] - frame.groupby(["pile", "station"])["level"].transform("median")
    of_strike = off.groupby(frame["strike"])
    apart = (off - of_strike.transform("median")).where(of_strike.transform("count") >= _FEWEST_STATIONS)
    return apart.to_numpy(dtype=np.float64)


def _one_place_only(strikes: pd.DataFrame, heard: NDArray[np.bool_], silent: NDArray[np.bool_]) -> NDArray[np.bool_]:
    frame = pd.DataFrame({"strike": strikes["strike_id"].fillna("").to_numpy(), "heard": heard, "silent": silent})
    by_strike = frame.groupby("strike")
    alone = (by_strike["heard"].transform("sum") == 1) & (by_strike["silent"].transform("sum") > 0)
    return np.asarray(alone.to_numpy(dtype=bool) & (frame["strike"] != "").to_numpy(dtype=bool))


def doubtful_in_order(strikes: pd.DataFrame) -> pd.DataFrame:
    """Of rows of `with_doubts` those that are doubtful, the most doubtful first, of equals the earliest."""
    found = strikes[strikes["doubt"] > 0]
    station = found["station_id"].to_numpy(dtype=str)
    order = np.lexsort((station, microseconds(found["time_utc"]), -found["doubt"].to_numpy(dtype=np.float64)))
    return found.iloc[order]


def next_doubtful(in_order: pd.DataFrame, station_id: str, time_us: int, done: Sequence[int] = ()) -> int | None:
    """The place in `doubtful_in_order` of the strike to look at after one; None where there is no other.

    After a strike that is in the list the one behind it comes, and at the end the first; after any other strike the
    first. `done`: places that have been decided since the list was made, which are passed over.
    """
    n = len(in_order)
    here = np.flatnonzero(
        (microseconds(in_order["time_utc"]) == time_us) & (in_order["station_id"] == station_id).to_numpy(dtype=bool)
    )
    start = int(here[0]) + 1 if here.size else 0
    passed = set(done) | {int(i) for i in here}
    return next((k % n for k in range(start, start + n) if k % n not in passed), None) if n else None
