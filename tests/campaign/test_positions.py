"""Geodesic distances against closed forms and published examples; ranges.csv before positions."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from scipy.special import ellipe

from reconcile.campaign import read_campaign
from reconcile.campaign.positions import geodesic_m

from .conftest import Faults

Change = Callable[[str, str, str], None]
A_M, FLATTENING = 6_378_137.0, 1 / 298.257223563  # WGS 84, defining values


def degrees(d: int, m: int, s: float) -> float:
    return d + m / 60 + s / 3600


def test_along_the_equator_the_geodesic_is_an_arc_of_the_circle() -> None:
    assert geodesic_m(0, 3, 0, 4) == pytest.approx(A_M * math.pi / 180, abs=1e-6)


def test_a_quarter_meridian_is_an_elliptic_integral() -> None:
    eccentricity_squared = FLATTENING * (2 - FLATTENING)
    assert geodesic_m(0, 7, 90, 7) == pytest.approx(A_M * ellipe(eccentricity_squared), abs=1e-5)


def test_published_examples() -> None:
    # Flinders Peak to Buninyong, Geocentric Datum of Australia technical manual (GRS 80, which differs from WGS 84 by
    # 0.1 mm in the minor axis): 54,972.271 m; from memory.
    south, west = -degrees(37, 57, 3.72030), degrees(144, 25, 29.52440)
    length_m = geodesic_m(south, west, -degrees(37, 39, 10.15610), degrees(143, 55, 35.38390))
    assert length_m == pytest.approx(54_972.271, abs=1e-3)
    # Wellington to Salamanca, documentation of GeographicLib (Karney): 19,959,679.267 m; from memory.
    assert geodesic_m(-41.32, 174.81, 40.96, -5.50) == pytest.approx(19_959_679.267, abs=1e-3)


def test_short_distances_agree_with_the_local_radii_of_curvature() -> None:
    """A second route: the plane triangle of north and east on the ellipsoid's radii at the mean latitude."""
    latitude, longitude, north_deg, east_deg = 54.101, 6.502, 0.005, 0.008
    e2, phi = FLATTENING * (2 - FLATTENING), math.radians(latitude + north_deg / 2)
    w = math.sqrt(1 - e2 * math.sin(phi) ** 2)
    north_m = math.radians(north_deg) * A_M * (1 - e2) / w**3
    east_m = math.radians(east_deg) * A_M / w * math.cos(phi)
    length_m = geodesic_m(latitude, longitude, latitude + north_deg, longitude + east_deg)
    assert length_m == pytest.approx(math.hypot(north_m, east_m), abs=1e-3)


def test_distances_of_a_campaign(folder: Path) -> None:
    campaign, _ = read_campaign(folder)
    found = {(r.pile_id, r.station_id): (r.source, r.standard_uncertainty_m) for r in campaign.ranges}
    assert found == {
        ("P1", "S750"): ("positions", None),
        ("P1", "S1500"): ("ranges.csv", 5.0),
        ("P2", "S750"): ("positions", None),
        ("P2", "S1500"): ("ranges.csv", None),
    }
    assert campaign.range_m("P1", "S1500") == 1500.0
    assert campaign.range_m("P1", "S750") == pytest.approx(763.9, abs=0.1)  # 556.6 m north, 523.3 m east


def test_stated_distances_override_positions(folder: Path, change: Change) -> None:
    change("ranges.csv", "P1,S1500,1500,5\n", "P1,S1500,1500,5\nP1,S750,751.5,0.5\n")
    assert read_campaign(folder)[0].range_m("P1", "S750") == 751.5


def test_every_missing_distance_is_named(folder: Path, change: Change, faults: Faults) -> None:
    (folder / "ranges.csv").unlink()
    (fault,) = faults()
    assert "P1 and S1500; P2 and S1500" in fault.found


def test_a_distance_that_hints_at_exchanged_coordinates_is_noted(folder: Path, change: Change) -> None:
    change("piles.csv", "54.106,6.510", "6.510,54.106")
    (note,) = read_campaign(folder)[0].notes
    assert "pile P1 and station S750" in note
    assert "latitude and longitude" in note
