"""The JSON documents: the same after a round trip, NaN as null, unknown keys refused, keys of the contract."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from pydantic import ValidationError

from reconcile.vocabulary.documents.bias import Bias, BiasDocument, ThresholdComparison
from reconcile.vocabulary.documents.campaign import Campaign, Pile, PileStationRange, Settings, Station, System
from reconcile.vocabulary.documents.correction import Correction, CorrectionCoefficients, CorrectionDocument, Scope
from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.documents.fit import (
    Coefficient,
    Covariance,
    Fit,
    FitCoefficients,
    FitDocument,
    SmallSample,
    ThresholdRange,
)
from reconcile.vocabulary.documents.manifest import Manifest, Stage

NOW = datetime(2025, 5, 1, 8, 0, 0, 123456, tzinfo=UTC)
ONE = Coefficient(value=1.5, standard_error=0.25)
COVARIANCE = Covariance(names=("a", "b"), matrix=((1.0, 0.1), (0.1, 2.0)))
SMALL = SmallSample(components=("pile",), gradients=(((1.0,),),), covariance=((1.0,),))

CAMPAIGN = Campaign(
    name="Näme",
    sound_speed_m_s=1490.0,
    settings=Settings(),
    systems=(System(id="H1", end_to_end_sensitivity_db=-164.0, standard_uncertainty_db=0.7),),
    stations=(Station(id="S", system="H1", recordings="r/*.wav", mooring_id="S"),),
    piles=(
        Pile(
            pile_id="P",
            foundation_type="monopile",
            installation_method="impact",
            abatement="none",
            start_utc=NOW,
            end_utc=NOW,
        ),
    ),
    ranges=(PileStationRange(pile_id="P", station_id="S", range_m=750.0, source="ranges.csv"),),
    n_logged={"P": 3},
)
FIT = Fit(
    quantity="exposure_level",
    weighting="none",
    band_hz=None,
    installation_method="impact",
    foundation_type="monopile",
    abatement="none",
    model="spreading",
    selected=True,
    reference_range_m=750.0,
    coefficients=FitCoefficients(
        level_at_reference_db=ONE,
        spreading_coefficient_db_per_decade=ONE,
        attenuation_db_per_km=ONE,
        energy_coefficient_db_per_decade=ONE,
    ),
    covariance=COVARIANCE,
    residual_sd_db=1.0,
    pile_sd_db=1.0,
    system_sd_db=0.7,
    station_sd_db=0.5,
    reference_energy_kj=None,
    n_observations=4,
    n_censored=0,
    n_piles=2,
    n_stations=2,
    range_min_m=500.0,
    range_max_m=3000.0,
    threshold_ranges=(ThresholdRange(threshold_db=160.0, range_m=None, interval_m=(100.0, None), extrapolated=True),),
    n_strikes=40,
    small_sample=SMALL,
)
BIAS = Bias(
    prediction_id="ES1",
    quantity="exposure_level",
    weighting="none",
    band_hz=63.0,
    n_piles=2,
    n_stations=2,
    mean_bias_db=3.0,
    standard_uncertainty_db=0.5,
    interval_95_db=(2.0, 4.0),
    model_id="unnamed",
    installation_method="impact",
    foundation_type="monopile",
    abatement="none",
    reference_range_m=750.0,
    bias_at_reference_db=3.0,
    bias_at_reference_interval_95_db=(2.0, 4.0),
    spreading_bias_db_per_decade=ONE,
    attenuation_bias_db_per_km=ONE,
    covariance=COVARIANCE,
    spread_between_piles_db=1.0,
    finding="overpredicts",
    n_pairs=4,
    bias_at_reference_interval_90_db=(2.2, 3.8),
    equivalence_margin_db=3.0,
    common_uncertainty_db=0.5,
    residual_sd_db=0.3,
    station_sd_db=0.4,
    range_min_m=500.0,
    range_max_m=3000.0,
    small_sample=SMALL,
)
THRESHOLD = ThresholdComparison(
    prediction_id="ES1",
    quantity="exposure_level",
    weighting="none",
    threshold_db=160.0,
    predicted_m=8000.0,
    measured_m=None,
    interval_m=(None, None),
    extrapolated=False,
    reason="not reached",
)
CORRECTION = Correction(
    model_id="unnamed",
    quantity="exposure_level",
    weighting="none",
    band_hz=None,
    foundation_type="monopile",
    installation_method="impact",
    abatement="none",
    reference_range_m=750.0,
    coefficients=CorrectionCoefficients(offset_db=ONE, spreading_db_per_decade=ONE, attenuation_db_per_km=ONE),
    covariance=COVARIANCE,
    spread_between_piles_db=1.0,
    n_piles=2,
    scope=Scope(range_m=(500.0, 3000.0), energy_kj=(None, None), diameter_m=(8.0, 8.0), water_depth_m=(None, 30.0)),
    n_pairs=4,
    small_sample=SMALL,
)
DOCUMENTS: dict[str, tuple[Document, str]] = {
    "campaign": (CAMPAIGN, "format_version"),
    "fit": (FitDocument(fits=(FIT,)), "format_version fits"),
    "bias": (BiasDocument(biases=(BIAS,), threshold_ranges=(THRESHOLD,)), "format_version biases threshold_ranges"),
    "correction": (CorrectionDocument(project="p", corrections=(CORRECTION,)), "format_version project corrections"),
    "manifest": (
        Manifest(complete=True, inputs={"a": None}, stages=(Stage(stage="fit", started_utc=NOW, ended_utc=NOW),)),
        "format_version complete inputs outputs settings clocks",
    ),
}
ENTRIES = {
    "fit": (
        FIT,
        "quantity weighting band_hz installation_method foundation_type abatement pooled model selected "
        "reference_range_m coefficients covariance residual_sd_db pile_sd_db system_sd_db station_sd_db "
        "reference_energy_kj n_observations n_censored n_piles n_stations range_min_m range_max_m threshold_ranges "
        "flags",
    ),
    "bias": (
        BIAS,
        "prediction_id quantity weighting band_hz n_piles n_stations mean_bias_db standard_uncertainty_db "
        "interval_95_db model_id installation_method foundation_type abatement reference_range_m bias_at_reference_db "
        "bias_at_reference_interval_95_db spreading_bias_db_per_decade attenuation_bias_db_per_km covariance "
        "spread_between_piles_db finding flags",
    ),
    "threshold": (
        THRESHOLD,
        "prediction_id quantity weighting threshold_db predicted_m measured_m interval_m extrapolated",
    ),
    "correction": (
        CORRECTION,
        "model_id quantity weighting band_hz foundation_type installation_method abatement reference_range_m "
        "coefficients covariance spread_between_piles_db spread_between_projects_db n_projects n_piles scope flags",
    ),
}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_round_trip(name: str) -> None:
    document, keys = DOCUMENTS[name]
    text = document.model_dump_json()
    assert set(keys.split()) <= set(json.loads(text))
    assert json.loads(text)["format_version"] == 1
    again = type(document).model_validate_json(text)
    assert again == document
    assert again.model_dump_json() == text


@pytest.mark.parametrize("name", ENTRIES)
def test_keys_of_the_contract(name: str) -> None:
    entry, keys = ENTRIES[name]
    assert set(keys.split()) <= set(json.loads(entry.model_dump_json()))


def test_nan_is_null_and_no_bare_nan_is_written() -> None:
    text = FIT.model_copy(update={"residual_sd_db": float("nan")}).model_dump_json()
    assert json.loads(text, parse_constant=lambda name: pytest.fail(name))["residual_sd_db"] is None


def test_times_are_rfc_3339_with_z() -> None:
    assert json.loads(CAMPAIGN.model_dump_json())["piles"][0]["start_utc"] == "2025-05-01T08:00:00.123456Z"


def test_unknown_keys_are_refused_and_documents_are_frozen() -> None:
    with pytest.raises(ValidationError, match="gain"):
        System.model_validate({"id": "H", "standard_uncertainty_db": 1.0, "gain": 3})
    with pytest.raises(ValidationError, match="frozen"):
        setattr(FIT, "model", "other")  # noqa: B010 - an assignment that mypy would refuse


def test_a_campaign_finds_its_parts() -> None:
    assert CAMPAIGN.system("H1").id == "H1"
    assert CAMPAIGN.station("S").mooring_id == "S"
    assert CAMPAIGN.pile("P").foundation_type == "monopile"
    assert CAMPAIGN.range_m("P", "S") == 750.0
    assert CAMPAIGN.range_m("P", "elsewhere") is None
