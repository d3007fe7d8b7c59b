"""The second look in the levels stage: faint and unheard strikes get their rows, windows are read again once."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from reconcile.running.levels_stage import levels
from reconcile.running.second_reading import extend
from reconcile.strikes.association import Association
from reconcile.strikes.log_clock import LogLine
from tests.running.counting import DecodedFrames
from tests.small_campaign import FULL_SCALE_PA, RATE_HZ, SmallCampaign, write_small_campaign

TAU_S, OMEGA = 0.015, 2 * np.pi * 200.0  # of the damped sine that the campaign's strikes are
NOISE_PA = 0.1
DURATION_S = TAU_S / 2 * np.log(0.95 / 0.05)  # of an exponential decay, 5 % to 95 %


def amplitude_pa(snr_db: float) -> float:
    """Of a damped sine with this signal to noise in white noise of 0.1 Pa, by the contract's definition."""
    energy = 10 ** (snr_db / 10) * NOISE_PA**2 * DURATION_S
    return float(np.sqrt(energy / (TAU_S / 4 * (1 - 1 / (1 + (OMEGA * TAU_S) ** 2)))))


def exposure_level_db(snr_db: float) -> float:
    return float(10 * np.log10(10 ** (snr_db / 10) * NOISE_PA**2 * DURATION_S * 1e12))


def with_faint_far_station(folder: Path, snr_db: list[float]) -> SmallCampaign:
    """The small campaign, its far station's strikes at these signals to noise in turn."""
    campaign = write_small_campaign(folder, files=2, seed=3)
    rng = np.random.default_rng(4)
    for pile, start in (("P1", "20250501"), ("P2", "20250502")):
        paths = sorted((folder / "recordings" / "FAR").glob(f"*{start}*.wav"))
        lengths = [soundfile.info(path).frames for path in paths]
        sound = rng.normal(0.0, NOISE_PA, sum(lengths))
        time_s = np.arange(sound.size) / RATE_HZ
        ranges = pd.read_csv(folder / "ranges.csv").set_index(["pile_id", "station_id"])["range_m"]
        for k, onset_s in enumerate(campaign.onset_s[pile]):
            since = time_s - onset_s - float(ranges[pile, "FAR"]) / 1500.0
            inside = (since >= 0) & (since < 0.4)
            size = amplitude_pa(snr_db[k % len(snr_db)])
            sound[inside] += size * np.exp(-since[inside] / TAU_S) * np.sin(OMEGA * since[inside])
        at = 0
        for path, length in zip(paths, lengths, strict=True):
            soundfile.write(path, sound[at : at + length] / FULL_SCALE_PA, RATE_HZ, subtype="PCM_24")
            at += length
    return campaign


def counts(results: Path) -> dict[str, int]:
    stages = json.loads((results / "manifest.json").read_text(encoding="utf-8"))["stages"]
    return dict(next(stage["counts"] for stage in stages if stage["stage"] == "levels"))


def test_every_strike_has_a_row_at_every_station_and_windows_are_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    snr = [20.0, 12.0, 1.0, -12.0, -20.0]
    campaign = with_faint_far_station(tmp_path / "campaign", snr)
    results = tmp_path / "results"
    levels(campaign.folder, results, workers=1)
    strikes = pd.read_parquet(results / "strikes.parquet")
    for pile, onsets in campaign.onset_s.items():
        far = strikes[(strikes.pile_id == pile) & (strikes.station_id == "FAR")].sort_values("time_utc")
        assert len(far) == len(onsets)
        assert set(far.strike_id) == set(strikes[(strikes.pile_id == pile) & (strikes.station_id == "NEAR")].strike_id)
        true_db = np.array([exposure_level_db(snr[k % 5]) for k in range(len(onsets))])
        level = far.exposure_level_db.to_numpy()
        limit = (far.exposure_censoring == "at_most").to_numpy()
        assert np.all(level[limit] >= true_db[limit])
        assert limit[np.array([snr[k % 5] < -6 for k in range(len(onsets))])].all()
        assert not limit[np.array([snr[k % 5] > 6 for k in range(len(onsets))])].any()
        silent = far[far["flags"].map(lambda flags: "not_heard" in flags)]
        assert len(silent) >= len(onsets) // 5
        assert silent[["rms_level_db", "pulse_duration_s", "kurtosis", "peak_to_peak_level_db"]].isna().all().all()
        assert set(silent.peak_censoring) == {"at_most"}
        assert set(silent["exposure_censoring_nmfs_2024_lf"]) == {"at_most"}
        assert silent.recording.str.startswith("recordings/FAR/").all()
        # 3 dB above the background's energy over the median duration: noise 100 dB, 22 ms
        assert (silent.exposure_level_db - (10 * np.log10(NOISE_PA**2 * DURATION_S * 1e12) + 3.0)).abs().max() < 1.0
        bands = pd.read_parquet(results / "bands.parquet").merge(silent[["strike_id", "station_id"]])
        assert bands["exposure_level_200hz_db"].notna().all()
    before = {path.name: path.read_bytes() for path in results.glob("*.parquet")}
    first = counts(results)
    assert first["strikes_not_heard"] > 0
    decoded = DecodedFrames(monkeypatch)
    levels(campaign.folder, results, workers=1)
    assert decoded.taken() == 0
    assert counts(results) == first
    assert {path.name: path.read_bytes() for path in results.glob("*.parquet")} == before
    levels(campaign.folder, tmp_path / "again", workers=2)
    assert {path.name: path.read_bytes() for path in (tmp_path / "again").glob("*.parquet")} == before


def test_what_only_the_matched_filter_hears_is_read_again(tmp_path: Path) -> None:
    """A station that hears some strikes well and the others at 0 dB."""
    campaign = with_faint_far_station(tmp_path / "campaign", [20.0, -1.0])
    levels(campaign.folder, tmp_path / "results", workers=1)
    strikes = pd.read_parquet(tmp_path / "results" / "strikes.parquet")
    far = strikes[strikes.station_id == "FAR"]
    again = far["flags"].map(lambda flags: "second_look" in flags)
    print(f"{int(again.sum())} of {len(far)} read again")
    assert int(again.sum()) == counts(tmp_path / "results")["windows_read_again"] > 0
    travel = far.time_utc[again]
    assert travel.notna().all()


def test_the_summary_counts_limits_and_the_exposure_bounds_them(tmp_path: Path) -> None:
    campaign = with_faint_far_station(tmp_path / "campaign", [20.0, -20.0])
    levels(campaign.folder, tmp_path / "results", workers=1)
    summary = pd.read_parquet(tmp_path / "results" / "summary.parquet")
    row = summary[
        (summary.station_id == "FAR") & (summary.quantity == "exposure_level") & (summary.weighting == "none")
    ].query("band_hz.isna() and pile_id == 'P1'")
    n = len(campaign.onset_s["P1"])
    assert row.n_strikes.iloc[0] == n
    assert row.n_censored.iloc[0] >= n // 2 - 1
    assert row.mean_db.isna().all()
    exposure = pd.read_parquet(tmp_path / "results" / "exposure.parquet")
    pile = exposure[(exposure.station_id == "FAR") & (exposure.pile_id == "P1") & (exposure.weighting == "none")].iloc[
        0
    ]
    assert pile.upper_db > pile.measured_db
    true_db = 10 * np.log10(sum(10 ** (exposure_level_db(s) / 10) for s in ([20.0, -20.0] * n)[:n]))
    assert pile.measured_db - 0.5 < true_db < pile.upper_db + 0.5


def test_recordings_without_a_strike_give_empty_tables(tmp_path: Path) -> None:
    campaign = write_small_campaign(tmp_path / "campaign", files=1)
    rng = np.random.default_rng(5)
    for path in campaign.recordings():
        soundfile.write(path, rng.normal(0.0, 1e-3, soundfile.info(path).frames), RATE_HZ, subtype="PCM_16")
    levels(campaign.folder, tmp_path / "results", workers=1)
    assert pd.read_parquet(tmp_path / "results" / "strikes.parquet").empty
    assert counts(tmp_path / "results")["windows_read_again"] == 0


def test_doubts_of_a_strikes_number_stand_at_every_station() -> None:
    """Rows of stations that did not hear it carry what is doubtful of the match, not of one recorder's clock."""
    said = [["blow_number_doubtful"], ["match_ambiguous"], ["identity_ambiguous", "match_ambiguous"], ["not_in_log"]]
    ids = ["P1-00001", "P1-u00001", "P1-00002", "P1-u00002"]
    numbers, energy_kj = [1, None, 2, None], np.array([800.0, np.nan, 900.0, np.nan])
    association = Association(["P1"] * 4, numbers, energy_kj, ids, said, log_lines={"P1": LogLine((), (), 0.01, 1.0)})
    extend(
        association,
        pd.DataFrame(
            {
                "pile_id": "P1",
                "strike_id": ids,
                "blow_number": pd.array(numbers, dtype="Int32"),
                "energy_kj": energy_kj,
                "overlapping_piles": [True, False, False, False],
            }
        ),
    )
    assert association.flags[4:] == [
        ["blow_number_doubtful", "overlapping_piles"],
        ["match_ambiguous"],
        [],
        ["not_in_log"],
    ]
