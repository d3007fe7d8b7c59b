"""What each recorder's clock was off, found from the arrivals of the same strikes at all stations.

The station that heard most begins; each further one is aligned with the strikes that the ones before it heard. Lines
are then stated against the mean of the stations: nothing else tells what time it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from reconcile.strikes.alignment import Alignment, align
from reconcile.strikes.offset_search import Search
from reconcile.strikes.trains import Line, Train, nearest, train
from reconcile.vocabulary.quantities import FloatArray

LARGEST_OFFSET_S = 6.5  # between two recorders, each 3 s off at the most
OFFSET_PRIOR_S = 1.0  # stated clocks are usually good to this
SAME_STRIKE_S = 0.15
_SEVERAL_PILES_WITHIN_S = 0.06
_BEFORE_S = 120.0  # a session's first arrival, from which on its line holds


@dataclass(frozen=True, slots=True)
class StationClock:
    """A station's clock against the mean of the stations, during some piling.

    `decided` is false where another alignment is as good, or where too little was heard: the line is then the likelier
    one, nearest to the stated clock.
    """

    line: Line
    offset_error_s: float
    drift_error: float
    spread_s: float
    n_strikes: int
    decided: bool


@dataclass(frozen=True, slots=True)
class KnownOffset:
    """What other piling says of a station's clock: offset and its standard uncertainty."""

    offset_s: float
    uncertainty_s: float


Views = Sequence[Train]  # of one station: its arrivals less the travel time, for each pile driven


def station_clocks(
    views: Mapping[str, Views], origin_s: float, known: Mapping[str, KnownOffset], *, shared: bool = False
) -> dict[str, StationClock]:
    """The clocks of some stations that heard the same piling; lines are stated at `origin_s`.

    `views`: for each station as many trains as there are piles, of the same arrivals, each less the travel time from
    that pile; `shared` where an arrival may be of more than one of them. `known`: what other piling says of the clocks.
    """
    order = sorted(views, key=lambda name: (-sum(len(view) for view in views[name]), name))
    if not order:
        return {}
    first = order[0]
    merged = list(views[first])
    lines = {first: Line(origin_s, 0.0, 0.0)}
    found: dict[str, Alignment | None] = {}
    for name in order[1:]:
        prior = known.get(name)
        within_s = _SEVERAL_PILES_WITHIN_S if shared else np.inf
        search = Search(LARGEST_OFFSET_S, prior_s=OFFSET_PRIOR_S, within_s=within_s)
        if prior is not None and first in known:
            centre = prior.offset_s - known[first].offset_s
            search = Search(LARGEST_OFFSET_S, centre, max(prior.uncertainty_s, 0.02), within_s=within_s)
        found[name] = align(list(zip(merged, views[name], strict=True)), search)
        alignment = found[name]
        lines[name] = Line(origin_s, search.centre_s, 0.0) if alignment is None else alignment.line.moved(origin_s)
        if alignment is not None and alignment.decided:
            merged = [_joined(one, more, lines[name]) for one, more in zip(merged, views[name], strict=True)]
    return _against_mean(lines, found, sum(len(view) for view in views[first]), first)


def late_s(clocks: Sequence[StationClock], time_s: FloatArray) -> FloatArray:
    """What a station's clock reads more than the mean clock at some times of that; `clocks` in order of their
    origins.
    """
    piece = np.searchsorted([clock.line.origin_s - _BEFORE_S for clock in clocks], time_s, side="right") - 1
    late = np.zeros(len(time_s))
    for k, clock in enumerate(clocks):
        here = np.maximum(piece, 0) == k
        late[here] = clock.line.at(time_s[here])
    return late


def _joined(merged: Train, view: Train, line: Line) -> Train:
    """The strikes so far, with those of another station that none of them is."""
    time_s = view.time_s - line.at(view.time_s)
    if not len(merged):
        return train(time_s, view.level_db)
    new = np.abs(merged.time_s[nearest(merged.time_s, time_s)] - time_s) > SAME_STRIKE_S
    if not new.any():
        return merged
    levels = view.level_db[new] + _level_difference(merged, view)
    return train(np.concatenate([merged.time_s, time_s[new]]), np.concatenate([merged.level_db, levels]))


def _level_difference(one: Train, other: Train) -> float:
    if np.isfinite(one.level_db).any() and np.isfinite(other.level_db).any():
        return float(np.nanmedian(one.level_db) - np.nanmedian(other.level_db))
    return 0.0


def _against_mean(
    lines: Mapping[str, Line], found: Mapping[str, Alignment | None], n_first: int, first: str
) -> dict[str, StationClock]:
    decided = [name for name in lines if name == first or _decided(found[name])]
    offset_s = float(np.mean([lines[name].offset_s for name in decided]))
    drift = float(np.mean([lines[name].drift for name in decided]))
    errors = _errors(decided, found)
    clocks = {}
    for name, line in lines.items():
        moved = Line(line.origin_s, line.offset_s - offset_s, line.drift - drift)
        alignment = found.get(name)
        clocks[name] = StationClock(
            line=moved,
            offset_error_s=errors.get(name, (np.nan, np.nan))[0],
            drift_error=errors.get(name, (np.nan, np.nan))[1],
            spread_s=np.nan if alignment is None else alignment.spread_s,
            n_strikes=n_first if name == first else 0 if alignment is None else alignment.n_matched,
            decided=name in decided,
        )
    return clocks


def _decided(alignment: Alignment | None) -> bool:
    return alignment is not None and alignment.decided


def _errors(decided: Sequence[str], found: Mapping[str, Alignment | None]) -> dict[str, tuple[float, float]]:
    """Standard errors of offset and drift against the mean of n stations: (1 - 2/n) of a station's own square, and
    the mean's.
    """
    n = len(decided)
    if n < 2:
        return {}
    own: dict[str, FloatArray] = {}
    for name in decided:
        alignment = found.get(name)
        square = np.zeros(2) if alignment is None else np.array([alignment.offset_error_s, alignment.drift_error]) ** 2
        own[name] = square
    common = np.sum(list(own.values()), axis=0) / n**2
    errors = {name: np.sqrt(square * (1.0 - 2.0 / n) + common) for name, square in own.items()}
    return {name: (float(error[0]), float(error[1])) for name, error in errors.items()}
