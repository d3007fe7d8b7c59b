"""Figures: what is drawn, thinned honestly, and small."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from reconcile.report.figures.level_range import level_range
from reconcile.report.figures.style import house_style, log_ticks, new_axes, pile_marks, station_marks
from reconcile.report.figures.svg import inline, plain
from reconcile.report.figures.time_history import strike_histories, thinned
from reconcile.report.subjects import Subject
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
    assert all(e.get("id", "key-").startswith("key-") for e in root.iter())
    texts = [e.text for e in root.iter("text")]
    assert "bell \ufffd" in texts
    assert len(svg) < 12_000


def test_level_range_shows_measured_pairs_and_predictions_of_the_group() -> None:
    figure = level_range(small_evidence.whole(), Subject("exposure_level"))
    assert figure is not None
    assert [panel.title for panel in figure.panels] == ["Monopile, impact driving, no abatement"]
    assert "brought to 2000 kJ" in figure.panels[0].note
    assert "17.0 ± 1.2 dB per decade" in figure.panels[0].note
    assert [item.name for item in figure.legend][:2] == ["P1", "P2"]
    assert figure.legend[-1].name == "predicted"


def test_level_range_falls_back_on_the_medians_as_recorded() -> None:
    figure = level_range(small_evidence.levels_only(), Subject("peak_level"))
    assert figure is not None
    assert "median over the strikes of a pile at a station, as recorded" in figure.panels[0].note
    assert len(figure.legend) == 2
