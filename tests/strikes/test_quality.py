"""Each flag of quality on a synthetic case through the whole path, and absent on clean strikes.

Statistical checks: seeds, sizes and bands below were fixed before the first run and are not drawn again.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reconcile.strikes.quality import PULSE_MARKS, SECOND_MARKS
from tests.strikes.strike_corpus import RATES_HZ as RATES_HZ
from tests.strikes.strike_corpus import Judged, Recording, clean_recording, judged, quantised, strikes_in_noise

STRIKES = 50  # in a recording
GATE, LONG = 24, 200  # recordings of clean strikes: 1,200 and 10,000 strikes
GATE_PILES, LONG_PILES = 1, 5
CLEAN_SEED, CLIPPED_SEED, FLATTENED_SEED = 30801, 30802, 30803
CLEAN_SHARE = 1e-3  # flagged, by each flag: fewer
HEARD_SHARE = 0.98  # of the clean strikes, at least
NEAR_S = 0.25  # between a strike's rise and the time at which it reaches 30 % of its peak
FLATTENED_GATE, FLATTENED_LONG = 16, 100  # recordings
FLATTENED_SHARE = 0.95
FLATTENED_BELOW = 0.95  # of its peak: a strike that was flattened there counts


@pytest.mark.parametrize("long", [False, pytest.param(True, marks=pytest.mark.long)])
def test_clean_strikes_and_seconds_carry_no_flag(tmp_path: Path, long: bool) -> None:
    rng = np.random.default_rng(CLEAN_SEED + long)
    raised, of_seconds, heard, n_seconds = Counter[str](), Counter[str](), 0, 0
    n_recordings, n_piles = (LONG, LONG_PILES) if long else (GATE, GATE_PILES)
    for k in range(n_recordings):
        found = judged(tmp_path / str(k), clean_recording(rng, STRIKES, n_piles))
        heard += len(found.strikes)
        raised.update(flag for flags in found.strikes["flags"] for flag in flags)
        n_seconds += len(found.seconds)
        of_seconds.update({mark: int(found.seconds[mark].sum()) for mark in ("clipped", *SECOND_MARKS)})
    print(f"{heard} strikes heard of {n_recordings * STRIKES}: {dict(raised)}; {n_seconds} seconds: {dict(of_seconds)}")
    assert heard >= HEARD_SHARE * n_recordings * STRIKES
    for mark in ("clipped", *PULSE_MARKS):
        assert raised[mark] < CLEAN_SHARE * n_recordings * STRIKES, mark
    for mark in ("clipped", *SECOND_MARKS):
        assert of_seconds[mark] < CLEAN_SHARE * n_seconds, mark


def test_every_clipped_strike_is_flagged(tmp_path: Path) -> None:
    """Peaks from 0.2 dB to 12 dB beyond full scale; clipped is what the converter would have had to write as 1."""
    rng = np.random.default_rng(CLIPPED_SEED)
    n_clipped = 0
    for k in range(8):
        recording = strikes_in_noise(
            rng,
            20,
            n_piles=GATE_PILES,
            peak=10 ** (rng.uniform(0.2, 12.0) / 20),
            scatter_db=0.3,
            above_noise_db=50.0,
            rate_hz=int(rng.choice(RATES_HZ)),
            bits=int(rng.choice([16, 24])),
        )
        found = judged(tmp_path / str(k), recording)
        for first in recording.first:
            window = np.abs(recording.sound[first : first + round(0.5 * recording.rate_hz)])
            flags = found.flags_near(int(first), round(NEAR_S * recording.rate_hz))
            if window.max() >= 1.0 and flags is not None:
                n_clipped += 1
                assert "clipped" in flags
        at_least = found.strikes["flags"].map(lambda flags: "clipped" in flags)
        assert (found.strikes["peak_censoring"][at_least] == "at_least").all()
    assert n_clipped > 100


def saturated(rng: np.random.Generator, sound: np.ndarray, limit: float, *, soft: bool) -> np.ndarray:
    """What an amplifier with a limit passes on: cut off there, or bent over (tanh) from 90 % to 97 % of it up."""
    if not soft:
        return np.clip(sound, -limit, limit)
    knee = rng.uniform(0.90, 0.97) * limit
    over = np.maximum(np.abs(sound) - knee, 0.0)
    bent = np.minimum(np.abs(sound), knee) + (limit - knee) * np.tanh(over / (limit - knee))
    return np.asarray(np.sign(sound) * bent)


def flattened_recording(rng: np.random.Generator, *, soft: bool) -> tuple[Recording, np.ndarray]:
    """Strikes through an amplifier that is at its limit at 60 % to 95 % of their peaks, then a converter with noise.

    Returns the recording and the limit in parts of each strike's peak.
    """
    peak = float(rng.uniform(0.2, 0.9))
    recording = strikes_in_noise(
        rng,
        30,
        n_piles=GATE_PILES,
        peak=peak,
        scatter_db=0.6,
        above_noise_db=float(rng.uniform(40.0, 60.0)),
        rate_hz=int(rng.choice(RATES_HZ)),
        bits=int(rng.choice([16, 24])),
    )
    limit = peak * rng.uniform(0.60, 0.95)
    offset = float(np.median(recording.sound))
    sound = saturated(rng, recording.sound - offset, limit, soft=soft) + offset
    sound = sound + limit * 10 ** (-rng.uniform(55.0, 75.0) / 20) * rng.standard_normal(sound.size)
    return replace(recording, sound=sound), limit / recording.peak


@pytest.mark.parametrize("long", [False, pytest.param(True, marks=pytest.mark.long)])
def test_flattened_strikes_are_flagged_and_at_least(tmp_path: Path, long: bool) -> None:
    rng = np.random.default_rng(FLATTENED_SEED + long)
    counts: dict[str, list[int]] = {"hard": [0, 0], "soft": [0, 0]}
    for k in range(FLATTENED_LONG if long else FLATTENED_GATE):
        kind = "soft" if k % 2 else "hard"
        recording, limit = flattened_recording(rng, soft=kind == "soft")
        found = judged(tmp_path / str(k), recording)
        for first, share in zip(recording.first, limit, strict=True):
            flags = found.flags_near(int(first), round(NEAR_S * recording.rate_hz))
            if share < FLATTENED_BELOW and flags is not None:
                counts[kind][0] += "flattened" in flags
                counts[kind][1] += 1
        flat = found.strikes[found.strikes["flags"].map(lambda flags: "flattened" in flags)]
        for column in ("peak_censoring", "exposure_censoring", "exposure_censoring_nmfs_2024_lf"):
            assert (flat[column] == "at_least").all()
    print(counts)
    flagged, n = (sum(values) for values in zip(*counts.values(), strict=True))
    assert n > 300
    assert flagged >= FLATTENED_SHARE * n


RATE = 16_000
AT = 9  # the strike that something happens to


def plain(seed: int = 1, *, bits: int = 24, peak: float = 0.1, above_noise_db: float = 50.0) -> Recording:
    rng = np.random.default_rng(seed)
    return strikes_in_noise(
        rng,
        14,
        n_piles=GATE_PILES,
        peak=peak,
        scatter_db=0.3,
        above_noise_db=above_noise_db,
        rate_hz=RATE,
        bits=bits,
    )


def changed(recording: Recording, start_s: float, values: np.ndarray | float, length: int = 1) -> Recording:
    """Samples from `start_s` after the first of strike AT replaced."""
    sound = quantised(recording)
    start = int(recording.first[AT]) + round(start_s * RATE)
    sound[start : start + (len(values) if isinstance(values, np.ndarray) else length)] = values
    return replace(recording, sound=sound)


def only_there(found: Judged, recording: Recording, wanted: set[str]) -> None:
    """Strike AT carries the wanted marks, no other strike any."""
    for k, first in enumerate(recording.first):
        flags = found.flags_near(int(first), round(NEAR_S * RATE))
        assert flags is not None
        assert flags & set(PULSE_MARKS) == (wanted if k == AT else set()), k


@pytest.mark.parametrize("bits", [16, 24])
def test_drop_out_of_the_last_value(tmp_path: Path, bits: int) -> None:
    recording = plain(bits=bits)
    held = float(quantised(recording)[recording.first[AT] + round(0.06 * RATE)])
    broken = changed(recording, 0.06, held, round(0.006 * RATE))
    found = judged(tmp_path, broken)
    only_there(found, recording, {"drop_out"})
    second = int(recording.first[AT] + 0.06 * RATE) // RATE
    assert [k for k, holds in enumerate(found.seconds["drop_out"]) if holds] == [second]


def test_zeros_in_a_strike_and_in_the_quiet_before_it(tmp_path: Path) -> None:
    recording = plain()
    for k, start_s in enumerate((0.06, -0.12)):
        found = judged(tmp_path / str(k), changed(recording, start_s, 0.0, round(0.003 * RATE)))
        only_there(found, recording, {"zeros"})
        assert found.seconds["zeros"].sum() == 1


def test_a_second_of_one_value_is_none_of_sound(tmp_path: Path) -> None:
    """Longer than what comes before it can tell of: by its length alone."""
    recording = plain()
    sound = quantised(recording)
    sound[: 4 * RATE] = 0.0
    sound[-3 * RATE :] = 0.001
    found = judged(tmp_path, replace(recording, sound=sound))
    assert found.seconds["zeros"][:4].all()
    assert found.seconds["drop_out"].sum() >= 2


def test_rounding_of_a_quiet_sound_is_no_drop_out(tmp_path: Path) -> None:
    """16 bits, strikes of 300 steps over noise of a third of a step: long runs of one value, and nothing was lost."""
    rng = np.random.default_rng(7)
    recording = plain(bits=16)
    sound = np.zeros(recording.sound.size)
    loud = strikes_in_noise(
        rng, 14, n_piles=1, peak=300 / 2**15, scatter_db=0.3, above_noise_db=70.0, rate_hz=RATE, bits=24
    )
    sound += loud.sound[: sound.size] - np.median(loud.sound) + rng.standard_normal(sound.size) / 3 / 2**15
    found = judged(tmp_path, replace(loud, sound=sound, bits=16))
    runs = np.diff(np.flatnonzero(np.diff(quantised(replace(loud, sound=sound, bits=16)))))
    assert runs.max() > 0.002 * RATE  # there are long ones
    raised = {flag for flags in found.strikes["flags"] for flag in flags}
    assert not raised & {"drop_out", "zeros", "spike", "spike_at_peak"}
    assert not found.seconds[["drop_out", "zeros", "spike"]].to_numpy().any()
    assert "self_noise" in raised


@pytest.mark.parametrize("samples", [1, 2])
def test_spikes(tmp_path: Path, samples: int) -> None:
    recording = plain()
    tail = round(0.5 * RATE)
    sound = quantised(recording)
    largest = float(np.abs(sound[recording.first[AT] :][:tail]).max())
    high = judged(tmp_path / "high", changed(recording, 0.05, 4 * largest, samples))
    only_there(high, recording, {"spike", "spike_at_peak"})
    assert high.seconds["spike"].sum() == 1
    decayed = 0.25
    low = judged(tmp_path / "low", changed(recording, decayed, 0.6 * largest, samples))
    flags = low.flags_near(int(recording.first[AT]), round(NEAR_S * RATE))
    assert flags is not None
    assert "spike_at_peak" not in flags
    assert low.seconds["spike"].sum() == 1


def test_a_click_in_the_water_is_no_spike(tmp_path: Path) -> None:
    """An impulse through the low-pass of a converter rings: sin x / x, cut off at 0.45 of the rate."""
    recording = plain()
    n = np.arange(-60, 61) - 0.3
    click = 0.5 * 0.9 * np.sinc(0.9 * n) * np.hanning(121)
    sound = quantised(recording)
    start = int(recording.first[AT]) - round(0.3 * RATE)
    sound[start : start + click.size] += click
    found = judged(tmp_path, replace(recording, sound=sound))
    assert not found.seconds["spike"].any()
    assert not any("spike" in flags for flags in found.strikes["flags"])


def test_dc_shift(tmp_path: Path) -> None:
    recording = plain()
    sound = recording.sound.copy()
    sound[recording.first[AT] + round(0.05 * RATE) :] += 0.03  # 30 % of the peak
    found = judged(tmp_path, replace(recording, sound=sound))
    only_there(found, recording, {"dc_shift"})
    sound = recording.sound.copy()
    at = int(recording.first[AT]) - round(0.5 * RATE)
    sound[at:] += 0.03
    found = judged(tmp_path / "between", replace(recording, sound=sound))
    assert [k for k, holds in enumerate(found.seconds["dc_shift"]) if holds] == [at // RATE]


@pytest.mark.parametrize("mains_hz", [49.93, 60.04])
def test_mains_hum(tmp_path: Path, mains_hz: float) -> None:
    recording = plain()
    t = np.arange(recording.sound.size) / RATE
    lines = sum(np.sin(2 * np.pi * k * mains_hz * t + k) / k for k in (1, 2, 3, 5))
    found = judged(tmp_path / "hum", replace(recording, sound=recording.sound + 0.1 * lines))
    assert found.seconds["mains_hum"][1:-1].mean() > 0.9
    hammer = sum(np.sin(2 * np.pi * k * 25.0 * t + k) / k for k in range(1, 9))
    found = judged(tmp_path / "hammer", replace(recording, sound=recording.sound + 0.1 * hammer))
    assert not found.seconds["mains_hum"].any()


def test_self_noise(tmp_path: Path) -> None:
    """White noise of 0.8 of a step rms lies 9 dB above the rounding noise; one of 0.2 is mostly rounded away."""
    rng = np.random.default_rng(3)
    recording = plain(bits=16)
    for rms, expected in ((0.8, False), (0.2, True)):
        sound = rng.standard_normal(recording.sound.size) * rms * recording.step
        found = judged(tmp_path / str(rms), replace(recording, sound=sound))
        assert found.seconds["self_noise"][1:-1].eq(expected).all()


def test_cable_knock(tmp_path: Path) -> None:
    """A burst of 15 Hz in the place of a strike."""
    recording = plain()
    sound = recording.sound.copy()
    t = np.arange(round(0.4 * RATE)) / RATE
    start, stop = int(recording.first[AT]) - round(0.05 * RATE), int(recording.first[AT]) + round(0.9 * RATE)
    sound[start:stop] = np.resize(sound[RATE // 4 : RATE], stop - start)
    sound[start : start + t.size] += 0.2 * np.sin(2 * np.pi * 15.0 * t) * np.exp(-(((t - 0.15) / 0.06) ** 2))
    found = judged(tmp_path, replace(recording, sound=sound))
    knocks = [set(flags) & set(PULSE_MARKS) for flags in found.strikes["flags"]]
    assert knocks.count({"cable_knock"}) == 1
    assert knocks.count(set()) == len(knocks) - 1
