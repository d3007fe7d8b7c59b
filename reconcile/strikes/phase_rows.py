"""Rows of `phases`: the statistics of each phase of a pile's activities at each station, full band."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from reconcile.campaign.activity_periods import with_states
from reconcile.strikes.summary import Series, statistics
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray
from reconcile.vocabulary.tables import PHASES, Stage
from reconcile.vocabulary.tables.flags import flags_excluding

_KEY = ["pile_id", "station_id", "activity_id", "phase"]
_STATISTICS = (
    *("median_db", "median_lower_db", "median_upper_db", "energy_mean_db"),
    *("exceeded_5_db", "exceeded_5_lower_db", "exceeded_5_upper_db"),
    *("exceeded_50_db", "exceeded_90_db", "exceeded_95_db", "cumulative_exposure_level_db"),
)


def phase_rows(strikes: pd.DataFrame, seconds: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """All rows, by pile and station in order of time, over what the summary uses.

    `strikes` have `activity_id` and `phase`; `seconds` are the 1 s rows of `background` of work that is not impact.
    """
    excluded = flags_excluding(Stage.SUMMARY)
    rows = [
        *_of_strikes(strikes[strikes["pile_id"].notna() & ~_flagged(strikes, excluded)]),
        *_of_seconds(seconds[~_flagged(seconds, excluded)], campaign),
    ]
    table = pd.DataFrame(rows, columns=[name for name in PHASES.column_names if name not in _STATE])
    table = with_states(table, campaign)
    place = {pile.pile_id: k for k, pile in enumerate(campaign.piles)}
    table["place"] = table["pile_id"].map(place)
    table = table.sort_values(["place", "station_id", "first_utc"], kind="stable").reset_index(drop=True)
    return table[list(PHASES.column_names)]


_STATE = ("installation_method", "abatement")


def _flagged(rows: pd.DataFrame, flags: frozenset[str]) -> pd.Series:
    return rows["flags"].map(lambda found: bool(flags.intersection(found))).astype(bool)


def _of_strikes(strikes: pd.DataFrame) -> Iterator[dict[str, object]]:
    for key, group in strikes.groupby(_KEY, dropna=False):
        level = group["exposure_level_db"].to_numpy(dtype=np.float64)
        row = _row(key, group["time_utc"], level, group["exposure_censoring"].to_numpy(dtype=object))
        peaks = Series(
            "peak_level",
            "none",
            np.nan,
            group["peak_level_db"].to_numpy(dtype=np.float64),
            group["peak_censoring"].to_numpy(dtype=object),
        )
        row["maximum_peak_level_db"] = statistics(peaks).get("maximum_db", np.nan)
        energy = group["energy_kj"].dropna()
        row["median_energy_kj"] = float(energy.median()) if len(energy) else np.nan
        yield row


def _of_seconds(seconds: pd.DataFrame, campaign: Campaign) -> Iterator[dict[str, object]]:
    stated = {activity.activity_id: activity.phase for activity in campaign.activities}
    keyed = seconds.assign(phase=seconds["activity_id"].map(stated).astype(object))
    if not len(keyed):
        return
    for key, group in keyed.groupby(_KEY, dropna=False):
        clipped = group["flags"].map(lambda flags: "clipped_second" in flags).to_numpy(dtype=bool)
        censoring = np.where(clipped, "at_least", "none").astype(object)
        row = _row(key, group["start_utc"], group["level_db"].to_numpy(dtype=np.float64), censoring)
        yield row | {"maximum_peak_level_db": np.nan, "median_energy_kj": np.nan}


def _row(key: object, times: pd.Series, level_db: FloatArray, censoring: object) -> dict[str, object]:
    assert isinstance(key, tuple)
    found = statistics(Series("exposure_level", "none", np.nan, level_db, np.asarray(censoring, dtype=object)))
    return {
        **{name: value if isinstance(value, str) else None for name, value in zip(_KEY, key, strict=True)},
        "first_utc": times.min(),
        "last_utc": times.max(),
        "n_strikes": int(found["n_strikes"]),
        "n_censored": int(found["n_censored"]),
        **{name: found.get(name, np.nan) for name in _STATISTICS},
    }
