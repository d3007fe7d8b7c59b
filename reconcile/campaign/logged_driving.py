"""What the hammer log says of each pile as a whole: blows, energies, penetration."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from reconcile.campaign.blows import HammerLog
from reconcile.campaign.times import as_datetime
from reconcile.vocabulary.documents.campaign import DrivingIncrement, LoggedDriving
from reconcile.vocabulary.quantities import FloatArray


def logged_driving(log: HammerLog | None, increments: Sequence[DrivingIncrement]) -> tuple[LoggedDriving, ...]:
    """One entry for each pile with logged blows, by its id: single ones win over counts."""
    single = {} if log is None else {str(p): _of_blows(log.of_pile(str(p))) for p in np.unique(log.pile_id)}
    piles = dict.fromkeys(increment.pile_id for increment in increments)
    counted = {p: _of_counts([i for i in increments if i.pile_id == p]) for p in piles}
    return tuple(entry for _, entry in sorted((counted | single).items()))


def _of_blows(log: HammerLog) -> LoggedDriving:
    energy, depth = (values[np.isfinite(values)] for values in (log.energy_kj, log.penetration_m))
    return LoggedDriving(
        pile_id=str(log.pile_id[0]),
        n_blows=len(log),
        first_utc=as_datetime(log.time_utc[0]),
        last_utc=as_datetime(log.time_utc[-1]),
        from_penetration_m=_of(depth, np.min),
        to_penetration_m=_of(depth, np.max),
        n_with_energy=energy.size,
        median_energy_kj=_of(energy, np.median),
        maximum_energy_kj=_of(energy, np.max),
        total_energy_kj=_of(energy, np.sum),
    )


def _of(values: FloatArray, take: Callable[[FloatArray], float]) -> float | None:
    return float(take(values)) if values.size else None


def _of_counts(increments: Sequence[DrivingIncrement]) -> LoggedDriving:
    starts = [i.start_utc for i in increments if i.start_utc is not None]
    ends = [i.end_utc for i in increments if i.end_utc is not None]
    upper = [i.from_penetration_m for i in increments if i.from_penetration_m is not None]
    lower = [i.to_penetration_m for i in increments if i.to_penetration_m is not None]
    energies = [(i.n_blows, i.mean_energy_kj) for i in increments if i.mean_energy_kj is not None]
    return LoggedDriving(
        pile_id=increments[0].pile_id,
        n_blows=sum(i.n_blows for i in increments),
        first_utc=min(starts, default=None),
        last_utc=max(ends, default=None),
        from_penetration_m=min(upper, default=None),
        to_penetration_m=max(lower, default=None),
        n_with_energy=sum(n for n, _ in energies),
        total_energy_kj=sum(n * mean for n, mean in energies) if energies else None,
    )
