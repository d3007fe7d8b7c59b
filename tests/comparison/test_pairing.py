"""Like with like: what is paired, what is not, and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest

from reconcile.comparison import compare
from reconcile.comparison.bias import correction_groups
from reconcile.spreading import fit_campaign
from reconcile.vocabulary.documents.campaign import Pile, Prediction
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.tables import COMPARISON, UNPAIRED
from tests.spreading import level_campaigns as invented

CELLS = {(p, s): r for p in ("A", "B") for s, r in (("S0", 600.0), ("S1", 900.0), ("S2", 2400.0))}
PILES = (invented.pile("A"), invented.pile("B"))


def _table(energy_kj: float | None = None) -> pd.DataFrame:
    """Levels of 40 strikes that rise by 0.1 dB from one to the next, on a line of 20 dB per decade."""
    return invented.strikes(
        CELLS,
        lambda _p, _s, r: float(invented.line_db(r, 176.0, 20.0)) + 0.1 * (np.arange(40) - 19.5),
        (lambda _p: np.full(40, energy_kj)) if energy_kj else None,
    )


def _compare(
    predictions: Sequence[Prediction],
    table: pd.DataFrame | None = None,
    piles: Sequence[Pile] = PILES,
    summary: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    strikes = _table() if table is None else table
    project = invented.campaign(piles, CELLS, predictions)
    fit = fit_campaign(strikes, invented.NO_BANDS, project)
    return compare(strikes, invented.NO_BANDS, invented.summary(strikes) if summary is None else summary, fit, project)


def _curve(**changes: object) -> list[Prediction]:
    """2 dB louder than the sea at 500 m and at 3000 m."""
    return [invented.prediction(r, float(invented.line_db(r, 178.0, 20.0)), **changes) for r in (500.0, 3000.0)]


def test_every_pile_and_station_is_paired_and_the_bias_is_predicted_minus_measured() -> None:
    pairs, unpaired = _compare(_curve())
    assert list(pairs.columns) == list(COMPARISON.column_names)
    assert list(unpaired.columns) == list(UNPAIRED.column_names)
    assert unpaired.empty
    assert len(pairs) == 6
    assert pairs["counted"].all()
    np.testing.assert_allclose(pairs["bias_db"], 2.0, atol=1e-9)
    np.testing.assert_allclose(pairs["predicted_db"] - pairs["measured_db"], pairs["bias_db"], atol=1e-9)
    assert set(pairs["n_strikes"]) == {40}
    assert pairs["band_hz"].isna().all()


def test_the_uncertainty_has_strike_chain_and_common_parts() -> None:
    pairs, _ = _compare(_curve())
    strike = np.std(0.1 * np.arange(40), ddof=1) / np.sqrt(40)
    np.testing.assert_allclose(pairs["measured_uncertainty_db"], np.sqrt(strike**2 + 0.7**2 + 0.5**2))


@pytest.mark.parametrize(
    ("statistic", "above_mean"),
    [("mean", 0.0), ("median", 0.0), ("maximum", 1.95), ("exceeded_5", 0.1 * (0.95 * 39 - 19.5))],
)
def test_the_statistic_is_the_predicted_one(statistic: str, above_mean: float) -> None:
    pairs, _ = _compare(_curve(statistic=statistic))
    np.testing.assert_allclose(pairs["bias_db"], 2.0 - above_mean, atol=1e-9)
    assert set(pairs["statistic"]) == {statistic}


def test_levels_are_brought_to_the_predicted_energy() -> None:
    # Struck with 1000 kJ, predicted for 1600 kJ: 10·lg 1.6 = 2.0412 dB louder; the coefficient is assumed,
    # and known to 3 dB per decade.
    pairs, _ = _compare(_curve(energy_kj=1600.0, statistic=None), _table(energy_kj=1000.0))
    np.testing.assert_allclose(pairs["bias_db"], 2.0 - 2.0412, atol=1e-4)
    np.testing.assert_allclose(pairs["measured_db"] - pairs["measured_as_recorded_db"], 2.0412, atol=1e-4)
    np.testing.assert_allclose(pairs["energy_uncertainty_db"], 3.0 * np.log10(1.6), atol=1e-9)
    assert set(pairs["statistic"]) == {"median"}
    assert not any("energy_beyond_factor_two" in flags for flags in pairs["flags"])


def test_energies_beyond_a_factor_of_two_are_flagged() -> None:
    pairs, _ = _compare(_curve(energy_kj=2100.0), _table(energy_kj=1000.0))
    assert all("energy_beyond_factor_two" in flags for flags in pairs["flags"])


def test_an_energy_that_nobody_logged_is_flagged() -> None:
    pairs, _ = _compare(_curve(energy_kj=1600.0))
    assert all("energy_not_matched" in flags for flags in pairs["flags"])
    np.testing.assert_allclose(pairs["bias_db"], 2.0, atol=1e-9)


def test_strikes_without_energy_are_left_out_of_the_statistic_at_an_energy() -> None:
    table = _table(energy_kj=1000.0)
    blank = table.groupby(["pile_id", "station_id"]).cumcount() >= 30
    table.loc[blank, "energy_kj"] = np.nan
    pairs, _ = _compare(_curve(energy_kj=1000.0), table)
    assert set(pairs["n_strikes"]) == {30}
    assert set(pairs["n_strikes_as_recorded"]) == {40}
    np.testing.assert_allclose(pairs["measured_as_recorded_db"] - pairs["measured_db"], 0.5, atol=1e-9)


def test_without_statistic_and_energy_a_pair_is_kept_but_not_counted() -> None:
    pairs, _ = _compare(_curve(statistic=None))
    assert all("basis_unknown" in flags for flags in pairs["flags"])
    assert not pairs["counted"].any()
    assert pairs["statistic"].isna().all()


def test_a_station_beyond_the_prediction_is_carried_then_left_uncounted() -> None:
    pairs, _ = _compare([invented.prediction(700.0, 178.0)])
    by_station = pairs[pairs["pile_id"] == "A"].set_index("station_id")
    assert by_station["counted"].to_dict() == {"S0": True, "S1": True, "S2": False}
    assert "carried" in by_station.loc["S1", "flags"]
    assert by_station["predicted_extrapolated"].to_dict() == {"S0": False, "S1": False, "S2": True}
    # The sea falls by exactly 20 dB per decade and so does the carried prediction: one bias everywhere.
    expected = 178.0 - float(invented.line_db(700.0, 176.0, 20.0))
    np.testing.assert_allclose(pairs["bias_db"], expected, atol=1e-6)


def test_unlike_abatement_is_not_paired() -> None:
    piles = (invented.pile("A"), invented.pile("B", abatement="bubble curtain"))
    pairs, unpaired = _compare(_curve(), piles=piles)
    assert set(pairs["pile_id"]) == {"A"}
    assert unpaired["pile_id"].tolist() == ["B"]
    assert "abatement 'none'" in unpaired["reason"].iloc[0]
    assert "'bubble curtain'" in unpaired["reason"].iloc[0]


def test_an_unstated_abatement_is_paired_and_flagged() -> None:
    pairs, _ = _compare(_curve(abatement=None))
    assert all("abatement_not_stated" in flags for flags in pairs["flags"])
    assert pairs["counted"].all()


@pytest.mark.parametrize(
    "changes", [{"foundation_type": "jacket"}, {"installation_method": "vibratory"}], ids=["foundation", "method"]
)
def test_another_foundation_or_method_is_not_paired(changes: dict[str, str]) -> None:
    pairs, unpaired = _compare(_curve(**changes))
    assert pairs.empty
    assert set(unpaired["pile_id"]) == {"A", "B"}
    assert unpaired["reason"].str.contains(next(iter(changes.values()))).all()


@pytest.mark.parametrize(
    ("receiver", "flagged"),
    [(None, False), ("15", False), ("15.8", False), ("20", True), ("maximum_over_depth", True)],
)
def test_an_unlike_receiver_is_flagged(receiver: str | None, flagged: bool) -> None:
    pairs, _ = _compare(_curve(receiver=receiver))
    assert {("receiver_differs" in flags) for flags in pairs["flags"]} == {flagged}


def test_predictions_and_piles_without_a_partner_are_listed() -> None:
    piles = (invented.pile("A"), invented.pile("B", prediction_id=None))
    pairs, unpaired = _compare([*_curve(), *_curve(prediction_id="P9")], piles=piles)
    assert set(pairs["prediction_id"]) == {"P1"}
    reasons = dict(zip(unpaired["prediction_id"].fillna(""), unpaired["reason"], strict=True))
    assert reasons == {"P9": "no pile names this prediction", "": "the pile names no prediction"}


def test_levels_that_were_not_measured_are_listed() -> None:
    _, unpaired = _compare([*_curve(weighting="nmfs-2024:LF"), *_curve(band_hz=1000.0, quantity="peak_level")])
    assert len(unpaired) == 12
    assert unpaired["reason"].str.contains("not among those measured").all()


def test_a_station_without_strikes_of_the_pile_is_listed() -> None:
    table = _table()
    _, unpaired = _compare(_curve(), table[~((table["pile_id"] == "A") & (table["station_id"] == "S1"))])
    assert unpaired[["pile_id", "station_id"]].to_numpy().tolist() == [["A", "S1"]]
    assert "no usable strike" in unpaired["reason"].iloc[0]


def test_a_statistic_that_censored_strikes_could_move_is_null_and_not_counted() -> None:
    table = _table()
    table.loc[(table["station_id"] == "S2") & (table.index % 2 == 0), "exposure_censoring"] = "at_most"
    pairs, _ = _compare(_curve(), table)
    far = pairs["station_id"] == "S2"
    assert pairs.loc[far, "measured_db"].isna().all()
    assert pairs.loc[far, "bias_db"].isna().all()
    assert not pairs.loc[far, "counted"].any()
    assert all("statistic_censored" in flags for flags in pairs.loc[far, "flags"])
    assert pairs.loc[~far, "counted"].all()


def test_cumulative_exposure_is_paired_with_the_sum_over_the_pile() -> None:
    pairs, _ = _compare(_curve(quantity="cumulative_exposure_level", statistic=None, n_strikes=40))
    assert pairs["counted"].all()
    # 40 strikes in steps of 0.1 dB: 10 lg of the sum of 10^(0.01 k), k = -19.5 .. 19.5, above the mean level
    above = 10.0 * np.log10(np.sum(10.0 ** (0.01 * (np.arange(40) - 19.5))))
    np.testing.assert_allclose(pairs["bias_db"], 2.0 - above, atol=1e-9)


def test_a_pile_that_is_not_struck_is_compared_by_its_summary() -> None:
    piles = [invented.pile(p, installation_method="vibratory") for p in ("A", "B")]
    summary = invented.summary(_table()).assign(quantity="rms_level")
    none = _table().iloc[:0]
    project = invented.campaign(piles, CELLS, _curve(quantity="rms_level", statistic="median"))
    fit = fit_campaign(none, invented.NO_BANDS, project)
    pairs, unpaired = compare(none, invented.NO_BANDS, summary, fit, project)
    assert unpaired.empty
    assert len(pairs) == 6
    np.testing.assert_allclose(pairs["bias_db"], 2.0, atol=1e-9)
    assert set(pairs["installation_method"]) == {"vibratory"}


def test_without_a_fit_nothing_is_carried_and_it_is_said() -> None:
    piles = [invented.pile(p, installation_method="vibratory") for p in ("A", "B")]
    summary = invented.summary(_table()).assign(quantity="rms_level")
    none = _table().iloc[:0]
    project = invented.campaign(piles, CELLS, [invented.prediction(600.0, 178.0, quantity="rms_level")])
    pairs, unpaired = compare(none, invented.NO_BANDS, summary, fit_campaign(none, invented.NO_BANDS, project), project)
    assert set(pairs["station_id"]) == {"S0"}
    assert set(unpaired["station_id"]) == {"S1", "S2"}
    assert unpaired["reason"].str.contains("no fit gives a slope").all()


def test_no_predictions_make_empty_tables_of_the_right_shape() -> None:
    pairs, unpaired = _compare([])
    assert pairs.empty
    assert list(pairs.columns) == list(COMPARISON.column_names)
    assert set(unpaired["pile_id"]) == {"A", "B"}


def test_beyond_a_factor_of_two_the_energy_costs_more_certainty() -> None:
    # Assumed coefficient, 3 dB per decade over lg 4; and 3 dB per decade more over what lies beyond a factor of two.
    pairs, _ = _compare(_curve(energy_kj=4000.0), _table(energy_kj=1000.0))
    expected = np.hypot(3.0 * np.log10(4.0), 3.0 * np.log10(2.0))
    np.testing.assert_allclose(pairs["energy_uncertainty_db"], expected, atol=1e-9)
    np.testing.assert_allclose(pairs["energy_gap_decades"], np.log10(4.0), atol=1e-12)


def test_a_band_meets_its_own_band_and_a_weighting_its_own() -> None:
    """The band lies 6 dB under the broadband level, the weighted level 11 dB: each is met by its own prediction."""
    table = _table().assign(
        exposure_level_nmfs_2024_lf_db=lambda t: t["exposure_level_db"] - 11.0, exposure_censoring_nmfs_2024_lf="none"
    )
    bands = table[["strike_id", "station_id"]].assign(
        exposure_level_125hz_db=table["exposure_level_db"] - 6.0,
        noise_exposure_level_125hz_db=table["exposure_level_db"] - 40.0,
    )
    predicted = [*_curve(band_hz=125.0), *_curve(weighting="nmfs-2024:LF")]
    project = invented.campaign(PILES, CELLS, predicted, weightings=("nmfs-2024:LF",))
    fit = fit_campaign(table, bands, project)
    pairs, unpaired = compare(table, bands, invented.summary(table), fit, project)
    assert unpaired.empty
    banded = pairs["band_hz"] == 125.0
    np.testing.assert_allclose(pairs.loc[banded, "bias_db"], 8.0, atol=1e-9)
    np.testing.assert_allclose(pairs.loc[~banded, "bias_db"], 13.0, atol=1e-9)


def test_what_the_hammer_did_to_a_cumulative_level_stands_apart() -> None:
    """40 strikes of 1000 kJ where 100 of 2000 kJ were predicted: 10 lg 2.5 and 10 lg 2 at 10 dB per decade."""
    row = {"quantity": "cumulative_exposure_level", "statistic": None, "n_strikes": 100, "energy_kj": 2000.0}
    pairs, _ = _compare(_curve(**row), _table(energy_kj=1000.0))
    np.testing.assert_allclose(pairs["strike_count_part_db"], 10.0 * np.log10(2.5), atol=1e-9)
    np.testing.assert_allclose(pairs["energy_part_db"], 10.0 * np.log10(2.0), atol=1e-9)
    np.testing.assert_allclose(pairs["piles_part_db"], 0.0, atol=1e-12)
    parts = pairs[["strike_count_part_db", "energy_part_db", "acoustic_bias_db"]].sum(axis=1)
    np.testing.assert_allclose(parts, pairs["bias_db"], atol=1e-9)
    # the prediction of one strike: 178 dB at 750 m less 10 lg 100, against the energy mean of one strike at 2000 kJ
    above = 10.0 * np.log10(np.mean(10.0 ** (0.01 * (np.arange(40) - 19.5))))
    expected = 2.0 - 20.0 - 10.0 * np.log10(2.0) - above
    np.testing.assert_allclose(pairs["acoustic_bias_db"], expected, atol=1e-9)


def test_a_prediction_of_a_day_meets_the_sum_of_the_day() -> None:
    row = {"quantity": "cumulative_exposure_level", "statistic": None, "n_strikes": 80, "n_piles": 2}
    pairs, unpaired = _compare(_curve(**row))
    assert set(pairs["pile_id"]) == {"A"}
    assert set(pairs["n_strikes"]) == {80}
    np.testing.assert_allclose(pairs["piles_part_db"], 0.0, atol=1e-12)
    np.testing.assert_allclose(pairs["strike_count_part_db"], 0.0, atol=1e-12)
    assert unpaired["reason"].str.contains("the sum of the day stands with pile A").all()
    later = (PILES[0], invented.pile("B", start_utc=invented.START + pd.Timedelta(days=1)))
    pairs, _ = _compare(_curve(**row), piles=later)
    assert set(pairs["pile_id"]) == {"A", "B"}
    np.testing.assert_allclose(pairs["piles_part_db"], 10.0 * np.log10(2.0), atol=1e-12)


def test_a_sum_over_piles_at_unlike_distances_has_no_distance_in_its_acoustics() -> None:
    """Piles at 520 m and 790 m, 30 and 90 strikes, biases of 4.09 and 3.92 dB: that of the sum lies between."""
    curve = {r: float(invented.line_db(r, 170.0, 15.0)) for r in (300.0, 3000.0)}
    ranges, counts, biases = {"A": 520.0, "B": 790.0}, {"A": 30, "B": 90}, {"A": 4.09, "B": 3.92}
    piles = tuple(invented.pile(name) for name in ranges)
    facts: dict[str, object] = {
        "quantity": "cumulative_exposure_level", "statistic": None, "n_strikes": 120, "n_piles": 2,
    }  # fmt: skip
    rows = [invented.prediction(r, level + 10.0 * np.log10(120.0), **facts) for r, level in curve.items()]
    cells = {(name, "S1"): r for name, r in ranges.items()}
    project = invented.campaign(piles, cells, rows)

    def level(name: str, _station: str, r: float) -> np.ndarray:
        return np.full(counts[name], float(invented.line_db(r, 170.0, 15.0)) - biases[name])

    table = invented.strikes(cells, level)
    summary = invented.summary(table).assign(installation_method="impact", abatement="none")
    pairs, _ = compare(table, invented.NO_BANDS, summary, FitDocument(fits=()), project)
    (pair,) = pairs.to_dict("records")
    assert biases["B"] < pair["acoustic_bias_db"] < biases["A"]
    # closed form: energies of prediction and record, summed strike by strike
    each = np.repeat([float(invented.line_db(r, 170.0, 15.0)) for r in ranges.values()], list(counts.values()))
    off = np.repeat(list(biases.values()), list(counts.values()))
    powers = [10.0 * np.log10(np.sum(10.0 ** (levels / 10.0))) for levels in (each, each - off)]
    assert pair["acoustic_bias_db"] == pytest.approx(powers[0] - powers[1], abs=1e-9)
    assert pair["range_m"] == pytest.approx(520.0**0.25 * 790.0**0.75)
    assert "piles_summed" in pair["flags"]


def test_a_cumulative_prediction_without_a_number_of_strikes_is_counted_but_not_corrected_by() -> None:
    pairs, _ = _compare(_curve(quantity="cumulative_exposure_level", statistic=None))
    assert all("strike_count_not_stated" in flags for flags in pairs["flags"])
    assert pairs["counted"].all()
    assert pairs["acoustic_bias_db"].isna().all()
    assert list(correction_groups(pairs)) == []


def test_a_correction_is_not_made_of_unlike_receivers_where_there_are_like_ones() -> None:
    pairs, _ = _compare([*_curve(), *_curve(receiver="maximum_over_depth")])
    (like,) = correction_groups(pairs)
    assert like["receiver"].isna().all()
    pairs, _ = _compare(_curve(receiver="maximum_over_depth"))
    (unlike,) = correction_groups(pairs)
    assert set(unlike["receiver"]) == {"maximum_over_depth"}
