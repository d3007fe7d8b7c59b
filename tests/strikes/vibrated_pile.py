"""A vibratory hammer heard in the sea while a ship passes, from physics that the product does not hold.

Two masses turn against each other; their speed wanders (a noisy motor: a mean-reverting walk) and sags where the soil
is hard. The soil carries only up to a limit, so that the force is cut at its tops, which makes the harmonics. The pile
answers with damped modes; a shallow duct takes what lies below its cut-off, and a bottom reflection arrives late. The
ship is broadband noise whose strength beats with its blades, louder as it comes near, and a weak engine line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reconcile.vocabulary.quantities import FloatArray


@dataclass(frozen=True, slots=True)
class Scene:
    """Pressures in Pa: all that is heard, and the hammer alone; the true fundamental at each sample, Hz."""

    heard_pa: FloatArray
    hammer_pa: FloatArray
    fundamental_hz: FloatArray


def hammer_in_the_sea(rng: np.random.Generator, rate_hz: int, seconds: int) -> Scene:
    """The whole scene; the hammer runs from 4 s on and reaches its speed within 6 s."""
    n = seconds * rate_hz
    time_s = np.arange(n) / rate_hz
    speed_hz = _speed(rng, time_s)
    phase = 2.0 * np.pi * np.cumsum(speed_hz) / rate_hz
    force = (speed_hz / 22.0) ** 2 * np.cos(phase)
    carried = np.clip(force + 0.25, -0.9, 0.55) + 0.08 * np.sign(np.sin(phase))
    hammer = _through_pile_and_duct(carried - carried.mean(), rate_hz)
    hammer *= 20.0 / np.sqrt(np.mean(hammer**2)) * np.clip((time_s - 4.0) / 2.0, 0.0, 1.0)
    return Scene(hammer + _ship(rng, time_s, rate_hz), hammer, speed_hz)


def _speed(rng: np.random.Generator, time_s: FloatArray) -> FloatArray:
    """Turns a second: a walk that returns within 8 s, 0.06 Hz strong, steps of 0.1 s; 0.6 Hz slower in hard soil."""
    steps = np.zeros(int(time_s[-1] * 10) + 2)
    for k in range(1, steps.size):
        steps[k] = steps[k - 1] * np.exp(-0.1 / 8.0) + 0.06 * np.sqrt(1.0 - np.exp(-0.2 / 8.0)) * rng.standard_normal()
    jitter = np.interp(time_s, 0.1 * np.arange(steps.size), steps)
    hard = 0.6 / (1.0 + np.exp(-(time_s - 80.0) / 6.0))
    start = np.clip((time_s - 4.0) / 6.0, 0.05, 1.0)
    return np.asarray((22.4 - hard + jitter) * start)


def _through_pile_and_duct(force: FloatArray, rate_hz: int) -> FloatArray:
    f = np.fft.rfftfreq(force.size, 1.0 / rate_hz)
    modes = ((47.0, 0.15, 1.0), (96.0, 0.08, 0.8), (188.0, 0.06, 0.9), (305.0, 0.05, 0.7))
    pile = sum(gain / (1.0 - (f / own) ** 2 + 2j * damping * f / own) for own, damping, gain in modes)
    duct = 1.0 / (1.0 + (14.0 / np.maximum(f, 0.1)) ** 4)
    echo = 1.0 - 0.5 * np.exp(-2j * np.pi * f * 0.0031)
    return np.asarray(np.fft.irfft(np.fft.rfft(force) * f * pile * duct * echo, force.size))


def _ship(rng: np.random.Generator, time_s: FloatArray, rate_hz: int) -> FloatArray:
    f = np.fft.rfftfreq(time_s.size, 1.0 / rate_hz)
    shape = 1.0 / (1.0 + (f / 70.0) ** 2) ** 0.6
    broad = np.fft.irfft(np.fft.rfft(rng.standard_normal(time_s.size)) * shape, time_s.size)
    broad *= 1.0 + 0.5 * np.cos(2.0 * np.pi * 7.3 * time_s)
    near = 1.0 / np.sqrt(1.0 + ((time_s - 70.0) / 35.0) ** 2)
    return np.asarray(3.0 * near * broad / broad.std() + 0.6 * near * np.cos(2.0 * np.pi * 61.4 * time_s))
