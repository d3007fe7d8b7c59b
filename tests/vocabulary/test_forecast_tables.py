"""The CSV files of `pool` and `forecast`: the contract's columns, and each column where it is documented."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.vocabulary.tables.column import Table
from reconcile.vocabulary.tables.forecast import FORECAST, FORECAST_RANGES, FOUNDATIONS

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"
CONTRACT = {
    "forecast": (FORECAST, "corrected_level_db lower_95_db upper_95_db flags"),
    "forecast_ranges": (FORECAST_RANGES, "corrected_range_m lower_95_m upper_95_m flags"),
}


@pytest.mark.parametrize("name", CONTRACT)
def test_the_contract_s_columns_in_their_order(name: str) -> None:
    table, columns = CONTRACT[name]
    assert table.name == name
    assert [column for column in table.column_names if column in columns.split()] == columns.split()


@pytest.mark.parametrize("table", [FORECAST, FORECAST_RANGES, FOUNDATIONS], ids=lambda table: table.name)
def test_every_column_is_documented_with_its_unit(table: Table) -> None:
    text = PAGE.read_text(encoding="utf-8")
    for column in table.columns:
        assert f"| `{column.name}` | {column.unit} | {column.meaning} |" in text, column.name
