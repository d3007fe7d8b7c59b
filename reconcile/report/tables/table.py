"""A table as the template takes it."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd


@dataclass(frozen=True, slots=True)
class Head:
    """One column: its name, its unit, and whether it holds numbers (set right, in figures of one width)."""

    name: str
    unit: str = ""
    numeric: bool = True
    wide: bool = False  # words that need room


@dataclass(frozen=True, slots=True)
class IntervalBar:
    """A value with its interval drawn in a table cell; positions in percent of the cell's width."""

    low: float
    value: float
    high: float
    zero: float
    margin_low: float
    margin_high: float


Cell = str | IntervalBar
Record = dict[Hashable, Any]  # a row of a frame


@dataclass(frozen=True, slots=True)
class Body:
    """Rows that belong together, under a title of their own if there is one."""

    rows: tuple[tuple[Cell, ...], ...]
    title: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A whole table. The first column names the row."""

    head: tuple[Head, ...]
    bodies: tuple[Body, ...]
    caption: str = ""

    @property
    def empty(self) -> bool:
        return not any(body.rows for body in self.bodies)


def one_body(head: Sequence[Head], rows: Sequence[Sequence[Cell]], caption: str = "") -> Table:
    """A table without groups."""
    return Table(tuple(head), (Body(tuple(tuple(row) for row in rows)),), caption)


def text(*names: str) -> tuple[Head, ...]:
    """Columns of words."""
    return tuple(Head(name, numeric=False) for name in names)


def number(record: Record, name: str) -> float | None:
    """A cell of a frame's row as a number; None where it is null."""
    value = record[name]
    return None if pd.isna(value) else float(value)


def words(record: Record, name: str) -> str | None:
    """A cell of a frame's row as text; None where it is null."""
    value = record[name]
    return None if pd.isna(value) else str(value)
