"""Level against range: what was measured, the fitted curve with its intervals, what was predicted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from reconcile.report.evidence import Evidence, rows_of
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import (
    CURVE,
    PREDICTED,
    SYMBOLS,
    Mark,
    house_style,
    legend,
    log_axis,
    new_axes,
    padded,
    pile_marks,
)
from reconcile.report.figures.svg import inline
from reconcile.report.formatting import between, decibels, significant, with_error
from reconcile.report.subjects import Subject, selected_fits
from reconcile.report.words import MODELS, group_words, sentence_case, statistic_words
from reconcile.spreading import CurveIntervals, intervals
from reconcile.vocabulary.documents.campaign import Pile, Prediction
from reconcile.vocabulary.documents.fit import Coefficient, Fit
from reconcile.vocabulary.quantities import FloatArray

_STATISTICS = ("median", "mean", "energy_mean", "exceeded_5", "maximum")
_CURVE_POINTS = 32
_TOO_SMALL_TO_SHOW = 0.001
_BAND_DB = 10.0  # how far beyond levels and curves a drawing makes room for intervals
_POINT_COLUMNS = ["pile_id", "range_m", "level_db", "error_db"]
_BAND_ALPHA = ((0.10, "prediction_low_db", "prediction_high_db"), (0.24, "confidence_low_db", "confidence_high_db"))


@dataclass(frozen=True, slots=True)
class _Group:
    """What one panel shows. `points` has pile_id, range_m, level_db and error_db."""

    piles: tuple[Pile, ...]
    fit: Fit | None
    points: pd.DataFrame
    predictions: tuple[Prediction, ...]
    statistic: str
    energy_kj: float | None  # to which points and curve are brought; None: as recorded, curve at its own energy
    counted: bool  # whether any prediction shown was held against the points

    @property
    def title(self) -> str:
        first = self.piles[0]
        return sentence_case(group_words(first.installation_method, first.foundation_type, first.abatement))

    def curve(self, ranges: FloatArray) -> CurveIntervals | None:
        if self.fit is None:
            return None
        reference = self.fit.reference_energy_kj
        shift = 0.0 if self.energy_kj is None or reference is None else float(np.log10(self.energy_kj / reference))
        return intervals(self.fit, ranges, log_energy=shift)


def level_range(evidence: Evidence, subject: Subject) -> FigurePart | None:
    """One panel for each group of piles driven by impact; None where nothing was measured."""
    groups = [group for group in _groups(evidence, subject) if len(group.points)]
    if not groups:
        return None
    marks = pile_marks([pile.pile_id for pile in evidence.piles])
    x_limits, y_limits = _limits(groups)
    panels = tuple(
        _panel(group, subject, marks, x_limits, y_limits, f"lr-{subject.key}-{i}") for i, group in enumerate(groups)
    )
    measured = {str(pile_id) for group in groups for pile_id in group.points["pile_id"]}
    shown = [pile_id for pile_id in marks if pile_id in measured]
    return FigurePart(panels, (*legend(marks, shown), *_meanings(groups)))


def _meanings(groups: Sequence[_Group]) -> tuple[LegendItem, ...]:
    items: list[LegendItem] = []
    if any(group.fit for group in groups):
        items += [
            LegendItem("line", CURVE, "fitted curve of the mean level"),
            LegendItem("dashes", CURVE, "beyond the measured ranges"),
            LegendItem("band", CURVE, "95 % interval of the curve (dark); of a new pile, place and chain (light)"),
        ]
    if any(group.predictions for group in groups):
        items.append(LegendItem("marker", PREDICTED, "predicted", SYMBOLS["D"], filled=False))
    return tuple(items)


def _groups(evidence: Evidence, subject: Subject) -> list[_Group]:
    fits = {(f.installation_method, f.foundation_type, f.abatement): f for f in selected_fits(evidence, subject)}
    grouped: dict[tuple[str, str, str], list[Pile]] = {}
    for pile in evidence.pile_states:
        if pile.installation_method == "impact":
            grouped.setdefault((pile.installation_method, pile.foundation_type, pile.abatement), []).append(pile)
    return [_group(evidence, subject, tuple(piles), fits.get(key)) for key, piles in grouped.items()]


def _group(evidence: Evidence, subject: Subject, piles: tuple[Pile, ...], fit: Fit | None) -> _Group:
    """Pairs of the comparison where there are any (at the predicted energy), else the medians as recorded."""
    pairs = subject.of(evidence.pairs)
    if len(pairs):
        pairs = _of_states(pairs[pairs["measured_db"].notna()], piles)
    predictions = _predictions(evidence, subject, pairs)
    statistic = next((s for s in _STATISTICS if len(pairs) and (pairs["statistic"] == s).any()), None)
    counted = bool(len(pairs)) and bool(pairs["counted"].any())
    if statistic is None:
        rows = _of_states(subject.of(evidence.summary), piles)
        rows = rows[rows["median_db"].notna() & rows["range_m"].notna()]
        points = rows.rename(columns={"median_db": "level_db", "standard_uncertainty_db": "error_db"})
        return _Group(piles, fit, points[_POINT_COLUMNS], predictions, "median", None, counted)
    predictions = tuple(p for p in predictions if p.statistic in (statistic, None))
    energies = {p.energy_kj for p in predictions}
    energy = next(iter(energies)) if len(energies) == 1 else None
    level = "measured_db" if len(energies) == 1 else "measured_as_recorded_db"
    points = pairs[pairs["statistic"] == statistic].rename(
        columns={level: "level_db", "measured_uncertainty_db": "error_db"}
    )
    points = points.drop_duplicates(["pile_id", "station_id"])
    return _Group(piles, fit, points[_POINT_COLUMNS], predictions, statistic, energy, counted)


def _of_states(rows: pd.DataFrame, piles: Sequence[Pile]) -> pd.DataFrame:
    return rows.loc[sorted(index for pile in piles for index in rows_of(rows, pile).index)]


def _predictions(evidence: Evidence, subject: Subject, pairs: pd.DataFrame) -> tuple[Prediction, ...]:
    """The rows of predictions.csv that these pairs come from."""
    if pairs.empty:
        return ()
    paired = set(zip(pairs["prediction_id"], pairs["model_id"], strict=True))
    states = {None, *pairs["abatement"]}
    return tuple(
        p
        for p in evidence.campaign.predictions
        if Subject(p.quantity, p.weighting, p.band_hz) == subject
        and (p.prediction_id, p.model_id) in paired
        and p.abatement in states
    )


def _limits(groups: Sequence[_Group]) -> tuple[tuple[float, float], tuple[float, float]]:
    """The same limits for all panels: measured ranges with a margin, levels measured and predicted there."""
    ranges = np.concatenate([group.points["range_m"].to_numpy(np.float64) for group in groups])
    x = float(ranges.min()) / 1.35, float(ranges.max()) * 1.35
    levels = [float(v) for group in groups for v in group.points["level_db"]]
    for group in groups:
        levels += [p.level_db for p in group.predictions if x[0] <= p.range_m <= x[1]]
        curve = group.curve(np.array(x))
        levels += [] if curve is None else [float(v) for v in curve.level_db]
    least, most = min(levels) - _BAND_DB, max(levels) + _BAND_DB
    for group in groups:
        inside = None if group.fit is None else group.curve(np.array([group.fit.range_min_m, group.fit.range_max_m]))
        if inside is not None:
            ends = np.concatenate([inside.confidence_low_db, inside.confidence_high_db])
            levels += [float(v) for v in np.clip(ends, least, most)]
    return x, padded(levels, 0.08, 2.0)


def _panel(
    group: _Group,
    subject: Subject,
    marks: Mapping[str, Mark],
    x_limits: tuple[float, float],
    y_limits: tuple[float, float],
    key: str,
) -> Panel:
    with house_style():
        figure, axes = new_axes()
        _draw_curve(axes, group, x_limits)
        near = [p for p in group.predictions if x_limits[0] <= p.range_m <= x_limits[1]]
        shown = sorted(near, key=lambda p: p.range_m)
        for prediction_id in dict.fromkeys(p.prediction_id for p in shown):
            rows = [p for p in shown if p.prediction_id == prediction_id]
            axes.plot(
                [p.range_m for p in rows], [p.level_db for p in rows], "D:", color=PREDICTED, linewidth=0.9,
                markersize=4.5, markerfacecolor="#ffffff", markeredgewidth=1.0, zorder=3,
            )  # fmt: skip
        for pile_id, points in group.points.groupby("pile_id", sort=False):
            _draw_points(axes, points, marks[str(pile_id)])
        log_axis(axes, *x_limits, "Horizontal distance from the pile (m)")
        axes.set_ylim(*y_limits)
        axes.set_ylabel(f"Level ({subject.unit})")
        svg = inline(figure, key, f"{subject.title} against range. {group.title}.")
    return Panel(group.title, svg, _note(group))


def _draw_curve(axes: Axes, group: _Group, x_limits: tuple[float, float]) -> None:
    fit = group.fit
    if fit is None:
        return
    low, high = max(fit.range_min_m, x_limits[0]), min(fit.range_max_m, x_limits[1])
    inside = group.curve(np.geomspace(low, high, _CURVE_POINTS))
    whole = group.curve(np.geomspace(*x_limits, _CURVE_POINTS))
    if inside is None or whole is None:
        return
    for alpha, lower, upper in _BAND_ALPHA:
        axes.fill_between(
            inside.range_m, getattr(inside, lower), getattr(inside, upper), color=CURVE, alpha=alpha, lw=0
        )
    axes.plot(whole.range_m, whole.level_db, "--", color=CURVE, linewidth=0.9, zorder=2)
    axes.plot(inside.range_m, inside.level_db, "-", color=CURVE, linewidth=1.5, zorder=2)


def _draw_points(axes: Axes, points: pd.DataFrame, mark: Mark) -> None:
    axes.errorbar(
        points["range_m"], points["level_db"], yerr=points["error_db"], fmt=mark.marker, color=mark.colour,
        markersize=5.6, markeredgecolor="#ffffff", markeredgewidth=0.4, elinewidth=1.1, zorder=4,
    )  # fmt: skip


def _note(group: _Group) -> str:
    """What the points are, and the fitted law in numbers."""
    at = "as recorded" if group.energy_kj is None else f"brought to {significant(group.energy_kj)} kJ"
    points = f"Points: {statistic_words(group.statistic)} over the strikes, {at}."
    if group.predictions and not group.counted:
        points += (
            " What was predicted is drawn but not counted in a bias; the reason stands under"
            " “Not paired, or not counted”."
        )
    fit = group.fit
    if fit is None:
        return points
    energy_kj = fit.reference_energy_kj if group.energy_kj is None else group.energy_kj
    strike = "" if fit.reference_energy_kj is None else f" for a strike of {significant(energy_kj)} kJ"
    return f"{points} Curve{strike}: {', '.join(_law(group, fit))}."


def _law(group: _Group, fit: Fit) -> Iterator[str]:
    """The fitted law in numbers, its level at the energy for which it is drawn."""
    c, curve = fit.coefficients, group.curve(np.array([fit.reference_range_m]))
    yield MODELS[fit.model]
    if curve is not None:
        interval = between(float(curve.confidence_low_db[0]), float(curve.confidence_high_db[0]))
        level = f"{decibels(float(curve.level_db[0]))} dB at {significant(fit.reference_range_m)} m"
        yield f"{level} (95 % interval {interval} dB)"
    yield f"N = {coefficient_words(c.spreading_coefficient_db_per_decade, 'dB per decade')}"
    yield f"α = {coefficient_words(c.attenuation_db_per_km, 'dB/km')}"


def coefficient_words(coefficient: Coefficient, unit: str = "", most_digits: int = 3) -> str:
    """A coefficient with its standard error and unit, or that it was held fixed."""
    after = f" {unit}" if unit else ""
    if coefficient.standard_error == 0:
        small = 0.0 < coefficient.value < _TOO_SMALL_TO_SHOW
        return f"{f'below {_TOO_SMALL_TO_SHOW:g}' if small else significant(coefficient.value)}{after} (fixed)"
    return f"{with_error(coefficient.value, coefficient.standard_error, most_digits)}{after}"
