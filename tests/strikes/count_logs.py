"""Driving with known truth: when a pile was struck, in which increment, and the log that holds only counts of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from reconcile.vocabulary.documents.campaign import DrivingIncrement
from tests.strikes.campaigns import START, epoch_s


@dataclass(frozen=True, slots=True)
class Driving:
    """Strikes as heard (in order, seconds since 1970), the true increment of each (-1: no strike), and the log."""

    heard_s: np.ndarray
    increment: np.ndarray
    log: tuple[DrivingIncrement, ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """How the log was kept and how well the pile was heard."""

    offset_s: float = 0.0
    step_s: float = 1.0  # to which times were cut
    timed: bool = True
    n_missed: int = 10
    n_extra: int = 4
    blows_per_minute: float = 65.0
    n_blows: int = 2000


def driving(seed: int, kept: Kept, pile_id: str = "P1") -> Driving:
    """A pile driven with two pauses; increments of 40 to 90 blows; some strikes missed, some sounds too many."""
    rng = np.random.default_rng(seed)
    n, every_s = kept.n_blows, 60.0 / kept.blows_per_minute
    gaps_s = every_s * (1.0 + 0.02 * np.clip(rng.standard_normal(n - 1), -2.5, 2.5))
    gaps_s[rng.choice(n - 1, 2, replace=False)] += rng.uniform(90.0, 600.0, 2)
    struck_s = 5.0 + np.concatenate([[0.0], np.cumsum(gaps_s)])
    sizes: list[int] = []
    while sum(sizes) < n:
        sizes.append(min(int(rng.integers(40, 91)), n - sum(sizes)))
    edges = np.concatenate([[0], np.cumsum(sizes)])
    log, until = [], None
    for j, size in enumerate(sizes):
        times = [struck_s[edges[j]] + kept.offset_s, struck_s[edges[j + 1] - 1] + 0.2 + kept.offset_s]
        if kept.step_s:
            times = [float(np.floor(t / kept.step_s) * kept.step_s) for t in times]
        start = max(times[0], until if until is not None else times[0])
        until = max(times[1], start)
        log.append(
            DrivingIncrement(
                line=j + 2,
                pile_id=pile_id,
                start_utc=START + timedelta(seconds=start) if kept.timed else None,
                end_utc=START + timedelta(seconds=until) if kept.timed else None,
                from_penetration_m=2.0 + 0.25 * j,
                to_penetration_m=2.25 + 0.25 * j,
                n_blows=size,
                mean_energy_kj=100.0 + j,
            )
        )
    heard = np.ones(n, dtype=bool)
    heard[rng.choice(n, kept.n_missed, replace=False)] = False
    extra = rng.uniform(struck_s[0], struck_s[-1], kept.n_extra)
    times_s = np.concatenate([struck_s[heard], extra])
    truth = np.concatenate([np.repeat(np.arange(len(sizes)), sizes)[heard], np.full(kept.n_extra, -1)])
    order = np.argsort(times_s)
    return Driving(times_s[order] + epoch_s(START), truth[order], tuple(log))
