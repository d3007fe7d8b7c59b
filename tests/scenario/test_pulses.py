from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from reconcile.scenario.pulses import Path, edge_taper, frequency_grid, path_spectra, point_source_pulse, time_series
from reconcile.scenario.waveguide import (
    Complexes,
    Floats,
    Modes,
    Waveguide,
    mode_sum,
    point_source_excitation,
    trapped_modes,
)


def burst(frequency_hz: float, width_hz: float) -> Callable[[Floats], Complexes]:
    """Gaussian source spectrum about a frequency, centred on the firing."""

    def spectrum(frequencies_hz: Floats) -> Complexes:
        return np.exp(-0.5 * ((frequencies_hz - frequency_hz) / width_hz) ** 2).astype(complex)

    return spectrum


@pytest.mark.parametrize("range_m", [500.0, 1500.0, 5000.0])
def test_each_pulse_arrives_at_its_group_speed(range_m: float) -> None:
    # In this band mode 1 carries nearly all at long range; the group speed d omega / d k from a difference of k.
    waveguide = Waveguide()
    pressure, start_s = point_source_pulse(
        waveguide, burst(80.0, 8.0), source_depth_m=15.0, path=Path(range_m, 15.0), rate_hz=2000, duration_s=3.0
    )
    modes = trapped_modes(waveguide, np.array([79.0, 81.0]))
    group_speed_m_s = 2.0 * np.pi * 2.0 / float(np.diff(modes.horizontal_rad_m[:, 0])[0])
    time_s = start_s + np.arange(pressure.size) / 2000.0
    centre_s = float(np.sum(time_s * pressure**2) / np.sum(pressure**2))
    assert centre_s == pytest.approx(range_m / group_speed_m_s, abs=0.01 + 0.005 * range_m / 1500.0)


def test_energy_is_that_of_the_losses() -> None:
    # Second route: energy from the modulus of the loss, summed over a frequency grid of another spacing.
    waveguide, path = Waveguide(), Path(1500.0, 20.0)
    source = burst(250.0, 40.0)
    pressure, _ = point_source_pulse(waveguide, source, source_depth_m=15.0, path=path, rate_hz=4000, duration_s=2.0)
    frequencies_hz = np.arange(31.0, 1200.0, 0.1)
    modes = trapped_modes(waveguide, frequencies_hz)
    loss = mode_sum(modes, point_source_excitation(modes, 15.0), 1500.0, np.array([20.0]))[0]
    energy = 2.0 * np.sum(np.abs(loss * source(frequencies_hz)) ** 2) * 0.1
    assert np.sum(pressure**2) / 4000.0 == pytest.approx(energy, rel=2e-3)


def test_a_path_does_not_depend_on_its_neighbours() -> None:
    waveguide, grid_hz = Waveguide(), frequency_grid(1.0, 900.0)
    paths = [Path(600.0, 12.0), Path(600.0, 20.0), Path(900.0, 12.0)]

    def excite(modes: Modes) -> Complexes:
        return point_source_excitation(modes, 15.0)

    together = path_spectra(waveguide, grid_hz, excite, paths)
    alone = [path_spectra(waveguide, grid_hz, excite, [path])[0] for path in paths]
    assert np.allclose(together, alone, rtol=1e-10, atol=0.0)


def test_time_series_of_a_delay() -> None:
    # exp(+i omega tau) is a delay by tau here: the pulse must come after, not before, its time origin.
    frequencies_hz = frequency_grid(1.0, 500.0)
    spectrum = np.exp(2j * np.pi * frequencies_hz * 0.3) * edge_taper(frequencies_hz, 500.0)
    assert int(np.argmax(np.abs(time_series(spectrum, 1000, 1000)))) == 300
