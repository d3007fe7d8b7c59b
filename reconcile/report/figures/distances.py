"""Predicted distances to a level beside those that the fitted curves give."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import (
    CURVE,
    GRID,
    INK,
    PAPER,
    PREDICTED,
    SYMBOLS,
    house_style,
    log_axis,
    new_axes,
)
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import significant
from reconcile.report.words import group_words, unit_words
from reconcile.vocabulary.documents.bias import ThresholdComparison
from reconcile.vocabulary.weightings import GUIDANCE, WEIGHTINGS

_ROW_INCHES, _FRAME_INCHES = 0.46, 0.66
MEASURED = "#0072b2"


def distances(evidence: Evidence) -> FigurePart | None:
    """One panel for each prediction and group; None where no distance was measured."""
    rows = [t for t in (evidence.bias.threshold_ranges if evidence.bias else ()) if t.measured_m is not None]
    if not rows:
        return None
    ends = [end for t in rows for end in (t.predicted_m, t.measured_m, *t.interval_m) if end is not None]
    limits = max(min(ends) / 1.3, 1.0), min(max(ends) * 1.3, 1e6)
    grouped: dict[tuple[str, str], list[ThresholdComparison]] = {}
    for row in rows:
        group = group_words(row.installation_method, row.foundation_type, row.abatement)
        grouped.setdefault((row.prediction_id, group), []).append(row)
    panels = tuple(
        _panel(f"{name}: {group}", entries, limits, f"td-{i}")
        for i, ((name, group), entries) in enumerate(grouped.items())
    )
    items = (
        LegendItem("marker", MEASURED, "from the fitted curve, with its 95 % interval", SYMBOLS["o"]),
        LegendItem("marker", MEASURED, "outside the measured ranges", SYMBOLS["o"], filled=False),
        LegendItem("marker", PREDICTED, "predicted", SYMBOLS["D"], filled=False),
    )
    return FigurePart(panels, items)


def threshold_label(row: ThresholdComparison) -> str:
    """Level and quantity of a threshold, in the short form that fits above its bar."""
    symbol = {"peak_level": "peak", "exposure_level": "single-strike exposure", "rms_level": "mean-square",
              "cumulative_exposure_level": "cumulative exposure"}.get(row.quantity, row.quantity)  # fmt: skip
    found = WEIGHTINGS.get(row.weighting)
    name = row.weighting if found is None else f"{found.group}-weighted ({GUIDANCE[found.guidance].title})"
    weighting = "" if row.weighting == "none" else f", {name}"
    return f"{significant(row.threshold_db, 4)} {unit_words(row.quantity)}, {symbol}{weighting}"


def _panel(title: str, rows: Sequence[ThresholdComparison], limits: tuple[float, float], key: str) -> Panel:
    with house_style():
        figure, axes = new_axes(height=_FRAME_INCHES + _ROW_INCHES * len(rows))
        for place, row in enumerate(reversed(rows)):
            low, high = (limits[i] if end is None else end for i, end in enumerate(row.interval_m))
            measured = row.measured_m or low
            axes.plot([low, high], [place, place], color=MEASURED, linewidth=2.0, alpha=0.55, solid_capstyle="butt")
            face = "#ffffff" if row.extrapolated else MEASURED
            axes.plot([measured], [place], "o", color=MEASURED, markerfacecolor=face, markersize=5.5, zorder=3)
            axes.plot([row.predicted_m], [place], "D", color=PREDICTED, markerfacecolor="none", markersize=5, zorder=4)
            axes.annotate(
                plain(threshold_label(row)), (0.0, place), xycoords=("axes fraction", "data"), xytext=(3, 7.5),
                textcoords="offset points", color=INK, fontsize=7.6, zorder=2,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8},
            )  # fmt: skip
        axes.set_ylim(-0.45, len(rows) - 0.3)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.grid(True, axis="x", color=GRID)
        axes.spines["bottom"].set_color(CURVE)
        log_axis(axes, *limits, "Horizontal distance from the pile (m)")
        svg = inline(figure, key, f"Predicted and measured distances to levels. {plain(title)}.")
    return Panel(title, svg)
