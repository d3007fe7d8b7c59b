"""The page's table of continuous sound."""

from __future__ import annotations

from dataclasses import replace

from reconcile.report import page
from reconcile.report.tables.continuous import activity_table, activity_weightings
from reconcile.strikes.continuous import continuous_rows
from tests.report.small_evidence import whole


def test_percentiles_of_each_activity() -> None:
    base = whole()
    seconds = base.background.assign(activity_id=None, level_db=base.background["level_db"] + 7.77)
    table = continuous_rows(seconds, seconds.iloc[:0], ())
    shown = replace(base, continuous=table)
    assert activity_weightings(shown) == ("none",)
    (body,) = activity_table(shown, "none").bodies
    assert body.title == "V1"
    assert {row[0] for row in body.rows} == {"S1", "S2"}
    assert "139.2" in body.rows[0][-3]  # 131 to 131.4 dB in steps of 0.1, and 7.77 dB
    assert "Longer intervals are energy means" in page(shown)


def test_nothing_without_continuous_work() -> None:
    assert activity_weightings(whole()) == ()
    assert "Longer intervals are energy means" not in page(whole())
