"""`pool` and `forecast`: read, check, compute, write."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from reconcile.campaign.faults import Findings
from reconcile.campaign.predictions import read_predicted_ranges, read_predictions
from reconcile.report.forecast_page import ForecastEvidence, forecast_page
from reconcile.report.inert import inert_cell
from reconcile.report.pooled_page import pooled_page
from reconcile.running import provenance
from reconcile.running.correction_files import (
    Given,
    cells_of,
    measured_results,
    read_correction,
    unwritable,
)
from reconcile.running.outcome import Outcome
from reconcile.running.store import write_document, write_text
from reconcile.transfer import (
    ForecastLevel,
    ForecastRange,
    Source,
    forecast_levels,
    forecast_ranges,
    foundation_levels,
    foundation_relation,
    pooled_document,
)
from reconcile.transfer.project_corrections import faults_of, pooling_faults
from reconcile.vocabulary.documents.correction import Correction, CorrectionDocument
from reconcile.vocabulary.errors import Fault
from reconcile.vocabulary.tables import Kind, Table
from reconcile.vocabulary.tables.forecast import FORECAST, FORECAST_RANGES, FOUNDATIONS

FORECAST_FILE, FORECAST_RANGES_FILE, FORECAST_PAGE = "forecast.csv", "forecast_ranges.csv", "forecast.html"


def pool(paths: Sequence[Path], out: Path, model_id: str | None = None) -> Outcome:
    """Several projects' corrections into one file, with its page and the table of foundations beside it."""
    findings = Findings(faults=unwritable(out, paths, "the name of the file to write"))
    given = [found for path in paths if (found := read_correction(path, findings)) is not None]
    results, without = measured_results(given, findings)
    sources = [each.source for each in given]
    findings.faults.extend(_pooling_faults(sources, model_id, all_read=len(given) == len(paths)))
    findings.raise_if_any()
    document = pooled_document(sources, model_id)
    reference = document.corrections[0].reference_range_m
    relation = foundation_relation(foundation_levels(results, reference)) if results else None
    document = document.model_copy(
        update={
            "sources": tuple(g.entry for g in given),
            "versions": provenance.versions(),
            "foundations": relation,
        }
    )
    return _write_pooled(document, out, without if results else [])


def _pooling_faults(sources: Sequence[Source], model_id: str | None, *, all_read: bool) -> list[Fault]:
    """What forbids to pool; that nothing is in common is only known where every file could be read."""
    if len(sources) == 1 and all_read and len(sources[0].document.projects) < 2:
        return [Fault(sources[0].file, "", "one project", "results folders or corrections of two projects at least")]
    return [fault for fault in pooling_faults(sources, model_id) if all_read or fault.where]


def _write_pooled(document: CorrectionDocument, out: Path, without: Sequence[str]) -> Outcome:
    page = out.with_suffix(".html")
    write_text(page, pooled_page(document))
    lines = []
    if document.foundations is not None:
        table = out.with_name(f"{out.stem}_foundations.csv")
        rows = [level.model_dump() for level in document.foundations.levels]
        write_text(table, csv_text(FOUNDATIONS.column_names, [_cells(FOUNDATIONS, row) for row in rows]))
        lines += [ranking.words for ranking in document.foundations.rankings]
        lines += [f"No measured levels of {name}: it was given as a correction alone" for name in without]
        lines.append(f"Foundations in {table}")
    write_document(out, document)
    return Outcome([*_pooled_lines(document.corrections), *lines, f"Page in {page}", f"Pooled correction in {out}"])


def _pooled_lines(corrections: Iterable[Correction]) -> list[str]:
    """One line for each pooled group of the full band, and how many others there are."""
    lines, bands, alone = [], 0, 0
    for entry in corrections:
        if entry.pooled is None:
            alone += 1
        elif entry.band_hz is not None:
            bands += 1
        else:
            low, high = entry.pooled.offset_interval_95_db
            subject = f"{entry.quantity}, {entry.weighting}, {entry.foundation_type}, {entry.installation_method}"
            lines.append(
                f"{subject}, {entry.abatement}: {entry.coefficients.offset_db.value:+.1f} dB at "
                f"{entry.reference_range_m:g} m ({low:+.1f} to {high:+.1f}) from {entry.n_projects} projects"
            )
            if entry.pooled.validation is not None:
                lines.append(f"  {entry.pooled.validation.words}")
    lines += [f"{bands} bands pooled as well"] if bands else []
    return lines + ([f"{alone} corrections that only one project has, kept as they are"] if alone else [])


def forecast(correction: Path, predictions: Path, folder: Path, ranges: Path | None = None) -> Outcome:
    """A new project's predictions corrected: forecast.csv, with `ranges` forecast_ranges.csv, and the page."""
    findings = Findings(faults=_folder_faults(folder))
    given = read_correction(correction, findings)
    found = read_predictions(predictions, findings)
    predicted_ranges = read_predicted_ranges(ranges, findings) if ranges is not None else ()
    if given is not None:
        findings.faults.extend(faults_of(given.source))
    if found is not None and not found.predictions and not findings.faults:
        findings.fault(predictions.name, "", "no row", "at least one prediction")
    findings.raise_if_any()
    assert given is not None
    assert found is not None
    document = given.source.document
    levels = forecast_levels(found.predictions, document)
    distances = forecast_ranges(predicted_ranges, found.predictions, document)
    files = {given.entry.file: given.digest, predictions.name: provenance.sha256(predictions)}
    write_text(folder / FORECAST_FILE, _joined(predictions, FORECAST, [_level_row(level) for level in levels]))
    if ranges is not None:
        rows = [_range_row(distance) for distance in distances]
        write_text(folder / FORECAST_RANGES_FILE, _joined(ranges, FORECAST_RANGES, rows))
        files[ranges.name] = provenance.sha256(ranges)
    evidence = ForecastEvidence(document, levels, distances, files, provenance.versions())
    write_text(folder / FORECAST_PAGE, forecast_page(evidence))
    return Outcome([*findings.notes, *_forecast_lines(given, levels, distances), f"Forecast in {folder}"])


def _folder_faults(folder: Path) -> list[Fault]:
    return [Fault(str(folder), "--out", "a file", "a folder")] if folder.is_file() else []


def _forecast_lines(given: Given, levels: Sequence[ForecastLevel], distances: Sequence[ForecastRange]) -> list[str]:
    without = sum(level.correction is None for level in levels)
    beyond = sum("outside_scope" in level.flags for level in levels)
    lines = [
        f"{len(levels) - without} of {len(levels)} levels corrected; {beyond} outside the scope, "
        f"{without} without a correction"
    ]
    if distances:
        met = sum(distance.corrected_range_m is not None for distance in distances)
        lines.append(f"{met} of {len(distances)} distances corrected")
    unsure = sum("group_ambiguous" in level.flags for level in levels)
    if unsure:
        needed = "foundation_type, installation_method, abatement and statistic"
        lines.append(f"{unsure} levels could take several corrections and took none: state {needed}")
    used = [level.correction for level in levels] + [distance.correction for distance in distances]
    if any(correction is not None and correction.n_projects == 1 for correction in used):
        every = all(correction is None or correction.n_projects == 1 for correction in used)
        which = "The corrections rest" if every else "Some of the corrections rest"
        lines.append(f"{which} on one project: the spread between projects is not known and a prior stands in for it")
    return lines


def _level_row(level: ForecastLevel) -> dict[str, object]:
    return {
        "correction_db": level.correction_db,
        "corrected_level_db": level.corrected_level_db,
        "lower_95_db": level.lower_95_db,
        "upper_95_db": level.upper_95_db,
        "correction_group": _group(level.correction),
        "outside_scope_in": ";".join(level.outside_scope_in),
        "flags": ";".join(level.flags),
    }


def _range_row(distance: ForecastRange) -> dict[str, object]:
    return {
        "corrected_range_m": distance.corrected_range_m,
        "lower_95_m": distance.lower_95_m,
        "upper_95_m": distance.upper_95_m,
        "correction_group": _group(distance.correction),
        "outside_scope_in": ";".join(distance.outside_scope_in),
        "flags": ";".join(distance.flags),
    }


def _group(correction: Correction | None) -> str:
    if correction is None:
        return ""
    return f"{correction.foundation_type}, {correction.installation_method}, {correction.abatement}"


def _joined(path: Path, table: Table, rows: Sequence[Mapping[str, object]]) -> str:
    """The input's own columns followed by the table's; a column of that name in the input gives way."""
    header, cells = cells_of(path)
    kept = [i for i, name in enumerate(header) if name not in table.column_names]
    lines = [[own[i] for i in kept] + _cells(table, row) for own, row in zip(cells, rows, strict=True)]
    return csv_text([*(header[i] for i in kept), *table.column_names], lines)


def _cells(table: Table, row: Mapping[str, object]) -> list[str]:
    """A row as text: levels to 0.001, what is not known empty, nothing that a spreadsheet takes for a formula."""
    cells = []
    for column in table.columns:
        value = row[column.name]
        if value is None:
            cells.append("")
        elif column.kind is Kind.LEVEL and isinstance(value, float):
            cells.append(f"{value:.3f}".rstrip("0").rstrip("."))
        else:
            cells.append(inert_cell(str(value)))
    return cells


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Comma-separated text with a header row."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return stream.getvalue()
