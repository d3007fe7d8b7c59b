"""Tables of one pile's sound field verification, printed from what the record holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import MISSING, count, decibels, distance, distance_step_m, metres, percent, signed
from reconcile.report.tables.table import Body, Head, Record, Table, number, one_body, text, words
from reconcile.report.words import (
    abatement_words,
    sentence_case,
    short_quantity_words,
    statistic_words,
    unit_words,
)
from reconcile.vocabulary.documents.campaign import Pile

QUANTITIES = ("peak_level", "exposure_level", "rms_level")
OUTCOMES = {
    "beyond": "beyond the prediction",
    "within_uncertainty": "above it, within the uncertainty",
    "not_beyond": "not beyond it",
}
_OF_DISTANCES = OUTCOMES | {"within_uncertainty": "further, within the uncertainty"}
_SHOWN = (
    ("median", "Median"),
    ("mean", "Mean"),
    ("minimum", "Smallest"),
    ("maximum", "Largest"),
    ("exceeded_5", "Exceeded by 5 %"),
    ("exceeded_95", "Exceeded by 95 %"),
)
_SUMS = ("measured", "upper", "completed")
_SHOWN_DB = 0.05  # what a level rounded to a tenth shows


def own_rows(table: pd.DataFrame | None, pile: Pile) -> pd.DataFrame:
    """The rows of a pile; an empty frame where there is no such table."""
    return pd.DataFrame({"pile_id": []}) if table is None else table[table["pile_id"] == pile.pile_id]


def level_table(evidence: Evidence, pile: Pile) -> Table:
    """Peak, exposure and rms levels at each station: a body for each quantity and abatement."""
    head = (
        *text("Station"),
        Head("Depth", "m"),
        Head("Distance", "m"),
        Head("n"),
        *(Head(name, "dB") for _, name in _SHOWN),
        Head("Standard uncertainty of the median", "dB"),
    )
    rows = own_rows(evidence.record, pile)
    rows = rows[rows["band_hz"].isna() & (rows["weighting"] == "none")] if len(rows) else rows
    bodies = []
    for quantity in QUANTITIES:
        for abatement in dict.fromkeys(rows[rows["quantity"] == quantity]["abatement"]) if len(rows) else ():
            own = rows[(rows["quantity"] == quantity) & (rows["abatement"] == abatement)]
            title = f"{sentence_case(short_quantity_words(quantity))}, {unit_words(quantity)}"
            bodies.append(Body(tuple(_level_rows(evidence, own)), title, abatement_words(str(abatement))))
    return Table(head, tuple(bodies))


def _level_rows(evidence: Evidence, rows: pd.DataFrame) -> Iterator[tuple[str, ...]]:
    for station_id in _stations(evidence, rows):
        own = rows[rows["station_id"] == station_id]
        by_statistic = {str(r["statistic"]): r for r in own.to_dict("records")}
        first = by_statistic["median"]
        values = [decibels(number(by_statistic[name], "value_db")) for name, _ in _SHOWN]
        yield (
            *_where(first),
            count(number(first, "n")),
            *values,
            decibels(number(first, "uncertainty_db")),
        )


def _where(record: Record) -> tuple[str, str, str]:
    depth = number(record, "hydrophone_depth_m")
    return str(record["station_id"]), MISSING if depth is None else f"{depth:g}", metres(number(record, "range_m"))


def _stations(evidence: Evidence, rows: pd.DataFrame) -> list[str]:
    """The stations of some rows, from near to far."""
    ranges = rows.groupby("station_id")["range_m"].median()
    order = {name: i for i, name in enumerate(evidence.station_ids)}
    return sorted(ranges.index, key=lambda s: (pd.isna(ranges[s]), ranges[s], order.get(s, 0)))


def cumulative_table(evidence: Evidence, pile: Pile) -> Table:
    """Cumulative exposure over the pile: stations by weightings."""
    rows = own_rows(evidence.record, pile)
    rows = rows[rows["quantity"] == "cumulative_exposure_level"] if len(rows) else rows
    weightings = list(dict.fromkeys(rows["weighting"])) if len(rows) else []
    head = (
        *text("Station"),
        Head("Depth", "m"),
        Head("Distance", "m"),
        Head("n"),
        Head("Recorded share"),
        *(Head("unweighted" if w == "none" else w) for w in weightings),
        Head("Standard uncertainty", "dB"),
    )
    return one_body(head, list(_sum_rows(evidence, rows, weightings)) if weightings else [])


def _sum_rows(evidence: Evidence, rows: pd.DataFrame, weightings: Sequence[str]) -> Iterator[tuple[str, ...]]:
    for station_id in _stations(evidence, rows):
        own = rows[rows["station_id"] == station_id]
        found = {(str(r["weighting"]), str(r["statistic"])): r for r in own.to_dict("records")}
        first = next(iter(found.values()))
        yield (
            *_where(first),
            count(number(first, "n")),
            percent(number(first, "recorded_fraction")),
            *(_sum_words(found, weighting) for weighting in weightings),
            decibels(number(first, "uncertainty_db")),
        )


def _sum_words(found: Mapping[tuple[str, str], Record], weighting: str) -> str:
    """With what gaps hid; `90.2 to 95.0` where strikes hidden by the background could add so much."""
    if (weighting, "completed") not in found:
        return MISSING
    measured, upper, completed = (number(found[weighting, name], "value_db") for name in _SUMS)
    low = decibels(measured if completed is None else completed)
    high = decibels(upper)
    hidden = upper is not None and (measured is None or upper - measured >= _SHOWN_DB)
    return (f"{low} to {high}" if low != MISSING else f"≤ {high}") if hidden else low


def predicted_table(evidence: Evidence, pile: Pile) -> Table:
    """Levels beside their predictions: full band and weighted, those furthest beyond first."""
    head = (
        *text("Station"),
        Head("Distance", "m"),
        Head("Measured", "dB"),
        Head("Predicted", "dB"),
        Head("Measured less predicted", "dB"),
        Head("Standard uncertainty", "dB"),
        *text("Measured is"),
    )
    rows = own_rows(evidence.record, pile)
    if not len(rows):
        return Table(head, ())
    rows = rows[rows["predicted_db"].notna() & rows["band_hz"].isna() & rows["value_db"].notna()]
    rows = rows.sort_values("measured_less_predicted_db", ascending=False, kind="stable")
    return Table(head, tuple(_bodies(rows, ["quantity", "weighting", "statistic", "abatement"], _predicted_row)))


def _bodies(rows: pd.DataFrame, keys: list[str], fill: Callable[[Record], tuple[str, ...]]) -> Iterator[Body]:
    """A body for each level, in the order of the rows."""
    for _, own in rows.groupby(keys, sort=False, dropna=False):
        first = own.iloc[0].to_dict()
        title = sentence_case(short_quantity_words(str(first["quantity"]), str(first["weighting"])))
        whole = first["quantity"] == "cumulative_exposure_level"
        note = "whole pile" if whole else statistic_words(words(first, "statistic"))
        yield Body(
            tuple(fill(r) for r in own.to_dict("records")), f"{title}, {unit_words(str(first['quantity']))}", note
        )


def _predicted_row(record: Record) -> tuple[str, ...]:
    return (
        str(record["station_id"]),
        metres(number(record, "range_m")),
        decibels(number(record, "value_db")),
        decibels(number(record, "predicted_db")),
        signed(number(record, "measured_less_predicted_db")),
        decibels(number(record, "uncertainty_db")),
        OUTCOMES.get(str(record["outcome"]), MISSING),
    )


def distance_table(evidence: Evidence, pile: Pile) -> Table:
    """Predicted distances beside those of the pile, those beyond first."""
    head = (
        *text("Distance to"),
        Head("Predicted", "m"),
        *text("Of all bearings the"),
        Head("Measured", "m"),
        Head("95 % interval", "m"),
        *text("Measured is"),
    )
    rows = own_rows(evidence.pile_distances, pile)
    if not len(rows):
        return Table(head, ())
    order = rows["outcome"].map({name: i for i, name in enumerate(OUTCOMES)}).fillna(len(OUTCOMES))
    rows = rows.assign(order=order).sort_values("order", kind="stable")
    return Table(head, tuple(_bodies(rows, ["quantity", "weighting", "statistic", "abatement"], _distance_row)))


def _distance_row(record: Record) -> tuple[str, ...]:
    low, high = number(record, "lower_95_m"), number(record, "upper_95_m")
    step = distance_step_m(low, high)
    said = _OF_DISTANCES.get(str(record["outcome"]), words(record, "reason") or MISSING)
    extrapolated = "; extrapolated" if record["extrapolated"] is True else ""
    return (
        f"{decibels(number(record, 'threshold_db'))} dB",
        metres(number(record, "predicted_m")),
        {"mean": "mean", "r95": "95th percentile", "maximum": "largest"}.get(str(record["range_statistic"]), MISSING),
        distance(number(record, "measured_m"), step),
        f"{distance(low, step)} to {distance(high, step)}" if number(record, "measured_m") is not None else MISSING,
        f"{said}{extrapolated}",
    )


def limit_rows(evidence: Evidence, pile: Pile) -> Table:
    """Limits and thresholds of this pile: what can be said of each, limits first, the least margin first."""
    head = (
        *text("Set", "Subject", "Level", "Station"),
        Head("Compared", "dB"),
        Head("Level of the criterion", "dB"),
        Head("Margin with uncertainty (95 %)", "dB"),
        Head("What can be said", numeric=False, wide=True),
    )
    rows = own_rows(evidence.limits, pile)
    if not len(rows):
        return Table(head, ())
    rows = rows[rows["outcome"] != "not_compared"]
    keys = ["kind", "criteria_set", "subject", "effect", "source_type", "quantity", "weighting", "limit_db"]
    rows = rows.sort_values(["kind", "margin_with_uncertainty_db"], kind="stable", na_position="first")
    nearest = rows.drop_duplicates(keys)
    return one_body(head, [_limit_row(record) for record in nearest.to_dict("records")])


def _limit_row(record: Record) -> tuple[str, ...]:
    effect = f", {record['effect']}" if record["effect"] else ""
    return (
        str(record["criteria_set"]),
        f"{sentence_case(str(record['subject']))}{effect}",
        short_quantity_words(str(record["quantity"]), str(record["weighting"])),
        words(record, "station_id") or MISSING,
        decibels(number(record, "measured_db")),
        decibels(number(record, "limit_db")),
        signed(number(record, "margin_with_uncertainty_db")),
        str(record["statement"]),
    )


def _with_outcome(table: pd.DataFrame, outcome: str) -> int:
    return int((table["outcome"] == outcome).sum()) if len(table) else 0


def beyond_sentence(levels: pd.DataFrame, distances: pd.DataFrame) -> str:
    """How many of the compared levels and distances lie beyond their predictions, and what was taken off."""
    counted = []
    if len(levels):
        banded = int(levels["band_hz"].notna().sum())
        bands = f", {banded} of them band levels that are not in the table" if banded else ""
        places = levels["mooring_id"].nunique()
        counted.append(
            f"{_with_outcome(levels, 'beyond')} of {len(levels)} levels (at {places} place{'s' * (places != 1)}{bands})"
        )
    if len(distances):
        counted.append(f"{_with_outcome(distances, 'beyond')} of {len(distances)} distances")
    return f"Beyond the prediction, with the uncertainty of the measurement taken off: {' and '.join(counted)}."


def within_sentence(levels: pd.DataFrame, distances: pd.DataFrame) -> list[str]:
    """How many more lie above, within the uncertainty: levels and distances apart."""
    numbers = ((_with_outcome(levels, "within_uncertainty"), "level"),
               (_with_outcome(distances, "within_uncertainty"), "distance"))  # fmt: skip
    said = " and ".join(f"{n} {noun}{'s' * (n != 1)}" for n, noun in numbers if n)
    return [f"Above the prediction, but within the uncertainty: {said}."] if said else []


def not_independent(levels: pd.DataFrame) -> list[str]:
    """What counting levels does not say."""
    if not len(levels):
        return []
    return [
        "These levels are not independent tests: those of one place share its chain, and the uncertainty is that of "
        "measuring alone, without what piles and places scatter by. What all piles together show of the prediction is "
        "in report.html, which may say that it is not decided."
    ]


def furthest_sentences(levels: pd.DataFrame, distances: pd.DataFrame) -> list[str]:
    """The level and the distance that lie furthest beyond their predictions."""
    found = []
    if len(distances):
        ratios = distances["measured_m"] / distances["predicted_m"]
        row = distances.iloc[int(ratios.to_numpy().argmax())].to_dict()
        name = short_quantity_words(str(row["quantity"]), str(row["weighting"]))
        found.append(
            f"Furthest: {name}, {decibels(row['threshold_db'])} dB at {metres(row['measured_m'])} m, predicted at "
            f"{metres(row['predicted_m'])} m."
        )
    if len(levels):
        row = levels.iloc[int(levels["measured_less_predicted_db"].to_numpy().argmax())].to_dict()
        name = short_quantity_words(str(row["quantity"]), str(row["weighting"]), number(row, "band_hz"))
        excess = signed(row["measured_less_predicted_db"])
        found.append(f"Most: {name} at {row['station_id']} ({metres(row['range_m'])} m), {excess} dB.")
    return found


def limit_sentence(evidence: Evidence, pile: Pile) -> list[str]:
    """How many limits and thresholds the pile's levels lie above, and how many it cannot be shown of."""
    rows = own_rows(evidence.limits, pile)
    if not len(rows):
        return []
    rows = rows[rows["outcome"] != "not_compared"]
    keys = ["kind", "criteria_set", "subject", "effect", "source_type", "quantity", "weighting", "limit_db"]
    found = []
    for kind, own in rows.groupby("kind", sort=True):
        names = own[keys].drop_duplicates()
        counts = [len(own.loc[own["outcome"] == name, keys].drop_duplicates()) for name in ("above", "cannot_be_shown")]
        found.append(
            f"Of {len(names)} {kind}s held against measured levels {counts[0]} lie below a measured level"
            + (f"; of {counts[1]} it cannot be shown." if counts[1] else ".")
        )
    return found
