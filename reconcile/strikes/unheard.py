"""Strikes that are expected at a station and not heard there: rows with limits for levels, from the background alone.

The background about such an arrival is what the 1 ms energies hold within 5 s of it outside heard pulses and outside
all expected arrivals. Of bands and weightings it is the mean of the seconds within 10 s whose frame touches no heard
pulse; where every frame does, the mean background of the nearest heard pulses; else the quietest second within 10 s.
Interval and duration are the medians of the pile's pulses at the station, else at its station next in range.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.strikes.octaves import STEP_TICKS, STEPS
from reconcile.strikes.quality import PULSE_MARKS
from reconcile.strikes.second_look import Listener, Zones, zones_of
from reconcile.strikes.ticks import TICKS
from reconcile.vocabulary.quantities import FloatArray

USUAL_DURATION_S, USUAL_WINDOW_S = 0.1, 0.3  # where no pulse of the campaign says more
USUAL_CREST = 4.5  # largest of some ten thousand samples of Gaussian noise over their rms
_NEAR_STEPS = 5 * STEPS
_FEWEST_STEPS = STEPS // 2
_NEAR_SECONDS = 10
_NEAR_PULSES, _NEAR_PULSES_US = 5, 60_000_000
_BEFORE_ONSET_US = 25_000  # of an interval
_MEASURABLE = 10**0.6  # 6 dB: durations of fainter pulses are none
_NOT_MEASURED = (
    *("peak_pa", "peak_to_peak_pa", "compression_peak_pa", "rarefaction_peak_pa", "oversampled_peak_pa"),
    *("energy_pa2_s", "fourth_power_pa4_s", "quiet_s", "onset_s", "rise_time_s", "kurtosis", "max_125ms_pa2"),
)
_NO_MARKS = ("clipped", "cut", "at_edge", "short_quiet", "flat_above", "flat_below", "second_look", *PULSE_MARKS)
Ranges = Callable[[str, str, int], float]  # of pile, station and time


@dataclass(frozen=True, slots=True)
class Usual:
    """Median duration, interval (s) and crest of the background (peak over rms) of a pile's pulses at a station."""

    duration_s: float
    window_s: float
    crest: float


def usual_pulses(pulses: pd.DataFrame, pile_id: Sequence[str | None]) -> dict[tuple[str, str], Usual]:
    """By pile and station, of pulses that are clear enough (6 dB)."""
    noise = pulses["noise_pa2"] * pulses["duration_s"]
    clear = (pulses["energy_pa2_s"] - pulses["noise_pa2"] * pulses["window_s"]) >= _MEASURABLE * noise
    frame = pd.DataFrame(
        {
            "pile": [p or "" for p in pile_id],
            "station": pulses["station_id"].to_numpy(),
            "duration_s": pulses["duration_s"].to_numpy(dtype=np.float64),
            "window_s": pulses["window_s"].to_numpy(dtype=np.float64),
            "crest": (pulses["noise_peak_pa"] / np.sqrt(pulses["noise_pa2"])).to_numpy(dtype=np.float64),
        }
    )[(clear & (pulses["duration_s"] > 0)).to_numpy(dtype=bool)]
    medians = frame.groupby(["pile", "station"]).median()
    return {
        (str(key[0]), str(key[1])): Usual(*map(float, row))
        for key, row in zip(medians.index, medians.to_numpy(), strict=True)
    }


def usual_at(
    known: Mapping[tuple[str, str], Usual], pile_id: str, station_id: str, range_m: Mapping[str, float]
) -> Usual:
    """What is usual for a pile at a station, else at the pile's station next in range, else by default."""
    if (pile_id, station_id) in known:
        return known[pile_id, station_id]
    here = range_m.get(station_id, np.nan)
    others = sorted(station for pile, station in known if pile == pile_id)
    if not others:
        return Usual(USUAL_DURATION_S, USUAL_WINDOW_S, USUAL_CREST)

    def apart(station: str) -> float:
        ratio = range_m.get(station, np.nan) / here
        return abs(float(np.log(ratio))) if np.isfinite(ratio) and ratio > 0 else np.inf

    return known[pile_id, min(others, key=apart)]


def unheard_rows(
    listener: Listener,
    missing: pd.DataFrame,
    expected: pd.DataFrame,
    pulses: pd.DataFrame,
    seconds: pd.DataFrame,
    usual: Mapping[tuple[str, str], Usual],
) -> pd.DataFrame:
    """Rows as of `pulse_columns`, for arrivals of a listener's station within its stream that were not heard.

    `missing` and `expected` (all arrivals expected there) need `pile_id`, `time_us`, `tolerance_s`; `usual` is by pile
    and station. What would be measured is NaN, the backgrounds stand for what hides it; `not_heard` is true.
    """
    time_us = missing["time_us"].to_numpy(dtype=np.int64)
    kinds = [usual[str(pile), listener.station_id] for pile in missing["pile_id"]]
    window_s = np.array([kind.window_s for kind in kinds], dtype=np.float64)
    heard = zones_of(listener, pulses)
    noise = full_band_background(listener, time_us, heard, _expected_zones(listener, expected))
    start = np.maximum(0, np.floor(listener.steps(time_us - _BEFORE_ONSET_US) * (listener.stream.rate_hz / STEPS)))
    located = [listener.stream.locate(int(sample)) for sample in start]
    n = len(missing)
    if "overlapping_piles" in missing:  # the other pile's strike is what hides this one
        under = missing["overlapping_piles"].to_numpy(dtype=bool)
        noise[under] = np.fmax(noise[under], _interval_mean(listener, time_us[under], window_s[under]))
    columns: dict[str, object] = {
        "station_id": [listener.station_id] * n,
        "system_id": [listener.channel.system_id] * n,
        "time_us": time_us,
        "recording": [name for name, _ in located],
        "start_sample": np.array([sample for _, sample in located], dtype=np.int64),
        "window_s": window_s,
        **{name: np.full(n, np.nan) for name in _NOT_MEASURED},
        "duration_s": np.array([kind.duration_s for kind in kinds], dtype=np.float64),
        "noise_pa2": noise,
        "noise_peak_pa": np.sqrt(noise) * np.array([kind.crest for kind in kinds], dtype=np.float64),
        **{name: np.zeros(n, dtype=bool) for name in _NO_MARKS},
        "highest": np.zeros(n),
        "lowest": np.zeros(n),
        "not_heard": np.ones(n, dtype=bool),
    }
    backgrounds = _backgrounds(listener, time_us, heard, seconds, pulses)
    for name, values in backgrounds.items():
        kind, _, number = name.partition("_")
        columns[f"{kind}_{number}"], columns[f"{kind}_noise_{number}"] = np.full(n, np.nan), values
    return pd.DataFrame(columns)


def _interval_mean(listener: Listener, time_us: NDArray[np.int64], window_s: FloatArray) -> FloatArray:
    """Mean square (Pa²) of all that is heard in each interval."""
    first = np.floor(listener.steps(time_us - _BEFORE_ONSET_US) * STEP_TICKS).astype(np.int64)
    spans = zip(first, first + np.ceil(window_s * TICKS).astype(np.int64), strict=True)
    return np.array([listener.mean_squares(int(start), int(end)).mean() for start, end in spans])


def _expected_zones(listener: Listener, expected: pd.DataFrame) -> Zones:
    here = expected[expected["station_id"] == listener.station_id]
    at, reach = here["time_us"].to_numpy(dtype=np.int64), here["tolerance_s"].to_numpy(dtype=np.float64) * 1e6
    start, end = listener.steps(at - reach.astype(np.int64)), listener.steps(at + reach.astype(np.int64) + 300_000)
    return np.stack([np.floor(start), np.ceil(end)], axis=1).astype(np.int64)


def full_band_background(listener: Listener, time_us: NDArray[np.int64], heard: Zones, expected: Zones) -> FloatArray:
    """Mean square (Pa²) of the background about some times; NaN where nothing is kept."""
    result = np.full(len(time_us), np.nan)
    for i, position in enumerate(listener.steps(time_us)):
        first, end = int(position) - _NEAR_STEPS, int(position) + _NEAR_STEPS
        ticks = listener.mean_squares(first * STEP_TICKS, end * STEP_TICKS)
        energy = ticks.reshape(-1, STEP_TICKS).mean(axis=1)
        recorded = energy > 0
        outside = recorded & ~_inside(heard, first, end)
        alone = outside & ~_inside(expected, first, end)
        for chosen in (alone, outside, recorded):
            if chosen.sum() >= _FEWEST_STEPS:
                result[i] = float(energy[chosen].mean())
                break
    return result


def _inside(zones: Zones, first: int, end: int) -> NDArray[np.bool_]:
    inside = np.zeros(end - first, dtype=bool)
    for start, stop in zones[(zones[:, 1] >= first) & (zones[:, 0] < end)]:
        inside[max(0, start - first) : max(0, stop - first + 1)] = True
    return inside


def _backgrounds(
    listener: Listener, time_us: NDArray[np.int64], heard: Zones, seconds: pd.DataFrame, pulses: pd.DataFrame
) -> dict[str, FloatArray]:
    """Mean squares of each band and weighting (columns of `seconds`) about some times."""
    names = [name for name in seconds.columns if name.startswith(("band_", "weighted_"))]
    values = seconds[names].to_numpy(dtype=np.float64)
    cells = seconds["cell"].to_numpy(dtype=np.int64)
    free = np.isfinite(values).all(axis=1) if names else np.zeros(len(values), dtype=bool)
    touched = np.zeros(int(cells[-1]) + 3 if len(cells) else 0, dtype=bool)
    for start, stop in heard:  # a frame of 2 s is centred on its second
        touched[max(0, int(start) // STEPS - 1) : int(stop) // STEPS + 2] = True
    free &= ~touched[cells]
    own = pulses[pulses["station_id"] == listener.station_id]
    result = np.full((len(time_us), len(names)), np.nan)
    for i, position in enumerate(listener.steps(time_us)):
        middle = int(position) // STEPS
        near = slice(*np.searchsorted(cells, (middle - _NEAR_SECONDS, middle + _NEAR_SECONDS + 1)))
        if free[near].any():
            result[i] = values[near][free[near]].mean(axis=0)
        else:
            result[i] = _from_pulses(own, int(time_us[i]), names, values[near])
    return {name: result[:, k] for k, name in enumerate(names)}


def _from_pulses(own: pd.DataFrame, time_us: int, names: Sequence[str], near: FloatArray) -> FloatArray:
    """Mean background before the nearest pulses, else the quietest second."""
    apart = np.abs(own["time_us"].to_numpy(dtype=np.int64) - time_us)
    nearest = np.argsort(apart, kind="stable")[:_NEAR_PULSES]
    nearest = nearest[apart[nearest] <= _NEAR_PULSES_US]
    columns = ["_noise_".join(name.split("_", 1)) for name in names]
    if nearest.size and set(columns) <= set(own.columns):
        before = own.iloc[nearest][columns].to_numpy(dtype=np.float64)
        if np.isfinite(before).all(axis=1).any():
            return np.asarray(before[np.isfinite(before).all(axis=1)].mean(axis=0))
    finite = near[np.isfinite(near).all(axis=1)]
    return np.asarray(finite.min(axis=0)) if len(finite) else np.full(len(names), np.nan)
