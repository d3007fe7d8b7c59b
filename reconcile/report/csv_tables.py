"""Tables as CSV: UTF-8, times in RFC 3339, lists joined by semicolons, empty cells for null, no formulas."""

from __future__ import annotations

from collections.abc import Iterable
from io import BytesIO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from reconcile.report.inert import inert_cell

LIST_SEPARATOR = ";"


def csv_chunks(schema: pa.Schema, batches: Iterable[pa.RecordBatch]) -> Iterable[bytes]:
    """The table as CSV, piece by piece: first the header row, then each batch."""
    options = pyarrow.csv.WriteOptions(include_header=False, quoting_style="needed")
    yield (",".join(f'"{name}"' for name in schema.names) + "\n").encode()
    for batch in batches:
        stream = BytesIO()
        columns = [_plain(column, field.type) for column, field in zip(batch.columns, schema, strict=True)]
        pyarrow.csv.write_csv(pa.table(columns, names=schema.names), stream, options)
        yield stream.getvalue()


def _plain(column: pa.Array, kind: pa.DataType) -> pa.Array:
    if pa.types.is_timestamp(kind):
        return pc.strftime(column, format="%Y-%m-%dT%H:%M:%SZ")
    if pa.types.is_list(kind):
        joined = (None if items is None else LIST_SEPARATOR.join(items) for items in column.to_pylist())
        return pa.array([None if text is None else inert_cell(text) for text in joined], pa.string())
    if pa.types.is_string(kind):
        return pa.array([None if text is None else inert_cell(text) for text in column.to_pylist()], pa.string())
    return column
