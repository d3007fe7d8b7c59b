"""The three commands as they are called: exit statuses, printed lines, names that cannot steer a terminal."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from reconcile import cli
from tests.small_campaign import SmallCampaign

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    def call(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["reconcile", *map(str, words)])
        status = 0
        try:
            cli.main()
        except SystemExit as end:
            status = int(end.code or 0)
        return (status, *capsys.readouterr())

    return call


def test_verify(command: Command, copied: Path) -> None:
    status, out, err = command("verify", copied)
    assert (status, err) == (0, "")
    assert out.startswith("All agrees\n")
    (copied / "fit.json").write_bytes((copied / "fit.json").read_bytes() + b" ")
    status, out, _ = command("verify", copied)
    assert status == 5
    assert "output fit.json: altered" in out
    assert command("verify", copied / "nowhere")[0] == 3


def test_difference(command: Command, results: Path, copied: Path) -> None:
    assert command("difference", results, copied)[0] == 0
    manifest = json.loads((copied / "manifest.json").read_text(encoding="utf-8"))
    manifest["versions"]["sci\x1b[31mpy"] = "1"
    (copied / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    status, out, _ = command("difference", results, copied)
    assert status == 5
    assert "\x1b" not in out
    assert "sci?[31mpy: nothing to 1" in out
    assert command("difference", results, copied / "nowhere")[0] == 3


def test_trace(command: Command, small: SmallCampaign, results: Path, tmp_path: Path) -> None:
    strike = min(_strike_ids(results))
    words = ["--recordings", small.folder, "--wav", tmp_path / "s.wav", "--figure", tmp_path / "s.svg"]
    status, out, err = command("trace", results, strike, *words)
    assert (status, err) == (0, "")
    assert out.startswith(f"Strike {strike}: ")
    assert out.count("Samples read again, by a second") == 2
    assert (tmp_path / "s.wav").exists()
    assert (tmp_path / "s.svg").exists()
    status, _, err = command("trace", results, "no-such-strike")
    assert status == 3
    assert "no strike 'no-such-strike'" in err
    assert command("trace", results)[0] == 2


def _strike_ids(results: Path) -> list[str]:
    return [str(name) for name in pd.read_parquet(results / "strikes.parquet")["strike_id"]]
