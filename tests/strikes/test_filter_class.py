"""Bands of the continuous path against the class 1 acceptance limits of IEC 61260-1:2014, from 12.5 Hz up.

The relative attenuation of a band is measured through the whole path, file to band, with steady tones: the level that
the band shows below the level of the tone itself. The standard's limits are for stationary signals.
"""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from reconcile.strikes.band_levels import bands_of
from reconcile.vocabulary.decidecades import band_number, centre_hz
from tests.reference_rows import reference_rows
from tests.strikes.signals import analysed, write_stream

RATE = 8_000
# IEC 61260-1:2014 Table 1, class 1, for one-third octaves with G = 10^0.3 (read)
LIMITS = [
    row
    for row in reference_rows("filter_class_limits.csv")
    if row["standard"] == "IEC 61260-1:2014" and row["class"] == "1"
]
EDGE = 10 ** (1 / 20)
BANDS = [12.5, 16.0, 25.0, 100.0, 1000.0]


def limits_at(omega: float) -> tuple[float, float]:
    """Lowest and highest allowed relative attenuation at a normalised frequency: linear in dB over lg of it.

    Within the edges from the rows to the inner edge, outside from the outer edge on; the last row holds beyond.
    """
    omega = max(omega, 1.0 / omega)  # the limits are the same on either side
    at = [float(row["omega_high_third_octave"]) for row in LIMITS]
    edge = next(i for i, row in enumerate(LIMITS) if row["side"] == "outside")
    rows = range(edge) if omega < at[edge] else range(edge, len(LIMITS))
    x = [math.log10(at[i]) for i in rows]
    lowest = [float(LIMITS[i]["attenuation_min_db"]) for i in rows]
    highest = [float(LIMITS[i]["attenuation_max_db"]) for i in rows]
    position = math.log10(omega)
    top = np.inf if not np.isfinite(highest).all() else np.interp(position, x, highest)
    return float(np.interp(position, x, lowest)), float(top)


def test_limits_between_the_printed_points() -> None:
    """At the printed points the limits are those printed; half-way in lg between two, half-way in dB."""
    assert limits_at(1.0) == (-0.4, 0.4)
    assert limits_at(1.122017) == pytest.approx((-0.4, 5.3), abs=1e-3)  # just within the edge
    assert limits_at(1.122020) == pytest.approx((1.2, math.inf), abs=1e-3)
    assert limits_at(1 / 1.881728) == pytest.approx((40.5, math.inf), abs=1e-4)
    assert limits_at(20.0)[0] == 70.0
    assert limits_at(math.sqrt(1.294374 * 1.881728))[0] == pytest.approx((16.6 + 40.5) / 2, abs=1e-4)


@pytest.mark.parametrize("nominal_hz", BANDS)
def test_class_1_through_the_whole_path(tmp_path: Path, nominal_hz: float) -> None:
    """Tones at and between the standard's breakpoints on either side, as far as the full band reaches."""
    band = band_number(nominal_hz)
    centre = centre_hz(band)
    points = sorted({float(row["omega_high_third_octave"]) for row in LIMITS})
    between = [math.sqrt(a * b) for a, b in pairwise(points)]
    omegas = [w for w in points + between if abs(w - EDGE) > 1e-3] + [1.11, 1.121, 1.123, 1.135]
    for omega in sorted({*omegas, *(1.0 / w for w in omegas)}):
        frequency = centre * omega
        if not 11.0 < frequency < 0.42 * RATE:
            continue
        found = relative_attenuation_db(tmp_path, frequency, band)
        lowest, highest = limits_at(omega)
        assert lowest <= found <= highest, (omega, found)


def relative_attenuation_db(folder: Path, frequency_hz: float, band: int) -> float:
    """Level of a steady tone less what the band shows of it, in the middle of six seconds."""
    t = np.arange(6 * RATE) / RATE
    stream = write_stream(folder, 100.0 * np.sin(2 * np.pi * frequency_hz * t), RATE)
    _, seconds = analysed(stream)
    bands = np.concatenate([s.bands for s in seconds])[2:4].mean(axis=0)
    index = bands_of(stream.channels[0], RATE).index(band)
    return float(10 * np.log10(100.0**2 / 2 / max(bands[index], 1e-12)))
