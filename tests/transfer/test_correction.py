"""Corrections are biases with their sign changed, and say where they come from."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.comparison import bias_document, compare
from reconcile.spreading import fit_campaign
from reconcile.transfer import correction_document
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.correction import CorrectionDocument
from tests.spreading import level_campaigns as invented

STATIONS = {"S0": 500.0, "S1": 750.0, "S2": 1500.0, "S3": 3000.0}


def _documents(per_pile: bool = False) -> tuple[BiasDocument, CorrectionDocument, pd.DataFrame]:
    """Three piles; one prediction for all, or one for each pile by the same method."""
    random = np.random.default_rng(31)
    names = ["A", "B", "C"]
    cells = {(p, s): r for p in names for s, r in STATIONS.items()}
    energy = {p: np.linspace(500.0, 1500.0 + 100.0 * k, 40) for k, p in enumerate(names)}
    table = invented.strikes(
        cells,
        lambda p, _s, r: (
            float(invented.line_db(r, 176.0, 15.0)) + 10.0 * np.log10(energy[p] / 1000.0) + random.normal(0, 0.5, 40)
        ),
        lambda p: energy[p],
    )
    ids = [f"P{p}" if per_pile else "P1" for p in names]
    piles = [
        invented.pile(p, prediction_id=i, diameter_m=8.0 + k, water_depth_m=None if p == "C" else 30.0 + k)
        for k, (p, i) in enumerate(zip(names, ids, strict=True))
    ]
    predictions = [
        invented.prediction(r, float(invented.line_db(r, 179.0, 13.0)), prediction_id=i, energy_kj=1000.0)
        for i in dict.fromkeys(ids)
        for r in (400.0, 4000.0)
    ]
    project = invented.campaign(piles, cells, predictions)
    fit = fit_campaign(table, invented.NO_BANDS, project)
    pairs, _ = compare(table, invented.NO_BANDS, invented.summary(table), fit, project)
    bias = bias_document(pairs, fit, project)
    return bias, correction_document(bias, pairs, table, project), table


def test_a_correction_is_the_negative_of_the_bias_with_the_same_covariance() -> None:
    bias, document, _ = _documents()
    (before,), (after,) = bias.biases, document.corrections
    assert after.coefficients.offset_db.value == -before.bias_at_reference_db
    assert after.coefficients.spreading_db_per_decade.value == -before.spreading_bias_db_per_decade.value
    assert after.coefficients.attenuation_db_per_km.value == 0.0
    assert after.covariance.matrix == before.covariance.matrix
    assert after.covariance.names == ("offset_db", "spreading_db_per_decade", "attenuation_db_per_km")
    assert after.spread_between_piles_db == before.spread_between_piles_db
    assert after.coefficients.offset_db.value == pytest.approx(-3.0, abs=0.3)
    assert (after.n_projects, after.spread_between_projects_db, after.n_piles) == (1, None, 3)
    assert document.project == "invented"


def test_the_scope_is_that_of_the_piles_and_pairs() -> None:
    _, document, table = _documents()
    scope = document.corrections[0].scope
    assert scope.range_m == (500.0, 3000.0)
    assert scope.energy_kj == (table["energy_kj"].min(), table["energy_kj"].max())
    assert scope.diameter_m == (8.0, 10.0)
    assert scope.water_depth_m == (30.0, 31.0)


def test_predictions_by_one_method_make_one_correction() -> None:
    bias, document, _ = _documents(per_pile=True)
    assert len(bias.biases) == 3
    (correction,) = document.corrections
    assert correction.n_piles == 3
    assert correction.prediction_ids == ("PA", "PB", "PC")
    pooled = _documents()[1].corrections[0]
    assert correction.coefficients == pooled.coefficients


def test_no_bias_makes_no_correction() -> None:
    bias, _, table = _documents()
    empty = bias.model_copy(update={"biases": ()})
    project = invented.campaign([], {})
    assert correction_document(empty, pd.DataFrame(), table, project).corrections == ()


def test_a_document_is_the_same_after_a_round_trip() -> None:
    _, document, _ = _documents()
    assert CorrectionDocument.model_validate_json(document.model_dump_json()) == document
