"""Whether predictions were as uncertain as they claimed: probability integral transforms against uniform ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.stats import beta

from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import MUTED, SYMBOLS, house_style, new_axes
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import percent
from reconcile.report.subjects import Subject
from reconcile.report.words import group_words, sentence_case
from reconcile.vocabulary.documents.bias import Bias
from reconcile.vocabulary.documents.bias_parts import ClaimedUncertainty

_BAND = "#8795a3"
_COLOURS = ("#0072b2", "#d55e00", "#00866a", "#b8568f", "#b97f00", "#5b5b5b")
_MARKERS = ("o", "s", "^", "v", "P", "X", "D")


def claimed_figure(evidence: Evidence) -> FigurePart | None:
    """A panel for each prediction and group of piles that states its uncertainty: full-band levels, a mark for each.

    None where no prediction does.
    """
    groups: dict[tuple[object, ...], list[tuple[Bias, ClaimedUncertainty]]] = {}
    for bias in evidence.biases:
        if bias.band_hz is None and bias.claimed_uncertainty is not None:
            key = (bias.prediction_id, bias.installation_method, bias.foundation_type, bias.abatement, bias.statistic)
            groups.setdefault(key, []).append((bias, bias.claimed_uncertainty))
    if not groups:
        return None
    subjects = list(dict.fromkeys(_subject(bias) for group in groups.values() for bias, _ in group))
    marks = {s: (_COLOURS[i % len(_COLOURS)], _MARKERS[i % len(_MARKERS)]) for i, s in enumerate(subjects)}
    panels = tuple(_panel(group, marks, f"pit-{i}") for i, group in enumerate(groups.values()))
    items = tuple(LegendItem("marker", colour, s.short, SYMBOLS[marker]) for s, (colour, marker) in marks.items())
    dashes = LegendItem("dashes", MUTED, "where marks lie if the claim holds")
    band = LegendItem("band", _BAND, "where 19 of 20 lie then, were pairs independent")
    return FigurePart(panels, (*items, dashes, band))


def _subject(bias: Bias) -> Subject:
    return Subject(bias.quantity, bias.weighting, bias.band_hz)


def _panel(
    group: Sequence[tuple[Bias, ClaimedUncertainty]], marks: Mapping[Subject, tuple[str, str]], key: str
) -> Panel:
    """One mark a pair: its transform against what the one of its rank is expected to be. The band is for most pairs."""
    first = group[0][0]
    with house_style():
        figure, axes = new_axes(3.9, 3.3)
        n = max(claim.n for _, claim in group)
        rank = np.arange(1, n + 1)
        low, high = (beta.ppf(p, rank, n + 1 - rank) for p in (0.025, 0.975))
        axes.fill_between(rank / (n + 1.0), low, high, color=_BAND, alpha=0.2, linewidth=0)
        axes.plot([0.0, 1.0], [0.0, 1.0], color=MUTED, linewidth=1.0, linestyle=(0, (4, 3)))
        for bias, claim in group:
            colour, marker = marks[_subject(bias)]
            expected = np.arange(1, claim.n + 1) / (claim.n + 1.0)
            axes.plot(expected, np.sort(claim.pit), marker, color=colour, markersize=3.8, clip_on=False, zorder=3)
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(0.0, 1.0)
        axes.set_xlabel("Expected if the claim holds")
        axes.set_ylabel("Share of the prediction below measured")
        described = (
            f"Probability integral transforms of the pairs of {plain(first.prediction_id)} against uniform ones."
        )
        svg = inline(figure, key, described)
    return Panel(first.prediction_id, svg, _note(group))


def _note(group: Sequence[tuple[Bias, ClaimedUncertainty]]) -> str:
    first = group[0][0]
    piles = group_words(first.installation_method, first.foundation_type, first.abatement)
    said = "; ".join(
        f"{_subject(bias).short}: {percent(claim.coverage_95)} of {claim.n} pairs within the claimed 95 % interval"
        for bias, claim in group
    )
    return f"{sentence_case(piles)}. {said}."
