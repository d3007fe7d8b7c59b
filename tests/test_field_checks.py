"""Field checks through the command line: a small campaign whose recorder loses 1.5 dB during the first pile."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from reconcile.running.levels_stage import levels
from tests.command_line import Ended
from tests.recordings.tones import full_scale_pa, tone_pa, write_pcm_24
from tests.small_campaign import RATE_HZ, STARTS, write_small_campaign

DRIFT_DB = -1.5
END_S, STEP_S = 40.0, 20.0  # of the first pile's recordings; when the step comes
CALIBRATOR_DB = 150.0
LEVELS = ["peak_level_db", "peak_to_peak_level_db", "exposure_level_db", "rms_level_db", "max_125ms_level_db"]
LEVELS += ["noise_level_db", "noise_peak_level_db", "unsubtracted_exposure_level_db", "exposure_level_nmfs_2024_lf_db"]
Gain = Callable[[np.ndarray], np.ndarray]


def linear(second: np.ndarray) -> np.ndarray:
    return np.asarray(DRIFT_DB * np.clip(second / END_S, 0.0, 1.0))


def step(second: np.ndarray) -> np.ndarray:
    return np.where(second < STEP_S, 0.0, DRIFT_DB)


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The campaign without drift and without checks, and its results."""
    folder = tmp_path_factory.mktemp("truth") / "campaign"
    write_small_campaign(folder)
    levels(folder, folder / "results", workers=1)
    return folder


def drifting(truth: Path, folder: Path, gain_db: Gain, drift: str = 'drift = "linear"', settings: str = "") -> Path:
    """The same sound through a chain whose gain changes; calibrator tones before, after the first pile, and last."""
    shutil.copytree(truth, folder, ignore=shutil.ignore_patterns("results"))
    for path in sorted((folder / "recordings" / "FAR").iterdir()):
        samples, rate_hz = soundfile.read(path)
        first = pd.Timestamp(path.stem.split("_")[1].rstrip("Z"), tz="UTC")
        second = (first - pd.Timestamp(STARTS["P1"])).total_seconds() + np.arange(samples.size) / rate_hz
        soundfile.write(path, samples * 10 ** (gain_db(second) / 20), rate_hz, subtype="PCM_24")
    at_s = {"before": 0.0, "between": END_S, "after": 1e6}
    for name, second in at_s.items():
        rows = tone_pa(CALIBRATOR_DB, 6.0, on_s=(1.0, 5.0), noise_below_db=20.0) / full_scale_pa(-164.0)
        gain = 10 ** (gain_db(np.array(second)) / 20)
        write_pcm_24(folder / "recordings" / "checks" / f"{name}.wav", [rows * gain], RATE_HZ)
    between = (STARTS["P1"] + timedelta(seconds=END_S)).strftime("%Y-%m-%dT%H:%M:%SZ")
    lines = [
        _check("before", f'when = "before"\n{drift}'),
        _check("between", f'time_utc = "{between}"'),
        _check("after", 'when = "after"'),
    ]
    toml = folder / "campaign.toml"
    stations = "[[stations]]"
    text = toml.read_text(encoding="utf-8").replace(stations, "".join(lines) + stations, 1)
    toml.write_text(text + settings, encoding="utf-8")
    return folder


def _check(name: str, when: str) -> str:
    return (
        f'[[systems.checks]]\nfile = "recordings/checks/{name}.wav"\nlevel_db = {CALIBRATOR_DB}\nfrequency_hz = 250.0\n'
        f"{when}\nstandard_uncertainty_db = 0.3\n"
    )


FOLLOW = '[settings]\ncalibration_source = "field_checks"\n'
# the other chain needs a check of its own where levels follow the checks
NEAR_CHECK = _check("before", 'when = "before"')


def following(folder: Path) -> None:
    toml = folder / "campaign.toml"
    text = toml.read_text(encoding="utf-8").replace('[[systems]]\nid = "one', NEAR_CHECK + '[[systems]]\nid = "one', 1)
    toml.write_text(text, encoding="utf-8")


def tables(folder: Path, name: str) -> tuple[pd.DataFrame, dict[str, object]]:
    manifest = json.loads((folder / "results" / "manifest.json").read_text(encoding="utf-8"))
    return pd.read_parquet(folder / "results" / f"{name}.parquet"), manifest


STEP = f'drift = "step"\nstep_utc = "{(STARTS["P1"] + timedelta(seconds=STEP_S)).strftime("%Y-%m-%dT%H:%M:%SZ")}"'


@pytest.mark.parametrize(("gain_db", "drift"), [(linear, 'drift = "linear"'), (step, STEP)], ids=["linear", "step"])
def test_levels_follow_the_checks(
    truth: Path, tmp_path: Path, reconcile: Callable[..., Ended], gain_db: Gain, drift: str
) -> None:
    folder = drifting(truth, tmp_path / "campaign", gain_db, drift, FOLLOW)
    following(folder)
    ended = reconcile("levels", folder, "--workers", 1)
    assert (ended.status, ended.err) == (0, "")
    strikes, manifest = tables(folder, "strikes")
    expected, _ = tables(truth, "strikes")
    assert len(strikes) == len(expected)
    assert np.abs(strikes[LEVELS].to_numpy() - expected[LEVELS].to_numpy()).max() < 0.05
    bands, expected_bands = tables(folder, "bands")[0], tables(truth, "bands")[0]
    error = np.abs(bands.iloc[:, 2:].to_numpy() - expected_bands.iloc[:, 2:].to_numpy())
    assert np.nanquantile(error, 0.99) < 0.05
    assert np.nanmax(error) < 0.1  # where a strike's interval is a millisecond shorter, its lowest bands feel it
    background, quiet = tables(folder, "background")[0], tables(truth, "background")[0]
    apart = (background.level_db - quiet.level_db).abs()
    seconds = (background.start_utc - pd.Timestamp(STARTS["P1"])).dt.total_seconds()
    assert apart[(seconds + 1 <= STEP_S) | (seconds >= STEP_S)].max() < 0.05
    differences = [entry["difference_db"] for entry in manifest["field_checks"][1:]]  # type: ignore[index]
    assert differences == pytest.approx([0.0, DRIFT_DB, DRIFT_DB], abs=0.05)


def test_the_certificate_is_kept_and_the_drift_said(
    truth: Path, tmp_path: Path, reconcile: Callable[..., Ended]
) -> None:
    folder = drifting(truth, tmp_path / "campaign", linear)
    checked = reconcile("check", folder)
    assert (checked.status, checked.err) == (0, "")
    assert "Field check recordings/checks/between.wav of one_number: 250.00 Hz, sensitivity -165.5" in checked.out
    ended = reconcile("levels", folder, "--workers", 1)
    assert (ended.status, ended.err) == (0, "")
    strikes, manifest = tables(folder, "strikes")
    expected, _ = tables(truth, "strikes")
    second = (expected.time_utc - pd.Timestamp(STARTS["P1"])).dt.total_seconds().to_numpy()
    lost = np.where(expected.station_id == "FAR", linear(second), 0.0)
    assert np.abs(strikes.exposure_level_db - expected.exposure_level_db - lost).max() < 0.05
    said = "\n".join(manifest["warnings"])  # type: ignore[arg-type]
    assert "system one_number: its field checks lie 1.5" in said
    assert "recordings/checks/after.wav gives a sensitivity of -165.5" in said
    entries = manifest["field_checks"]
    assert [entry["when"] for entry in entries] == ["before", None, "after"]  # type: ignore[attr-defined]
    assert "recordings/checks/before.wav" in manifest["inputs"]  # type: ignore[operator]


def test_the_drift_enters_summary_and_later_stages(
    truth: Path, tmp_path: Path, reconcile: Callable[..., Ended]
) -> None:
    folder = drifting(truth, tmp_path / "campaign", linear)
    assert reconcile("run", folder, "--workers", 1).status == 0
    resolved = json.loads((folder / "results" / "campaign.json").read_text(encoding="utf-8"))
    stages, one_number = resolved["systems"]
    drift = 1.5 / 2 / math.sqrt(3)
    unexplained = max(0.0, 1.0**2 - 0.7**2 - 0.3**2)  # the mean difference is 1 dB
    effective = math.sqrt(0.7**2 + drift**2 + unexplained)
    assert one_number["effective_standard_uncertainty_db"] == pytest.approx(effective, abs=0.02)
    assert one_number["standard_uncertainty_db"] == 0.7
    assert stages["effective_standard_uncertainty_db"] is None
    summary = tables(folder, "summary")[0]
    rows = summary[(summary.quantity == "exposure_level") & (summary.weighting == "none") & summary.band_hz.isna()]
    assert rows[rows.station_id == "FAR"].standard_uncertainty_db.min() >= effective - 0.02
    assert rows[rows.station_id == "NEAR"].standard_uncertainty_db.max() < 0.8
    before = (folder / "results" / "fit.json").read_bytes()
    assert reconcile("fit", folder / "results", "--campaign", folder).status == 0
    assert (folder / "results" / "fit.json").read_bytes() == before


def test_parts_on_disk_serve_both_sources(truth: Path, tmp_path: Path, reconcile: Callable[..., Ended]) -> None:
    folder = drifting(truth, tmp_path / "campaign", linear)
    following(folder)
    reconcile("levels", folder, "--workers", 1)
    parts = {path.name: path.stat().st_mtime_ns for path in (folder / "results" / "parts").iterdir()}
    toml = folder / "campaign.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + FOLLOW, encoding="utf-8")
    reconcile("levels", folder, "--workers", 1)
    assert {path.name: path.stat().st_mtime_ns for path in (folder / "results" / "parts").iterdir()} == parts


def test_a_check_that_cannot_be_used_is_4_and_named(
    truth: Path, tmp_path: Path, reconcile: Callable[..., Ended]
) -> None:
    folder = drifting(truth, tmp_path / "campaign", linear)
    (folder / "recordings" / "checks" / "after.wav").write_text("no sound", encoding="utf-8")
    for words in (["check", folder], ["levels", folder, "--workers", 1]):
        ended = reconcile(*words)
        assert ended.status == 4
        assert "recordings/checks/after.wav: field check: not a recording" in ended.err
    _, manifest = tables(folder, "strikes")
    assert "recordings/checks/after.wav" in manifest["refused"]  # type: ignore[operator]


def test_following_checks_none_of_which_can_be_used_is_3(
    truth: Path, tmp_path: Path, reconcile: Callable[..., Ended]
) -> None:
    folder = drifting(truth, tmp_path / "campaign", linear, settings=FOLLOW)
    following(folder)
    for path in (folder / "recordings" / "checks").iterdir():
        write_pcm_24(path, [np.zeros(5 * RATE_HZ)])
    for command in ("check", "levels"):
        ended = reconcile(command, folder)
        assert ended.status == 3
        assert "systems[1].checks" in ended.err
        assert "no tone near 250 Hz" in ended.err
    assert not (folder / "results").exists()


def test_a_chain_stated_re_1_pa_is_noted_and_its_levels_warned_of(
    truth: Path, tmp_path: Path, reconcile: Callable[..., Ended]
) -> None:
    folder = tmp_path / "campaign"
    shutil.copytree(truth, folder, ignore=shutil.ignore_patterns("results"))
    toml = folder / "campaign.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("sensitivity_db = -176.0", "sensitivity_db = -56.0"))
    assert "Then -176 dB re 1 V/µPa would be written" in reconcile("check", folder).out
    reconcile("levels", folder, "--workers", 1)
    said = "\n".join(tables(folder, "strikes")[1]["warnings"])  # type: ignore[arg-type]
    assert "station NEAR: its median level of one second is" in said
    assert "check the chain of system stages" in said
    assert "station FAR: its median" not in said
