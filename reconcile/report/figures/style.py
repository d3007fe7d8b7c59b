"""The look that all figures share: colours, markers, axes. Each pile and each station has one colour and marker."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter, NullLocator

from reconcile.report.figures.figure import LegendItem
from reconcile.report.formatting import metres

INK, MUTED, GRID, PAPER = "#1d2733", "#5d6975", "#e4e8ec", "#ffffff"
PREDICTED = "#1d2733"
CURVE = "#3f4d5a"
# Piles: after Okabe and Ito's palette for all kinds of colour vision, darkened where white paper needs it.
_PILE_COLOURS = ("#0072b2", "#d55e00", "#00866a", "#b8568f", "#b97f00", "#3a9bd1", "#5b5b5b")
_PILE_MARKERS = ("o", "s", "^", "v", "P", "X", "<", ">")
_STATION_MARKERS = ("o", "s", "^", "v", "P", "X", "<", ">")
# Stations from near to far: hues that stay apart where marks are small, dark enough for white paper.
_STATION_COLOURS = ("#35207a", "#d6336c", "#00838f", "#c77700", "#4f8a10", "#8c5a3c", "#596673")
SYMBOLS = {
    "o": "M-4.6,0a4.6,4.6 0 1,0 9.2,0a4.6,4.6 0 1,0 -9.2,0z",
    "s": "M-4.2,-4.2h8.4v8.4h-8.4z",
    "^": "M0,-4.9L4.9,4.2H-4.9z",
    "v": "M0,4.9L4.9,-4.2H-4.9z",
    "P": "M-1.8,-5h3.6v3.2h3.2v3.6h-3.2v3.2h-3.6v-3.2h-3.2v-3.6h3.2z",
    "X": "M-4.9,-2.4L-2.4,-4.9L0,-2.4L2.4,-4.9L4.9,-2.4L2.4,0L4.9,2.4L2.4,4.9L0,2.4L-2.4,4.9L-4.9,2.4L-2.4,0z",
    "<": "M-4.9,0L4.2,-4.9V4.9z",
    ">": "M4.9,0L-4.2,-4.9V4.9z",
    "D": "M0,-5.2L5.2,0L0,5.2L-5.2,0z",
}
PANEL_INCHES = (4.7, 3.3)
_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "report",
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 8.4,
    "path.simplify": True,
}


@dataclass(frozen=True, slots=True)
class Mark:
    """How one pile or station is drawn everywhere."""

    colour: str
    marker: str


def pile_marks(pile_ids: Sequence[str]) -> dict[str, Mark]:
    """A colour and a marker for each pile; their periods are coprime, so 56 piles differ."""
    return {
        pile_id: Mark(_PILE_COLOURS[i % len(_PILE_COLOURS)], _PILE_MARKERS[i % len(_PILE_MARKERS)])
        for i, pile_id in enumerate(pile_ids)
    }


def station_marks(station_ids: Sequence[str]) -> dict[str, Mark]:
    """A colour and a marker for each station; their periods are coprime, so 56 stations differ."""
    return {
        station_id: Mark(_STATION_COLOURS[i % len(_STATION_COLOURS)], _STATION_MARKERS[i % len(_STATION_MARKERS)])
        for i, station_id in enumerate(station_ids)
    }


def legend(marks: Mapping[str, Mark], names: Sequence[str], *, small: bool = False) -> tuple[LegendItem, ...]:
    """Legend entries of some piles or stations; `small` where the marks of the figure are."""
    return tuple(
        LegendItem("marker", marks[name].colour, name, SYMBOLS[marks[name].marker], small=small) for name in names
    )


@contextmanager
def house_style() -> Iterator[None]:
    """Settings under which a figure is made and written; names are never read as formulas."""
    with matplotlib.rc_context(_SETTINGS):
        yield


def new_axes(width: float = PANEL_INCHES[0], height: float = PANEL_INCHES[1]) -> tuple[Figure, Axes]:
    """A figure with one plain axes."""
    figure = Figure(figsize=(width, height), layout="constrained", facecolor="none")
    axes = figure.subplots()
    dress(axes)
    return figure, axes


def dress(axes: Axes) -> None:
    """Thin frame, light grid, muted ticks."""
    axes.set_facecolor("none")
    axes.grid(True, color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color("#9aa5b1")
        axes.spines[side].set_linewidth(0.8)
    axes.tick_params(colors=MUTED, labelsize=8.2, length=3, width=0.7)
    axes.xaxis.label.set_color(INK)
    axes.yaxis.label.set_color(INK)


def log_axis(axes: Axes, low: float, high: float, label: str, name: str = "x") -> None:
    """A logarithmic axis with plain numbers: 500, 1000, 2000 and so on."""
    axis = axes.xaxis if name == "x" else axes.yaxis
    (axes.set_xscale if name == "x" else axes.set_yscale)("log")
    (axes.set_xlim if name == "x" else axes.set_ylim)(low, high)
    ticks = log_ticks(low, high)
    axis.set_major_locator(FixedLocator(ticks))
    axis.set_major_formatter(FixedFormatter([metres(tick) if tick >= 1 else f"{tick:g}" for tick in ticks]))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())
    (axes.set_xlabel if name == "x" else axes.set_ylabel)(label)


def log_ticks(low: float, high: float) -> list[float]:
    """Ticks at 1, 2, 5 in each decade; closer where the axis is short, further apart where it is long."""
    for steps in ((1.0,), (1.0, 3.0), (1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0)):
        ticks = [
            step * 10.0**decade
            for decade in range(-2, 7)
            for step in steps
            if low * 0.999 <= step * 10.0**decade <= high * 1.001
        ]
        if len(ticks) >= 4:
            return ticks
    return ticks


def padded(values: Sequence[float], share: float = 0.06, least: float = 1.0) -> tuple[float, float]:
    """Limits around some values with a margin on both sides."""
    low, high = min(values), max(values)
    pad = max((high - low) * share, least)
    return low - pad, high + pad
