"""The three commands as they are called: exit statuses, printed lines, names that cannot steer a terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from tests.command_line import Command
from tests.small_campaign import SmallCampaign


def test_verify(reconcile: Command, copied: Path) -> None:
    status, out, err = reconcile("verify", copied)
    assert (status, err) == (0, "")
    assert out.startswith("All agrees\n")
    (copied / "fit.json").write_bytes((copied / "fit.json").read_bytes() + b" ")
    status, out, _ = reconcile("verify", copied)
    assert status == 5
    assert "output fit.json: altered" in out
    assert reconcile("verify", copied / "nowhere")[0] == 3


def test_difference(reconcile: Command, results: Path, copied: Path) -> None:
    assert reconcile("difference", results, copied)[0] == 0
    manifest = json.loads((copied / "manifest.json").read_text(encoding="utf-8"))
    manifest["versions"]["sci\x1b[31mpy"] = "1"
    (copied / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    status, out, _ = reconcile("difference", results, copied)
    assert status == 5
    assert "\x1b" not in out
    assert "sci?[31mpy: nothing to 1" in out
    assert reconcile("difference", results, copied / "nowhere")[0] == 3


def test_trace(reconcile: Command, small: SmallCampaign, results: Path, tmp_path: Path) -> None:
    strike = min(_strike_ids(results))
    words = ["--recordings", small.folder, "--wav", tmp_path / "s.wav", "--figure", tmp_path / "s.svg"]
    status, out, err = reconcile("trace", results, strike, *words)
    assert (status, err) == (0, "")
    assert out.startswith(f"Strike {strike}: ")
    assert out.count("Samples read again, by a second") == 2
    assert (tmp_path / "s.wav").exists()
    assert (tmp_path / "s.svg").exists()
    status, _, err = reconcile("trace", results, "no-such-strike")
    assert status == 3
    assert "no strike 'no-such-strike'" in err
    assert reconcile("trace", results)[0] == 2


def _strike_ids(results: Path) -> list[str]:
    return [str(name) for name in pd.read_parquet(results / "strikes.parquet")["strike_id"]]
