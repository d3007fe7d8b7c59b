"""One identity for a strike at all stations: arrivals, brought to one clock and less their travel time, in groups."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.trains import Indices, Train, train
from reconcile.vocabulary.quantities import FloatArray

_PARTNER = 3.0  # what another station's arrival at the same time speaks for a pile
_MOST_PARTNERS = 3
_PARTNER_SPREAD_S = 0.03  # arrival times, and distances of the two stations


@dataclass(frozen=True, slots=True)
class Strikes:
    """Strikes in order of time: when the sound left the pile, by the stations' mean clock, and a level (NaN: unknown).

    `label` says for each arrival which strike it is of.
    """

    time_s: FloatArray
    level_db: FloatArray
    label: Indices

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def train(self) -> Train:
        return train(self.time_s, self.level_db)


def grouped(time_s: FloatArray, station: Indices, gap_s: float) -> Indices:
    """The strike of each arrival, counted in order of time: arrivals less than `gap_s` apart are of one.

    Of a station that comes twice in a group the arrival nearest to the group's median stays; others are strikes of
    their own.
    """
    if not len(time_s):
        return np.zeros(0, dtype=np.int64)
    order = np.argsort(time_s, kind="stable")
    raw = np.empty(len(time_s), dtype=np.int64)
    raw[order] = np.concatenate([[0], np.cumsum(np.diff(time_s[order]) > gap_s)])
    distance = np.abs(time_s - _medians(time_s, raw)[raw])
    ranked = np.lexsort((distance, station, raw))
    again = np.zeros(len(time_s), dtype=bool)
    same = (np.diff(raw[ranked]) == 0) & (np.diff(station[ranked]) == 0)
    again[ranked[1:][same]] = True
    raw[again] = raw.max() + 1 + np.arange(again.sum())
    return _by_time(raw, time_s)


def _medians(time_s: FloatArray, label: Indices) -> FloatArray:
    """The median of each group's times."""
    order = np.lexsort((time_s, label))
    n = np.bincount(label)
    first = np.cumsum(n) - n
    ordered = time_s[order]
    return np.asarray((ordered[first + (n - 1) // 2] + ordered[first + n // 2]) / 2.0)


def _by_time(label: Indices, time_s: FloatArray) -> Indices:
    """Labels numbered by the first time of each group."""
    earliest = np.full(label.max() + 1, np.inf)
    np.minimum.at(earliest, label, time_s)
    rank = np.empty(len(earliest), dtype=np.int64)
    rank[np.argsort(earliest, kind="stable")] = np.arange(len(earliest))
    return np.asarray(rank[label])


def strikes_of(time_s: FloatArray, level_db: FloatArray, station: Indices, gap_s: float) -> Strikes:
    """Strikes with the median of their times, and the mean of their levels above each station's median."""
    label = grouped(time_s, station, gap_s)
    n = int(label.max()) + 1 if label.size else 0
    relative = level_db.copy()
    for code in np.unique(station):
        here = station == code
        if np.isfinite(level_db[here]).any():
            relative[here] -= np.nanmedian(level_db[here])
    known = np.isfinite(relative)
    n_known = np.bincount(label[known], minlength=n)
    with np.errstate(invalid="ignore", divide="ignore"):
        level = np.bincount(label[known], relative[known], minlength=n) / n_known
    times = _medians(time_s, label) if n else np.zeros(0)
    order = np.argsort(times, kind="stable")
    rank = np.empty(n, dtype=np.int64)
    rank[order] = np.arange(n)
    return Strikes(times[order], level[order], rank[label] if n else label)


def partner_support(time_s: FloatArray, label: Indices) -> FloatArray:
    """What other stations' arrivals in the same group speak for each arrival: for the pile whose travel time was
    taken off.
    """
    if not len(time_s):
        return np.zeros(0)
    n = np.bincount(label)[label]
    total = np.bincount(label, time_s - time_s.min())[label]
    others = np.maximum(n - 1, 1)
    apart = (time_s - time_s.min()) - (total - (time_s - time_s.min())) / others
    misfit = 0.5 * apart**2 / (_PARTNER_SPREAD_S**2 * (1.0 + 1.0 / others))
    return np.where(n > 1, _PARTNER * np.minimum(others, _MOST_PARTNERS) - misfit, 0.0)


def numbered(prefix: str, label: Indices, after: int = 0) -> NDArray[np.object_]:
    """Identities `<prefix>u00001` and so on of groups, in order of their labels; `after` some that have theirs."""
    if not len(label):
        return np.zeros(0, dtype=object)
    kinds, inverse = np.unique(label, return_inverse=True)
    names = np.array([f"{prefix}u{k:05d}" for k in range(after + 1, after + len(kinds) + 1)], dtype=object)
    return np.asarray(names[inverse])
