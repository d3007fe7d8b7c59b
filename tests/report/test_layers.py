"""Map layers: circles of the right size, turned the right way, names as they are given, nothing without a position."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

from reconcile.report import Evidence
from reconcile.report.layers import LAYERS, layers
from reconcile.vocabulary.documents.fit import ThresholdRange
from tests.report.small_evidence import whole

PLACE = [6.5, 54.1]
EVIL = "</script><img src=x onerror='alert(1)'>=CMD"


def placed(names: dict[str, str] | None = None) -> Evidence:
    """The evidence, all piles and stations at one place, with two measured distances."""
    evidence = whole(names)
    there = {"longitude_deg": PLACE[0], "latitude_deg": PLACE[1]}
    campaign = evidence.campaign.model_copy(
        update={
            "piles": tuple(p.model_copy(update=there) for p in evidence.campaign.piles),
            "stations": tuple(s.model_copy(update=there) for s in evidence.campaign.stations),
        }
    )
    assert evidence.fit is not None
    distances = tuple(
        ThresholdRange(threshold_db=level, range_m=range_m, interval_m=(range_m / 2, None), extrapolated=False)
        for level, range_m in ((170.0, 1476.5), (150.0, 22_000.0))
    )
    fit = evidence.fit.fits[0].model_copy(update={"threshold_ranges": distances})
    return replace(evidence, campaign=campaign, fit=evidence.fit.model_copy(update={"fits": (fit,)}))


def features(texts: dict[str, str], name: str) -> list[dict[str, Any]]:
    read = json.loads(texts[name])
    assert read["type"] == "FeatureCollection"
    found: list[dict[str, Any]] = read["features"]
    return found


def metres_apart(one: list[float], other: list[float]) -> float:
    """By the radii of curvature of WGS 84 at the mean latitude, as of a plane triangle (good to 0.1 % here)."""
    middle = math.radians((one[1] + other[1]) / 2)
    w = 1 - 0.00669437999014 * math.sin(middle) ** 2
    north = math.radians(other[1] - one[1]) * 6378137.0 * (1 - 0.00669437999014) / w**1.5
    east = math.radians(other[0] - one[0]) * 6378137.0 * math.cos(middle) / math.sqrt(w)
    return math.hypot(north, east)


def test_stations_and_piles_where_they_are() -> None:
    evidence = placed()
    texts = layers(evidence.campaign, evidence.fit, evidence.bias)
    assert tuple(texts) == LAYERS
    piles = {f["properties"]["pile_id"]: f for f in features(texts, "piles.geojson")}
    assert len(piles) == len(evidence.campaign.piles)
    for pile in evidence.campaign.piles:
        assert piles[pile.pile_id]["geometry"] == {"type": "Point", "coordinates": PLACE}
        assert piles[pile.pile_id]["properties"]["foundation_type"] == pile.foundation_type
    stations = features(texts, "stations.geojson")
    assert {f["properties"]["station_id"] for f in stations} == {s.id for s in evidence.campaign.stations}


def test_circles_have_their_radius_and_run_counter_clockwise() -> None:
    evidence = placed()
    texts = layers(evidence.campaign, evidence.fit, evidence.bias)
    circles = features(texts, "threshold_circles.geojson")
    found = sorted((f["properties"]["pile_id"], f["properties"]["kind"], f["properties"]["range_m"]) for f in circles)
    assert found == sorted(  # V1 was vibrated: neither the fit nor the prediction is its own
        (pile, kind, range_m)
        for pile in ("P1", "P2")
        for kind, range_m in (("measured", 1476.5), ("measured", 22e3), ("predicted", 2551.0), ("predicted", 9000.0))
    )
    for circle in circles:
        (ring,) = circle["geometry"]["coordinates"]
        assert ring[0] == ring[-1]
        radii = [metres_apart(PLACE, corner) for corner in ring]
        wanted = circle["properties"]["range_m"]
        assert max(abs(r / wanted - 1) for r in radii) < 2e-3
        twice_area = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring))
        assert twice_area > 0


def test_names_are_inert_and_whole() -> None:
    evidence = placed()
    pile = evidence.campaign.piles[0].model_copy(update={"pile_id": EVIL, "abatement": EVIL})
    campaign = evidence.campaign.model_copy(update={"piles": (pile,)})
    texts = layers(campaign, evidence.fit, evidence.bias)
    assert all(not set("<>&") & set(text) for text in texts.values())
    (found,) = features(texts, "piles.geojson")
    assert (found["properties"]["pile_id"], found["properties"]["abatement"]) == (EVIL, EVIL)


def test_without_positions_the_layers_are_empty() -> None:
    evidence = whole()
    nowhere = {"latitude_deg": None, "longitude_deg": None}
    campaign = evidence.campaign.model_copy(
        update={
            "piles": tuple(p.model_copy(update=nowhere) for p in evidence.campaign.piles),
            "stations": tuple(s.model_copy(update=nowhere) for s in evidence.campaign.stations),
        }
    )
    texts = layers(campaign, None, None)
    assert all(features(texts, name) == [] for name in LAYERS)
    assert layers(campaign, None, None) == texts
