"""Backgrounds and abatement: the background of one state is never subtracted from a strike of another.

A curtain that is switched on changes the background as well as the strikes. The change lies half-way between the
activities that it parts; at a station it arrives with the sound of the pile.
"""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import activity_periods
from reconcile.campaign.distances import Distances
from reconcile.strikes.association import Association
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray

_RISE_S, _GAP_S = 0.02, 0.05  # from the interval's start to the rise; from the quiet stretch's end to the rise
_NOISE = re.compile(r"noise_pa2|noise_peak_pa|band_noise_.*|weighted_noise_.*")


def changes_us(campaign: Campaign, pile_id: str) -> NDArray[np.int64]:
    """When a pile's abatement changed, UTC in microseconds since 1970, in order."""
    own = [period for period in activity_periods(campaign) if period.pile_id == pile_id]
    found = [(a.end_us + b.start_us) // 2 for a, b in pairwise(own) if a.abatement != b.abatement]
    return np.array(found, dtype=np.int64)


def state_numbers(
    pulses: pd.DataFrame, association: Association, campaign: Campaign, earlier_s: FloatArray | float = 0.0
) -> NDArray[np.int64]:
    """How often the abatement of each pulse's pile had changed when its sound left, or `earlier_s` before that."""
    number = np.zeros(len(pulses), dtype=np.int64)
    piles = np.array([pile or "" for pile in association.pile_id], dtype=object)
    stations, time_us = pulses["station_id"].to_numpy(dtype=object), pulses["time_us"].to_numpy(dtype=np.int64)
    distances = Distances(campaign)
    late_s = np.array([association.station_offsets_s.get(str(name), 0.0) for name in stations])
    for pile in campaign.piles:
        changes, rows = changes_us(campaign, pile.pile_id), np.flatnonzero(piles == pile.pile_id)
        if changes.size and rows.size:
            travel_s = np.nan_to_num(distances.travel_s(pile.pile_id, stations[rows], time_us[rows]))
            before_s = travel_s + late_s[rows] + np.broadcast_to(earlier_s, len(pulses))[rows]
            number[rows] = np.searchsorted(changes, time_us[rows] - before_s * 1e6, side="right")
    return number


def with_own_backgrounds(pulses: pd.DataFrame, association: Association, campaign: Campaign) -> pd.DataFrame:
    """Pulses without the background of those whose quiet stretch began in another abatement state than their own."""
    onset_s, quiet_s = (pulses[name].fillna(0.0).to_numpy(dtype=np.float64) for name in ("onset_s", "quiet_s"))
    earlier_s = np.maximum(onset_s - _RISE_S, 0.0) + _GAP_S + quiet_s
    own = state_numbers(pulses, association, campaign)
    heard = ~pulses["not_heard"].to_numpy(dtype=bool)
    foreign = heard & (state_numbers(pulses, association, campaign, earlier_s) != own)
    if not foreign.any():
        return pulses
    names = [name for name in map(str, pulses.columns) if _NOISE.fullmatch(name)]
    return pulses.assign(**{name: np.where(foreign, np.nan, pulses[name].to_numpy()) for name in names})
