"""Activity and phase of each strike: as stated, else recognised from the energies, or from the levels without them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import ActivityPeriod, impact_periods
from reconcile.strikes.emission import emission_us
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray, ratio

MARGIN_S = 30.0  # around stated times, as for piles
BOUNDARY_S = 5.0  # from a change of method or abatement: more than clocks are usually off, so that either may have held
# Common practice, no source:
PAUSE_S = 3600.0
TEST_BLOW_APART_S = 30.0
SOUGHT_WITHIN_S = 3600.0  # of the first strike a soft start is over
LEAST_RISE_DB = 1.0  # from the first strikes to full energy (20 %)
LARGEST_SHARE = 2.0 / 3.0  # of the strikes of that hour; the least share of the whole rise
STEADY_DB = 0.5  # logged energies scatter less from strike to strike; levels more
_FIRST, _FEW = 5, 3
Flags = NDArray[np.bool_]


def with_phases(strikes: pd.DataFrame, campaign: Campaign, late_s: Mapping[str, float]) -> pd.DataFrame:
    """`strikes` with `activity_id` and `phase` filled, one for all rows of a strike, and flags of doubtful activities.

    An activity holds the strikes whose sound left the pile within it, else within 30 s of it. `late_s`: what each
    station's clock was found to be late against the mean of the stations, s.
    """
    left_us = emission_us(strikes, campaign, late_s)
    activity = np.full(len(strikes), None, dtype=object)
    phase = np.full(len(strikes), None, dtype=object)
    flags = [list(found) for found in strikes["flags"]]
    level_db = _nearest_levels(strikes)
    for pile_id, rows in strikes.groupby("pile_id").indices.items():
        first = np.unique(strikes["strike_id"].to_numpy(dtype=object)[rows].astype(str), return_index=True)[1]
        ids = strikes["strike_id"].to_numpy(dtype=object)[rows].astype(str)
        order = first[np.argsort(left_us[rows][first], kind="stable")]
        of_row = np.asarray(pd.Index(ids[order]).get_indexer(pd.Index(ids)), dtype=np.intp)
        time_s = left_us[rows][order] / 1e6
        energy_db = _energies_db(strikes["energy_kj"].to_numpy(dtype=np.float64)[rows], of_row, len(order))
        found = phases(time_s, energy_db, level_db.reindex(ids[order]).to_numpy(dtype=np.float64))
        periods = impact_periods(campaign, str(pile_id))
        holding, doubtful = _holding(time_s * 1e6, periods)
        stated = [periods[k].phase if k >= 0 else None for k in holding]
        named = [periods[k].activity_id if k >= 0 else None for k in holding]
        given = any(period.activity_id is not None for period in periods)
        for i, k in zip(rows, of_row, strict=True):
            activity[i], phase[i] = named[k], stated[k] or str(found[k])
            added = {"outside_activities"} if given and named[k] is None else set()
            added |= {"activity_boundary"} if doubtful[k] else set()
            flags[i] = sorted({*flags[i], *added})
    return strikes.assign(activity_id=activity, phase=phase, flags=pd.Series(flags, index=strikes.index, dtype=object))


def _energies_db(energy_kj: FloatArray, of_row: NDArray[np.intp], n: int) -> FloatArray:
    """10 lg of each strike's energy, NaN where no row has one."""
    found = np.full(n, np.nan)
    known = np.isfinite(energy_kj) & (energy_kj > 0)
    found[of_row[known]] = 10.0 * np.log10(energy_kj[known])
    return found


def _nearest_levels(strikes: pd.DataFrame) -> pd.Series:
    """By strike: the exposure level at the station nearest to its pile, where it is known."""
    level = strikes["exposure_level_db"].where(strikes["exposure_censoring"] != "at_most")
    median_m = strikes.groupby(["pile_id", "station_id"])["range_m"].transform("median").fillna(np.inf)
    nearest = median_m.to_numpy() == median_m.groupby(strikes["pile_id"]).transform("min").to_numpy()
    by_strike: pd.Series = level[nearest].groupby(strikes["strike_id"][nearest]).mean()
    return by_strike


def _holding(time_us: FloatArray, periods: tuple[ActivityPeriod, ...]) -> tuple[NDArray[np.intp], Flags]:
    """The period of each strike (-1: none), and whether one of another method or abatement is as likely."""
    holding, outside = np.full(len(time_us), -1, dtype=np.intp), np.full(len(time_us), np.inf)
    near: list[tuple[FloatArray, ActivityPeriod]] = []
    for k, period in enumerate(periods):
        beyond = np.maximum(np.maximum(period.start_us - time_us, time_us - period.end_us), 0.0) / 1e6
        reach = 0.0 if period.rest else MARGIN_S
        closer = (beyond <= reach) & (beyond < outside) & ((holding < 0) | (not period.rest))
        holding[closer], outside[closer] = k, beyond[closer]
        near.append((beyond, period))
    doubtful = np.zeros(len(time_us), dtype=bool)
    for beyond, period in near:
        if period.rest:
            continue
        state = (period.installation_method, period.abatement)
        unlike = np.array([k >= 0 and (periods[k].installation_method, periods[k].abatement) != state for k in holding])
        doubtful |= unlike & (beyond <= BOUNDARY_S)
    return holding, doubtful


def phases(time_s: FloatArray, energy_db: FloatArray, level_db: FloatArray) -> NDArray[np.object_]:
    """The phase of each strike of a pile, in order of time.

    `test_blow`: single blows at the beginning, more than 30 s before what follows. `restrike`: all after a pause of
    more than an hour in the driving. `soft_start`: the first strikes up to where the energy stops rising
    (`soft_start_end`); `full_drive` the rest; `other` where neither energies nor levels of half the strikes are known.
    `energy_db` is 10 lg of the energies, used where half of the strikes have one; else `level_db`, those at a station.
    """
    n = len(time_s)
    if n == 0:
        return np.zeros(0, dtype=object)
    found = np.full(n, "full_drive", dtype=object)
    lone = np.append(np.diff(time_s) > TEST_BLOW_APART_S, False)
    begins = int(np.argmin(lone))
    if begins < n - 1:
        found[:begins] = "test_blow"
    else:
        begins = 0
    pauses = np.flatnonzero(np.diff(time_s[begins:]) > PAUSE_S) + begins + 1
    ends = int(pauses[0]) if pauses.size else n
    found[ends:] = "restrike"
    drive = slice(begins, ends)
    strength = next((x[drive] for x in (energy_db, level_db) if np.mean(np.isfinite(x[drive])) >= 0.5), None)
    if strength is None:
        found[drive] = "other"
    else:
        found[begins : begins + soft_start_end(time_s[drive], strength)] = "soft_start"
    return found


def soft_start_end(time_s: FloatArray, strength_db: FloatArray) -> int:
    """Number of strikes of the soft start with which a drive begins; 0 where there is none.

    Of the first hour two straight lines (energy against the number of the strike; decibels where they scatter by half a
    decibel or more) are fitted, one before and one from a break on; the break with the least squares ends the soft
    start. It is one where it holds at most two thirds of the strikes of that hour, where the first strikes lie 1 dB and
    twice the scatter of single strikes or more below those after the break, and where that is two thirds of the whole
    rise in that hour. `strength_db`: energies or levels in dB.
    """
    known = np.flatnonzero(np.isfinite(strength_db) & (time_s <= time_s[0] + SOUGHT_WITHIN_S))
    n = len(known)
    if n < 2 * _FEW:
        return 0
    value = strength_db[known]
    scatter = float(np.median(np.abs(np.diff(value)))) * 1.48 / np.sqrt(2.0)
    drawn = ratio(value - np.median(value)) if scatter < STEADY_DB else value
    cuts = np.arange(_FEW, n - _FEW + 1)
    misfit = _line_misfit(drawn)[cuts] + _line_misfit(drawn[::-1])[n - cuts]
    cut = int(cuts[np.argmin(misfit)])
    first = float(np.median(value[: min(_FIRST, cut)]))
    after = float(np.median(value[cut : cut + 4 * _FIRST]))
    last = float(np.median(value[-4 * _FIRST :]))
    least = max(LEAST_RISE_DB, 2.0 * scatter, LARGEST_SHARE * (last - first))
    if cut > LARGEST_SHARE * n or after - first < least:
        return 0
    return int(known[cut])


def _line_misfit(value: FloatArray) -> FloatArray:
    """Sum of squares about the straight line through the first k values, for k from 0 to all of them."""
    x = np.arange(len(value), dtype=np.float64)
    centred = value - value.mean()
    terms = (np.ones_like(x), x, centred, x * x, x * centred, centred**2)
    n, sx, sy, sxx, sxy, syy = (np.concatenate([[0.0], np.cumsum(term)]) for term in terms)
    with np.errstate(invalid="ignore", divide="ignore"):
        vxx, vxy, vyy = sxx - sx**2 / n, sxy - sx * sy / n, syy - sy**2 / n
        misfit = vyy - np.where(vxx > 0, vxy**2 / vxx, 0.0)
    return np.asarray(np.maximum(np.nan_to_num(misfit), 0.0), dtype=np.float64)
