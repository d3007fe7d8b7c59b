"""Verifying: every altered byte is found, what is missing or unhashed is named, and a second run says what differs."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from reconcile.audit.verify import verify
from reconcile.running import pipeline
from reconcile.vocabulary.errors import ResultsError
from tests.small_campaign import SmallCampaign


def files_of(results: Path) -> list[Path]:
    return sorted(p for p in results.rglob("*") if p.is_file() and "parts" not in p.relative_to(results).parts)


def flip(path: Path, at: int) -> None:
    """Alter one bit of one byte."""
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(bytes(content))


def resealed(results: Path, change: dict[str, object]) -> None:
    """Rewrite the manifest as a forger would: with all digests right again. By json and hashlib, nothing else."""
    manifest = json.loads((results / "manifest.json").read_text(encoding="utf-8")) | change
    named = [p.relative_to(results).as_posix() for p in files_of(results) if p.name != "manifest.json"]
    manifest["outputs"] = {name: hashlib.sha256((results / name).read_bytes()).hexdigest() for name in named}
    manifest["digest"] = None
    text = json.dumps(manifest, indent=1, ensure_ascii=False) + "\n"
    digest = hashlib.sha256(text.encode()).hexdigest()
    text = text.replace('"digest": null', f'"digest": "{digest}"')
    (results / "manifest.json").write_text(text, encoding="utf-8")


def test_all_agrees_and_the_folder_may_move(copied: Path) -> None:
    report = verify(copied)
    assert (report.differs, report.lines[0]) == (False, "All agrees")
    n = len(files_of(copied)) - 1  # the manifest does not list itself
    assert f"{n} of {n} outputs agree with the manifest" in report.lines
    assert any("inputs were not checked" in line for line in report.lines)


def test_one_altered_byte_of_any_file_is_found_and_named(copied: Path) -> None:
    found = files_of(copied)
    assert {"strikes.parquet", "fit.json", "report.html", "results.xlsx", "manifest.json"} <= {p.name for p in found}
    for path in found:
        kept = path.read_bytes()
        for at in (0, len(kept) // 3, len(kept) // 2, len(kept) - 2):
            flip(path, at)
            report = verify(copied)
            name = path.relative_to(copied).as_posix()
            assert report.differs, (name, at)
            assert any(name in line and ("altered" in line or "incomplete" in line) for line in report.lines), (
                name,
                at,
            )
            path.write_bytes(kept)
    assert not verify(copied).differs


def test_missing_and_unlisted_outputs_are_named(copied: Path) -> None:
    (copied / "bias.json").unlink()
    (copied / "limits.parquet").write_bytes(b"PAR1")
    (copied / "my_notes.txt").write_text("mine", encoding="utf-8")
    report = verify(copied)
    assert report.n_differences == 2
    assert "output bias.json: missing" in report.lines
    assert "output limits.parquet: not in the manifest" in report.lines
    assert any("my_notes.txt is no output of a run" in line for line in report.lines)


def test_an_incomplete_manifest_is_said(copied: Path) -> None:
    resealed(copied, {"complete": False})
    report = verify(copied)
    assert report.differs
    assert any("manifest.json: incomplete" in line for line in report.lines)


def test_no_manifest_is_wrong_input(copied: Path, tmp_path: Path) -> None:
    (copied / "manifest.json").unlink()
    with pytest.raises(ResultsError, match="no such file"):
        verify(copied)
    with pytest.raises(ResultsError, match="nowhere"):
        verify(tmp_path / "nowhere")
    with pytest.raises(ResultsError, match="elsewhere"):
        verify(tmp_path / "nowhere", str(tmp_path / "elsewhere"))


def test_recomputed_to_the_bit_and_cleaned_up(small: SmallCampaign, copied: Path) -> None:
    before = sorted(p.name for p in copied.parent.iterdir())
    kept = {p: p.read_bytes() for p in files_of(copied)}
    report = verify(copied, str(small.folder), workers=1)
    assert report.lines[0] == "All agrees", report.lines
    n = len(kept) - 1
    assert f"{n} of {n} outputs are the same to the bit when recomputed" in report.lines
    n_inputs = len(json.loads((copied / "manifest.json").read_bytes())["inputs"])
    assert f"{n_inputs} of {n_inputs} inputs agree with the manifest" in report.lines
    assert sorted(p.name for p in copied.parent.iterdir()) == before
    assert {p: p.read_bytes() for p in files_of(copied)} == kept


def test_a_forged_level_is_found_by_the_second_run_in_decibels(small: SmallCampaign, copied_first_stage: Path) -> None:
    path = copied_first_stage / "strikes.parquet"
    schema = pq.read_schema(path)
    table = pq.read_table(path).to_pandas()
    table.loc[3, "exposure_level_db"] -= 0.5  # the second run reads half a decibel more
    pq.write_table(pq.ParquetFile(path).schema_arrow.empty_table().from_pandas(table, schema), path)
    resealed(copied_first_stage, {})
    assert not verify(copied_first_stage).differs  # hashes cannot tell
    report = verify(copied_first_stage, str(small.folder), workers=1)
    at = report.lines.index("recomputed strikes.parquet: differs")
    assert report.lines[at + 1].strip() == "exposure_level_db: 1 rows differ, by +0.5000 dB at most"
    assert report.n_differences == 1


def test_changed_missing_and_new_inputs(small: SmallCampaign, copied_first_stage: Path, tmp_path: Path) -> None:
    campaign = tmp_path / "campaign"
    shutil.copytree(small.folder, campaign)
    wav, other = sorted(campaign.rglob("*.wav"))[:2]
    flip(wav, 1000)
    other.unlink()
    (campaign / "extra.csv").write_text("a,b\n", encoding="utf-8")
    report = verify(copied_first_stage, str(campaign), workers=1)
    name, gone = (p.relative_to(campaign).as_posix() for p in (wav, other))
    assert f"input {name}: changed since the run (SHA-256 differs)" in report.lines
    assert f"input {gone}: missing" in report.lines
    assert "input extra.csv: was not there at the time of the run" in report.lines
    assert any(line.startswith("recomputed strikes.parquet: differs") for line in report.lines)


def test_inputs_beside_the_results_are_checked_without_being_asked(small: SmallCampaign, tmp_path: Path) -> None:
    campaign = tmp_path / "campaign"
    shutil.copytree(small.folder, campaign)
    pipeline.levels(campaign, campaign / "results", piles=["P2"], workers=1, hashed=False)
    report = verify(campaign / "results")
    assert not report.differs
    assert sum("not hashed by the run" in line for line in report.lines) > 3
    again = verify(campaign / "results", str(campaign), workers=1)  # of the one pile alone
    assert not again.differs, again.lines
    assert pd.read_parquet(campaign / "results" / "strikes.parquet")["pile_id"].dropna().eq("P2").all()


def test_recordings_that_lie_apart(small: SmallCampaign, copied_first_stage: Path, tmp_path: Path) -> None:
    campaign, apart = tmp_path / "campaign", tmp_path / "disk"
    shutil.copytree(small.folder, campaign)
    (campaign / "recordings").rename(tmp_path / "recordings")
    apart.mkdir()
    (tmp_path / "recordings").rename(apart / "recordings")
    report = verify(copied_first_stage, str(apart), campaign, workers=1)
    assert report.lines[0] == "All agrees", report.lines
    alone = verify(copied_first_stage, str(apart), workers=1)
    assert any("Nothing could be recomputed" in line for line in alone.lines)


def test_a_campaign_that_is_wrong_by_now(small: SmallCampaign, copied_first_stage: Path, tmp_path: Path) -> None:
    campaign = tmp_path / "campaign"
    shutil.copytree(small.folder, campaign)
    (campaign / "piles.csv").write_text("pile_id\n", encoding="utf-8")
    report = verify(copied_first_stage, str(campaign), workers=1)
    assert any(line.startswith("recomputed: not possible: piles.csv") for line in report.lines)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["campaign", "results"]
