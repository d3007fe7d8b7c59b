"""What is left of a strike when its background is taken off: energy, its uncertainty, the effective duration.

Estimator: with s the strike and n the background, the interval of length W holds ∫(s + n)² = E + 2∫s·n + ∫n²; the mean
square of the quiet stretch (length Q) times W stands for the last term. It has no bias where the background is
stationary. For Gaussian background the rest has, with E_b and N_b energy and mean square in a band of width B_b,

    u² = Σ_b [ 2 E_b N_b / B_b + (W + W²/Q) N_b² / B_b ]

The first part is the interference of strike and background, the second the chance of the background in both stretches.
(Closed form for sums of squares of Gaussian noise whose density is even within a band; derived here, no source.)
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from reconcile.vocabulary.decidecades import edges_hz
from reconcile.vocabulary.quantities import FloatArray

COVERAGE_FACTOR = 1.959964  # normal, two-sided 95 %


def subtracted_energy(pulses: pd.DataFrame) -> FloatArray:
    """Energy of the interval less the background's share (Pa² s); as it is where there is no background."""
    share = (pulses["noise_pa2"] * pulses["window_s"]).fillna(0.0)
    return (pulses["energy_pa2_s"] - share).to_numpy(dtype=np.float64)


def energy_uncertainty(pulses: pd.DataFrame) -> FloatArray:
    """Standard uncertainty (Pa² s) of `subtracted_energy`, by the formula above over the decidecades that are known.

    NaN where there is no background. The square of a background that is estimated from ν = 2·B·Q numbers is too large
    on average by (1 + 2/ν), which is divided out.
    """
    window, quiet = (pulses[name].to_numpy(dtype=np.float64) for name in ("window_s", "quiet_s"))
    quiet = np.where(quiet > 0, quiet, np.nan)  # nothing was quiet: there is no background
    crossed, chance = np.zeros(len(pulses)), np.zeros(len(pulses))
    for n in sorted(int(found[1]) for name in pulses.columns if (found := re.fullmatch(r"band_(\d+)", str(name)))):
        low, high = edges_hz((n,))
        width = float(high - low)
        noise = pulses[f"band_noise_{n}"].to_numpy(dtype=np.float64)
        energy = pulses[f"band_{n}"].to_numpy(dtype=np.float64) - noise * window
        crossed += np.nan_to_num(2.0 * energy * noise / width)
        chance += np.nan_to_num((window + window**2 / quiet) * noise**2 / width / (1.0 + 1.0 / (width * quiet)))
    known = np.isfinite(pulses["noise_pa2"].to_numpy(dtype=np.float64)) & np.isfinite(quiet)
    return np.where(known & (chance > 0), np.sqrt(np.maximum(crossed, 0.0) + chance), np.nan)


def effective_duration_s(pulses: pd.DataFrame) -> FloatArray:
    """(∫p²dt)² / ∫p⁴dt of each strike (s), the background taken off both integrals; NaN where nothing is left.

    Gaussian background of mean square N adds 6 N E + 3 N² W to the fourth power of a strike of energy E.
    """
    energy = subtracted_energy(pulses)
    noise = pulses["noise_pa2"].fillna(0.0).to_numpy(dtype=np.float64)
    share = 6.0 * noise * energy + 3.0 * noise**2 * pulses["window_s"].to_numpy(dtype=np.float64)
    fourth = pulses["fourth_power_pa4_s"].to_numpy(dtype=np.float64) - share
    left = (energy > 0) & (fourth > 0)
    return np.where(left, energy**2 / np.where(left, fourth, 1.0), np.nan)
