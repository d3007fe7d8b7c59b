"""Median decidecade levels of each pile at each station, with the background's."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

import numpy as np
import pandas as pd

from reconcile.report.evidence import Evidence, rows_of
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import MUTED, Mark, house_style, legend, log_axis, new_axes, padded, station_marks
from reconcile.report.figures.svg import inline, plain
from reconcile.report.words import pile_words
from reconcile.spreading.stored_bands import band_level_db, band_rows
from reconcile.vocabulary.decidecades import band_number, centre_hz
from reconcile.vocabulary.documents.campaign import Pile
from reconcile.vocabulary.tables.background import band_column
from reconcile.vocabulary.tables.bands import noise_column

_APART = 4  # bands between the marks on a dashed line
_AROUND = timedelta(minutes=10)
_OF_SECONDS = (
    "One second of the activity takes the place of a strike; the background is that of the seconds within 10 min before"
    " and after in which nothing was being installed."
)


def spectra(evidence: Evidence) -> FigurePart | None:
    """One panel for each pile: medians over its strikes (or seconds), dashed the background before its strikes."""
    rows = evidence.summary
    rows = rows[rows["band_hz"].notna() & (rows["quantity"] == "exposure_level") & (rows["weighting"] == "none")]
    rows = rows[rows["median_db"].notna()]
    piles = [pile for pile in evidence.pile_states if len(rows_of(rows, pile))]
    if not piles:
        return None
    marks = station_marks(evidence.station_ids)
    of_strikes = _noise_medians(evidence)
    noise = [
        of_strikes[of_strikes["pile_id"] == pile.pile_id]
        if pile.installation_method == "impact"
        else quiet_medians(evidence, pile)
        for pile in piles
    ]
    limits = padded([*rows["median_db"], *(level for own in noise for level in own["level_db"])], 0.05, 2.0)
    frequencies = [float(f) for f in rows["band_hz"]]
    x_limits = min(frequencies) / 1.15, max(frequencies) * 1.15
    panels = tuple(
        _panel(
            pile,
            rows_of(rows, pile),
            noise[i],
            marks,
            (x_limits, limits),
            f"sp-{i}",
        )
        for i, pile in enumerate(piles)
    )
    present = [name for name in marks if name in set(rows["station_id"])]
    items: tuple[LegendItem, ...] = (LegendItem("line", MUTED, "median over the strikes (seconds)"),)
    if any(len(own) for own in noise):
        dashes = "background over the same duration, median; open marks tell its stations"
        items += (LegendItem("dashes", MUTED, dashes),)
    return FigurePart(panels, (*legend(marks, present), *items))


def _noise_medians(evidence: Evidence) -> pd.DataFrame:
    """Median of the background's band exposure for each pile, station and band, in long form."""
    numbers = [band_number(f) for f in sorted(evidence.summary["band_hz"].dropna().unique())]
    columns = {noise_column(n): n for n in numbers if noise_column(n) in evidence.bands.columns}
    if not columns or not len(evidence.bands):
        return pd.DataFrame({"pile_id": [], "station_id": [], "band": [], "level_db": []})
    keys = evidence.strikes[["strike_id", "station_id", "pile_id"]]
    numbered = band_rows(keys, evidence.bands)
    grouped = numbered.groupby(["pile_id", "station_id"])
    of_group = grouped.ngroup()
    medians = pd.DataFrame(
        {
            n: pd.Series(band_level_db(numbered, evidence.bands, name).astype(np.float32)).groupby(of_group).median()
            for name, n in columns.items()
        }
    )
    labels = grouped.size().index.to_frame(index=False)
    long = labels.join(medians)
    long = long.melt(id_vars=["pile_id", "station_id"], var_name="band", value_name="level_db")
    return long[long["level_db"].notna()]


def quiet_medians(evidence: Evidence, pile: Pile) -> pd.DataFrame:
    """Medians of the seconds around work that is not impact driving in which nothing was being installed."""
    numbers = [band_number(f) for f in sorted(evidence.summary["band_hz"].dropna().unique())]
    rows = evidence.background
    columns = {band_column(n): n for n in numbers if band_column(n) in rows.columns}
    if not columns or rows.empty:
        return pd.DataFrame({"station_id": [], "band": [], "level_db": []})
    near = rows["start_utc"].between(pile.start_utc - _AROUND, pile.end_utc + _AROUND)
    quiet = rows[near & rows["pile_id"].isna() & (rows["duration_s"] == 1.0)]
    long = quiet.groupby("station_id")[list(columns)].median().rename(columns=columns).reset_index()
    long = long.melt(id_vars=["station_id"], var_name="band", value_name="level_db")
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
        for place, (station_id, mark) in enumerate(marks.items()):
            quiet = noise[noise["station_id"] == station_id].sort_values("band")
            if len(quiet):
                axes.plot(
                    [centre_hz(int(n)) for n in quiet["band"]], quiet["level_db"], "--", marker=mark.marker,
                    color=mark.colour, linewidth=0.8, markersize=4.0, markerfacecolor="#ffffff", markeredgewidth=0.8,
                    markevery=(place % _APART, _APART),
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
    unit = "" if impact else f" {_OF_SECONDS}"
    return Panel(pile.pile_id, svg, f"{pile_words(pile)}.{unit}")
