"""The answer first: what the five sentences at the head of the findings say, as numbers with their uncertainty.

The wording stands in the template `in_short.html.j2`; nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from reconcile.report.evidence import Evidence
from reconcile.report.findings import main_biases
from reconcile.report.formatting import between, decibels, distance, distance_step_m, metres, signed, significant
from reconcile.report.subjects import Subject, level_subjects, selected_fits
from reconcile.report.tables.insertion_loss import full_band, interval_words, loss_words
from reconcile.report.words import group_words, quantity_words, statistic_words, unit_words
from reconcile.spreading import intervals
from reconcile.vocabulary.documents.bias import Bias, ThresholdComparison
from reconcile.vocabulary.documents.fit import Fit

_SENTENCES = ("biases", "trends", "levels", "distances", "losses", "loudest")


@dataclass(frozen=True, slots=True)
class Said:
    """One group of piles in a sentence: its value with its interval, and what stands beside it."""

    group: str
    value: str
    interval: str
    beside: str = ""


def in_short(evidence: Evidence) -> dict[str, Any]:
    """What the sentences need; empty where nothing was found yet."""
    biases = main_biases(evidence.biases)
    found: dict[str, Any] = dict.fromkeys(_SENTENCES)
    if biases:
        found["biases"] = [_bias(bias) for bias in biases]
        found["bias_of"] = f"{statistic_words(biases[0].statistic)} of the {_quantity(biases[0])}"
        found["at"] = metres(biases[0].reference_range_m)
        found["trends"] = [trend for bias in biases if (trend := _trend(bias))]
    subject = next(iter(level_subjects(evidence)), None)
    fits = selected_fits(evidence, subject) if subject else ()
    levels = [said for fit in fits if subject and (said := _level(fit))]
    if levels and subject:
        found |= {"levels": levels, "level_of": subject.words, "unit": subject.unit,
                  "level_at": metres(fits[0].reference_range_m)}  # fmt: skip
    distances = _distances(evidence.bias.threshold_ranges if evidence.bias else (), subject)
    if distances:
        found["distances"] = distances
    if losses := _losses(evidence):
        found["losses"] = losses
    elif loudest := _loudest(evidence):
        found["loudest"] = loudest
    return found if any(found.values()) else {}


def _quantity(bias: Bias) -> str:
    return quantity_words(bias.quantity, bias.weighting, bias.band_hz)


def _bias(bias: Bias) -> Said:
    group = group_words(bias.installation_method, bias.foundation_type, bias.abatement)
    interval = between(*bias.bias_at_reference_interval_95_db, with_sign=True)
    return Said(group, signed(bias.bias_at_reference_db), interval, bias.finding)


def _trend(bias: Bias) -> Said | None:
    interval = bias.spreading_bias_interval_95_db
    if interval is None:
        return None
    group = group_words(bias.installation_method, bias.foundation_type, bias.abatement)
    shown = "shown" if interval[0] > 0 or interval[1] < 0 else ""
    return Said(group, signed(bias.spreading_bias_db_per_decade.value), between(*interval, with_sign=True), shown)


def _level(fit: Fit) -> Said | None:
    curve = intervals(fit, np.array([fit.reference_range_m]), log_energy=0.0)
    if curve is None:
        return None
    value, low, high = (float(ends[0]) for ends in (curve.level_db, curve.confidence_low_db, curve.confidence_high_db))
    energy = "" if fit.reference_energy_kj is None else significant(fit.reference_energy_kj)
    group = group_words(fit.installation_method, fit.foundation_type, fit.abatement)
    return Said(group, decibels(value), between(low, high), energy)


def _distances(rows: Sequence[ThresholdComparison], subject: Subject | None) -> list[Said]:
    """The first distance of each group that was measured between stations, of the main quantity where there is one."""
    measured = [r for r in rows if r.measured_m is not None and not r.extrapolated]
    measured.sort(key=lambda r: subject is None or (r.quantity, r.weighting) != (subject.quantity, subject.weighting))
    found: dict[str, Said] = {}
    for row in measured:
        group = group_words(row.installation_method, row.foundation_type, row.abatement)
        step = distance_step_m(*row.interval_m)
        low, high = (distance(end, step) for end in row.interval_m)
        level = f"{significant(row.threshold_db, 4)} {unit_words(row.quantity)}"
        quantity = quantity_words(row.quantity, row.weighting)
        where = f"{level} ({quantity}, {group})"
        said = Said(where, distance(row.measured_m, step), f"{low} to {high}", metres(row.predicted_m))
        found.setdefault(group, said)
    return list(found.values())


def _losses(evidence: Evidence) -> list[Said]:
    rows = full_band(evidence)
    if not len(rows):
        return []
    rows = rows[rows["mooring_id"].isna() & (rows["quantity"] == "exposure_level") & (rows["weighting"] == "none")]
    return [
        Said(group_words("impact", str(r["foundation_type"]), str(r["abatement"])), loss_words(r), interval_words(r))
        for r in rows.to_dict("records")
        if r["insertion_loss_db"] == r["insertion_loss_db"]
    ]


def _loudest(evidence: Evidence) -> Said | None:
    """The highest cumulative exposure of a pile."""
    rows = evidence.exposure
    if rows.empty:
        return None
    rows = rows[(rows["weighting"] == "none") & (rows["period"] == "pile") & rows["completed_db"].notna()]
    records = rows.sort_values("completed_db", ascending=False, kind="stable").to_dict("records")
    return next(
        (Said(str(r["pile_id"]), decibels(float(r["completed_db"])), "", str(r["station_id"])) for r in records), None
    )
