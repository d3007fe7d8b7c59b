"""The page's table of continuous sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from reconcile.report import page
from reconcile.report.figures.continuous import kurtosis_histories, tone_histories
from reconcile.report.tables.continuous import activity_table, activity_weightings
from reconcile.report.tables.surroundings import kurtosis_table, surroundings_table
from reconcile.strikes.continuous import continuous_rows
from tests.report.small_evidence import whole


def test_percentiles_of_each_activity() -> None:
    base = whole()
    seconds = base.background.assign(activity_id=None, kurtosis=np.nan, level_db=base.background["level_db"] + 7.77)
    table = continuous_rows(seconds, seconds.iloc[:0], ())
    shown = replace(base, continuous=table)
    assert activity_weightings(shown) == ("none",)
    (body,) = activity_table(shown, "none").bodies
    assert body.title == "V1"
    assert {row[0] for row in body.rows} == {"S1", "S2"}
    assert "139.2" in body.rows[0][-3]  # 131 to 131.4 dB in steps of 0.1, and 7.77 dB
    assert "Longer intervals are energy means" in page(shown)


def test_tones_kurtosis_and_surroundings_are_on_the_page_without_a_script() -> None:
    base = whole()
    start = base.background["start_utc"].min()
    tones = pd.DataFrame(
        {
            "station_id": "S1", "pile_id": "V1", "activity_id": None, "harmonic": [1, 2, 3], "start_utc": start,
            "duration_s": 10.0, "frequency_hz": [22.5, 45.0, 67.5], "level_db": [133.25, 130.0, 128.0],
            "censoring": ["none", "at_most", "none"],
        }
    )  # fmt: skip
    minutes = base.background.head(1).assign(duration_s=60.0, kurtosis=4.5)
    around = pd.DataFrame(
        {
            "station_id": "S1", "pile_id": "V1", "activity_id": None, "abatement": "none", "start_utc": start,
            "over": ["ambient_before", "floor_before_strikes", "utc_hour"], "interval_s": [60.0, 0.2, 60.0],
            "weighting": "none", "band_hz": np.nan, "n_intervals": [9, 80, 3], "exceeded_5_db": [101.23, 111.0, 1.0],
            "exceeded_50_db": 100.0, "exceeded_95_db": 99.0, "energy_mean_db": 100.0, "n_kurtosis": [9, 0, 3],
            "kurtosis_median": [3.0, np.nan, 77.7], "kurtosis_exceeded_5": 80.0, "kurtosis_maximum": 81.0,
        }
    )  # fmt: skip
    shown = replace(base, tones=tones, background=pd.concat([base.background, minutes]), continuous=around)
    figure, kurtosis = tone_histories(shown), kurtosis_histories(shown)
    assert figure is not None and [panel.title for panel in figure.panels] == ["V1"]  # noqa: PT018
    assert kurtosis is not None and "Kurtosis of each minute" in kurtosis.panels[0].svg  # noqa: PT018
    (body,) = surroundings_table(shown, "S1").bodies
    assert [row[0] for row in body.rows] == ["Ambient before the work", "Floor before strikes"]
    assert body.rows[0][5] == "101.2"
    (body,) = kurtosis_table(shown, "S1").bodies
    assert body.rows[0][2:4] == ("3", "77.7")
    text = page(shown)
    for said in ("Tonal lines", "Frequency of the lines", "Floor before strikes", "Martin et al. 2020", "from memory"):
        assert said in text


def test_nothing_without_continuous_work() -> None:
    assert activity_weightings(whole()) == ()
    assert "Longer intervals are energy means" not in page(whole())
