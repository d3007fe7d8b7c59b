"""Rows of `uncertainty`: what the standard uncertainty of a pile's mean exposure level at a station is made of.

Three tiers are kept apart (JCGM 100:2008, 5.1.2): what is each strike's own is divided by √n; what a measuring chain,
or the whole campaign, has in common is not. √n takes strikes for independent draws of one level. They are not: the rise
of the levels in a soft start is counted as scatter, which makes the part too large, and neighbouring strikes are alike,
which makes it too small.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from reconcile.campaign.activity_periods import with_states
from reconcile.vocabulary.documents.campaign import Campaign, System
from reconcile.vocabulary.quantities import ratio
from reconcile.vocabulary.tables import UNCERTAINTY, Stage, flags_excluding
from reconcile.vocabulary.uncertainty import Component, Tier

SLOPE_DB_PER_DECADE = 15.0  # by which an uncertain range is turned to decibels; common practice, no source
_DB_PER_RELATIVE = 10.0 / np.log(10.0)  # change of a level for a small relative change of its energy


def budget_rows(strikes: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """The budgets of all piles and stations, full-band exposure level, over the strikes that the summary uses."""
    excluded = flags_excluding(Stage.SUMMARY)
    used = strikes["pile_id"].notna() & ~strikes["flags"].map(lambda flags: bool(excluded.intersection(flags)))
    rows = []
    for key, group in with_states(strikes[used], campaign).groupby(["pile_id", "station_id", "abatement"]):
        systems = [campaign.system(str(system)) for system in group["system_id"].unique()]
        named = ", ".join(system.id for system in systems)
        for component in components(group, systems, campaign):
            rows.append(
                {
                    "pile_id": key[0],
                    "station_id": key[1],
                    "abatement": key[2],
                    "system_id": named,
                    "component": component.name,
                    "common_to": component.tier.value,
                    "standard_uncertainty_db": component.standard_uncertainty,
                    "degrees_of_freedom": component.degrees_of_freedom
                    if np.isfinite(component.degrees_of_freedom)
                    else np.nan,
                    "counted": component.counted,
                    "source": component.source,
                }
            )
    return pd.DataFrame(rows, columns=list(UNCERTAINTY.column_names))


def components(group: pd.DataFrame, systems: list[System], campaign: Campaign) -> Iterator[Component]:
    """The components of one pile at one station."""
    level = group["exposure_level_db"].dropna().to_numpy(dtype=np.float64)
    n = max(level.size, 1)
    scatter = float(np.std(level, ddof=1)) / np.sqrt(n) if level.size > 1 else 0.0
    source = "standard deviation of the levels over √n, as if strikes were independent draws of one level"
    yield Component("scatter of the strikes", Tier.STRIKE, scatter, source, n - 1)
    yield Component(
        "background subtraction",
        Tier.STRIKE,
        _of_subtraction(group) / float(np.sqrt(n)),
        "scatter of the background from strike to strike; part of the scatter of the strikes",
        counted=False,
    )
    yield from _of_chain(group, systems)
    yield Component("common to all chains", Tier.CAMPAIGN, campaign.common_uncertainty_db, "common_uncertainty_db")
    relative = (group["range_standard_uncertainty_m"] / group["range_m"]).dropna()
    if len(relative):
        of_range = SLOPE_DB_PER_DECADE / np.log(10.0) * float(relative.median())
        source = f"distance, at {SLOPE_DB_PER_DECADE:g} dB per decade; enters where levels are compared at a distance"
        yield Component("range", Tier.STRIKE, of_range, source, counted=False)


def _of_subtraction(group: pd.DataFrame) -> float:
    """Effect on one strike's level of not knowing the background under it better than it varies between strikes."""
    noise = ratio(group["noise_level_db"].dropna())
    if noise.size < 2:
        return 0.0
    relative = float(np.std(noise, ddof=1) / np.mean(noise))
    share = ratio(group["noise_level_db"]) * group["window_s"].to_numpy() / ratio(group["exposure_level_db"])
    return float(_DB_PER_RELATIVE * np.nanmedian(share) * relative)


def _of_chain(group: pd.DataFrame, systems: list[System]) -> Iterator[Component]:
    if len(systems) > 1:
        counts = [int((group["system_id"] == system.id).sum()) for system in systems]
        mean_square = np.average([system.uncertainty_db**2 for system in systems], weights=counts)
        yield Component("measuring chains", Tier.SYSTEM, float(np.sqrt(mean_square)), "root mean square of those used")
        return
    system = systems[0]
    stated = system.uncertainty_components_db
    for name, value in stated.items():
        yield Component(name.replace("_", " "), Tier.SYSTEM, value, "uncertainty_components_db")
    rest = np.sqrt(max(0.0, system.standard_uncertainty_db**2 - sum(value**2 for value in stated.values())))
    name = "rest of the chain" if stated else "whole chain"
    yield Component(name, Tier.SYSTEM, float(rest), "standard_uncertainty_db of the system")
    checked = np.sqrt(max(0.0, system.uncertainty_db**2 - system.standard_uncertainty_db**2))
    if system.effective_standard_uncertainty_db is not None:
        yield Component("field checks", Tier.SYSTEM, float(checked), "drift between checks, and what they contradict")
