"""Trapped normal modes of an iso-speed water layer over a fluid half-space.

The time dependence is exp(-i omega t) throughout: an outgoing wave is exp(+i k R), a delay tau is
exp(+i omega tau). `pulses.time_series` takes the complex conjugate before its inverse transform.
Below the cut-off of the first mode there is no trapped mode and the pressure is zero here; nearer than a
few water depths the untrapped part of the field is missing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

NEPER_DB = 20.0 / np.log(10.0)
"""Decibels in one neper of amplitude."""


@dataclass(frozen=True)
class Waveguide:
    """Water of constant depth and sound speed over a fluid bottom that absorbs."""

    water_depth_m: float = 30.0
    sound_speed_m_s: float = 1500.0
    bottom_speed_m_s: float = 1650.0
    density_ratio: float = 1.9
    bottom_absorption_db_per_wavelength: float = 0.8
    absorbing_water: bool = False
    """Whether sea water absorbs (`absorption_ainslie_mccolm_1998`)."""

    @property
    def cutoff_hz(self) -> float:
        """Frequency below which no mode is trapped."""
        slowness = np.sqrt(1.0 - (self.sound_speed_m_s / self.bottom_speed_m_s) ** 2)
        return float(self.sound_speed_m_s / (4.0 * self.water_depth_m * slowness))


@dataclass(frozen=True)
class Modes:
    """Trapped modes at some frequencies; arrays of shape (frequency, mode), zero where no mode is."""

    frequencies_hz: Floats
    vertical_rad_m: Floats
    """Vertical wavenumber in the water: the mode is amplitude * sin(vertical * depth)."""
    horizontal_rad_m: Floats
    damping_np_m: Floats
    amplitude: Floats
    """For unit density of the water; zero marks an untrapped mode."""
    water_depth_m: float

    @property
    def count(self) -> NDArray[np.int64]:
        """Number of trapped modes at each frequency."""
        return np.asarray(np.count_nonzero(self.amplitude, axis=1), dtype=np.int64)


def absorption_ainslie_mccolm_1998(
    frequency_hz: Floats, *, temperature_c: float = 10.0, salinity: float = 34.5, depth_m: float = 20.0, ph: float = 8.0
) -> Floats:
    """Absorption of sound in sea water in dB/km, after Ainslie and McColm 1998 (J. Acoust. Soc. Am. 103: 1671).

    Valid for -6 to 35 C, salinity 5 to 50, pH 7.7 to 8.3, 100 Hz to 1 MHz; held to be small below.
    """
    f_khz, depth_km = frequency_hz / 1000.0, depth_m / 1000.0
    boron_khz = 0.78 * np.sqrt(salinity / 35.0) * np.exp(temperature_c / 26.0)
    magnesium_khz = 42.0 * np.exp(temperature_c / 17.0)
    boron = 0.106 * boron_khz * f_khz**2 / (boron_khz**2 + f_khz**2) * np.exp((ph - 8.0) / 0.56)
    magnesium = magnesium_khz * f_khz**2 / (magnesium_khz**2 + f_khz**2) * np.exp(-depth_km / 6.0)
    magnesium = magnesium * 0.52 * (1.0 + temperature_c / 43.0) * (salinity / 35.0)
    return np.asarray(boron + magnesium + 0.00049 * f_khz**2 * np.exp(-(temperature_c / 27.0 + depth_km / 17.0)))


def grazing_parameters(waveguide: Waveguide, frequencies_hz: Floats) -> tuple[Floats, Floats]:
    """Angle theta of every trapped mode, with sin theta = vertical wavenumber / its value at the critical angle.

    Solves v sin(theta) + atan(m tan(theta)) = n pi (Pekeris 1948, the same as tan(g D) = -m g / gamma) by
    Newton's method; v is the water depth times the vertical wavenumber at the critical angle, m the density
    ratio. Returns theta of shape (frequency, mode), NaN where mode n is not trapped, and v.
    """
    wavenumber = 2.0 * np.pi * frequencies_hz / waveguide.sound_speed_m_s
    critical_sine = np.sqrt(1.0 - (waveguide.sound_speed_m_s / waveguide.bottom_speed_m_s) ** 2)
    v = wavenumber * critical_sine * waveguide.water_depth_m
    most = int(np.floor(np.max(v, initial=0.0) / np.pi + 0.5))
    target = np.pi * np.arange(1, most + 1)[None, :]
    trapped = target < v[:, None] + np.pi / 2.0
    theta = np.arcsin(np.minimum(target / (v[:, None] + np.pi / 2.0), 1.0))
    m = waveguide.density_ratio
    for _ in range(8):
        sine, cosine = np.sin(theta), np.cos(theta)
        excess = v[:, None] * sine + np.arctan2(m * sine, cosine) - target
        slope = v[:, None] * cosine + m / (cosine**2 + (m * sine) ** 2)
        step = excess / slope
        theta = np.clip(theta - step, 0.0, np.pi / 2.0)
        if np.max(np.abs(step), initial=0.0, where=trapped) < 1e-10:
            break
    return np.where(trapped, theta, np.nan), v


def trapped_modes(waveguide: Waveguide, frequencies_hz: Floats) -> Modes:
    """Modes of the waveguide at some frequencies (above 0 Hz), losses to first order.

    The mode functions are normalised so that the integral of their square over density is one, the water's
    density being one (Jensen et al., Computational Ocean Acoustics, section 5.4, recalled).
    """
    theta, v = grazing_parameters(waveguide, frequencies_hz)
    depth, m = waveguide.water_depth_m, waveguide.density_ratio
    omega = 2.0 * np.pi * frequencies_hz[:, None]
    trapped = np.isfinite(theta)
    angle = np.where(trapped, theta, np.pi / 4.0)
    vertical = v[:, None] * np.sin(angle) / depth
    decay = np.maximum(v[:, None] * np.cos(angle) / depth, 1e-12)
    horizontal = np.sqrt((omega / waveguide.sound_speed_m_s) ** 2 - vertical**2)
    below = np.sin(vertical * depth) ** 2 / (2.0 * m * decay)
    square = 1.0 / (depth / 2.0 - np.sin(2.0 * vertical * depth) / (4.0 * vertical) + below)
    loss_tangent = waveguide.bottom_absorption_db_per_wavelength / (2.0 * np.pi * NEPER_DB)
    damping = loss_tangent * (omega / waveguide.bottom_speed_m_s) ** 2 / horizontal * square * below
    if waveguide.absorbing_water:
        water_np_m = absorption_ainslie_mccolm_1998(frequencies_hz)[:, None] / 1000.0 / NEPER_DB
        damping = damping + water_np_m * omega / waveguide.sound_speed_m_s / horizontal
    return Modes(
        frequencies_hz,
        np.where(trapped, vertical, 0.0),
        np.where(trapped, horizontal, 0.0),
        np.where(trapped, damping, 0.0),
        np.where(trapped, np.sqrt(square), 0.0),
        depth,
    )


def point_source_excitation(modes: Modes, source_depth_m: float) -> Complexes:
    """How strongly a point source excites each mode; shape (frequency, mode)."""
    return (modes.amplitude * np.sin(modes.vertical_rad_m * source_depth_m)).astype(np.complex128)


def line_source_excitation(modes: Modes, wave_speed_m_s: float) -> Complexes:
    """Excitation by a line source over the whole water column, mean strength one.

    Its elements fire one after the other as a wave of `wave_speed_m_s` runs down the pile: the mean over depth
    of mode(z) exp(i omega z / wave_speed), in closed form. Modes near the Mach angle come out strongest. The
    complex conjugate divided by the amplitudes' sign is that of a wave running up (from z = 0).
    """
    depth = modes.water_depth_m
    run = 2.0 * np.pi * modes.frequencies_hz[:, None] / wave_speed_m_s

    def mean_of_exponential(rad_m: Floats) -> Complexes:
        half = rad_m * depth / 2.0
        return np.asarray(np.exp(1j * half) * np.sinc(half / np.pi))

    both = mean_of_exponential(run + modes.vertical_rad_m) - mean_of_exponential(run - modes.vertical_rad_m)
    return np.asarray(modes.amplitude * both / 2j)


def outgoing_waves(modes: Modes, range_m: float) -> Complexes:
    """The factor i pi H0(k R) exp(-damping R) of each mode; shape (frequency, mode).

    The Hankel function of the first kind by its asymptotic form (within 0.5 % beyond k R = 25).
    """
    safe = np.where(modes.amplitude > 0.0, modes.horizontal_rad_m, 1.0)
    waves = np.exp((1j * safe - modes.damping_np_m) * range_m + 0.25j * np.pi)
    return np.asarray(np.pi * np.sqrt(2.0 / (np.pi * safe * range_m)) * waves)


def receiver_weights(modes: Modes, excitation: Complexes, receiver_depths_m: Floats) -> Complexes:
    """Excitation times the mode at each receiver's depth; shape (frequency, mode, receiver)."""
    at_depth = np.sin(modes.vertical_rad_m[:, :, None] * np.atleast_1d(receiver_depths_m))
    return np.asarray((excitation * modes.amplitude)[:, :, None] * at_depth)


def mode_sum(modes: Modes, excitation: Complexes, range_m: float, receiver_depths_m: Floats) -> Complexes:
    """Pressure at `range_m` re that of the source 1 m away; shape (receiver, frequency)."""
    weights = receiver_weights(modes, excitation, receiver_depths_m)
    return np.asarray(np.matmul(outgoing_waves(modes, range_m)[:, None, :], weights)[:, 0, :].T)
