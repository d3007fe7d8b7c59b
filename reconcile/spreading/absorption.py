"""The sea water of a campaign, and what it absorbs in a band."""

from __future__ import annotations

from reconcile.vocabulary.decidecades import band_number, centre_hz
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import SeaWater
from reconcile.vocabulary.seawater import francois_garrison_1982

# Where the campaign states nothing: from 2 to 20 °C absorption differs by less than 30 % up to 20 kHz.
TEMPERATURE_C, SALINITY, ACIDITY_PH = 10.0, 35.0, 8.0


def sea_water(campaign: Campaign) -> SeaWater:
    """As stated, else assumed; at half of the site's water depth, or at the surface."""
    given = {
        name: value
        for name in ("temperature_c", "salinity", "acidity_ph")
        if (value := getattr(campaign, name)) is not None
    }
    assumed = {"temperature_c": TEMPERATURE_C, "salinity": SALINITY, "acidity_ph": ACIDITY_PH}
    return SeaWater(**assumed | given, depth_m=(campaign.water_depth_m or 0.0) / 2.0, stated=tuple(given))


def absorption_db_per_km(band_hz: float | None, water: SeaWater) -> float:
    """Of sea water at a band's centre; broadband levels lie where it is negligible, and have no one frequency: 0."""
    if band_hz is None:
        return 0.0
    frequency_hz = centre_hz(band_number(band_hz))
    return francois_garrison_1982(frequency_hz, water.temperature_c, water.salinity, water.depth_m, water.acidity_ph)
