"""The association against truth: wrong clocks, missing and invented blows, regular hammers, several piles.

Seeds, sizes and bands were fixed before the first run. Logs in whole seconds have tests of their own
(`test_whole_seconds.py`).
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.association import Association, associate
from reconcile.vocabulary.documents.campaign import Activity
from reconcile.vocabulary.tables import Stage, flags_excluding
from tests.strikes.piling_truth import (
    START,
    START_S,
    Hammer,
    Piling,
    Recorder,
    blows,
    energies,
    piling,
    score,
    with_pauses,
)
from tests.strikes.test_exposure import rows as exposure_of
from tests.strikes.test_exposure import strikes as strikes_of_exposure

GATE_SEEDS, LONG_SEEDS = range(1101, 1104), range(1201, 1231)
OFFSET_S, DRIFT_PPM = 40.0, 30.0
GOAL = 0.995


def wrong_clocks(seed: int, n: int, **log: object) -> tuple[Piling, dict[str, Recorder]]:
    """One pile, four stations with clocks up to 3 s and 10 ppm off, 5 % of blows missing in the log, 3 % invented."""
    rng = np.random.default_rng(seed)
    hammer = Hammer(blows(rng, n), energies(rng, n), OFFSET_S, DRIFT_PPM, missing=0.05, phantom=0.03, **log)
    recorders = {
        f"S{k}": Recorder(
            {"P1": 500.0 * 2**k},
            rng.uniform(-3, 3),
            rng.uniform(-10, 10),
            noise_s=0.003 * (1 + k),
            hears=0.99 - 0.04 * k,
        )
        for k in range(4)
    }
    return piling(rng, {"P1": hammer}, recorders), recorders


def scored(truth: Piling) -> tuple[Association, float, int]:
    found = associate(truth.pulses, truth.campaign, truth.log)
    result = score(truth, found.pile_id, found.blow_number, found.flags)
    return found, result.right, result.wrong_unflagged


def true_clock(recorders: dict[str, Recorder], at_s: float) -> tuple[float, float]:
    """Offset (s, at some time after the start) and drift (ppm) of the log against the stations' mean clock."""
    mean_s = float(np.mean([r.offset_s + r.drift_ppm * 1e-6 * at_s for r in recorders.values()]))
    mean_ppm = float(np.mean([r.drift_ppm for r in recorders.values()]))
    return OFFSET_S - mean_s, DRIFT_PPM - mean_ppm


def identities_hold(truth: Piling, found: Association) -> bool:
    """Every blow has one identity at all stations, and no two blows share one."""
    frame = truth.pulses.assign(strike_id=found.strike_id)
    one = frame.groupby(["pile", "blow"])["strike_id"].nunique() == 1
    own = frame.groupby("strike_id")[["pile", "blow"]].nunique().max(axis=1) == 1
    return bool(one.all() and own.all())


def check_milliseconds(seed: int, n: int) -> None:
    truth, recorders = wrong_clocks(seed, n)
    found, right, wrong = scored(truth)
    clock = found.log_clocks[0]
    offset_s, drift_ppm = true_clock(recorders, 10.0)
    error_s = clock.offset_s - offset_s
    print(f"seed {seed}: right {right:.4f}, offset {error_s:+.4f} ± {clock.offset_standard_error_s:.4f} s")
    assert right >= GOAL
    assert wrong == 0
    assert clock.offset_s == pytest.approx(offset_s, abs=0.05)
    assert clock.offset_s == pytest.approx(offset_s, abs=4 * clock.offset_standard_error_s)
    assert clock.drift_ppm == pytest.approx(drift_ppm, abs=4 * clock.drift_standard_error_ppm)
    assert identities_hold(truth, found)
    mean_s, mean_ppm = OFFSET_S - offset_s, DRIFT_PPM - drift_ppm
    for entry in found.recorder_clocks:
        recorder = recorders[entry.station_id]
        drifted_s = (recorder.drift_ppm - mean_ppm) * 1e-6 * (entry.at_s - START_S)
        true_s = recorder.offset_s - np.mean([r.offset_s for r in recorders.values()]) + drifted_s
        assert entry.offset_s == pytest.approx(true_s, abs=4 * entry.offset_standard_error_s)
        assert entry.drift_ppm == pytest.approx(recorder.drift_ppm - mean_ppm, abs=4 * entry.drift_standard_error_ppm)
    assert abs(mean_s) < 3.1


@pytest.mark.parametrize("seed", GATE_SEEDS)
def test_numbers_through_wrong_clocks(seed: int) -> None:
    check_milliseconds(seed, 800)


@pytest.mark.long
@pytest.mark.parametrize("seed", LONG_SEEDS)
def test_numbers_through_wrong_clocks_at_full_count(seed: int) -> None:
    check_milliseconds(seed, 2000)


def regular(rng: np.random.Generator, n: int, **changes: object) -> Hammer:
    """Perfectly regular blows of one energy; the log's times jitter by 10 ms."""
    settings: dict[str, object] = {"struck_s": 10.0 + 1.2 * np.arange(n), "energy_kj": np.full(n, 1500.0)}
    return Hammer(**{**settings, "offset_s": OFFSET_S, "missing": 0.05, "phantom": 0.03, **changes})


TWO = {"A": Recorder({"P1": 700.0}, 2.0), "B": Recorder({"P1": 2500.0}, -1.5)}


@pytest.mark.parametrize("whole", [False, True])
@pytest.mark.parametrize("seed", GATE_SEEDS)
def test_perfectly_regular_blows_are_not_guessed(seed: int, whole: bool) -> None:
    rng = np.random.default_rng(seed)
    found, _, _ = scored(piling(rng, {"P1": regular(rng, 600, whole_seconds=whole)}, TWO))
    assert found.log_clocks[0].ambiguous
    assert set(found.blow_number) == {None}
    assert np.isnan(found.energy_kj).all()
    assert all("match_ambiguous" in flags for flags in found.flags)
    assert any("identity_ambiguous" in flags for flags in found.flags)  # the two recorders lie N blows apart


@pytest.mark.parametrize("landmark", ["pauses", "energy_steps"])
@pytest.mark.parametrize("seed", GATE_SEEDS)
def test_pauses_or_energy_steps_decide_where_blows_are_regular(landmark: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    if landmark == "pauses":
        changes = {"struck_s": with_pauses(10.0 + 1.2 * np.arange(600), [150, 330, 480], 40.0)}
    else:
        changes = {"energy_kj": np.repeat([400.0, 700.0, 500.0, 1200.0, 800.0, 1900.0], 100)}
    truth = piling(rng, {"P1": regular(rng, 600, **changes)}, TWO)
    found, right, wrong = scored(truth)
    assert not found.log_clocks[0].ambiguous
    assert right >= GOAL
    assert wrong == 0
    assert identities_hold(truth, found)


def test_without_a_log_all_stations_share_identities() -> None:
    rng = np.random.default_rng(1111)
    hammer = Hammer(blows(rng, 500), energies(rng, 500), logged=False)
    recorders = {f"S{k}": Recorder({"P1": 600.0 * 2**k}, rng.uniform(-3, 3), hears=0.95 - 0.2 * k) for k in range(4)}
    truth = piling(rng, {"P1": hammer}, recorders)
    found = associate(truth.pulses, truth.campaign, None)
    assert identities_hold(truth, found)
    assert set(found.blow_number) == {None}
    assert not any(found.flags)


def test_one_station_without_a_log_keeps_every_strike() -> None:
    rng = np.random.default_rng(1112)
    hammer = Hammer(blows(rng, 300), energies(rng, 300), logged=False)
    truth = piling(rng, {"P1": hammer}, {"A": Recorder({"P1": 700.0})})
    found = associate(truth.pulses, truth.campaign, None)
    assert identities_hold(truth, found)
    assert not any(found.flags)
    assert found.recorder_clocks == []


def two_piles(seed: int, *, logged: bool) -> Piling:
    rng = np.random.default_rng(seed)
    hammers = {
        "A": Hammer(blows(rng, 500), energies(rng, 500), 40.0, 30.0, missing=0.05, phantom=0.03, logged=logged),
        "B": Hammer(
            blows(rng, 450, 1.35, first_s=30.0), energies(rng, 450, 300, 1200), -12.0, missing=0.05, logged=logged
        ),
    }
    recorders = {
        "S0": Recorder({"A": 700.0, "B": 4200.0}, 2.1, 5.0),
        "S1": Recorder({"A": 3900.0, "B": 900.0}, -1.7, -3.0),
        "S2": Recorder({"A": 2000.0, "B": 5000.0}, 0.4),
        "S3": Recorder({"A": 5200.0, "B": 2600.0}, -0.3, 2.0),
    }
    return piling(rng, hammers, recorders)


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("seed", GATE_SEEDS)
def test_two_piles_driven_at_once_are_told_apart(seed: int, logged: bool) -> None:
    truth = two_piles(seed, logged=logged)
    found = associate(truth.pulses, truth.campaign, truth.log)
    own = np.array(found.pile_id, dtype=object) == truth.pulses["pile"].to_numpy(dtype=object)
    doubted = np.array([bool({"pile_ambiguous", "overlapping_piles"} & set(flags)) for flags in found.flags])
    assert own.mean() > 0.99
    assert own[~doubted].all()
    clear = truth.pulses[~doubted].assign(strike_id=np.array(found.strike_id, dtype=object)[~doubted])
    assert (clear.groupby(["pile", "blow"])["strike_id"].nunique() == 1).mean() > 0.99
    if logged:
        numbers = np.array([n or 0 for n in found.blow_number])[~doubted]
        wanted = np.where(clear["in_log"], clear["blow"], 0)
        assert ((numbers == wanted) | (numbers == 0)).all()
        assert (numbers == wanted).mean() >= GOAL


def test_strikes_that_overlap_are_flagged_and_only_these() -> None:
    truth = two_piles(1113, logged=True)
    found = associate(truth.pulses, truth.campaign, truth.log)
    flagged = np.array(["overlapping_piles" in flags for flags in found.flags])
    pulses = truth.pulses.assign(time_s=truth.pulses["time_us"] / 1e6)
    nearest = np.full(len(pulses), np.inf)
    for _, group in pulses.groupby("station_id"):
        for pile, other in (("A", "B"), ("B", "A")):
            own, theirs = group[group["pile"] == pile], np.sort(group[group["pile"] == other]["time_s"].to_numpy())
            at = own["time_s"].to_numpy()
            place = np.searchsorted(theirs, at)
            before = at - theirs[np.maximum(place - 1, 0)]
            after = theirs[np.minimum(place, len(theirs) - 1)] - at
            nearest[own.index] = np.minimum(np.abs(before), np.abs(after))
    assert flagged[nearest < 0.28].mean() > 0.99  # intervals are 0.3 s long here
    unheard = 0.12  # a strike that this station did not hear, another did: flagged as well
    assert flagged[nearest > 0.32].mean() < unheard


def test_a_pile_struck_again_hours_later_keeps_its_clock() -> None:
    rng = np.random.default_rng(1114)
    again = 16 * 3600.0 + blows(rng, 30)
    struck = np.concatenate([blows(rng, 400), again])
    hammer = Hammer(struck, np.full(430, 1200.0), OFFSET_S, 5.0)
    truth = piling(rng, {"P1": hammer}, TWO)
    activities = tuple(
        Activity(
            line=2 + k,
            activity_id=f"A{k}",
            pile_id="P1",
            installation_method="impact",
            abatement="none",
            start_utc=START + timedelta(seconds=start_s),
            end_utc=START + timedelta(seconds=start_s + 600.0),
        )
        for k, start_s in enumerate((0.0, 16 * 3600.0))
    )
    pile = truth.campaign.piles[0].model_copy(update={"installation_method": "vibratory"})
    truth.campaign = truth.campaign.model_copy(update={"piles": (pile,), "activities": activities})
    found, right, wrong = scored(truth)
    assert [clock.ambiguous for clock in found.log_clocks] == [False, False]  # thirty blows alone would not do
    assert right == 1.0
    assert wrong == 0
    assert identities_hold(truth, found)


def many(n_piles: int, n_blows: int, n_stations: int, seed: int) -> Piling:
    rng = np.random.default_rng(seed)
    hammers = {
        f"P{p:02d}": Hammer(
            blows(rng, n_blows, first_s=10.0 + 6000.0 * p), energies(rng, n_blows), OFFSET_S, DRIFT_PPM, missing=0.05,
            phantom=0.03,
        )
        for p in range(n_piles)
    }  # fmt: skip
    recorders = {
        f"S{k}": Recorder(
            dict.fromkeys(hammers, 500.0 * 1.6 ** k), rng.uniform(-3, 3), rng.uniform(-5, 5), noise_s=0.003 * (1 + k),
            hears=0.99 - 0.03 * k,
        )
        for k in range(n_stations)
    }  # fmt: skip
    return piling(rng, hammers, recorders)


@pytest.mark.long
def test_forty_thousand_blows_at_eight_stations() -> None:
    truth = many(20, 2000, 8, 1115)
    _, right, wrong = scored(truth)
    assert right >= GOAL
    assert wrong == 0


def test_the_order_of_the_pulses_does_not_matter() -> None:
    truth, _ = wrong_clocks(1116, 200)
    found = associate(truth.pulses, truth.campaign, truth.log)
    shuffled = truth.pulses.sample(frac=1.0, random_state=7)
    again = associate(shuffled.reset_index(drop=True), truth.campaign, truth.log)
    one = pd.Series(found.strike_id, index=truth.pulses.index)
    other = pd.Series(again.strike_id, index=shuffled.index)
    assert (one == other.sort_index()).all()


def test_what_overlaps_is_left_out_of_summary_and_fit_but_not_of_exposure() -> None:
    for flag in ("overlapping_piles", "pile_ambiguous"):
        assert flag in flags_excluding(Stage.SUMMARY)
        assert flag in flags_excluding(Stage.FIT)
        assert flag in flags_excluding(Stage.COMPARISON)
        table = strikes_of_exposure([150.0, 160.0, 170.0])
        before = exposure_of(table)["measured_db"]
        table.at[1, "flags"] = [flag]
        assert (exposure_of(table)["measured_db"] == before).all()
