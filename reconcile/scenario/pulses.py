"""From modes to pressure in time: spectra at receivers, and the inverse transform.

A spectrum here is the Fourier transform of the pressure in Pa/Hz with exp(-i omega t), its time axis starting at
`start_s` after the strike.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from scipy import fft

from .waveguide import (
    Complexes,
    Floats,
    Modes,
    Waveguide,
    outgoing_waves,
    point_source_excitation,
    receiver_weights,
    trapped_modes,
)

Excitation = Callable[[Modes], Complexes]
ENTRIES_PER_BLOCK = 400_000
"""Frequencies times modes held at once."""


@dataclass(frozen=True)
class Path:
    """A receiver as seen from the source."""

    range_m: float
    receiver_depth_m: float


def window_start_s(waveguide: Waveguide, range_m: float) -> float:
    """Start of the time window of a pulse: 50 ms before anything can arrive through the bottom's speed."""
    return range_m / waveguide.bottom_speed_m_s - 0.05


def frequency_grid(duration_s: float, highest_hz: float) -> Floats:
    """Frequencies k / duration from 0 up to and with `highest_hz`."""
    return np.arange(int(highest_hz * duration_s) + 1) / duration_s


def path_spectra(
    waveguide: Waveguide, frequencies_hz: Floats, excitation: Excitation, paths: Sequence[Path]
) -> Complexes:
    """Pressure per unit of source spectrum (1/m), one row per path, times shifted to `window_start_s`.

    `frequencies_hz` as from `frequency_grid`. Modes are solved once for all paths, in blocks of frequencies, and
    their phases once for neighbours at the same range.
    """
    result = np.zeros((len(paths), frequencies_hz.size), dtype=np.complex128)
    depths_m = sorted({path.receiver_depth_m for path in paths})
    first = int(np.searchsorted(frequencies_hz, waveguide.cutoff_hz, side="right"))
    while first < frequencies_hz.size:
        n_modes = max(frequencies_hz[first] / waveguide.cutoff_hz / 2.0, 1.0)
        block = slice(first, first + max(int(ENTRIES_PER_BLOCK / n_modes), 16))
        modes = trapped_modes(waveguide, frequencies_hz[block])
        weights = receiver_weights(modes, excitation(modes), np.array(depths_m))
        for range_m, group in groupby(enumerate(paths), key=lambda item: item[1].range_m):
            rows, columns = zip(*[(row, depths_m.index(p.receiver_depth_m)) for row, p in group], strict=True)
            waves = outgoing_waves(modes, range_m)
            waves *= np.exp(-2j * np.pi * modes.frequencies_hz * window_start_s(waveguide, range_m))[:, None]
            result[list(rows), block] = np.matmul(waves[:, None, :], weights)[:, 0, list(columns)].T
        first = block.stop
    return result


def causal_window(waveguide: Waveguide, range_m: float, rate_hz: float, n_samples: int) -> Floats:
    """Weights over the time window of a pulse: 0 before anything can arrive, 1 from then, 0 again a second later.

    A sum of trapped modes alone breaks off at each mode's cut-off, and so has faint ripples before the first arrival,
    where the untrapped field would cancel them, and long after. Fades: 45 ms up to the bottom's first arrival, and from
    0.6 to 1.0 s after the water's.
    """
    time_s = np.arange(n_samples) / rate_hz + window_start_s(waveguide, range_m)
    onset = (time_s - range_m / waveguide.bottom_speed_m_s) / 0.045 + 1.0
    ending = (range_m / waveguide.sound_speed_m_s + 1.0 - time_s) / 0.4
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(onset, ending), 0.0, 1.0)))


def edge_taper(frequencies_hz: Floats, highest_hz: float) -> Floats:
    """1 up to 0.9 of `highest_hz`, then a raised cosine to 0 there."""
    return 0.5 + 0.5 * np.cos(np.pi * np.clip((frequencies_hz / highest_hz - 0.9) / 0.1, 0.0, 1.0))


def time_series(spectra: Complexes, rate_hz: int, n_samples: int) -> Floats:
    """Pressure in Pa from spectra in Pa/Hz on the grid k rate / n; rows along the last axis.

    Takes the complex conjugate first: the spectra follow exp(-i omega t), the transform exp(+i omega t).
    """
    bins = n_samples // 2 + 1
    return np.asarray(fft.irfft(np.conj(spectra[..., :bins]), n_samples, axis=-1)) * rate_hz


def point_source_pulse(
    waveguide: Waveguide,
    source_spectrum: Callable[[Floats], Complexes],
    *,
    source_depth_m: float,
    path: Path,
    rate_hz: int,
    duration_s: float,
) -> tuple[Floats, float]:
    """Pulse of a point source through the waveguide: pressure in Pa, and the time of its first sample after firing.

    `source_spectrum` gives Pa m/Hz at frequencies in Hz. `duration_s` times `rate_hz` must be whole; it must hold the
    pulse until a second after its arrival (see `causal_window`). The spectrum is tapered off from 0.45 of the rate up.
    """
    n_samples = round(duration_s * rate_hz)
    frequencies_hz = frequency_grid(duration_s, rate_hz / 2.0)
    losses = path_spectra(waveguide, frequencies_hz, lambda m: point_source_excitation(m, source_depth_m), [path])
    spectrum = losses[0] * source_spectrum(frequencies_hz) * edge_taper(frequencies_hz, rate_hz / 2.0)
    pressure = time_series(spectrum, rate_hz, n_samples)
    pressure *= causal_window(waveguide, path.range_m, rate_hz, n_samples)
    return pressure, window_start_s(waveguide, path.range_m)
