"""Median decidecade levels of each pile at each station, with the background's."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import MUTED, Mark, house_style, legend, log_axis, new_axes, padded, station_marks
from reconcile.report.figures.svg import inline, plain
from reconcile.report.words import pile_words
from reconcile.vocabulary.decidecades import band_number, centre_hz
from reconcile.vocabulary.documents.campaign import Pile
from reconcile.vocabulary.tables.bands import noise_column


def spectra(evidence: Evidence) -> FigurePart | None:
    """One panel for each pile: medians over its strikes (or seconds), dashed the background before its strikes."""
    rows = evidence.summary
    rows = rows[rows["band_hz"].notna() & (rows["quantity"] == "exposure_level") & (rows["weighting"] == "none")]
    rows = rows[rows["median_db"].notna()]
    piles = [pile for pile in evidence.piles if pile.pile_id in set(rows["pile_id"])]
    if not piles:
        return None
    marks = station_marks(evidence.station_ids)
    noise = _noise_medians(evidence)
    limits = padded([*rows["median_db"], *noise["level_db"]], 0.05, 2.0)
    frequencies = [float(f) for f in rows["band_hz"]]
    x_limits = min(frequencies) / 1.15, max(frequencies) * 1.15
    panels = tuple(
        _panel(
            pile,
            rows[rows["pile_id"] == pile.pile_id],
            noise[noise["pile_id"] == pile.pile_id],
            marks,
            (x_limits, limits),
            f"sp-{i}",
        )
        for i, pile in enumerate(piles)
    )
    present = [name for name in marks if name in set(rows["station_id"])]
    items: tuple[LegendItem, ...] = (LegendItem("line", MUTED, "median over the strikes"),)
    if len(noise):
        items += (LegendItem("dashes", MUTED, "background over the same duration, median"),)
    return FigurePart(panels, (*legend(marks, present), *items))


def _noise_medians(evidence: Evidence) -> pd.DataFrame:
    """Median of the background's band exposure for each pile, station and band, in long form."""
    numbers = [band_number(f) for f in sorted(evidence.summary["band_hz"].dropna().unique())]
    columns = {noise_column(n): n for n in numbers if noise_column(n) in evidence.bands.columns}
    if not columns or evidence.bands.empty:
        return pd.DataFrame({"pile_id": [], "station_id": [], "band": [], "level_db": []})
    keys = evidence.strikes[["strike_id", "station_id", "pile_id"]]
    joined = evidence.bands[["strike_id", "station_id", *columns]].merge(keys, on=["strike_id", "station_id"])
    medians = joined.groupby(["pile_id", "station_id"])[list(columns)].median()
    long = medians.rename(columns=columns).reset_index()
    long = long.melt(id_vars=["pile_id", "station_id"], var_name="band", value_name="level_db")
    return long[long["level_db"].notna()]


def _panel(
    pile: Pile,
    rows: pd.DataFrame,
    noise: pd.DataFrame,
    marks: Mapping[str, Mark],
    limits: tuple[tuple[float, float], tuple[float, float]],
    key: str,
) -> Panel:
    impact = pile.installation_method == "impact"
    with house_style():
        figure, axes = new_axes()
        for station_id, mark in marks.items():
            quiet = noise[noise["station_id"] == station_id].sort_values("band")
            if len(quiet):
                axes.plot(
                    [centre_hz(int(n)) for n in quiet["band"]], quiet["level_db"], "--", color=mark.colour,
                    linewidth=0.8, alpha=0.75,
                )  # fmt: skip
            heard = rows[rows["station_id"] == station_id].sort_values("band_hz")
            if len(heard):
                centres = np.array([centre_hz(band_number(float(f))) for f in heard["band_hz"]])
                axes.plot(
                    centres, heard["median_db"], "-", marker=mark.marker, color=mark.colour, linewidth=1.1,
                    markersize=2.8,
                )  # fmt: skip
        log_axis(axes, *limits[0], "Decidecade centre frequency (Hz)")
        axes.set_ylim(*limits[1])
        axes.set_ylabel("Band exposure level (dB re 1 µPa² s)")
        svg = inline(figure, key, f"Median decidecade exposure levels at each station, pile {plain(pile.pile_id)}.")
    unit = "" if impact else " One second of the activity takes the place of a strike."
    return Panel(pile.pile_id, svg, f"{pile_words(pile)}.{unit}")
