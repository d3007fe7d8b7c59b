"""Flags of decisions on rows of strikes and background."""

from __future__ import annotations

import pandas as pd
import pytest

from reconcile.strikes.decided import Resolved, resolve
from reconcile.strikes.decided_rows import flagged_background, flagged_strikes, in_exposures, usable_seconds
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.tables.flags import FLAGS, NOT_STRIKES, Stage
from tests.strikes.campaigns import campaign
from tests.strikes.test_decided import START, lines


def twins() -> Campaign:
    """NEAR and FAR are two channels at one place and depth."""
    given = campaign()
    places = {"mooring_id": "M", "hydrophone_depth_m": 12.0}
    return given.model_copy(update={"stations": tuple(s.model_copy(update=places) for s in given.stations)})


def rows(*given: tuple[str, str, float, list[str]], blow: int | None = 1) -> pd.DataFrame:
    """Of strike, station, seconds, flags."""
    return pd.DataFrame(
        {
            "strike_id": [row[0] for row in given],
            "station_id": [row[1] for row in given],
            "time_utc": [pd.Timestamp(START) + pd.Timedelta(seconds=row[2]) for row in given],
            "blow_number": pd.array([blow] * len(given), dtype="Int32"),
            "exposure_censoring": "none",
            "signal_to_noise_db": 30.0,
            "flags": [row[3] for row in given],
        }
    )


def decided(strikes: pd.DataFrame, found: Resolved, given: Campaign | None = None) -> list[list[str]]:
    return [list(own) for own in flagged_strikes(strikes, found, given or campaign())["flags"]]


def resolved(strikes: pd.DataFrame, *given: tuple[str, float], station: str = "NEAR") -> Resolved:
    time_us = [int(t.value // 1000) for t in strikes["time_utc"]]
    places = pd.DataFrame({"station_id": strikes["station_id"], "time_us": time_us, "heard": True})
    return resolve(lines(*given, station=station), places)


@pytest.mark.parametrize("action", ["reject", "exclude_from_statistics"])
def test_the_twin_takes_the_place_of_what_is_decided_out(action: str) -> None:
    strikes = rows(("P1-00001", "NEAR", 1.0, []), ("P1-00001", "FAR", 1.0, ["other_channel_used"]))
    found = decided(strikes, resolved(strikes, (action, 1.0)), twins())
    assert found[1] == []
    kept = decided(strikes, resolved(strikes, (action, 1.0), station="FAR"), twins())
    assert kept[0] == []
    assert "other_channel_used" in kept[1]


def test_limits_of_a_strike_that_is_none() -> None:
    strikes = rows(("P1-u00001", "NEAR", 1.0, []), ("P1-u00001", "FAR", 2.0, ["not_heard"]), blow=None)
    assert "rejected_by_decision" in decided(strikes, resolved(strikes, ("reject", 1.0)))[1]
    logged = rows(("P1-00001", "NEAR", 1.0, []), ("P1-00001", "FAR", 2.0, ["not_heard"]))
    assert decided(logged, resolved(logged, ("reject", 1.0)))[1] == ["not_heard"]


def test_accept_takes_back_a_view_and_no_fact() -> None:
    strikes = rows(("P1-00001", "NEAR", 1.0, ["cable_knock", "clipped"]))
    assert decided(strikes, resolved(strikes, ("accept", 1.0))) == [["accepted_by_decision", "clipped"]]


def test_what_each_flag_takes_a_row_out_of() -> None:
    everything = frozenset(Stage) - {Stage(name) for name in ("ambient",) if name in set(Stage)}
    for name in ("rejected_by_decision", "excluded_by_decision", "unusable_stretch"):
        assert everything <= FLAGS[name].excluded_from
    for name in ("accepted_by_decision", "added_by_decision", "moved_by_decision"):
        assert FLAGS[name].excluded_from == frozenset()
    assert "rejected_by_decision" in NOT_STRIKES
    strikes = rows(
        ("1", "NEAR", 1.0, ["rejected_by_decision"]),
        ("2", "NEAR", 2.0, ["excluded_by_decision"]),
        ("3", "NEAR", 3.0, ["unusable_stretch"]),
        ("4", "NEAR", 4.0, []),
    )
    assert in_exposures(strikes)["strike_id"].tolist() == ["2", "4"]


def test_seconds_that_overlap_a_stretch() -> None:
    starts = [pd.Timestamp(START) + pd.Timedelta(seconds=s) for s in (0, 1, 2, 3, 0)]
    background = pd.DataFrame(
        {"station_id": "NEAR", "start_utc": starts, "duration_s": [1.0, 1, 1, 1, 60], "flags": [[], [], [], [], ["x"]]}
    )
    found = resolve(
        lines(("unusable_from", 1.5), ("unusable_to", 3.0), station="NEAR"),
        pd.DataFrame({"station_id": [], "time_us": [], "heard": []}),
    )
    marked = flagged_background(background, found)
    assert [list(own) for own in marked["flags"]] == [
        [],
        ["unusable_second"],
        ["unusable_second"],
        [],
        ["unusable_second", "x"],
    ]
    assert len(usable_seconds(marked)) == 2
    assert [found.entries[n].n_seconds for n in (2, 3)] == [2, 2]
