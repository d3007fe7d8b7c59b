"""Flags of a fit, each on a table of levels that has what it is for and one that has not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.spreading import fit_levels
from reconcile.vocabulary.documents.fit import Fit

PILE, PLACE = (x.ravel() for x in np.meshgrid(np.arange(8), np.arange(8), indexing="ij"))
RANGES_M = np.geomspace(300.0, 8000.0, 8)[PLACE] * np.geomspace(0.95, 1.05, 8)[PILE]


def _fit(added_db: np.ndarray, model: str = "spreading_attenuation", **columns: object) -> Fit:
    random = np.random.default_rng(21)
    level = 176.0 - 14.0 * np.log10(RANGES_M / 750.0) - 0.5 * (RANGES_M - 750.0) / 1000.0 + added_db
    level = level + random.normal(0.0, 0.5, 8)[PILE] + random.normal(0.0, 0.3, 8)[PLACE] + random.normal(0.0, 0.3, 64)
    table = pd.DataFrame({"range_m": RANGES_M, "level_db": level, "pile_id": PILE.astype(str)})
    table = table.assign(station_id=PLACE.astype(str), **columns)
    return next(fit for fit in fit_levels(table).fits if fit.model == model)


@pytest.mark.parametrize(
    ("flag", "added_db", "model"),
    [
        ("residuals_follow_time", 0.8 * PILE, "spreading_attenuation"),
        ("residuals_curved", -8.0 * np.maximum(np.log10(RANGES_M / 1500.0), 0.0), "spreading"),
        ("one_station_decides", np.where(PLACE == 7, -12.0, 0.0), "damped_cylindrical"),
    ],
)
def test_what_is_there_is_flagged(flag: str, added_db: np.ndarray, model: str) -> None:
    assert flag in _fit(added_db, model).flags
    if flag != "residuals_curved":  # the law without attenuation is curved here in any case
        assert flag not in _fit(np.zeros(64), "spreading_attenuation").flags


def test_place_and_chain_that_are_one() -> None:
    assert "place_and_chain_not_told_apart" in _fit(np.zeros(64), system_id=[f"H{p}" for p in PLACE]).flags
    swapped = [f"H{(p + k // 4) % 8}" for p, k in zip(PLACE, PILE, strict=True)]
    assert "place_and_chain_not_told_apart" not in _fit(np.zeros(64), system_id=swapped).flags


def test_energies_that_the_coefficient_does_not_explain() -> None:
    energy = 1000.0 * 10.0 ** (0.1 * PILE)  # one energy per pile: the coefficient is assumed
    flags = _fit(20.0 * np.log10(energy / 1000.0), energy_kj=energy).flags
    assert {"energy_coefficient_assumed", "residuals_follow_energy"} <= set(flags)
    assert "residuals_follow_energy" not in _fit(10.0 * np.log10(energy / 1000.0), energy_kj=energy).flags
