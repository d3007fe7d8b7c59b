"""Auditory weightings: parameters and values against the published tables in tests/reference, to the printed digit."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.vocabulary.weightings import (
    GUIDANCE,
    WEIGHTINGS,
    groups_of,
    peak_frequency_hz,
    power_response,
    weighting_db,
    weighting_needed,
    with_sets_resolved,
)
from tests.reference_rows import reference_rows

# NMFS 2018 Tables 3 and ES2, Southall et al. 2019 Table 5, NMFS 2024 Tables 5 and ES2 (read); US Navy 2017 (memory)
PARAMETERS = [row for row in reference_rows("auditory_weighting_parameters.csv") if row["medium"] == "water"]
IN_WATER = {(row["guidance"], row["group"]) for row in PARAMETERS}
# computed in double precision from those parameters; and a worked example printed in NMFS 2018, Appendix D, p. 130
VALUES = [row for row in reference_rows("auditory_weighting_values.csv") if (row["guidance"], row["group"]) in IN_WATER]


def name_of(row: dict[str, str]) -> str:
    return f"{row['guidance']}:{row['group']}"


@pytest.mark.parametrize("row", PARAMETERS, ids=name_of)
def test_parameters_are_those_printed(row: dict[str, str]) -> None:
    weighting = WEIGHTINGS[name_of(row)]
    found = (weighting.a, weighting.b, weighting.f1_hz / 1e3, weighting.f2_hz / 1e3, weighting.gain_db)
    assert found == pytest.approx([float(row[key]) for key in ("a", "b", "f1_khz", "f2_khz", "c_db")], abs=1e-12)
    standing = "read" if row["checked"] == "read" else "from memory"
    assert GUIDANCE[weighting.guidance].standing == standing


@pytest.mark.parametrize("row", VALUES, ids=lambda row: f"{name_of(row)}-{row['frequency_hz']}")
def test_values(row: dict[str, str]) -> None:
    value = float(weighting_db(WEIGHTINGS[name_of(row)], float(row["frequency_hz"])))
    assert value == pytest.approx(float(row["weighting_db"]), abs=float(row["tolerance_db"]) + 1e-9)


def test_every_group_of_the_guidance_is_there_and_no_other() -> None:
    assert set(WEIGHTINGS) == {name_of(row) for row in PARAMETERS}
    assert {name_of(row) for row in VALUES} == set(WEIGHTINGS)


@pytest.mark.parametrize("row", PARAMETERS, ids=name_of)
def test_the_largest_value_is_what_rounding_the_gain_leaves(row: dict[str, str]) -> None:
    """Column c_excess_db: the printed gain less the one that puts the maximum at zero."""
    frequency = np.geomspace(10.0, 200_000.0, 40_001)
    response = weighting_db(WEIGHTINGS[name_of(row)], frequency)
    assert float(np.max(response)) == pytest.approx(float(row["c_excess_db"]), abs=1e-4)
    peak_khz = peak_frequency_hz(WEIGHTINGS[name_of(row)]) / 1e3
    assert peak_khz == pytest.approx(float(row["peak_frequency_khz"]), rel=1e-3)


def test_weightings_are_zero_at_zero_and_named_by_their_keys() -> None:
    for name, weighting in WEIGHTINGS.items():
        assert weighting.name == name
        assert power_response(weighting, 0.0) == 0.0
        assert np.isnan(weighting_db(weighting, 0.0))  # a level of nothing is not a number, not minus infinity


def test_the_version_is_in_every_column_name_and_label() -> None:
    """The same letters are different animals in different versions: columns and labels may never meet."""
    columns = {w.column for w in WEIGHTINGS.values()}
    labels = {w.label for w in WEIGHTINGS.values()}
    assert len(columns) == len(labels) == len(WEIGHTINGS)
    for weighting in WEIGHTINGS.values():
        assert weighting.column.startswith(weighting.guidance.replace("-", "_"))
        assert GUIDANCE[weighting.guidance].title in weighting.label
    assert WEIGHTINGS["nmfs-2018:HF"].column == "nmfs_2018_hf"
    assert WEIGHTINGS["southall-2019:VHF"].label == "VHF, Southall et al. 2019"


def test_an_unknown_name_is_told_what_there_is() -> None:
    assert weighting_needed("nmfs-2024:LF") == weighting_needed("southall-2019") == ("", "")
    needed, hint = weighting_needed("nmfs-2018:VHF")
    assert "nmfs-2018:LF, nmfs-2018:MF, nmfs-2018:HF, nmfs-2018:PW, nmfs-2018:OW" in needed
    assert hint == "did you mean 'nmfs-2018:HF'?"
    needed, _ = weighting_needed("nmfs-2016:LF")
    for guidance in GUIDANCE:
        assert guidance in needed
    assert "southall-2019 (LF, HF, VHF, SI, PCW, OCW)" in needed


def test_a_set_alone_means_all_its_groups() -> None:
    assert groups_of("nmfs-2018") == tuple(f"nmfs-2018:{g}" for g in ("LF", "MF", "HF", "PW", "OW"))
    assert with_sets_resolved(["nmfs-2024:LF", "navy-2017", "nmfs-2024:LF", "navy-2017:TU"]) == (
        "nmfs-2024:LF",
        "navy-2017:TU",
    )
