"""Foundation and sound: each project's level by kind of foundation, with the mean of the kind."""

from __future__ import annotations

from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import INK, SYMBOLS, house_style, legend, new_axes, padded, pile_marks
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import significant
from reconcile.report.tables.foundations import kind_words, ranking_title
from reconcile.report.words import sentence_case
from reconcile.transfer.foundation_order import value_of
from reconcile.vocabulary.documents.foundations import FoundationRelation, Ranking

_ROW_INCHES, _FRAME_INCHES = 0.46, 0.7
_LONGEST_NAME = 34


def foundation_figure(relation: FoundationRelation, ranking: Ranking, key: str) -> FigurePart:
    """Kinds from loud to quiet; one mark for each project, the bar is the mean with its interval."""
    marks = pile_marks(list(dict.fromkeys(row.project for row in relation.levels)))
    shown: dict[str, None] = {}
    ends: list[float] = []
    with house_style():
        figure, axes = new_axes(6.2, _FRAME_INCHES + _ROW_INCHES * len(ranking.groups))
        for place, group in enumerate(reversed(ranking.groups)):
            axes.plot(group.level_interval_95_db, [place, place], color=INK, linewidth=1.5, solid_capstyle="butt")
            axes.plot([group.level_db], [place], "|", color=INK, markersize=13, markeredgewidth=2.0)
            own = [
                row
                for row in relation.levels
                if (row.foundation_type, row.installation_method, row.abatement)
                == (group.foundation_type, group.installation_method, ranking.abatement)
            ]
            for i, row in enumerate(own):
                value, _ = value_of(row, ranking.measure)
                if value is None:
                    continue
                at = place + 0.16 + 0.05 * (i % 3)
                axes.plot([value], [at], marks[row.project].marker, color=marks[row.project].colour, markersize=6)
                shown[row.project] = None
                ends.append(value)
            ends += [group.level_db]
        names = [sentence_case(kind_words(g.installation_method, g.foundation_type)) for g in reversed(ranking.groups)]
        axes.set_yticks(range(len(names)), [plain(name, _LONGEST_NAME) for name in names])
        axes.tick_params(axis="y", length=0, labelcolor=INK)
        axes.grid(False, axis="y")
        axes.set_ylim(-0.5, len(names) - 0.4)
        axes.set_xlim(*padded(ends, 0.2, 2.0))
        reference = relation.levels[0].reference_range_m
        unit = "1 µPa" if ranking.measure == "peak_level" else "1 µPa² s"
        axes.set_xlabel(f"Level at {significant(reference)} m (dB re {unit})")
        svg = inline(figure, key, f"{ranking_title(ranking)}: levels by kind of foundation.")
    mean = LegendItem("bar", INK, "mean of the kind, with its 95 % interval (cut off where it leaves the drawing)")
    named = {project: marks[project] for project in shown}
    assert all(mark.marker in SYMBOLS for mark in named.values())
    return FigurePart((Panel(ranking_title(ranking), svg, ranking.words),), (*legend(named, list(named)), mean))
