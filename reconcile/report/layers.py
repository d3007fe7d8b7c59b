"""Map layers: stations, piles and circles of distances to a level, as GeoJSON (RFC 7946).

Longitude stands before latitude, both WGS 84. What has no position is not on the map: a layer may be empty.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from math import isfinite
from typing import Any

from geographiclib.geodesic import Geodesic

from reconcile.campaign.station_periods import BEGINNING_US, END_US, station_periods
from reconcile.report.inert import inert_json
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.campaign import Campaign, Pile
from reconcile.vocabulary.documents.fit import FitDocument

STATIONS, PILES, CIRCLES = "stations.geojson", "piles.geojson", "threshold_circles.geojson"
LAYERS = (STATIONS, PILES, CIRCLES)
_CORNERS = 90  # of a circle: the sides lie within 0.06 % of it
Feature = dict[str, Any]


def layers(campaign: Campaign, fit: FitDocument | None, bias: BiasDocument | None) -> dict[str, str]:
    """The three layers by file name."""
    return {
        STATIONS: _collection(station_features(campaign)),
        PILES: _collection(pile_features(campaign)),
        CIRCLES: _collection(circle_features(campaign, fit, bias)),
    }


def station_features(campaign: Campaign) -> Iterator[Feature]:
    """A point for each place at which a station was, a line for each track."""
    for station in campaign.stations:
        for period in station_periods(campaign, station.id):
            if not (isfinite(period.latitude_deg) and isfinite(period.longitude_deg)):
                continue
            known = {
                "station_id": station.id,
                "mooring_id": period.mooring_id,
                "system_id": period.system.id,
                "hydrophone_depth_m": period.hydrophone_depth_m,
                "water_depth_m": period.water_depth_m,
                "from_utc": None if period.start_us == BEGINNING_US else _utc_of(period.start_us),
                "to_utc": None if period.end_us == END_US else _utc_of(period.end_us),
            }
            yield _feature("Point", [period.longitude_deg, period.latitude_deg], known)
        track = [[p.longitude_deg, p.latitude_deg] for p in campaign.tracks if p.station_id == station.id]
        if len(track) > 1:
            yield _feature("LineString", track, {"station_id": station.id, "mooring_id": station.mooring_id})


def pile_features(campaign: Campaign) -> Iterator[Feature]:
    """A point for each pile, with all that is known of it."""
    for pile in campaign.piles:
        if pile.latitude_deg is not None and pile.longitude_deg is not None:
            known = pile.model_dump(mode="json", exclude={"latitude_deg", "longitude_deg"})
            yield _feature("Point", [pile.longitude_deg, pile.latitude_deg], known)


def circle_features(campaign: Campaign, fit: FitDocument | None, bias: BiasDocument | None) -> Iterator[Feature]:
    """A circle about each pile for each distance to a level: measured (by the selected fits), and predicted."""
    placed = [pile for pile in campaign.piles if pile.latitude_deg is not None and pile.longitude_deg is not None]
    for pile in placed:
        for found in _measured(pile, fit):
            yield _circle(pile, found)
        for found in _predicted(pile, bias):
            yield _circle(pile, found)


def _measured(pile: Pile, fit: FitDocument | None) -> Iterator[dict[str, Any]]:
    for entry in fit.fits if fit else ():
        if entry.selected and _is_of(pile, entry.installation_method, entry.foundation_type, entry.abatement):
            for threshold in entry.threshold_ranges:
                yield {
                    "kind": "measured",
                    "quantity": threshold.quantity or entry.quantity,
                    "weighting": entry.weighting,
                    "band_hz": entry.band_hz,
                    "threshold_db": threshold.threshold_db,
                    "range_m": threshold.range_m,
                    "interval_95_low_m": threshold.interval_m[0],
                    "interval_95_high_m": threshold.interval_m[1],
                    "extrapolated": threshold.extrapolated,
                    "statistic": threshold.statistic,
                    "energy_kj": threshold.energy_kj,
                    "fit_model": entry.model,
                }


def _predicted(pile: Pile, bias: BiasDocument | None) -> Iterator[dict[str, Any]]:
    for entry in bias.threshold_ranges if bias else ():
        of_pile = _is_of(pile, entry.installation_method, entry.foundation_type, entry.abatement)
        if of_pile and entry.prediction_id == pile.prediction_id:
            yield {
                "kind": "predicted",
                "quantity": entry.quantity,
                "weighting": entry.weighting,
                "threshold_db": entry.threshold_db,
                "range_m": entry.predicted_m,
                "prediction_id": entry.prediction_id,
                "model_id": entry.model_id,
                "statistic": entry.statistic,
                "energy_kj": entry.energy_kj,
            }


def _is_of(pile: Pile, method: str | None, foundation: str | None, abatement: str | None) -> bool:
    """Whether a pile belongs to a group; a part of it that is not known fits all."""
    alike = abatement is None or abatement.strip().casefold() == pile.abatement.strip().casefold()
    return alike and method in (None, pile.installation_method) and foundation in (None, pile.foundation_type)


def _circle(pile: Pile, known: dict[str, Any]) -> Feature:
    """A geodesic circle, counter-clockwise and closed; longitudes run on past 180 degrees rather than jump."""
    azimuths = [-360.0 * corner / _CORNERS for corner in range(_CORNERS)]
    mask = Geodesic.LATITUDE | Geodesic.LONGITUDE | Geodesic.LONG_UNROLL
    ring = []
    for azimuth in azimuths:
        point = Geodesic.WGS84.Direct(pile.latitude_deg, pile.longitude_deg, azimuth, known["range_m"], mask)
        ring.append([point["lon2"], point["lat2"]])
    return _feature("Polygon", [[*ring, ring[0]]], {"pile_id": pile.pile_id, **known})


def _feature(kind: str, coordinates: list[Any], properties: dict[str, Any]) -> Feature:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": _rounded(coordinates)},
        "properties": properties,
    }


def _rounded(coordinates: list[Any]) -> list[Any]:
    """To 1e-7 degrees, a centimetre (RFC 7946, 11.2: no more than is meant)."""
    return [_rounded(item) if isinstance(item, list) else round(item, 7) for item in coordinates]


def _collection(features: Iterable[Feature]) -> str:
    lines = ",\n".join(inert_json(feature, indent=None).strip() for feature in features)
    return f'{{"type": "FeatureCollection", "features": [\n{lines}\n]}}\n'


def _utc_of(time_us: int) -> str:
    return datetime.fromtimestamp(time_us / 1e6, UTC).isoformat().replace("+00:00", "Z")
