"""Losses of decidecades in the waveguide of the reference tables, by the scenario's mode solver."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reconcile.scenario.waveguide import Waveguide, mode_sum, point_source_excitation, trapped_modes


def band_losses(n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ranges in m and losses in dB re 1 m² of band *n*, sampled as the header of waveguide_band_fits.csv says."""
    frequencies_hz = np.linspace(10 ** (n / 10 - 0.05), 10 ** (n / 10 + 0.05), 41)
    modes = trapped_modes(Waveguide(), frequencies_hz)
    excitation = point_source_excitation(modes, 15.0)
    ranges_m = np.geomspace(300.0, 9000.0, 200)
    pressure = np.array([mode_sum(modes, excitation, r, np.array([28.0]))[0] for r in ranges_m])
    return ranges_m, -10.0 * np.log10(np.mean(np.abs(pressure) ** 2, axis=1))
