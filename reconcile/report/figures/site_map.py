"""Maps: where stations and piles were, and the circles of distances to levels about one pile of each group.

Plane maps about their middle, north up: over the tens of kilometres of a site what that distorts is less than a mark.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import cos, isfinite, log10, radians
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reconcile.campaign.station_periods import station_periods
from reconcile.report.evidence import Evidence
from reconcile.report.figures.distances import MEASURED
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import (
    GRID,
    INK,
    MUTED,
    PAPER,
    SYMBOLS,
    dress,
    house_style,
    pile_marks,
    station_marks,
)
from reconcile.report.figures.svg import inline, plain
from reconcile.report.formatting import metres, significant
from reconcile.report.layers import circle_features
from reconcile.report.words import group_words, short_quantity_words, unit_words
from reconcile.vocabulary.documents.campaign import Pile

_KM_PER_DEGREE = 111.195  # of latitude, on a sphere
_LONGEST_NAME, _MOST_NAMES = 10, 24
_MOST_LEVELS = 6  # circles of one kind about a pile
_MOST_KM = 250.0  # a circle beyond is no distance of a site
_PREDICTED = "#b34700"


@dataclass(frozen=True, slots=True)
class _Place:
    name: str
    east_km: float
    north_km: float


def site_maps(evidence: Evidence) -> FigurePart | None:
    """Map of stations and piles, then circles of distances for each group of piles; None without positions."""
    piles = [p for p in evidence.piles if p.latitude_deg is not None and p.longitude_deg is not None]
    stations = list(_positions(evidence))
    degrees = [*((p.latitude_deg, p.longitude_deg) for p in piles), *((lat, lon) for _, lat, lon in stations)]
    if not degrees:
        return None
    middle = tuple((min(v) + max(v)) / 2.0 for v in zip(*degrees, strict=True))
    put = _Projection(float(middle[0]), float(middle[1]))
    pile_places = [put.place(p.pile_id, p.latitude_deg, p.longitude_deg) for p in piles]
    places = [put.place(name, lat, lon) for name, lat, lon in stations]
    panels = [_overview(evidence, pile_places, places)]
    panels += [
        _circles(evidence, pile, name, put, places, f"mc-{i}")
        for i, (pile, name) in enumerate(_groups(evidence, piles))
    ]
    items = (
        LegendItem("marker", INK, "piles", SYMBOLS["s"]),
        LegendItem("marker", MUTED, "stations", SYMBOLS["o"]),
        LegendItem("line", MEASURED, "measured distance to a level (from the fitted curve)"),
        LegendItem("dashes", _PREDICTED, "predicted distance"),
    )
    return FigurePart(tuple(panels), items if len(panels) > 1 else items[:2])


@dataclass(frozen=True, slots=True)
class _Projection:
    latitude_deg: float
    longitude_deg: float

    def place(self, name: str, latitude_deg: Any, longitude_deg: Any) -> _Place:
        east = (float(longitude_deg) - self.longitude_deg + 180.0) % 360.0 - 180.0
        shrink = cos(radians(self.latitude_deg))
        return _Place(name, east * shrink * _KM_PER_DEGREE, (float(latitude_deg) - self.latitude_deg) * _KM_PER_DEGREE)


def _positions(evidence: Evidence) -> Iterator[tuple[str, float, float]]:
    """Each place at which a station was, once."""
    for station_id in evidence.station_ids:
        found = [(p.latitude_deg, p.longitude_deg) for p in station_periods(evidence.campaign, station_id)]
        for latitude, longitude in dict.fromkeys(found):
            if isfinite(latitude) and isfinite(longitude):
                yield station_id, latitude, longitude


def _overview(evidence: Evidence, piles: Sequence[_Place], stations: Sequence[_Place]) -> Panel:
    pile_looks = pile_marks([pile.pile_id for pile in evidence.piles])
    station_looks = station_marks(evidence.station_ids)
    with house_style():
        figure, axes = _sheet(_window([*piles, *stations]))
        for place in stations:
            axes.plot(place.east_km, place.north_km, "o", color=station_looks[place.name].colour, markersize=5)
        for place in piles:
            axes.plot(
                place.east_km, place.north_km, "s", color=pile_looks[place.name].colour, markersize=6,
                markeredgecolor=INK, markeredgewidth=0.6,
            )  # fmt: skip
        _names(axes, [*stations, *piles])
        svg = inline(figure, "mp", f"Map of {len(piles)} piles and {len(stations)} places of stations.")
    return Panel("Stations and piles", svg, "Names that would cover each other are left out.")


def _groups(evidence: Evidence, piles: Sequence[Pile]) -> list[tuple[Pile, str]]:
    """The first pile of each group that has a distance to a level."""
    found: dict[str, Pile] = {}
    for pile in piles:
        name = group_words(pile.installation_method, pile.foundation_type, pile.abatement)
        alone = evidence.campaign.model_copy(update={"piles": (pile,)})
        if name not in found and any(True for _ in circle_features(alone, evidence.fit, evidence.bias)):
            found[name] = pile
    return [(pile, name) for name, pile in found.items()]


def _circles(
    evidence: Evidence, pile: Pile, name: str, put: _Projection, stations: Sequence[_Place], key: str
) -> Panel:
    alone = evidence.campaign.model_copy(update={"piles": (pile,)})
    known = [f["properties"] for f in circle_features(alone, evidence.fit, evidence.bias)]
    known = [p for p in known if p["range_m"] <= 1e3 * _MOST_KM]
    known = list({(_label(p), p["kind"]): p for p in reversed(known)}.values())  # of several statistics the first
    chosen = _chosen(known)
    centre = put.place(pile.pile_id, pile.latitude_deg, pile.longitude_deg)
    angle = np.linspace(0.0, 2.0 * np.pi, 61)
    reach = [p["range_m"] / 1e3 for p in known if _label(p) in chosen]
    corners = [_Place("", centre.east_km + dx * r, centre.north_km + dx * r) for r in reach for dx in (-1.0, 1.0)]
    with house_style():
        figure, axes = _sheet(_window([centre, *corners]))
        for place in stations:
            axes.plot(place.east_km, place.north_km, "o", color=MUTED, markersize=3.2)
        axes.plot(centre.east_km, centre.north_km, "s", color=INK, markersize=5)
        for p in known:
            if _label(p) not in chosen:
                continue
            radius, measured = p["range_m"] / 1e3, p["kind"] == "measured"
            axes.plot(
                centre.east_km + radius * np.sin(angle), centre.north_km + radius * np.cos(angle),
                "-" if measured else "--", color=MEASURED if measured else _PREDICTED, linewidth=1.1,
            )  # fmt: skip
            if measured or not any(q["kind"] == "measured" and _label(q) == _label(p) for q in known):
                axes.annotate(
                    f"{chosen.index(_label(p)) + 1}", (centre.east_km, centre.north_km + radius), color=INK,
                    fontsize=7.4, ha="center", va="center", bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6},
                )  # fmt: skip
        svg = inline(figure, key, f"Map of distances to levels about pile {plain(pile.pile_id)}.")
    numbered = "; ".join(f"{i + 1}: {label}" for i, label in enumerate(chosen))
    return Panel(f"{name[:1].upper()}{name[1:]}, about {pile.pile_id}", svg, f"{numbered}.")


def _chosen(known: Sequence[dict[str, Any]]) -> list[str]:
    """The levels that are drawn, by distance: those that were predicted first."""
    by_label: dict[str, float] = {}
    for p in sorted(known, key=lambda p: p["kind"] != "predicted"):
        by_label.setdefault(_label(p), p["range_m"])
    return sorted(list(by_label)[:_MOST_LEVELS], key=lambda label: by_label[label])


def _label(p: dict[str, Any]) -> str:
    quantity = short_quantity_words(p["quantity"], p["weighting"], p.get("band_hz"))
    return f"{significant(p['threshold_db'], 4)} {unit_words(p['quantity'])}, {quantity}"


def _window(places: Sequence[_Place]) -> tuple[float, float, float]:
    """Middle and half a side of a square around some places, in km."""
    east, north = [p.east_km for p in places], [p.north_km for p in places]
    half = max(max(east) - min(east), max(north) - min(north), 0.2) / 2.0
    return (min(east) + max(east)) / 2.0, (min(north) + max(north)) / 2.0, half * 1.22


def _sheet(window: tuple[float, float, float]) -> tuple[Figure, Axes]:
    """A square map with its scale bar, and an arrow to the north."""
    east, north, half = window
    figure = Figure(figsize=(4.7, 4.5), layout="constrained", facecolor="none")
    axes = figure.subplots()
    dress(axes)
    axes.set_xlim(east - half, east + half)
    axes.set_ylim(north - half, north + half)
    axes.set_aspect("equal")
    axes.grid(True, color=GRID, linewidth=0.6)
    axes.set_xlabel("East of the middle of the site (km)")
    axes.set_ylabel("North of the middle of the site (km)")
    length = _scale_km(half)
    left, low = east - 0.93 * half, north - 0.9 * half
    axes.plot([left, left + length], [low, low], color=INK, linewidth=2.6, solid_capstyle="butt")
    words = f"{significant(length)} km" if length >= 1 else f"{metres(1e3 * length)} m"
    axes.text(left + length / 2.0, low + 0.035 * half, words, ha="center", va="bottom", fontsize=7.8, color=INK)
    top = north + 0.92 * half
    axes.annotate(
        "N", (east + 0.9 * half, top), (east + 0.9 * half, top - 0.2 * half), ha="center", va="center", color=INK,
        arrowprops={"arrowstyle": "-|>", "color": INK, "shrinkA": 6.0},
    )  # fmt: skip
    return figure, axes


def _scale_km(half: float) -> float:
    """A round length of about a quarter of the map."""
    decade = 10.0 ** np.floor(log10(half / 2.0))
    return float(max(step * decade for step in (1.0, 2.0, 5.0) if step * decade <= half / 2.0))


def _names(axes: Axes, places: Sequence[_Place]) -> None:
    """Names beside the marks, as far as they do not cover a name that stands already."""
    low, high = axes.get_xlim()
    near, stand = (high - low) / 24.0, list[_Place]()
    for place in places:
        clear = all(
            abs(place.north_km - o.north_km) > near or abs(place.east_km - o.east_km) > 4.0 * near for o in stand
        )
        if clear and len(stand) < _MOST_NAMES:
            stand.append(place)
            axes.annotate(
                plain(place.name, _LONGEST_NAME), (place.east_km, place.north_km), xytext=(5, 4),
                textcoords="offset points", fontsize=7.2, color=INK,
            )  # fmt: skip
