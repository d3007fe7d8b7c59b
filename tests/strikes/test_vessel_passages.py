"""Vessel passages: marked where the campaign states them, and left out of the ambient sound."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from reconcile.strikes.ambient import is_ambient
from reconcile.strikes.vessel_passages import in_passage, with_vessel_passages
from reconcile.vocabulary.documents.campaign import VesselPassage
from reconcile.vocabulary.tables import FLAGS, Stage
from tests.strikes.campaigns import START, campaign, epoch_s


def after(seconds: int) -> datetime:
    return START + timedelta(seconds=seconds)


PASSED = campaign().model_copy(
    update={
        "vessel_passages": (
            VesselPassage(station_id="NEAR", from_utc=after(10), to_utc=after(20)),
            VesselPassage(from_utc=after(100), to_utc=after(110)),
        )
    }
)


def test_intervals_that_a_passage_touches_at_its_station() -> None:
    start = (epoch_s(START) * 1e6 + 1e6 * np.array([8, 9, 10, 19, 20, 105])).astype(np.int64)
    station = np.array(["NEAR"] * 6, dtype=object)
    second = in_passage(PASSED, station, start, start + 1_000_000)
    assert second.tolist() == [False, False, True, True, False, True]
    elsewhere = in_passage(PASSED, np.array(["FAR"] * 6, dtype=object), start, start + 1_000_000)
    assert elsewhere.tolist() == [False] * 5 + [True]
    assert in_passage(PASSED, station[:1], start[:1], start[:1] + 60_000_000).all()


def test_strikes_are_marked_and_stay() -> None:
    times = pd.Timestamp(START) + pd.to_timedelta([5.0, 15.0, 104.0], unit="s")
    strikes = pd.DataFrame({"station_id": "NEAR", "time_utc": times, "flags": [["spike"], ["spike"], []]})
    found = with_vessel_passages(strikes, PASSED)
    assert found["flags"].tolist() == [["spike"], ["spike", "vessel_passage"], ["vessel_passage"]]
    assert with_vessel_passages(strikes, campaign()) is strikes
    assert FLAGS["vessel_passage"].excluded_from == {Stage.AMBIENT}


def test_what_is_no_ambient_sound() -> None:
    rows = pd.DataFrame({"flags": [[], ["vessel_passage"], ["zeros_second"], ["clipped_second"]]})
    assert is_ambient(rows).tolist() == [True, False, False, True]
