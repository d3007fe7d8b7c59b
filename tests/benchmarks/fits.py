"""How long fits take: processor time of one core, printed beside the goals.

`OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.fits` (one thread, as the command line sets it). 100,000 strikes of
20 piles at 8 stations with a system each: 2 s; 150 band fits (30 bands of 5 quantities) of 20 piles at 8 stations,
limits in all of them: 60 s.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd

from reconcile.spreading import fit_campaign
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.tables.bands import exposure_column, noise_column
from tests.spreading import level_campaigns as invented

STATIONS = dict(zip([f"S{k}" for k in range(8)], np.geomspace(300.0, 9000.0, 8).tolist(), strict=True))
PILES = [f"A{k:02d}" for k in range(20)]
FAR = ("S6", "S7")


def _campaign(n: int) -> tuple[pd.DataFrame, Campaign]:
    random = np.random.default_rng(5)
    cells = {(p, s): r * float(10 ** random.normal(0.0, 0.04)) for p in PILES for s, r in STATIONS.items()}
    of_pile = dict(zip(PILES, random.normal(0.0, 2.0, 20), strict=True))
    of_place = dict(zip(STATIONS, random.normal(0.0, 1.5, 8), strict=True))

    def level(pile: str, station: str, range_m: float) -> np.ndarray:
        law = float(invented.line_db(range_m, 176.0, 15.0)) - 0.6 * (range_m - 750.0) / 1000.0
        return law + of_pile[pile] + of_place[station] + random.normal(0.0, 1.5, n)

    table = invented.strikes(cells, level, lambda _p: 1500.0 * 10.0 ** random.normal(0.0, 0.1, n))
    project = invented.campaign([invented.pile(p) for p in PILES], cells)
    return table.drop(columns=["peak_level_db", "rms_level_db"]), project


def hundred_thousand_strikes(hidden: float) -> float:
    """Seconds; a share `hidden` of the far strikes is known by limits only."""
    table, project = _campaign(625)
    far = table["station_id"].isin(FAR)
    limit = table.loc[far, "exposure_level_db"].quantile(hidden)
    table.loc[far & (table["exposure_level_db"] < limit), ["exposure_level_db", "exposure_censoring"]] = [
        limit,
        "at_most",
    ]
    start = time.process_time()
    fit_campaign(table, invented.NO_BANDS, project)
    return time.process_time() - start


def thirty_bands_of_five_quantities() -> float:
    """Seconds of 150 band fits."""
    table, project = _campaign(75)
    random = np.random.default_rng(6)
    far = table["station_id"].isin(FAR)
    bands = table[["strike_id", "station_id"]].copy()
    for n in range(12, 42):
        level = table["exposure_level_db"] - 10.0 + random.normal(0.0, 1.0, len(table))
        bands[exposure_column(n)] = level
        bands[noise_column(n)] = np.where(far, level[far].quantile(0.15) - 3.0, 60.0)
    start = time.process_time()
    for _ in range(5):
        fit_campaign(table, bands, project)
    return time.process_time() - start


if __name__ == "__main__":
    for share in (0.0, 0.15):
        print(
            f"100,000 strikes, {share:.0%} of the far ones hidden: {hundred_thousand_strikes(share):.1f} s (goal 2 s)"
        )
    print(f"150 band fits and 5 broadband ones: {thirty_bands_of_five_quantities():.0f} s (goal 60 s)")
