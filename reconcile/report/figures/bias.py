"""Bias of each pair, against range and by station, coloured and marked by pile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import (
    CURVE,
    GRID,
    INK,
    MUTED,
    Mark,
    house_style,
    legend,
    log_axis,
    new_axes,
    padded,
    pile_marks,
)
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import between, signed, significant
from reconcile.report.subjects import Subject
from reconcile.report.words import group_words, sentence_case, statistic_words
from reconcile.vocabulary.documents.bias import Bias
from reconcile.vocabulary.quantities import FloatArray

_AXIS = "Bias: predicted minus measured (dB)"
_LONGEST_NAME = 14
_ONE_PLACE, _STEP, _WIDEST = 0.03, 0.024, 0.12  # decades: marks closer than the first stand a step apart


def bias_figure(evidence: Evidence, subject: Subject) -> FigurePart | None:
    """One panel against range for each bias of the subject, and one by station for all; None without pairs."""
    pairs = subject.of(evidence.pairs)
    biases = [b for b in evidence.biases if Subject(b.quantity, b.weighting, b.band_hz) == subject]
    if pairs.empty or not biases:
        return None
    pairs = pairs[pairs["bias_db"].notna()]
    marks = pile_marks([pile.pile_id for pile in evidence.piles])
    ends = [end for b in biases for end in b.bias_at_reference_interval_95_db]
    y_limits = padded([*pairs["bias_db"], *ends, 0.0], 0.06, 0.5)
    ranges = pairs["range_m"].to_numpy(np.float64)
    reference = [b.reference_range_m for b in biases]
    x_limits = min([*ranges, *reference]) / 1.3, max([*ranges, *reference]) * 1.3
    panels = [
        _against_range(bias, _pairs_of(bias, pairs), marks, x_limits, y_limits, f"br-{subject.key}-{i}")
        for i, bias in enumerate(biases)
    ]
    panels.append(_by_station(pairs, evidence.station_ids, marks, y_limits, biases[0], f"bs-{subject.key}"))
    shown = [pile.pile_id for pile in evidence.piles if pile.pile_id in set(pairs["pile_id"])]
    return FigurePart(tuple(panels), (*legend(marks, shown), *_meanings(pairs, biases[0])))


def _meanings(pairs: pd.DataFrame, bias: Bias) -> tuple[LegendItem, ...]:
    margin = f"margin of ±{significant(bias.equivalence_margin_db)} dB (a setting)"
    reference = f"bias at {significant(bias.reference_range_m)} m with its 95 % interval"
    items = [LegendItem("line", CURVE, "bias against range"), LegendItem("interval", INK, reference),
             LegendItem("band", "#8795a3", margin)]  # fmt: skip
    if not pairs["counted"].all():
        items.append(LegendItem("note", MUTED, "open: not counted"))
    return tuple(items)


def _pairs_of(bias: Bias, pairs: pd.DataFrame) -> pd.DataFrame:
    columns = ("prediction_id", "model_id", "statistic", "installation_method", "foundation_type", "abatement")
    keep = np.ones(len(pairs), dtype=bool)
    for column in columns:
        keep &= (pairs[column] == getattr(bias, column)).to_numpy(dtype=bool)
    if "receiver" in pairs:
        receiver = pairs["receiver"]
        same = receiver.isna() if bias.receiver is None else receiver == bias.receiver
        keep &= same.to_numpy(dtype=bool)
    return pairs[keep]


def _against_range(
    bias: Bias,
    pairs: pd.DataFrame,
    marks: Mapping[str, Mark],
    x_limits: tuple[float, float],
    y_limits: tuple[float, float],
    key: str,
) -> Panel:
    title = f"{bias.prediction_id}: against range"
    with house_style():
        figure, axes = new_axes()
        _ground(axes, bias)
        ranges = np.geomspace(bias.range_min_m, bias.range_max_m, 50)
        decades, kilometres = np.log10(ranges / bias.reference_range_m), (ranges - bias.reference_range_m) / 1000.0
        slope, loss = bias.spreading_bias_db_per_decade.value, bias.attenuation_bias_db_per_km.value
        axes.plot(ranges, bias.bias_at_reference_db + slope * decades + loss * kilometres, color=CURVE, linewidth=1.3)
        low, high = bias.bias_at_reference_interval_95_db
        axes.plot([bias.reference_range_m] * 2, [low, high], color=INK, linewidth=9.0, alpha=0.22,
                  solid_capstyle="butt", zorder=1.5)  # fmt: skip
        axes.plot([bias.reference_range_m], [bias.bias_at_reference_db], "_", color=INK, markersize=15, zorder=3)
        beside = pd.Series(side_by_side(pairs["range_m"].to_numpy(np.float64)), index=pairs.index)
        for pile_id, points in pairs.groupby("pile_id", sort=False):
            _points(axes, beside[points.index], points, marks[str(pile_id)])
        log_axis(axes, *x_limits, "Horizontal distance from the pile (m)")
        axes.set_ylim(*y_limits)
        axes.set_ylabel(_AXIS)
        svg = inline(figure, key, f"Bias of the prediction {plain(bias.prediction_id)} against range.")
    group = group_words(bias.installation_method, bias.foundation_type, bias.abatement)
    interval = between(*bias.bias_at_reference_interval_95_db, with_sign=True)
    at = f"{signed(bias.bias_at_reference_db)} dB (95 % interval {interval} dB)"
    note = (
        f"{sentence_case(group)}; {statistic_words(bias.statistic)}. At {significant(bias.reference_range_m)} m: {at}."
        " Marks of nearly one distance are drawn side by side."
    )
    return Panel(title, svg, note)


def side_by_side(range_m: FloatArray) -> FloatArray:
    """Where to draw marks so that those of nearly one range do not hide each other; the order of ranges is kept."""
    order = np.argsort(range_m, kind="stable")
    decades = np.log10(range_m[order])
    drawn = decades.copy()
    first = 0
    for end in range(1, order.size + 1):
        if end == order.size or decades[end] - decades[end - 1] > _ONE_PLACE:
            n = end - first
            if n > 1:
                step = min(_STEP, _WIDEST / (n - 1))
                drawn[first:end] = decades[first:end].mean() + (np.arange(n) - (n - 1) / 2) * step
            first = end
    found = np.empty_like(drawn)
    found[order] = 10.0**drawn
    return found


def _ground(axes: Axes, bias: Bias) -> None:
    """Zero line and the margin in which prediction and sea count as equal."""
    margin = bias.equivalence_margin_db
    axes.axhspan(-margin, margin, color="#8795a3", alpha=0.10, linewidth=0)
    axes.axhline(0.0, color=MUTED, linewidth=0.9)


def _points(axes: Axes, x: pd.Series, points: pd.DataFrame, mark: Mark) -> None:
    positions, counted = np.asarray(x, dtype=np.float64), points["counted"].to_numpy(dtype=bool)
    level = points["bias_db"].to_numpy(np.float64)
    error = points["measured_uncertainty_db"].to_numpy(np.float64)
    for chosen, face in ((counted, mark.colour), (~counted, "#ffffff")):
        if chosen.any():
            axes.errorbar(
                positions[chosen], level[chosen], yerr=error[chosen], fmt=mark.marker, color=mark.colour,
                markerfacecolor=face, markersize=6.4, markeredgewidth=0.8, elinewidth=0.8, zorder=4,
            )  # fmt: skip


def _by_station(
    pairs: pd.DataFrame,
    station_ids: Sequence[str],
    marks: Mapping[str, Mark],
    y_limits: tuple[float, float],
    bias: Bias,
    key: str,
) -> Panel:
    """Each station in a column of its own, its piles side by side in the order in which they were driven."""
    shown = [station for station in station_ids if station in set(pairs["station_id"])]
    piles = [pile for pile in marks if pile in set(pairs["pile_id"])]
    step = min(0.14, 0.7 / max(len(piles), 1))
    with house_style():
        figure, axes = new_axes()
        _ground(axes, bias)
        for i, pile_id in enumerate(piles):
            points = pairs[pairs["pile_id"] == pile_id]
            columns = points["station_id"].map({name: float(k) for k, name in enumerate(shown)})
            _points(axes, columns + (i - (len(piles) - 1) / 2) * step, points, marks[pile_id])
        for k in range(1, len(shown)):
            axes.axvline(k - 0.5, color=GRID, linewidth=0.8, zorder=0.4)
        axes.grid(False, axis="x")
        axes.set_xlim(-0.5, len(shown) - 0.5)
        names = [plain(name, _LONGEST_NAME) for name in shown]
        axes.set_xticks(range(len(shown)), names, rotation=60 if len(shown) > 6 else 0)
        axes.set_xlabel("Station, from near to far")
        axes.set_ylim(*y_limits)
        axes.set_ylabel(_AXIS)
        svg = inline(figure, key, "Bias of all pairs by station, coloured and marked by pile.")
    return Panel("All predictions: by station", svg, "Bars: ± one standard uncertainty of the measured level.")
