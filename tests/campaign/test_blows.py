"""The hammer log: values, order, counts, and that a long one is read quickly."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from reconcile.campaign import read_campaign
from reconcile.campaign.blows import HammerLog, read_blows
from reconcile.campaign.faults import Findings

Change = Callable[[str, str, str], None]


def read(folder: Path) -> tuple[HammerLog, tuple[str, ...]]:
    campaign, log = read_campaign(folder)
    assert log is not None
    return log, campaign.notes


def test_values(folder: Path) -> None:
    log, _ = read(folder)
    assert log.pile_id.tolist() == ["P1", "P1", "P1"]
    assert log.blow_number.tolist() == [1, 2, 3]
    assert log.time_utc.dtype == np.dtype("datetime64[us]")
    assert log.time_utc.astype(np.int64).tolist() == [
        1_746_086_405_000_000,  # 2025-05-01T08:00:05Z by `date -d ... +%s`
        1_746_086_407_250_000,
        1_746_086_409_000_000,
    ]
    np.testing.assert_array_equal(log.energy_kj, [450.0, np.nan, 470.0])
    np.testing.assert_array_equal(log.penetration_m, [2.1, 2.2, np.nan])


def test_blows_out_of_order_are_sorted_within_their_pile_and_noted(folder: Path, change: Change) -> None:
    header = "pile_id,blow_number,time_utc,energy_kj,penetration_m\n"
    rows = [
        "P2,1,2025-05-02T08:00:00Z,1,",
        "P1,2,2025-05-01T08:00:02Z,20,",
        "P2,2,2025-05-02T08:00:01Z,2,",
        "P1,1,2025-05-01T08:00:01Z,10,",
        "P1,3,2025-05-01T08:00:03.123456789Z,30,",
    ]
    (folder / "blows.csv").write_text(header + "\n".join(rows))
    log, notes = read(folder)
    assert log.pile_id.tolist() == ["P2", "P2", "P1", "P1", "P1"]
    assert log.energy_kj.tolist() == [1, 2, 10, 20, 30]
    assert str(log.time_utc[-1]) == "2025-05-01T08:00:03.123456"
    assert notes == ("blows.csv: the blows of pile P1 are not in order of time; they were sorted",)
    assert log.of_pile("P1").blow_number.tolist() == [1, 2, 3]
    assert len(log.of_pile("P9")) == 0


def test_numbers_against_time_are_noted(folder: Path, change: Change) -> None:
    change("blows.csv", "P1,1,", "P1,7,")
    _, notes = read(folder)
    assert notes == ("blows.csv: the blow numbers of pile P1 do not rise with time",)


def test_a_header_alone_is_an_empty_log(folder: Path) -> None:
    (folder / "blows.csv").write_text("pile_id,blow_number,time_utc,energy_kj,penetration_m\n")
    campaign, log = read_campaign(folder)
    assert log is not None
    assert len(log) == 0
    assert campaign.n_logged == {"P1": 0, "P2": 0}


def test_a_hundred_thousand_blows(tmp_path: Path) -> None:
    n = 100_000
    times = np.datetime64("2025-05-01T00:00:00.000000") + np.arange(n) * 1_500_000
    rows = "".join(f"P{i // 2000},{i % 2000},{times[i]}Z,{i / 100},\n" for i in range(n))
    (tmp_path / "blows.csv").write_text("pile_id,blow_number,time_utc,energy_kj,penetration_m\n" + rows)
    findings = Findings()
    log = read_blows(tmp_path / "blows.csv", [f"P{i}" for i in range(50)], findings)
    assert not findings.faults
    assert log is not None
    np.testing.assert_array_equal(log.time_utc, times)
