"""Two runs compared: what changed is told in exact decibels, with its cause, and nothing where nothing did."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from reconcile.audit.difference import difference
from reconcile.vocabulary.errors import ResultsError

ChangedRun = Callable[[str, str, bool], Path]


def headings(lines: list[str]) -> list[str]:
    return [line.removesuffix(":") for line in lines if line.endswith(":") and not line.startswith(" ")]


def test_the_same_run_agrees_wherever_it_lies(results: Path, copied: Path) -> None:
    report = difference(results, copied)
    assert report.lines == ["The two agree: results, settings, inputs, versions"]
    assert not report.differs


def test_a_changed_gain_is_told_in_exact_decibels(results: Path, changed_run: ChangedRun) -> None:
    other = changed_run("gain_db = 20.0", "gain_db = 23.5", True)
    report = difference(results, other)
    assert report.differs
    text = "\n".join(report.lines)
    for pile in ("P1", "P2"):  # a gain 3.5 dB higher: the same sample means 3.5 dB less
        assert f"pile {pile} at NEAR: exposure −3.5000 dB, peak −3.5000 dB, rms −3.5000 dB" in text
    assert "at FAR:" not in text
    assert "stages: the same sample means −3.5000 dB of level" in text
    assert "systems[stages].gain_db: 20 to 23.5 (+3.5000 dB)" in text
    assert "campaign.toml: another content (SHA-256 differs)" in text
    assert ".wav" not in text
    first = headings(report.lines)[:3]
    assert first == [
        "Biases (predicted minus measured)",
        "Levels per pile and station (means)",
        "Why: measuring chains",
    ]
    assert len(report.lines) < 60
    means = [
        pd.DataFrame(json.loads((folder / "bias.json").read_text(encoding="utf-8"))["biases"])["mean_bias_db"][0]
        for folder in (results, other)
    ]
    found = re.search(r"ES1, model 1, median, exposure_level.*mean (\S+) dB", text)
    assert found is not None
    assert float(found[1]) == pytest.approx(means[1] - means[0], abs=1e-4)
    assert float(found[1]) == pytest.approx(1.75, abs=0.02)  # half of the pairs are louder predicted by 3.5 dB


def test_a_changed_setting_is_named(first_stage: Path, changed_run: ChangedRun) -> None:
    other = changed_run("[[systems]]", "[settings]\nequivalence_margin_db = 2.0\n[[systems]]", False)
    text = "\n".join(difference(first_stage, other).lines)
    assert "settings.equivalence_margin_db: 3 to 2 (−1.0000 dB)" in text
    assert "Levels per pile" not in text


def test_versions_counts_and_missing_tables(results: Path, copied: Path) -> None:
    manifest = json.loads((copied / "manifest.json").read_text(encoding="utf-8"))
    manifest["versions"]["scipy"] = "1.0"
    manifest["stages"][0]["counts"]["strikes"] += 7
    (copied / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    (copied / "unpaired.parquet").unlink()
    report = difference(results, copied)
    text = "\n".join(report.lines)
    assert "to 1.0" in text
    assert "(+7.0000)" in text
    assert "unpaired: only in the first" in text
    assert report.n_differences == 3


def test_an_altered_folder_has_no_cause_in_its_settings(results: Path, copied: Path) -> None:
    table = pd.read_parquet(copied / "exposure.parquet")
    table.loc[0, "measured_db"] += 0.25
    table.to_parquet(copied / "exposure.parquet")
    text = "\n".join(difference(results, copied).lines)
    assert "exposure: 1 columns differ; measured_db: 1 rows differ, by +0.2500 dB at most" in text
    assert "a results folder that was altered" in text


def test_an_incomplete_folder_and_none(results: Path, copied: Path, tmp_path: Path) -> None:
    manifest = json.loads((copied / "manifest.json").read_text(encoding="utf-8")) | {"complete": False}
    (copied / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    assert any("is incomplete" in line for line in difference(results, copied).lines)
    shutil.rmtree(copied)
    with pytest.raises(ResultsError, match="no such file"):
        difference(results, copied)
