"""Before and after: errors of left-out projects, predicted and corrected levels, predicted and corrected distances."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import GRID, INK, MUTED, SYMBOLS, house_style, log_axis, new_axes, padded
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import significant
from reconcile.report.subjects import Subject
from reconcile.report.words import short_quantity_words, statistic_words
from reconcile.transfer.correction_curve import correction_curve
from reconcile.transfer.forecast import ForecastLevel
from reconcile.transfer.forecast_ranges import ForecastRange
from reconcile.vocabulary.documents.pooling import Validation
from reconcile.vocabulary.quantities import QUANTITIES

BEFORE, AFTER = "#5d6975", "#0072b2"
_ROW_INCHES, _FRAME_INCHES = 0.31, 0.62
_LONGEST_NAME = 26
_CURVE_POINTS = 60


def validation_figure(validation: Validation, key: str) -> FigurePart:
    """Each project's mean absolute error uncorrected and corrected by the others."""
    projects = validation.projects
    with house_style():
        figure, axes = new_axes(5.6, _FRAME_INCHES + _ROW_INCHES * len(projects))
        for place, entry in enumerate(reversed(projects)):
            axes.plot([entry.uncorrected_db, entry.corrected_db], [place, place], color=GRID, linewidth=2.2, zorder=1)
            axes.plot([entry.uncorrected_db], [place], "D", color=BEFORE, markerfacecolor="#ffffff", markersize=5.5)
            axes.plot([entry.corrected_db], [place], "o", color=AFTER, markersize=6)
        axes.set_yticks(range(len(projects)), [plain(p.project, _LONGEST_NAME) for p in reversed(projects)])
        axes.tick_params(axis="y", length=0, labelcolor=INK)
        axes.grid(False, axis="y")
        axes.set_ylim(-0.6, len(projects) - 0.4)
        axes.set_xlim(0.0, max(max(p.uncorrected_db, p.corrected_db) for p in projects) * 1.08 + 0.1)
        axes.set_xlabel("Mean absolute error of the prediction over the project's distances (dB)")
        svg = inline(figure, key, "Errors of each project's predictions before and after correction by the others.")
    items = (
        LegendItem("marker", BEFORE, "as predicted", SYMBOLS["D"], filled=False),
        LegendItem("marker", AFTER, "corrected by the other projects", SYMBOLS["o"]),
    )
    return FigurePart((Panel("Each project, left out in turn", svg, validation.words),), items)


def level_figure(levels: Sequence[ForecastLevel], subject: Subject, key: str) -> FigurePart | None:
    """Panels of predicted and corrected levels against distance, one for each prediction; None without any."""
    grouped: dict[tuple[object, ...], list[ForecastLevel]] = {}
    for level in levels:
        row = level.prediction
        if Subject(row.quantity, row.weighting, row.band_hz) == subject:
            name = (row.prediction_id, row.model_id, row.statistic, row.energy_kj, row.abatement, row.foundation_type,
                    row.installation_method, row.receiver, row.bearing_deg, row.n_strikes)  # fmt: skip
            grouped.setdefault(name, []).append(level)
    panels = [_level_panel(own, subject, f"{key}-{i}") for i, own in enumerate(grouped.values())]
    items = (
        LegendItem("marker", BEFORE, "predicted", SYMBOLS["D"], filled=False),
        LegendItem("marker", AFTER, "corrected", SYMBOLS["o"]),
        LegendItem("marker", AFTER, "corrected, outside the scope", SYMBOLS["o"], filled=False),
        LegendItem("band", AFTER, "95 % interval for a pile of a new project"),
    )
    return FigurePart(tuple(panels), items) if panels else None


def _level_panel(levels: Sequence[ForecastLevel], subject: Subject, key: str) -> Panel:
    ordered = sorted(levels, key=lambda level: level.prediction.range_m)
    ranges = np.array([level.prediction.range_m for level in ordered])
    before = np.array([level.prediction.level_db for level in ordered])
    first = ordered[0].prediction
    abatement = "" if first.abatement in (None, "", "none") else f", {first.abatement}"
    title = f"{first.prediction_id}: {statistic_words(first.statistic)}{abatement}"
    with house_style():
        figure, axes = new_axes()
        axes.plot(ranges, before, "D--", color=BEFORE, markerfacecolor="#ffffff", markersize=5, linewidth=1.0)
        ends = [*before]
        has = [level for level in ordered if level.correction is not None]
        correction = has[0].correction if has else None
        if correction is not None:
            curve = correction_curve(correction)
            own = np.array([level.prediction.range_m for level in has])
            fine = np.geomspace(own.min(), own.max(), _CURVE_POINTS) if own.size > 1 else own
            shape = np.interp(np.log10(fine), np.log10(ranges), before) + curve.added_db(fine)
            half = curve.half_width_db(fine)
            axes.fill_between(fine, shape - half, shape + half, color=AFTER, alpha=0.16, linewidth=0)
            axes.plot(fine, shape, color=AFTER, linewidth=1.4)
            ends += [*(shape - half), *(shape + half)]
            for level in has:
                face = "#ffffff" if "outside_scope" in level.flags else AFTER
                at = [level.prediction.range_m], [level.corrected_level_db or 0.0]
                axes.plot(*at, "o", color=AFTER, markerfacecolor=face, markersize=5.5, zorder=3)
        log_axis(axes, ranges.min() / 1.25, ranges.max() * 1.25, "Horizontal distance from the pile (m)")
        axes.set_ylim(*padded(ends, 0.06, 1.0))
        axes.set_ylabel(f"{subject.short} ({subject.unit})", wrap=True)
        svg = inline(figure, key, f"Predicted and corrected levels against distance, {plain(first.prediction_id)}.")
    return Panel(title, svg, "" if has else "No correction for this prediction.")


def distance_figure(distances: Sequence[ForecastRange], key: str) -> FigurePart | None:
    """Predicted and corrected distances to levels; None where none was corrected."""
    rows = [row for row in distances if row.corrected_range_m is not None]
    if not rows:
        return None
    ends = [end for r in rows for end in (r.predicted.range_m, r.corrected_range_m, r.lower_95_m, r.upper_95_m) if end]
    limits = max(min(ends) / 1.3, 1.0), min(max(ends) * 1.3, 1e6)
    with house_style():
        figure, axes = new_axes(6.2, _FRAME_INCHES + 0.42 * len(rows))
        for place, row in enumerate(reversed(rows)):
            low, high = row.lower_95_m or limits[0], row.upper_95_m or limits[1]
            axes.plot([low, high], [place, place], color=AFTER, linewidth=2.0, alpha=0.5, solid_capstyle="butt")
            face = "#ffffff" if "outside_scope" in row.flags else AFTER
            corrected = row.corrected_range_m or limits[0]
            axes.plot([corrected], [place], "o", color=AFTER, markerfacecolor=face, markersize=5.5)
            axes.plot([row.predicted.range_m], [place], "D", color=BEFORE, markerfacecolor="none", markersize=5)
            axes.annotate(
                plain(distance_label(row)), (0.0, place), xycoords=("axes fraction", "data"), xytext=(3, 6),
                textcoords="offset points", color=INK, fontsize=7.6,
            )  # fmt: skip
        axes.set_ylim(-0.5, len(rows) - 0.2)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.spines["bottom"].set_color(MUTED)
        axes.grid(True, axis="x", color=GRID)
        log_axis(axes, *limits, "Horizontal distance from the pile (m)")
        svg = inline(figure, key, "Predicted and corrected distances to levels.")
    items = (
        LegendItem("marker", BEFORE, "predicted", SYMBOLS["D"], filled=False),
        LegendItem("marker", AFTER, "corrected, with the 95 % interval for a pile of a new project", SYMBOLS["o"]),
        LegendItem("marker", AFTER, "corrected, outside the scope", SYMBOLS["o"], filled=False),
    )
    return FigurePart((Panel("Distances to levels", svg),), items)


def distance_label(row: ForecastRange) -> str:
    """Prediction, level and quantity of a distance, in few words."""
    asked = row.predicted
    unit = QUANTITIES[asked.quantity].unit if asked.quantity in QUANTITIES else "dB"
    subject = short_quantity_words(asked.quantity, asked.weighting)
    return f"{asked.prediction_id}: {significant(asked.threshold_db, 4)} {unit}, {subject}"
