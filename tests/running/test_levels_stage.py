"""The stage that reads audio: against what was written into a small campaign, resumed, in parallel, pile by pile."""

from __future__ import annotations

import hashlib
import json
import math
import os
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from reconcile.running import assembling, executors, levels_stage
from reconcile.running.levels_stage import levels
from reconcile.strikes import stream_analysis
from reconcile.vocabulary.errors import InputError, MachineError
from tests.running.counting import DecodedFrames
from tests.small_campaign import RANGES_M, RATE_HZ, SmallCampaign, write_small_campaign

EMPTY = ("rejected", "tones")  # nothing is rejected, and nothing was vibrated
TABLES = (
    "strikes",
    "rejected",
    "blow_counts",
    "bands",
    "background",
    "background_10s",
    "continuous",
    "tones",
    "exposure",
    "summary",
    "phases",
    "uncertainty",
)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> SmallCampaign:
    """A campaign of two piles and three stations, two of them on one recorder, and its results."""
    campaign = write_small_campaign(tmp_path_factory.mktemp("small") / "campaign", two_channels=True)
    levels(campaign.folder, campaign.folder / "results", workers=1)
    return campaign


@pytest.fixture
def short_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of 32 s, so that a stream of 80 s has three."""
    for module in (stream_analysis, executors, levels_stage):
        monkeypatch.setattr(module, "PART_CELLS", 32)


def table_bytes(results: Path) -> dict[str, bytes]:
    return {name: (results / f"{name}.parquet").read_bytes() for name in TABLES}


def manifest(results: Path) -> dict[str, object]:
    content: dict[str, object] = json.loads((results / "manifest.json").read_text(encoding="utf-8"))
    return content


def exposure_level_db(peak_pa: float) -> float:
    """Closed form: energy of peak·e^(-t/T)·sin(wt) is peak²·T/4·(1 - 1/(1 + (wT)²))."""
    tau, omega = 0.015, 2 * math.pi * 200.0
    return 10 * math.log10(peak_pa**2 * tau / 4 * (1 - 1 / (1 + (omega * tau) ** 2)) * 1e12)


def test_every_strike_is_found_with_its_blow_range_and_energy(small: SmallCampaign) -> None:
    strikes = pd.read_parquet(small.folder / "results" / "strikes.parquet")
    for pile, energies in small.energy_kj.items():
        for station in ("NEAR", "FAR", "LOW"):
            rows = strikes[(strikes.pile_id == pile) & (strikes.station_id == station)].sort_values("time_utc")
            assert rows.blow_number.tolist() == list(range(1, len(energies) + 1))
            assert rows.energy_kj.tolist() == energies
            assert set(rows.range_m) == {RANGES_M[pile][station]}
            start = pd.Timestamp("2025-05-01T08:00Z" if pile == "P1" else "2025-05-02T09:00Z")
            travel_s = RANGES_M[pile][station] / 1500.0
            expected = [onset + travel_s for onset in small.onset_s[pile]]
            assert ((rows.time_utc - start).dt.total_seconds() - expected).abs().max() < 0.005


def test_exposure_is_the_closed_form_through_both_chains(small: SmallCampaign) -> None:
    strikes = pd.read_parquet(small.folder / "results" / "strikes.parquet")
    energy = strikes.energy_kj.to_numpy()
    size = 100.0 * 600.0 / strikes.range_m.to_numpy() * np.sqrt(energy / 1000.0)
    size = np.where(strikes.station_id == "LOW", 0.5 * size, size)
    error = strikes.exposure_level_db.to_numpy() - [exposure_level_db(peak) for peak in size]
    assert np.abs(error).max() < 0.1  # 35 dB above the noise and more


def test_results_are_read_by_pandas_and_carry_units(small: SmallCampaign) -> None:
    results = small.folder / "results"
    for name in TABLES:
        assert len(pd.read_parquet(results / f"{name}.parquet")) > 0 or name in EMPTY
        schema = pq.read_schema(results / f"{name}.parquet")
        assert all(b"unit" in field.metadata for field in schema)


def test_recordings_and_start_samples_point_at_the_strikes(small: SmallCampaign) -> None:
    import soundfile

    strikes = pd.read_parquet(small.folder / "results" / "strikes.parquet")
    for row in strikes[strikes.station_id == "NEAR"].itertuples():
        samples, rate_hz = soundfile.read(small.folder / str(row.recording), always_2d=True)
        first = int(row.start_sample)
        window = np.abs(samples[first : first + round(float(row.window_s) * rate_hz), 0])
        assert len(samples) < first + len(window) + 1 or window.max() > 0.05  # full scale is 158 Pa


def test_a_second_run_decodes_nothing_and_one_lost_part_is_made_again(
    small: SmallCampaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    results = tmp_path / "results"
    shutil.copytree(small.folder / "results", results)
    before = table_bytes(results)
    decoded = DecodedFrames(monkeypatch)
    levels(small.folder, results, workers=1)
    assert decoded.taken() == 0
    assert table_bytes(results) == before
    parts = sorted((results / "parts").iterdir())
    assert len(parts) == 4  # two piles, two recorders
    shutil.rmtree(parts[1])
    levels(small.folder, results, workers=1)
    assert decoded.taken() == 40 * RATE_HZ
    assert table_bytes(results) == before
    assert sorted((results / "parts").iterdir()) == parts


def test_each_frame_is_decoded_once(small: SmallCampaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    decoded = DecodedFrames(monkeypatch)
    levels(small.folder, tmp_path / "results", workers=1)
    assert decoded.taken() == 4 * 40 * RATE_HZ
    assert table_bytes(tmp_path / "results") == table_bytes(small.folder / "results")


@pytest.mark.usefixtures("short_parts")
def test_an_interrupted_run_goes_on_and_ends_with_the_same_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    campaign = write_small_campaign(tmp_path / "campaign", files=4)
    levels(campaign.folder, tmp_path / "undisturbed", workers=1)
    decoded = DecodedFrames(monkeypatch)
    results = tmp_path / "results"
    decoded.stop_after = 2 * 80 * RATE_HZ + 60 * RATE_HZ  # within the second part of the third of four streams
    with pytest.raises(KeyboardInterrupt):
        levels(campaign.folder, results, workers=1)
    assert manifest(results)["complete"] is False
    assert not (results / "strikes.parquet").exists()
    kept = {p.name for p in (results / "parts").iterdir() if not p.name.startswith(".")}
    assert len(kept) == 7
    decoded.stop_after = None
    decoded.taken()
    levels(campaign.folder, results, workers=1)
    assert decoded.taken() == (80 + 80 - 32 + 16) * RATE_HZ  # a stream, and the rest of another with 16 s of run-in
    assert table_bytes(results) == table_bytes(tmp_path / "undisturbed")
    assert manifest(results)["complete"] is True
    assert [p.name for p in results.rglob(".*")] == []


@pytest.mark.usefixtures("short_parts")
def test_a_middle_part_made_again_is_the_same(tmp_path: Path) -> None:
    campaign = write_small_campaign(tmp_path / "campaign", files=4)
    results = tmp_path / "results"
    levels(campaign.folder, results, workers=1)
    before = table_bytes(results)
    for part in sorted((results / "parts").iterdir())[::2]:
        shutil.rmtree(part)
    levels(campaign.folder, results, workers=1)
    assert table_bytes(results) == before


def test_two_processes_give_the_same_bytes(small: SmallCampaign, tmp_path: Path) -> None:
    levels(small.folder, tmp_path / "results", workers=2)
    assert table_bytes(tmp_path / "results") == table_bytes(small.folder / "results")


def test_single_piles_give_their_rows_of_the_whole(small: SmallCampaign, tmp_path: Path) -> None:
    whole = pd.read_parquet(small.folder / "results" / "strikes.parquet")
    summary = pd.read_parquet(small.folder / "results" / "summary.parquet")
    for pile in ("P1", "P2"):
        levels(small.folder, tmp_path / pile, piles=[pile], workers=1)
        strikes = pd.read_parquet(tmp_path / pile / "strikes.parquet")
        pd.testing.assert_frame_equal(strikes, whole[whole.pile_id == pile].reset_index(drop=True))
        rows = summary[summary.pile_id == pile].reset_index(drop=True)
        pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / pile / "summary.parquet"), rows)
        assert {p.name for p in (tmp_path / pile / "parts").iterdir()} < {
            p.name for p in (small.folder / "results" / "parts").iterdir()
        }


def test_a_pile_that_is_not_there_and_one_without_recordings(small: SmallCampaign, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no pile 'P9'"):
        levels(small.folder, tmp_path / "results", piles=["P9"], workers=1)
    folder = tmp_path / "campaign"
    shutil.copytree(small.folder, folder, ignore=shutil.ignore_patterns("results"))
    for path in (folder / "recordings").rglob("*20250502*"):
        path.unlink()
    with pytest.raises(InputError, match="no recording from the time of P2"):
        levels(folder, tmp_path / "results", piles=["P2"], workers=1)


def test_recordings_elsewhere(small: SmallCampaign, tmp_path: Path) -> None:
    folder, disk = tmp_path / "campaign", tmp_path / "disk"
    shutil.copytree(small.folder, folder, ignore=shutil.ignore_patterns("results"))
    disk.mkdir()
    (folder / "recordings").rename(disk / "recordings")
    levels(folder, tmp_path / "results", recordings=disk, workers=1)
    assert table_bytes(tmp_path / "results") == table_bytes(small.folder / "results")
    assert manifest(tmp_path / "results")["inputs"] == manifest(small.folder / "results")["inputs"]


def test_the_manifest_holds_digests_by_relative_paths(small: SmallCampaign) -> None:
    results = small.folder / "results"
    content = manifest(results)
    assert content["complete"] is True

    def digest(path: Path) -> str:
        return hashlib.sha256(path.read_bytes()).hexdigest()

    given = [small.folder / name for name in ("campaign.toml", "piles.csv", "blows.csv", "ranges.csv")]
    inputs = {p.relative_to(small.folder).as_posix(): digest(p) for p in [*given, *small.recordings()]}
    assert content["inputs"] == inputs
    made = [results / "campaign.json", *(results / f"{name}.parquet" for name in TABLES)]
    assert content["outputs"] == {p.name: digest(p) for p in made}
    assert str(small.folder) not in (results / "manifest.json").read_text(encoding="utf-8")
    assert str(small.folder) not in (results / "campaign.json").read_text(encoding="utf-8")
    assert {entry["recording"] for entry in content["recordings"]} == {  # type: ignore[attr-defined]
        p.relative_to(small.folder).as_posix() for p in small.recordings()
    }


def test_without_hashes_inputs_are_null(small: SmallCampaign, tmp_path: Path) -> None:
    results = tmp_path / "results"
    shutil.copytree(small.folder / "results", results)
    levels(small.folder, results, workers=1, hashed=False)
    content = manifest(results)
    assert set(content["inputs"]) == set(manifest(small.folder / "results")["inputs"])  # type: ignore[call-overload]
    assert set(content["inputs"].values()) == {None}  # type: ignore[attr-defined]
    assert None not in content["outputs"].values()  # type: ignore[attr-defined]


def test_the_manifest_is_incomplete_while_tables_are_written(
    small: SmallCampaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    results = tmp_path / "results"
    shutil.copytree(small.folder / "results", results)
    seen: list[object] = []
    write = assembling.write_table

    def watching(folder: Path, *rest: object) -> int:
        seen.append(manifest(folder)["complete"])
        return write(folder, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(assembling, "write_table", watching)
    levels(small.folder, results, workers=1)
    assert seen == [False] * len(TABLES)
    assert manifest(results)["complete"] is True


def test_what_can_be_used_is_used_and_the_rest_named(tmp_path: Path) -> None:
    campaign = write_small_campaign(tmp_path / "campaign")
    recordings = campaign.recordings()
    recordings[0].write_text("no sound", encoding="utf-8")
    recordings[-1].write_bytes(recordings[-1].read_bytes()[:-2001])
    outcome = levels(campaign.folder, tmp_path / "results", workers=1)
    names = [p.relative_to(campaign.folder).as_posix() for p in recordings]
    assert set(outcome.unusable) == {names[0], names[-1]}
    content = manifest(tmp_path / "results")
    assert set(content["refused"]) == {names[0]}  # type: ignore[call-overload]
    assert set(content["damaged"]) == {names[-1]}  # type: ignore[call-overload]
    assert names[0] not in content["inputs"]  # type: ignore[operator]
    assert len(pd.read_parquet(tmp_path / "results" / "strikes.parquet")) > 60


def test_no_usable_recording_is_wrong_input_with_every_file_named(tmp_path: Path) -> None:
    campaign = write_small_campaign(tmp_path / "campaign")
    for path in campaign.recordings():
        path.write_text("no sound", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        levels(campaign.folder, tmp_path / "results", workers=1)
    assert [fault.file for fault in caught.value.faults] == [
        p.relative_to(campaign.folder).as_posix() for p in campaign.recordings()
    ]
    assert not (tmp_path / "results").exists()


def test_a_results_folder_that_is_a_file_is_named(small: SmallCampaign, tmp_path: Path) -> None:
    (tmp_path / "results").write_text("in the way", encoding="utf-8")
    with pytest.raises(MachineError, match=r"results/manifest\.json: "):
        levels(small.folder, tmp_path / "results", workers=1)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "parts").write_text("in the way", encoding="utf-8")
    with pytest.raises(MachineError, match="other/parts/"):
        levels(small.folder, tmp_path / "other", workers=1)


@pytest.mark.parametrize("change", ["size", "time", "chain", "window", "weightings", "clock"])
def test_what_a_part_depends_on_makes_it_anew(change: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    campaign = write_small_campaign(tmp_path / "campaign", files=1)
    results = tmp_path / "results"
    levels(campaign.folder, results, workers=1)
    toml = campaign.folder / "campaign.toml"
    text = toml.read_text(encoding="utf-8")
    recording = campaign.recordings()[0]
    if change == "size":
        stat = recording.stat()
        recording.write_bytes(recording.read_bytes() + b"note\x02\x00\x00\x00ab")  # a chunk more, the time kept
        os.utime(recording, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    elif change == "time":
        os.utime(recording, ns=(0, recording.stat().st_mtime_ns + 1000))
    replaced = {
        "chain": text.replace("gain_db = 20.0", "gain_db = 20.5"),
        "window": text + "[settings]\nwindow_max_s = 0.7\n",
        "weightings": text + '[settings]\nweightings = ["nmfs-2024:LF"]\n',
        "clock": text.replace("time_pattern", "clock_offset_s = 0.001\ntime_pattern", 1),
    }
    toml.write_text(replaced.get(change, text), encoding="utf-8")
    decoded = DecodedFrames(monkeypatch)
    levels(campaign.folder, results, workers=1)
    streams = {"size": 1, "time": 1, "chain": 2, "clock": 2}.get(change, 4)  # of one file of 20 s each
    assert decoded.taken() == streams * 20 * RATE_HZ


def test_parts_that_nothing_needs_any_more_are_removed(tmp_path: Path) -> None:
    campaign = write_small_campaign(tmp_path / "campaign", files=1)
    parts = tmp_path / "results" / "parts"
    levels(campaign.folder, tmp_path / "results", workers=1)
    first = {p.name for p in parts.iterdir()}
    (parts / ".abandoned.123").mkdir()  # of a run that was killed while it wrote
    toml = campaign.folder / "campaign.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("gain_db = 20.0", "gain_db = 20.5"), encoding="utf-8")
    levels(campaign.folder, tmp_path / "results", piles=["P1"], workers=1)
    assert first < {p.name for p in parts.iterdir()}  # a run of single piles leaves the other piles' parts
    levels(campaign.folder, tmp_path / "results", workers=1)
    second = {p.name for p in parts.iterdir()}
    assert len(second) == 4
    assert len(second & first) == 2


@pytest.mark.parametrize("setting", ["censor_below_snr_db = 5.0", "equivalence_margin_db = 2.0"])
def test_what_it_does_not_depend_on_reads_nothing_again(
    setting: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    campaign = write_small_campaign(tmp_path / "campaign", files=1)
    levels(campaign.folder, tmp_path / "results", workers=1)
    with (campaign.folder / "campaign.toml").open("a", encoding="utf-8") as toml:
        toml.write(f"[settings]\n{setting}\n")
    decoded = DecodedFrames(monkeypatch)
    levels(campaign.folder, tmp_path / "results", workers=1)
    assert decoded.taken() == 0
