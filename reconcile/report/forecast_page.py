"""The page of a forecast: a new project's predictions before and after correction, and what the correction is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reconcile.report.choice import Choice, Option
from reconcile.report.figures.before_after import distance_figure, distance_label, level_figure
from reconcile.report.formatting import between, decibels, metres, signed, significant
from reconcile.report.pooled_page import environment
from reconcile.report.subjects import Subject
from reconcile.report.tables.pooling import group_of, scope_cells
from reconcile.report.tables.table import Body, Head, Table, one_body, text
from reconcile.report.transfer_cautions import CAUTIONS, prior_words
from reconcile.report.words import flag_meaning, statistic_words
from reconcile.transfer import ForecastLevel, ForecastRange
from reconcile.transfer.correction_curve import prior_is_used, spread_between_projects_db
from reconcile.vocabulary.documents.correction import Correction, CorrectionDocument


@dataclass(frozen=True, slots=True)
class ForecastEvidence:
    """What the page is made of; `files` are the inputs' names with their digests."""

    document: CorrectionDocument
    levels: tuple[ForecastLevel, ...]
    distances: tuple[ForecastRange, ...]
    files: dict[str, str]
    versions: dict[str, str]


def forecast_page(evidence: ForecastEvidence) -> str:
    """The page as one HTML document that asks for nothing from outside. Same evidence, same bytes."""
    return environment().get_template("forecast.html.j2").render(_contents(evidence))


def _contents(evidence: ForecastEvidence) -> dict[str, Any]:
    used = used_corrections(evidence)
    subjects = list(
        dict.fromkeys(
            Subject(x.prediction.quantity, x.prediction.weighting, x.prediction.band_hz) for x in evidence.levels
        )
    )
    figures = [(s, level_figure(evidence.levels, s, f"lv-{i}")) for i, s in enumerate(subjects)]
    files = [(name, digest) for name, digest in evidence.files.items()]
    return {
        "document": evidence.document,
        "predictions": ", ".join(dict.fromkeys(x.prediction.prediction_id for x in evidence.levels)),
        "facts": _facts(evidence),
        "used": used_table(used),
        "validations": _validations(used),
        "one_project": any(c.n_projects == 1 for c in used),
        "prior": prior_words() if any(prior_is_used(c) for c in used) else "",
        "level_figures": Choice("Quantity", tuple(Option(s.title, figure=f) for s, f in figures if f)),
        "levels": Choice("Quantity", tuple(Option(s.title, table=level_table(evidence.levels, s)) for s in subjects)),
        "distance_figure": distance_figure(evidence.distances, "dist"),
        "distances": distance_table(evidence.distances) if evidence.distances else None,
        "flags": _flag_table(evidence),
        "files": one_body(text("File", "SHA-256"), files),
        "versions": one_body(text("Software", "Version"), list(evidence.versions.items())),
        "cautions": CAUTIONS,
    }


def _facts(evidence: ForecastEvidence) -> list[tuple[str, str]]:
    levels = evidence.levels
    return [
        (str(len(levels)), "predicted levels"),
        (str(sum(level.correction is not None for level in levels)), "corrected"),
        (str(sum("outside_scope" in level.flags for level in levels)), "outside the scope"),
        (str(sum(level.correction is None for level in levels)), "without a correction"),
    ]


def used_corrections(evidence: ForecastEvidence) -> list[Correction]:
    """The corrections that were applied, each once."""
    found = [level.correction for level in evidence.levels] + [distance.correction for distance in evidence.distances]
    return list({id(correction): correction for correction in found if correction is not None}.values())


def used_table(corrections: Sequence[Correction]) -> Table:
    """What was added, from how many projects, with what spread, and where it holds."""
    head = (
        Head("Quantity", numeric=False, wide=True),
        Head("Projects"),
        Head("Piles"),
        Head("Added at the reference distance", "dB"),
        Head("Added per tenfold distance", "dB"),
        Head("Spread between projects", "dB"),
        Head("Spread between piles", "dB"),
        Head("Distances", "m"),
        Head("Strike energies", "kJ"),
        Head("Diameters", "m"),
        Head("Water depths", "m"),
    )
    grouped: dict[str, list[tuple[str, ...]]] = {}
    for entry in corrections:
        offset, slope = entry.coefficients.offset_db, entry.coefficients.spreading_db_per_decade
        assumed = " (assumed)" if entry.n_projects == 1 else ""
        row = (
            f"{Subject(entry.quantity, entry.weighting, entry.band_hz).short}; {statistic_words(entry.statistic)}",
            str(entry.n_projects),
            str(entry.n_piles),
            f"{signed(offset.value)} ± {decibels(offset.standard_error)} at {significant(entry.reference_range_m)} m",
            "not estimated"
            if slope.standard_error == 0
            else f"{signed(slope.value)} ± {decibels(slope.standard_error)}",
            f"{decibels(spread_between_projects_db(entry))}{assumed}",
            decibels(entry.spread_between_piles_db),
            *scope_cells(entry.scope),
        )
        grouped.setdefault(f"{group_of(entry)}; method {entry.model_id}", []).append(row)
    return Table(head, tuple(Body(tuple(rows), name) for name, rows in grouped.items()))


def _validations(corrections: Sequence[Correction]) -> list[tuple[str, str]]:
    """What leaving each project out in turn showed of the corrections that were applied."""
    return [
        (f"{Subject(c.quantity, c.weighting, c.band_hz).short}; {group_of(c)}", c.pooled.validation.words)
        for c in corrections
        if c.pooled is not None and c.pooled.validation is not None
    ]


def level_table(levels: Sequence[ForecastLevel], subject: Subject) -> Table:
    """Every predicted level of one subject, before and after."""
    head = (
        Head("Statistic", numeric=False),
        Head("Distance", "m"),
        Head("Predicted", subject.unit),
        Head("Added", "dB"),
        Head("Corrected", subject.unit),
        Head("95 % interval", subject.unit),
        Head("Remarks", numeric=False, wide=True),
    )
    grouped: dict[str, list[tuple[str, ...]]] = {}
    for level in levels:
        row = level.prediction
        if Subject(row.quantity, row.weighting, row.band_hz) != subject:
            continue
        cells = (
            statistic_words(row.statistic),
            metres(row.range_m),
            decibels(row.level_db),
            signed(level.correction_db),
            decibels(level.corrected_level_db),
            between(level.lower_95_db, level.upper_95_db) if level.correction else "–",
            _remarks(level.flags, level.outside_scope_in),
        )
        abatement = "" if row.abatement in (None, "", "none") else f", {row.abatement}"
        grouped.setdefault(f"{row.prediction_id}{abatement}", []).append(cells)
    return Table(head, tuple(Body(tuple(rows), name) for name, rows in grouped.items()))


def distance_table(distances: Sequence[ForecastRange]) -> Table:
    """Every predicted distance, before and after."""
    head = (
        Head("Level", numeric=False, wide=True),
        Head("Predicted", "m"),
        Head("Corrected", "m"),
        Head("95 % interval", "m"),
        Head("Remarks", numeric=False, wide=True),
    )
    rows = [
        (
            distance_label(row),
            metres(row.predicted.range_m),
            metres(row.corrected_range_m),
            "–" if row.correction is None else f"{metres(row.lower_95_m)} to {metres(row.upper_95_m)}",
            _remarks(row.flags, row.outside_scope_in),
        )
        for row in distances
    ]
    return one_body(head, rows)


def _remarks(flags: Sequence[str], beyond: Sequence[str]) -> str:
    words = {"range_m": "distance", "energy_kj": "energy", "diameter_m": "diameter", "water_depth_m": "water depth"}
    shown = [flag.replace("_", " ") for flag in flags if flag not in ("outside_scope", "one_project")]
    outside = [f"outside the scope in {' and '.join(words[name] for name in beyond)}"] if beyond else []
    return "; ".join([*outside, *shown])


def _flag_table(evidence: ForecastEvidence) -> Table:
    flags = [level.flags for level in evidence.levels] + [distance.flags for distance in evidence.distances]
    names = dict.fromkeys(name for each in flags for name in each)
    return one_body(text("Remark", "Meaning"), [(name.replace("_", " "), flag_meaning(name)) for name in names])
