"""Sound field verification of single piles: what permits usually ask for, from tables that are there already.

Levels are as recorded, at the energies as struck: nothing is brought to a predicted energy here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.campaign.station_periods import period_at
from reconcile.campaign.times import epoch_us
from reconcile.comparison.limits import ONE_SIDED_95
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.tables import RECORD

STATISTICS = ("median", "mean", "energy_mean", "minimum", "maximum", "exceeded_5", "exceeded_95")
_OF_SUMS = {"measured": "measured_db", "upper": "upper_db", "completed": "completed_db"}
_SUM_OF_DAY = "piles_summed"
_KEY = ["pile_id", "station_id", "abatement", "quantity", "weighting", "band_hz", "statistic"]

Row = dict[str, object]


@dataclass(frozen=True, slots=True)
class RecordSource:
    """The tables of a results folder that the record is made from; `comparison` is None without predictions."""

    campaign: Campaign
    summary: pd.DataFrame
    exposure: pd.DataFrame
    uncertainty: pd.DataFrame
    comparison: pd.DataFrame | None


def record_rows(source: RecordSource) -> pd.DataFrame:
    """The table `record`: levels by station, then sums, pile by pile, each beside its prediction where it has one."""
    shared = _shared_uncertainty(source)
    rows = [*_level_rows(source, shared), *_sum_rows(source, shared)]
    table = pd.DataFrame(rows, columns=[name for name in RECORD.column_names if name not in _PREDICTED])
    return _with_predictions(table, source)[list(RECORD.column_names)]


_PREDICTED = ("prediction_id", "predicted_db", "measured_less_predicted_db", "outcome")


def outcome(excess: float, uncertainty: float) -> str | None:
    """What a measured level less a predicted one says: beyond, within_uncertainty or not_beyond; None if not known."""
    if math.isnan(excess):
        return None
    if excess <= 0:
        return "not_beyond"
    return (
        "beyond" if excess > ONE_SIDED_95 * (0.0 if math.isnan(uncertainty) else uncertainty) else "within_uncertainty"
    )


def _shared_uncertainty(source: RecordSource) -> dict[tuple[str, str], float]:
    """What does not average out over strikes, by pile and station: chain and campaign."""
    table = source.uncertainty
    own = table[table["counted"].astype(bool) & (table["common_to"] != "strike")]
    squares: dict[tuple[str, str, str], float] = {}
    for row in own.to_dict("records"):
        key = (str(row["pile_id"]), str(row["station_id"]), str(row["abatement"]))
        squares[key] = squares.get(key, 0.0) + float(row["standard_uncertainty_db"]) ** 2
    return {key[:2]: math.sqrt(value) for key, value in squares.items()}


def _heard(source: RecordSource, pile_id: str, station_id: str) -> Row:
    """Where the hydrophone was in the middle of a pile's time."""
    pile = source.campaign.pile(pile_id)
    period = period_at(source.campaign, station_id, (epoch_us(pile.start_utc) + epoch_us(pile.end_utc)) // 2)
    depth = period.hydrophone_depth_m
    return {
        "pile_id": pile_id,
        "station_id": station_id,
        "mooring_id": period.mooring_id,
        "hydrophone_depth_m": math.nan if depth is None else depth,
    }


def _level_rows(source: RecordSource, shared: dict[tuple[str, str], float]) -> Iterator[Row]:
    recorded = _recorded_fractions(source.exposure)
    heard: dict[tuple[str, str], Row] = {}
    for row in source.summary.to_dict("records"):
        key = (str(row["pile_id"]), str(row["station_id"]))
        if key not in heard:
            heard[key] = _heard(source, *key)
        for statistic in STATISTICS:
            yield {
                **heard[key],
                "range_m": row["range_m"],
                "quantity": row["quantity"],
                "statistic": statistic,
                "value_db": row[f"{statistic}_db"],
                "uncertainty_db": _uncertainty_db(dict(row), statistic, shared.get(key, math.nan)),
                "n": row["n_strikes"],
                "recorded_fraction": recorded.get((*key, str(row["installation_method"])), math.nan),
                "weighting": row["weighting"],
                "band_hz": row["band_hz"],
                "installation_method": row["installation_method"],
                "abatement": row["abatement"],
                "n_censored": row["n_censored"],
            }


def _uncertainty_db(row: dict[object, object], statistic: str, shared_db: float) -> float:
    """Of a statistic: chain and common parts, and what the strikes that happen to be in it leave open.

    Of the mean it is the summary's own. Of median and level exceeded by 5 % the interval of the summary tells; of the
    other quantiles nothing does, and the smallest and the loudest strike are what they are.
    """
    if math.isnan(float(row[f"{statistic}_db"])):  # type: ignore[arg-type]
        return math.nan
    if statistic in ("mean", "energy_mean"):
        return float(row["standard_uncertainty_db"])  # type: ignore[arg-type]
    low, high = (float(row.get(f"{statistic}_{end}_db", math.nan)) for end in ("lower", "upper"))  # type: ignore[arg-type]
    sampling = 0.0 if math.isnan(high - low) else (high - low) / (2.0 * 1.96)
    return math.hypot(shared_db, sampling)


def _recorded_fractions(exposure: pd.DataFrame) -> dict[tuple[str, str, str], float]:
    """By pile, station and method: of strikes and of seconds they are shares of different things."""
    own = exposure[(exposure["period"] == "pile") & (exposure["weighting"] == "none")]
    keys = zip(*(own[name].astype(str) for name in ("pile_id", "station_id", "installation_method")), strict=True)
    return dict(zip(keys, own["recorded_fraction"].tolist(), strict=True))


def _sum_rows(source: RecordSource, shared: dict[tuple[str, str], float]) -> Iterator[Row]:
    """Cumulative exposure over the whole pile, all its states together."""
    ranges = source.summary.groupby(["pile_id", "station_id"])["range_m"].median().to_dict()
    for row in source.exposure[source.exposure["period"] == "pile"].to_dict("records"):
        key = (str(row["pile_id"]), str(row["station_id"]))
        for statistic, column in _OF_SUMS.items():
            yield {
                **_heard(source, *key),
                "range_m": ranges.get(key, math.nan),
                "quantity": "cumulative_exposure_level",
                "statistic": statistic,
                "value_db": row[column],
                "uncertainty_db": shared.get(key, math.nan),
                "n": row["n_strikes"],
                "recorded_fraction": row["recorded_fraction"],
                "weighting": row["weighting"],
                "band_hz": math.nan,
                "installation_method": row["installation_method"],
                "abatement": None,
                "n_censored": None,
            }


def _with_predictions(table: pd.DataFrame, source: RecordSource) -> pd.DataFrame:
    """Each counted pair beside the statistic that was predicted; of sums, beside what was completed."""
    empty = {"prediction_id": None, "predicted_db": np.nan}
    if source.comparison is None or source.comparison.empty:
        found = table.assign(**empty)
    else:
        pairs = source.comparison[source.comparison["counted"].astype(bool)]
        of_day = [_SUM_OF_DAY in flags for flags in pairs["flags"]]  # no one pile's level
        pairs = pairs[~np.array(of_day, dtype=bool)].copy()
        sums = pairs["quantity"] == "cumulative_exposure_level"
        pairs["statistic"] = pairs["statistic"].fillna("median").mask(sums, "completed")
        pairs["abatement"] = pairs["abatement"].mask(sums, None)
        once = pairs[[*_KEY, "prediction_id", "predicted_db"]].drop_duplicates(_KEY)
        found = table.merge(once, on=_KEY, how="left")
    excess = found["value_db"] - found["predicted_db"]
    said = [outcome(float(e), float(u)) for e, u in zip(excess, found["uncertainty_db"], strict=True)]
    return found.assign(measured_less_predicted_db=excess, outcome=pd.Series(said, dtype=object, index=found.index))


def beyond_predicted(record: pd.DataFrame, distances: pd.DataFrame) -> list[str]:
    """One line for each pile of which something was measured beyond what was predicted, uncertainty and all."""
    lines = []
    for pile_id in dict.fromkeys([*record["pile_id"], *distances["pile_id"]]):
        levels, lengths = (
            table[(table["pile_id"] == pile_id) & (table["outcome"] == "beyond")] for table in (record, distances)
        )
        if len(levels) or len(lengths):
            places = f" at {levels['mooring_id'].nunique()} places" if len(levels) else ""
            lines.append(
                f"{pile_id}: measured beyond predicted in {len(levels)} levels{places} and {len(lengths)} distances "
                "(not independent tests; the campaign's finding is in the report)"
            )
    return lines
