"""What a figure hands to the page: panels, and the legend that they share."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup


@dataclass(frozen=True, slots=True)
class LegendItem:
    """One entry of a legend: what is drawn (`marker`, `line`, `dashes`, `band`), its colour and its name.

    `symbol` is the path of a marker in a box from -6 to 6; `filled` is false for an outline.
    """

    kind: str
    colour: str
    name: str
    symbol: str = ""
    filled: bool = True


@dataclass(frozen=True, slots=True)
class Panel:
    """One drawing with a title and a note in words."""

    title: str
    svg: Markup
    note: str = ""


@dataclass(frozen=True, slots=True)
class FigurePart:
    """Panels that are read together, their legend, and what is to be said of all."""

    panels: tuple[Panel, ...]
    legend: tuple[LegendItem, ...] = ()
    caption: str = ""
