"""The full band of a system: the zero-phase filter that every level without a band is of.

High-pass |H| = f²/√(f⁴ + f_from⁴), zero phase; where the upper limit lies below 0.4 of the sampling rate a linear-phase
low-pass, 3 dB down there and 60 dB at 1.2 times it. A high-pass up to 20 Hz is x minus its slow part, which is found
from 1 ms means at a thousandth of the cost; a higher one is made at the full rate together with the low-pass.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from reconcile.strikes.ticks import TICKS, Samples, TickGrid
from reconcile.vocabulary.quantities import FloatArray

HIGHEST_SLOW_HZ = 20.0
LOW_PASS_BELOW = 0.4  # of the sampling rate
_HALF_TICKS = TICKS - 1  # of the slow part's impulse response: what one cell before and one behind allow
_STOP_DB = 70.0
_TRANSITION = 0.3  # of the upper limit


def high_pass_magnitude(frequency_hz: FloatArray, from_hz: float) -> FloatArray:
    """|H| = f²/√(f⁴ + f_from⁴)."""
    return np.asarray(frequency_hz**2 / np.sqrt(frequency_hz**4 + from_hz**4))


class FullBandFilter:
    """Filter of one channel, cell by cell, with one cell of look-ahead."""

    def __init__(self, grid: TickGrid, from_hz: float, to_hz: float) -> None:
        self.grid = grid
        self.from_hz = from_hz
        self.to_hz = to_hz
        rate = grid.rate_hz
        self._slow = from_hz <= HIGHEST_SLOW_HZ
        low_pass = _low_pass(to_hz, rate) if to_hz < LOW_PASS_BELOW * rate else None
        self._taps = low_pass if self._slow else _with_high_pass(low_pass, from_hz, rate)
        if self._slow:
            self._slow_size = fft.next_fast_len(3 * TICKS + 2 * _HALF_TICKS, True)
            self._slow_response = fft.rfft(_slow_taps(from_hz), self._slow_size)
        if self._taps is not None:
            self._half = len(self._taps) // 2
            self._size = fft.next_fast_len(rate + 2 * self._half, True)
            self._response = fft.rfft(self._taps, self._size).astype(np.complex64)

    def power_response(self, frequency_hz: FloatArray) -> FloatArray:
        """|H|² at frequencies in Hz: what is divided out of band and weighted levels."""
        response = high_pass_magnitude(frequency_hz, self.from_hz) ** 2 if self._slow else np.ones_like(frequency_hz)
        if self._taps is not None:
            n = 8 * fft.next_fast_len(len(self._taps), True)
            grid_hz = fft.rfftfreq(n, 1 / self.grid.rate_hz)
            response = response * np.interp(frequency_hz, grid_hz, np.abs(fft.rfft(self._taps, n)) ** 2)
        return np.asarray(response)

    def cell(self, before: Samples, raw: Samples, after: Samples, means: tuple[FloatArray, ...]) -> Samples:
        """The filtered cell `raw`; `means` are the tick means of the three cells."""
        out = raw.copy() if self._taps is None else self._convolved(before, raw, after)
        if self._slow:
            self.grid.subtract_slow(out, self._slow_at_edges(np.concatenate(means)))
        return out

    def _convolved(self, before: Samples, raw: Samples, after: Samples) -> Samples:
        half = self._half
        long = np.concatenate([before[len(before) - half :], raw, after[:half]])
        spectrum = fft.rfft(long, self._size)
        spectrum *= self._response
        return np.ascontiguousarray(fft.irfft(spectrum, self._size)[2 * half : 2 * half + raw.size], dtype=np.float32)

    def _slow_at_edges(self, means: FloatArray) -> FloatArray:
        spectrum = fft.rfft(means, self._slow_size) * self._slow_response
        smooth = fft.irfft(spectrum, self._slow_size)[_HALF_TICKS : _HALF_TICKS + 3 * TICKS]  # at tick centres
        return np.asarray((smooth[TICKS - 1 : 2 * TICKS] + smooth[TICKS : 2 * TICKS + 1]) / 2)


def _slow_taps(from_hz: float) -> FloatArray:
    """Impulse response at 1 kHz of 1 - |H|, made up for what averaging and interpolating take away.

    A mean over a tick has the response sinc(fT), the mean of two centres cos(πfT), linear interpolation sinc²(fT).
    """
    n = 16 * TICKS
    f = fft.rfftfreq(n, 1 / TICKS)
    f4 = np.maximum(f, 1e-12) ** 4
    slow = 1.0 - np.sqrt(f4 / (f4 + from_hz**4))
    losses = np.sinc(f / TICKS) ** 3 * np.cos(np.pi * np.minimum(f, 300.0) / TICKS)
    taper = np.clip((400.0 - f) / 150.0, 0.0, 1.0)
    response = fft.irfft(slow / losses * taper, n)
    taps = np.concatenate([response[-_HALF_TICKS:], response[: _HALF_TICKS + 1]])
    taps *= _flat_window()
    return np.asarray(taps / taps.sum())


def _flat_window() -> FloatArray:
    """One over the middle 80 %, falling to zero: the response has died away before it falls."""
    window = np.ones(2 * _HALF_TICKS + 1)
    n = _HALF_TICKS // 5
    fall = 0.5 * (1 + np.cos(np.pi * (np.arange(n) + 1) / (n + 1)))
    window[-n:] = fall
    window[:n] = fall[::-1]
    return window


def _low_pass(to_hz: float, rate_hz: int) -> FloatArray:
    """Linear-phase low-pass (Kaiser window), 3 dB down at `to_hz` and more than 60 dB at 1.2 times it."""
    width = _TRANSITION * to_hz
    half = int(np.ceil((_STOP_DB - 7.95) / (2.285 * 2 * np.pi * width / rate_hz) / 2))  # Kaiser 1974
    beta = 0.1102 * (_STOP_DB - 8.7)  # Kaiser 1974
    n = np.arange(-half, half + 1)
    window = np.kaiser(2 * half + 1, beta)

    def taps(cut_hz: float) -> FloatArray:
        h = np.sinc(2 * cut_hz / rate_hz * n) * window
        return np.asarray(h / h.sum())

    low, high = to_hz, to_hz * (1 + _TRANSITION / 2)
    at = np.exp(-2j * np.pi * to_hz / rate_hz * n)
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if abs(taps(middle) @ at) < 10 ** (-3.0103 / 20) else (low, middle)
    return taps((low + high) / 2)


def _with_high_pass(low_pass: FloatArray | None, from_hz: float, rate_hz: int) -> FloatArray:
    """One linear-phase filter for both ends of the band."""
    half_high = int(np.ceil(4.0 / from_hz * rate_hz))  # e^-18 is left of the response
    half_low = 0 if low_pass is None else len(low_pass) // 2
    n = fft.next_fast_len(4 * (half_high + half_low) + 2, True)
    response = high_pass_magnitude(fft.rfftfreq(n, 1 / rate_hz), from_hz)
    if low_pass is not None:
        centred = np.roll(np.pad(low_pass, (0, n - len(low_pass))), -half_low)
        response = response * fft.rfft(centred).real
    impulse = fft.irfft(response, n)
    half = half_high + half_low
    return np.asarray(np.concatenate([impulse[-half:], impulse[: half + 1]]))
