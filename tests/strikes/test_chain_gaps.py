"""Two chains at one pile that no distance explains."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from reconcile.strikes.chain_gaps import gaps_between_chains


def _summary(levels: dict[str, tuple[float, float]], pile: str = "P1") -> pd.DataFrame:
    """Range and median level of each station."""
    return pd.DataFrame(
        {
            "pile_id": pile, "station_id": station, "installation_method": "impact", "abatement": "none",
            "quantity": "exposure_level", "weighting": "none", "band_hz": math.nan, "range_m": range_m,
            "median_db": level,
        }
        for station, (range_m, level) in levels.items()
    )  # fmt: skip


@pytest.mark.parametrize("far_db", [155.0, 150.0, 143.0])  # 22 to 34 dB less at twelve times the distance: it happens
def test_what_distance_explains_is_no_doubt(far_db: float) -> None:
    assert gaps_between_chains(_summary({"NEAR": (500.0, 177.0), "FAR": (6000.0, far_db)})) == []


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_forty_decibels_of_gain_are_doubted_on_either_side(sign: float) -> None:
    levels = {"NEAR": (500.0, 175.0), "MID": (1500.0, 168.0), "FAR": (6000.0, 155.0)}
    wrong = levels | {"MID": (1500.0, 168.0 + sign * 40.0)}
    found = gaps_between_chains(pd.concat([_summary(wrong), _summary(wrong, "P2")]))
    assert len(found) == 2  # each pair once, with either neighbour
    assert all("MID" in words for words in found)
    louder = "station MID heard" if sign > 0 else "than station MID"
    assert all(louder in words for words in found)


def test_a_level_or_distance_that_is_not_known_says_nothing() -> None:
    assert gaps_between_chains(_summary({"NEAR": (500.0, 177.0), "FAR": (math.nan, 90.0)})) == []
    assert gaps_between_chains(_summary({"NEAR": (500.0, 177.0), "FAR": (600.0, math.nan)})) == []
