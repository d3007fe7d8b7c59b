"""The sum of the bands' laws beside the broadband law, on bands whose sum is known."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.spreading import fit_campaign
from reconcile.vocabulary.documents.fit import Fit
from reconcile.vocabulary.tables.bands import exposure_column, noise_column
from tests.spreading import level_campaigns as invented

STATIONS = {"S0": 500.0, "S1": 1000.0, "S2": 2000.0, "S3": 4000.0, "S4": 8000.0}
CELLS = {(f"A{k}", s): r for k in range(4) for s, r in STATIONS.items()}
PROJECT = invented.campaign([invented.pile(f"A{k}") for k in range(4)], CELLS)


def _broadband(raised_db: float) -> Fit:
    """Six equal bands 10 lg 6 below the broadband level, which is `raised_db` above their sum."""
    random = np.random.default_rng(1)
    table = invented.strikes(CELLS, lambda _p, _s, r: invented.line_db(r, 175.0, 15.0) + random.normal(0, 1.0, 30))
    bands = table[["strike_id", "station_id"]].copy()
    for n in range(18, 24):
        bands[exposure_column(n)] = table["exposure_level_db"] - 10.0 * np.log10(6.0)
        bands[noise_column(n)] = 60.0
    table["exposure_level_db"] += raised_db
    fits = fit_campaign(table.drop(columns=["peak_level_db", "rms_level_db"]), bands, PROJECT).fits
    return next(fit for fit in fits if fit.selected and fit.band_hz is None)


def test_bands_that_hold_everything_sum_to_the_broadband_law() -> None:
    fit = _broadband(0.0)
    assert [level.range_m for level in fit.recomposed] == pytest.approx([500.0, 1000.0, 2000.0, 4000.0, 8000.0])
    assert np.abs([level.difference_db for level in fit.recomposed]).max() < 0.05
    assert "bands_disagree" not in fit.flags


def test_what_the_bands_miss_is_said() -> None:
    fit = _broadband(1.5)
    assert [level.difference_db for level in fit.recomposed] == pytest.approx([-1.5] * 5, abs=0.05)
    assert "bands_disagree" in fit.flags
