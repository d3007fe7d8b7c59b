"""Campaigns drawn anew in every part that is uncertain, with the law behind them known.

Six piles at five stations. Chains err by their certificates (0.7 dB each, 0.5 dB common to all), places by 1.5 dB,
piles by 2 dB, one pile at one place by 0.7 dB. Each pile has 120 strikes: a ramp of the energy, level rising by 11 dB
per decade, and scatter with serial correlation (0.6 from strike to strike), 1 dB of it common to all stations and
0.7 dB of each station's own. Of the farthest station's strikes a share lies below a background that fluctuates by
0.5 dB, of the nearest's 3 % are clipped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.vocabulary.documents.campaign import Campaign
from tests.spreading import level_campaigns as invented

PILES, STATIONS, STRIKES = 6, 5, 120
RANGES_M = (350.0, 750.0, 1500.0, 3000.0, 7000.0)
REFERENCE_M, REFERENCE_ENERGY_KJ = 1000.0, 1500.0
LEVEL_DB, SPREADING_DB, ALPHA_DB_PER_KM, ENERGY_DB = 174.0, 15.0, 0.6, 11.0
CHAIN_DB, COMMON_DB, PLACE_DB, PILE_DB, CELL_DB = 0.7, 0.5, 1.5, 2.0, 0.7
SHARED_STRIKE_DB, OWN_STRIKE_DB, SERIAL = 1.0, 0.7, 0.6
CLIPPED_SHARE = 0.03
THRESHOLD_DB = 165.0


def truth_db(range_m: float | np.ndarray) -> np.ndarray:
    """Level of a strike of the reference energy, without any error."""
    ranges = np.asarray(range_m, dtype=float)
    return np.asarray(
        LEVEL_DB - SPREADING_DB * np.log10(ranges / REFERENCE_M) - ALPHA_DB_PER_KM * (ranges - REFERENCE_M) / 1000.0
    )


@dataclass(frozen=True, slots=True)
class Simulated:
    """A campaign as the program gets it, and as an oracle sees it: the true mean of every cell's strikes."""

    strikes: pd.DataFrame
    campaign: Campaign
    range_m: np.ndarray  # of each cell
    pile: np.ndarray
    station: np.ndarray
    level_db: np.ndarray  # mean over all strikes at the reference energy, none hidden
    reference_energy_kj: float


def _serial(random: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Rows of a first-order autoregressive series of unit variance."""
    noise = random.standard_normal(shape)
    for k in range(1, shape[1]):
        noise[:, k] = SERIAL * noise[:, k - 1] + np.sqrt(1.0 - SERIAL**2) * noise[:, k]
    return noise


def simulate(seed: int, far_share: float = 0.15, place_db: float = PLACE_DB) -> Simulated:
    """One campaign; `far_share` of the farthest station's strikes lie below the background."""
    random = np.random.default_rng(seed)
    pile, station = (x.ravel() for x in np.meshgrid(np.arange(PILES), np.arange(STATIONS), indexing="ij"))
    range_m = np.array(RANGES_M)[station] * 10.0 ** random.normal(0.0, 0.04, pile.size)
    cell = truth_db(range_m) + random.normal(0.0, COMMON_DB) + random.normal(0.0, CELL_DB, pile.size)
    cell += random.normal(0.0, PILE_DB, PILES)[pile]
    cell += (random.normal(0.0, CHAIN_DB, STATIONS) + random.normal(0.0, place_db, STATIONS))[station]
    ramp = np.minimum(np.linspace(0.25, 1.4, STRIKES), 1.0)
    energy = 2000.0 * ramp * 10.0 ** random.normal(0.0, 0.03, (PILES, STRIKES))
    reference = float(np.median(energy))
    scatter = SHARED_STRIKE_DB * _serial(random, (PILES, STRIKES))[pile]
    scatter += OWN_STRIKE_DB * _serial(random, (pile.size, STRIKES))
    level = cell[:, None] + ENERGY_DB * np.log10(energy / reference)[pile] + scatter
    far, near = station == STATIONS - 1, station == 0
    background = random.normal(0.0, 0.5, level.shape)
    below = np.quantile(level[far] - background[far], far_share)
    faint = far[:, None] & (level < below + background)
    limit = np.where(faint, below + background, level)
    top = np.quantile(level[near], 1.0 - CLIPPED_SHARE)
    clipped = near[:, None] & (level > top)
    limit = np.where(clipped, top, limit)
    names = {(f"A{p}", f"S{s}"): float(r) for p, s, r in zip(pile, station, range_m, strict=True)}
    rows = {key: k for k, key in enumerate(names)}
    table = invented.strikes(names, lambda p, s, _r: limit[rows[(p, s)]], lambda p: energy[int(p[1:])]).drop(
        columns=["peak_level_db", "rms_level_db", "peak_censoring"]
    )
    table["exposure_censoring"] = np.where(faint.ravel(), "at_most", np.where(clipped.ravel(), "at_least", "none"))
    project = invented.campaign(
        [invented.pile(f"A{p}") for p in range(PILES)], names, chain_db=CHAIN_DB, common_db=COMMON_DB
    )
    whole = (cell[:, None] + scatter).mean(axis=1)
    return Simulated(table, project, range_m, pile, station, whole, reference)
