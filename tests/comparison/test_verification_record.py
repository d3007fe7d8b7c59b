"""The record of single piles: what stands in it, against what was put in by hand; distances in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reconcile.comparison.pile_distances import pile_distances
from reconcile.comparison.verification_record import RecordSource, beyond_predicted, outcome, record_rows
from reconcile.vocabulary.documents.campaign import PredictedRange
from reconcile.vocabulary.tables import RECORD
from tests.report import small_evidence as small

STATISTICS = {"median", "mean", "energy_mean", "minimum", "maximum", "exceeded_5", "exceeded_95"}


def _uncertainty() -> pd.DataFrame:
    """0.6 dB of the chain and 0.3 dB of the campaign at every station; the strikes' own part does not count here."""
    parts = (("strike", 2.0), ("system", 0.6), ("campaign", 0.3))
    rows = [
        {"pile_id": p, "station_id": s, "abatement": "none", "counted": True, "common_to": name,
         "standard_uncertainty_db": u}
        for p in small.PILES for s in small.STATIONS for name, u in parts
    ]  # fmt: skip
    return pd.DataFrame(rows)


def _summary() -> pd.DataFrame:
    table = small.summary().assign(abatement="none")
    for name in ("median_lower_db", "median_upper_db"):
        table[name] = table["median_db"] + (-0.5 if "lower" in name else 0.5)
    methods = {"V1": "vibratory"}
    return table.assign(installation_method=[methods.get(p, "impact") for p in table["pile_id"]])


def _source(**changes: object) -> RecordSource:
    source = RecordSource(small.campaign(), _summary(), small.exposure(), _uncertainty(), small.comparison())
    return replace(source, **changes)  # type: ignore[arg-type]


def test_every_level_of_the_summary_is_there_with_all_its_statistics() -> None:
    table = record_rows(_source())
    assert tuple(table.columns) == RECORD.column_names
    summary = _summary()
    for row in summary.to_dict("records"):
        own = table[
            (table["pile_id"] == row["pile_id"])
            & (table["station_id"] == row["station_id"])
            & (table["quantity"] == row["quantity"])
            & (table["weighting"] == row["weighting"])
            & (table["band_hz"].isna() if math.isnan(row["band_hz"]) else table["band_hz"] == row["band_hz"])
        ]
        assert set(own["statistic"]) == STATISTICS
        for statistic in STATISTICS:
            value = own.loc[own["statistic"] == statistic, "value_db"].iloc[0]
            assert value == row[f"{statistic}_db"] or (math.isnan(value) and math.isnan(row[f"{statistic}_db"]))


def test_uncertainty_of_extremes_is_the_chains_and_of_the_mean_the_summarys() -> None:
    table = record_rows(_source())
    own = table[(table["pile_id"] == "P1") & (table["station_id"] == "S1") & table["band_hz"].isna()]
    own = own[(own["quantity"] == "exposure_level") & (own["weighting"] == "none")].set_index("statistic")
    assert own.loc["maximum", "uncertainty_db"] == pytest.approx(math.hypot(0.6, 0.3))
    summary = _summary()
    first = summary[(summary["pile_id"] == "P1") & (summary["station_id"] == "S1") & summary["band_hz"].isna()]
    first = first[(first["quantity"] == "exposure_level") & (first["weighting"] == "none")].iloc[0]
    assert own.loc["mean", "uncertainty_db"] == first["standard_uncertainty_db"]
    half = (first["median_upper_db"] - first["median_lower_db"]) / 3.92
    assert own.loc["median", "uncertainty_db"] == pytest.approx(math.sqrt(0.6**2 + 0.3**2 + half**2))


def test_sums_stand_beside_levels() -> None:
    table = record_rows(_source())
    sums = table[table["quantity"] == "cumulative_exposure_level"]
    exposure = small.exposure()
    whole = exposure[exposure["period"] == "pile"]
    assert len(sums) == 3 * len(whole)
    first = whole.iloc[0]
    own = sums[(sums["pile_id"] == first["pile_id"]) & (sums["station_id"] == first["station_id"])]
    own = own[own["weighting"] == first["weighting"]].set_index("statistic")["value_db"]
    assert own["measured"] == first["measured_db"]
    assert own["completed"] == first["completed_db"]


def test_only_counted_pairs_are_held_against_a_prediction() -> None:
    pairs = small.comparison()
    table = record_rows(_source())
    held = table[table["predicted_db"].notna()]
    counted = pairs[pairs["counted"].astype(bool)]
    assert len(held) == len(counted)
    assert set(held["predicted_db"]) == set(counted["predicted_db"])
    assert np.allclose(held["measured_less_predicted_db"], held["value_db"] - held["predicted_db"])
    assert record_rows(_source(comparison=None))["outcome"].isna().all()


@pytest.mark.parametrize(
    ("excess", "said"), [(-0.1, "not_beyond"), (0.0, "not_beyond"), (1.6, "within_uncertainty"), (1.7, "beyond")]
)
def test_beyond_is_more_than_the_uncertainty_allows(excess: float, said: str) -> None:
    assert outcome(excess, 1.0) == said  # 1.645 standard uncertainties
    assert outcome(math.nan, 1.0) is None


def _distance(threshold_db: float, predicted_m: float, **changes: object) -> pd.DataFrame:
    row = PredictedRange(
        line=2, prediction_id="MONO", quantity="exposure_level", threshold_db=threshold_db, range_m=predicted_m,
        statistic="median", **changes,  # type: ignore[arg-type]
    )  # fmt: skip
    project = small.campaign().model_copy(update={"predicted_ranges": (row,)})
    return pile_distances(record_rows(_source()), small.fit_document(), project)


def test_a_piles_distance_follows_from_its_own_levels_and_the_slope() -> None:
    """The fit is 175 dB at 750 m and 17 dB per decade; a pile d dB above it reaches a level 10^(d/17) further out."""
    summary = _summary()
    table = _distance(95.0, 2000.0).set_index("pile_id")
    assert set(table.index) == {"P1", "P2"}
    for pile_id in ("P1", "P2"):
        own = summary[(summary["pile_id"] == pile_id) & (summary["quantity"] == "exposure_level")]
        own = own[own["band_hz"].isna() & (own["weighting"] == "none") & own["median_db"].notna()]
        above = float(np.mean(own["median_db"] - (175.0 - 17.0 * np.log10(own["range_m"] / 750.0))))
        assert table.loc[pile_id, "n_stations"] == len(own)
        assert table.loc[pile_id, "measured_m"] == pytest.approx(
            750.0 * 10 ** ((175.0 - 95.0 + above) / 17.0), rel=1e-6
        )


def test_a_distance_far_beyond_its_prediction_is_said_to_be() -> None:
    table = _distance(95.0, 20.0)
    assert set(table["outcome"]) == {"beyond"}
    lines = beyond_predicted(record_rows(_source(comparison=None)), table)
    said = "measured beyond predicted in 0 levels and 1 distances (not independent tests; the campaign's finding is in"
    assert lines == [f"{p}: {said} the report)" for p in ("P1", "P2")]
    assert set(_distance(95.0, 90_000.0)["outcome"]) == {"not_beyond"}


def test_without_a_fit_the_reason_is_said() -> None:
    table = _distance(165.0, 2000.0, weighting="nmfs-2024:VHF")
    assert table["measured_m"].isna().all()
    assert table["reason"].str.len().min() > 10


def test_the_recorded_share_is_that_of_the_method() -> None:
    """A pile that was vibrated before it was struck: of strikes the share of blows, of seconds that of time."""
    struck = small.exposure()
    vibrated = struck[struck["pile_id"] == "P1"].assign(installation_method="vibratory", recorded_fraction=0.4)
    both = pd.concat([struck.assign(recorded_fraction=0.9), vibrated], ignore_index=True)
    table = record_rows(_source(exposure=both))
    own = table[(table["pile_id"] == "P1") & (table["quantity"] == "exposure_level")]
    assert set(own["installation_method"]) == {"impact"}
    assert set(own["recorded_fraction"]) == {0.9}
