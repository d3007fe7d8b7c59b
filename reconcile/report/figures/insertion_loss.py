"""Insertion loss against frequency, with intervals; bounds as arrows."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup
from matplotlib.axes import Axes

from reconcile.report.evidence import Evidence
from reconcile.report.figures.figure import FigurePart, LegendItem, Panel
from reconcile.report.figures.style import INK, MUTED, house_style, log_axis, new_axes, padded
from reconcile.report.figures.svg import inline, plain
from reconcile.report.tables.insertion_loss import interval_words, loss_words
from reconcile.report.words import abatement_words, group_words, sentence_case
from reconcile.vocabulary.decidecades import band_number, centre_hz

_BAND, _BROAD = "#0072b2", "#b34700"
_MOST_BEYOND_DB = 10.0
_UP, _DOWN = "M0,-4.9L4.9,4.2H-4.9z", "M0,4.9L4.9,-4.2H-4.9z"


def insertion_loss_figure(evidence: Evidence) -> FigurePart | None:
    """One panel for each abatement of each foundation type; None where nothing was with and without."""
    table = evidence.insertion_loss
    if table is None or table.empty:
        return None
    rows = table[table["mooring_id"].isna() & (table["quantity"] == "exposure_level") & (table["weighting"] == "none")]
    bands = rows[rows["band_hz"].notna()]
    if bands.empty:
        return None
    limits = padded(_ends(rows), 0.05, 1.0)
    x_limits = float(bands["band_hz"].min()) / 1.15, float(bands["band_hz"].max()) * 1.15
    panels = []
    for i, ((foundation, abatement), own) in enumerate(rows.groupby(["foundation_type", "abatement"], sort=False)):
        title = sentence_case(group_words("impact", str(foundation), str(abatement)))
        panels.append(Panel(title, _drawn(own, x_limits, limits, f"il-{i}"), _note(own)))
    items = [LegendItem("marker", _BAND, "decidecade band, with its 95 % interval")]
    if (rows["censoring"] == "at_least").any():
        items.append(
            LegendItem("marker", _BAND, "at least (hidden by the background with abatement)", _UP, filled=False)
        )
    if (rows["censoring"] == "at_most").any():
        items.append(LegendItem("marker", _BAND, "at most", _DOWN, filled=False))
    items += [LegendItem("line", _BROAD, "full band"), LegendItem("band", _BROAD, "its 95 % interval")]
    return FigurePart(tuple(panels), tuple(items))


def _ends(rows: pd.DataFrame) -> list[float]:
    """What the frame holds: all losses, and their intervals as far as ten decibels beyond."""
    losses = [*rows["insertion_loss_db"], 0.0]
    low, high = min(losses) - _MOST_BEYOND_DB, max(losses) + _MOST_BEYOND_DB
    ends = [*rows["lower_95_db"].dropna().clip(lower=low), *rows["upper_95_db"].dropna().clip(upper=high)]
    return [*losses, *ends]


def _drawn(rows: pd.DataFrame, x_limits: tuple[float, float], limits: tuple[float, float], key: str) -> Markup:
    with house_style():
        figure, axes = new_axes()
        axes.axhline(0.0, color=MUTED, linewidth=0.9)
        for row in rows[rows["band_hz"].isna()].to_dict("records"):
            axes.axhspan(row["lower_95_db"], row["upper_95_db"], color=_BROAD, alpha=0.13, linewidth=0)
            axes.axhline(row["insertion_loss_db"], color=_BROAD, linewidth=1.2)
        bands = rows[rows["band_hz"].notna()].sort_values("band_hz")
        known = bands[bands["censoring"] == "none"]
        centres = [centre_hz(band_number(float(f))) for f in known["band_hz"]]
        axes.vlines(centres, known["lower_95_db"], known["upper_95_db"], color=_BAND, linewidth=1.3)
        axes.plot(centres, known["insertion_loss_db"], "o", color=_BAND, markersize=3.6)
        _bounds(axes, bands, limits)
        log_axis(axes, *x_limits, "Decidecade centre frequency (Hz)")
        axes.set_ylim(*limits)
        axes.set_ylabel("Insertion loss of the exposure level (dB)")
        axes.yaxis.label.set_color(INK)
        name = plain(abatement_words(str(rows["abatement"].iloc[0])))
        return inline(figure, key, f"Insertion loss of {name} in decidecade bands with 95 % intervals.")


def _bounds(axes: Axes, bands: pd.DataFrame, limits: tuple[float, float]) -> None:
    """Losses of which one end alone is known: from the end of the interval towards what is open."""
    for name, end, marker, open_db in (
        ("at_least", "lower_95_db", "^", limits[1]),
        ("at_most", "upper_95_db", "v", limits[0]),
    ):
        rows = bands[bands["censoring"] == name]
        centres = [centre_hz(band_number(float(f))) for f in rows["band_hz"]]
        axes.vlines(centres, rows[end], open_db, color=_BAND, linewidth=1.0, linestyle=(0, (1, 2)))
        axes.plot(centres, rows["insertion_loss_db"], marker, color=_BAND, markersize=4.4, markerfacecolor="#ffffff")


def _note(rows: pd.DataFrame) -> str:
    broad = rows[rows["band_hz"].isna()].to_dict("records")
    if not broad:
        return ""
    row = broad[0]
    return (
        f"Full band {loss_words(row)} dB ({interval_words(row)} dB). Piles with the abatement {row['n_piles']}, "
        f"without {row['n_reference_piles']}, in both states {row['n_paired_piles']}; places that heard both "
        f"{row['n_paired_places']}. Intervals may go on beyond the frame."
    )
