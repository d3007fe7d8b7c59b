"""The bias of predictions: injected truth, the contract's finding, a published case."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.comparison import bias_document, compare
from reconcile.comparison.bias import finding
from reconcile.inference import Estimate
from reconcile.spreading import fit_campaign
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.campaign import PredictedRange, Prediction
from tests.spreading import level_campaigns as invented

REFERENCE = Path(__file__).parents[1] / "reference"
PILES = [f"A{k}" for k in range(4)]
STATIONS = {"S0": 500.0, "S1": 750.0, "S2": 1500.0, "S3": 3000.0, "S4": 6000.0}
CELLS = {(p, s): r for p in PILES for s, r in STATIONS.items()}


def _document(
    predictions: list[Prediction],
    predicted_ranges: list[PredictedRange] | None = None,
    chain_db: float = 0.1,
    cells: dict[tuple[str, str], float] | None = None,
    **pile_facts: dict[str, object],
) -> BiasDocument:
    random = np.random.default_rng(21)
    used = cells or CELLS
    table = invented.strikes(
        used, lambda _p, _s, r: float(invented.line_db(r, 176.0, 15.0)) + random.normal(0, 0.5, 50)
    )
    names = list(dict.fromkeys(p for p, _ in used))
    piles = [invented.pile(p, **pile_facts.get(p, {})) for p in names]
    project = invented.campaign(piles, used, predictions, predicted_ranges or (), chain_db=chain_db, common_db=0.1)
    fit = fit_campaign(table, invented.NO_BANDS, project)
    pairs, _ = compare(table, invented.NO_BANDS, invented.summary(table), fit, project)
    return bias_document(pairs, fit, project)


def _curve(offset: float, slope: float, **changes: object) -> list[Prediction]:
    """A prediction that is too loud by an offset at 750 m and by a slope more in each decade."""
    return [
        invented.prediction(r, float(invented.line_db(r, 176.0 + offset, 15.0 - slope)), **changes)
        for r in (400.0, 8000.0)
    ]


def test_on_an_exact_campaign_the_injected_bias_is_found() -> None:
    (bias,) = _document(_curve(4.0, 3.0)).biases
    low, high = bias.bias_at_reference_interval_95_db
    assert bias.bias_at_reference_db == pytest.approx(4.0, abs=0.1)
    assert low < 4.0 < high
    assert bias.spreading_bias_db_per_decade.value == pytest.approx(3.0, abs=0.2)
    assert bias.attenuation_bias_db_per_km.value == 0.0
    assert bias.attenuation_bias_db_per_km.standard_error == 0.0
    assert (bias.n_piles, bias.n_stations, bias.n_pairs) == (4, 5, 20)
    assert bias.finding == "overpredicts"


def test_the_mean_bias_is_the_plain_mean_of_the_pairs() -> None:
    (bias,) = _document(_curve(4.0, 3.0)).biases
    expected = 4.0 + 3.0 * np.mean(np.log10(np.array(list(STATIONS.values())) / 750.0))
    assert bias.mean_bias_db == pytest.approx(expected, abs=0.05)
    low, high = bias.interval_95_db
    assert low < expected < high
    assert bias.standard_uncertainty_db > 0


def test_the_covariance_holds_the_errors_and_zeros_for_what_is_fixed() -> None:
    (bias,) = _document(_curve(4.0, 3.0)).biases
    matrix = np.array(bias.covariance.matrix)
    assert bias.covariance.names[0] == "bias_at_reference_db"
    assert np.sqrt(matrix[1, 1]) == pytest.approx(bias.spreading_bias_db_per_decade.standard_error)
    assert not matrix[2].any()
    assert not matrix[:, 2].any()


def test_a_quiet_prediction_underpredicts() -> None:
    (bias,) = _document(_curve(-5.0, 0.0)).biases
    assert bias.finding == "underpredicts"
    assert "within_margin" not in bias.flags


def test_narrow_ranges_hold_the_trend_at_zero() -> None:
    cells = {(p, s): r for p in PILES for s, r in (("S0", 700.0), ("S1", 800.0), ("S2", 900.0))}
    (bias,) = _document(_curve(2.0, 5.0), cells=cells).biases
    assert "trend_not_estimated" in bias.flags
    assert bias.spreading_bias_db_per_decade.value == 0.0
    assert bias.spreading_bias_db_per_decade.standard_error == 0.0
    assert bias.spreading_bias_interval_95_db is None


def test_a_reference_range_outside_the_pairs_is_said() -> None:
    cells = {(p, s): r for p in PILES for s, r in (("S0", 1200.0), ("S1", 2400.0), ("S2", 5000.0))}
    (bias,) = _document(_curve(2.0, 0.0), cells=cells).biases
    assert "extrapolated" in bias.flags


def test_one_pair_is_too_little_data() -> None:
    (bias,) = _document(_curve(9.0, 0.0), cells={("A0", "S1"): 750.0}).biases
    assert bias.finding == "too_little_data"
    assert bias.n_pairs == 1
    low, high = bias.bias_at_reference_interval_95_db
    assert high - low > 6.0


def test_predictions_quantities_models_and_groups_are_kept_apart() -> None:
    document = _document(
        [
            *_curve(4.0, 0.0),
            *_curve(1.0, 0.0, prediction_id="P2", model_id="M2"),
            *_curve(24.0, 0.0, quantity="peak_level"),
            *_curve(4.0, 0.0, statistic="maximum"),
        ],
        A2={"prediction_id": "P2"},
        A3={"foundation_type": "jacket"},
    )
    found = {(b.prediction_id, b.quantity, b.statistic, b.model_id, b.foundation_type): b for b in document.biases}
    assert set(found) == {
        ("P1", "exposure_level", "mean", "M1", "monopile"),
        ("P1", "exposure_level", "mean", "M1", "jacket"),
        ("P1", "exposure_level", "maximum", "M1", "monopile"),
        ("P1", "exposure_level", "maximum", "M1", "jacket"),
        ("P1", "peak_level", "mean", "M1", "monopile"),
        ("P1", "peak_level", "mean", "M1", "jacket"),
        ("P2", "exposure_level", "mean", "M2", "monopile"),
    }
    assert found["P2", "exposure_level", "mean", "M2", "monopile"].n_piles == 1
    assert found["P1", "exposure_level", "mean", "M1", "monopile"].n_piles == 2


def test_pairs_that_are_not_counted_make_no_bias() -> None:
    assert _document(_curve(4.0, 0.0, statistic=None)).biases == ()


def test_a_document_is_the_same_after_a_round_trip() -> None:
    row = PredictedRange(line=2, prediction_id="P1", quantity="exposure_level", threshold_db=160.0, range_m=9000.0)
    document = _document(_curve(4.0, 3.0), [row])
    assert BiasDocument.model_validate_json(document.model_dump_json()) == document


@pytest.mark.parametrize(
    ("value", "error", "n", "expected", "within"),
    [
        (5.0, 1.0, 20, "overpredicts", False),
        (-5.0, 1.0, 20, "underpredicts", False),
        (1.5, 0.5, 20, "overpredicts", True),
        (0.5, 1.0, 20, "no_bias_found", False),
        (1.4, 1.0, 20, "too_little_data", False),  # 95 %: -0.56 to 3.36; 90 %: up to 3.04
        (0.5, 4.0, 20, "too_little_data", False),
        (5.0, 0.1, 2, "too_little_data", False),
    ],
)
def test_the_finding_by_the_contracts_rule(value: float, error: float, n: int, expected: str, within: bool) -> None:
    assert finding(Estimate(value, error**2, 1e6), n, 3.0) == (expected, within)


def test_predicted_distances_beside_measured_ones() -> None:
    def row(**facts: object) -> PredictedRange:
        stated: dict[str, object] = {
            "line": 2,
            "prediction_id": "P1",
            "quantity": "exposure_level",
            "threshold_db": 166.0,
            "range_m": 5000.0,
            "abatement": "none",
        }
        return PredictedRange(**(stated | facts))  # type: ignore[arg-type]

    document = _document(
        _curve(4.0, 0.0),
        [
            row(),
            row(threshold_db=120.0),
            row(quantity="cumulative_exposure_level", threshold_db=196.0, n_strikes=1000),
            row(quantity="cumulative_exposure_level", threshold_db=196.0),
            row(abatement="bubble curtain"),
            row(weighting="nmfs-2024:LF"),
            row(statistic="maximum"),
        ],
    )
    near, far, cumulative, uncounted, unlike, unweighted, loudest = document.threshold_ranges
    # 176 - 15·lg(R/750) = 166: R = 750·10^(2/3) = 3481 m
    assert near.measured_m == pytest.approx(3481.2, rel=0.02)
    assert near.interval_m[0] is not None
    assert near.interval_m[1] is not None
    assert near.interval_m[0] < 3481.2 < near.interval_m[1]
    assert near.predicted_m == 5000.0
    assert not near.extrapolated
    assert far.extrapolated
    assert cumulative.measured_m == pytest.approx(near.measured_m, rel=0.02)
    assert "number of strikes" in (uncounted.reason or "")
    assert "no pile" in (unlike.reason or "")
    assert "no level-versus-range fit" in (unweighted.reason or "")
    assert "loudest" in (loudest.reason or "")


def bridge(quantity: str, table: pd.DataFrame) -> tuple[BiasDocument, pd.DataFrame]:
    """The bridge's published line as a prediction, its measured levels as one pile heard once at seven stations."""
    rows = table[table["quantity"] == quantity]
    cells = {("bridge", f"S{r:g}"): float(r) for r in rows["range_m"]}
    level = dict(zip(cells, rows["measured_db"].astype(float), strict=True))
    strikes = invented.strikes(cells, lambda p, s, _r: np.array([level[p, s]]))
    for name in ("exposure_level", "peak_level", "rms_level"):
        strikes[f"{name}_db"] = strikes["exposure_level_db"]
    predictions = [
        invented.prediction(float(r), float(line), quantity=quantity)
        for r, line in zip(rows["range_m"], rows["published_line_db"], strict=True)
    ]
    project = invented.campaign([invented.pile("bridge")], cells, predictions, chain_db=0.0, common_db=0.0)
    fit = fit_campaign(strikes, invented.NO_BANDS, project, reference_range_m=10.0)
    pairs, _ = compare(strikes, invented.NO_BANDS, invented.summary(strikes), fit, project)
    return bias_document(pairs, fit, project), pairs


@pytest.mark.parametrize(
    ("quantity", "mean", "trend"),
    [("peak_level", 0.29, 4.68), ("rms_level", 0.80, 4.49), ("exposure_level", 0.75, 2.09)],
)
def test_bridge_lines_as_predictions(quantity: str, mean: float, trend: float) -> None:
    # Benicia-Martinez bridge, Compendium of pile driving sound data, Table 3.2-1: each point's bias as in the table;
    # the mean stays within 1 dB and hides a trend: fitted N less published N (19.68 - 15, 20.49 - 16, 19.09 - 17).
    table = pd.read_csv(REFERENCE / "level_versus_range_benicia.csv", comment="#")
    document, pairs = bridge(quantity, table)
    (bias,) = document.biases
    expected = table.loc[table["quantity"] == quantity, "bias_db"].to_numpy()
    np.testing.assert_allclose(pairs["bias_db"], expected, atol=1e-4)
    assert bias.mean_bias_db == pytest.approx(mean, abs=0.01)
    assert abs(bias.mean_bias_db) < 1.0
    assert bias.spreading_bias_db_per_decade.value == pytest.approx(trend, abs=0.1)
    assert bias.spreading_bias_interval_95_db is not None
    low, _ = bias.spreading_bias_interval_95_db
    assert low > 0 or quantity == "exposure_level"
    assert "trend_not_estimated" not in bias.flags
