"""The section that says where a difference comes from: every number of the document, every sentence, no more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reconcile.comparison.bias import bias_document
from reconcile.report.evidence import Evidence
from reconcile.report.figures.split import split_figure
from reconcile.report.page import page
from reconcile.report.subjects import Subject
from reconcile.report.tables import causes
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.fit import FitDocument
from tests.comparison import simulated_pairs as simulated
from tests.report import small_evidence

EXPOSURE = Subject("exposure_level")


@pytest.fixture(scope="module")
def document() -> BiasDocument:
    random = np.random.default_rng(17)
    project = simulated.project()
    table = simulated.pairs(random, 4.0, 0.0).assign(energy_part_db=2.3, prediction_id="P<1>", predicted_sd_db=2.0)
    shape = np.linspace(3.0, -3.0, len(simulated.BANDS_HZ))
    bands = simulated.banded_pairs(random, shape, np.zeros(shape.size)).assign(prediction_id="P<1>")
    both = bias_document(table, FitDocument(fits=()), project)
    shapes = bias_document(bands, FitDocument(fits=()), project).band_shapes
    return both.model_copy(update={"band_shapes": shapes})


def test_the_sentence_says_which_total_the_figure_shows(document: BiasDocument) -> None:
    (split,) = document.splits
    (said,) = (statement.sentence for statement in split.reading if statement.about == "operations")
    assert f"{split.total_at_reference_db:+.1f} dB between prediction and record at 750 m" in said
    assert f"The figure shows the parts at {split.at_range_m:.0f} m, where they are {split.total_db:+.1f} dB" in said


def test_the_caption_says_that_piles_without_abatement_taught_the_source(document: BiasDocument) -> None:
    (split,) = document.splits
    told = [
        part.model_copy(update={"value_db": 1.0, "interval_95_db": (0.0, 2.0)}) if part.part == "abatement" else part
        for part in split.parts
    ]
    for parts, learnt in ((split.parts, False), (tuple(told), True)):
        made = document.model_copy(update={"splits": (split.model_copy(update={"parts": parts}),)})
        figure = split_figure(replace(small_evidence.whole(), bias=made), EXPOSURE)
        assert figure is not None
        assert ("learnt from the piles without abatement" in figure.panels[0].note) == learnt


@pytest.fixture(scope="module")
def evidence(document: BiasDocument) -> Evidence:
    return replace(small_evidence.whole(), bias=document)


def test_the_figure_has_a_row_for_each_part_that_is_told(evidence: Evidence) -> None:
    part = split_figure(evidence, EXPOSURE)
    assert part is not None
    (panel,) = part.panels
    for name in ("Strike energy", "Source", "Propagation", "Acoustics", "All together", "(dB)", "+2.3"):
        assert name in panel.svg
    assert "Number of strikes" not in panel.svg
    assert "Abatement: the piles were driven without abatement." in panel.note
    assert split_figure(evidence, Subject("peak_level")) is None


def test_the_table_holds_every_part_with_its_statistic_or_its_reason(evidence: Evidence) -> None:
    (split,) = evidence.splits
    (body,) = causes.split_table(evidence, EXPOSURE).bodies
    assert len(body.rows) == len(split.parts) + 3
    for row, part in zip(body.rows, split.parts, strict=False):
        assert row[-1] == (part.reason or part.statistic)
    assert f"{split.total_db:+.1f}" == body.rows[-1][2]


def test_every_sentence_is_on_the_page_with_its_statistic_and_its_alternatives(evidence: Evidence) -> None:
    html = page(evidence)
    assert html.index('<section id="bias"') < html.index('<section id="causes"')
    assert '<a href="#causes">' in html
    assert "P&lt;1&gt;" in html
    assert "P<1>" not in html
    text = html.replace("\u00a0", " ").replace("&#39;", "'")
    for entry in (*evidence.splits, *evidence.band_shapes):
        for statement in entry.reading:
            assert statement.sentence in text
            assert statement.statistic in text
            assert all(other in text for other in statement.alternatives)


def test_without_a_comparison_there_is_no_such_section() -> None:
    assert 'id="causes"' not in page(small_evidence.levels_only())


def test_bands_stand_in_a_table(evidence: Evidence) -> None:
    (body,) = causes.band_shape_table(evidence).bodies
    assert [row[0] for row in body.rows] == ["63 Hz", "125 Hz", "250 Hz", "500 Hz", "1000 Hz", "2000 Hz"]
