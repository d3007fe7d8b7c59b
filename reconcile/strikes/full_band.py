"""The full band of a system: the zero-phase filter that every level without a band is of.

High-pass |H| = f²/√(f⁴ + f_from⁴), zero phase; where the upper limit lies below 0.4 of the sampling rate a linear-phase
low-pass, 3 dB down there and 60 dB at 1.2 times it. A high-pass up to 20 Hz is x minus its slow part, which is found
from 1 ms means at a thousandth of the cost; a higher one is made at the full rate together with the low-pass.

Where the chain has a sensitivity curve the same filter makes up for it, with zero phase: the pressure itself is
corrected, so that peak, exposure and bands all follow.
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
_CORRECTION_HALF_S = 0.25  # of the impulse response that makes up for a curve
Correction = tuple[tuple[float, float], ...]


def high_pass_magnitude(frequency_hz: FloatArray, from_hz: float) -> FloatArray:
    """|H| = f²/√(f⁴ + f_from⁴)."""
    return np.asarray(frequency_hz**2 / np.sqrt(frequency_hz**4 + from_hz**4))


class FullBandFilter:
    """Filter of one channel, cell by cell, with one cell of look-ahead.

    `correction` holds pairs of frequency (Hz) and gain (dB) that make up for the sensitivity curve: linear in dB over
    log frequency between them, held at its end values outside.
    """

    def __init__(self, grid: TickGrid, from_hz: float, to_hz: float, correction: Correction = ()) -> None:
        self.grid = grid
        self.from_hz = from_hz
        self.to_hz = to_hz
        rate = grid.rate_hz
        self._slow = from_hz <= HIGHEST_SLOW_HZ
        self._low_pass = _low_pass(to_hz, rate) if to_hz < LOW_PASS_BELOW * rate else None
        self._taps = _taps(self._low_pass, None if self._slow else from_hz, correction, rate)
        if self._slow:
            self._slow_size = fft.next_fast_len(3 * TICKS, True)  # what wraps round lies outside the middle cell
            self._slow_response = fft.rfft(_slow_taps(from_hz, correction), self._slow_size)
        if self._taps is not None:
            self._half = len(self._taps) // 2
            self._size = fft.next_fast_len(rate + 2 * self._half, True)
            self._response = fft.rfft(self._taps, self._size).astype(np.complex64)

    def power_response(self, frequency_hz: FloatArray) -> FloatArray:
        """|H|² of the band's limits at frequencies in Hz: what is divided out of band and weighted levels."""
        response = high_pass_magnitude(frequency_hz, self.from_hz) ** 2
        if self._low_pass is not None:
            n = 8 * fft.next_fast_len(len(self._low_pass), True)
            grid_hz = fft.rfftfreq(n, 1 / self.grid.rate_hz)
            response = response * np.interp(frequency_hz, grid_hz, np.abs(fft.rfft(self._low_pass, n)) ** 2)
        return np.asarray(response)

    def cell(
        self, before: Samples, raw: Samples, after: Samples, means: tuple[FloatArray, ...], out: Samples | None = None
    ) -> Samples:
        """The filtered cell `raw`, in `out` where it is given; `means` are the tick means of the three cells."""
        out = np.empty_like(raw) if out is None else out
        fast = raw if self._taps is None else self._convolved(before, raw, after)
        if self._slow:
            self.grid.subtract_slow(fast, self._slow_at_edges(np.concatenate(means)), out)
        else:
            out[:] = fast
        return out

    def _convolved(self, before: Samples, raw: Samples, after: Samples) -> Samples:
        half = self._half
        long = np.concatenate([before[len(before) - half :], raw, after[:half]])
        spectrum = fft.rfft(long, self._size)
        spectrum *= self._response
        return np.ascontiguousarray(fft.irfft(spectrum, self._size)[2 * half : 2 * half + raw.size], dtype=np.float32)

    def _slow_at_edges(self, means: FloatArray) -> FloatArray:
        spectrum = fft.rfft(means, self._slow_size) * self._slow_response
        smooth = fft.irfft(spectrum, self._slow_size)[2 * _HALF_TICKS : 3 * TICKS]  # at tick centres
        return np.asarray((smooth[:-1] + smooth[1:]) / 2)


def correction_gain(frequency_hz: FloatArray, correction: Correction) -> FloatArray:
    """Gain (a factor on pressure) of a correction at frequencies in Hz; 1 without one."""
    if not correction:
        return np.ones_like(frequency_hz)
    at, gain_db = np.array(correction).T
    return np.asarray(10.0 ** (np.interp(np.log(np.maximum(frequency_hz, 1e-6)), np.log(at), gain_db) / 20.0))


def _slow_taps(from_hz: float, correction: Correction) -> FloatArray:
    """Impulse response at 1 kHz of 1 - |H|, made up for what averaging and interpolating take away.

    A mean over a tick has the response sinc(fT), the mean of two centres cos(πfT), linear interpolation sinc²(fT).
    """
    n = 16 * TICKS
    f = fft.rfftfreq(n, 1 / TICKS)
    f4 = np.maximum(f, 1e-12) ** 4
    slow = 1.0 - np.sqrt(f4 / (f4 + from_hz**4))
    losses = np.sinc(f / TICKS) ** 3 * np.cos(np.pi * np.minimum(f, 300.0) / TICKS)
    taper = np.clip((400.0 - f) / 150.0, 0.0, 1.0)
    response = fft.irfft(slow * correction_gain(f, correction) / losses * taper, n)
    taps = np.concatenate([response[-_HALF_TICKS:], response[: _HALF_TICKS + 1]]) * _flat_window()
    return np.asarray(taps * correction_gain(np.zeros(1), correction) / taps.sum())  # an offset goes without a trace


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


def _taps(
    low_pass: FloatArray | None, high_pass_hz: float | None, correction: Correction, rate_hz: int
) -> FloatArray | None:
    """One linear-phase filter at the full rate for all that it has to do there; None for nothing."""
    if high_pass_hz is None and not correction:
        return low_pass
    half = 0 if low_pass is None else len(low_pass) // 2
    half += (
        int(np.ceil(4.0 / high_pass_hz * rate_hz)) if high_pass_hz is not None else 0
    )  # e^-18 is left of its response
    half += int(_CORRECTION_HALF_S * rate_hz) if correction else 0
    half = min(half, rate_hz)
    n = fft.next_fast_len(8 * max(half, rate_hz), True)
    frequency = fft.rfftfreq(n, 1 / rate_hz)
    response = correction_gain(frequency, correction)
    if high_pass_hz is not None:
        response = response * high_pass_magnitude(frequency, high_pass_hz)
    if low_pass is not None:
        centred = np.roll(np.pad(low_pass, (0, n - len(low_pass))), -(len(low_pass) // 2))
        response = response * fft.rfft(centred).real
    impulse = fft.irfft(response, n)
    taps = np.concatenate([impulse[-half:], impulse[: half + 1]])
    return np.asarray(taps * np.kaiser(2 * half + 1, 3.0) if correction else taps)
