"""The uncertainty that a prediction claims, as figure and table."""

from __future__ import annotations

from dataclasses import replace

from reconcile.report import page
from reconcile.report.figures.claimed import claimed_figure
from reconcile.report.tables.claimed import claimed_table
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.bias_parts import ClaimedUncertainty
from tests.report.small_evidence import bias, whole

CLAIM = ClaimedUncertainty(
    n=4, claimed_sd_db=2.5, coverage_95=0.75, root_mean_square=1.34, scatter_db=3.1, scatter_ratio=1.24,
    scatter_ratio_interval_95=(1.07, 1.58), scatter="larger", statistic="as stated", pit=(0.01, 0.3, 0.62, 0.97),
)  # fmt: skip


def test_figure_and_table_say_what_was_found() -> None:
    biases = (
        bias(claimed_uncertainty=CLAIM),
        bias(quantity="peak_level", claimed_uncertainty=CLAIM),
        bias(band_hz=63.0),
    )
    evidence = replace(whole(), bias=BiasDocument(biases=biases))
    figure = claimed_figure(evidence)
    assert figure is not None
    assert [panel.title for panel in figure.panels] == ["MONO"]
    assert "75 % of 4 pairs within the claimed 95 % interval" in figure.panels[0].note
    (body,) = claimed_table(biases).bodies
    assert len(body.rows) == 2
    said = "errors with the common offset: not decided; scatter without it: larger than claimed"
    assert body.rows[0][-3:] == ("1.24", "1.1 to 1.6", said)
    assert '<section id="claimed">' in page(evidence)


def test_nothing_where_no_prediction_claims_anything() -> None:
    assert claimed_figure(whole()) is None
    assert '<section id="claimed">' not in page(whole())
