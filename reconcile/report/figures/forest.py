"""Forest figure: each project's correction with its interval, the pooled one, and where a new project may lie."""

from __future__ import annotations

from matplotlib.axes import Axes

from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import GRID, INK, MUTED, house_style, new_axes, padded
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import between, percent, signed, significant
from reconcile.report.words import group_words, sentence_case, statistic_words
from reconcile.vocabulary.documents.correction import Correction
from reconcile.vocabulary.documents.pooling import PooledEvidence

_ROW_INCHES, _FRAME_INCHES, _WIDTH_INCHES = 0.31, 0.75, 6.6
_LONGEST_NAME = 26
PROJECT, POOLED, NEW = "#0072b2", "#1d2733", "#b34700"


def forest(correction: Correction, key: str) -> FigurePart | None:
    """One panel for a pooled correction; None for one that was not pooled."""
    evidence = correction.pooled
    if evidence is None:
        return None
    group = group_words(correction.installation_method, correction.foundation_type, correction.abatement)
    with house_style():
        rows = len(evidence.contributions) + 2
        figure, axes = new_axes(_WIDTH_INCHES, _FRAME_INCHES + _ROW_INCHES * rows)
        _draw(axes, correction, evidence)
        figure.align_labels()
        described = f"Corrections of {len(evidence.contributions)} projects and the pooled one. {plain(group)}."
        svg = inline(figure, key, described)
    items = (
        LegendItem(
            "marker", PROJECT, "one project; the larger the square, the more it weighs", "M-4.2,-4.2h8.4v8.4h-8.4z"
        ),
        LegendItem("marker", POOLED, "pooled, with the 95 % interval of the mean", "M-5,0L0,-4.5L5,0L0,4.5z"),
        LegendItem("line", NEW, "95 % interval for a new project"),
    )
    title = f"{sentence_case(group)}; {statistic_words(correction.statistic)}"
    return FigurePart((Panel(title, svg, _note(correction, evidence)),), items)


def _note(correction: Correction, evidence: PooledEvidence) -> str:
    at = significant(correction.reference_range_m)
    mean = between(*evidence.offset_interval_95_db, with_sign=True)
    new = between(*evidence.offset_new_project_interval_95_db, with_sign=True)
    return (
        f"What is added to a prediction at {at} m. Right of zero the predictions were too quiet, left of it too loud."
        f" Pooled {signed(correction.coefficients.offset_db.value)} dB ({mean} dB); a new project, before the spread of"
        f" its piles, {new} dB."
    )


def _draw(axes: Axes, correction: Correction, evidence: PooledEvidence) -> None:
    parts = evidence.contributions
    rows = len(parts) + 2
    value = correction.coefficients.offset_db.value
    low, high = evidence.offset_interval_95_db
    wide = evidence.offset_new_project_interval_95_db
    ends = [0.0, *wide, low, high, *(end for part in parts for end in part.offset_interval_95_db)]
    axes.axvline(0.0, color=MUTED, linewidth=0.9)
    axes.axvline(value, color=POOLED, linewidth=0.8, linestyle=(0, (4, 3)))
    names, texts = [], []
    for i, part in enumerate(parts):
        y = rows - 1 - i
        offset = part.coefficients.offset_db.value
        axes.plot(part.offset_interval_95_db, [y, y], color=PROJECT, linewidth=1.3, solid_capstyle="butt")
        size = 3.5 + 7.0 * (max(part.weight_percent, 0.0) / 100.0) ** 0.5
        axes.plot([offset], [y], "s", color=PROJECT, markersize=size, zorder=3)
        names.append(plain(part.project, _LONGEST_NAME))
        words = between(*part.offset_interval_95_db, with_sign=True)
        texts.append(f"{signed(offset)} ({words}), {percent(part.weight_percent / 100.0)}")
    axes.fill([low, value, high, value], [1, 1.27, 1, 0.73], color=POOLED, zorder=3, linewidth=0)
    axes.plot(wide, [0, 0], color=NEW, linewidth=2.4, solid_capstyle="butt")
    names += ["Pooled", "A new project"]
    texts += [f"{signed(value)} ({between(low, high, with_sign=True)})", f"({between(*wide, with_sign=True)})"]
    axes.set_yticks([rows - 1 - i for i in range(rows)], names)
    axes.axhline(1.5, color=GRID, linewidth=0.9)
    for i, words in enumerate(texts):
        axes.annotate(
            words, (1.0, rows - 1 - i), xycoords=("axes fraction", "data"), xytext=(8, 0), textcoords="offset points",
            va="center", color=INK, fontsize=8.0,
        )  # fmt: skip
    axes.grid(False, axis="y")
    axes.tick_params(axis="y", length=0, labelcolor=INK)
    axes.set_ylim(-0.6, rows - 0.4)
    axes.set_xlim(*padded(ends, 0.05, 0.5))
    axes.set_xlabel(f"Added at {significant(correction.reference_range_m)} m (dB)")
