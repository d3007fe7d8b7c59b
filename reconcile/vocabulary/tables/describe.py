"""The reference page of tables and flags, made from their declarations.

`python -m reconcile.vocabulary.tables.describe > docs/tables.md` renews it; a test holds the page against this.
"""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.vocabulary.tables import (
    BLOW_COUNTS,
    COMPARISON,
    CONTINUOUS,
    EXPOSURE,
    FLAGS,
    INSERTION_LOSS,
    LIMITS,
    PHASES,
    PILE_DISTANCES,
    REASONS,
    RECORD,
    REJECTED,
    RESIDUALS,
    SUMMARY,
    TONES,
    UNCERTAINTY,
    UNPAIRED,
    Table,
    background_table,
    bands_table,
    strikes_table,
)

_EXAMPLE_WEIGHTING, _EXAMPLE_BAND = "nmfs-2024:LF", 30
_INTRODUCTION = """# Tables and flags

This page is made from the declarations in `reconcile/vocabulary/tables/`. Every table is `RESULTS/<name>.parquet`;
unit, reference value and meaning of each column are also in the file's schema
(`pyarrow.parquet.read_schema(path).field(name).metadata`). Columns for a weighting or a band are shown for one example
(`nmfs-2024:LF`, 1000 Hz); there is one for each weighting and band.
"""


def reference_page() -> str:
    """The page in Markdown."""
    tables = (
        strikes_table([_EXAMPLE_WEIGHTING]),
        bands_table([_EXAMPLE_BAND]),
        REJECTED,
        BLOW_COUNTS,
        SUMMARY,
        PHASES,
        UNCERTAINTY,
        EXPOSURE,
        background_table([_EXAMPLE_BAND], [_EXAMPLE_WEIGHTING]),
        background_table([_EXAMPLE_BAND], [_EXAMPLE_WEIGHTING], "background_10s"),
        CONTINUOUS,
        TONES,
        RESIDUALS,
        COMPARISON,
        UNPAIRED,
        LIMITS,
        INSERTION_LOSS,
        RECORD,
        PILE_DISTANCES,
    )
    parts = [
        _INTRODUCTION,
        *(line for table in tables for line in _table_section(table)),
        *_reasons_section(),
        *_flags_section(),
    ]
    return "\n".join(parts) + "\n"


def _table_section(table: Table) -> Iterator[str]:
    yield f"## {table.name}\n\nOne row per {table.one_row_per}.\n"
    yield "| column | type | unit | meaning |\n|---|---|---|---|"
    for column in table.columns:
        yield f"| `{column.name}` | {column.kind.value} | {column.unit} | {column.meaning} |"
    yield ""


def _reasons_section() -> Iterator[str]:
    yield "## Reasons of rejection\n\nWhy a pulse of `rejected` is no strike.\n"
    yield "| reason | meaning |\n|---|---|"
    for name, meaning in REASONS.items():
        yield f"| `{name}` | {meaning} |"
    yield ""


def _flags_section() -> Iterator[str]:
    yield "## Flags\n\nA flag never deletes a row; it says what the row is left out of.\n"
    yield "| flag | stands in | meaning | takes the row out of |\n|---|---|---|---|"
    for flag in FLAGS.values():
        excluded = ", ".join(sorted(stage.value for stage in flag.excluded_from)) or "nothing"
        yield f"| `{flag.name}` | {flag.applies_to} | {flag.meaning} | {excluded} |"


if __name__ == "__main__":
    print(reference_page(), end="")
