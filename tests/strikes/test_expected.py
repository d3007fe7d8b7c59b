"""Expected arrivals against truth: the strikes that a recording station did not hear, where they must have been."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.strikes.association import associate
from reconcile.strikes.expected import COLUMNS, expected_arrivals
from reconcile.strikes.pulses import RecordedInterval
from tests.strikes.piling_truth import SOUND_SPEED, START_S, Hammer, Piling, Recorder, blows, energies, piling

RECORDERS = {
    "NEAR": Recorder({"P1": 700.0}, 2.2, 4.0, hears=0.97),
    "FAR": Recorder({"P1": 6000.0}, -1.4, -6.0, noise_s=0.01, hears=0.6),
}


def one_pile(seed: int, n: int = 400, **log: object) -> Piling:
    rng = np.random.default_rng(seed)
    hammer = Hammer(blows(rng, n), energies(rng, n), 40.0, 20.0, **log)
    return piling(rng, {"P1": hammer}, RECORDERS)


def arrivals(truth: Piling, struck_s: np.ndarray, station: str) -> np.ndarray:
    recorder = RECORDERS[station]
    at = struck_s + recorder.range_m["P1"] / SOUND_SPEED
    return START_S + at + recorder.offset_s + recorder.drift_ppm * 1e-6 * at


def missing(truth: Piling, n: int) -> dict[str, set[int]]:
    """Blows that each station did not hear."""
    heard = truth.pulses.groupby("station_id")["blow"].agg(set)
    return {station: set(range(1, n + 1)) - heard[station] for station in RECORDERS}


@pytest.mark.parametrize("seed", [1301, 1302])
def test_what_was_not_heard_is_expected_where_it_was(seed: int) -> None:
    n = 400
    rng = np.random.default_rng(seed)
    struck = blows(rng, n)
    truth = one_pile(seed, n, missing=0.05, phantom=0.03)
    found = associate(truth.pulses, truth.campaign, truth.log)
    expected = expected_arrivals(truth.pulses, found, truth.campaign, truth.log, truth.recorded)
    assert tuple(expected.columns) == COLUMNS
    assert not expected.duplicated(["strike_id", "station_id"]).any()
    identity = dict(zip(found.strike_id, truth.pulses["blow"], strict=True))
    for station, blows_missed in missing(truth, n).items():
        rows = expected[expected["station_id"] == station]
        number = rows["blow_number"].astype("float").to_numpy()
        blow = np.array([identity.get(s, k) for s, k in zip(rows["strike_id"], number, strict=True)])
        known = {b for b in blows_missed if b in set(truth.log.blow_number) or b in set(identity.values())}
        assert set(blow.astype(int).tolist()) <= blows_missed  # nothing that was heard, no invented blow
        assert len(known - set(blow.astype(int).tolist())) <= 1  # but perhaps at the very end
        late = rows["time_us"].to_numpy() / 1e6 - arrivals(truth, struck[blow.astype(int) - 1], station)
        assert (np.abs(late) <= rows["tolerance_s"]).all()
        assert np.abs(late).max() < 0.05


def test_without_a_log_what_other_stations_heard_is_expected() -> None:
    truth = one_pile(1303, logged=False)
    found = associate(truth.pulses, truth.campaign, None)
    expected = expected_arrivals(truth.pulses, found, truth.campaign, None, truth.recorded)
    missed = missing(truth, 400)
    both = missed["NEAR"] & missed["FAR"]
    counts = expected["station_id"].value_counts()
    assert counts["NEAR"] == len(missed["NEAR"] - both)
    assert counts["FAR"] == len(missed["FAR"] - both)
    assert expected["blow_number"].isna().all()
    assert expected["energy_kj"].isna().all()


def test_only_while_a_station_was_recording() -> None:
    truth = one_pile(1304)
    half = round((START_S + 240.0) * 1e6)
    kept = (truth.pulses["station_id"] == "NEAR") | (truth.pulses["time_us"] < half)
    pulses = truth.pulses[kept].reset_index(drop=True)
    recorded = [truth.recorded[0], RecordedInterval("FAR", truth.recorded[1].start_us, half)]
    found = associate(pulses, truth.campaign, truth.log)
    expected = expected_arrivals(pulses, found, truth.campaign, truth.log, recorded)
    far = expected[expected["station_id"] == "FAR"]
    assert 40 < len(far) < 100
    assert far["time_us"].max() < half


def test_a_station_that_heard_nothing_has_every_strike_by_its_stated_clock() -> None:
    truth = one_pile(1305)
    pulses = truth.pulses[truth.pulses["station_id"] == "NEAR"].reset_index(drop=True)
    found = associate(pulses, truth.campaign, truth.log)
    expected = expected_arrivals(pulses, found, truth.campaign, truth.log, truth.recorded)
    far = expected[expected["station_id"] == "FAR"]
    assert len(far) >= 399
    assert set(far["tolerance_s"]) == {1.0}


def test_nothing_is_expected_of_an_ambiguous_log_but_what_was_heard() -> None:
    rng = np.random.default_rng(1306)
    hammer = Hammer(10.0 + 1.2 * np.arange(300), np.full(300, 900.0), 40.0, missing=0.05)
    recorders = {"NEAR": Recorder({"P1": 700.0}, hears=0.9)}
    truth = piling(rng, {"P1": hammer}, recorders)
    found = associate(truth.pulses, truth.campaign, truth.log)
    assert found.log_clocks[0].ambiguous
    assert expected_arrivals(truth.pulses, found, truth.campaign, truth.log, truth.recorded).empty


def test_a_strike_under_another_pile_is_marked() -> None:
    rng = np.random.default_rng(1307)
    hammers = {
        "A": Hammer(blows(rng, 300), energies(rng, 300)),
        "B": Hammer(blows(rng, 300, 1.31), energies(rng, 300)),
    }
    recorders = {
        "S0": Recorder({"A": 700.0, "B": 4200.0}),
        "S1": Recorder({"A": 3900.0, "B": 900.0}),
        "S2": Recorder({"A": 2000.0, "B": 5000.0}),
    }
    truth = piling(rng, hammers, recorders)
    pulses = truth.pulses
    louder = pulses[(pulses["station_id"] == "S0") & (pulses["pile"] == "A")]["time_us"].to_numpy()
    faint = (pulses["station_id"] == "S0") & (pulses["pile"] == "B")
    behind = np.array([(np.abs(louder - t) < 200_000).any() for t in pulses["time_us"]])
    hidden = pulses[faint & behind]
    pulses = pulses[~(faint & behind)].reset_index(drop=True)
    found = associate(pulses, truth.campaign, truth.log)
    expected = expected_arrivals(pulses, found, truth.campaign, truth.log, truth.recorded)
    rows = expected[(expected["station_id"] == "S0") & (expected["pile_id"] == "B")]
    marked = set(rows[rows["overlapping_piles"]]["blow_number"].dropna().astype(int))
    # where both arrive at the same instant the one pulse may be either pile's, and is flagged so
    apart = np.array([np.abs(louder - t).min() > 60_000 for t in hidden["time_us"]])
    assert len(hidden[apart]) > 50
    assert set(hidden["blow"][apart]) <= marked
