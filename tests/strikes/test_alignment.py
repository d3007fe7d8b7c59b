"""Lines between two clocks: values and standard errors against truth, and what may not be decided."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.strikes.alignment import align
from reconcile.strikes.offset_search import Search
from reconcile.strikes.trains import pairs, resolution_s, rounded_log_density, train

N_GATE, N_GATE_ROUNDED, N_LONG = 40, 12, 400  # rounded times take longer


def trains(seed: int, n: int, *, rounded: bool) -> tuple[np.ndarray, np.ndarray]:
    """Irregular blows 60 ms about their rhythm, 10 ms of jitter; the second clock is 12.3 s off and 25 ppm fast."""
    rng = np.random.default_rng(seed)
    struck = np.cumsum(1.5 + 0.06 * rng.standard_normal(n))
    other = struck + 12.3 + 25e-6 * (struck - struck[0]) + 0.01 * rng.standard_normal(n)
    return struck[rng.random(n) > 0.05], np.sort(np.round(other) if rounded else other)


def scaled_errors(n_runs: int, *, rounded: bool) -> np.ndarray:
    errors = []
    for seed in range(1501, 1501 + n_runs):
        one, other = trains(seed, 700, rounded=rounded)
        found = align([(train(one), train(other))], Search(20.0, rounded_to_s=1.0 if rounded else 0.0))
        assert found is not None
        assert found.decided or rounded
        offset_s = 12.3 + 25e-6 * (found.line.origin_s - one[0])
        if abs(found.line.offset_s - offset_s) < 0.6:
            offset = (found.line.offset_s - offset_s) / found.offset_error_s
            errors.append([offset, (found.line.drift - 25e-6) / found.drift_error])
    return np.array(errors)


def check_errors(n_runs: int, *, rounded: bool) -> None:
    errors = scaled_errors(n_runs, rounded=rounded)
    spread = np.sqrt(np.mean(errors**2, axis=0))
    print(f"{len(errors)} runs, rounded {rounded}: rms of error over standard error {spread.round(2)}")
    assert len(errors) >= 0.95 * n_runs
    assert (spread > 0.6).all()
    assert (spread < 1.5).all()


@pytest.mark.parametrize("rounded", [False, True])
def test_standard_errors_are_right(rounded: bool) -> None:
    check_errors(N_GATE_ROUNDED if rounded else N_GATE, rounded=rounded)


@pytest.mark.long
@pytest.mark.parametrize("rounded", [False, True])
def test_standard_errors_are_right_at_full_count(rounded: bool) -> None:
    check_errors(N_LONG, rounded=rounded)


@pytest.mark.parametrize("offset_s", [-60.0, -3.3, 0.0, 59.9])
def test_offsets_of_either_sign_up_to_the_reach(offset_s: float) -> None:
    rng = np.random.default_rng(1520)
    one = np.cumsum(1.5 + 0.05 * rng.standard_normal(200))
    found = align([(train(one), train(one + offset_s))], Search(60.0))
    assert found is not None
    assert found.decided
    assert found.line.at(one) == pytest.approx(offset_s, abs=1e-3)


@pytest.mark.parametrize("drift_ppm", [-100.0, 100.0])
def test_drifts_up_to_a_hundred_ppm_over_hours(drift_ppm: float) -> None:
    rng = np.random.default_rng(1521)
    one = np.cumsum(1.5 + 0.05 * rng.standard_normal(8000))
    other = one + 5.0 + drift_ppm * 1e-6 * one + 0.01 * rng.standard_normal(8000)
    found = align([(train(one), train(other))], Search(60.0))
    assert found is not None
    assert found.decided
    assert found.line.drift * 1e6 == pytest.approx(drift_ppm, abs=0.5)


def test_regular_trains_of_one_length_are_not_decided_by_their_ends() -> None:
    """One blow missing at the start of the one and at the end of the other is as good an explanation."""
    at = 1.2 * np.arange(300)
    found = align([(train(at), train(at + 7.0))], Search(60.0))
    assert found is not None
    assert not found.decided


def test_random_noise_is_not_decided() -> None:
    rng = np.random.default_rng(1522)
    found = align([(train(rng.uniform(0, 600, 300)), train(rng.uniform(0, 600, 300)))], Search(60.0))
    assert found is None or not found.decided


def test_pairs_are_the_nearest_and_one_to_one() -> None:
    i, j = pairs(np.array([0.0, 1.0, 1.1, 5.0]), np.array([0.05, 1.08, 9.0]), 0.2)
    assert i.tolist() == [0, 2]
    assert j.tolist() == [0, 1]


def test_steps_of_times() -> None:
    assert resolution_s(np.array([1_000_000, 4_000_000, 7_000_000])) == 1.0
    assert resolution_s(np.array([1_000_000, 4_100_000, 7_000_000])) == 0.1
    assert resolution_s(np.array([1_000_000, 4_123_000, 7_000_000])) == 0.0


def test_density_of_rounded_times() -> None:
    """One inside the step, one half at its end: a step function under a little jitter."""
    found = np.exp(rounded_log_density(np.array([0.0, 0.3, 0.5, -0.5]), 0.01, 1.0))
    assert found == pytest.approx([1.0, 1.0, 0.5, 0.5])


def decision(seed: int, n: int, irregular: float, *, rounded: bool) -> str:
    """A stretch heard in the middle of a longer log, no landmark; is the alignment right, and is it decided?"""
    rng = np.random.default_rng(seed)
    struck = np.cumsum(1.2 * (1.0 + irregular * rng.standard_normal(n + 120)))
    logged = struck + 20.0 + 3e-5 * struck + 0.01 * rng.standard_normal(n + 120)
    logged = logged[rng.integers(1, 60) : -rng.integers(1, 60)]
    logged = logged[rng.random(len(logged)) > 0.05]
    invented = struck[rng.integers(0, n + 119, round(0.03 * n))] + 20.0 + rng.uniform(0.1, 1.1, round(0.03 * n))
    logged = np.sort(np.concatenate([logged, invented]))
    heard = struck[60:-60][rng.random(n) > 0.03]
    heard = np.sort(heard + 0.005 * rng.standard_normal(len(heard)))
    levels, energies = 0.5 * rng.standard_normal(len(heard)), 0.1 * rng.standard_normal(len(logged))
    other = train(np.round(logged) if rounded else logged, energies)
    found = align([(train(heard, levels), other)], Search(60.5, rounded_to_s=1.0 if rounded else 0.0))
    assert found is not None
    right = abs(float(found.line.at(heard[:1])[0]) - 20.0 - 3e-5 * heard[0]) < 0.5
    return ("right" if right else "wrong") if found.decided else "not decided"


def check_decisions(n_runs: int, *, rounded: bool) -> None:
    """None is wrong, whether blows are perfectly regular or not; at 2 % and 300 blows nearly all are decided."""
    for irregular in (0.0, 0.002, 0.005, 0.02):
        for n in (12, 60, 300):
            found = [decision(1600 + k, n, irregular, rounded=rounded) for k in range(n_runs)]
            counts = {kind: found.count(kind) for kind in ("right", "wrong", "not decided")}
            print(f"irregular by {irregular:.1%}, {n} blows, rounded {rounded}: {counts}")
            assert counts["wrong"] == 0
            if irregular == 0.02 and n == 300 and not rounded:
                assert counts["right"] >= 0.95 * n_runs


def test_what_is_decided_is_right() -> None:
    check_decisions(5, rounded=False)


@pytest.mark.long
@pytest.mark.parametrize("rounded", [False, True])
def test_what_is_decided_is_right_at_full_count(rounded: bool) -> None:
    check_decisions(100, rounded=rounded)
