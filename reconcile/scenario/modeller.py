"""The prediction made before construction: true levels of the mean strike, made wrong by a known bias."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from . import truth
from .pulses import Path, edge_taper, frequency_grid, path_spectra
from .site import Pile, PredictedGroup, Site
from .sound import PULSE_WINDOW_S, waveguide_of
from .source import pile_excitation, strike_spectrum
from .waveguide import Floats

LOWEST_RANGE_M, N_RANGES = 400.0, 14
SMOOTHING = np.linspace(0.92, 1.08, 5)
"""A level at R is the mean over these shares of R, so that mode interference does not show in the table."""
HIGHEST_HZ, RATE_HZ = 6000.0, 32000
REFERENCE_RANGE_M = 750.0
BANDS = {"125": "125hz", "500": "500hz", "1000": "1000hz"}


@dataclass(frozen=True)
class Prediction:
    """One predicted curve: rows equal in all but range and level."""

    group: PredictedGroup
    quantity: str
    weighting: str
    band_hz: str
    abatement: str
    basis_known: bool
    ranges_m: Floats
    levels_db: Floats
    """With the injected bias."""


def injected_bias_db(group: PredictedGroup, ranges_m: Floats) -> Floats:
    """Predicted minus true level."""
    return group.offset_db + group.slope_db_per_decade * np.log10(ranges_m / REFERENCE_RANGE_M)


def true_levels(site: Site, group: PredictedGroup, ranges_m: Floats) -> dict[str, Floats]:
    """Levels of the mean strike at the group's energy: mean over its piles, the stations' depths, and nearby ranges."""
    depths_m = sorted(station.hydrophone_depth_m for station in site.stations)
    paths = [Path(r * share, z) for r in ranges_m for share in SMOOTHING for z in depths_m]
    piles = [pile for pile in site.piles if pile.pile_id in group.pile_ids]
    with ThreadPoolExecutor(2) as pool:
        tables = list(pool.map(lambda pile: levels_along(pile, group.energy_kj, paths, ranges_m.size), piles))
    return {name: np.mean([table[name] for table in tables], axis=0) for name in tables[0]}


def levels_along(pile: Pile, energy_kj: float, paths: list[Path], n_ranges: int) -> dict[str, Floats]:
    """Levels of the mean strike of one pile, each the mean over the paths that belong to a range."""
    frequencies_hz = frequency_grid(PULSE_WINDOW_S, HIGHEST_HZ)
    source = strike_spectrum(pile.source, frequencies_hz, energy_kj) * edge_taper(frequencies_hz, HIGHEST_HZ)
    spectra = path_spectra(waveguide_of(pile), frequencies_hz, lambda modes: pile_excitation(pile.source, modes), paths)
    levels, _ = truth.pulse_levels(spectra * source, RATE_HZ, round(RATE_HZ * PULSE_WINDOW_S))
    return {name: np.mean(values.reshape(n_ranges, -1), axis=1) for name, values in levels.items()}


def predictions(site: Site, group: PredictedGroup) -> list[Prediction]:
    """All curves of a group, among them one without statistic and energy, and one for a curtain that was not used."""
    ranges_m = np.round(np.geomspace(LOWEST_RANGE_M, group.highest_range_m, N_RANGES), 1)
    levels = true_levels(site, group, ranges_m)
    bias_db = injected_bias_db(group, ranges_m)

    def curve(
        quantity: str, column: str, weighting: str = "none", band_hz: str = "", *, known: bool = True
    ) -> Prediction:
        return Prediction(
            group, quantity, weighting, band_hz, group.abatement, known, ranges_m, levels[column] + bias_db
        )

    curves = [
        curve("exposure_level", "exposure_level_db"),
        curve("peak_level", "peak_level_db"),
        curve("exposure_level", "exposure_level_nmfs_2024_lf_db", "nmfs-2024:LF"),
        *(curve("exposure_level", f"exposure_level_{name}_db", "none", hz) for hz, name in BANDS.items()),
        curve("rms_level", "rms_level_db", known=False),
    ]
    if group.abatement == "none":
        quiet = levels["exposure_level_db"] + bias_db - 11.0
        curves.append(Prediction(group, "exposure_level", "none", "", "single bubble curtain", True, ranges_m, quiet))
    return curves


def predicted_range_m(curve: Prediction, threshold_db: float) -> float | None:
    """Where a curve falls to a level, linear in log range; nothing where it does not within the table."""
    falling = np.minimum.accumulate(curve.levels_db)
    if not falling[-1] < threshold_db < falling[0]:
        return None
    return float(10.0 ** np.interp(-threshold_db, -falling, np.log10(curve.ranges_m)))
