"""Chains that heard one pile further apart than their distances explain: a gain or a sensitivity is hardly right."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations

import pandas as pd

SLOPE_DB_PER_DECADE = 15.0  # what levels usually fall by with range
DOUBT_DB = 15.0  # bearing, depth and bottom together make less
DOUBT_DB_PER_DECADE = 10.0  # and so does another slope, absorption included


def gaps_between_chains(summary: pd.DataFrame) -> list[str]:
    """Warnings of stations whose exposure levels of one pile differ by more than distance explains.

    From the broadband rows of `summary`, state by state; each pair of stations once, for the pile where it is worst.
    """
    rows = summary[
        (summary["quantity"] == "exposure_level") & (summary["weighting"] == "none") & summary["band_hz"].isna()
    ]
    rows = rows[rows["median_db"].notna() & (rows["range_m"] > 0)]
    found: dict[tuple[str, str], tuple[float, str]] = {}
    for _, own in rows.groupby(["pile_id", "installation_method", "abatement"], sort=False, dropna=False):
        for pair, excess, words in _pairs(own):
            if pair not in found or excess > found[pair][0]:
                found[pair] = (excess, words)
    return [words for _, words in found.values()]


def _pairs(own: pd.DataFrame) -> Iterator[tuple[tuple[str, str], float, str]]:
    stations = [
        (str(station), float(range_m), float(level))
        for station, range_m, level in zip(own["station_id"], own["range_m"], own["median_db"], strict=True)
    ]
    pile = str(own["pile_id"].iloc[0])
    for (a, range_a, level_a), (b, range_b, level_b) in combinations(sorted(stations), 2):
        decades = math.log10(range_b / range_a)
        gap = level_a - level_b - SLOPE_DB_PER_DECADE * decades
        excess = abs(gap) - DOUBT_DB - DOUBT_DB_PER_DECADE * abs(decades)
        if excess > 0.0:
            louder, fainter = (a, b) if gap > 0 else (b, a)
            yield (
                (a, b),
                excess,
                f"station {louder} heard pile {pile} {abs(gap):.0f} dB louder than station {fainter}, distances "
                f"allowed for ({SLOPE_DB_PER_DECADE:g} dB per decade): is a gain, a sensitivity or a band of one of "
                "their chains wrong?",
            )
