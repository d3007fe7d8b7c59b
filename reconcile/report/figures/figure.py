"""What a figure hands to the page: panels, and the legend that they share."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup


@dataclass(frozen=True, slots=True)
class LegendItem:
    """One entry of a legend: what is drawn, its colour and its name.

    `kind` is one of marker, line, dashes, band, bar, interval.
    `symbol` is the path of a marker in a box from -6 to 6; `filled` is false for an outline, `small` true where the
    figure's marks are small.
    """

    kind: str
    colour: str
    name: str
    symbol: str = ""
    filled: bool = True
    small: bool = False


@dataclass(frozen=True, slots=True)
class Panel:
    """One drawing with a title and a note in words."""

    title: str
    svg: Markup
    note: str = ""


@dataclass(frozen=True, slots=True)
class FigurePart:
    """Panels that are read together, their legend, and what is to be said of all; `wide` takes the page's width."""

    panels: tuple[Panel, ...]
    legend: tuple[LegendItem, ...] = ()
    caption: str = ""
    wide: bool = False
