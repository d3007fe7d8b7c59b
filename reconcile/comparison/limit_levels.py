"""The measured side of a limit: what each criterion is to be held against, with bounds where strikes are censored.

Levels are as recorded: never brought to another strike energy, never a fitted mean. Only a receptor that flees, whom no
hydrophone follows, is computed from a fit.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reconcile.campaign.station_periods import chain_uncertainty_db
from reconcile.comparison.fleeing import fleeing_levels
from reconcile.comparison.level_bounds import Bounds, MeasuredLevel, not_measured, sampling_error_db, statistic_bounds
from reconcile.spreading.strike_levels import LevelKey, Levels, read_levels, usable_strikes
from reconcile.vocabulary.criteria import Criterion
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.quantities import level_db, ratio
from reconcile.vocabulary.tables import Stage
from reconcile.vocabulary.weightings import WEIGHTINGS, peak_frequency_hz

Record = dict[Hashable, Any]  # a row of a frame
NEAR = 0.1  # part of the limit's distance by which a hydrophone may miss it
SLOPE_UNCERTAINTY_DB_PER_DECADE = 5.0 / math.sqrt(3.0)  # true slopes lie within 5 dB of the stated one: rectangular


@dataclass(frozen=True, slots=True)
class LevelSource:
    """The tables that measured levels are taken from; `strikes` are those that no flag takes out of comparisons."""

    campaign: Campaign
    strikes: pd.DataFrame
    exposure: pd.DataFrame
    summary: pd.DataFrame
    fitted: FitDocument | None

    @classmethod
    def of(
        cls,
        strikes: pd.DataFrame,
        exposure: pd.DataFrame,
        summary: pd.DataFrame,
        fitted: FitDocument | None,
        campaign: Campaign,
    ) -> LevelSource:
        """From the tables of a results folder."""
        usable = usable_strikes(strikes, pd.DataFrame(), campaign, Stage.COMPARISON)
        return cls(campaign, usable, exposure, summary, fitted)

    def range_uncertainty_m(self, pile_id: str | None, station_id: str) -> float:
        """Standard uncertainty of the distance from a pile to a station; NaN where none is known."""
        known = [r for r in self.campaign.ranges if (r.pile_id, r.station_id) == (pile_id, station_id)]
        stated = known[0].standard_uncertainty_m if known else None
        return math.nan if stated is None else stated


def measured_levels(criterion: Criterion, source: LevelSource) -> Iterator[MeasuredLevel]:
    """All levels that a criterion is held against; one that says why where there is none."""
    found = list(_levels(criterion, source))
    yield from found or [not_measured("no such sound was measured")]


def _levels(criterion: Criterion, source: LevelSource) -> Iterator[MeasuredLevel]:
    if criterion.fleeing:
        yield from fleeing_levels(criterion, source.strikes, source.fitted, source.campaign)
    elif criterion.quantity == "cumulative_exposure_level":
        yield from _sums(criterion, source)
    else:
        if criterion.source_type != "non_impulsive":
            yield from _of_strikes(criterion, source)
        if criterion.source_type != "impulsive" and criterion.quantity == "rms_level":
            yield from _of_seconds(criterion, source)


def _strike_levels(criterion: Criterion, source: LevelSource) -> Levels | None:
    if criterion.quantity != "max_125ms_level":
        below = source.campaign.settings.censor_below_snr_db
        return read_levels(source.strikes, LevelKey(criterion.quantity, criterion.weighting), below)
    if criterion.weighting != "none":
        return None
    level = source.strikes["max_125ms_level_db"].to_numpy(np.float64)
    clipped = (source.strikes["exposure_censoring"] == "at_least").to_numpy(bool)
    return Levels(level, level, np.where(clipped, np.inf, level))


def _of_strikes(criterion: Criterion, source: LevelSource) -> Iterator[MeasuredLevel]:
    """A statistic of each pile's strikes at each station, or within a tenth of the limit's distance."""
    levels = _strike_levels(criterion, source)
    if levels is None:
        yield not_measured("this level (quantity and weighting) is not measured of single strikes")
        return
    strikes = source.strikes
    known = ~np.isnan(levels.lowest_db)
    ranges = strikes["range_m"].to_numpy(np.float64)
    near = known if criterion.range_m is None else known & (np.abs(ranges / criterion.range_m - 1.0) <= NEAR)
    for pile_id, own in strikes[known].groupby("pile_id"):
        at_distance = own[near[own.index]]
        if at_distance.empty:
            yield _none_near(criterion, str(pile_id))
        for station_id, group in at_distance.groupby("station_id"):
            yield _of_group(criterion, source, levels, group, (str(pile_id), str(station_id)))


def _of_group(
    criterion: Criterion, source: LevelSource, levels: Levels, group: pd.DataFrame, key: tuple[str, str]
) -> MeasuredLevel:
    rows = group.index.to_numpy(np.intp)
    lowest, highest = levels.lowest_db[rows], levels.highest_db[rows]
    ranges = group["range_m"].to_numpy(np.float64)
    shift = np.zeros(rows.size)
    if criterion.range_m is not None:
        shift = criterion.slope_db_per_decade * np.log10(ranges / criterion.range_m)
    name = criterion.statistic or "maximum"
    naive = group["time_utc"].dt.tz_convert("UTC").dt.tz_localize(None)
    time_us = naive.to_numpy(dtype="datetime64[us]").astype(np.int64)
    parts = (
        chain_uncertainty_db(source.campaign, key[1], time_us),
        source.campaign.common_uncertainty_db,
        sampling_error_db(name, highest[np.isfinite(highest)]),
        *_of_distance(criterion, float(np.median(ranges)), float(group["range_standard_uncertainty_m"].median())),
    )
    return MeasuredLevel(
        pile_id=key[0],
        station_id=key[1],
        start_utc=group["time_utc"].iloc[0],
        end_utc=group["time_utc"].iloc[-1],
        range_m=float(np.median(ranges)),
        n_strikes=rows.size,
        statistic=name,
        recorded=statistic_bounds(name, lowest, highest),
        brought=statistic_bounds(name, lowest + shift, highest + shift),
        uncertainty_db=math.sqrt(sum(part**2 for part in parts)),
        recorded_fraction=_recorded_fraction(source.exposure, *key),
    )


def _of_distance(criterion: Criterion, range_m: float, standard_uncertainty_m: float) -> tuple[float, ...]:
    """What bringing a level to the limit's distance adds to its uncertainty: slope, and the distance itself."""
    if criterion.range_m is None:
        return ()
    of_slope = SLOPE_UNCERTAINTY_DB_PER_DECADE * abs(math.log10(range_m / criterion.range_m))
    relative = 0.0 if math.isnan(standard_uncertainty_m) else standard_uncertainty_m / range_m
    return of_slope, criterion.slope_db_per_decade / math.log(10.0) * relative


def _is_near(criterion: Criterion, range_m: float) -> bool:
    """Whether a distance is near enough to that of a limit that has one."""
    return criterion.range_m is None or abs(range_m / criterion.range_m - 1.0) <= NEAR


def _moved_db(criterion: Criterion, range_m: float) -> float:
    """What brings a level to the limit's distance."""
    return 0.0 if criterion.range_m is None else criterion.slope_db_per_decade * math.log10(range_m / criterion.range_m)


def _none_near(criterion: Criterion, pile_id: str | None) -> MeasuredLevel:
    return not_measured(f"no hydrophone within {100 * NEAR:g} % of {criterion.range_m:g} m", pile_id=pile_id)


def _recorded_fraction(exposure: pd.DataFrame, pile_id: str, station_id: str) -> float:
    own = (exposure["pile_id"] == pile_id) & (exposure["station_id"] == station_id)
    rows = exposure[own & (exposure["period"] == "pile") & (exposure["weighting"] == "none")]
    return float(rows["recorded_fraction"].iloc[0]) if len(rows) else float("nan")


def _of_seconds(criterion: Criterion, source: LevelSource) -> Iterator[MeasuredLevel]:
    """Piles that are not struck: the statistic over their seconds that the summary holds."""
    name = criterion.statistic or "maximum"
    table = source.summary
    rows = table[
        (table["quantity"] == criterion.quantity)
        & (table["weighting"] == criterion.weighting)
        & table["band_hz"].isna()
        & (table["installation_method"] != "impact")
    ]
    near = rows["range_m"].map(lambda range_m: _is_near(criterion, range_m)).astype(bool)
    for pile_id in dict.fromkeys(rows["pile_id"]):
        if not near[rows["pile_id"] == pile_id].any():
            yield _none_near(criterion, pile_id)
    for row in rows[near].to_dict("records"):
        recorded, range_m = float(row[f"{name}_db"]), float(row["range_m"])
        pile = source.campaign.pile(row["pile_id"])
        doubt = _of_distance(criterion, range_m, source.range_uncertainty_m(pile.pile_id, row["station_id"]))
        yield MeasuredLevel(
            pile_id=pile.pile_id,
            station_id=row["station_id"],
            start_utc=pd.Timestamp(pile.start_utc),
            end_utc=pd.Timestamp(pile.end_utc),
            range_m=range_m,
            n_strikes=int(row["n_strikes"]),
            statistic=name,
            recorded=Bounds.known(recorded),
            brought=Bounds.known(recorded + _moved_db(criterion, range_m)),
            uncertainty_db=math.hypot(float(row["standard_uncertainty_db"]), *doubt),
            reason="censored seconds could move the statistic" if math.isnan(recorded) else "",
        )


def _sums(criterion: Criterion, source: LevelSource) -> Iterator[MeasuredLevel]:
    """Cumulative exposure of each period at each station."""
    if criterion.range_m is not None and criterion.period != "pile":
        yield not_measured("a sum over several piles has no one distance: state period = 'pile'")
        return
    table = source.exposure
    rows = table[(table["weighting"] == criterion.weighting) & (table["period"] == criterion.period)]
    if criterion.source_type != "any":
        rows = rows[(rows["installation_method"] == "impact") == (criterion.source_type == "impulsive")]
    if criterion.weighting not in set(table["weighting"]):
        yield not_measured(f"levels weighted by {criterion.weighting} were not computed: run the levels stage again")
    for row in rows.to_dict("records"):
        pile_id = None if pd.isna(row["pile_id"]) else str(row["pile_id"])
        range_m = source.campaign.range_m(pile_id, row["station_id"]) if pile_id is not None else None
        if criterion.range_m is not None and (range_m is None or not _is_near(criterion, range_m)):
            continue
        known_m = math.nan if range_m is None else range_m
        doubt = _of_distance(criterion, known_m, source.range_uncertainty_m(pile_id, row["station_id"]))
        middle = row["start_utc"] + (row["end_utc"] - row["start_utc"]) / 2
        time_us = np.array([middle.value // 1000])
        chain = chain_uncertainty_db(source.campaign, row["station_id"], time_us)
        yield MeasuredLevel(
            pile_id=pile_id,
            station_id=row["station_id"],
            start_utc=row["start_utc"],
            end_utc=row["end_utc"],
            range_m=known_m,
            n_strikes=int(row["n_strikes"]),
            statistic=None,
            recorded=_sum_bounds(row, 0.0),
            brought=_sum_bounds(row, _hidden(row)).moved(_moved_db(criterion, known_m)),
            uncertainty_db=math.hypot(chain, source.campaign.common_uncertainty_db, *doubt),
            recorded_fraction=float(row["recorded_fraction"]),
            note=_band_note(criterion.weighting, source.summary, row["station_id"]),
        )


def _band_note(weighting: str, summary: pd.DataFrame, station_id: str) -> str:
    """What a weighted level lacks where the recorded band ends below the weighting's best hearing."""
    highest_hz = float(summary.loc[summary["station_id"] == station_id, "band_hz"].max())
    if weighting not in WEIGHTINGS or math.isnan(highest_hz):
        return ""
    peak_hz = peak_frequency_hz(WEIGHTINGS[weighting])
    if highest_hz >= peak_hz:
        return ""
    return (
        f"recorded to the {highest_hz:g} Hz band only, where the weighting is greatest at {peak_hz:.0f} Hz: "
        "what lies above is not in the level"
    )


def _hidden(row: Record) -> float:
    """The energy (as a ratio) that gaps hid by the estimate of `completed_db`."""
    completed, measured = float(row["completed_db"]), float(row["measured_db"])
    return 0.0 if math.isnan(completed) else float(ratio(completed) - ratio(measured))


def _sum_bounds(row: Record, hidden: float) -> Bounds:
    """Bounds of a sum: without strikes of which only a limit is known, and with these limits.

    There is no upper bound where a strike was clipped, or where gaps hid strikes and nothing says how loud they were.
    """
    lowest, highest = (float(level_db(ratio(float(row[name])) + hidden)) for name in ("measured_db", "upper_db"))
    unknown = math.isnan(float(row["completed_db"])) and float(row["recorded_fraction"]) < 1.0
    open_above = row["censoring"] == "at_least" or unknown or math.isnan(highest)
    return Bounds(-math.inf if math.isnan(lowest) else lowest, math.inf if open_above else highest)
