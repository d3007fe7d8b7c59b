"""Arrival times and hammer logs with known truth, made from random numbers alone: no sound and nothing of the
program.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from reconcile.campaign.blows import HammerLog
from reconcile.strikes.pulses import RecordedInterval
from reconcile.vocabulary.documents.campaign import Campaign, Pile, PileStationRange, Settings, Station, System

START = datetime(2031, 3, 4, 10, 0, 0, tzinfo=UTC)
START_S = START.timestamp()
SOUND_SPEED = 1500.0


@dataclass
class Recorder:
    """A station: distance from each pile, what its clock is off beyond what is stated, and what it hears."""

    range_m: dict[str, float]
    offset_s: float = 0.0
    drift_ppm: float = 0.0
    noise_s: float = 0.003
    hears: float = 0.97
    scatter_db: float = 0.5


@dataclass
class Hammer:
    """A pile's driving and its log. `struck_s` from the start; the log is off by `offset_s` and a drift."""

    struck_s: np.ndarray
    energy_kj: np.ndarray
    offset_s: float = 0.0
    drift_ppm: float = 0.0
    jitter_s: float = 0.010
    missing: float = 0.0
    phantom: float = 0.0
    whole_seconds: bool = False
    logged: bool = True


@dataclass
class Piling:
    """Pulses with their truth (`pile`, `blow` counted from 1; `in_log`), the campaign and the log."""

    pulses: pd.DataFrame
    campaign: Campaign
    log: HammerLog | None
    recorded: list[RecordedInterval]
    hammers: dict[str, Hammer] = field(default_factory=dict)


def blows(
    rng: np.random.Generator, n: int, interval_s: float = 1.2, irregular: float = 0.02, first_s: float = 10.0
) -> np.ndarray:
    """Times of n blows with independent relative deviations of the interval."""
    return first_s + np.cumsum(interval_s * (1.0 + irregular * rng.standard_normal(n)))


def with_pauses(struck_s: np.ndarray, at: list[int], length_s: float) -> np.ndarray:
    """Blows with a pause before each of some of them."""
    later = np.zeros(len(struck_s))
    for k in at:
        later[k:] += length_s
    return struck_s + later


def energies(rng: np.random.Generator, n: int, first_kj: float = 400.0, full_kj: float = 1800.0) -> np.ndarray:
    """A soft start over the first fifth, then full energy; each blow is 0.1 dB off."""
    ramp = np.minimum(np.arange(n) / (0.2 * n), 1.0)
    return (first_kj + (full_kj - first_kj) * ramp) * 10 ** (0.01 * rng.standard_normal(n))


def piling(rng: np.random.Generator, hammers: dict[str, Hammer], recorders: dict[str, Recorder]) -> Piling:
    """Everything that the stations and the logs noted."""
    frames, logs = [], []
    for pile_id, hammer in hammers.items():
        rows = _log_rows(rng, pile_id, hammer)
        logs.append(rows)
        in_log = set(rows["blow"]) if hammer.logged else set()
        for name, recorder in recorders.items():
            heard = np.flatnonzero(rng.random(len(hammer.struck_s)) < recorder.hears)
            at = hammer.struck_s[heard] + recorder.range_m[pile_id] / SOUND_SPEED
            at = (
                at
                + recorder.offset_s
                + recorder.drift_ppm * 1e-6 * at
                + recorder.noise_s * rng.standard_normal(len(at))
            )
            level = 10 * np.log10(hammer.energy_kj[heard]) - 15 * np.log10(recorder.range_m[pile_id])
            level += recorder.scatter_db * rng.standard_normal(len(at))
            frames.append(
                pd.DataFrame(
                    {
                        "station_id": name,
                        "time_us": np.round((START_S + at) * 1e6).astype(np.int64),
                        "energy_pa2_s": 10 ** (level / 10),
                        "noise_pa2": 0.0,
                        "window_s": 0.3,
                        "pile": pile_id,
                        "blow": heard + 1,
                        "in_log": np.isin(heard + 1, list(in_log)),
                    }
                )
            )
    pulses = pd.concat(frames, ignore_index=True).sort_values(["station_id", "time_us"], ignore_index=True)
    known = [rows for rows, hammer in zip(logs, hammers.values(), strict=True) if hammer.logged]
    log = _log(pd.concat(known, ignore_index=True)) if known else None
    longest = max(float(h.struck_s[-1]) for h in hammers.values()) + 120.0
    ends = (round((START_S - 60) * 1e6), round((START_S + longest) * 1e6))
    recorded = [RecordedInterval(name, *ends) for name in recorders]
    return Piling(pulses, _campaign(hammers, recorders), log, recorded, hammers)


def _log_rows(rng: np.random.Generator, pile_id: str, hammer: Hammer) -> pd.DataFrame:
    """Logged blows, `blow` 0 for an invented one; these fall between two blows, a tenth of a second off at least."""
    struck = hammer.struck_s
    time = struck + hammer.jitter_s * rng.standard_normal(len(struck))
    kept = rng.random(len(struck)) >= hammer.missing
    between = rng.permutation(np.flatnonzero(np.diff(struck) > 0.3))[: round(hammer.phantom * len(struck))]
    gap = np.diff(struck)[between]
    phantom = struck[between] + 0.1 + rng.random(len(between)) * (gap - 0.2)
    rows = pd.DataFrame(
        {
            "pile_id": pile_id,
            "time_s": np.concatenate([time[kept], phantom]),
            "blow": np.concatenate([np.flatnonzero(kept) + 1, np.zeros(len(phantom), dtype=np.int64)]),
            "energy_kj": np.concatenate([hammer.energy_kj[kept], hammer.energy_kj[between]]),
        }
    ).sort_values("time_s", ignore_index=True)
    rows["time_s"] += hammer.offset_s + hammer.drift_ppm * 1e-6 * (rows["time_s"] - struck[0])
    if hammer.whole_seconds:
        rows["time_s"] = np.round(rows["time_s"])
    # the number that an invented blow has in the log is one that no true blow has
    rows["number"] = np.where(rows["blow"] > 0, rows["blow"], 100_000 + np.arange(len(rows)))
    return rows


def _log(rows: pd.DataFrame) -> HammerLog:
    return HammerLog(
        rows["pile_id"].to_numpy(dtype=np.str_),
        rows["number"].to_numpy(dtype=np.int32),
        np.round((START_S + rows["time_s"].to_numpy()) * 1e6).astype(np.int64).astype("datetime64[us]"),
        rows["energy_kj"].to_numpy(dtype=np.float64),
        np.full(len(rows), np.nan),
    )


def _campaign(hammers: dict[str, Hammer], recorders: dict[str, Recorder]) -> Campaign:
    piles = tuple(
        Pile(
            pile_id=pile_id,
            foundation_type="monopile",
            installation_method="impact",
            abatement="none",
            start_utc=START + timedelta(seconds=float(hammer.struck_s[0]) - 10.0),
            end_utc=START + timedelta(seconds=float(hammer.struck_s[-1]) + 10.0),
        )
        for pile_id, hammer in hammers.items()
    )
    return Campaign(
        name="Truth",
        sound_speed_m_s=SOUND_SPEED,
        common_uncertainty_db=0.5,
        settings=Settings(weightings=()),
        systems=(System(id="H", end_to_end_sensitivity_db=-170.0, standard_uncertainty_db=0.7),),
        stations=tuple(Station(id=s, system="H", recordings="*.wav", mooring_id=s) for s in recorders),
        piles=piles,
        ranges=tuple(
            PileStationRange(pile_id=p, station_id=s, range_m=r.range_m[p], source="ranges.csv")
            for p in hammers
            for s, r in recorders.items()
        ),
    )


@dataclass(frozen=True)
class Score:
    """Shares over the heard strikes."""

    right: float
    wrong_unflagged: int
    wrong: int


def score(truth: Piling, pile_id: list[str | None], number: list[int | None], flags: list[list[str]]) -> Score:
    """Right: pile, and the number of a logged blow, or none where it is not in the log."""
    pulses = truth.pulses
    found = np.array([-1 if n is None else n for n in number])
    wanted = np.where(pulses["in_log"], pulses["blow"], -1)
    ok = (found == wanted) & (np.array(pile_id, dtype=object) == pulses["pile"].to_numpy(dtype=object))
    wrong = (found >= 0) & ~ok
    unflagged = wrong & np.array([not f for f in flags])
    return Score(float(ok.mean()), int(unflagged.sum()), int(wrong.sum()))
