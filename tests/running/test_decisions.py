"""Decisions in the levels stage: statistics change exactly as decided, and only the windows touched are read again."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.running.levels_stage import levels
from tests.decided_campaign import KNOCK_PA, SECOND_PA, Decidable, exposure_level_db, write_decidable
from tests.running.counting import DecodedFrames
from tests.small_campaign import RATE_HZ

PREROLL_AND_BLOCK_S = 45.0  # what one window may read: its sixteen seconds, what fills filters and floor, look-ahead


@pytest.fixture(scope="module")
def undecided(tmp_path_factory: pytest.TempPathFactory) -> Decidable:
    made = write_decidable(tmp_path_factory.mktemp("decided") / "campaign")
    levels(made.folder, made.folder / "results", workers=1)
    return made


@pytest.fixture
def campaign(undecided: Decidable, tmp_path: Path) -> Decidable:
    """The campaign with results, to decide about."""
    folder = tmp_path / "campaign"
    shutil.copytree(undecided.folder, folder, copy_function=shutil.copy2)  # parts are keyed by modification times
    return Decidable(folder, undecided.knock_s, undecided.ruled_s, undecided.second_s, undecided.strikes_s)


def tables(campaign: Decidable) -> dict[str, pd.DataFrame]:
    names = ("strikes", "summary", "exposure", "rejected", "background", "blow_counts")
    return {name: pd.read_parquet(campaign.folder / "results" / f"{name}.parquet") for name in names}


def run(campaign: Decidable) -> tuple[list[str], dict[str, str], dict[str, pd.DataFrame]]:
    done = levels(campaign.folder, campaign.folder / "results", workers=1)
    return done.lines, done.unusable, tables(campaign)


def near(table: pd.DataFrame) -> pd.DataFrame:
    return table[(table["station_id"] == "NEAR") & (table["pile_id"] == "P1")]


def at(found: dict[str, pd.DataFrame], campaign: Decidable, seconds: float) -> pd.Series:
    rows = near(found["strikes"])
    apart = (rows["time_utc"] - pd.Timestamp(campaign.utc(seconds))).abs()
    assert apart.min() < pd.Timedelta(milliseconds=50)
    return rows.loc[apart.idxmin()]


EXCLUDING = {"rejected_by_decision", "excluded_by_decision", "unusable_stretch"}


def assert_statistics_are_those_of_the_rows(found: dict[str, pd.DataFrame]) -> None:
    """Summary and exposure at NEAR, P1, again from the rows of strikes by plain arithmetic."""
    rows = near(found["strikes"])
    used = rows[rows["flags"].map(lambda flags: not EXCLUDING & set(flags))]
    summary = near(found["summary"])
    summary = summary[(summary["quantity"] == "exposure_level") & (summary["weighting"] == "none")]
    row = summary[summary["band_hz"].isna()].iloc[0]
    level = used["exposure_level_db"].to_numpy()
    assert set(used["exposure_censoring"]) == {"none"}
    assert row["n_strikes"] == len(level)
    assert row["mean_db"] == pytest.approx(level.mean(), abs=1e-9)
    assert row["median_db"] == pytest.approx(np.median(level), abs=1e-9)
    assert row["energy_mean_db"] == pytest.approx(10 * np.log10(np.mean(10 ** (level / 10))), abs=1e-9)
    assert row["maximum_db"] == pytest.approx(level.max(), abs=1e-9)
    summed = rows[rows["flags"].map(lambda f: not {"rejected_by_decision", "unusable_stretch"} & set(f))]
    exposure = near(found["exposure"])
    total = exposure[(exposure["weighting"] == "none") & (exposure["period"] == "pile")].iloc[0]
    expected = 10 * np.log10(np.sum(10 ** (summed["exposure_level_db"].to_numpy() / 10)))
    assert total["measured_db"] == pytest.approx(expected, abs=1e-9)
    assert total["n_strikes"] == len(summed)


def decisions_of(campaign: Decidable) -> list[dict[str, object]]:
    manifest = json.loads((campaign.folder / "results" / "manifest.json").read_text(encoding="utf-8"))
    return list(manifest["decisions"])


def others_unchanged(before: pd.DataFrame, after: pd.DataFrame, but: list[str]) -> None:
    """All rows are there, and what is not decided about is the same in every column."""
    kept = [table[~table["strike_id"].isin(but)].reset_index(drop=True) for table in (before, after)]
    pd.testing.assert_frame_equal(*kept)


def test_a_rejected_knock_keeps_its_row_and_counts_nowhere(
    campaign: Decidable, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tables(campaign)
    campaign.decide(("reject", campaign.knock_s))
    decoded = DecodedFrames(monkeypatch)
    lines, unusable, after = run(campaign)
    assert decoded.taken() == 0
    assert not unusable
    knock = at(after, campaign, campaign.knock_s)
    assert "rejected_by_decision" in knock["flags"]
    assert knock["exposure_level_db"] == pytest.approx(exposure_level_db(KNOCK_PA), abs=0.1)
    assert_statistics_are_those_of_the_rows(after)
    others_unchanged(before["strikes"], after["strikes"], [knock["strike_id"]])
    # its limit at the station that did not hear it rests on nothing any more
    silent = after["strikes"][
        (after["strikes"]["strike_id"] == knock["strike_id"]) & (after["strikes"]["station_id"] == "FAR")
    ]
    assert all("rejected_by_decision" in flags for flags in silent["flags"])
    counts = near(after["blow_counts"]).iloc[0]
    assert counts["n_heard"] == near(before["blow_counts"]).iloc[0]["n_heard"] - 1
    assert any(line.strip().startswith("reject: 1") for line in lines)
    entry = decisions_of(campaign)[0]
    assert (entry["who"], entry["reason"], entry["applied"], entry["n_strikes"]) == ("A. Person", "because 0", True, 1)


def test_an_added_strike_has_the_true_level_and_only_its_window_is_read(
    campaign: Decidable, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tables(campaign)
    campaign.decide(("add", campaign.second_s))
    decoded = DecodedFrames(monkeypatch)
    _, unusable, after = run(campaign)
    first = decoded.taken()
    assert 0 < first <= PREROLL_AND_BLOCK_S * RATE_HZ
    assert not unusable
    added = at(after, campaign, campaign.second_s)
    assert {"added_by_decision", "not_in_log"} <= set(added["flags"])
    assert "second_look" not in added["flags"]
    assert added["pile_id"] == "P1"
    assert added["exposure_level_db"] == pytest.approx(exposure_level_db(SECOND_PA), abs=0.1)
    assert len(near(after["strikes"])) == len(near(before["strikes"])) + 1
    assert_statistics_are_those_of_the_rows(after)
    run(campaign)
    assert decoded.taken() == 0
    campaign.decide(("add", campaign.second_s), ("reject", campaign.knock_s), ("accept", campaign.ruled_s))
    run(campaign)
    assert decoded.taken() == 0  # neither of the new lines touches a window


def test_a_second_addition_reads_its_own_window_only(campaign: Decidable, monkeypatch: pytest.MonkeyPatch) -> None:
    campaign.decide(("add", campaign.second_s))
    run(campaign)
    campaign.decide(("add", campaign.second_s), ("add", campaign.strikes_s[15] + 0.8))
    decoded = DecodedFrames(monkeypatch)
    run(campaign)
    assert 0 < decoded.taken() <= PREROLL_AND_BLOCK_S * RATE_HZ


def test_accept_overrules_a_rule(campaign: Decidable) -> None:
    before = tables(campaign)
    assert len(before["rejected"]) == 1
    campaign.decide(("accept", campaign.ruled_s))
    _, _, after = run(campaign)
    assert after["rejected"].empty
    assert "accepted_by_decision" in at(after, campaign, campaign.ruled_s)["flags"]
    assert_statistics_are_those_of_the_rows(after)
    campaign.decide(("accept", campaign.ruled_s), ("reject", campaign.ruled_s))
    _, unusable, again = run(campaign)
    assert not unusable
    pd.testing.assert_frame_equal(again["rejected"], before["rejected"])
    pd.testing.assert_frame_equal(again["strikes"], before["strikes"])


def test_a_moved_strike_is_measured_there_and_keeps_its_blow(campaign: Decidable) -> None:
    before = tables(campaign)
    old = at(before, campaign, campaign.strikes_s[6])
    campaign.decide(("move", campaign.strikes_s[6], campaign.strikes_s[6] - 0.002))
    _, unusable, after = run(campaign)
    assert not unusable
    moved = at(after, campaign, campaign.strikes_s[6])
    assert "moved_by_decision" in moved["flags"]
    assert moved["blow_number"] == old["blow_number"]
    assert moved["start_sample"] != old["start_sample"]
    assert moved["exposure_level_db"] == pytest.approx(old["exposure_level_db"], abs=0.05)
    assert len(after["strikes"]) == len(before["strikes"])
    assert_statistics_are_those_of_the_rows(after)


def test_exclusion_and_unusable_stretches(campaign: Decidable) -> None:
    before = tables(campaign)
    from_s, to_s = campaign.strikes_s[8] - 0.5, campaign.strikes_s[9] + 0.4
    campaign.decide(
        ("exclude_from_statistics", campaign.strikes_s[2]), ("unusable_from", from_s), ("unusable_to", to_s)
    )
    _, unusable, after = run(campaign)
    assert not unusable
    assert "excluded_by_decision" in at(after, campaign, campaign.strikes_s[2])["flags"]
    flagged = near(after["strikes"])["flags"].map(lambda flags: "unusable_stretch" in flags)
    assert int(flagged.sum()) == 2
    assert_statistics_are_those_of_the_rows(after)
    background = after["background"]
    start = (background["start_utc"] - pd.Timestamp(campaign.utc(0.0))).dt.total_seconds()
    overlaps = (background["station_id"] == "NEAR") & (start < to_s) & (start + background["duration_s"] > from_s)
    marked = background["flags"].map(lambda flags: "unusable_second" in flags)
    pd.testing.assert_series_equal(marked, overlaps, check_names=False)
    total = near(after["exposure"])
    total = total[(total["weighting"] == "none") & (total["period"] == "pile")].iloc[0]
    n_logged = len(campaign.strikes_s)
    assert total["recorded_fraction"] == pytest.approx((n_logged - 2) / n_logged)
    hidden = 10 * np.log10(1 + 2 / total["n_strikes"])  # two blows as loud as the mean of the others
    assert total["completed_db"] == pytest.approx(total["measured_db"] + hidden, abs=1e-9)
    others_unchanged(
        before["strikes"][before["strikes"]["station_id"] == "FAR"],
        after["strikes"][after["strikes"]["station_id"] == "FAR"],
        [],
    )


def test_undone_and_unused_lines(campaign: Decidable) -> None:
    before = tables(campaign)
    campaign.decide(
        ("reject", campaign.knock_s),
        ("undo", campaign.knock_s),
        ("reject", campaign.strikes_s[0] + 0.9),
        ("undo", campaign.strikes_s[1]),
        ("unusable_to", campaign.strikes_s[3]),
        ("add", 3600.0),
        ("note", campaign.strikes_s[0] + 0.9),
    )
    lines, unusable, after = run(campaign)
    pd.testing.assert_frame_equal(after["strikes"], before["strikes"])
    pd.testing.assert_frame_equal(after["summary"], before["summary"])
    assert sorted(unusable) == [f"decisions.csv, line {n}" for n in (4, 5, 6, 7)]
    assert "no strike within 50 ms" in unusable["decisions.csv, line 4"]
    assert any("undone or overruled by a later line: 1" in line for line in lines)


def test_decisions_far_from_the_piles_asked_for_are_left_aside(campaign: Decidable) -> None:
    campaign.decide(("reject", campaign.knock_s))
    done = levels(campaign.folder, campaign.folder / "other", workers=1, piles=["P2"])
    assert not done.unusable
