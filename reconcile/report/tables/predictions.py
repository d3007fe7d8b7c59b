"""Tables of predictions against the sea: biases, distances, fits, pairs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.figures.distances import threshold_label
from reconcile.report.figures.level_range import coefficient_words
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
from reconcile.report.tables.table import Body, Head, IntervalBar, Table, text
from reconcile.report.words import FINDINGS, MODELS, group_words, sentence_case, statistic_words
from reconcile.vocabulary.documents.bias import Bias, ThresholdComparison
from reconcile.vocabulary.documents.fit import Fit


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


def _pair_row(record: dict[str, object]) -> tuple[str, ...]:
    def number(name: str) -> float | None:
        value = record[name]
        return None if pd.isna(value) else float(value)  # type: ignore[call-overload, arg-type]

    flags: list[str] = [str(flag) for flag in record["flags"]]  # type: ignore[attr-defined]
    remarks = [] if record["counted"] else ["not counted"]
    return (
        str(record["station_id"]),
        metres(number("range_m")),
        count(number("n_strikes")),
        decibels(number("measured_db")),
        decibels(number("measured_uncertainty_db")),
        decibels(number("measured_as_recorded_db")),
        decibels(number("predicted_db")),
        signed(number("bias_db")),
        statistic_words(str(record["statistic"])),
        "; ".join([*remarks, *([flag_names(flags)] if flags else [])]),
    )


FIT_HEAD = (
    Head("Model", numeric=False, wide=True),
    Head("Level at reference", "dB"),
    Head("N", "dB per decade"),
    Head("α", "dB/km"),
    Head("Energy coefficient", "dB per decade"),
    Head("Energy", "kJ"),
    Head("Spread: rest / piles / places", "dB"),
    Head("Means"),
    Head("Censored, left out"),
    Head("Chosen, or why not", numeric=False, wide=True),
)


def fit_table(evidence: Evidence, subject: Subject) -> Table:
    """All models of one subject, a body for each group of piles."""
    fits = [f for f in (evidence.fit.fits if evidence.fit else ()) if _is_of(f, subject)]
    grouped: dict[str, list[Fit]] = {}
    for fit in fits:
        group = group_words(fit.installation_method, fit.foundation_type, fit.abatement)
        grouped.setdefault(group, []).append(fit)
    bodies = (
        Body(tuple(_fit_rows(sorted(own, key=lambda f: not f.selected))), sentence_case(group))
        for group, own in grouped.items()
    )
    return Table(FIT_HEAD, tuple(bodies))


def _is_of(fit: Fit, subject: Subject) -> bool:
    return Subject(fit.quantity or "", fit.weighting, fit.band_hz) == subject


def _fit_rows(fits: Sequence[Fit]) -> Iterator[tuple[str, ...]]:
    for fit in fits:
        c = fit.coefficients
        reason = fit.chosen_because if fit.selected else fit.not_chosen_because
        yield (
            MODELS[fit.model],
            coefficient_words(c.level_at_reference_db),
            coefficient_words(c.spreading_coefficient_db_per_decade),
            coefficient_words(c.attenuation_db_per_km),
            coefficient_words(c.energy_coefficient_db_per_decade) if fit.reference_energy_kj else "–",
            significant(fit.reference_energy_kj, 4),
            f"{decibels(fit.residual_sd_db)} / {decibels(fit.pile_sd_db)} / {decibels(fit.station_sd_db)}",
            count(fit.n_observations),
            count(fit.n_censored),
            f"{'chosen: ' if fit.selected else ''}{_model_names(reason or '')}",
        )


def _model_names(reason: str) -> str:
    for name in sorted(MODELS, key=len, reverse=True):
        reason = reason.replace(name, MODELS[name])
    return reason


def band_fit_table(evidence: Evidence) -> Table:
    """The chosen fit of each decidecade band, a body for each group of piles."""
    head = (
        Head("Band", "Hz"),
        Head("Model", numeric=False),
        Head("Level at reference", "dB re 1 µPa² s"),
        Head("N", "dB per decade"),
        Head("α", "dB/km"),
        Head("Spread: rest / piles / places", "dB"),
        Head("Means"),
        Head("Censored, left out"),
    )
    fits = [f for f in (evidence.fit.fits if evidence.fit else ()) if f.selected and f.band_hz is not None]
    grouped: dict[str, list[Fit]] = {}
    for fit in sorted(fits, key=lambda f: f.band_hz or 0.0):
        group = group_words(fit.installation_method, fit.foundation_type, fit.abatement)
        grouped.setdefault(group, []).append(fit)
    bodies = tuple(
        Body(
            tuple((significant(f.band_hz, 4), *row[:4], row[6], row[7], row[8]) for f, row in zip(own, _fit_rows(own), strict=True)),
            sentence_case(group),
        )
        for group, own in sorted(grouped.items())
    )
    return Table(head, bodies)


def unpaired_table(evidence: Evidence) -> Table:
    """Predictions and measurements that found no partner, with the reason."""
    head = text("Prediction", "Quantity", "Pile", "Station", "Reason")
    rows = [] if evidence.unpaired is None else evidence.unpaired.to_dict("records")
    return Table(head, (Body(tuple(_unpaired_row(record) for record in rows)),))


def _unpaired_row(record: dict[str, object]) -> tuple[str, ...]:
    def word(name: str, missing: str) -> str:
        value = record[name]
        return missing if pd.isna(value) else str(value)  # type: ignore[call-overload]

    quantity = "all"
    if not pd.isna(record["quantity"]):  # type: ignore[call-overload]
        band = record["band_hz"]
        known_band = None if pd.isna(band) else float(band)  # type: ignore[call-overload, arg-type]
        quantity = Subject(word("quantity", ""), word("weighting", "none"), known_band).words
    return (
        word("prediction_id", "none"),
        quantity,
        word("pile_id", "any"),
        word("station_id", "all"),
        word("reason", ""),
    )
