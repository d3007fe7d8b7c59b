"""The pages of pooled corrections and forecasts: what they must say, escaping, no network, same bytes."""

from __future__ import annotations

import re

import numpy as np
import pytest

from reconcile.report.forecast_page import ForecastEvidence, forecast_page
from reconcile.report.pooled_page import pooled_page
from reconcile.transfer import Source, forecast_levels, forecast_ranges, foundation_levels, foundation_relation
from reconcile.transfer.pooling import pooled_document
from reconcile.vocabulary.documents.campaign import PredictedRange, Prediction
from reconcile.vocabulary.documents.correction import CorrectionDocument
from tests.transfer.invented_projects import correction, document
from tests.transfer.test_foundations import USUAL, _project

COVARIANCE = np.array([[0.5, 0.2], [0.2, 0.9]])
NAMES = ("Sandbank", "R&D <b>Riff</b>", "Nord", "Ost", "West")


def _document(foundations: bool = False) -> CorrectionDocument:
    entries = [
        [
            correction(-4.0 - i, 2.0, covariance=COVARIANCE),
            correction(-2.0 - i, 1.0, covariance=COVARIANCE, quantity="peak_level"),
            correction(-3.0 - i, covariance=None, band_hz=125.0),
        ]
        for i in range(5)
    ]
    entries[0].append(correction(1.0, foundation_type="tripod"))
    pooled = pooled_document([Source(n, document(n, *own)) for n, own in zip(NAMES, entries, strict=True)])
    if not foundations:
        return pooled
    projects = [_project(name, USUAL, i) for i, name in enumerate(NAMES[:2])]
    return pooled.model_copy(update={"foundations": foundation_relation(foundation_levels(projects, 750.0))})


def _words(page: str) -> str:
    """The text of a page, without drawings, white space as one."""
    text = re.sub(r"<(style|script|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", text).split()).replace("\u00a0", " ")


@pytest.fixture(scope="module")
def pooled() -> str:
    return pooled_page(_document(foundations=True))


def test_the_pooled_page_says_what_must_be_said(pooled: str) -> None:
    words = _words(pooled)
    for needed in (
        "−6.0 dB",
        "Corrected predictions are better",
        "each project corrected by the others alone is off by",
        "Only the shared part can be corrected in a new project",
        "With fewer than 8 projects the spread between them is poorly known",
        "as if 2 further projects had shown 1.5 dB",
        "Hartung and Knapp",
        "not known from one project",
        "Q compares the scatter of the projects",
        "Sandbank",
        "These are associations",
        "loudest first: monopile, impact",
        "This is a screening aid",
        "competent acoustician",
        "What all projects share is in none of the intervals",
    ):
        assert needed in words, needed


def test_forest_figures_stand_for_each_correction_of_the_full_band(pooled: str) -> None:
    assert pooled.count("Corrections of 5 projects and the pooled one") == 2
    assert "125 Hz decidecade" in _words(pooled)


def test_names_are_escaped_and_nothing_is_fetched(pooled: str) -> None:
    assert "<b>Riff" not in pooled
    assert "R&amp;D &lt;b&gt;Riff" in pooled
    assert not re.search(r"(src|href)=\"(?!#)|url\((?!#)|@import", pooled)


def test_without_foundations_there_is_no_such_section() -> None:
    assert 'id="foundations"' not in pooled_page(_document())


def test_same_document_same_bytes() -> None:
    made = _document()
    again = CorrectionDocument.model_validate_json(made.model_dump_json())
    assert pooled_page(made) == pooled_page(again)


def _evidence(document_: CorrectionDocument) -> ForecastEvidence:
    facts = {"line": 2, "quantity": "exposure_level", "abatement": "none", "model_id": "M1", "statistic": "median"}
    rows = [
        Prediction(prediction_id="<N1>", range_m=r, level_db=178.0 - 15.0 * np.log10(r / 750.0), **facts)  # type: ignore[arg-type]
        for r in (100.0, 750.0, 3000.0)
    ]
    rows.append(rows[0].model_copy(update={"quantity": "rms_level"}))
    rows = [r.model_copy(update={"foundation_type": "monopile", "installation_method": "impact"}) for r in rows]
    distance = PredictedRange(prediction_id="<N1>", threshold_db=170.0, range_m=2560.0, **facts)  # type: ignore[arg-type]
    levels = forecast_levels(rows, document_)
    distances = forecast_ranges([distance], rows, document_)
    return ForecastEvidence(document_, levels, distances, {"predictions.csv": "ab" * 32}, {"reconcile": "1"})


def test_the_forecast_page_shows_before_and_after() -> None:
    page = forecast_page(_evidence(_document()))
    words = _words(page)
    for needed in (
        "178.0",
        "172.0",
        "outside the scope in distance",
        "no correction of this method, quantity, weighting",
        "for the level of a pile of a new project",
        "Did it help the projects that it comes from?",
        "Distances to levels before and after",
        "ab" * 32,
        "This is a screening aid",
    ):
        assert needed in words, needed
    assert "&lt;N1&gt;" in page
    assert "<N1>" not in page
    assert page.count("Predicted and corrected levels against distance") == 2
    assert not re.search(r"(src|href)=\"(?!#)|url\((?!#)|@import", page)
    assert page == forecast_page(_evidence(_document()))


def test_a_forecast_from_one_project_says_what_it_assumes() -> None:
    words = _words(forecast_page(_evidence(document("A", correction(-4.0, 2.0, covariance=COVARIANCE)))))
    assert "From one project, some or all corrections: how far a new project lies from it is not known" in words
    assert "1.5 (assumed)" in words
    assert "as if 2 further projects had shown 1.5 dB" in words


def test_a_forecast_without_any_correction() -> None:
    words = _words(forecast_page(_evidence(document("A", correction(-4.0, model_id="M2")))))
    assert "No prediction had a correction" in words
