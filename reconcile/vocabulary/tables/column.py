"""A column and a table, declared once."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pyarrow as pa

PRESSURE_LEVEL = "dB re 1 µPa"
EXPOSURE_LEVEL = "dB re 1 µPa² s"


class Kind(StrEnum):
    """How a column is stored."""

    TEXT = "string"
    TIME = "timestamp[us, UTC]"
    LEVEL = "float64"
    SHORT_LEVEL = "float32"  # bands and background: many columns, and 1e-5 dB is enough
    COUNT = "int32"
    SAMPLE = "int64"
    TRUTH = "bool"
    FLAGS = "list<string>"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: name, how it is stored, unit with reference value (empty for none), meaning."""

    name: str
    kind: Kind
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a results folder: `RESULTS/<name>.parquet`."""

    name: str
    one_row_per: str
    columns: tuple[Column, ...]

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    def schema(self) -> pa.Schema:
        """The Arrow schema, with `unit` and `meaning` in each field's metadata."""
        import pyarrow as pa

        types = {
            Kind.TEXT: pa.string(),
            Kind.TIME: pa.timestamp("us", tz="UTC"),
            Kind.LEVEL: pa.float64(),
            Kind.SHORT_LEVEL: pa.float32(),
            Kind.COUNT: pa.int32(),
            Kind.SAMPLE: pa.int64(),
            Kind.TRUTH: pa.bool_(),
            Kind.FLAGS: pa.list_(pa.string()),
        }
        fields = [
            pa.field(c.name, types[c.kind], metadata={"unit": c.unit, "meaning": c.meaning}) for c in self.columns
        ]
        return pa.schema(fields, metadata={"table": self.name, "one_row_per": self.one_row_per})


RECORDED_FRACTION = Column(
    "recorded_fraction",
    Kind.LEVEL,
    "1",
    "share of the logged blows that were recorded; null without a log; of other methods than "
    "impact, share of the seconds of their activities",
)
