"""The water that a campaign states is that of the bands' fits, and what is assumed is said."""

from __future__ import annotations

import pytest

from reconcile.spreading import fit_campaign
from reconcile.spreading.absorption import absorption_db_per_km, sea_water
from reconcile.vocabulary.decidecades import band_number, centre_hz
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.seawater import ainslie_mccolm_1998
from reconcile.vocabulary.tables.bands import exposure_column, noise_column
from tests.spreading import level_campaigns as invented

CELLS = {("A0", f"S{k}"): r for k, r in enumerate((500.0, 1000.0, 2000.0, 4000.0))}
COLD = {"temperature_c": 4.0, "salinity": 33.0, "acidity_ph": 7.9, "water_depth_m": 40.0}


def _campaign(**stated: float) -> Campaign:
    return invented.campaign([invented.pile("A0")], CELLS).model_copy(update=stated)


def test_nothing_stated_is_ten_degrees_salinity_35_and_ph_8() -> None:
    water = sea_water(_campaign())
    assert (water.temperature_c, water.salinity, water.acidity_ph, water.depth_m) == (10.0, 35.0, 8.0, 0.0)
    assert water.stated == ()


def test_what_is_stated_counts_at_half_the_depth() -> None:
    water = sea_water(_campaign(**COLD))
    assert (water.temperature_c, water.salinity, water.acidity_ph, water.depth_m) == (4.0, 33.0, 7.9, 20.0)
    assert water.stated == ("temperature_c", "salinity", "acidity_ph")


@pytest.mark.parametrize("band_hz", [1000.0, 10000.0, 40000.0])
def test_absorption_of_the_stated_water_by_a_second_published_formula(band_hz: float) -> None:
    """Ainslie and McColm 1998 lies within 10 % of what is used here, by its authors."""
    second = ainslie_mccolm_1998(centre_hz(band_number(band_hz)), 4.0, 33.0, 20.0, 7.9)
    assert absorption_db_per_km(band_hz, sea_water(_campaign(**COLD))) == pytest.approx(second, rel=0.1)
    assert absorption_db_per_km(None, sea_water(_campaign(**COLD))) == 0.0


def test_a_band_says_its_water_and_a_broadband_fit_has_none() -> None:
    campaign = _campaign(**COLD)
    strikes = invented.strikes(CELLS, lambda _p, _s, r: [float(invented.line_db(r, 170.0, 15.0))] * 5)  # type: ignore[arg-type, return-value]
    bands = strikes[["strike_id", "station_id"]].copy()
    bands[exposure_column(40)], bands[noise_column(40)] = strikes["exposure_level_db"] - 20.0, 60.0
    document = fit_campaign(strikes, bands, campaign)
    band = next(fit for fit in document.fits if fit.band_hz == 10000.0 and fit.model == "spreading")
    broad = next(fit for fit in document.fits if fit.band_hz is None)
    assert band.sea_water == sea_water(campaign)
    assert band.coefficients.attenuation_db_per_km.value == pytest.approx(
        absorption_db_per_km(10000.0, sea_water(campaign))
    )
    assert broad.sea_water is None
