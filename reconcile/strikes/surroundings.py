"""Rows of `continuous` for what surrounds the work: two things that must not be taken for each other.

The ambient sound before, between and after the work on a pile is for comparison: minutes without any work. The floor is
what is subtracted from strikes: the quiet stretch right before each, with the reverberation of the strike before and
the machines in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from reconcile.campaign.activity_periods import activity_periods, with_states
from reconcile.strikes.ambient import NEAR_US, ambient_abatement, is_ambient, without_work
from reconcile.strikes.continuous import MINUTE_S, interval_rows, joint_rows, level_subjects, quantile_columns
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import level_db, ratio

_QUIET_S = 0.2


def surroundings_rows(
    minutes: pd.DataFrame, strikes: pd.DataFrame, campaign: Campaign, weightings: Sequence[str]
) -> pd.DataFrame:
    """Ambient sound by pile, station and abatement from the 60 s rows of `background`; floors from `strikes`."""
    return joint_rows([*_ambient(minutes, campaign, weightings), *_floors(strikes, campaign)])


def _ambient(minutes: pd.DataFrame, campaign: Campaign, weightings: Sequence[str]) -> Iterator[pd.DataFrame]:
    periods, subjects = activity_periods(campaign), level_subjects(minutes, weightings)
    start_us = microseconds(minutes["start_utc"])
    free = without_work(start_us, start_us + MINUTE_S * 1_000_000, periods) & is_ambient(minutes)
    quiet, start_us = minutes[free], start_us[free]
    for pile in campaign.piles:
        own = [period for period in periods if period.pile_id == pile.pile_id]
        if not own:
            continue
        first, last = min(p.start_us for p in own), max(p.end_us for p in own)
        near = (start_us >= first - NEAR_US) & (start_us < last + NEAR_US)
        names = np.array(["ambient_before", "ambient_between", "ambient_after"], dtype=object)
        over = names[1 * (start_us[near] >= first) + 1 * (start_us[near] >= last)]
        rows = quiet[near].assign(over=over, abatement=ambient_abatement(start_us[near], periods))
        for key, group in rows.groupby(["station_id", "over", "abatement"], dropna=False):
            abatement = key[2] if isinstance(key[2], str) else None
            head = {"station_id": key[0], "pile_id": pile.pile_id, "activity_id": None, "over": key[1]}
            yield interval_rows(head | {"abatement": abatement}, group, subjects)


def _floors(strikes: pd.DataFrame, campaign: Campaign) -> Iterator[pd.DataFrame]:
    heard = strikes["flags"].map(lambda flags: "not_heard" not in flags).astype(bool)
    known = strikes[heard & strikes["pile_id"].notna() & strikes["noise_level_db"].notna()]
    for key, group in with_states(known, campaign).groupby(
        ["station_id", "pile_id", "activity_id", "abatement"], dropna=False
    ):
        levels = group["noise_level_db"].to_numpy(dtype=np.float64)[:, None]
        names = ("station_id", "pile_id", "activity_id", "abatement")
        head = {name: part if isinstance(part, str) else None for name, part in zip(names, key, strict=True)}
        quantiles = quantile_columns(levels, np.isfinite(levels))
        columns: dict[str, object] = {
            **head,
            "over": "floor_before_strikes",
            "start_utc": group["time_utc"].min(),
            "end_utc": group["time_utc"].max(),
            "interval_s": _QUIET_S,
            "weighting": "none",
            "band_hz": np.nan,
            "n_intervals": len(group),
            "energy_mean_db": float(level_db(np.mean(ratio(levels)))),
            **{name: value[0] for name, value in quantiles.items()},
            "exposure_level_db": np.nan,
            "recorded_s": np.nan,
            "censoring": "none",
            "n_kurtosis": 0,
        }
        yield pd.DataFrame([columns])
