"""The order of the steps. Each stage starts from what the one before left in the results folder.

Rooms that a stage does not need are not loaded for it: their imports (statistics, figures) stand inside the functions.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from reconcile.campaign import read_campaign, summary_lines
from reconcile.campaign.stored_files import RecordingsFolder
from reconcile.recordings.sensitivity_path import with_effective_uncertainty
from reconcile.running import provenance
from reconcile.running.calibrating import calibrated, check_lines
from reconcile.running.fit_lines import fit_lines
from reconcile.running.levels_stage import CAMPAIGN, levels, usable_recordings
from reconcile.running.outcome import Outcome
from reconcile.running.progress import shown
from reconcile.running.provenance import BIAS, CORRECTION, FIT, PAGE, RECORD_CSV
from reconcile.running.store import (
    read_document,
    read_strikes,
    read_table,
    stored_bands,
    to_arrow,
    write_bytes,
    write_document,
    write_table,
    write_text,
)
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.correction import CorrectionDocument
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.tables import COMPARISON, INSERTION_LOSS, LIMITS, PILE_DISTANCES, RECORD, RESIDUALS, UNPAIRED

if TYPE_CHECKING:
    from reconcile.report import Evidence

__all__ = ["check", "compare", "demo", "fit", "fit_table", "levels", "limits", "record", "report", "run"]

# Columns of strikes that fits, comparisons, limits and records do not look at.
NOT_FOR_STATISTICS = (
    "blow_number", "recording", "start_sample", "peak_compression_level_db",
    "peak_rarefaction_level_db", "oversampled_peak_level_db", "peak_to_peak_level_db", "exposure_level_lower_95_db",
    "exposure_level_upper_95_db", "pulse_duration_s", "effective_duration_s", "rise_time_s", "kurtosis",
    "noise_peak_level_db", "signal_to_noise_db", "window_s", "unsubtracted_exposure_level_db", "strike_interval_s",
    "peak_compression_censoring", "peak_rarefaction_censoring",
)  # fmt: skip

DEMO_FILES = 60  # about; for the progress line only


def check(folder: Path, recordings: RecordingsFolder | None) -> Outcome:
    """Read and check everything, the recordings' headers included; compute nothing."""
    campaign, _ = read_campaign(folder, recordings)
    inventory = usable_recordings(campaign, recordings or folder)
    _, checked, _ = calibrated(campaign, (recordings or folder, folder), inventory)
    hours = sum(s.n_samples / s.rate_hz * len(s.channels) for s in inventory.streams) / 3600
    lines = summary_lines(campaign)
    lines.append(f"Recordings: {len(inventory.recordings)} usable, {hours:.2f} h of sound")
    lines += check_lines(checked.entries)
    lines += [f"Note: {note}" for note in (*inventory.doubts, *inventory.warnings)]
    return Outcome(lines, inventory.refused | inventory.damaged)


def run(
    folder: Path,
    results: Path,
    *,
    recordings: RecordingsFolder | None = None,
    piles: Sequence[str] = (),
    workers: int | None = None,
    hashed: bool = True,
    scheduler: str | None = None,
) -> Outcome:
    """The whole job: levels, fit, comparison where there are predictions, report."""
    done = levels(
        folder, results, recordings=recordings, piles=piles, workers=workers, hashed=hashed, scheduler=scheduler
    )
    done = done.then(fit(results, None))
    if resolved_campaign(results, None).predictions:
        done = done.then(compare(results, None))
    if resolved_campaign(results, None).criteria:
        done = done.then(limits(results, None))
    return done.then(record(results, None)).then(report(results))


def demo(folder: Path, *, workers: int | None = None) -> Outcome:
    """Write the demonstration campaign into a folder and run it."""
    from reconcile import scenario

    written = list(shown(scenario.campaign_files(folder), DEMO_FILES, "demonstration campaign", "files"))
    first = Outcome(
        [f"{len(written)} files of an invented wind farm in {folder}; what is true of it in {folder / 'truth'}"]
    )
    return first.then(run(folder, folder / "results", workers=workers))


def fit(results: Path, changed: Path | None, reference_range_m: float = 750.0, *, robust: bool = False) -> Outcome:
    """Level against range from the tables of a results folder; `robust` as the setting `robust_fits`."""
    from reconcile.spreading import fit_with_residuals

    started = datetime.now(UTC)
    campaign = resolved_campaign(results, changed)
    strikes, bands = read_strikes(results, NOT_FOR_STATISTICS), stored_bands(results)
    manifest = provenance.begin(results, "fit")
    document, residuals = fit_with_residuals(strikes, bands, campaign, reference_range_m, robust=robust)
    write_document(results / FIT, document)
    n_residuals = write_table(results, RESIDUALS, [residuals])
    if changed is not None:
        write_document(results / CAMPAIGN, campaign)
    chosen = sum(entry.selected for entry in document.fits)
    counts = {"fits": len(document.fits), "selected": chosen, "residuals": n_residuals}
    provenance.finish(results, manifest, "fit", started, counts)
    return Outcome([f"{chosen} fits of level against range ({len(document.fits)} models tried) in {results / FIT}"])


def fit_table(table: Path, folder: Path, reference_range_m: float, *, robust: bool = False) -> Outcome:
    """Level against range from a table of levels alone: FOLDER/fit.json."""
    from reconcile.spreading import fit_levels, read_levels

    document = fit_levels(read_levels(table), reference_range_m, robust=robust)
    write_document(folder / FIT, document)
    lines = [f"{sum(entry.selected for entry in document.fits)} fits in {folder / FIT}"]
    return Outcome([*lines, *fit_lines(document)])


def compare(results: Path, changed: Path | None) -> Outcome:
    """Predictions against measurements: comparison, what could not be paired, bias, correction."""
    from reconcile.comparison import bias_document
    from reconcile.comparison import compare as compared
    from reconcile.report.findings import findings
    from reconcile.transfer import correction_document

    started = datetime.now(UTC)
    campaign = resolved_campaign(results, changed)
    strikes, bands = read_strikes(results, NOT_FOR_STATISTICS), stored_bands(results)
    summary = read_table(results, "summary", "levels")
    fitted = read_document(results / FIT, FitDocument, "fit")
    manifest = provenance.begin(results, "compare")
    comparison, unpaired = compared(strikes, bands, summary, fitted, campaign)
    bias = bias_document(comparison, fitted, campaign)
    counts = {
        "comparison": write_table(results, COMPARISON, [comparison]),
        "unpaired": write_table(results, UNPAIRED, [unpaired]),
        "biases": len(bias.biases),
    }
    write_document(results / BIAS, bias)
    write_document(results / CORRECTION, correction_document(bias, comparison, strikes, campaign))
    if changed is not None:
        write_document(results / CAMPAIGN, campaign)
    provenance.finish(results, manifest, "compare", started, counts)
    lines = [f"{found.prediction_id} ({found.subject}): {found.sentences[0]}" for found in findings(bias.biases)]
    return Outcome([*lines, f"{len(unpaired)} predictions or piles not paired; the reasons are in the report"])


def limits(results: Path, changed: Path | None) -> Outcome:
    """Measured levels against the thresholds and limits that the campaign names."""
    from reconcile.comparison.limits import limit_rows, not_shown, over_limit

    started = datetime.now(UTC)
    campaign = resolved_campaign(results, changed)
    strikes = read_strikes(results, NOT_FOR_STATISTICS)
    exposure, summary = (read_table(results, name, "levels") for name in ("exposure", "summary"))
    fitted = read_document(results / FIT, FitDocument, "fit") if (results / FIT).exists() else None
    manifest = provenance.begin(results, "limits")
    table = limit_rows(strikes, exposure, summary, fitted, campaign)
    counts = {"limits": write_table(results, LIMITS, [table])}
    if changed is not None:
        write_document(results / CAMPAIGN, campaign)
    provenance.finish(results, manifest, "limits", started, counts)
    over = over_limit(table)
    lines = [*over, *not_shown(table)]
    return Outcome([*lines, f"{len(table)} levels held against {len(campaign.criteria)} criteria"], over_limit=over)


def record(results: Path, changed: Path | None) -> Outcome:
    """Insertion loss, and the sound field verification of each pile: tables and record.csv."""
    from reconcile.comparison.insertion_loss import insertion_losses
    from reconcile.comparison.pile_distances import pile_distances
    from reconcile.comparison.verification_record import RecordSource, beyond_predicted, record_rows
    from reconcile.report.csv_tables import csv_chunks

    started = datetime.now(UTC)
    campaign = resolved_campaign(results, changed)
    strikes, bands = read_strikes(results, NOT_FOR_STATISTICS), stored_bands(results)
    summary, exposure, uncertainty = (
        read_table(results, name, "levels") for name in ("summary", "exposure", "uncertainty")
    )
    fitted = read_document(results / FIT, FitDocument, "fit") if (results / FIT).exists() else None
    pairs = read_table(results, "comparison", "compare") if (results / BIAS).exists() else None
    manifest = provenance.begin(results, "record")
    rows = record_rows(RecordSource(campaign, summary, exposure, uncertainty, pairs))
    distances = pile_distances(rows, fitted, campaign)
    counts = {
        "insertion_loss": write_table(results, INSERTION_LOSS, [insertion_losses(strikes, bands, campaign)]),
        "record": write_table(results, RECORD, [rows]),
        "pile_distances": write_table(results, PILE_DISTANCES, [distances]),
    }
    write_bytes(results / RECORD_CSV, csv_chunks(RECORD.schema(), to_arrow(rows, RECORD).to_batches()))
    if changed is not None:
        write_document(results / CAMPAIGN, campaign)
    provenance.finish(results, manifest, "record", started, counts)
    return Outcome([*beyond_predicted(rows, distances), f"sound field record of {len(campaign.piles)} piles"])


def report(results: Path, with_csv: bool = False, with_pdf: bool = False, with_geopackage: bool = False) -> Outcome:
    """The page, the workbook, map layers, figures and descriptions, from what is on disk; more of it if asked for."""
    from reconcile.report import contents, geopackage, pdf, rendered
    from reconcile.running.exports import write_exports

    started = datetime.now(UTC)
    evidence = _evidence(results)
    shown = contents(evidence)
    html = rendered(shown)
    if with_geopackage:
        geopackage.library()
    printed = (
        pdf.pdf(rendered(shown, for_paper=True)) if with_pdf else None
    )  # before anything is changed: a library may be missing
    manifest = provenance.begin(results, "report")
    write_text(results / PAGE, html)
    if printed is not None:
        write_bytes(results / provenance.PDF, [printed])
    write_exports(results, evidence, shown, with_csv, with_geopackage)
    provenance.finish(results, manifest, "report", started, {})
    return Outcome([f"report in {results / PAGE}"])


def _evidence(results: Path) -> Evidence:
    """All that the page shows; what later stages made only where it is there."""
    from reconcile.report import Evidence

    compared_already, recorded = (results / BIAS).exists(), (results / RECORD_CSV).exists()
    tables = {
        name: read_table(results, name, "levels")
        for name in (
            "summary",
            "phases",
            "exposure",
            "background",
            "continuous",
            "tones",
            "uncertainty",
            "rejected",
            "blow_counts",
        )
    }
    return Evidence(
        campaign=resolved_campaign(results, None),
        manifest=provenance.read_manifest(results),
        strikes=read_strikes(results, set(NOT_FOR_STATISTICS) - {"recording", "start_sample"}),
        bands=stored_bands(results),
        **tables,
        fit=read_document(results / FIT, FitDocument, "fit") if (results / FIT).exists() else None,
        residuals=read_table(results, "residuals", "fit") if (results / "residuals.parquet").exists() else None,
        limits=read_table(results, "limits", "limits") if (results / "limits.parquet").exists() else None,
        insertion_loss=read_table(results, "insertion_loss", "record") if recorded else None,
        record=read_table(results, "record", "record") if recorded else None,
        pile_distances=read_table(results, "pile_distances", "record") if recorded else None,
        comparison=read_table(results, "comparison", "compare") if compared_already else None,
        unpaired=read_table(results, "unpaired", "compare") if compared_already else None,
        bias=read_document(results / BIAS, BiasDocument, "compare") if compared_already else None,
        correction=read_document(results / CORRECTION, CorrectionDocument, "compare") if compared_already else None,
    )


def resolved_campaign(results: Path, changed: Path | None) -> Campaign:
    """The campaign that a later stage works with: as left in the results folder, or a changed one read anew."""
    if changed is not None:
        checks = provenance.read_manifest(results).field_checks
        return with_effective_uncertainty(read_campaign(changed)[0], checks)
    return read_document(results / CAMPAIGN, Campaign, "levels")
