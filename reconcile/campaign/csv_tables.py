"""Reads a CSV file by declared columns; every fault is said with its line.

Comma-separated UTF-8 with a header row; a byte order mark and CRLF are fine. An empty cell means not known: NaN in
numbers, NaT in times, an empty text.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.faults import CellFault, Findings, plain, shown
from reconcile.campaign.times import TIME_NEEDED, TimeArray, as_datetime, parse_utc, time_hint
from reconcile.vocabulary.errors import MachineError, nearest, suggestion

_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
_LARGEST_COUNT = 2**31 - 1
_COMMA_HINT = "numbers are written with a decimal point; text that holds a comma in quotes"


@dataclass(frozen=True, slots=True)
class Column:
    """A column of an input table.

    `filled`: an empty cell is a fault. `optional`: the column may be absent. Numbers lie between `at_least` and
    `at_most`, and above `above`. Texts are one of `words`, if there are any. `needed` returns what a text must be
    where it is not right.
    """

    name: str
    kind: Literal["text", "number", "count", "time"] = "text"
    filled: bool = False
    optional: bool = False
    at_least: float = -np.inf
    at_most: float = np.inf
    above: float = -np.inf
    words: tuple[str, ...] = ()
    needed: Callable[[str], str] | None = None


@dataclass(frozen=True)
class Table:
    """A table as read: one entry for each row everywhere. `faulty` holds the rows with a fault, by column."""

    file: str
    lines: tuple[int, ...]
    texts: dict[str, list[str]]
    numbers: dict[str, NDArray[np.float64]]
    times: dict[str, TimeArray]
    counts: frozenset[str]
    faulty: dict[str, set[int]] = field(default_factory=dict)

    def good_rows(self, *columns: str) -> list[int]:
        """The rows without a fault in these columns; in any column where none is named."""
        faulty = [rows for name, rows in self.faulty.items() if not columns or name in columns]
        return sorted(set(range(len(self.lines))).difference(*faulty))

    def add_faults(self, column: str, faults: Mapping[int, CellFault], findings: Findings) -> None:
        """Say what is wrong in some rows of a column."""
        findings.cells(self.file, column, [fault for _, fault in sorted(faults.items())])
        self.faulty.setdefault(column, set()).update(faults)

    def records(self) -> Iterator[tuple[int, dict[str, Any]]]:
        """Line and values of each good row; what is not known is left out."""
        for row in self.good_rows():
            values: dict[str, Any] = {name: cells[row] for name, cells in self.texts.items() if cells[row]}
            values |= {n: float(v[row]) for n, v in self.numbers.items() if np.isfinite(v[row])}
            values |= {n: int(values[n]) for n in self.counts if n in values}
            values |= {n: as_datetime(v[row]) for n, v in self.times.items() if not np.isnat(v[row])}
            yield self.lines[row], values


def decode(content: bytes, file: str, findings: Findings) -> str | None:
    """The text of an input file; None, with a fault, where it is not UTF-8."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        hint = "it looks like UTF-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else ""
        findings.fault(file, f"line {line}", f"the byte 0x{content[error.start]:02x}, not UTF-8", "UTF-8 text", hint)
        return None


def read_bytes(path: Path, findings: Findings) -> bytes | None:
    """The content of an input file; None, with a fault, where there is no such file."""
    if not path.is_file():
        found = "something that is not a file" if path.exists() else "no such file"
        findings.fault(path.name, "", found, f"the file {path.name}")
        return None
    try:
        return path.read_bytes()
    except OSError as error:
        raise MachineError(str(path), error.strerror or "cannot be read") from error


def read_table(path: Path, columns: Sequence[Column], findings: Findings, name: str = "") -> Table | None:
    """Read and check a CSV file; None where it is no table with the columns needed. Faults call it `name`, if given."""
    name = name or path.name
    content = read_bytes(path, findings)
    text = None if content is None else decode(content, name, findings)
    return None if text is None else parse_table(text, name, columns, findings)


def parse_table(text: str, name: str, columns: Sequence[Column], findings: Findings) -> Table | None:
    """Check the text of a CSV file; None where it is no table with the columns needed. Faults call it `name`."""
    rows = _rows(text, name, findings)
    if not rows:
        return None
    header = [cell.strip() for cell in rows[0][1]]
    if not _header_is_right(header, columns, name, findings):
        return None
    return _table(name, header, rows[1:], columns, findings)


def _rows(text: str, file: str, findings: Findings) -> list[tuple[int, list[str]]] | None:
    """Line number and cells of each row that is not empty; the header first."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for cells in reader:
            if any(cell and not cell.isspace() for cell in cells):
                rows.append((line, cells))
            line = reader.line_num + 1  # a quoted cell may hold line breaks
    except csv.Error as error:
        findings.fault(file, f"line {reader.line_num}", plain(str(error)), "comma-separated values")
        return None
    if not rows:
        findings.fault(file, "", "an empty file", "a header row")
        return None
    for separator, name in ((";", "semicolons"), ("\t", "tabs")):
        if len(rows[0][1]) == 1 and separator in rows[0][1][0]:
            findings.fault(file, f"line {rows[0][0]}", f"cells separated by {name}", "cells separated by commas")
            return None
    return rows


def _header_is_right(header: list[str], columns: Sequence[Column], file: str, findings: Findings) -> bool:
    known = [column.name for column in columns]
    extra = [name for name in header if name not in known]
    missing = [c.name for c in columns if not c.optional and c.name not in header]
    twice = [name for name in known if header.count(name) > 1]
    for name in missing:
        near = nearest(name, extra)
        hint = f"is {shown(near)} meant for it?" if near else ""
        findings.fault(file, "header", f"no column {name}", f"the column {name}", hint)
    for name in twice:
        findings.fault(file, "header", f"the column {name} more than once", f"one column {name}")
    for name in extra:
        hint = suggestion(name, [n for n in known if n not in header])
        findings.note(f"{file}: the column {shown(name)} is not used" + (f"; {hint}" if hint else ""))
    return not (missing or twice)


def _table(
    file: str,
    header: list[str],
    rows: list[tuple[int, list[str]]],
    columns: Sequence[Column],
    findings: Findings,
) -> Table:
    width = len(header)
    uneven = [
        CellFault(n, f"{len(cells)} cells", f"{width} cells", _COMMA_HINT if len(cells) > width else "")
        for n, cells in rows
        if len(cells) != width
    ]
    findings.cells(file, "", uneven)
    rows = [row for row in rows if len(row[1]) == width]
    lines = tuple(line for line, _ in rows)
    table = Table(file, lines, {}, {}, {}, frozenset(c.name for c in columns if c.kind == "count"))
    for column in columns:
        place = header.index(column.name) if column.name in header else None
        texts = ["" if place is None else cells[place].strip() for _, cells in rows]
        _convert(table, column, texts, findings)
    return table


def _convert(table: Table, column: Column, texts: list[str], findings: Findings) -> None:
    if column.kind == "time":
        table.times[column.name] = times = parse_utc(texts)
        wrong = {int(row): TIME_NEEDED for row in np.flatnonzero(np.isnat(times)) if texts[row]}
    elif column.kind == "text":
        table.texts[column.name] = texts
        needed_of = {text: _text_needed(column, text) for text in set(texts) if text}
        wrong = {row: needed_of[text] for row, text in enumerate(texts) if text and needed_of[text]}
    else:
        table.numbers[column.name], wrong = _numbers(column, texts)
    if column.filled:
        wrong |= {row: _kind_needed(column) for row, text in enumerate(texts) if not text}
    found = {row: shown(texts[row]) if texts[row] else "an empty cell" for row in wrong}
    faults = {
        row: CellFault(table.lines[row], found[row], needed, _hint(column, texts[row])) for row, needed in wrong.items()
    }
    table.add_faults(column.name, faults, findings)


def _numbers(column: Column, texts: list[str]) -> tuple[NDArray[np.float64], dict[int, str]]:
    values = np.array([float(text) if _NUMBER.fullmatch(text) else np.nan for text in texts], dtype=np.float64)
    filled = np.array([bool(text) for text in texts], dtype=np.bool_)
    outside = (values < column.at_least) | (values > column.at_most) | (values <= column.above)
    if column.kind == "count":
        with np.errstate(invalid="ignore"):
            outside |= (values != np.floor(values)) | (values > _LARGEST_COUNT)
    needed = _kind_needed(column)
    bad = filled & (~np.isfinite(values) | outside)
    return values, {int(row): needed for row in np.flatnonzero(bad)}


def _text_needed(column: Column, text: str) -> str:
    if column.words and text not in column.words:
        return _kind_needed(column)
    return column.needed(text) if column.needed else ""


def _kind_needed(column: Column) -> str:
    if column.kind == "time":
        return TIME_NEEDED
    if column.kind == "text":
        return f"one of {', '.join(column.words)}" if column.words else "some text"
    bounds = []
    if np.isfinite(column.at_least):
        bounds.append(f"at least {column.at_least:g}")
    if np.isfinite(column.above):
        bounds.append(f"above {column.above:g}")
    if np.isfinite(column.at_most):
        bounds.append(f"at most {column.at_most:g}")
    number = "a whole number" if column.kind == "count" else "a finite number"
    return f"{number}, {' and '.join(bounds)}" if bounds else number


def _hint(column: Column, text: str) -> str:
    if column.kind == "time":
        return time_hint(text)
    if column.words:
        return suggestion(text, column.words)
    return "write a decimal point" if column.kind == "number" and "," in text else ""


def check_known(table: Table, column: str, known: Iterable[str], needed: str, findings: Findings) -> None:
    """A fault for each filled cell that names something unknown, such as a pile that piles.csv does not have."""
    names = sorted(known)
    unknown = set(table.texts[column]) - set(names) - {""}
    hints = {name: suggestion(name, names) for name in unknown}
    faults = {
        row: CellFault(table.lines[row], shown(text), needed, hints[text])
        for row, text in enumerate(table.texts[column])
        if text in unknown and row not in table.faulty[column]
    }
    table.add_faults(column, faults, findings)


def check_unique(table: Table, columns: Mapping[str, Sequence[object]], findings: Findings) -> None:
    """A fault for each row that repeats the values of an earlier one in all these columns."""
    first: dict[tuple[object, ...], int] = {}
    faults: dict[int, CellFault] = {}
    for row, key in enumerate(zip(*columns.values(), strict=True)):
        if "" in key:
            continue  # the empty cell is a fault already
        line = table.lines[row]
        if first.setdefault(key, line) != line:
            found = " and ".join(shown(part) for part in key)
            faults[row] = CellFault(line, f"{found} again (first on line {first[key]})", "each only once")
    table.add_faults(" and ".join(columns), faults, findings)
