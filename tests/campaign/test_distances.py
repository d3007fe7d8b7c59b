"""Distances at the time of each strike. Expected values: geographiclib's geodesics, called here."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from reconcile.campaign.distances import ranges_m, short_distance_m, strike_ranges_m, usual_ranges
from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.documents.campaign import (
    Campaign,
    Deployment,
    Pile,
    PileStationRange,
    Settings,
    Station,
    System,
    TrackPoint,
)

START = datetime(2025, 5, 1, 8, tzinfo=UTC)
PILE = (54.1, 6.5)


def geodesic(position: tuple[float, float], pile: tuple[float, float] = PILE) -> float:
    return float(Geodesic.WGS84.Inverse(*pile, *position)["s12"])


def times(*minutes: float) -> np.ndarray:
    return np.array([epoch_us(START + timedelta(minutes=m)) for m in minutes], dtype=np.int64)


def campaign(**changes: object) -> Campaign:
    facts: dict[str, object] = {
        "name": "moving",
        "sound_speed_m_s": 1500.0,
        "settings": Settings(),
        "systems": (System(id="H", end_to_end_sensitivity_db=-170.0, standard_uncertainty_db=0.5),),
        "stations": (
            Station(id="S", system="H", latitude_deg=54.11, longitude_deg=6.5, recordings="*.wav", mooring_id="S"),
        ),
        "piles": (
            Pile(
                pile_id="P",
                foundation_type="monopile",
                installation_method="impact",
                latitude_deg=PILE[0],
                longitude_deg=PILE[1],
                abatement="none",
                start_utc=START,
                end_utc=START + timedelta(minutes=60),
            ),
        ),
        "ranges": (PileStationRange(pile_id="P", station_id="S", range_m=geodesic((54.11, 6.5)), source="positions"),),
    }
    return Campaign(**(facts | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("latitude_deg", [0.0, 30.0, -45.0, 54.1, 70.0])
@pytest.mark.parametrize("bearing_deg", [0.0, 37.0, 90.0, 215.0])
@pytest.mark.parametrize("range_m", [100.0, 1500.0, 10_000.0, 50_000.0])
def test_the_mid_latitude_formula_is_within_a_ten_thousandth(
    latitude_deg: float, bearing_deg: float, range_m: float
) -> None:
    for longitude_deg in (6.5, 179.99):
        end = Geodesic.WGS84.Direct(latitude_deg, longitude_deg, bearing_deg, range_m)
        found = short_distance_m(np.array([end["lat2"]]), np.array([end["lon2"]]), latitude_deg, longitude_deg)
        assert found[0] == pytest.approx(range_m, rel=1e-4)


def test_the_position_that_held() -> None:
    rows = (
        Deployment(
            line=2,
            station_id="S",
            mooring_id="S@2",
            latitude_deg=54.13,
            longitude_deg=6.52,
            position_uncertainty_m=7.0,
            from_utc=START + timedelta(minutes=10),
            to_utc=START + timedelta(minutes=20),
        ),
    )
    range_m, uncertainty_m = ranges_m(campaign(deployments=rows), "P", "S", times(9, 10, 19, 20))
    here, there = geodesic((54.11, 6.5)), geodesic((54.13, 6.52))
    np.testing.assert_allclose(range_m, [here, there, there, here], rtol=1e-12)
    np.testing.assert_array_equal(uncertainty_m, [np.nan, 7.0, 7.0, np.nan])


def test_a_track_is_linear_in_time_and_nothing_outside() -> None:
    """Between two fixes on one meridian the distance from a pile on it is linear, too (to 0.01 %)."""
    fixes = ((0, 54.105, None), (10, 54.115, 6.0), (40, 54.115, 12.0))
    points = tuple(
        TrackPoint(
            station_id="S",
            time_utc=START + timedelta(minutes=minute),
            latitude_deg=latitude,
            longitude_deg=6.5,
            standard_uncertainty_m=uncertainty,
        )
        for minute, latitude, uncertainty in fixes
    )
    moving = campaign(tracks=points)
    range_m, uncertainty_m = ranges_m(moving, "P", "S", times(-1, 0, 5, 10, 25, 40, 41))
    near, far = geodesic((54.105, 6.5)), geodesic((54.115, 6.5))
    expected = [np.nan, near, (near + far) / 2, far, far, far, np.nan]
    np.testing.assert_allclose(range_m, expected, rtol=1e-4)
    np.testing.assert_array_equal(uncertainty_m[4:], [9.0, 12.0, np.nan])
    usual = usual_ranges(moving)
    assert [(r.source, r.standard_uncertainty_m) for r in usual] == [("tracks.csv", 10.0)]
    assert usual[0].range_m == pytest.approx(far, rel=1e-4)  # at 08:30


def test_ranges_csv_overrides_all() -> None:
    stated = PileStationRange(
        pile_id="P", station_id="S", range_m=777.0, standard_uncertainty_m=3.0, source="ranges.csv"
    )
    points = tuple(
        TrackPoint(station_id="S", time_utc=START + timedelta(minutes=m), latitude_deg=54.2, longitude_deg=6.5)
        for m in (0, 60)
    )
    fixed = campaign(ranges=(stated,), tracks=points)
    range_m, uncertainty_m = ranges_m(fixed, "P", "S", times(-100, 30))
    assert range_m.tolist() == [777.0, 777.0]
    assert uncertainty_m.tolist() == [3.0, 3.0]
    assert usual_ranges(fixed) == (stated,)


def test_strikes_of_no_pile_have_no_distance() -> None:
    piles, stations = np.array(["P", None], dtype=object), np.array(["S", "S"], dtype=object)
    range_m, _ = strike_ranges_m(campaign(), piles, stations, times(1, 2))
    assert range_m[0] == pytest.approx(geodesic((54.11, 6.5)))
    assert np.isnan(range_m[1])
