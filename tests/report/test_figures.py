"""Figures: what is drawn, thinned honestly, and small."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from reconcile.report.figures.bias import side_by_side
from reconcile.report.figures.distances import threshold_label
from reconcile.report.figures.level_range import level_range
from reconcile.report.figures.spectra import quiet_medians, spectra
from reconcile.report.figures.style import house_style, log_ticks, new_axes, pile_marks, station_marks
from reconcile.report.figures.svg import inline, plain
from reconcile.report.figures.time_history import strike_histories, thinned
from reconcile.report.subjects import Subject
from reconcile.vocabulary.decidecades import nominal_hz
from reconcile.vocabulary.tables.background import band_column
from tests.report import small_evidence


def test_thinning_keeps_the_extremes() -> None:
    level = np.sin(np.linspace(0.0, 40.0, 5000))
    level[1234], level[4321] = 9.0, -9.0
    kept = thinned(level, 200)
    assert kept.size <= 202
    assert {1234, 4321} <= set(kept.tolist())
    assert np.array_equal(thinned(level[:100], 200), np.arange(100))


def test_long_histories_are_said_to_be_thinned() -> None:
    evidence = small_evidence.levels_only()
    many = evidence.strikes.loc[evidence.strikes.index.repeat(400)].reset_index(drop=True)
    figure, short = strike_histories(replace(evidence, strikes=many)), strike_histories(evidence)
    assert figure is not None
    assert short is not None
    assert "Thinned" in figure.caption
    assert short.caption == ""


def test_each_pile_of_a_long_season_has_its_own_mark() -> None:
    marks = pile_marks([f"P{i}" for i in range(56)])
    assert len({(m.colour, m.marker) for m in marks.values()}) == 56
    assert len({m.colour for m in station_marks(["a", "b", "c", "d", "e"]).values()}) == 5


@pytest.mark.parametrize(("low", "high"), [(380.0, 8200.0), (8.0, 25_000.0), (390.0, 900.0), (480.0, 610.0)])
def test_log_ticks_lie_inside_and_are_neither_few_nor_crowded(low: float, high: float) -> None:
    ticks = log_ticks(low, high)
    assert all(low * 0.99 <= tick <= high * 1.01 for tick in ticks)
    assert 1 <= len(ticks) <= 9


def test_svg_is_small_and_carries_no_ids_but_its_own() -> None:
    with house_style():
        figure, axes = new_axes()
        axes.plot(np.arange(50), np.arange(50), "o", label="_x")
        axes.set_title("a <b> & $c_1$ \x0b")
        axes.set_xlabel(plain("bell \x07"))
        svg = str(inline(figure, "key", 'say "so"'))
    root = ElementTree.fromstring(svg)
    assert root.get("aria-label") == 'say "so"'
    assert all(e.get("id", "key.").startswith("key.") for e in root.iter())
    texts = [e.text for e in root.iter("text")]
    assert "bell \ufffd" in texts
    assert len(svg) < 12_000


def test_level_range_shows_measured_pairs_and_predictions_of_the_group() -> None:
    figure = level_range(small_evidence.whole(), Subject("exposure_level"))
    assert figure is not None
    assert [panel.title for panel in figure.panels] == ["Monopile, impact driving, no abatement"]
    note = figure.panels[0].note
    assert "brought to 2000 kJ" in note
    assert "Curve for a strike of 2000 kJ" in note
    assert f"{175.0 + 10.0 * np.log10(2000.0 / 1800.0):.1f} dB at 750 m" in note  # 175 dB is that of 1800 kJ
    assert "1800" not in note
    assert "17.0 ± 1.2 dB per decade" in figure.panels[0].note
    assert [item.name for item in figure.legend][:2] == ["P1", "P2"]
    assert figure.legend[-1].name == "predicted"


def test_level_range_falls_back_on_the_medians_as_recorded() -> None:
    figure = level_range(small_evidence.levels_only(), Subject("peak_level"))
    assert figure is not None
    assert "median over the strikes, as recorded" in figure.panels[0].note
    assert len(figure.legend) == 2


def test_predictions_that_count_in_no_bias_are_drawn_and_said_to_be() -> None:
    evidence = small_evidence.whole()
    pairs = evidence.pairs.assign(statistic=None, counted=False)
    pairs["flags"] = pairs["flags"].map(lambda _: ["basis_unknown"])
    figure = level_range(replace(evidence, comparison=pairs), Subject("exposure_level"))
    assert figure is not None
    assert figure.legend[-1].name == "predicted"
    assert "not counted in a bias" in figure.panels[0].note


def test_marks_of_nearly_one_range_stand_apart_in_their_order() -> None:
    ranges = np.array([5600.0, 760.0, 5591.0, 760.0, 1451.0])
    drawn = side_by_side(ranges)
    assert drawn[4] == pytest.approx(1451.0)
    assert drawn[2] < drawn[0]
    assert np.min(np.diff(np.sort(np.log10(drawn)))) > 0.02
    assert np.max(np.abs(np.log10(drawn / ranges))) < 0.03
    crowd = side_by_side(np.full(40, 750.0))
    assert np.ptp(np.log10(crowd)) < 0.13


def test_a_weighting_is_named_as_elsewhere() -> None:
    row = small_evidence.thresholds()[0].model_copy(update={"weighting": "nmfs-2024:LF"})
    assert "LF-weighted (NMFS 2024)" in threshold_label(row)
    assert "nmfs" not in threshold_label(row)


def test_background_of_a_vibrated_pile_is_that_of_the_seconds_without_work() -> None:
    evidence = small_evidence.levels_only()
    column, band_hz = band_column(20), nominal_hz(20)
    pile = next(p for p in evidence.piles if p.pile_id == "V1")
    start = pd.Timestamp(pile.start_utc)
    spectrum = {"pile_id": "V1", "station_id": "S1", "quantity": "exposure_level", "weighting": "none",
                "band_hz": band_hz, "median_db": 120.0}  # fmt: skip
    quiet = pd.DataFrame(
        {"station_id": "S1", "pile_id": None, "duration_s": 1.0, "level_db": 100.0, "flags": [[], [], [], []],
         "start_utc": [start - pd.Timedelta(seconds=s) for s in (3, 2, 1, 3600)], column: [80.0, 82.0, 84.0, 140.0]}
    )  # fmt: skip
    seconds = pd.concat([evidence.background.assign(**{column: 120.0}), quiet])
    changed = replace(evidence, summary=pd.concat([evidence.summary, pd.DataFrame([spectrum])]), background=seconds)
    assert quiet_medians(changed, pile)["level_db"].tolist() == [82.0]
    figure = spectra(changed)
    assert figure is not None
    panel = next(panel for panel in figure.panels if panel.title == "V1")
    assert "stroke-dasharray" in str(panel.svg)
    assert "nothing was being installed" in panel.note


def test_stations_of_a_time_history_have_colours_and_shapes_of_their_own() -> None:
    marks = station_marks(["S1L", "S1U", "S2", "S3", "S4"]).values()
    assert len({m.colour for m in marks}) == len({m.marker for m in marks}) == 5
    figure = strike_histories(small_evidence.levels_only())
    assert figure is not None
    assert all(item.small for item in figure.legend)
