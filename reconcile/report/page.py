"""The page: everything that it shows, in order, handed to its template. Same evidence, same bytes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reconcile.report.choice import Choice, Option, figures, tables
from reconcile.report.evidence import Evidence
from reconcile.report.figures.bias import bias_figure
from reconcile.report.figures.claimed import claimed_figure
from reconcile.report.figures.continuous import kurtosis_histories, tone_histories
from reconcile.report.figures.distances import distances
from reconcile.report.figures.fit_checks import fit_checks
from reconcile.report.figures.insertion_loss import insertion_loss_figure
from reconcile.report.figures.level_range import level_range
from reconcile.report.figures.site_map import site_maps
from reconcile.report.figures.spectra import spectra
from reconcile.report.figures.split import split_figure
from reconcile.report.figures.time_history import continuous_histories, strike_histories
from reconcile.report.findings import findings, reading_notes
from reconcile.report.formatting import unbroken
from reconcile.report.in_short import in_short
from reconcile.report.opening import opening
from reconcile.report.sections import sections
from reconcile.report.small_page import policy, with_classes
from reconcile.report.strike_view import strike_view
from reconcile.report.subjects import (
    Subject,
    curve_subjects,
    level_subjects,
    paired_subjects,
    predicted_subjects,
    selected_fits,
)
from reconcile.report.tables import (
    blow_counts,
    causes,
    chain,
    continuous,
    decisions,
    exclusions,
    fits,
    insertion_loss,
    levels,
    limits,
    phases,
    predictions,
    surroundings,
    uncertainty,
)
from reconcile.report.tables.claimed import claimed_table
from reconcile.report.tables.corrections import correction_table
from reconcile.report.tables.fit_reasons import fit_group, fit_notes
from reconcile.report.words import group_words, sentence_case
from reconcile.vocabulary.impulsiveness import KURTOSIS_BOUNDS
from reconcile.vocabulary.weightings import GUIDANCE, WEIGHTINGS

SCRIPTS = ("choices.js.j2", "strikes.js.j2")
TABLES_OF_INPUT = (
    "campaign.toml",
    "piles.csv",
    "activities.csv",
    "blows.csv",
    "driving_log.csv",
    "ranges.csv",
    "predictions.csv",
    "predicted_ranges.csv",
    "decisions.csv",
)


def page(evidence: Evidence) -> str:
    """The report as one HTML document that asks for nothing from outside.

    What has not been made yet (fits, biases) is left out, or said to be missing. All names from the input are escaped.
    """
    return rendered(contents(evidence))


def rendered(shown: dict[str, Any], *, for_paper: bool = False) -> str:
    """The page of what `contents` gathered; `for_paper` with each drawing's styles in itself, as a PDF needs them."""
    environment = Environment(
        loader=PackageLoader("reconcile.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["unbroken"] = unbroken
    script = "\n".join(environment.get_template(name).render() for name in SCRIPTS)
    html = environment.get_template("report.html.j2").render(
        **shown, sections=sections(shown), script=Markup(script), policy=policy(script)
    )
    return html if for_paper else with_classes(html)


def contents(evidence: Evidence) -> dict[str, Any]:
    """Everything that the template names."""
    return {
        "campaign": evidence.campaign,
        "opening": opening(evidence),
        "in_short": in_short(evidence),
        "has_predictions": bool(evidence.campaign.predictions or evidence.campaign.predicted_ranges),
        "has_fit": evidence.fit is not None,
        "has_bias": evidence.bias is not None,
        **_predictions(evidence),
        **_measurements(evidence),
        **_losses(evidence),
        **_limits(evidence),
        **_blows(evidence),
        **_chain(evidence),
        **_left_out(evidence),
        "settings": exclusions.settings_table(evidence),
        "versions": exclusions.versions_table(evidence),
        "stages": exclusions.stages_table(evidence),
        "inputs": exclusions.input_table(evidence, [n for n in TABLES_OF_INPUT if n in evidence.manifest.inputs]),
        **_weightings(evidence),
    }


def _weightings(evidence: Evidence) -> dict[str, Any]:
    used = [WEIGHTINGS[w] for w in evidence.campaign.settings.weightings if w in WEIGHTINGS]
    guidance = [GUIDANCE[name] for name in dict.fromkeys(w.guidance for w in used)]
    sources = [g.source if g.standing == "read" else f"{g.source} (numbers {g.standing})" for g in guidance]
    return {"weightings": used, "weighting_sources": sources}


def _predictions(evidence: Evidence) -> dict[str, Any]:
    biases = evidence.biases
    predicted = predicted_subjects(evidence)
    thresholds = evidence.bias.threshold_ranges if evidence.bias else ()
    return {
        "findings": findings(biases),
        "reading_notes": reading_notes(biases),
        "bias_table": predictions.bias_table(biases) if biases else None,
        "not_in_the_biases": predictions.not_in_the_biases(evidence.pairs, biases),
        "bias_figures": figures("Quantity", predicted, lambda s: bias_figure(evidence, s), 1),
        "pairs": tables("Quantity", paired_subjects(evidence), lambda s: predictions.pairs_table(evidence, s), 1),
        "corrections": correction_table(evidence.correction) if evidence.correction else None,
        "claimed_figure": claimed_figure(evidence),
        "claimed_table": claimed_table(biases),
        **_causes(evidence),
        "distances": distances(evidence),
        "distance_table": predictions.distance_table(thresholds) if thresholds else None,
    }


def _causes(evidence: Evidence) -> dict[str, Any]:
    subjects = [subject for subject in predicted_subjects(evidence) if subject.band_hz is None]
    return {
        "split_figures": figures("Quantity", subjects, lambda s: split_figure(evidence, s), 1),
        "split_tables": tables("Quantity", subjects, lambda s: causes.split_table(evidence, s), 1),
        "readings": causes.readings(evidence),
        "band_shapes": causes.band_shape_table(evidence),
    }


def _measurements(evidence: Evidence) -> dict[str, Any]:
    subjects = level_subjects(evidence)
    weightings = levels.exposure_weightings(evidence)
    bands = fits.band_fit_table(evidence)
    models = _models(evidence, subjects)
    if not bands.empty:
        models = replace(models, options=(*models.options, Option("Decidecade bands: the chosen fits", table=bands)))
    cumulative = tuple(
        Option(sentence_case(levels.exposure_title(w)), table=levels.exposure_table(evidence, w)) for w in weightings
    )
    stations = phases.phase_stations(evidence)
    percentiles = tuple(
        Option(sentence_case(levels.exposure_title(w)), table=continuous.activity_table(evidence, w))
        for w in continuous.activity_weightings(evidence)
    )
    return {
        "piles": chain.pile_table(evidence),
        "level_range": figures("Quantity", curve_subjects(evidence), lambda s: level_range(evidence, s), 2),
        "fits": models,
        "fit_checks": _fit_checks(evidence, subjects),
        "spread_note": fits.spread_note(),
        "levels": tables("Quantity", subjects, lambda s: levels.level_table(evidence, s), 1),
        "phases": Choice("Station", tuple(Option(s, table=phases.phase_table(evidence, s)) for s in stations), 1),
        "phases_note": phases.phase_note(evidence),
        "cumulative": Choice("Weighting", cumulative, 1),
        "histories": strike_histories(evidence),
        "strike_view": strike_view(evidence),
        "maps": site_maps(evidence),
        "continuous": continuous_histories(evidence),
        "continuous_tables": Choice("Weighting", percentiles, 1),
        **_continuous(evidence),
        "spectra": spectra(evidence),
    }


def _continuous(evidence: Evidence) -> dict[str, Any]:
    stations = evidence.station_ids
    around = [(name, surroundings.surroundings_table(evidence, name)) for name in stations]
    kurtosis = [(name, surroundings.kurtosis_table(evidence, name)) for name in stations]
    return {
        "tones": tone_histories(evidence),
        "kurtosis_figure": kurtosis_histories(evidence),
        "kurtosis_bounds": KURTOSIS_BOUNDS,
        "kurtosis_tables": Choice("Station", tuple(Option(name, table=t) for name, t in kurtosis if not t.empty), 1),
        "surroundings": Choice("Station", tuple(Option(name, table=t) for name, t in around if not t.empty), 2),
    }


def _losses(evidence: Evidence) -> dict[str, Any]:
    return {
        "losses": insertion_loss.side_by_side_table(evidence),
        "loss_places": insertion_loss.place_table(evidence),
        "loss_figure": insertion_loss_figure(evidence),
        "loss_flags": insertion_loss.flag_notes(evidence),
    }


def _models(evidence: Evidence, subjects: Iterable[Subject]) -> Choice:
    """The fitted models of each subject, with the reasons of the choice below their table."""
    filled = [(subject, fits.fit_table(evidence, subject)) for subject in subjects]
    options = tuple(
        Option(subject.title, table=table, notes=fit_notes(fits.fits_of(evidence, subject)))
        for subject, table in filled
        if not table.empty
    )
    return Choice("Quantity", options, 1)


def _fit_checks(evidence: Evidence, subjects: Iterable[Subject]) -> Choice:
    """Residuals and influence of each chosen broadband fit."""
    drawn = [
        (subject, fit, fit_checks(evidence, subject, fit))
        for subject in subjects
        for fit in selected_fits(evidence, subject)
    ]
    options = tuple(
        Option(f"{subject.title}: {group_words(*fit_group(fit))}", figure=figure)
        for subject, fit, figure in drawn
        if figure
    )
    return Choice("Fit", options, 1)


def _limits(evidence: Evidence) -> dict[str, Any]:
    options = tuple(Option(name, table=limits.limit_table(evidence, name)) for name in limits.limit_sets(evidence))
    return {
        "has_limits": evidence.limits is not None,
        "limit_tables": Choice("Criteria", options),
        "limits_left_out": limits.not_compared_table(evidence),
    }


def _blows(evidence: Evidence) -> dict[str, Any]:
    return {
        "blow_counts": blow_counts.blow_count_table(evidence),
        "unclear_logs": blow_counts.unclear_logs(evidence),
        "rejected": blow_counts.rejected_table(evidence),
    }


def _chain(evidence: Evidence) -> dict[str, Any]:
    return {
        "stations": chain.station_table(evidence),
        "chains": chain.chain_table(evidence),
        "log_clocks": chain.log_clock_table(evidence),
        "station_clocks": chain.station_clock_table(evidence),
        "recordings": chain.recordings_table(evidence),
        "field_checks": uncertainty.field_check_table(evidence),
        "budget": uncertainty.budget_table(evidence),
        "components": uncertainty.component_table(evidence),
    }


def _left_out(evidence: Evidence) -> dict[str, Any]:
    manifest = evidence.manifest
    return {
        "missing_strikes": exclusions.missing_strikes(evidence),
        "decisions": decisions.decision_table(evidence),
        "flags": exclusions.flag_table(evidence),
        "censoring": exclusions.censoring_table(evidence),
        "refused": exclusions.reason_table("Recording refused", manifest.refused),
        "damaged": exclusions.reason_table("Recording used in part", manifest.damaged),
        "warnings": exclusions.input_notes(manifest.warnings),
        "unpaired": predictions.unpaired_table(evidence),
        "not_fitted": exclusions.not_fitted_table(evidence),
    }
