"""What radiates: a struck pile as a line source with running waves, a bubble curtain, a vibratory hammer.

Invented spectra with the look of piling: a broad maximum between 100 and 300 Hz, falling above. The time
dependence is exp(-i omega t) as in `waveguide`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .waveguide import Complexes, Floats, Modes, line_source_excitation

PILE_WAVE_SPEED_M_S = 5100.0
"""Compressional wave in the wall of a steel pile; in water it leaves a Mach cone about 17 degrees down."""


@dataclass(frozen=True)
class StruckPile:
    """A pile and its hammer as a source of sound.

    `strength_pa_m_hz` scales the spectrum of a strike of `reference_energy_kj`; the exposure grows by 10 dB per
    decade of energy. The wave in the wall is reflected at the toe and at the top.
    """

    strength_pa_m_hz: float
    reference_energy_kj: float
    length_m: float
    penetration_m: float
    low_hz: float = 90.0
    middle_hz: float = 230.0
    high_hz: float = 1000.0
    toe_reflection: float = -0.55
    top_reflection: float = 0.5
    curtain: bool = False


def strike_spectrum(pile: StruckPile, frequencies_hz: Floats, energy_kj: float) -> Complexes:
    """Source spectrum of one strike in Pa m/Hz, before the pile's reflections: causal, with simple poles."""
    f = frequencies_hz
    amplitude = pile.strength_pa_m_hz * np.sqrt(energy_kj / pile.reference_energy_kj)
    rise = (-1j * f / pile.low_hz / (1.0 - 1j * f / pile.low_hz)) ** 2
    fall = (1.0 - 1j * f / pile.middle_hz) * (1.0 - 1j * f / pile.high_hz)
    spectrum = amplitude * rise / fall
    if pile.curtain:
        spectrum = spectrum * 10.0 ** (-curtain_insertion_loss_db(f) / 20.0)
    return np.asarray(spectrum)


def pile_excitation(pile: StruckPile, modes: Modes) -> Complexes:
    """Excitation of each mode by the wave that runs down, its reflection from the toe, and that from the top."""
    omega = 2.0 * np.pi * modes.frequencies_hz[:, None]
    down = line_source_excitation(modes, PILE_WAVE_SPEED_M_S)
    toe_delay = 2.0 * (modes.water_depth_m + pile.penetration_m) / PILE_WAVE_SPEED_M_S
    top_delay = 2.0 * pile.length_m / PILE_WAVE_SPEED_M_S
    up = pile.toe_reflection * np.exp(1j * omega * toe_delay) * np.conj(down)
    again = pile.toe_reflection * pile.top_reflection * np.exp(1j * omega * top_delay) * down
    return np.asarray(down + up + again)


def curtain_insertion_loss_db(frequencies_hz: Floats) -> Floats:
    """Insertion loss of the invented double bubble curtain: weak below 60 Hz, about 27 dB above 1 kHz."""
    ratio = (np.maximum(frequencies_hz, 1e-9) / 190.0) ** 1.3
    return np.asarray(1.5 + 26.0 * ratio / (1.0 + ratio))


def spectral_jitter_db(frequencies_hz: Floats, rng: np.random.Generator, n_strikes: int) -> Floats:
    """Small smooth differences between strikes in dB: level, tilt and two humps over log frequency.

    Shape (strike, frequency); the common level has a standard deviation of 0.3 dB.
    """
    octave = np.log2(np.maximum(frequencies_hz, 10.0) / 200.0)
    shapes = [np.ones_like(octave), octave / 4.0]
    shapes += [np.exp(-0.5 * ((octave - centre) / 0.8) ** 2) for centre in (-1.0, 1.5)]
    draws = rng.normal(size=(n_strikes, 4)) * np.array([0.3, 0.25, 0.15, 0.25])
    return np.asarray(draws @ np.array(shapes))


@dataclass(frozen=True)
class VibratoryHammer:
    """A vibratory hammer: a tone and its harmonics over broadband rattle."""

    fundamental_hz: float = 23.0
    n_harmonics: int = 40
    tone_pa_m: float = 5000.0
    rattle_pa_m: float = 2500.0


def vibratory_source(hammer: VibratoryHammer, rate_hz: int, duration_s: float, rng: np.random.Generator) -> Floats:
    """Source pressure in Pa m against time: it runs up over 4 s, holds with a little wander, and runs down."""
    n = round(duration_s * rate_hz)
    time_s = np.arange(n) / rate_hz
    level = np.clip(np.minimum(time_s, duration_s - time_s) / 4.0, 0.0, 1.0)
    wander_hz = 0.15 * np.sin(2.0 * np.pi * time_s / 17.0 + rng.uniform(0.0, 6.0))
    running_hz = hammer.fundamental_hz * (0.6 + 0.4 * level) + wander_hz
    phase = 2.0 * np.pi * np.cumsum(running_hz) / rate_hz
    tones = np.zeros(n)
    for order in range(1, hammer.n_harmonics + 1):
        strength = hammer.tone_pa_m / order**0.7 * 10.0 ** (rng.normal(scale=2.0) / 20.0)
        tones += strength * np.sqrt(2.0) * np.cos(order * phase + rng.uniform(0.0, 2.0 * np.pi))
    frequencies_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    shape = 1.0 / np.sqrt(1.0 + (frequencies_hz / 600.0) ** 2) / (1.0 + (60.0 / np.maximum(frequencies_hz, 1.0)) ** 2)
    rattle = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) * shape, n)
    rattle *= hammer.rattle_pa_m / np.sqrt(np.mean(rattle**2)) * (1.0 + 0.3 * np.cos(phase))
    return np.asarray(level * (tones + rattle))
