"""Absorption of sea water against the printed worked example and values computed elsewhere from the papers."""

from __future__ import annotations

import pytest

from reconcile.vocabulary import seawater
from tests.reference_rows import reference_rows

MODELS = {
    "francois_garrison_1982": seawater.francois_garrison_1982,
    "ainslie_mccolm_1998": seawater.ainslie_mccolm_1998,
}
ROWS = [row for row in reference_rows("absorption_check_values.csv") if row["model"] in MODELS]


def test_the_table_holds_both_models() -> None:
    assert {row["model"] for row in ROWS} == set(MODELS)


@pytest.mark.parametrize("model", sorted(MODELS))
def test_absorption(model: str) -> None:
    for row in ROWS:
        if row["model"] != model:
            continue
        water = [float(row[name]) for name in ("frequency_hz", "temperature_c", "salinity", "depth_m", "ph")]
        wanted, tolerance = float(row["absorption_db_per_km"]), float(row["tolerance_db_per_km"])
        assert MODELS[model](*water) == pytest.approx(wanted, abs=tolerance), row
