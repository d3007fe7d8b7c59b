"""`datapackage.json`: every table and every column of a results folder, by the Data Package standard, version 2.

https://datapackage.org/standard/data-package/. What it says of a column is what the table's own schema says.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import pyarrow as pa

from reconcile.report.csv_tables import LIST_SEPARATOR
from reconcile.report.inert import inert_json

_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_TYPES = (
    (pa.types.is_timestamp, "datetime"),
    (pa.types.is_floating, "number"),
    (pa.types.is_integer, "integer"),
    (pa.types.is_boolean, "boolean"),
    (pa.types.is_list, "array"),
)
_MEDIA_TYPES = {
    "csv": "text/csv",
    "geojson": "application/geo+json",
    "gpkg": "application/geopackage+sqlite3",
    "html": "text/html",
    "json": "application/json",
    "parquet": "application/vnd.apache.parquet",
    "pdf": "application/pdf",
    "svg": "image/svg+xml",
    "wav": "audio/x-wav",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def data_package(
    title: str, tables: Mapping[str, pa.Schema], csv_tables: Mapping[str, str], others: Sequence[str]
) -> str:
    """The description of a results folder as JSON.

    `tables` holds the schema of each table by its name (`name.parquet`), `csv_tables` the names of those that are there
    as CSV too by their paths, `others` the paths of the other files.
    """
    resources = [_parquet(name, schema) for name, schema in tables.items()]
    resources += [_csv(path, name, tables[name]) for path, name in csv_tables.items()]
    resources += [_file(path) for path in others]
    description = (
        "Measured levels of pile driving and their comparison with predictions. Bias: predicted minus measured."
    )
    return inert_json(
        {
            "$schema": _PROFILE,
            "name": "reconcile-results",
            "title": title,
            "description": description,
            "resources": resources,
        }
    )


def column_unit(field: pa.Field) -> str:
    """Unit and reference value of a column; empty for none."""
    return _said(field.metadata, b"unit")


def column_meaning(field: pa.Field) -> str:
    """What a column holds."""
    return _said(field.metadata, b"meaning")


def one_row_per(schema: pa.Schema) -> str:
    """What a row of a table stands for."""
    return _said(schema.metadata, b"one_row_per")


def column_type(field: pa.Field) -> str:
    """Type of a column by the Table Schema standard."""
    return next((name for fits, name in _TYPES if fits(field.type)), "string")


def _said(metadata: Mapping[bytes, bytes] | None, key: bytes) -> str:
    return (metadata or {}).get(key, b"").decode()


def _parquet(name: str, schema: pa.Schema) -> dict[str, Any]:
    return {
        "name": name,
        "path": f"{name}.parquet",
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        "description": f"One row per {one_row_per(schema)}.",
        "schema": {"fields": [_field(field) for field in schema]},
    }


def _csv(path: str, name: str, schema: pa.Schema) -> dict[str, Any]:
    fields = [_field(field) for field in schema]
    for described in fields:
        if described["type"] == "array":
            described["type"] = "string"
            described["description"] += f"; joined by {LIST_SEPARATOR!r}"
        elif described["type"] == "datetime":
            described["format"] = "any"  # with parts of a second
    return {
        "name": f"{name}-csv" if "/" in path else f"{name}-flat",
        "path": path,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "description": f"The table {name} as text. A text that begins like a formula has an apostrophe before it.",
        "schema": {"fields": fields, "missingValues": [""]},
    }


def _field(field: pa.Field) -> dict[str, Any]:
    described = {"name": field.name, "type": column_type(field), "description": column_meaning(field)}
    unit = column_unit(field)
    return {**described, "unit": unit} if unit else described


def media_type(path: str) -> str:
    """The media type of a file by its ending; empty where it is not one of ours."""
    return _MEDIA_TYPES.get(path.rpartition(".")[2].lower(), "")


def _file(path: str) -> dict[str, Any]:
    suffix = path.rpartition(".")[2]
    name = re.sub(r"[^a-z0-9._-]+", "-", path.lower())
    described = {"name": name, "path": path, "format": suffix}
    return {**described, "mediatype": _MEDIA_TYPES[suffix]} if suffix in _MEDIA_TYPES else described
