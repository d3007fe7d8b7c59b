from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from reconcile.scenario.pulses import Path, frequency_grid, path_spectra
from reconcile.scenario.site import monopile_source
from reconcile.scenario.source import (
    VibratoryHammer,
    curtain_insertion_loss_db,
    pile_excitation,
    spectral_jitter_db,
    strike_spectrum,
    vibratory_source,
)
from reconcile.scenario.waveguide import Waveguide

FREQUENCIES_HZ = np.arange(10.0, 16000.0)


def test_ten_times_the_energy_is_ten_decibels() -> None:
    pile = monopile_source(10.0)
    soft, hard = (strike_spectrum(pile, FREQUENCIES_HZ, energy_kj) for energy_kj in (260.0, 2600.0))
    assert 20.0 * np.log10(np.abs(hard / soft)) == pytest.approx(10.0, abs=1e-9)


def test_the_band_spectrum_is_loudest_between_100_and_300_hz() -> None:
    density = np.abs(strike_spectrum(monopile_source(10.0), FREQUENCIES_HZ, 2000.0)) ** 2
    assert 100.0 < FREQUENCIES_HZ[np.argmax(density * FREQUENCIES_HZ)] < 300.0


def test_the_source_is_causal() -> None:
    # With exp(-i omega t) a causal signal is an inverse transform of the conjugate without energy at negative times.
    n, rate_hz = 65536, 65536.0
    spectrum = strike_spectrum(monopile_source(10.0), np.fft.rfftfreq(n, 1.0 / rate_hz), 2000.0)
    pulse = np.fft.irfft(np.conj(spectrum), n)
    assert np.sum(pulse[n // 2 :] ** 2) < 1e-4 * np.sum(pulse**2)


def test_the_curtain_takes_ten_to_fourteen_decibels_off_the_level_in_the_water() -> None:
    frequencies_hz = frequency_grid(1.5, 4000.0)
    paths = [Path(500.0, 20.0), Path(1500.0, 20.0), Path(6000.0, 20.0)]
    exposure = []
    for pile in (monopile_source(10.0), monopile_source(10.0, curtain=True)):
        losses = path_spectra(Waveguide(33.0), frequencies_hz, partial(pile_excitation, pile), paths)
        exposure.append(np.sum(np.abs(losses * strike_spectrum(pile, frequencies_hz, 2000.0)) ** 2, axis=1))
    insertion_loss_db = 10.0 * np.log10(exposure[0] / exposure[1])
    assert np.all((insertion_loss_db > 10.0) & (insertion_loss_db < 14.0))
    assert np.all(np.diff(curtain_insertion_loss_db(frequencies_hz)) > 0.0)


def test_strikes_differ_by_a_third_of_a_decibel() -> None:
    jitter_db = spectral_jitter_db(np.array([200.0]), np.random.default_rng(1), 4000)[:, 0]
    assert np.std(jitter_db) == pytest.approx(0.32, abs=0.03)
    assert np.mean(jitter_db) == pytest.approx(0.0, abs=0.02)


def test_a_vibratory_hammer_hums_at_its_harmonics() -> None:
    rate_hz, hammer = 4000, VibratoryHammer()
    pressure = vibratory_source(hammer, rate_hz, 40.0, np.random.default_rng(2))
    energy = np.abs(np.fft.rfft(pressure[10 * rate_hz : 30 * rate_hz] * np.hanning(20 * rate_hz))) ** 2
    frequencies_hz = np.fft.rfftfreq(20 * rate_hz, 1.0 / rate_hz)
    for order in (1, 2, 3):
        near = np.abs(frequencies_hz - order * hammer.fundamental_hz) < 0.2 * order + 0.2
        gap = np.abs(frequencies_hz - (order + 0.5) * hammer.fundamental_hz) < 2.0
        assert np.max(energy[near]) > 100.0 * np.max(energy[gap])
