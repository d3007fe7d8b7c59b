"""Continuous sound against time: tonal lines of vibratory work, and the kurtosis of minutes."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reconcile.campaign.activity_periods import with_states
from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import (
    INK,
    MUTED,
    Mark,
    dress,
    house_style,
    legend,
    log_axis,
    new_axes,
    padded,
    station_marks,
)
from reconcile.report.figures.svg import inline, plain
from reconcile.report.figures.time_history import thinned
from reconcile.report.formatting import instant
from reconcile.report.words import pile_words
from reconcile.vocabulary.documents.campaign import Pile
from reconcile.vocabulary.impulsiveness import KURTOSIS_BOUNDS
from reconcile.vocabulary.quantities import FloatArray

_MOST = 900  # marks of one station in a panel
_MOST_TONES, _TONES_ACROSS = 400, 4


def tone_histories(evidence: Evidence) -> FigurePart | None:
    """One panel for each pile with tonal lines: their frequencies, and the level of the strongest, against time."""
    tones = evidence.tones
    if tones is None or tones.empty:
        return None
    marks = station_marks(evidence.station_ids)
    piles = [pile for pile in evidence.piles if pile.pile_id in set(tones["pile_id"])]
    panels = tuple(
        _tones_panel(pile, tones[tones["pile_id"] == pile.pile_id], marks, f"to-{i}") for i, pile in enumerate(piles)
    )
    hidden = LegendItem("marker", MUTED, "open: a line that stands out by less than 3 dB", filled=False, small=True)
    present = [name for name in marks if name in set(tones["station_id"])]
    most = tones.groupby(["pile_id", "station_id"]).size().max()
    caption = f"Thinned to about {_MOST_TONES} marks a drawing, the highest and lowest line of each stretch kept."
    return FigurePart(
        panels, (*legend(marks, present, small=True), hidden), caption if most > _MOST_TONES else "", wide=True
    )


def _tones_panel(pile: Pile, tones: pd.DataFrame, marks: dict[str, Mark], key: str) -> Panel:
    """A column for each station, so that no station hides another: frequencies above, the strongest level below."""
    first = tones["start_utc"].min()
    stations = [name for name in marks if name in set(tones["station_id"])]
    across = min(len(stations), _TONES_ACROSS)
    down = -(-len(stations) // across)
    with house_style():
        figure = Figure(figsize=(max(2.35 * across, 4.7), 3.3 * down), layout="constrained", facecolor="none")
        grid = figure.subplots(
            2 * down, across, sharex=True, sharey=False, height_ratios=(2.2, 1.4) * down, squeeze=False
        )
        frequencies = float(tones["frequency_hz"].min()) / 1.2, float(tones["frequency_hz"].max()) * 1.2
        clear = tones.loc[tones["censoring"] == "none", "level_db"]
        levels = padded(clear.tolist(), 0.08, 1.0) if len(clear) else (0.0, 1.0)
        for place in range(down * across):
            frequency, level = (
                grid[2 * (place // across), place % across],
                grid[2 * (place // across) + 1, place % across],
            )
            if place >= len(stations):
                frequency.set_visible(False)
                level.set_visible(False)
                continue
            name = stations[place]
            _station_tones(frequency, level, tones[tones["station_id"] == name], first, marks[name])
            left = place % across == 0
            log_axis(frequency, *frequencies, "Frequency of the lines\n(Hz)" if left else "", "y")
            frequency.set_title(plain(name, 14), fontsize=8.6, color=INK, loc="left")
            level.set_ylim(*levels)
            level.tick_params(labelbottom=True)
            level.set_ylabel("Strongest line\n(dB re 1 µPa)" if left else "", color=INK)
        figure.supxlabel(f"Minutes after {instant(first.to_pydatetime())} UTC", fontsize=8.4, color=INK)
        description = f"Frequencies of the tonal lines, and level of the strongest, pile {plain(pile.pile_id)}."
        svg = inline(figure, key, description)
    return Panel(pile.pile_id, svg, pile_words(pile))


def _station_tones(frequency: Axes, level: Axes, rows: pd.DataFrame, first: pd.Timestamp, mark: Mark) -> None:
    for axes in (frequency, level):
        dress(axes)
    rows = rows.sort_values(["start_utc", "frequency_hz"]).iloc[
        thinned(rows.sort_values(["start_utc", "frequency_hz"])["frequency_hz"].to_numpy(np.float64), _MOST_TONES)
    ]
    for hidden, own in rows.groupby(rows["censoring"] == "at_most"):
        _dots(frequency, _minutes(own, first), own["frequency_hz"].to_numpy(np.float64), mark, bool(hidden))
    clear = rows[rows["censoring"] == "none"]
    strongest = clear.loc[clear.groupby("start_utc")["level_db"].idxmax()].sort_values("start_utc")
    _dots(level, _minutes(strongest, first), strongest["level_db"].to_numpy(np.float64), mark, False)


def _minutes(rows: pd.DataFrame, first: pd.Timestamp) -> FloatArray:
    middle = rows["start_utc"] + pd.to_timedelta(rows["duration_s"] / 2.0, unit="s")
    return np.asarray((middle - first).dt.total_seconds() / 60.0, dtype=np.float64)


def _dots(axes: Axes, minutes: FloatArray, values: FloatArray, mark: Mark, hidden: bool) -> None:
    axes.plot(
        minutes, values, mark.marker, color=mark.colour, markerfacecolor="#ffffff" if hidden else mark.colour,
        markersize=2.6, markeredgewidth=0.5, linestyle="none",
    )  # fmt: skip


def kurtosis_histories(evidence: Evidence) -> FigurePart | None:
    """One panel for each pile that was worked on by another method than impact: kurtosis of each of its minutes."""
    rows = evidence.background
    if "kurtosis" not in rows:
        return None
    minutes = rows[rows["kurtosis"].notna() & rows["pile_id"].notna()]
    methods = with_states(minutes, evidence.campaign)
    vibrated = set(methods.loc[methods["installation_method"] != "impact", "pile_id"])
    piles = [pile for pile in evidence.piles if pile.pile_id in vibrated]
    if not piles:
        return None
    marks = station_marks(evidence.station_ids)
    panels = tuple(
        _kurtosis_panel(pile, minutes[minutes["pile_id"] == pile.pile_id], marks, f"ku-{i}")
        for i, pile in enumerate(piles)
    )
    present = [name for name in marks if name in set(minutes.loc[minutes["pile_id"].isin(vibrated), "station_id"])]
    bounds = LegendItem("dashes", MUTED, "3 and 40: see the text")
    return FigurePart(panels, (*legend(marks, present, small=True), bounds))


def _kurtosis_panel(pile: Pile, minutes: pd.DataFrame, marks: dict[str, Mark], key: str) -> Panel:
    first = minutes["start_utc"].min()
    with house_style():
        figure, axes = new_axes(height=2.7)
        for station_id, rows in minutes.sort_values("start_utc").groupby("station_id"):
            kurtosis, mark = rows["kurtosis"].to_numpy(np.float64), marks[str(station_id)]
            chosen = thinned(kurtosis, _MOST)
            axes.plot(
                _minutes(rows, first)[chosen], kurtosis[chosen], "-", marker=mark.marker, color=mark.colour,
                linewidth=0.8, markersize=3.0,
            )  # fmt: skip
        for bound in KURTOSIS_BOUNDS:
            axes.axhline(bound.kurtosis, color=MUTED, linewidth=0.9, linestyle=(0, (4, 3)))
        highest = max(float(minutes["kurtosis"].max()), max(bound.kurtosis for bound in KURTOSIS_BOUNDS))
        log_axis(axes, min(1.4, float(minutes["kurtosis"].min())), highest * 1.3, "Kurtosis of each minute", "y")
        axes.set_xlim(0.0, float(_minutes(minutes, first).max()) + 0.5)
        axes.set_xlabel(f"Minutes after {instant(first.to_pydatetime())} UTC")
        svg = inline(figure, key, f"Kurtosis of each minute, pile {plain(pile.pile_id)}.")
    return Panel(pile.pile_id, svg, pile_words(pile))
