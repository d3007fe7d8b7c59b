"""Sentences of findings: the sign, the interval, and what each rests on."""

from __future__ import annotations

import pytest

from reconcile.report.findings import findings, main_biases, main_sentence, reading_notes, trend_sentence
from tests.report.small_evidence import bias


def test_overprediction_is_a_prediction_too_high() -> None:
    assert main_sentence(bias()) == ("The prediction was too high by 2.4 dB (95 % interval 0.9 to 3.9 dB) at 750 m.")
    assert findings([bias()])[0].verdict == "Prediction too high"


def test_underprediction_is_too_low_by_a_positive_number_with_the_interval_turned() -> None:
    below = bias(
        finding="underpredicts", bias_at_reference_db=-2.1, bias_at_reference_interval_95_db=(-3.4, -0.8)
    )  # fmt: skip
    assert main_sentence(below) == ("The prediction was too low by 2.1 dB (95 % interval 0.8 to 3.4 dB) at 750 m.")
    assert findings([below])[0].verdict == "Prediction too low"
    assert findings([below])[0].bias == "−2.1 dB"
    assert findings([below])[0].interval == "95 % interval −3.4 to −0.8 dB"


def test_no_bias_is_told_by_the_90_percent_interval_and_the_margin() -> None:
    equal = bias(
        finding="no_bias_found",
        bias_at_reference_db=0.4,
        bias_at_reference_interval_95_db=(-1.1, 1.9),
        bias_at_reference_interval_90_db=(-0.8, 1.6),
    )
    sentence = main_sentence(equal)
    assert sentence.startswith("No bias was found at 750 m")
    assert "+0.4 dB" in sentence
    assert "90 % interval (−0.8 to +1.6 dB)" in sentence
    assert "±3 dB" in sentence


@pytest.mark.parametrize(
    ("value", "direction"), [(2.0, "(prediction too high)"), (-2.0, "(prediction too low)"), (0.0, "")]
)
def test_not_decided_gives_the_estimate_and_both_intervals(value: float, direction: str) -> None:
    wide = bias(
        finding="too_little_data", n_pairs=15, bias_at_reference_db=value,
        bias_at_reference_interval_95_db=(value - 4, value + 4),
        bias_at_reference_interval_90_db=(value - 3.3, value + 3.3),
    )  # fmt: skip
    sentence = main_sentence(wide)
    assert sentence.startswith("Not decided: ")
    assert findings([wide])[0].verdict == "Not decided"
    assert "includes zero" in sentence
    assert "too little" not in sentence.lower()
    assert f"{value + 3.3:+.1f} dB)" in sentence
    assert direction in sentence
    assert ("(prediction too" in sentence) == bool(direction)


@pytest.mark.parametrize(("low", "shown"), [(-0.04, "−0.04 to"), (0.0004, "+0.0004 to"), (-0.0, "0.0 to")])
def test_an_end_close_to_zero_shows_its_side(low: float, shown: str) -> None:
    entry = bias(finding="too_little_data", n_pairs=15, bias_at_reference_interval_95_db=(low, 5.8))
    assert f"95 % interval {shown} +5.8 dB" in findings([entry])[0].interval
    assert f"({shown} +5.8 dB)" in main_sentence(entry)


def test_too_few_pairs_are_named_as_such() -> None:
    few = bias(finding="too_little_data", n_pairs=2, bias_at_reference_interval_95_db=(0.5, 4.3))
    sentence = main_sentence(few)
    assert sentence.startswith("Too little data: 2 pairs of pile and station")
    assert "includes zero" not in sentence
    assert findings([few])[0].verdict == "Too little data"


def test_pairs_whose_energy_is_not_known_are_marked_on_the_card() -> None:
    assert "energy not matched" not in " ".join(findings([bias()])[0].notes)
    assert "counted as recorded" in " ".join(findings([bias(flags=("energy_not_matched",))])[0].notes)


@pytest.mark.parametrize(("n_piles", "assumed"), [(3, True), (12, False)])
def test_a_spread_of_few_piles_is_said_to_be_assumed_in_part(n_piles: int, assumed: bool) -> None:
    assert ("in part assumed" in " ".join(findings([bias(n_piles=n_piles)])[0].notes)) == assumed


@pytest.mark.parametrize(
    ("slope", "interval", "said"),
    [
        (1.5, (0.4, 2.6), "rises with range: +1.5 dB"),
        (-1.5, (-2.6, -0.4), "falls with range: −1.5 dB"),
        (0.2, (-1.0, 1.4), "not established: +0.2 dB"),
        (0.0, None, "do not allow a trend"),
    ],
)
def test_trend_follows_the_interval_of_the_slope(
    slope: float, interval: tuple[float, float] | None, said: str
) -> None:  # fmt: skip
    coefficient = bias().spreading_bias_db_per_decade.model_copy(update={"value": slope})
    entry = bias(spreading_bias_db_per_decade=coefficient, spreading_bias_interval_95_db=interval)
    assert said in trend_sentence(entry)


def test_unweighted_exposure_is_the_main_quantity_else_the_next_that_there_is() -> None:
    exposure, peak, weighted = bias(), bias(quantity="peak_level"), bias(weighting="nmfs-2024:LF")
    assert main_biases([weighted, peak, exposure]) == (exposure,)
    assert main_biases([weighted, peak]) == (peak,)
    assert main_biases([weighted, weighted]) == (weighted, weighted)
    assert main_biases([]) == ()


def test_notes_name_pairs_one_pile_extrapolation_and_small_bias() -> None:
    notes = " ".join(findings([bias(n_piles=1, range_min_m=900.0, flags=("within_margin",))])[0].notes)
    assert "4 pairs of pile and station (1 pile, 2 stations)" in notes
    assert "extrapolated" in notes
    assert "a small one" in notes
    assert "one pile only" in notes


def test_reading_notes_explain_sign_interval_and_common_error() -> None:
    notes = " ".join(reading_notes([bias()]))
    assert "predicted minus measured" in notes
    assert "sign changed" in notes
    assert "0.4 dB" in notes
    assert reading_notes([]) == ()
    assert "no uncertainty common" in " ".join(reading_notes([bias(common_uncertainty_db=0.0)]))
