"""The corrections that follow from the biases, and where they hold."""

from __future__ import annotations

from reconcile.report.figures.level_range import coefficient_words
from reconcile.report.formatting import MISSING, metres, significant
from reconcile.report.subjects import Subject
from reconcile.report.tables.table import Body, Head, Table
from reconcile.report.words import group_words, statistic_words
from reconcile.vocabulary.documents.correction import Correction, CorrectionDocument, Extent
from reconcile.vocabulary.documents.fit import Coefficient


def correction_table(document: CorrectionDocument) -> Table:
    """What is added to a later prediction by the same method: a body for each method and group of piles."""
    references = {entry.reference_range_m for entry in document.corrections}
    where = f"{metres(next(iter(references)))} m" if len(references) == 1 else "the reference distance"
    head = (
        Head("Quantity", numeric=False, wide=True),
        Head(f"Added at {where}", "dB"),
        Head("Added per tenfold range", "dB"),
        Head("Distances", "m"),
        Head("Strike energies", "kJ"),
        Head("Diameters", "m"),
        Head("Water depths", "m"),
    )
    grouped: dict[tuple[str, str], list[Correction]] = {}
    for entry in document.corrections:
        group = group_words(entry.installation_method, entry.foundation_type, entry.abatement)
        grouped.setdefault((entry.model_id, group), []).append(entry)
    bodies = tuple(Body(tuple(_row(c) for c in own), name, note) for (name, note), own in grouped.items())
    return Table(head, bodies)


def _row(entry: Correction) -> tuple[str, ...]:
    subject = Subject(entry.quantity, entry.weighting, entry.band_hz)
    low, high = entry.scope.range_m
    return (
        f"{subject.short}; {statistic_words(entry.statistic)}",
        _added(entry.coefficients.offset_db),
        _added(entry.coefficients.spreading_db_per_decade),
        f"{metres(low)} to {metres(high)}",
        _extent(entry.scope.energy_kj),
        _extent(entry.scope.diameter_m),
        _extent(entry.scope.water_depth_m),
    )


def _added(coefficient: Coefficient) -> str:
    return f"{'+' if coefficient.value > 0 else ''}{coefficient_words(coefficient, most_digits=1)}"


def _extent(extent: Extent) -> str:
    low, high = extent
    if low is None and high is None:
        return MISSING
    return significant(low) if low == high else f"{significant(low)} to {significant(high)}"
