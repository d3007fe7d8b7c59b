"""Bands read a column at a time: each strike gets the values of its own row, whatever the order of the table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.spreading.stored_bands import StoredBands, band_level_db, band_rows

NAME = "exposure_level_100hz_db"
STRIKES = pd.DataFrame({"strike_id": ["A-1", "A-1", "A-2", "A-3"], "station_id": ["N", "F", "N", "N"]})
LEVELS = {("A-1", "N"): 150.0, ("A-1", "F"): 130.0, ("A-2", "N"): np.nan}  # A-3 has no row of bands


@pytest.mark.parametrize("stored", [True, False])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_each_strike_gets_its_own_levels(tmp_path: Path, stored: bool, seed: int) -> None:
    keys = [list(LEVELS)[i] for i in np.random.default_rng(seed).permutation(len(LEVELS))]
    table = pd.DataFrame(keys, columns=["strike_id", "station_id"])
    table[NAME] = np.array([LEVELS[key] for key in keys], dtype=np.float32)
    table.to_parquet(tmp_path / "bands.parquet")
    bands = StoredBands(tmp_path / "bands.parquet") if stored else table
    found = band_level_db(band_rows(STRIKES, bands), bands, NAME)
    np.testing.assert_array_equal(found, [150.0, 130.0, np.nan, np.nan])


def test_an_empty_table_has_no_levels(tmp_path: Path) -> None:
    pd.DataFrame({"strike_id": [], "station_id": [], NAME: []}).to_parquet(tmp_path / "bands.parquet")
    bands = StoredBands(tmp_path / "bands.parquet")
    assert np.isnan(band_level_db(band_rows(STRIKES, bands), bands, NAME)).all()
