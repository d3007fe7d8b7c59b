"""How well a chosen fit stands: what it leaves, what each place does to it, how far it was asked beyond its data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import (
    CURVE,
    INK,
    MUTED,
    SYMBOLS,
    Mark,
    dress,
    house_style,
    legend,
    log_axis,
    padded,
    pile_marks,
)
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import metres
from reconcile.report.subjects import Subject
from reconcile.report.words import group_words, sentence_case
from reconcile.vocabulary.documents.fit import Fit
from reconcile.vocabulary.tables.flags import FLAGS

_INCHES = (9.6, 5.0)
_LONGEST_NAME = 9
_GROUP = ("installation_method", "foundation_type", "abatement")
_ASKED, _CHANGE_LIMIT = "#d55e00", 1.96
# Okabe and Ito's blue, vermilion and green, each with a marker of its own
_CHANGES = (
    ("level_at_reference_db", "level at the reference range", "#0072b2", "o"),
    ("spreading_coefficient_db_per_decade", "N", "#d55e00", "s"),
    ("attenuation_db_per_km", "α", "#00866a", "^"),
)
_SHAPE_FLAGS = ("residuals_follow_energy", "residuals_follow_time", "residuals_curved", "one_station_decides",
                "place_and_chain_not_told_apart", "narrow_ranges", "few_stations")  # fmt: skip


def fit_checks(evidence: Evidence, subject: Subject, fit: Fit) -> FigurePart | None:
    """Six small drawings of one chosen fit; None where its residuals are not on disk."""
    rows = _rows(evidence, subject, fit)
    if rows.empty:
        return None
    marks = pile_marks([pile.pile_id for pile in evidence.piles])
    title = sentence_case(group_words(*(getattr(fit, name) for name in _GROUP)))
    place = evidence.group_place(fit.installation_method, fit.foundation_type, fit.abatement)
    with house_style():
        figure = Figure(figsize=_INCHES, layout="constrained", facecolor="none")
        axes = figure.subplots(2, 3)
        for one in axes.flat:
            dress(one)
            one.grid(False)
        limits = padded([*rows["residual_db"].tolist(), 0.0], 0.12, 0.3)
        _range(axes[0, 0], rows, marks, limits)
        _energy(axes[0, 1], rows, marks, limits)
        _time(axes[0, 2], rows, marks, limits)
        order = _stations(axes[1, 0], rows, marks, limits)
        _influence(axes[1, 1], fit, order)
        _coverage(axes[1, 2], rows, fit)
        svg = inline(figure, f"fc-{subject.key}-{place}", f"Residuals and influence. {subject.title}. {title}.")
    piles = [name for name in marks if name in set(rows["pile_id"])]
    items = [*legend(marks, piles, small=True)]
    if fit.influence:
        known = {name for one in fit.influence for name in one.coefficients}
        items += [
            LegendItem("marker", colour, f"change of {words} without the place", SYMBOLS[marker], filled=False)
            for name, words, colour, marker in _CHANGES
            if name in known
        ]
    if fit.threshold_ranges:
        items.append(LegendItem("marker", _ASKED, "distance asked of the curve", SYMBOLS["D"], filled=False))
    return FigurePart((Panel(title, svg, _note(rows, fit)),), tuple(items), wide=True)


def _rows(evidence: Evidence, subject: Subject, fit: Fit) -> pd.DataFrame:
    if evidence.residuals is None or evidence.residuals.empty:
        return pd.DataFrame()
    rows = subject.of(evidence.residuals)
    for name in _GROUP:
        rows = rows[rows[name] == getattr(fit, name)]
    return rows[rows["residual_db"].notna()]


def _draw(axes: Axes, x: Any, rows: pd.DataFrame, marks: Mapping[str, Mark], limits: tuple[float, float]) -> None:
    axes.axhline(0.0, color=CURVE, linewidth=0.9, zorder=1)
    for pile_id in rows["pile_id"].unique():
        own = (rows["pile_id"] == pile_id).to_numpy()
        mark = marks[str(pile_id)]
        axes.plot(
            np.asarray(x)[own], rows["residual_db"].to_numpy()[own], mark.marker, color=mark.colour, markersize=4.4,
            markeredgecolor="#ffffff", markeredgewidth=0.4, zorder=3,
        )  # fmt: skip
    axes.set_ylim(*limits)
    axes.set_ylabel("Residual (dB)")


def _range(axes: Axes, rows: pd.DataFrame, marks: Mapping[str, Mark], limits: tuple[float, float]) -> None:
    ranges = rows["range_m"].to_numpy(np.float64)
    _draw(axes, ranges, rows, marks, limits)
    _range_axis(axes, float(ranges.min()) / 1.25, float(ranges.max()) * 1.25)


def _energy(axes: Axes, rows: pd.DataFrame, marks: Mapping[str, Mark], limits: tuple[float, float]) -> None:
    energies = rows["energy_kj"].to_numpy(np.float64)
    if np.isnan(energies).all() or rows["pile_id"].nunique() < 2:
        _empty(axes, "Strike energies are not known" if np.isnan(energies).all() else "One pile: one mean energy")
        return
    _draw(axes, energies, rows, marks, limits)
    axes.set_xlabel("Mean strike energy (kJ)")
    axes.margins(x=0.12)


def _time(axes: Axes, rows: pd.DataFrame, marks: Mapping[str, Mark], limits: tuple[float, float]) -> None:
    times = pd.to_datetime(rows["time_utc"], utc=True)
    if times.isna().all() or rows["pile_id"].nunique() < 2:
        _empty(axes, "Times are not known" if times.isna().all() else "One pile: one time")
        return
    days = (times - times.min()).dt.total_seconds().to_numpy() / 86400.0
    hours = float(np.nanmax(days)) < 2.0
    _draw(axes, days * (24.0 if hours else 1.0), rows, marks, limits)
    axes.set_xlabel(f"{'Hours' if hours else 'Days'} since the first")
    axes.margins(x=0.12)


def _stations(axes: Axes, rows: pd.DataFrame, marks: Mapping[str, Mark], limits: tuple[float, float]) -> list[str]:
    """Residuals place by place, from near to far; returns that order."""
    order = rows.groupby("mooring_id")["range_m"].median().sort_values(kind="stable").index.astype(str).tolist()
    place = rows["mooring_id"].astype(str).map({name: k for k, name in enumerate(order)})
    _draw(axes, place.to_numpy(np.float64), rows, marks, limits)
    turned = len(order) > 6
    axes.set_xticks(
        range(len(order)),
        [plain(name, _LONGEST_NAME) for name in order],
        rotation=90 if turned else 0,
        fontsize=6.8 if turned else 7.6,
    )
    axes.set_xlim(-0.6, len(order) - 0.4)
    axes.set_xlabel("Place, from near to far")
    return order


def _influence(axes: Axes, fit: Fit, order: Sequence[str]) -> None:
    """Changes of the coefficients without each place, in their own standard errors."""
    found = {one.mooring_id: one for one in fit.influence}
    if not found:
        _empty(axes, "No place can be left out")
        return
    errors = {name: getattr(fit.coefficients, name).standard_error for name, *_ in _CHANGES}
    for side in (-_CHANGE_LIMIT, _CHANGE_LIMIT):
        axes.axhline(side, color=MUTED, linewidth=0.7, linestyle=":", zorder=1)
    axes.axhline(0.0, color=CURVE, linewidth=0.9, zorder=1)
    drawn = [0.0]
    for shift, (name, _, colour, marker) in enumerate(_CHANGES):
        points = [
            (k + 0.18 * (shift - 1), found[place].coefficients[name] / errors[name])
            for k, place in enumerate(order)
            if place in found and name in found[place].coefficients and errors[name] > 0
        ]
        if points:
            axes.plot(
                *zip(*points, strict=True), marker, color=colour, markersize=4.6, markerfacecolor="none", zorder=3
            )
            drawn += [value for _, value in points]
    axes.set_xticks(range(len(order)), [plain(name, _LONGEST_NAME) for name in order],
                    rotation=90 if len(order) > 6 else 0, fontsize=6.8 if len(order) > 6 else 7.6)  # fmt: skip
    axes.set_xlim(-0.6, len(order) - 0.4)
    axes.set_ylim(*padded([*drawn, -_CHANGE_LIMIT, _CHANGE_LIMIT], 0.08, 0.2))
    axes.set_xlabel("Place left out")
    axes.set_ylabel("Change (standard errors)")


def _coverage(axes: Axes, rows: pd.DataFrame, fit: Fit) -> None:
    """Ranges that were measured, and those at which the curve was asked."""
    ranges = rows["range_m"].to_numpy(np.float64)
    asked = [(t.range_m, t.extrapolated) for t in fit.threshold_ranges if t.range_m is not None]
    ends = [fit.range_min_m, fit.range_max_m, *(r for r, _ in asked)]
    axes.axvspan(fit.range_min_m, fit.range_max_m, color=CURVE, alpha=0.12, lw=0)
    axes.plot(ranges, np.ones_like(ranges), "|", color=INK, markersize=12, markeredgewidth=0.8)
    for range_m, outside in asked:
        axes.plot([range_m], [0.0], "D", color=_ASKED, markerfacecolor="none" if outside else _ASKED, markersize=5)
    axes.set_yticks([0.0, 1.0], ["asked", "measured"])
    axes.set_ylim(-0.8, 1.8)
    _range_axis(axes, max(min(ends) / 1.4, 1.0), max(ends) * 1.4)


def _range_axis(axes: Axes, low: float, high: float) -> None:
    """A logarithmic axis with few numbers: the drawing is small."""
    log_axis(axes, low, high, "Range (m)")
    ticks = [tick for tick in axes.get_xticks() if f"{tick:e}"[0] in "125" and f"{tick:e}"[2] == "0"]
    if len(ticks) > 1:
        axes.set_xticks(ticks, [metres(tick) for tick in ticks])


def _empty(axes: Axes, words: str) -> None:
    axes.set_axis_off()
    axes.text(0.5, 0.5, words, ha="center", va="center", color=MUTED, transform=axes.transAxes)


def _note(rows: pd.DataFrame, fit: Fit) -> str:
    """What the drawings show, in words."""
    said = [FLAGS[name].meaning for name in _SHAPE_FLAGS if name in fit.flags]
    deciding = [plain(one.mooring_id) for one in fit.influence if one.decides]
    first = (
        f"{len(rows)} means of piles at places, between {rows['range_m'].min():.0f} and {rows['range_m'].max():.0f} m."
        " A residual holds pile, place, chain and the rest together."
    )
    outside = sum(t.extrapolated for t in fit.threshold_ranges if t.range_m is not None)
    parts = [first, f"Flags: {'; '.join(said)}." if said else "No flag of its shape is up."]
    if deciding:
        parts.append(f"Places that decide: {', '.join(deciding)}.")
    if outside:
        parts.append(f"{outside} of the distances asked lie outside the measured ranges (open marks).")
    return " ".join(parts)
