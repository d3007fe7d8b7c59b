"""What a careful practitioner's own script does: whole file in memory, one filter per band, a loop over the strikes.

`python -m tests.benchmarks.plain_script FILE [filters|fft]`. The quantities of the levels stage, without background
subtraction, quality, censoring, calibration or a log: the side-by-side baseline, not a reference for accuracy.
"""

from __future__ import annotations

import sys

import numpy as np
import soundfile
from scipy import signal, stats

_CORNERS_HZ = ((168, 26_600), (1_730, 129_000), (5_930, 186_000), (81, 13_100), (68, 3_720))


def main(path: str, bands: str) -> int:
    """Number of strikes."""
    sound, rate = soundfile.read(path)
    sound = sound if sound.ndim == 1 else sound[:, 0]
    sound = signal.sosfiltfilt(signal.butter(2, 10.0, "high", fs=rate, output="sos"), sound)
    envelope = np.abs(sound)
    peaks, _ = signal.find_peaks(envelope, height=10.0 * np.median(envelope), distance=rate // 2)
    centres = 10.0 ** (np.arange(10, 10.0 * np.log10(rate / 2.0) - 0.5) / 10.0)
    edges = [(c * 10**-0.05, min(c * 10**0.05, 0.499 * rate)) for c in centres]
    filters = [signal.butter(3, edge, "band", fs=rate, output="sos") for edge in edges]
    rows = []
    for peak in peaks:
        window = sound[peak - rate // 4 : peak + 3 * rate // 4]
        if len(window) == rate:
            rows.append(_levels(window, rate) + _bands(window, rate, filters if bands == "filters" else edges))
    _seconds(sound, rate, edges)
    return len(rows)


def _levels(window: np.ndarray, rate: int) -> list[float]:
    energy = np.cumsum(window**2)
    first, last = np.searchsorted(energy, [0.05 * energy[-1], 0.95 * energy[-1]])
    longest = rate // 8
    running = (energy[longest:] - energy[:-longest]).max() / longest
    of_noise = np.mean(window[: rate // 5] ** 2)
    peak, swing = np.abs(window).max(), np.ptp(window)
    power = np.abs(np.fft.rfft(window)) ** 2
    frequency = np.fft.rfftfreq(window.size, 1.0 / rate)
    weighted = []
    for low, high in _CORNERS_HZ:
        response = (frequency / low) ** 2 / (1.0 + (frequency / low) ** 2) / (1.0 + (frequency / high) ** 2)
        weighted.append(float(np.sum(power * response**2)))
    mean_square = np.mean(window[first:last] ** 2)
    return [peak, swing, energy[-1] / rate, (last - first) / rate, mean_square, running, of_noise,
            float(stats.kurtosis(window, fisher=False)), *weighted]  # fmt: skip


def _bands(window: np.ndarray, rate: int, bands: list) -> list[float]:  # type: ignore[type-arg]
    if isinstance(bands[0], np.ndarray):
        return [float(np.sum(signal.sosfiltfilt(sos, window) ** 2)) / rate for sos in bands]
    power = np.abs(np.fft.rfft(window)) ** 2
    frequency = np.fft.rfftfreq(window.size, 1.0 / rate)
    return [float(power[(frequency >= low) & (frequency < high)].sum()) for low, high in bands]


def _seconds(sound: np.ndarray, rate: int, edges: list[tuple[float, float]]) -> list[list[float]]:
    frequency, _, density = signal.spectrogram(sound, rate, "hann", 2 * rate, rate, mode="psd")
    return [[float(row[(frequency >= low) & (frequency < high)].sum()) for low, high in edges] for row in density.T]


if __name__ == "__main__":
    print(main(sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else "fft"))
