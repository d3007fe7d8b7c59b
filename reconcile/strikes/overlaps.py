"""Strikes of two piles that arrive at a station at the same time: neither's level is its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.distances import Distances
from reconcile.strikes.station_clocks import StationClock, late_s
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray

_USUAL_WINDOW_S = 0.4  # where a pile was never heard at a station


def overlapping(
    pulses: pd.DataFrame,
    pile_id: Sequence[str | None],
    strikes: pd.DataFrame,
    clocks: Mapping[tuple[str, str], Sequence[StationClock]],
    campaign: Campaign,
) -> NDArray[np.bool_]:
    """Pulses in whose interval a strike of another pile arrives, or into whose arrival another one's interval reaches.

    Another pile's strike counts wherever it was heard: at this station it may hide behind the pulse. `strikes` as in
    Association; intervals are taken to be as long as usual for the pile and station.
    """
    piles, station = np.array(pile_id, dtype=object), pulses["station_id"].to_numpy(dtype=object)
    marked = np.zeros(len(pulses), dtype=bool)
    time_s = pulses["time_us"].to_numpy(dtype=np.int64) / 1e6
    window_s = pulses["window_s"].to_numpy(dtype=np.float64) if "window_s" in pulses else np.full(len(pulses), np.nan)
    spans = {str(p): (g["emitted_s"].min(), g["emitted_s"].max()) for p, g in strikes.groupby("pile_id")}
    distances = Distances(campaign)
    for (pile, name), own_clocks in clocks.items():
        for other in spans:
            if other == pile or pile not in spans or not _meet(spans[pile], spans[other]):
                continue
            here = np.flatnonzero((station == name) & (piles == pile))
            theirs = strikes["emitted_s"].to_numpy(dtype=np.float64)[(strikes["pile_id"] == other).to_numpy()]
            at = np.sort(arrival_s(theirs, other, name, own_clocks, distances))
            longest = _usual(window_s[(station == name) & (piles == other)])
            own = np.where(np.isfinite(window_s[here]), window_s[here], _usual(window_s[here]))
            n = np.searchsorted(at, time_s[here] + own) - np.searchsorted(at, time_s[here] - longest)
            marked[here] |= n > 0
    return marked


def arrival_s(
    emitted_s: FloatArray, pile_id: str, station_id: str, clocks: Sequence[StationClock], distances: Distances
) -> FloatArray:
    """When strikes arrive at a station, by its stated clock; `emitted_s` by the stations' mean clock."""
    at_us = np.round(emitted_s * 1e6).astype(np.int64)
    travel_s = distances.travel_s(pile_id, np.full(len(emitted_s), station_id, dtype=object), at_us)
    return np.asarray(emitted_s + late_s(clocks, emitted_s) + travel_s)


def _usual(window_s: FloatArray) -> float:
    known = window_s[np.isfinite(window_s)]
    return float(np.median(known)) if known.size else _USUAL_WINDOW_S


def _meet(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return one[0] <= other[1] + 1.0 and other[0] <= one[1] + 1.0
