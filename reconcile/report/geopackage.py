"""`layers.gpkg`: the map layers as one GeoPackage, where the extra `gis` (pyogrio) is installed.

Geometries are well-known binary, properties columns of numbers or text. Same layers, same bytes.
"""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from reconcile.report.layers import circle_features, pile_features, station_features
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.errors import Fault, InputError

_KINDS = {"Point": 1, "LineString": 2, "Polygon": 3}
_WRITTEN = "2000-01-01T00:00:00.000Z"  # the time of writing is no part of the results
Feature = dict[str, Any]


def geopackage(campaign: Campaign, fit: FitDocument | None, bias: BiasDocument | None) -> bytes:
    """The layers stations, station_tracks, piles and threshold_circles; a layer without features is left out.

    Raises InputError where pyogrio is not installed.
    """
    pyogrio = library()
    stations = list(station_features(campaign))
    layers = {
        ("stations", "Point"): stations,
        ("station_tracks", "LineString"): stations,
        ("piles", "Point"): list(pile_features(campaign)),
        ("threshold_circles", "Polygon"): list(circle_features(campaign, fit, bias)),
    }
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _WRITTEN})
    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "layers.gpkg"
            for (name, kind), features in layers.items():
                own = [f for f in features if f["geometry"]["type"] == kind]
                if own:
                    _write(pyogrio.raw, path, name, kind, own)
            return path.read_bytes() if path.exists() else b""
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def library() -> Any:
    """The library that writes. Raises InputError where it is not installed."""
    try:
        import pyogrio
        import pyogrio.raw
    except ImportError as error:
        needed = 'the extra gis: python -m pip install "reconcile[gis]"'
        raise InputError([Fault("--geopackage", "", "pyogrio is not installed", needed)]) from error
    return pyogrio


def _write(raw: Any, path: Path, layer: str, kind: str, features: Sequence[Feature]) -> None:
    fields = list(dict.fromkeys(name for f in features for name in f["properties"]))
    columns = [_column([f["properties"].get(name) for f in features]) for name in fields]
    raw.write(
        str(path),
        geometry=np.array([well_known(f["geometry"]) for f in features], dtype=object),
        field_data=columns,
        fields=np.array(fields, dtype=object),
        geometry_type=kind,
        crs="EPSG:4326",
        driver="GPKG",
        layer=layer,
        append=path.exists(),
    )


def _column(values: Iterable[Any]) -> Any:
    """Numbers as numbers (NaN for null, which becomes null), everything else as text."""
    given = list(values)
    if all(value is None or (isinstance(value, (int, float)) and not isinstance(value, bool)) for value in given):
        return np.array([np.nan if value is None else float(value) for value in given])
    return np.array([None if value is None else _words(value) for value in given], dtype=object)


def _words(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def well_known(geometry: dict[str, Any]) -> bytes:
    """A point, line or polygon as well-known binary, little endian (OGC 06-103r4)."""
    kind, coordinates = geometry["type"], geometry["coordinates"]
    head = struct.pack("<BI", 1, _KINDS[kind])
    if kind == "Point":
        return head + struct.pack("<2d", *coordinates)
    if kind == "LineString":
        return head + _ring(coordinates)
    return head + struct.pack("<I", len(coordinates)) + b"".join(_ring(ring) for ring in coordinates)


def _ring(points: Sequence[Sequence[float]]) -> bytes:
    return struct.pack("<I", len(points)) + b"".join(struct.pack("<2d", *point) for point in points)
