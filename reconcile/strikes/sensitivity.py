"""Linear measures brought to a sensitivity that changes in time, and levels held against what the sea can be."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.recordings.sensitivity_path import SensitivityPaths
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray, ratio

PLAUSIBLE_MEDIAN_DB = (60.0, 190.0)  # mean-square level of one second, dB re 1 µPa²
_ENERGIES = ("band_", "weighted_", "mean_square")


def corrected_pulses(pulses: pd.DataFrame, paths: SensitivityPaths) -> pd.DataFrame:
    """Pulses of all stations (linear values), each measured with its system's sensitivity at its time."""
    if not paths.paths or pulses.empty:
        return pulses
    correction = np.zeros(len(pulses))
    station, system = (pulses[name].to_numpy(dtype=object) for name in ("station_id", "system_id"))
    times = pulses["time_us"].to_numpy(dtype=np.int64)
    for station_id, system_id in paths.paths:
        rows = (station == station_id) & (system == system_id)
        correction[rows] = paths.correction_db(station_id, system_id, times[rows])
    return _scaled(pulses, correction)


def corrected_seconds(seconds: pd.DataFrame, paths: SensitivityPaths, system_id: str) -> pd.DataFrame:
    """Seconds of one channel (mean squares), each measured with its system's sensitivity at its time."""
    if not paths.paths or seconds.empty:
        return seconds
    times = seconds["start_us"].to_numpy(dtype=np.int64)
    return _scaled(seconds, paths.correction_db(str(seconds["station_id"].iloc[0]), system_id, times))


def _scaled(table: pd.DataFrame, correction_db: FloatArray) -> pd.DataFrame:
    """Pressures (columns in Pa) times the factor of a correction, squares and energies times its square.

    Fourth powers times its fourth power.
    """
    square = ratio(correction_db)
    factor = np.sqrt(square)
    columns: dict[str, NDArray[np.generic]] = {}
    for name in map(str, table.columns):
        values = table[name].to_numpy()
        if name.startswith(_ENERGIES) or name.endswith(("_pa2", "_pa2_s")):
            columns[name] = (values * square).astype(values.dtype)
        elif name.endswith("_pa4_s"):
            columns[name] = (values * square**2).astype(values.dtype)
        elif name.endswith("_pa"):
            columns[name] = (values * factor).astype(values.dtype)
    return table.assign(**columns)


def implausible_levels(levels_db: Mapping[str, FloatArray], campaign: Campaign) -> list[str]:
    """Warnings of stations whose levels of one second (dB re 1 µPa²; NaN for none) are hardly those of the sea."""
    low, high = PLAUSIBLE_MEDIAN_DB
    warnings = []
    for station_id, levels in levels_db.items():
        sound = levels[np.isfinite(levels)]
        if not sound.size:
            warnings.append(f"station {station_id}: its recordings hold no sound, all samples have one value")
        elif not low <= (median := float(np.median(sound))) <= high:
            system = campaign.station(station_id).system
            warnings.append(
                f"station {station_id}: its median level of one second is {median:.0f} dB re 1 µPa, which the sea "
                f"hardly has ({low:g} to {high:g} dB); check the chain of system {system}: "
                "sensitivity and its reference (1 µPa), gain, full scale, format of the samples"
            )
    return warnings
