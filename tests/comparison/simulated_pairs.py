"""Simulated projects as comparison tables: every error drawn anew, the injected ones known."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.vocabulary.documents.campaign import Campaign
from tests.spreading import level_campaigns as invented

PILES = tuple(f"A{k}" for k in range(6))
RANGES_M = {"S0": 350.0, "S1": 700.0, "S2": 1400.0, "S3": 2800.0, "S4": 5600.0, "S5": 900.0}
BANDS_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0)
CHAIN_DB, COMMON_DB, PLACE_DB, PILE_DB, REST_DB, STRIKE_DB = 0.7, 0.5, 1.5, 1.5, 0.7, 0.1
BAND_PILE_DB, BAND_PLACE_DB, BAND_REST_DB = 0.7, 0.7, 0.5
ENERGIES_KJ = (1000.0, 2000.0, 4000.0)
ENERGY_ERROR_DB = 1.0  # per decade: standard error of the coefficient by which levels are moved


def project() -> Campaign:
    """The piles and stations, one chain and place for each station."""
    cells = {(p, s): r for p in PILES for s, r in RANGES_M.items()}
    return invented.campaign([invented.pile(p) for p in PILES], cells, chain_db=CHAIN_DB, common_db=COMMON_DB)


def pairs(
    random: np.random.Generator,
    offset_db: float = 0.0,
    slope_db: float = 0.0,
    energy_db: float = 0.0,
    claimed_db: float = np.nan,
) -> pd.DataFrame:
    """Broadband pairs of every pile and station: offset at 750 m, slope per decade of range, and per decade of energy.

    Each pile has its predicted energy, was driven some way off it, and its levels were moved by a coefficient that is
    itself in error.
    """
    common, coefficient = random.normal(0.0, COMMON_DB), random.normal(0.0, ENERGY_ERROR_DB)
    of_place = {s: random.normal(0.0, PLACE_DB) + random.normal(0.0, CHAIN_DB) for s in RANGES_M}
    rows = []
    for k, pile in enumerate(PILES):
        predicted_kj, gap = ENERGIES_KJ[k % len(ENERGIES_KJ)], float(random.normal(0.0, 0.1))
        of_pile = random.normal(0.0, PILE_DB)
        for station, range_m in RANGES_M.items():
            rest = random.normal(0.0, REST_DB) + random.normal(0.0, STRIKE_DB)
            bias = offset_db + slope_db * np.log10(range_m / 750.0) + energy_db * np.log10(predicted_kj / 2000.0)
            bias += common + of_pile + of_place[station] + rest - coefficient * gap
            rows.append(_row(pile, station, range_m, float(bias)) | {"predicted_energy_kj": predicted_kj,
                        "energy_gap_decades": gap, "energy_uncertainty_db": abs(gap) * ENERGY_ERROR_DB,
                        "predicted_sd_db": claimed_db})  # fmt: skip
    return pd.DataFrame(rows)


def banded_pairs(random: np.random.Generator, shape_db: np.ndarray, shape_slope_db: np.ndarray) -> pd.DataFrame:
    """Pairs of every band: a shape over the bands and a shape of the slope, on errors that all bands share."""
    shared = pairs(random)
    frames = []
    for k, band_hz in enumerate(BANDS_HZ):
        of_pile = dict(zip(PILES, random.normal(0.0, BAND_PILE_DB, len(PILES)), strict=True))
        of_place = dict(zip(RANGES_M, random.normal(0.0, BAND_PLACE_DB, len(RANGES_M)), strict=True))
        further = shape_db[k] + shape_slope_db[k] * np.log10(shared["range_m"] / 750.0)
        further += shared["pile_id"].map(of_pile) + shared["station_id"].map(of_place)
        further += random.normal(0.0, BAND_REST_DB, len(shared))
        both = shared["bias_db"] + further
        frames.append(shared.assign(band_hz=band_hz, bias_db=both, acoustic_bias_db=both))
    return pd.concat(frames, ignore_index=True)


def _row(pile: str, station: str, range_m: float, bias_db: float) -> dict[str, object]:
    return {
        "pile_id": pile, "station_id": station, "system_id": f"H-{station}", "mooring_id": station,
        "prediction_id": "P1", "quantity": "exposure_level", "weighting": "none", "band_hz": np.nan,
        "statistic": "mean", "range_m": range_m, "n_strikes": 40, "measured_db": 170.0,
        "measured_uncertainty_db": float(np.hypot(CHAIN_DB, COMMON_DB)), "strike_uncertainty_db": STRIKE_DB,
        "predicted_db": 170.0 + bias_db, "bias_db": bias_db, "acoustic_bias_db": bias_db, "energy_part_db": 0.0,
        "strike_count_part_db": 0.0, "piles_part_db": 0.0, "receiver": None, "model_id": "M1",
        "installation_method": "impact", "foundation_type": "monopile", "abatement": "none", "counted": True,
        "flags": [],
    }  # fmt: skip
