"""deployments.csv and tracks.csv: what is read, what is refused and in what words, and what held when."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from reconcile.campaign import read_campaign, summary_lines
from reconcile.campaign.station_periods import listeners, moorings, station_periods
from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.errors import Fault, InputError

Faults = Callable[[], tuple[Fault, ...]]
Change = Callable[[str, str, str], None]
HEADER = (
    "station_id,mooring_id,system_id,channel,gain_db,latitude_deg,longitude_deg,position_uncertainty_m,"
    "hydrophone_depth_m,water_depth_m,from_utc,to_utc,clock_offset_s,clock_drift_ppm\n"
)
TRACK_HEADER = "station_id,time_utc,latitude_deg,longitude_deg,hydrophone_depth_m,standard_uncertainty_m\n"
MAY_1, MAY_2, MAY_3 = (f"2025-05-0{day}T00:00:00Z" for day in (1, 2, 3))


def deploy(folder: Path, *rows: str) -> None:
    (folder / "deployments.csv").write_text(HEADER + "\n".join(rows) + "\n", encoding="utf-8")


def track(folder: Path, *rows: str) -> None:
    (folder / "tracks.csv").write_text(TRACK_HEADER + "\n".join(rows) + "\n", encoding="utf-8")


def us(text: str) -> int:
    return epoch_us(datetime.fromisoformat(text))


@pytest.mark.parametrize(
    ("row", "column", "part"),
    [
        (f"S75,,,,,,,,,,{MAY_1},,,", "station_id", "did you mean 'S750'"),
        (f"S750,,H3,,,,,,,,{MAY_1},,,", "system_id", "the id of a system in campaign.toml"),
        (f"S750,,,0,,,,,,,{MAY_1},,,", "channel", "at least 1"),
        (f"S750,,,1.5,,,,,,,{MAY_1},,,", "channel", "a whole number"),
        (f"S750,,,,high,,,,,,{MAY_1},,,", "gain_db", "a finite number"),
        (f"S1500,,,,8,,,,,,{MAY_1},,,", "gain_db", "'H2', which is stated end to end and has no gain to replace"),
        (f"S750,,H2,,8,,,,,,{MAY_1},,,", "gain_db", "'H2', which is stated end to end and has no gain to replace"),
        (f"S750,,,,,91,6,,,,{MAY_1},,,", "latitude_deg", "at most 90"),
        (f"S750,,,,,54,,,,,{MAY_1},,,", "latitude_deg and longitude_deg", "only one of the two"),
        (f"S750,,,,,,,-1,,,{MAY_1},,,", "position_uncertainty_m", "at least 0"),
        (f"S750,,,,,,,,,0,{MAY_1},,,", "water_depth_m", "above 0"),
        (f"S750,a/b,,,,,,,,,{MAY_1},,,", "mooring_id", "path separators"),
        ("S750,,,,,,,,,,,,,", "from_utc", "an empty cell"),
        ("S750,,,,,,,,,,2025-05-01T00:00:00,,,", "from_utc", "the zone is missing"),
        (f"S750,,,,,,,,,,{MAY_1},2025-05-02T00:00:00+02:00,,", "to_utc", "convert it to UTC"),
        (f"S750,,,,,,,,,,{MAY_2},{MAY_1},,", "to_utc", "after from_utc"),
        (f"S750,,,,,,,,,,{MAY_2},{MAY_2},,", "to_utc", "after from_utc"),
    ],
)
def test_refusals_of_a_row(folder: Path, faults: Faults, row: str, column: str, part: str) -> None:
    deploy(folder, row)
    said = [(f.where, str(f)) for f in faults() if f.file == "deployments.csv"]
    assert [where for where, _ in said] == [f"line 2, column {column}"]
    assert part in said[0][1]


def test_all_faults_are_said_at_once(folder: Path, faults: Faults) -> None:
    deploy(folder, f"S75,,H3,0,,,,,,,{MAY_1},,,", f"S1500,,,,8,,,,,,{MAY_1},{MAY_3},,", f"S1500,,,,,,,,,,{MAY_2},,,")
    track(folder, f"S9,{MAY_1},54,6,,", f"S750,{MAY_1},54,,,", f"S750,{MAY_1},54,6,,", f"S1500,{MAY_1},54,6,,")
    assert {(f.file, f.where) for f in faults()} == {
        ("deployments.csv", "line 2, column station_id"),
        ("deployments.csv", "line 2, column system_id"),
        ("deployments.csv", "line 2, column channel"),
        ("deployments.csv", "line 3, column gain_db"),
        ("deployments.csv", "line 4, column from_utc"),
        ("tracks.csv", "line 2, column station_id"),
        ("tracks.csv", "line 2"),
        ("tracks.csv", "line 3, column longitude_deg"),
        ("tracks.csv", "line 4, column station_id and time_utc"),
        ("tracks.csv", "line 5"),
    }


def test_periods_that_overlap_are_refused_by_name(folder: Path, faults: Faults) -> None:
    deploy(folder, f"S750,,,,,,,,,,{MAY_1},,,", f"S750,,,,,,,,,,{MAY_3},,,", f"S1500,,,,,,,,,,{MAY_2},,,")
    assert [str(f) for f in faults()] == [
        "deployments.csv, line 3, column from_utc: found a period of 'S750' that overlaps the one on line 2; "
        "needed: periods that follow each other"
    ]


def test_a_column_that_is_missing(folder: Path, faults: Faults) -> None:
    (folder / "deployments.csv").write_text(HEADER.replace("gain_db", "gain_bd"), encoding="utf-8")
    assert "'gain_bd' meant" in str(faults()[0])


def test_filled_cells_replace_the_stations_values_between_the_times(folder: Path) -> None:
    deploy(folder, f"S750,,,3,8,,,,12.5,,{MAY_2},{MAY_3},0.4,", f"S750,,H2,,,,,,,30,{MAY_3},,,")
    campaign, _ = read_campaign(folder)
    own, second, third = station_periods(campaign, "S750")
    assert (own.system.gain_db, own.channel, own.hydrophone_depth_m, own.deployed) == (20.0, 1, 18.0, False)
    assert (second.start_us, second.end_us) == (us("2025-05-02T00:00:00+00:00"), us("2025-05-03T00:00:00+00:00"))
    assert (second.system.id, second.system.gain_db, second.channel, second.hydrophone_depth_m) == ("H1", 8.0, 3, 12.5)
    assert (second.clock_offset_s, second.clock_restarts, second.mooring_id) == (0.4, True, "S750")
    assert (third.system.id, third.channel, third.water_depth_m, third.clock_restarts) == ("H2", 1, 30.0, False)
    assert third.latitude_deg == 54.101
    assert own.end_us == second.start_us
    assert second.end_us == third.start_us
    assert "Deployments: 2 periods at 1 station" in summary_lines(campaign)


def test_after_a_deployment_the_stations_own_values_hold_again(folder: Path) -> None:
    deploy(folder, f"S750,,,,8,,,,,,{MAY_2},{MAY_3},,")
    gains = [p.system.gain_db for p in station_periods(read_campaign(folder)[0], "S750")]
    assert gains == [20.0, 8.0, 20.0]


def test_a_mooring_laid_elsewhere_is_a_new_place(folder: Path) -> None:
    """54.101, 6.502 is the station's own place; 0.0005 degrees of latitude are 56 m, 0.01 are 1.1 km."""
    hours = [f"2025-05-02T0{hour}:00:00Z" for hour in range(7)]
    places = ["54.1015,6.502", "54.111,6.502", "54.121,6.502", "54.1112,6.502", "54.131,6.502", ","]
    rows = [f"S750,,,,,{at},,,,{hours[i]},{hours[i + 1]},," for i, at in enumerate(places)]
    rows[4] = rows[4].replace("S750,,", "S750,EAST,")
    deploy(folder, *rows)
    names = [row.mooring_id for row in read_campaign(folder)[0].deployments]
    assert names == ["S750", "S750@2", "S750@3", "S750@2", "EAST", "S750"]


def test_places_and_listeners(folder: Path, change: Change) -> None:
    change("campaign.toml", 'id = "S1500"', 'id = "S1500"\nmooring_id = "S750"\nhydrophone_depth_m = 18.0')
    deploy(folder, f"S1500,FAR,,,,,,,,,{MAY_2},{MAY_3},,", f"S1500,,,,,,,,5,,{MAY_3},,,")
    campaign, _ = read_campaign(folder)
    days = np.array([us(f"2025-05-0{day}T12:00:00+00:00") for day in (1, 2, 3)])
    stations = np.array(["S1500"] * 3, dtype=object)
    assert moorings(campaign, stations, days).tolist() == ["S750", "FAR", "S750"]
    assert listeners(campaign, stations, days).tolist() == ["S750", "S1500", "S1500"]  # elsewhere; at another depth
    assert listeners(campaign, np.array(["S750"] * 3, dtype=object), days).tolist() == ["S750"] * 3


def test_one_channel_in_turn_for_two_stations(folder: Path, change: Change) -> None:
    change(
        "campaign.toml", 'channel = 2\nrecordings = "recordings/S1500/*.wav"', 'recordings = "recordings/S750/*.wav"'
    )
    deploy(folder, f"S750,,,,,,,,,,{MAY_1},{MAY_2},,", f"S1500,,,,,,,,,,{MAY_2},,,")
    assert all(station.deployed_only for station in read_campaign(folder)[0].stations)
    deploy(folder, f"S750,,,,,,,,,,{MAY_1},{MAY_3},,", f"S1500,,,,,,,,,,{MAY_2},,,")
    with pytest.raises(InputError, match=r"and 1 more, claimed by stations\[0\]\.recordings too"):
        read_campaign(folder)
    deploy(folder, f"S1500,,,,,,,,,,{MAY_2},,,")  # the other one claims it at all times
    with pytest.raises(InputError, match=r"parted in time by deployments\.csv"):
        read_campaign(folder)


def test_two_stations_that_change_channels(folder: Path, change: Change) -> None:
    change("campaign.toml", "recordings/S1500/*.wav", "recordings/S750/*.wav")
    deploy(folder, f"S750,,,2,,,,,,,{MAY_2},{MAY_3},,", f"S1500,,,1,,,,,,,{MAY_2},{MAY_3},,")
    assert not any(station.deployed_only for station in read_campaign(folder)[0].stations)
    deploy(folder, f"S750,,,2,,,,,,,{MAY_2},{MAY_3},,")
    with pytest.raises(InputError, match="channel 2 of"):
        read_campaign(folder)


def test_tracks_are_read_in_order_of_time(folder: Path) -> None:
    track(folder, f"S750,{MAY_2},54.2,6.5,10,5", f"S750,{MAY_1},54.1,6.5,,")
    campaign, _ = read_campaign(folder)
    assert [p.time_utc for p in campaign.tracks] == [datetime(2025, 5, day, tzinfo=UTC) for day in (1, 2)]
    assert "Tracks: 2 points of 1 station" in summary_lines(campaign)
    found = next(r for r in campaign.ranges if (r.pile_id, r.station_id) == ("P1", "S750"))
    assert found.source == "tracks.csv"
    assert any("station S750: its distance in the middle of P2 is not known" in note for note in campaign.notes)


def test_a_station_without_a_position_may_have_them_by_deployment(folder: Path, change: Change) -> None:
    change("campaign.toml", "latitude_deg = 54.101\nlongitude_deg = 6.502\n", "")
    with pytest.raises(InputError, match="no distance between pile and station"):
        read_campaign(folder)
    deploy(folder, f"S750,,,,,54.101,6.502,,,,{MAY_1},{MAY_2},,")
    campaign, _ = read_campaign(folder)
    assert campaign.deployments[0].mooring_id == "S750"  # its first place is its own
    assert campaign.range_m("P1", "S750") is not None
    assert campaign.range_m("P2", "S750") is None


def test_start_times(folder: Path, change: Change, faults: Faults) -> None:
    change("campaign.toml", 'time_pattern = "S750_%Y%m%dT%H%M%S.%fZ"', 'start_times = "start_times.csv"')
    assert [(f.where, f.needed) for f in faults()] == [("stations[0].start_times", "a CSV file in the campaign folder")]
    path = folder / "start_times.csv"
    path.write_text("recording,start_utc\na.wav,2025-05-01T07:55:00\nb.wav,\n/c.wav,2025-05-01T07:55:00Z\n")
    assert {(f.file, f.where) for f in faults()} == {
        ("start_times.csv", f"line {line}, column {column}")
        for line, column in ((2, "start_utc"), (3, "start_utc"), (4, "recording"))
    }
    path.write_text(f"recording,start_utc\nrecordings/S750/a.wav,{MAY_1}\n")
    campaign, _ = read_campaign(folder)
    assert campaign.start_times == {"start_times.csv": {"recordings/S750/a.wav": datetime(2025, 5, 1, tzinfo=UTC)}}
    assert campaign.notes == ()
