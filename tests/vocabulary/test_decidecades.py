"""Band frequencies and column labels against the table of IEC 61260-1 bands in tests/reference."""

from __future__ import annotations

import pytest

from reconcile.vocabulary.decidecades import (
    band_number,
    bands_within,
    centre_hz,
    edges_hz,
    label,
    lower_edge_hz,
    nominal_hz,
    upper_edge_hz,
)
from reconcile.vocabulary.tables.bands import exposure_column
from tests.reference_rows import reference_rows

ROWS = reference_rows("decidecade_bands.csv")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["nominal_hz"])
def test_frequencies_and_labels(row: dict[str, str]) -> None:
    n = int(row["n"])
    assert lower_edge_hz(n) == pytest.approx(float(row["lower_hz"]), rel=1e-11)
    assert centre_hz(n) == pytest.approx(float(row["centre_hz"]), rel=1e-11)
    assert upper_edge_hz(n) == pytest.approx(float(row["upper_hz"]), rel=1e-11)
    assert nominal_hz(n) == float(row["nominal_hz"])
    assert band_number(float(row["nominal_hz"])) == n
    assert exposure_column(n) == row["exposure_level_column"]


def test_the_table_holds_all_bands_of_the_usual_range() -> None:
    assert [int(row["n"]) for row in ROWS][:41] == list(range(41))


@pytest.mark.parametrize("frequency", [1001.0, 70.0, 31.6, 0.0, -63.0, float("nan"), float("inf")])
def test_what_is_not_nominal_is_refused(frequency: float) -> None:
    with pytest.raises(ValueError, match="nominal"):
        band_number(frequency)


def test_edges_are_shared() -> None:
    assert edges_hz(range(10, 13)) == pytest.approx((8.91250938134, 11.220184543, 14.1253754462, 17.7827941004))
    assert edges_hz([]) == ()


def test_bands_within_by_the_exact_centre_with_one_percent() -> None:
    assert bands_within(10.0, 1000.0) == tuple(range(10, 31))
    assert bands_within(10.09, 991.0) == tuple(range(10, 31))  # 10 and 1000 Hz lie 0.9 % outside
    assert bands_within(10.11, 989.0) == tuple(range(11, 30))  # 1.1 % outside
    assert label(15) == "31_5hz"
    assert label(30) == "1000hz"
