"""Blow counts against what was put in: logged, heard, missed, extra."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.strikes.association import associate
from reconcile.strikes.blow_counts import blow_count_rows
from reconcile.strikes.pulses import RecordedInterval
from reconcile.vocabulary.tables import BLOW_COUNTS
from tests.strikes.piling_truth import START_S, Hammer, Piling, Recorder, blows, energies, piling

RECORDERS = {"NEAR": Recorder({"P1": 700.0}, 1.0, hears=0.98), "FAR": Recorder({"P1": 6000.0}, -2.0, hears=0.7)}
NOTHING = pd.DataFrame({"pile_id": [], "station_id": []})


def one_pile(seed: int, **log: object) -> Piling:
    rng = np.random.default_rng(seed)
    hammer = Hammer(blows(rng, 300), energies(rng, 300), 25.0, missing=0.05, **log)
    return piling(rng, {"P1": hammer}, RECORDERS)


def counted(truth: Piling, rejected: pd.DataFrame = NOTHING) -> pd.DataFrame:
    found = associate(truth.pulses, truth.campaign, truth.log)
    strikes = pd.DataFrame(
        {
            "strike_id": found.strike_id,
            "pile_id": found.pile_id,
            "station_id": truth.pulses["station_id"],
            "blow_number": pd.array(found.blow_number, dtype="Int32"),
            "flags": found.flags,
        }
    )
    rows = blow_count_rows(strikes, rejected, found, truth.campaign, truth.log, truth.recorded)
    assert tuple(rows.columns) == BLOW_COUNTS.column_names
    return rows.set_index("station_id")


def test_counts_are_those_of_the_truth() -> None:
    truth = one_pile(1701)
    assert truth.log is not None
    table = counted(truth)
    for station in RECORDERS:
        own = truth.pulses[truth.pulses["station_id"] == station]
        row = table.loc[station]
        assert row["n_logged"] == row["n_recorded"] == len(truth.log)
        assert row["n_heard"] == len(own)
        assert row["n_matched"] == own["in_log"].sum()
        assert row["n_missed"] == len(truth.log) - own["in_log"].sum()
        assert row["n_extra"] == (~own["in_log"]).sum()
    anywhere = table[table.index.isna()].iloc[0]
    assert anywhere["n_heard"] == truth.pulses["blow"].nunique()
    assert anywhere["n_extra"] == truth.pulses[~truth.pulses["in_log"]]["blow"].nunique()


def test_only_blows_from_the_time_of_the_recordings_can_be_missed() -> None:
    truth = one_pile(1702)
    half_us = round((START_S + 200.0) * 1e6)
    truth.pulses = truth.pulses[truth.pulses["time_us"] < half_us].reset_index(drop=True)
    truth.recorded = [RecordedInterval(r.station_id, r.start_us, half_us) for r in truth.recorded]
    table = counted(truth)
    near = table.loc["NEAR"]
    assert near["n_recorded"] < near["n_logged"]
    assert near["n_missed"] < 15  # of some 150
    assert near["n_missed"] == near["n_recorded"] - near["n_matched"]


def test_without_a_log_only_what_was_heard_is_known() -> None:
    row = counted(one_pile(1703, logged=False)).loc["NEAR"]
    assert row["n_heard"] > 280
    assert row[["n_logged", "n_recorded", "n_matched", "n_missed", "n_extra"]].isna().all()


def test_rejected_pulses_are_counted_apart() -> None:
    lost = pd.DataFrame({"pile_id": ["P1"] * 3, "station_id": ["NEAR", "NEAR", "FAR"]})
    table = counted(one_pile(1704), lost)
    assert table.loc["NEAR", "n_rejected"] == 2
    assert table[table.index.isna()]["n_rejected"].iloc[0] == 3
