"""Energies of strikes from a driving log that holds only counts, and the blows that such a log stands for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import impact_periods
from reconcile.campaign.blows import HammerLog
from reconcile.strikes.counted_blows import LARGEST_MISMATCH, CountMatch, match_counts
from reconcile.strikes.emission import emission_us
from reconcile.vocabulary.documents.campaign import Campaign, DrivingIncrement
from reconcile.vocabulary.quantities import FloatArray
from reconcile.vocabulary.tables.flags import NOT_STRIKES

OF_INCREMENT, NOT_RECONCILED = "energy_of_increment", "counts_not_reconciled"


@dataclass(frozen=True, slots=True)
class PileCounts:
    """A pile's increments laid over its strikes: the match, and when each increment was, by the stations' mean clock.

    `start_s` and `end_s` are seconds since 1970; NaN for an increment without a strike of a log without times.
    `struck_s` are the strikes of each increment.
    """

    pile_id: str
    match: CountMatch
    increments: tuple[DrivingIncrement, ...]
    start_s: FloatArray
    end_s: FloatArray
    struck_s: tuple[FloatArray, ...]

    @property
    def timed(self) -> bool:
        """Whether the log has times, so that its clock's offset was found."""
        return bool(np.isfinite(self.match.offset_s))


def with_increment_energies(
    strikes: pd.DataFrame, campaign: Campaign, late_s: Mapping[str, float]
) -> tuple[pd.DataFrame, list[PileCounts]]:
    """Strikes without an energy get their increment's mean energy and the flag `energy_of_increment`.

    Where counts and strikes cannot be reconciled these stay null, with the flag `counts_not_reconciled`. `strikes` are
    rows of `strikes`; `late_s` is what each station's clock was found to be late against the mean.
    """
    if not campaign.driving_log:
        return strikes, []
    left_us = emission_us(strikes, campaign, late_s)
    energy = strikes["energy_kj"].to_numpy(dtype=np.float64).copy()
    flags = [list(found) for found in strikes["flags"]]
    lacking = np.isnan(energy)
    found = []
    for pile_id in dict.fromkeys(increment.pile_id for increment in campaign.driving_log):
        rows = np.flatnonzero((strikes["pile_id"] == pile_id).to_numpy(dtype=bool) & _are_strikes(strikes))
        counts = _laid_over(pile_id, left_us[rows], strikes["strike_id"].to_numpy(dtype=object)[rows], campaign)
        if counts is None:
            continue
        found.append(counts[0])
        numbers, reconciled = counts[1], counts[0].match.reconciled
        for i, number in zip(rows.tolist(), numbers.tolist(), strict=True):
            mean = counts[0].increments[number].mean_energy_kj if number >= 0 else None
            if lacking[i] and not reconciled:
                flags[i] = sorted({*flags[i], NOT_RECONCILED})
            elif lacking[i] and mean is not None:
                energy[i] = mean
                flags[i] = sorted({*flags[i], OF_INCREMENT})
    return strikes.assign(energy_kj=energy, flags=pd.Series(flags, index=strikes.index, dtype=object)), found


def _are_strikes(strikes: pd.DataFrame) -> NDArray[np.bool_]:
    """Rows that nothing says are no strikes."""
    return np.array([not NOT_STRIKES.intersection(flags) for flags in strikes["flags"]], dtype=bool)


def _laid_over(
    pile_id: str, left_us: FloatArray, strike_id: NDArray[np.object_], campaign: Campaign
) -> tuple[PileCounts, NDArray[np.intp]] | None:
    """One pile's increments over its strikes, and the increment of each row; None where nothing was heard."""
    ids, first, of_row = np.unique(strike_id.astype(str), return_index=True, return_inverse=True)
    if not len(ids):
        return None
    order = np.argsort(left_us[first], kind="stable")
    time_s = left_us[first][order] / 1e6
    increments = tuple(i for i in campaign.driving_log if i.pile_id == pile_id)
    match = match_counts(time_s, increments)
    numbers = np.empty(len(ids), dtype=np.intp)
    numbers[order] = match.increment
    start_s, end_s = (np.full(len(increments), np.nan) for _ in range(2))
    offset_s = match.offset_s if match.reconciled else 0.0
    for j, increment in enumerate(increments):
        struck = time_s[match.increment == j]
        if increment.start_utc is not None and increment.end_utc is not None:
            start_s[j], end_s[j] = (m.timestamp() - offset_s for m in (increment.start_utc, increment.end_utc))
        elif struck.size and match.reconciled:
            start_s[j], end_s[j] = struck[0], struck[-1]
    struck_s = tuple(time_s[match.increment == j] for j in range(len(increments)))
    return PileCounts(pile_id, match, increments, start_s, end_s, struck_s), numbers[of_row]


def not_reconciled(counts: Sequence[PileCounts]) -> list[str]:
    """What is to be said of piles whose counts do not fit the strikes."""
    return [
        f"pile {found.pile_id}: the increments of its driving log hold {found.match.n_logged} blows; with the strikes "
        f"heard ({found.match.n_heard}) they differ by {found.match.mismatch:.0%}; levels are used without energies"
        for found in counts
        if not found.match.reconciled
    ]


def counted_log(campaign: Campaign, log: HammerLog | None, counts: list[PileCounts]) -> HammerLog | None:
    """The hammer log with the blows of counts added, for piles of which single ones were not logged.

    By the stations' mean clock. The blows of an increment lie where its strikes were heard, if their number differs by
    a tenth at most; else they are spread evenly over its time: as logged, where that is not known between its
    neighbours, and at last over the time in which the pile was struck.
    """
    single = set(log.pile_id.tolist()) if log is not None else set()
    known = {found.pile_id: found for found in counts}
    pile_ids: list[str] = []
    times: list[FloatArray] = []
    for pile_id in dict.fromkeys(i.pile_id for i in campaign.driving_log if i.pile_id not in single):
        increments = [i for i in campaign.driving_log if i.pile_id == pile_id]
        start_s, end_s = _whole(known.get(pile_id), increments, campaign)
        for j, increment in enumerate(increments):
            struck_s = (
                known[pile_id].struck_s[j] if pile_id in known and known[pile_id].match.reconciled else np.zeros(0)
            )
            times.append(_spread(increment.n_blows, struck_s, start_s[j], end_s[j]))
            pile_ids += [pile_id] * increment.n_blows
    if not pile_ids:
        return log
    at = np.round(np.concatenate(times) * 1e6).astype(np.int64).astype("datetime64[us]")
    nothing = np.full(len(at), np.nan)
    added = HammerLog(np.array(pile_ids), np.zeros(len(at), dtype=np.int32), at, nothing, nothing)
    if log is None:
        return added
    names = ("pile_id", "blow_number", "time_utc", "energy_kj", "penetration_m")
    return HammerLog(*(np.concatenate([getattr(log, name), getattr(added, name)]) for name in names))


def _spread(n_blows: int, struck_s: FloatArray, start_s: float, end_s: float) -> FloatArray:
    """Times of an increment's blows: of its strikes where these are about as many, else evenly over it."""
    if struck_s.size and abs(struck_s.size - n_blows) <= max(1.0, LARGEST_MISMATCH * n_blows):
        place = np.linspace(0.0, struck_s.size - 1.0, n_blows)
        return np.asarray(np.interp(place, np.arange(struck_s.size), struck_s), dtype=np.float64)
    return np.asarray(start_s + (end_s - start_s) * (np.arange(n_blows) + 0.5) / max(n_blows, 1), dtype=np.float64)


def _whole(
    known: PileCounts | None, increments: list[DrivingIncrement], campaign: Campaign
) -> tuple[FloatArray, FloatArray]:
    """Start and end of each increment, what is not known filled from its neighbours or the pile's time."""
    pile_id = increments[0].pile_id
    if known is not None:
        start_s, end_s = known.start_s.copy(), known.end_s.copy()
    else:
        times = [(i.start_utc, i.end_utc) for i in increments]
        pairs = [(np.nan, np.nan) if a is None or b is None else (a.timestamp(), b.timestamp()) for a, b in times]
        start_s, end_s = (np.array(values) for values in zip(*pairs, strict=True))
    periods = impact_periods(campaign, pile_id)
    pile = campaign.pile(pile_id)
    first = periods[0].start_us / 1e6 if periods else pile.start_utc.timestamp()
    last = max(p.end_us for p in periods) / 1e6 if periods else pile.end_utc.timestamp()
    if np.isnan(start_s).all():
        edges = np.linspace(first, last, len(increments) + 1)
        return edges[:-1], edges[1:]
    for j in np.flatnonzero(np.isnan(start_s)).tolist():
        before = end_s[:j][np.isfinite(end_s[:j])]
        after = start_s[j:][np.isfinite(start_s[j:])]
        start_s[j] = before[-1] if before.size else after[0]
        end_s[j] = after[0] if after.size else before[-1]
    return start_s, end_s
