"""Where a difference comes from: the parts of one split as bars with their intervals."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes

from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import GRID, INK, MUTED, house_style, new_axes, padded
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import between, metres, signed
from reconcile.report.subjects import Subject
from reconcile.report.words import group_words, sentence_case, statistic_words
from reconcile.vocabulary.documents.bias_parts import PartName, Split, SplitPart

PART_NAMES: dict[PartName, str] = {
    "energy": "Strike energy",
    "strike_count": "Number of strikes",
    "piles_a_day": "Piles a day",
    "abatement": "Abatement",
    "source": "Source",
    "propagation": "Propagation",
}
_COLOURS = {"operations": "#b97f00", "abatement": "#00866a", "source": "#0072b2", "propagation": "#d55e00"}
_ROW_INCHES, _FRAME_INCHES = 0.34, 0.66


def split_figure(evidence: Evidence, subject: Subject) -> FigurePart | None:
    """One panel for each prediction and group of a subject; None where there is no split of it."""
    splits = [s for s in evidence.splits if Subject(s.quantity, s.weighting, s.band_hz) == subject]
    if not splits:
        return None
    ends = [end for split in splits for end in _ends(split)]
    limits = padded([*ends, 0.0], 0.06, 0.5)
    panels = tuple(_panel(split, limits, f"sp-{subject.key}-{i}") for i, split in enumerate(splits))
    names = {"operations": "what the hammer did", "abatement": "abatement", "source": "source",
             "propagation": "propagation"}  # fmt: skip
    items = [LegendItem("line", _COLOURS[cause], name) for cause, name in names.items()]
    items.append(LegendItem("marker", INK, "parts together", "M0,-5.2L5.2,0L0,5.2L-5.2,0z"))
    return FigurePart(panels, tuple(items))


def _ends(split: Split) -> list[float]:
    told = [end for part in split.parts if part.interval_95_db for end in part.interval_95_db]
    return [*told, *split.acoustic_interval_95_db, split.total_db]


def _panel(split: Split, limits: tuple[float, float], key: str) -> Panel:
    group = sentence_case(group_words(split.installation_method, split.foundation_type, split.abatement))
    title = f"{split.prediction_id}: {group}; {statistic_words(split.statistic)}"
    told = [part for part in split.parts if part.value_db is not None]
    with house_style():
        figure, axes = new_axes(height=_FRAME_INCHES + _ROW_INCHES * (len(told) + 2))
        _draw(axes, split, told, limits)
        svg = inline(figure, key, f"Parts of predicted minus recorded. {plain(title)}.")
    untold = [f"{PART_NAMES[part.part]}: {part.reason}." for part in split.parts if part.value_db is None]
    at = f"At {metres(split.at_range_m)} m. Bars: values; lines: 95 % intervals."
    learnt = ["Source: learnt from the piles without abatement."] if _contrasted(split) else []
    return Panel(title, svg, " ".join([at, *learnt, *untold]))


def _contrasted(split: Split) -> bool:
    """Whether source and abatement were told apart by piles without it."""
    return any(part.part == "abatement" and part.value_db is not None for part in split.parts)


def _draw(axes: Axes, split: Split, told: Sequence[SplitPart], limits: tuple[float, float]) -> None:
    rows = len(told) + 2
    axes.axvline(0.0, color=MUTED, linewidth=0.9)
    names, texts = [], []
    for i, part in enumerate(told):
        y, value, colour = rows - 1 - i, part.value_db or 0.0, _COLOURS[part.cause]
        axes.barh(y, value, height=0.5, color=colour, alpha=0.35, linewidth=0)
        low, high = part.interval_95_db or (value, value)
        axes.plot([low, high], [y, y], color=colour, linewidth=1.8, solid_capstyle="butt", zorder=3)
        axes.plot([value], [y], "|", color=colour, markersize=9, markeredgewidth=1.8, zorder=4)
        names.append(PART_NAMES[part.part])
        exact = high - low < 0.05
        texts.append(f"{signed(value)}" if exact else f"{signed(value)} ({between(low, high, with_sign=True)})")
    acoustic, low, high = split.acoustic_db, *split.acoustic_interval_95_db
    axes.plot([low, high], [1, 1], color=INK, linewidth=1.8, solid_capstyle="butt", zorder=3)
    axes.plot([acoustic, split.total_db], [1, 0], "D", color=INK, markersize=5.5, linestyle="none", zorder=4)
    axes.axhline(1.5, color=GRID, linewidth=0.9)
    names += ["Acoustics", "All together"]
    texts += [f"{signed(acoustic)} ({between(low, high, with_sign=True)})", signed(split.total_db)]
    places = [rows - 1 - i for i in range(rows)]
    axes.set_yticks(places, names)
    axes.grid(False, axis="y")
    axes.tick_params(axis="y", length=0, labelcolor=INK)
    axes.set_ylim(-0.6, rows - 0.4)
    axes.set_xlim(*limits)
    axes.set_xlabel("Predicted minus recorded (dB)")
    right = axes.secondary_yaxis("right")
    right.set_yticks(places, texts)
    right.tick_params(length=0, labelcolor=INK, labelsize=8.2)
    right.spines["right"].set_visible(False)
