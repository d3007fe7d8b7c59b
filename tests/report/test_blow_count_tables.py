"""Blows logged and heard, rejected pulses and clocks on the page."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pandas as pd

from reconcile.report import Evidence
from reconcile.report.tables.blow_counts import blow_count_table, rejected_table, unclear_logs
from reconcile.report.tables.chain import log_clock_table, station_clock_table
from reconcile.vocabulary.documents.manifest import Clocks, LogClockEntry, RecorderClockEntry
from tests.report import small_evidence

COUNTS = pd.DataFrame(
    {
        "pile_id": ["P1", "P1", "P2"],
        "station_id": [None, "S1", "S2"],
        "n_logged": [60, 60, None],
        "n_recorded": [58, 57, None],
        "n_heard": [55, 54, 41],
        "n_matched": [53, 52, None],
        "n_missed": [5, 5, None],
        "n_extra": [2, 2, None],
        "n_rejected": [3, 1, 0],
    }
)
REJECTED = pd.DataFrame(
    {
        "station_id": ["S1", "S1", "S2"],
        "pile_id": ["P1", "P1", "P1"],
        "reasons": [
            ["too_short", "unlike_spectrum"],
            ["unlike_spectrum", "one_place_only"],
            ["too_short", "off_rhythm"],
        ],
    }
)


def evidence() -> Evidence:
    return replace(small_evidence.levels_only(), blow_counts=COUNTS, rejected=REJECTED)


def test_a_body_for_each_pile_and_a_dash_for_what_is_not_known() -> None:
    table = blow_count_table(evidence())
    assert [body.title for body in table.bodies] == ["P1", "P2"]
    assert table.bodies[0].rows[0] == ("all stations", "60", "58", "55", "53", "5", "2", "3")
    assert table.bodies[0].rows[1] == ("S1", "60", "57", "54", "52", "5", "2", "1")
    assert table.bodies[1].rows[0] == ("S2", "–", "–", "41", "–", "–", "–", "0")


def test_rejected_pulses_by_reason_and_station() -> None:
    rows = {row[0]: row[1:4] for row in rejected_table(evidence()).bodies[0].rows}
    assert rows == {
        "too short": ("1", "1", "2"),
        "unlike spectrum": ("2", "0", "2"),
        "one place only": ("1", "0", "1"),
        "off rhythm": ("0", "1", "1"),
        "pulses rejected": ("2", "1", "3"),
    }
    assert rejected_table(replace(evidence(), rejected=REJECTED[:0])).empty


def test_clocks_with_their_errors() -> None:
    log = LogClockEntry(
        pile_id="P1",
        offset_s=39.8765,
        drift_ppm=28.94,
        residual_sd_s=0.29,
        n_blows=60,
        n_matched=52,
        ambiguous=True,
        offset_standard_error_s=0.2887,
        drift_standard_error_ppm=1.44,
        confidence=0.52,
        resolution_s=1.0,
    )
    recorder = RecorderClockEntry(
        station_id="S1",
        at_utc=datetime(2031, 5, 12, 9, 0, tzinfo=UTC),
        offset_s=-1.23456,
        offset_standard_error_s=0.0021,
        drift_ppm=-4.2,
        drift_standard_error_ppm=0.31,
        residual_sd_s=0.004,
        n_strikes=54,
        n_piles=1,
        ambiguous=False,
    )
    there = evidence()
    clocks = Clocks(hammer_logs=(log,), recorders=(recorder,))
    there = replace(there, manifest=there.manifest.model_copy(update={"clocks": clocks}))
    (row,) = log_clock_table(there).bodies[0].rows
    assert row[:3] == ("P1", "39.88 ± 0.29", "28.9 ± 1.4")
    assert row[6:] == ("52 %", "ambiguous: not used; times in steps of 1 s, rounded or cut")
    (row,) = station_clock_table(there).bodies[0].rows
    assert row[:3] == ("S1", "−1.235 ± 0.002", "−4.20 ± 0.31")
    assert unclear_logs(there) == ("P1",)
