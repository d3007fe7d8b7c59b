"""Tables of predictions against the sea: biases, distances, fits, pairs."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.report.evidence import Evidence
from reconcile.report.figures.distances import threshold_label
from reconcile.report.formatting import (
    between,
    count,
    decibels,
    distance,
    distance_step_m,
    metres,
    signed,
    significant,
)
from reconcile.report.subjects import Subject
from reconcile.report.tables.table import Body, Head, IntervalBar, Record, Table, number, text, words
from reconcile.report.words import FINDINGS, group_words, statistic_words
from reconcile.vocabulary.documents.bias import Bias, ThresholdComparison


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
        FINDINGS[bias.finding],
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
        "; ".join(remarks),
    )


def pairs_table(evidence: Evidence, subject: Subject) -> Table:
    """Every pair of one subject."""
    unit = subject.unit
    head = (
        Head("Station", numeric=False),
        Head("Distance", "m"),
        Head("Strikes"),
        Head("Measured", unit),
        Head("Standard uncertainty", "dB"),
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
            bodies.append(Body(cells, pile.pile_id, f"against prediction {prediction_id}"))
    return Table(head, tuple(bodies))


def _pair_row(record: Record) -> tuple[str, ...]:
    flags: list[str] = [str(flag) for flag in record["flags"]]
    remarks = [] if record["counted"] else ["not counted"]
    return (
        str(record["station_id"]),
        metres(number(record, "range_m")),
        count(number(record, "n_strikes")),
        decibels(number(record, "measured_db")),
        decibels(number(record, "measured_uncertainty_db")),
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
    return Table(head, (Body(tuple(_unpaired_row(record) for record in rows)),))


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
