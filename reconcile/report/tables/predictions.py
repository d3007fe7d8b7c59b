"""Tables of predictions against the sea: biases, distances, fits, pairs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.figures.distances import threshold_label
from reconcile.report.formatting import (
    between,
    count,
    decibels,
    distance,
    distance_step_m,
    metres,
    percent,
    signed,
    significant,
)
from reconcile.report.subjects import Subject, selected_fits
from reconcile.report.tables.table import Body, Head, IntervalBar, Record, Table, number, text, words
from reconcile.report.words import finding_words, flag_meaning, group_words, statistic_words
from reconcile.spreading.energy import ASSUMED_DB_PER_DECADE
from reconcile.vocabulary.documents.bias import Bias, ThresholdComparison
from reconcile.vocabulary.documents.campaign import Pile
from reconcile.vocabulary.tables.flags import FLAGS, Stage


def bias_table(biases: Sequence[Bias]) -> Table:
    """All biases: a body for each prediction and group."""
    reference = metres(biases[0].reference_range_m) if biases else "the reference distance"
    head = (
        Head("Quantity", numeric=False, wide=True),
        Head(f"Bias at {reference} m (95 % interval)", "dB"),
        Head("Drawn", numeric=False),
        Head("Mean bias of the pairs (95 % interval)", "dB"),
        Head("Slope (95 % interval)", "dB per tenfold range"),
        Head("Finding", numeric=False, wide=True),
        Head("Pairs (piles × stations)"),
        Head("Marks", numeric=False),
    )
    span = _span(biases)
    grouped: dict[tuple[str, str], list[Bias]] = {}
    for bias in biases:
        group = group_words(bias.installation_method, bias.foundation_type, bias.abatement)
        grouped.setdefault((bias.prediction_id, f"{group}; method {bias.model_id}"), []).append(bias)
    bodies = tuple(Body(tuple(_bias_row(b, span) for b in own), name, note) for (name, note), own in grouped.items())
    return Table(head, bodies)


def _span(biases: Sequence[Bias]) -> float:
    """Half-width in dB of the drawn scale: all intervals and the margins fit in."""
    ends = [abs(end) for b in biases for end in (*b.bias_at_reference_interval_95_db, b.equivalence_margin_db)]
    return max(ends, default=1.0) * 1.05


def _bias_row(bias: Bias, span: float) -> tuple[str | IntervalBar, ...]:
    def position(value: float) -> float:
        return round(50.0 + 50.0 * value / span, 2)

    low, high = bias.bias_at_reference_interval_95_db
    margin = bias.equivalence_margin_db
    bar = IntervalBar(
        position(low), position(bias.bias_at_reference_db), position(high), 50.0, position(-margin), position(margin)
    )
    slope = bias.spreading_bias_interval_95_db
    value = bias.spreading_bias_db_per_decade.value
    subject = Subject(bias.quantity, bias.weighting, bias.band_hz)
    return (
        f"{subject.short}; {statistic_words(bias.statistic)}",
        _with_interval(bias.bias_at_reference_db, bias.bias_at_reference_interval_95_db),
        bar,
        _with_interval(bias.mean_bias_db, bias.interval_95_db),
        "not estimated" if slope is None else _with_interval(value, slope),
        finding_words(bias.finding, bias.n_pairs),
        f"{bias.n_pairs} ({bias.n_piles} × {bias.n_stations})",
        _bias_marks(bias),
    )


def _bias_marks(bias: Bias) -> str:
    marks = [flag_names([flag for flag in bias.flags if flag != "carried"])]
    marks += [f"{bias.n_carried} carried"] if bias.n_carried else []
    return ", ".join(mark for mark in marks if mark)


def _with_interval(value: float, interval: tuple[float, float]) -> str:
    return f"{signed(value)} ({between(*interval, with_sign=True)})"


def flag_names(flags: Sequence[str]) -> str:
    """Flags in words that the table of flags explains."""
    return ", ".join(flag.replace("_", " ") for flag in flags)


def distance_table(rows: Sequence[ThresholdComparison]) -> Table:
    """Predicted distances beside measured ones: a body for each prediction and group."""
    head = (
        Head("Level", numeric=False),
        Head("Statistic", numeric=False, wide=True),
        Head("Predicted", "m"),
        Head("Measured", "m"),
        Head("95 % interval", "m"),
        Head("Predicted over measured"),
        Head("Area: predicted", "km²"),
        Head("Area: measured (95 % interval)", "km²"),
        Head("Exceeded: mean, new pile"),
        Head("95 % of places", "m"),
        Head("Remarks", numeric=False, wide=True),
    )
    grouped: dict[tuple[str, str], list[ThresholdComparison]] = {}
    for row in rows:
        group = group_words(row.installation_method, row.foundation_type, row.abatement)
        grouped.setdefault((row.prediction_id, f"{group}; method {row.model_id}"), []).append(row)
    bodies = tuple(Body(tuple(_distance_row(r) for r in own), name, note) for (name, note), own in grouped.items())
    return Table(head, bodies)


def _distance_row(row: ThresholdComparison) -> tuple[str, ...]:
    step = distance_step_m(*row.interval_m)
    ratio = None if row.measured_m is None else row.predicted_m / row.measured_m
    low, high = (distance(end, step) for end in row.interval_m)
    remarks = [row.reason] if row.reason else []
    remarks += ["outside the measured ranges"] if row.extrapolated and row.measured_m is not None else []
    remarks += [flag.replace("_", " ") for flag in row.flags if flag != "extrapolated"]
    words = statistic_words(row.statistic)
    if row.energy_kj is not None:
        words = f"{words}, {significant(row.energy_kj)} kJ"
    if row.n_strikes is not None:
        words = f"{words}, {row.n_strikes} strikes"
    return (
        threshold_label(row),
        words,
        metres(row.predicted_m),
        distance(row.measured_m, step),
        "–" if row.measured_m is None else f"{low} to {high}",
        decibels(ratio, 2),
        significant(row.predicted_area_km2),
        _area(row),
        "–"
        if row.measured_m is None
        else f"{_share(row.probability_exceeded)}, {_share(row.probability_exceeded_new_pile)}",
        distance(row.measured_r95_m, step),
        "; ".join(remarks),
    )


def _area(row: ThresholdComparison) -> str:
    if row.measured_area_km2 is None:
        return "–"
    low, high = (significant(end, 2) for end in row.area_interval_km2)
    return f"{significant(row.measured_area_km2)} ({low} to {high})"


def _share(probability: float | None) -> str:
    """A probability in percent, never certainty."""
    if probability is None:
        return "–"
    if probability < 0.01:
        return "< 1 %"
    return percent(min(probability, 0.994)) if probability <= 0.99 else "> 99 %"


def pairs_table(evidence: Evidence, subject: Subject) -> Table:
    """Every pair of one subject."""
    unit = subject.unit
    head = (
        Head("Station", numeric=False),
        Head("Distance", "m"),
        Head("Strikes"),
        Head("Measured, at the predicted energy", unit),
        Head("Standard uncertainty", "dB"),
        Head("Strikes as recorded"),
        Head("As recorded", unit),
        Head("Predicted", unit),
        Head("Bias", "dB"),
        Head("Statistic", numeric=False),
        Head("Remarks", numeric=False, wide=True),
    )
    rows = subject.of(evidence.pairs)
    bodies = []
    for pile in evidence.piles:
        own = rows[rows["pile_id"] == pile.pile_id] if len(rows) else rows
        for prediction_id, pairs in own.groupby("prediction_id", sort=False) if len(own) else ():
            cells = tuple(_pair_row(record) for record in pairs.to_dict("records"))
            note = f"against prediction {prediction_id}{_brought_to(evidence, subject, pile, str(prediction_id))}"
            bodies.append(Body(cells, pile.pile_id, note))
    return Table(head, tuple(bodies))


def _brought_to(evidence: Evidence, subject: Subject, pile: Pile, prediction_id: str) -> str:
    """The energy to which measured levels were brought, and by how much; nothing where none was predicted."""
    energies = {
        p.energy_kj
        for p in evidence.campaign.predictions
        if p.prediction_id == prediction_id
        and Subject(p.quantity, p.weighting, p.band_hz) == subject
        and p.abatement in (None, pile.abatement)
        and p.energy_kj is not None
    }
    if pile.installation_method != "impact" or not energies:
        return ""
    group = (pile.installation_method, pile.foundation_type, pile.abatement)
    own = [f for f in selected_fits(evidence, subject)
           if (f.installation_method, f.foundation_type, f.abatement) == group]  # fmt: skip
    assumed = not own or "energy_coefficient_assumed" in own[0].flags
    fitted = None if assumed else own[0].coefficients.energy_coefficient_db_per_decade.value
    by = f"{decibels(ASSUMED_DB_PER_DECADE if fitted is None else fitted, 2)} dB per decade of energy"
    to = " or ".join(f"{significant(energy, 4)} kJ" for energy in sorted(energies))
    return f"; measured levels brought to {to} by {by}{' (assumed)' if assumed else ''}"


def _pair_row(record: Record) -> tuple[str, ...]:
    flags: list[str] = [str(flag) for flag in record["flags"]]
    remarks = [] if record["counted"] else ["not counted"]
    return (
        str(record["station_id"]),
        metres(number(record, "range_m")),
        count(number(record, "n_strikes")),
        decibels(number(record, "measured_db")),
        decibels(number(record, "measured_uncertainty_db")),
        count(number(record, "n_strikes_as_recorded")),
        decibels(number(record, "measured_as_recorded_db")),
        decibels(number(record, "predicted_db")),
        signed(number(record, "bias_db")),
        statistic_words(words(record, "statistic")),
        "; ".join([*remarks, *([flag_names(flags)] if flags else [])]),
    )


def unpaired_table(evidence: Evidence) -> Table:
    """Predictions and measurements that found no partner, with the reason."""
    head = text("Prediction", "Quantity", "Pile", "Station", "Reason")
    rows = [] if evidence.unpaired is None else evidence.unpaired.to_dict("records")
    return Table(head, (Body((*_uncounted_rows(evidence.pairs), *(_unpaired_row(record) for record in rows))),))


def _uncounted_rows(pairs: pd.DataFrame) -> Iterator[tuple[str, ...]]:
    """Pairs that are kept out of the bias, those of one prediction, quantity and reason in a row."""
    if pairs.empty:
        return
    left_out = pairs[~pairs["counted"].astype(bool)]
    reasons = left_out["flags"].map(_why_not_counted)
    keyed = left_out.assign(reason=reasons)
    keys = ["prediction_id", "quantity", "weighting", "band_hz", "reason"]
    for _, own in keyed.groupby(keys, sort=False, dropna=False):
        first: Record = own.iloc[0].to_dict()
        subject = Subject(str(first["quantity"]), str(first["weighting"]), number(first, "band_hz"))
        piles, stations = (", ".join(dict.fromkeys(own[column])) for column in ("pile_id", "station_id"))
        pairs_words = f"{len(own)} {'pair' if len(own) == 1 else 'pairs'}, not counted: {first['reason']}"
        yield str(first["prediction_id"]), subject.words, piles, stations, pairs_words


def _why_not_counted(flags: Sequence[str]) -> str:
    """The meanings of the flags that keep a pair out; all of its flags where it is not one of these."""
    names = [str(flag) for flag in flags]
    excluding = [name for name in names if name in FLAGS and Stage.COMPARISON in FLAGS[name].excluded_from]
    return "; ".join(flag_meaning(name) for name in excluding or names) or "no difference could be formed"


def not_in_the_biases(pairs: pd.DataFrame, biases: Sequence[Bias]) -> str:
    """In words, quantities that were predicted but have no bias; empty where there are none."""
    if pairs.empty:
        return ""
    there = {(b.prediction_id, Subject(b.quantity, b.weighting, b.band_hz)) for b in biases}
    keys = pairs[["prediction_id", "quantity", "weighting", "band_hz"]].drop_duplicates().to_dict("records")
    missing: dict[Subject, list[str]] = {}
    for record in keys:
        subject = Subject(str(record["quantity"]), str(record["weighting"]), number(record, "band_hz"))
        if (str(record["prediction_id"]), subject) not in there:
            missing.setdefault(subject, []).append(str(record["prediction_id"]))
    return "; ".join(f"{subject.words} of {', '.join(names)}" for subject, names in missing.items())


def _unpaired_row(record: Record) -> tuple[str, ...]:
    quantity = words(record, "quantity")
    subject = "all"
    if quantity is not None:
        subject = Subject(quantity, words(record, "weighting") or "none", number(record, "band_hz")).words
    return (
        words(record, "prediction_id") or "none",
        subject,
        words(record, "pile_id") or "any",
        words(record, "station_id") or "all",
        words(record, "reason") or "",
    )
