"""The section on insertion loss: what is said of losses, bounds and flags; nothing where nothing was compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from reconcile.report import Evidence, page
from reconcile.report.figures.insertion_loss import insertion_loss_figure
from reconcile.report.tables.insertion_loss import flag_notes, place_table, side_by_side_table
from reconcile.vocabulary.tables import INSERTION_LOSS
from tests.report.small_evidence import whole

CURTAIN = "curtain <b>one</b>"


def _row(quantity: str, band_hz: float, loss_db: float, **changes: object) -> dict[str, object]:
    row: dict[str, object] = dict.fromkeys(INSERTION_LOSS.column_names, np.nan) | {
        "installation_method": "impact", "foundation_type": "monopile", "abatement": CURTAIN,
        "reference_abatement": "none", "quantity": quantity, "weighting": "none", "band_hz": band_hz,
        "mooring_id": None, "insertion_loss_db": loss_db, "standard_uncertainty_db": 1.7,
        "lower_95_db": loss_db - 3.3, "upper_95_db": loss_db + 3.3, "censoring": "none", "n_piles": 4,
        "n_reference_piles": 1, "n_paired_piles": 0, "n_paired_places": 3, "n_strikes": 400,
        "n_reference_strikes": 100, "energy_shift_db": -1.2, "flags": ["one_reference_pile"],
    }  # fmt: skip
    return row | changes


def _evidence() -> Evidence:
    rows = [
        _row("exposure_level", np.nan, 10.4),
        _row("peak_level", np.nan, 12.9),
        _row("exposure_level", 63.0, 4.2),
        _row("exposure_level", 1000.0, 15.6, censoring="at_least", upper_95_db=np.nan),
        _row("exposure_level", np.nan, 8.8, mooring_id="S2"),
    ]
    return replace(whole(), insertion_loss=pd.DataFrame(rows))


def test_peak_and_exposure_stand_side_by_side() -> None:
    (body,) = side_by_side_table(_evidence()).bodies
    assert [row[:3] for row in body.rows] == [
        ("Single-strike exposure level", "10.4", "7.1 to 13.7"),
        ("Zero-to-peak level", "12.9", "9.6 to 16.2"),
    ]
    assert side_by_side_table(_evidence(), {"another"}).empty
    (places,) = place_table(_evidence()).bodies
    assert places.rows[0][:2] == ("S2", "8.8")


def test_the_section_says_how_little_one_pile_tells() -> None:
    text = page(_evidence())
    assert '<section id="insertion-loss">' in text
    assert "One pile alone was struck without abatement" in text
    assert "<b>one</b>" not in text
    assert len(flag_notes(_evidence())) == 1


def test_bounds_have_marks_of_their_own() -> None:
    figure = insertion_loss_figure(_evidence())
    assert figure is not None
    assert any("at least" in item.name for item in figure.legend)
    assert "10.4 dB (7.1 to 13.7 dB)" in figure.panels[0].note


def test_nothing_where_nothing_was_compared() -> None:
    empty = replace(whole(), insertion_loss=pd.DataFrame(columns=list(INSERTION_LOSS.column_names)))
    for evidence in (whole(), empty):
        assert insertion_loss_figure(evidence) is None
        assert "insertion-loss" not in page(evidence)
