"""Tables of where a difference comes from: the parts of each split, what they may mean, the shape over bands."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.report.evidence import Evidence
from reconcile.report.figures.split import PART_NAMES
from reconcile.report.findings import main_biases
from reconcile.report.formatting import between, decibels, hertz, metres, signed
from reconcile.report.subjects import Subject
from reconcile.report.tables.table import Body, Head, Table
from reconcile.report.words import group_words, sentence_case, statistic_words
from reconcile.vocabulary.documents.bias_parts import BandDeviation, BandShape, Split, SplitPart, Statement

_CAUSES = {"operations": "What the hammer did", "abatement": "Abatement", "source": "Source",
           "propagation": "Propagation"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reading:
    """What is said of one prediction and group."""

    title: str
    statements: tuple[Statement, ...]


def split_table(evidence: Evidence, subject: Subject) -> Table:
    """The parts of all splits of a subject, a body for each prediction and group."""
    head = (
        Head("Cause", numeric=False),
        Head("Part", numeric=False),
        Head("Predicted minus recorded", "dB"),
        Head("95 % interval", "dB"),
        Head("Standard uncertainty", "dB"),
        Head("By which statistic, or why not told", numeric=False, wide=True),
    )
    splits = [s for s in evidence.splits if Subject(s.quantity, s.weighting, s.band_hz) == subject]
    return Table(head, tuple(_body(split) for split in splits))


def _body(split: Split) -> Body:
    group = group_words(split.installation_method, split.foundation_type, split.abatement)
    acoustic = between(*split.acoustic_interval_95_db, with_sign=True)
    new = between(*split.new_place_interval_95_db, with_sign=True)
    rows = [_row(part) for part in split.parts]
    words = "source, propagation and abatement: what a correction takes"
    rows.append(("Acoustics", "together", signed(split.acoustic_db), acoustic, "", words))
    rows.append(("Acoustics", "new pile, new place", "", new, "", "where one further pile at a further place may lie"))
    rows.append(("All", "together", signed(split.total_db), "", "", "the sum of the parts that are told"))
    note = f"{group}; {statistic_words(split.statistic)}; at {metres(split.at_range_m)} m; method {split.model_id}"
    return Body(tuple(rows), split.prediction_id, note)


def _row(part: SplitPart) -> tuple[str, ...]:
    if part.value_db is None or part.interval_95_db is None:
        return _CAUSES[part.cause], PART_NAMES[part.part], "not told", "", "", part.reason or ""
    interval = between(*part.interval_95_db, with_sign=True)
    uncertainty = decibels(part.standard_uncertainty_db)
    return _CAUSES[part.cause], PART_NAMES[part.part], signed(part.value_db), interval, uncertainty, part.statistic


def readings(evidence: Evidence) -> tuple[Reading, ...]:
    """What the biases of the main quantity, of cumulative exposure and of the bands may mean."""
    main = {bias.quantity for bias in main_biases(evidence.biases)} | {"cumulative_exposure_level"}
    found = [
        Reading(_title(split, split.quantity), split.reading)
        for split in evidence.splits
        if split.band_hz is None and split.weighting == "none" and split.quantity in main and split.reading
    ]
    found += [Reading(_title(shape, "bands"), shape.reading) for shape in evidence.band_shapes if shape.reading]
    return tuple(found)


def _title(entry: Split | BandShape, what: str) -> str:
    group = group_words(entry.installation_method, entry.foundation_type, entry.abatement)
    subject = "decidecade bands" if what == "bands" else Subject(what).words
    return f"{entry.prediction_id}: {sentence_case(subject)}; {statistic_words(entry.statistic)} ({group})"


def band_shape_table(evidence: Evidence) -> Table:
    """How each band's bias lies about the mean of all bands of a prediction."""
    head = (
        Head("Band", numeric=False),
        Head("Bias less the mean of all bands", "dB"),
        Head("95 % interval", "dB"),
        Head("Slope less that of all bands", "dB per tenfold range"),
        Head("95 % interval", "dB per tenfold range"),
        Head("Pairs"),
    )
    bodies = []
    for shape in evidence.band_shapes:
        group = group_words(shape.installation_method, shape.foundation_type, shape.abatement)
        note = f"{group}; {statistic_words(shape.statistic)}"
        bodies.append(Body(tuple(_band_row(band) for band in shape.bands), shape.prediction_id, note))
    return Table(head, tuple(bodies))


def _band_row(band: BandDeviation) -> tuple[str, ...]:
    slope = band.slope_interval_95
    return (
        hertz(band.band_hz),
        signed(band.deviation_db),
        between(*band.interval_95_db, with_sign=True),
        signed(band.slope_db_per_decade),
        "not estimated" if slope is None else between(*slope, with_sign=True),
        str(band.n_pairs),
    )
