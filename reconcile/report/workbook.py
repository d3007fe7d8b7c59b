"""`results.xlsx`: one sheet a table, and two before them that say what is there. Same tables, same bytes.

Every text is written as a text, never as a formula or a link. Times are text (RFC 3339): a spreadsheet's own times know
neither microseconds nor a zone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from typing import Any

import pyarrow as pa
import xlsxwriter

from reconcile.report.csv_tables import LIST_SEPARATOR
from reconcile.report.data_package import column_meaning, column_type, column_unit, one_row_per

ABOUT, COLUMNS = "about", "columns"
_MOST_CELLS = 150_000  # of a sheet: beyond it opening takes long; the rest is in the table itself
_LONGEST_TEXT = 32_767  # that a cell may hold
_CREATED = datetime(2000, 1, 1, tzinfo=UTC)  # the time of writing is no part of the results
_MEANING = (
    "Levels are in dB re 1 µPa (sound pressure) and dB re 1 µPa² s (sound exposure); each column's unit and meaning is "
    f"in the sheet {COLUMNS!r}.",
    "A bias is always predicted minus measured: positive means that the prediction was too high.",
    "Limits are not measurements: see the columns named censoring (at_least, at_most). An empty cell means: not known.",
    "The results are a screening aid. Limits and guidance change. Local codes, the permit and a licensed or competent "
    "acoustician decide.",
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table for the workbook. `head(n)` reads its first `n` rows, of `n_rows`."""

    name: str
    schema: pa.Schema
    n_rows: int
    head: Callable[[int], pa.Table]

    @property
    def n_shown(self) -> int:
        """How many rows the sheet holds."""
        return min(self.n_rows, max(1, _MOST_CELLS // max(1, len(self.schema))))


def workbook(campaign_name: str, findings: Sequence[str], sheets: Sequence[Sheet]) -> bytes:
    """The workbook. `findings` are sentences for the first sheet; a table that is too long is cut, and that is said."""
    stream = BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(stream, {"in_memory": True, **plain})
    book.set_properties({"title": campaign_name[:255], "created": _CREATED})
    bold = book.add_format({"bold": True})
    _write(book.add_worksheet(ABOUT), list(_about(campaign_name, findings, sheets)), (28, 60, 12, 12, 60), bold, ())
    _write(book.add_worksheet(COLUMNS), list(_columns(sheets)), (16, 44, 12, 26, 90), bold, (0,))
    for sheet in sheets:
        page = book.add_worksheet(sheet.name[:31])
        rows = [list(sheet.schema.names), *_rows(sheet)]
        _write(page, rows, [max(10, min(len(name) + 2, 40)) for name in sheet.schema.names], bold, (0,))
        page.freeze_panes(1, 0)
        if sheet.n_rows:
            page.autofilter(0, 0, sheet.n_shown, len(sheet.schema) - 1)
        if sheet.n_shown < sheet.n_rows:
            page.write_string(sheet.n_shown + 2, 0, _cut(sheet), bold)
    book.close()
    return stream.getvalue()


def _about(campaign_name: str, findings: Sequence[str], sheets: Sequence[Sheet]) -> Iterator[list[Any]]:
    yield [campaign_name]
    yield from ([sentence] for sentence in findings)
    yield []
    yield from ([sentence] for sentence in _MEANING)
    yield []
    yield ["Sheet", "One row per", "Rows", "Rows here", "Note"]
    for sheet in sheets:
        note = _cut(sheet) if sheet.n_shown < sheet.n_rows else "the whole table"
        yield [sheet.name, one_row_per(sheet.schema), sheet.n_rows, sheet.n_shown, note]


def _columns(sheets: Sequence[Sheet]) -> Iterator[list[Any]]:
    yield ["Sheet", "Column", "Type", "Unit", "Meaning"]
    for sheet in sheets:
        for field in sheet.schema:
            yield [sheet.name, field.name, column_type(field), column_unit(field) or None, column_meaning(field)]


def _cut(sheet: Sheet) -> str:
    return f"the first {sheet.n_shown} of {sheet.n_rows} rows; the whole table is {sheet.name}.parquet"


def _rows(sheet: Sheet) -> Iterator[list[Any]]:
    table = sheet.head(sheet.n_shown)
    columns = [_plain(column, field) for column, field in zip(table.columns, sheet.schema, strict=True)]
    yield from map(list, zip(*columns, strict=True))


def _plain(column: pa.ChunkedArray, field: pa.Field) -> list[Any]:
    if pa.types.is_timestamp(field.type):
        shown = (None if t is None else t.isoformat(timespec="microseconds") for t in column.to_pylist())
        return [None if text is None else text.replace("+00:00", "Z") for text in shown]
    values: list[Any] = column.to_pylist()
    if pa.types.is_list(field.type):
        return [None if items is None else LIST_SEPARATOR.join(items) for items in values]
    if pa.types.is_float32(field.type):  # to the digits that it has
        return [None if value is None else float(f"{value:.7g}") for value in values]
    return values


def _write(
    page: Any, rows: Sequence[Sequence[Any]], widths: Sequence[float], bold: Any, bold_rows: Sequence[int]
) -> None:
    for number, width in enumerate(widths):
        page.set_column(number, number, width)
    for row, values in enumerate(rows):
        style = bold if row in bold_rows or row == 0 else None
        for column, value in enumerate(values):
            _cell(page, row, column, value, style)


def _cell(page: Any, row: int, column: int, value: Any, style: Any) -> None:
    if isinstance(value, bool):
        page.write_boolean(row, column, value, style)
    elif isinstance(value, str):
        page.write_string(row, column, value[:_LONGEST_TEXT], style)
    elif value is not None and value == value and abs(value) != float("inf"):
        page.write_number(row, column, value, style)
