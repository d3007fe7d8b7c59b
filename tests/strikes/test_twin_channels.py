"""Which of two channels at one place and depth is used for a strike."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.twin_channels import heard_better_elsewhere
from tests.strikes.campaigns import START, campaign, epoch_s


def elsewhere(
    clipped: list[bool], snr_db: list[float], level_db: list[float], *, depths: tuple[float | None, float | None]
) -> list[bool]:
    """One strike at NEAR and FAR, which are at one mooring here; FAR has the higher gain."""
    given = campaign()
    stations = tuple(
        station.model_copy(update={"mooring_id": "M", "hydrophone_depth_m": depth})
        for station, depth in zip(given.stations, depths, strict=True)
    )
    strikes = pd.DataFrame({"station_id": ["NEAR", "FAR"], "time_us": [round(epoch_s(START) * 1e6)] * 2})
    marks = heard_better_elsewhere(
        strikes,
        ["P1-00001"] * 2,
        np.array(clipped),
        np.array(snr_db),
        np.array(level_db),
        given.model_copy(update={"stations": stations}),
    )
    return [bool(mark) for mark in marks]


@pytest.mark.parametrize(
    ("clipped", "snr_db", "level_db", "expected"),
    [
        ([False, False], [30.0, 40.0], [160.0, 160.0], [True, False]),  # more signal to noise
        ([False, False], [40.0, 30.0], [160.0, 160.0], [False, True]),
        ([False, True], [30.0, 40.0], [160.0, 155.0], [False, True]),  # the one that is not clipped
        ([True, False], [30.0, -1.0], [160.0, 155.0], [True, False]),
        ([True, True], [30.0, 40.0], [160.0, 155.0], [False, True]),  # both clipped: the higher reading, lower gain
        ([False, False], [np.nan, 1.0], [120.0, 120.0], [True, False]),
    ],
)
def test_the_better_channel(
    clipped: list[bool], snr_db: list[float], level_db: list[float], expected: list[bool]
) -> None:
    assert elsewhere(clipped, snr_db, level_db, depths=(12.0, 12.0)) == expected


@pytest.mark.parametrize("depths", [(12.0, 13.0), (None, None), (12.0, None)])
def test_other_depths_of_a_mooring_are_not_twins(depths: tuple[float | None, float | None]) -> None:
    assert elsewhere([True, False], [30.0, 40.0], [160.0, 160.0], depths=depths) == [False, False]
