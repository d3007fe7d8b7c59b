"""What fits leave, what single places do to them, and what damped cylindrical spreading says of the bottom."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from reconcile.running.store import to_arrow
from reconcile.spreading import fit_levels, fit_with_residuals, level_curve
from reconcile.vocabulary.documents.fit import Fit
from reconcile.vocabulary.tables import RESIDUALS
from tests.spreading import level_campaigns as invented

RANGES_M = dict(zip([f"S{k}" for k in range(5)], np.geomspace(400.0, 6000.0, 5).tolist(), strict=True))
PILES = [f"A{p}" for p in range(3)]


def _fitted(alpha_db_per_km: float = 0.0, spreading_db: float = 15.0) -> tuple[list[Fit], pd.DataFrame]:
    random = np.random.default_rng(31)
    cells = {(p, s): r * 1.03**k for k, p in enumerate(PILES) for s, r in RANGES_M.items()}
    campaign = invented.campaign([invented.pile(p) for p in PILES], cells).model_copy(update={"water_depth_m": 30.0})

    def level(_pile: str, _station: str, range_m: float) -> np.ndarray:
        law = float(invented.line_db(range_m, 176.0, spreading_db)) - alpha_db_per_km * (range_m - 750.0) / 1000.0
        return law + random.normal(0.0, 0.4) + random.normal(0.0, 0.5, 10)

    table = invented.strikes(cells, level, lambda p: np.full(10, 1000.0 + 100.0 * int(p[1:])))
    document, residuals = fit_with_residuals(table, invented.NO_BANDS, campaign)
    return list(document.fits), residuals


def test_rows_are_those_of_the_chosen_fits_and_hold_the_curve() -> None:
    fits, residuals = _fitted()
    chosen = next(fit for fit in fits if fit.selected and fit.quantity == "exposure_level")
    rows = residuals[residuals["quantity"] == "exposure_level"]
    assert len(rows) == len(PILES) * len(RANGES_M)
    assert set(rows["model"]) == {chosen.model}
    assert rows["fitted_db"].to_numpy() == pytest.approx(level_curve(chosen, rows["range_m"]), abs=1e-6)
    assert rows["residual_db"].to_numpy() == pytest.approx((rows["level_db"] - rows["fitted_db"]).to_numpy())
    assert sorted(set(np.round(rows["energy_kj"]))) == [1000.0, 1100.0, 1200.0]
    assert rows["n_strikes"].eq(10).all()
    written = to_arrow(residuals, RESIDUALS)
    assert written.schema.field("time_utc").type == pa.timestamp("us", tz="UTC")
    assert written.num_rows == len(residuals)


def test_a_place_that_stands_apart_is_the_one_that_decides() -> None:
    pile, place = (x.ravel() for x in np.meshgrid(np.arange(6), np.arange(6), indexing="ij"))
    ranges = np.geomspace(300.0, 8000.0, 6)[place] * 1.01**pile
    level = 176.0 - 15.0 * np.log10(ranges / 750.0) + np.where(place == 5, -10.0, 0.0)
    level = level + np.random.default_rng(32).normal(0.0, 0.3, 36)
    table = pd.DataFrame({"range_m": ranges, "level_db": level, "pile_id": pile.astype(str)})
    table["station_id"] = [f"S{k}" for k in place]
    fit = next(f for f in fit_levels(table).fits if f.model == "spreading")
    change = {one.mooring_id: one.coefficients["spreading_coefficient_db_per_decade"] for one in fit.influence}
    assert max(change, key=lambda name: abs(change[name])) == "S5"
    rest = next(f for f in fit_levels(table[table["station_id"] != "S5"]).fits if f.model == "spreading")
    both = [f.coefficients.spreading_coefficient_db_per_decade.value for f in (fit, rest)]
    assert change["S5"] == pytest.approx(both[1] - both[0], abs=0.5)  # the fit without it has variances of its own
    assert set(fit.influence[0].coefficients) == {"level_at_reference_db", "spreading_coefficient_db_per_decade"}


def test_the_attenuation_reads_as_loss_of_one_reflection() -> None:
    """2 H / tan(theta) with sin(theta) = c / 5000 m/s: 2 x 30 m x tan(72.66 degrees) = 192.2 m for 1490 m/s."""
    fits, _ = _fitted(alpha_db_per_km=2.5, spreading_db=10.0)
    fit = next(f for f in fits if f.model == "damped_cylindrical" and f.quantity == "exposure_level")
    loss, cycle_m = fit.bottom_loss, 60.0 / math.tan(math.asin(1490.0 / 5000.0))
    alpha = fit.coefficients.attenuation_db_per_km
    assert loss is not None
    assert loss.cycle_distance_m == pytest.approx(cycle_m)
    assert loss.loss_db.value == pytest.approx(alpha.value * cycle_m / 1000.0)
    assert loss.loss_db.standard_error == pytest.approx(alpha.standard_error * cycle_m / 1000.0)
    assert loss.loss_db.value == pytest.approx(2.5 * 0.1922, abs=3.0 * loss.loss_db.standard_error)
    others = [f for f in fits if f.model != "damped_cylindrical" or f.quantity != "exposure_level"]
    assert all(f.bottom_loss is None for f in others)
