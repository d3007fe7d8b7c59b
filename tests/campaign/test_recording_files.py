"""Which files a station's glob means."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from reconcile.campaign import read_campaign, recording_files

Change = Callable[[str, str, str], None]


def test_sorted_and_below_the_root(folder: Path) -> None:
    campaign, _ = read_campaign(folder)
    first, second = recording_files(campaign, "S750", folder)
    assert first == folder / "recordings/S750/S750_20250501T075500.000000Z.wav"
    assert second.name == "S750_20250501T085500.000000Z.wav"
    assert recording_files(campaign, campaign.station("S750"), folder) == (first, second)


def test_folders_and_hidden_files_are_no_recordings(folder: Path) -> None:
    (folder / "recordings/S750/folder.wav").mkdir()
    (folder / "recordings/S750/._S750_20250501T075500.000000Z.wav").write_text("left by a file manager")
    campaign, _ = read_campaign(folder)
    assert len(recording_files(campaign, "S750", folder)) == 2


def test_folders_below_folders(folder: Path, change: Change) -> None:
    (folder / "recordings/S1500/day2").mkdir()
    (folder / "recordings/S1500/day2/b.wav").write_text("not opened")
    change("campaign.toml", "recordings/S1500/*.wav", "./recordings/S1500/**/*.wav")
    campaign, _ = read_campaign(folder)
    names = [path.relative_to(folder).as_posix() for path in recording_files(campaign, "S1500", folder)]
    assert names == ["recordings/S1500/a.wav", "recordings/S1500/day2/b.wav"]


def test_a_link_set_after_reading_is_not_followed_out_of_the_root(folder: Path, tmp_path: Path) -> None:
    campaign, _ = read_campaign(folder)
    (tmp_path / "outside.wav").write_text("secret")
    (folder / "recordings/S1500/z.wav").symlink_to(tmp_path / "outside.wav")
    assert [path.name for path in recording_files(campaign, "S1500", folder)] == ["a.wav"]


def test_a_link_inside_the_root_is_followed(folder: Path) -> None:
    (folder / "stored.wav").write_text("not opened")
    (folder / "recordings/S1500/z.wav").symlink_to(folder / "stored.wav")
    campaign, _ = read_campaign(folder)
    assert [path.name for path in recording_files(campaign, "S1500", folder)] == ["a.wav", "z.wav"]
