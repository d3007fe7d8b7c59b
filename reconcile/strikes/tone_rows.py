"""Rows of `tones`: tonal lines of one station's work, in stretches of ten seconds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import ActivityPeriod, activity_periods, period_numbers_at
from reconcile.recordings.sensitivity_path import SensitivityPaths
from reconcile.recordings.streams import Channel
from reconcile.strikes.exposure_periods import microseconds
from reconcile.strikes.narrow_band import NARROW_TO_HZ, NarrowBand
from reconcile.strikes.tones import stretches, tonal_series
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import level_db, mean_square_level_db, ratio
from reconcile.vocabulary.tables import TONES

_BESIDE_US = 500_000  # by which a frame of 2 s reaches beyond its second to either side


def frames_within(start_us: NDArray[np.int64], periods: Sequence[ActivityPeriod]) -> NDArray[np.bool_]:
    """Which seconds have a frame that lies wholly in the activity that holds the second's middle."""
    middle_us = start_us + _BESIDE_US
    found = np.zeros(len(start_us), dtype=bool)
    number = period_numbers_at(tuple(periods), middle_us)
    for k in np.unique(number[number >= 0]):
        period = periods[k]
        inside = (middle_us - 2 * _BESIDE_US >= period.start_us) & (middle_us + 2 * _BESIDE_US <= period.end_us)
        found |= (number == k) & inside
    return found


def tone_rows(
    narrow: NarrowBand,
    background: pd.DataFrame,
    cells: NDArray[np.int64],
    channel: Channel,
    paths: SensitivityPaths,
    campaign: Campaign,
) -> pd.DataFrame:
    """All rows of one channel of a stream. `background` are its rows; `cells` says of which second each 1 s row is.

    Frames that reach beyond the activity of their second are left out.
    """
    rows: list[dict[str, object]] = []
    if not narrow.cells.size:
        return pd.DataFrame(columns=list(TONES.column_names))
    own = background[background["duration_s"] == 1.0].iloc[np.searchsorted(cells, narrow.cells)]
    within = frames_within(microseconds(own["start_utc"]), activity_periods(campaign))
    narrow = NarrowBand(narrow.cells[within], narrow.bin_hz, narrow.power[within])
    own = own[within]
    correction_db = paths.correction_db(channel.station_id, channel.system_id, microseconds(own["start_utc"]))
    keys = np.asarray(own.groupby(["pile_id", "activity_id"], dropna=False).ngroup(), dtype=np.int64)
    to_hz = min(NARROW_TO_HZ, channel.bands_to_hz)
    for at in stretches(narrow.cells, keys):
        power = (narrow.power[at] * ratio(correction_db[at])[:, None]).astype(np.float32)
        held = own.iloc[at]
        head = {
            **{name: held[name].iloc[0] for name in ("station_id", "pile_id", "activity_id", "start_utc")},
            "duration_s": float(len(at)),
            "flags": sorted({flag for flags in held["flags"] for flag in flags}),
        }
        for line in tonal_series(power, narrow.bin_hz, channel.bands_from_hz, to_hz):
            rows.append(
                head
                | {
                    "harmonic": line.harmonic,
                    "frequency_hz": line.frequency_hz,
                    "frequency_uncertainty_hz": line.frequency_uncertainty_hz,
                    "level_db": float(mean_square_level_db(line.mean_square)),
                    "standard_uncertainty_db": 10.0 / np.log(10.0) * line.uncertainty / line.mean_square,
                    "prominence_db": float(level_db(line.prominence)),
                    "censoring": "at_most" if line.hidden else "none",
                }
            )
    return pd.DataFrame(rows, columns=list(TONES.column_names))
