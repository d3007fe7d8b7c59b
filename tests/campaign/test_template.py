"""The campaign to fill in passes the check once recordings are put in."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from reconcile.campaign import new_campaign, read_campaign, summary_lines
from reconcile.campaign.schema import PARTS
from reconcile.campaign.template import CAMPAIGN_TOML
from reconcile.vocabulary.errors import InputError, MachineError

CONTRACT_KEYS = {key for part in PARTS.values() for key in part.model_fields}


def test_passes_the_check_with_a_recording(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "campaign"
    written = new_campaign(folder)
    assert {path.relative_to(folder).as_posix() for path in written} == {
        "campaign.toml",
        "piles.csv",
        "blows.csv",
        "predictions.csv",
        "predicted_ranges.csv",
        "recordings/README.txt",
    }
    with pytest.raises(InputError, match="no recording that matches") as caught:
        read_campaign(folder)
    assert len(caught.value.faults) == 1
    (folder / "recordings/S750").mkdir()
    recording = folder / "recordings/S750/S750_20250501T075500.000000Z.wav"
    soundfile.write(recording, np.zeros(480), 48_000, subtype="PCM_16")
    campaign, log = read_campaign(folder)
    assert campaign.notes == ()
    assert log is not None
    assert recording.name in (folder / "recordings/README.txt").read_text()
    assert summary_lines(campaign)[2] == "Stations: 1 (S750 1 file)"


def test_optional_lines_are_right_too(tmp_path: Path) -> None:
    """Every commented key may be taken into use, but for alternatives and what this version refuses."""
    new_campaign(tmp_path)
    text = re.sub(r"^# (\[\[|[a-z_0-9]+ = )", r"\1", CAMPAIGN_TOML, flags=re.MULTILINE)
    text = re.sub(r"^(time_utc|step_utc|sensitivity_curve|criteria_file) = .*$", "", text, flags=re.MULTILINE)
    tomllib.loads(text)
    (tmp_path / "campaign.toml").write_text(text)
    (tmp_path / "recordings/S750").mkdir()
    (tmp_path / "recordings/S750/S750_20250501T075500.000000Z.wav").write_text("not opened")
    (tmp_path / "recordings/checks").mkdir()
    (tmp_path / "recordings/checks/H1_before.wav").write_text("not opened")
    assert len(read_campaign(tmp_path)[0].systems) == 2


def test_every_key_is_explained() -> None:
    missing = [key for key in CONTRACT_KEYS if not re.search(rf"\b{key}\b", CAMPAIGN_TOML)]
    assert missing == []


def test_an_empty_folder_is_filled(tmp_path: Path) -> None:
    assert len(new_campaign(tmp_path)) == 6


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "piles.csv").write_text("mine")
    with pytest.raises(InputError, match="a folder that is not empty"):
        new_campaign(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["piles.csv"]
    with pytest.raises(InputError, match="not a folder"):
        new_campaign(tmp_path / "piles.csv")


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(MachineError, match="file"):
        new_campaign(tmp_path / "file" / "campaign")
