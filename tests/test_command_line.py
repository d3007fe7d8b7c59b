"""The command line: exit statuses, messages, escaping, faults of the program, an interruption."""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from reconcile.running import pipeline
from tests.command_line import Command
from tests.small_campaign import SmallCampaign, write_small_campaign


@pytest.fixture
def small(tmp_path: Path) -> SmallCampaign:
    return write_small_campaign(tmp_path / "campaign", files=1, predictions=True)


def test_new_and_check(reconcile: Command, tmp_path: Path) -> None:
    made = reconcile("new", tmp_path / "mine")
    assert made.status == 0
    assert str(tmp_path / "mine" / "campaign.toml") in made.out
    again = reconcile("new", tmp_path / "mine")
    assert again.status == 3
    assert "not empty" in again.err
    empty = reconcile("check", tmp_path / "mine")
    assert empty.status == 3  # no recordings yet
    assert "no recording that matches" in empty.err


def test_check_of_what_is_right(reconcile: Command, small: SmallCampaign) -> None:
    ended = reconcile("check", small.folder)
    assert (ended.status, ended.err) == (0, "")
    assert "Recordings: 4 usable, 0.02 h of sound" in ended.out
    assert not (small.folder / "results").exists()


def test_run_and_each_stage_from_what_is_on_disk(reconcile: Command, small: SmallCampaign, tmp_path: Path) -> None:
    results = tmp_path / "results"
    whole = reconcile("run", small.folder, "--out", results, "--workers", 1)
    assert (whole.status, whole.err) == (0, "")
    made = {"strikes.parquet", "fit.json", "comparison.parquet", "bias.json", "correction.json", "report.html"}
    assert made <= {p.name for p in results.iterdir()}
    before = {p.name: p.read_bytes() for p in results.iterdir() if p.is_file() and p.suffix in (".parquet", ".json")}
    shutil.rmtree(small.folder)  # later stages need the results alone
    for command in ("fit", "compare", "record", "report"):
        ended = reconcile(command, results)
        assert (ended.status, ended.err) == (0, "")
    after = {name: (results / name).read_bytes() for name in before}
    del before["manifest.json"], after["manifest.json"]
    assert after == before


def test_results_are_in_the_campaign_unless_told(reconcile: Command, small: SmallCampaign) -> None:
    ended = reconcile("levels", small.folder, "--workers", 1, "--no-hash", "--pile", "P1")
    assert (ended.status, ended.err) == (0, "")
    assert (small.folder / "results" / "strikes.parquet").exists()


@pytest.mark.parametrize(
    "words",
    [
        ["runn", "x"],
        ["check"],
        ["check", "a", "b"],
        ["run", "x", "--unknown"],
        ["run", "x", "--workers", "0"],
        ["run", "x", "--workers", "many"],
        ["fit"],
        ["fit", "results", "--levels", "t.csv"],
        ["fit", "--levels", "t.csv"],
        ["fit", "results", "--reference-range", "-5"],
        [],
    ],
    ids=" ".join,
)
def test_wrong_usage_is_2(reconcile: Command, words: list[str]) -> None:
    ended = reconcile(*words)
    assert ended.status == 2
    assert "Usage: " in ended.err


def test_wrong_input_is_3_with_every_fault_in_order(reconcile: Command, small: SmallCampaign) -> None:
    toml = small.folder / "campaign.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("sensitivity_db = -176.0", "senstivity_db = -176.0"), encoding="utf-8")
    lines = (small.folder / "blows.csv").read_text(encoding="utf-8").splitlines()
    for number in (9, 3):
        lines[number - 1] = lines[number - 1].replace("Z,", ",")  # a time without a zone
    (small.folder / "blows.csv").write_text("\n".join(lines), encoding="utf-8")
    for command in ("check", "levels", "run"):
        ended = reconcile(command, small.folder)
        assert ended.status == 3
        assert ended.out == ""
        assert "did you mean 'sensitivity_db'?" in ended.err
        assert "blows.csv, line 3" in ended.err
        assert ended.err.index("blows.csv, line 3") < ended.err.index("blows.csv, line 9")
        assert not (small.folder / "results").exists()


def test_a_folder_that_is_not_there_is_3(reconcile: Command, tmp_path: Path) -> None:
    for command in ("check", "run", "levels", "fit", "compare", "report"):
        ended = reconcile(command, tmp_path / "nowhere")
        assert ended.status == 3, command
        assert "nowhere" in ended.err


def test_some_unusable_recordings_are_4_and_named(reconcile: Command, small: SmallCampaign) -> None:
    bad = small.recordings()[0]
    bad.write_text("no sound", encoding="utf-8")
    for words in (["check", small.folder], ["levels", small.folder, "--workers", 1]):
        ended = reconcile(*words)
        assert ended.status == 4
        assert f"{bad.relative_to(small.folder).as_posix()}: not a recording" in ended.err


def test_no_usable_recording_is_3_and_all_are_named(reconcile: Command, small: SmallCampaign) -> None:
    for path in small.recordings():
        path.write_text("no sound", encoding="utf-8")
    for command in ("check", "levels", "run"):
        ended = reconcile(command, small.folder)
        assert ended.status == 3
        for path in small.recordings():
            assert f"{path.relative_to(small.folder).as_posix()}: found not a recording" in ended.err


@pytest.mark.skipif(os.name == "nt", reason="no such names there")
def test_names_are_escaped_where_they_are_printed(reconcile: Command, small: SmallCampaign) -> None:
    evil = small.recordings()[0].with_name("NEAR_\x1b[31mred\rhidden.wav")
    evil.write_text("no sound", encoding="utf-8")
    ended = reconcile("check", small.folder)
    assert ended.status == 4
    assert "NEAR_?[31mred?hidden.wav" in ended.err
    for path in small.recordings():
        path.write_text("no sound", encoding="utf-8")
    alone = reconcile("check", small.folder)
    assert alone.status == 3
    assert "NEAR_?[31mred?hidden.wav" in alone.err
    assert not {"\x1b", "\r"} & set(ended.err + alone.err + ended.out + alone.out)


def test_a_results_folder_that_cannot_be_written_is_1_with_its_path(
    reconcile: Command, small: SmallCampaign, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    ended = reconcile("levels", small.folder, "--out", tmp_path / "file" / "results", "--workers", 1)
    assert ended.status == 1
    assert ended.err.startswith(f"The machine refused: {tmp_path / 'file' / 'results'}")
    assert len(ended.err.splitlines()) == 1


def test_a_fault_of_the_program_is_1_and_asks_to_be_reported(
    reconcile: Command, small: SmallCampaign, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("something\x1b odd")

    monkeypatch.setattr(pipeline, "check", broken)
    monkeypatch.delenv("RECONCILE_TRACEBACK", raising=False)
    ended = reconcile("check", small.folder)
    assert ended.status == 1
    assert "A fault of the program: ZeroDivisionError: something? odd" in ended.err
    assert "report" in ended.err
    assert "Traceback" not in ended.err
    monkeypatch.setenv("RECONCILE_TRACEBACK", "1")
    assert "in broken" in reconcile("check", small.folder).err


def test_an_error_of_the_machine_that_nobody_expected_names_its_path(
    reconcile: Command, small: SmallCampaign, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device", "/disk/file")

    monkeypatch.setattr(pipeline, "check", full)
    ended = reconcile("check", small.folder)
    assert (ended.status, ended.err) == (1, "The machine refused: /disk/file: No space left on device\n")


def test_interrupted_is_130_with_a_word(
    reconcile: Command, small: SmallCampaign, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(pipeline, "check", stop)
    ended = reconcile("check", small.folder)
    assert ended.status == 130
    assert "Interrupted" in ended.err


def test_a_table_of_levels_alone(reconcile: Command, tmp_path: Path) -> None:
    lines = ["range_m,level_db"] + [f"{r},{200 - 15 * k * 0.30103:.4f}" for k, r in enumerate((500, 1000, 2000, 4000))]
    (tmp_path / "levels.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    ended = reconcile("fit", "--levels", tmp_path / "levels.csv", "--out", tmp_path / "fitted")
    assert ended.status == 0
    assert (tmp_path / "fitted" / "fit.json").exists()


def test_a_robust_fit_is_hardly_moved_by_a_row_far_off(reconcile: Command, tmp_path: Path) -> None:
    """Twelve rows on a line of 15 dB per decade but for 0.1 dB, one of them 12 dB too high."""
    levels = [200.0 - 15.0 * math.log10(500.0 * 1.3**k / 500.0) + 0.1 * (-1) ** k for k in range(12)]
    levels[9] += 12.0
    rows = [f"{500.0 * 1.3**k:.1f},{level:.4f}" for k, level in enumerate(levels)]
    (tmp_path / "levels.csv").write_text("\n".join(["range_m,level_db", *rows]) + "\n", encoding="utf-8")
    slopes, flags = [], []
    for name, options in (("plain", ()), ("robust", ("--robust",))):
        ended = reconcile("fit", "--levels", tmp_path / "levels.csv", "--out", tmp_path / name, *options)
        assert ended.status == 0
        document = json.loads((tmp_path / name / "fit.json").read_text(encoding="utf-8"))
        assert document["robust"] == bool(options)
        fit = next(f for f in document["fits"] if f["model"] == "spreading")
        slopes.append(fit["coefficients"]["spreading_coefficient_db_per_decade"]["value"])
        flags.append("student_residual" in fit["flags"])
    assert flags == [False, True]
    assert abs(slopes[1] - 15.0) < 0.3 * abs(slopes[0] - 15.0)


def test_as_a_module_in_a_process_of_its_own(small: SmallCampaign) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "reconcile", "check", str(small.folder)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "Small campaign" in done.stdout


@pytest.mark.parametrize("command", ["run", "levels"])
def test_results_go_to_no_url(
    command: str, reconcile: Command, small: SmallCampaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = reconcile(command, small.folder, "--out", "s3://bucket/results")
    assert ended.status == 2
    assert "results are written to a disk" in ended.err
    assert [path.name for path in tmp_path.iterdir()] == ["campaign"]
