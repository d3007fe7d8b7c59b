"""docs/definitions.md defines every column that holds a level, a duration or a kurtosis."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from reconcile.vocabulary import tables
from reconcile.vocabulary.tables import Table, background_table, bands_table, strikes_table

PAGE = Path(__file__).parents[2] / "docs/definitions.md"
WEIGHTING, BAND = "nmfs-2024:LF", 30
ALL = [
    strikes_table([WEIGHTING]),
    bands_table([BAND]),
    background_table([BAND], [WEIGHTING]),
    *(table for name in tables.__all__ if isinstance(table := getattr(tables, name), Table)),
]
ACOUSTIC_SECONDS = {
    *("pulse_duration_s", "effective_duration_s", "rise_time_s", "strike_interval_s"),
    *("window_s", "duration_s"),
}


def general(name: str) -> str:
    """A column's name with its band or weighting left open, as the page writes it."""
    return name.replace("nmfs_2024_lf", "<set>_<group>").replace("1000hz", "<nominal>hz")


def defined() -> set[str]:
    headings = [line for line in PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("### ")]
    return {name for line in headings for name in re.findall(r"`([^`]+)`", line)}


@pytest.mark.parametrize("table", ALL, ids=lambda table: table.name)
def test_every_level_has_a_definition(table: Table) -> None:
    wanted = {
        general(column.name)
        for column in table.columns
        if column.unit.startswith("dB") or column.name in ACOUSTIC_SECONDS or column.name == "kurtosis"
    }
    assert wanted <= defined(), f"define in docs/definitions.md: {sorted(wanted - defined())}"


def test_nothing_is_defined_that_no_table_holds() -> None:
    columns = {general(column.name) for table in ALL for column in table.columns}
    assert defined() <= columns


def test_band_filter_and_reference_values_are_stated() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for said in ("|H| = f²/√(f⁴ + f_from⁴)", "p₀ = 1 µPa", "E₀ = 1 µPa² s", "definition 7 of Hyndman and Fan"):
        assert said in text
