"""Levels against time: strikes of each pile with the hammer energy, and continuous levels of other methods."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import with_states
from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import INK, MUTED, Mark, dress, house_style, legend, new_axes, station_marks
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import instant
from reconcile.report.words import pile_words
from reconcile.vocabulary.documents.campaign import Pile
from reconcile.vocabulary.quantities import FloatArray

_POINT_BUDGET = 6000  # marks in all time histories together; beyond it they are thinned, extremes kept
_LEAST_POINTS, _MOST_POINTS = 60, 1500
_ENERGY = "#7a5c00"
_DRAWN = (
    "strike_id", "pile_id", "station_id", "time_utc", "energy_kj",
    "exposure_level_db", "exposure_censoring", "peak_level_db", "peak_censoring",
)  # fmt: skip


def strike_histories(evidence: Evidence) -> FigurePart | None:
    """One panel for each pile with strikes: exposure level, peak level, hammer energy."""
    struck = evidence.struck[list(_DRAWN)]
    strikes = struck[struck["pile_id"].notna()]
    piles = [pile for pile in evidence.piles if pile.pile_id in set(strikes["pile_id"])]
    if not piles:
        return None
    marks = station_marks(evidence.station_ids)
    most = _most_points(2 * len(strikes.groupby(["pile_id", "station_id"])))
    panels = tuple(
        _strikes_panel(pile, strikes[strikes["pile_id"] == pile.pile_id], marks, most, f"th-{i}")
        for i, pile in enumerate(piles)
    )
    open_mark = "open: a limit (clipped, or too close to the background)"
    items = (*legend(marks, _present(marks, strikes), small=True),
             LegendItem("marker", MUTED, open_mark, filled=False, small=True))  # fmt: skip
    longest = strikes.groupby(["pile_id", "station_id"]).size().max()
    caption = f"Thinned to about {most} marks a series; the highest and lowest of each stretch are kept."
    return FigurePart(panels, items, caption if longest > most else "")


def continuous_histories(evidence: Evidence) -> FigurePart | None:
    """One panel for each pile with work that is not impact driving: level of each second of it at each station."""
    seconds = evidence.background[(evidence.background["duration_s"] == 1.0) & evidence.background["pile_id"].notna()]
    seconds = with_states(seconds, evidence.campaign)
    seconds = seconds[seconds["installation_method"].notna() & (seconds["installation_method"] != "impact")]
    piles = [p for p in evidence.piles if p.pile_id in set(seconds["pile_id"])]
    if not piles:
        return None
    marks = station_marks(evidence.station_ids)
    seconds = seconds[seconds["pile_id"].isin([p.pile_id for p in piles])]
    most = _most_points(len(seconds.groupby(["pile_id", "station_id"])))
    panels = tuple(
        _seconds_panel(pile, seconds[seconds["pile_id"] == pile.pile_id], marks, most, f"ch-{i}")
        for i, pile in enumerate(piles)
    )
    return FigurePart(panels, legend(marks, _present(marks, seconds), small=True))


def _present(marks: Mapping[str, Mark], rows: pd.DataFrame) -> list[str]:
    found = set(rows["station_id"])
    return [name for name in marks if name in found]


def _most_points(n_series: int) -> int:
    return min(max(_POINT_BUDGET // max(n_series, 1), _LEAST_POINTS), _MOST_POINTS)


def thinned(level: FloatArray, most: int) -> NDArray[np.intp]:
    """Indices of at most about `most` values in order, with the largest and the smallest of each stretch."""
    if level.size <= most:
        return np.arange(level.size)
    kept: list[int] = []
    for stretch in np.array_split(np.arange(level.size), max(most // 2, 1)):
        values = level[stretch]
        if not np.isnan(values).all():
            kept += [int(stretch[np.nanargmin(values)]), int(stretch[np.nanargmax(values)])]
    return np.unique(kept)


def _strikes_panel(pile: Pile, strikes: pd.DataFrame, marks: Mapping[str, Mark], most: int, key: str) -> Panel:
    first = strikes["time_utc"].min()
    with house_style():
        figure = Figure(figsize=(4.7, 5.4), layout="constrained", facecolor="none")
        exposure, peak, energy = figure.subplots(3, 1, sharex=True, height_ratios=(3.0, 3.0, 1.6))
        for axes in (exposure, peak, energy):
            dress(axes)
        for station_id in _present(marks, strikes):
            rows = strikes[strikes["station_id"] == station_id].sort_values("time_utc")
            minutes = _minutes(rows["time_utc"], first)
            for axes, quantity, censoring in (
                (exposure, "exposure_level_db", "exposure_censoring"),
                (peak, "peak_level_db", "peak_censoring"),
            ):
                limit = (rows[censoring] != "none").to_numpy(dtype=bool)
                _series(axes, minutes, rows[quantity].to_numpy(np.float64), limit, marks[station_id], most)
        _draw_energy(energy, strikes, first)
        exposure.set_ylabel("Exposure level\n(dB re 1 µPa² s)")
        peak.set_ylabel("Peak level\n(dB re 1 µPa)")
        energy.set_ylabel("Energy\n(kJ)")
        energy.set_xlabel(f"Minutes after {instant(first.to_pydatetime())} UTC")
        figure.align_ylabels()
        description = f"Exposure level and peak level of each strike, and hammer energy, pile {plain(pile.pile_id)}."
        svg = inline(figure, key, description)
    return Panel(pile.pile_id, svg, pile_words(pile))


def _minutes(times: pd.Series, first: pd.Timestamp) -> FloatArray:
    return np.asarray((times - first).dt.total_seconds() / 60.0, dtype=np.float64)


def _series(
    axes: Axes,
    minutes: FloatArray,
    level: FloatArray,
    limit: NDArray[np.bool_],
    mark: Mark,
    most: int,
) -> None:
    chosen = thinned(level, most)
    for rows, face in ((chosen[~limit[chosen]], mark.colour), (chosen[limit[chosen]], "#ffffff")):
        if rows.size:
            axes.plot(
                minutes[rows], level[rows], mark.marker, color=mark.colour, markerfacecolor=face,
                markersize=_mark_size(rows.size), markeredgewidth=0.5, linestyle="none",
            )  # fmt: skip


def _mark_size(n_marks: int) -> float:
    """Points across: as large as leaves neighbours in a panel apart, so that shapes can be told."""
    return min(max(330.0 / max(n_marks, 1), 2.3), 4.2)


def _draw_energy(axes: Axes, strikes: pd.DataFrame, first: pd.Timestamp) -> None:
    """The hammer energy of each strike once, or that none was logged."""
    logged = strikes[strikes["energy_kj"].notna()].sort_values("time_utc").drop_duplicates("strike_id")
    if logged.empty:
        axes.text(0.5, 0.5, "no hammer energy logged", transform=axes.transAxes, ha="center", va="center", color=MUTED)
        axes.set_yticks([])
        return
    energy = logged["energy_kj"].to_numpy(np.float64)
    axes.plot(_minutes(logged["time_utc"], first), energy, color=_ENERGY, linewidth=1.1, drawstyle="steps-mid")
    axes.set_ylim(0.0, float(energy.max()) * 1.12)


def _seconds_panel(pile: Pile, seconds: pd.DataFrame, marks: Mapping[str, Mark], most: int, key: str) -> Panel:
    first = seconds["start_utc"].min()
    with house_style():
        figure, axes = new_axes(height=3.1)
        for station_id in _present(marks, seconds):
            rows = seconds[seconds["station_id"] == station_id].sort_values("start_utc")
            level = rows["level_db"].to_numpy(np.float64)
            chosen = thinned(level, most)
            mark = marks[station_id]
            axes.plot(
                _minutes(rows["start_utc"], first)[chosen], level[chosen], "-", marker=mark.marker, color=mark.colour,
                linewidth=0.8, markersize=_mark_size(chosen.size),
            )  # fmt: skip
        axes.set_xlabel(f"Minutes after {instant(first.to_pydatetime())} UTC")
        axes.set_ylabel("Mean-square level of 1 s\n(dB re 1 µPa)", color=INK)
        svg = inline(figure, key, f"Mean-square level of each second, pile {plain(pile.pile_id)}.")
    return Panel(pile.pile_id, svg, pile_words(pile))
