"""Predictions as read, and the bases that receivers and optional columns state."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.campaign import read_campaign
from reconcile.campaign.predictions import receiver_needed

from .conftest import PREDICTIONS, Faults

Change = Callable[[str, str, str], None]


def test_values(folder: Path) -> None:
    campaign, _ = read_campaign(folder)
    first, second, third = campaign.predictions
    assert (first.line, first.range_m, first.level_db, first.energy_kj, first.statistic) == (
        2,
        750,
        176,
        3000,
        "median",
    )
    assert (first.model_id, first.abatement, first.band_hz, first.weighting) == ("unnamed", None, None, "none")
    assert (second.line, second.weighting, second.energy_kj, second.statistic) == (3, "nmfs-2024:LF", None, None)
    assert third.band_hz == 31.5
    (distance,) = campaign.predicted_ranges
    assert (distance.line, distance.threshold_db, distance.range_m, distance.range_statistic) == (2, 160, 8000, "r95")
    assert distance.model_id == "unnamed"


def write_with(folder: Path, columns: str, *cells: str) -> None:
    """The predictions with columns added; the first row has the cells, the others none."""
    header, *rows = PREDICTIONS.splitlines()
    empty = "," * columns.count(",")
    more = [*cells, *[empty] * (len(rows) - len(cells))]
    lines = [f"{header},{columns}", *(f"{row},{cell}" for row, cell in zip(rows, more, strict=True))]
    (folder / "predictions.csv").write_text("\n".join(lines))


COLUMNS = (
    "model_id,abatement,receiver,n_strikes,bearing_deg,foundation_type,installation_method,diameter_m,water_depth_m"
)


def test_optional_columns(folder: Path) -> None:
    write_with(folder, COLUMNS, "v1/2,none,12.5,2000,270,monopile,impact,8.0,28")
    first, second, _ = read_campaign(folder)[0].predictions
    assert (first.model_id, first.abatement, first.receiver, first.n_strikes) == ("v1/2", "none", "12.5", 2000)
    assert (first.bearing_deg, first.foundation_type, first.installation_method) == (270, "monopile", "impact")
    assert (first.diameter_m, first.water_depth_m) == (8, 28)
    assert (second.model_id, second.abatement, second.receiver, second.n_strikes) == ("unnamed", None, None, None)


@pytest.mark.parametrize(
    ("column", "cell", "part"),
    [
        ("receiver", "near the bed", "maximum_over_depth"),
        ("n_strikes", "0", "at least 1"),
        ("n_strikes", "10.5", "a whole number"),
        ("bearing_deg", "361", "at most 360"),
        ("foundation_type", "monopole", "did you mean 'monopile'"),
        ("installation_method", "impac", "did you mean 'impact'"),
        ("diameter_m", "-8", "above 0"),
        ("water_depth_m", "inf", "a finite number"),
        ("model_id", "x" * 101, "at most 100 bytes"),
    ],
)
def test_optional_columns_are_checked(folder: Path, faults: Faults, column: str, cell: str, part: str) -> None:
    write_with(folder, column, cell)
    (fault,) = faults()
    assert fault.where == f"line 2, column {column}"
    assert part in str(fault)


@pytest.mark.parametrize("text", ["12", "12.5", ".5", "maximum_over_depth", "mean_over_depth"])
def test_receivers(text: str) -> None:
    assert receiver_needed(text) == ""


@pytest.mark.parametrize(("n_piles", "refused"), [("2", True), ("1", False), ("", False)])
def test_only_a_sum_is_of_several_piles(folder: Path, faults: Faults, n_piles: str, refused: bool) -> None:
    write_with(folder, "n_piles", n_piles)  # the first row is of exposure_level
    if refused:
        (fault,) = faults()
        assert "n_piles" in fault.where
        assert "cumulative_exposure_level" in fault.needed
    else:
        assert read_campaign(folder)[0].predictions[0].n_piles in (None, 1)


def test_one_range_in_two_groups_is_no_contradiction(folder: Path, change: Change) -> None:
    row = "ES1,exposure_level,none,,750,176.0,2.0,median,3000"
    change("predictions.csv", row, f"{row}\n{row.replace('median', 'mean')}")
    assert len(read_campaign(folder)[0].predictions) == 4
