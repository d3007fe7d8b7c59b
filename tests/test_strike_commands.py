"""`reconcile strikes`: listing and deciding without a screen, and what a run makes of it."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from tests.command_line import Command
from tests.decided_campaign import Decidable, utc_text, write_decidable


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Decidable:
    return write_decidable(tmp_path_factory.mktemp("commanded") / "campaign")


def test_from_a_list_to_a_report(campaign: Decidable, reconcile: Command) -> None:
    folder = campaign.folder
    early = reconcile("strikes", "list", folder)
    assert early.status == 3
    assert "reconcile levels" in early.err
    assert reconcile("levels", folder, "--workers", 1, "--no-hash").status == 0
    listed = reconcile("strikes", "list", folder, "--doubtful", "--json", "--station", "NEAR")
    assert listed.status == 0
    rows = [json.loads(line) for line in listed.out.splitlines()]
    knock = next(row for row in rows if row["kind"] == "strike")
    assert knock["time_utc"][:19] == "2025-05-01T08:00:38"
    assert {"not_in_log", "one_place_only"} <= set(knock["doubts"])
    assert any(row["kind"] == "rejected" for row in rows)
    as_csv = reconcile("strikes", "list", folder, "--pile", "P2", "--flag", "clipped").out.splitlines()
    assert as_csv == [as_csv[0]]
    assert as_csv[0].startswith("kind,strike_id,pile_id")

    words = ("--station", "NEAR", "--time", knock["time_utc"], "--reason", "an anchor chain", "--who", "AB")
    written = reconcile("strikes", "decide", folder, "reject", *words)
    assert written.status == 0
    assert knock["strike_id"] in written.out
    again = reconcile("run", folder, "--workers", 1, "--no-hash")
    assert again.status == 0
    assert "reject: 1, which changed 1 row of strikes" in again.out
    report = (folder / "results" / "report.html").read_text(encoding="utf-8")
    for text in ("Decisions", "an anchor chain", f"{knock['strike_id']} rejected"):
        assert text in report
    strikes = pd.read_parquet(folder / "results" / "strikes.parquet")
    assert (strikes["strike_id"] == knock["strike_id"]).any()
    assert reconcile("strikes", "list", folder, "--doubtful", "--flag", "not_in_log").out.count("\n") == 1
    assert reconcile("verify", folder / "results", "--recordings", folder, "--workers", 1).status == 0

    undone = reconcile("strikes", "decide", folder, "undo", *words)
    assert undone.status == 0
    lines = (folder / "decisions.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 3

    with (folder / "decisions.csv").open("a", encoding="utf-8") as stream:  # by hand, and meeting nothing
        stream.write(f"2030-01-01T00:00:00Z,AB,NEAR,{utc_text(campaign.utc(1.0))},reject,why,\n")
    last = reconcile("levels", folder, "--workers", 1, "--no-hash")
    assert last.status == 4
    assert "decisions.csv, line 4: reject at NEAR" in last.err


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("rejct", "--station", "NEAR", "--time", "2025-05-01T08:00:38.15Z"), "did you mean 'reject'?"),
        (("reject", "--station", "NEAR", "--time", "2025-05-01T08:00:38.15"), "the zone is missing"),
        (("reject", "--station", "NEA", "--time", "2025-05-01T08:00:38.15Z"), "did you mean 'NEAR'?"),
        (("undo", "--station", "NEAR", "--time", "2025-05-01T08:00:38.15Z"), "no decision at NEAR"),
        (("move", "--station", "NEAR", "--time", "2025-05-01T08:00:38.15Z"), "new_time_utc"),
    ],
)
def test_refusals(tmp_path: Path, reconcile: Command, words: tuple[str, ...], part: str) -> None:
    campaign = write_decidable(tmp_path / "campaign")
    done = reconcile("strikes", "decide", campaign.folder, *words, "--reason", "why", "--who", "AB")
    assert done.status == 3
    assert part in done.err
    assert not (campaign.folder / "decisions.csv").exists()


def test_a_stretch_can_be_marked_before_any_run(tmp_path: Path, reconcile: Command) -> None:
    campaign = write_decidable(tmp_path / "campaign")
    words = ("--station", "NEAR", "--time", utc_text(campaign.utc(10.0)), "--reason", "a ship", "--who", "AB")
    assert reconcile("strikes", "decide", campaign.folder, "unusable_from", *words).status == 0
    assert reconcile("strikes", "decide", campaign.folder, "reject", *words).status == 3


def test_the_page_without_its_extra(tmp_path: Path, reconcile: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reconcile.review_command.LIBRARIES", ("starlette", "no_such_library"))
    done = reconcile("review", tmp_path, "--no-browser")
    assert done.status == 3
    assert "no no_such_library" in done.err
    assert 'pip install "reconcile[review]"' in done.err
