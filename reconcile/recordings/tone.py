"""A calibrator's tone in a recording: where it stands still, and how strong it is there.

The tone is switched on and off, the coupler is touched, the boat is heard: only the longest stretch over which the
level near the stated frequency stands still is measured. It is cut into segments; in each a sine is fitted, and the
scatter from segment to segment says how well the mean is known, whatever the colour of the noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.pcm import Samples
from reconcile.vocabulary.quantities import FloatArray, level_db

SEARCHED_SHARE = 0.03  # of the stated frequency, to either side
SHORTEST_S = 1.0  # of a stable part that is measured
STABLE_WITHIN_DB = 1.0  # from the highest to the lowest level of the frames of a stable part
LOUD_WITHIN_DB = 6.0  # of the loudest stable part: hum that goes on for longer is not the calibrator
MOST_DISTORTED = 0.1  # share of harmonics above which the fundamental says little of the calibrator's level
FLATTENED = 0.02  # share of a third harmonic in antiphase: a sine whose tops are cut off, some 0.15 dB short
_FRAME_S, _FRAME_PERIODS = 0.1, 8
_SEGMENT_S, _SEGMENT_PERIODS, _FEWEST_SEGMENTS = 0.5, 10, 4
_HARMONICS = (2, 3, 4, 5)
_FRAMES_AT_ONCE = 64
_STEPS = 6


@dataclass(frozen=True, slots=True)
class ToneMeasure:
    """A tone's stable part. `rms` is in parts of digital full scale, its uncertainty one standard deviation in dB.

    `distortion` is the root sum of squares of the harmonics (second to fifth) against the fundamental.
    """

    frequency_hz: float
    rms: float
    standard_uncertainty_db: float
    degrees_of_freedom: int
    distortion: float
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class NoTone:
    """Why there is no tone that can be measured."""

    reason: str


@dataclass(frozen=True, slots=True)
class SineFit:
    """amplitude·cos(2π·frequency·t + phase) + offset, t from the middle of the samples; `phase` in radians."""

    amplitude: float
    phase: float
    frequency_hz: float
    offset: float


def measure_tone(samples: Samples, rate_hz: int, frequency_hz: float, clip_value: float = 1.0) -> ToneMeasure | NoTone:
    """The tone near a stated frequency (3 % to either side) in samples of one channel, 1.0 being full scale.

    A sample of `clip_value` or more is clipped. A tone that is clipped, distorted, or not stable for a second (and for
    40 periods) is refused with the reason.
    """
    if not 0 < frequency_hz * (1 + SEARCHED_SHARE) < rate_hz / 2:
        return NoTone(f"a tone of {frequency_hz:g} Hz cannot be in a recording at {rate_hz} Hz")
    if not np.isfinite(samples).all():
        samples = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)
    stable = _stable_part(samples, rate_hz, frequency_hz)
    if stable is None:
        return NoTone(f"no tone near {frequency_hz:g} Hz that stands still for {_shortest_s(frequency_hz):g} s")
    first, end = stable
    where = f"from {first / rate_hz:.1f} s to {end / rate_hz:.1f} s"
    if n_clipped := int(np.sum(np.abs(samples[first:end]) >= clip_value)):
        return NoTone(f"the tone is clipped: {n_clipped} samples at full scale {where}")
    length = round(max(min(_SEGMENT_S, (end - first) / rate_hz / 8), _SEGMENT_PERIODS / frequency_hz) * rate_hz)
    fits, harmonics = [], []
    for at in range(first, end - length + 1, length):
        segment = samples[at : at + length].astype(np.float64)
        fit = fit_sine(segment, rate_hz, strongest_hz(segment, rate_hz, frequency_hz))
        fits.append(fit)
        harmonics.append(_harmonics(segment, rate_hz, fit))
    return _measured(fits, np.mean(harmonics, axis=0), frequency_hz, (first / rate_hz, end / rate_hz))


def _measured(
    fits: list[SineFit], harmonics: NDArray[np.complex128], stated_hz: float, part_s: tuple[float, float]
) -> ToneMeasure | NoTone:
    found_hz = float(np.median([fit.frequency_hz for fit in fits]))
    if abs(found_hz - stated_hz) > SEARCHED_SHARE * stated_hz:
        return NoTone(f"the tone is at {found_hz:.4g} Hz, {stated_hz:g} Hz is stated")
    distortion, third = float(np.linalg.norm(harmonics)), harmonics[_HARMONICS.index(3)]
    if third.real < -FLATTENED and abs(third.imag) < abs(third.real) / 2:
        return NoTone(f"the tops of the tone are flattened (third harmonic {abs(third):.1%}): a stage is overloaded")
    if distortion > MOST_DISTORTED:
        return NoTone(f"the tone is distorted: harmonics of {distortion:.0%}")
    mean_square = np.array([fit.amplitude**2 / 2 for fit in fits])
    mean, n = float(mean_square.mean()), mean_square.size
    relative = float(mean_square.std(ddof=1)) / sqrt(n) / mean
    return ToneMeasure(
        frequency_hz=found_hz,
        rms=sqrt(mean),
        standard_uncertainty_db=10 / log(10) * relative,
        degrees_of_freedom=n - 1,
        distortion=distortion,
        from_s=part_s[0],
        to_s=part_s[1],
    )


def _shortest_s(frequency_hz: float) -> float:
    return max(SHORTEST_S, _FEWEST_SEGMENTS * _SEGMENT_PERIODS / frequency_hz)


def _stable_part(samples: Samples, rate_hz: int, frequency_hz: float) -> tuple[int, int] | None:
    """First sample and end of the longest stable part, without the frames at its ends; None where there is none."""
    frame = max(round(_FRAME_S * rate_hz), ceil(_FRAME_PERIODS * rate_hz / frequency_hz))
    hop = frame // 2
    levels = _tone_levels_db(samples, rate_hz, frequency_hz, frame)
    shortest = _shortest_s(frequency_hz) * rate_hz
    parts = [
        (first * hop + frame, last * hop, float(np.median(levels[first : last + 1])))
        for first, last in _still_runs(levels)
        if (last - first) * hop - frame >= shortest
    ]
    if not parts:
        return None
    loudest = max(level for _, _, level in parts)
    start, end, _ = max((p for p in parts if p[2] > loudest - LOUD_WITHIN_DB), key=lambda p: p[1] - p[0])
    return start, end


def _still_runs(levels: FloatArray) -> Iterator[tuple[int, int]]:
    """First and last of the longest run of frames within STABLE_WITHIN_DB that ends at each frame."""
    first = 0
    for last, level in enumerate(levels):
        if np.isnan(level):
            first = last + 1
            continue
        apart = np.flatnonzero(np.abs(levels[first : last + 1] - level) > STABLE_WITHIN_DB)
        first += int(apart[-1]) + 1 if apart.size else 0
        yield first, last


def _tone_levels_db(samples: Samples, rate_hz: int, frequency_hz: float, frame: int) -> FloatArray:
    """Level near the frequency (dB re full scale, rms) of Hann frames that overlap by half; NaN where all is zero."""
    hop = frame // 2
    if samples.size < frame:
        return np.empty(0)
    frames = np.lib.stride_tricks.sliding_window_view(samples, frame)[::hop]
    window = np.hanning(frame + 1)[:-1]
    resolution_hz = rate_hz / frame
    low = max(1, int(frequency_hz * (1 - SEARCHED_SHARE) / resolution_hz) - 2)
    high = ceil(frequency_hz * (1 + SEARCHED_SHARE) / resolution_hz) + 3
    scale = 2.0 / (frame * float(np.sum(window**2)))
    powers = [
        np.sum(np.abs(np.fft.rfft(frames[at : at + _FRAMES_AT_ONCE] * window)[:, low:high]) ** 2, axis=1)
        for at in range(0, len(frames), _FRAMES_AT_ONCE)
    ]
    return level_db(scale * np.concatenate(powers))


def strongest_hz(samples: FloatArray, rate_hz: int, frequency_hz: float) -> float:
    """Frequency of the strongest line near a frequency, interpolated between the bins of a Hann-windowed spectrum."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
    resolution_hz = rate_hz / samples.size
    low = max(1, int(frequency_hz * (1 - SEARCHED_SHARE) / resolution_hz))
    high = min(spectrum.size - 2, ceil(frequency_hz * (1 + SEARCHED_SHARE) / resolution_hz))
    peak = low + int(np.argmax(spectrum[low : high + 1]))
    left, middle, right = np.log(np.maximum(spectrum[peak - 1 : peak + 2], 1e-300))
    curvature = left - 2 * middle + right
    shift = 0.5 * (left - right) / curvature if curvature < 0 else 0.0
    return float((peak + np.clip(shift, -0.5, 0.5)) * resolution_hz)


def fit_sine(samples: FloatArray, rate_hz: int, start_hz: float) -> SineFit:
    """Least squares for amplitude, phase, frequency and offset: the four-parameter fit of IEEE 1057.

    Gauss-Newton from `start_hz`, which must lie within about a period over the length of the samples. The squares are
    weighted by a Hann window, so that hum and swell far from the tone leak nothing into it.
    """
    n = samples.size
    time_s = (np.arange(n) - (n - 1) / 2) / rate_hz
    weight = np.hanning(n + 2)[1:-1]
    omega, half_s = 2 * pi * start_hz, n / rate_hz / 2
    a = b = offset = 0.0
    for step in range(_STEPS):
        cosine, sine = np.cos(omega * time_s), np.sin(omega * time_s)
        columns = [cosine, sine, np.ones(n)]
        if step:  # the derivative needs an amplitude; in units of the half length, so that the matrix is well scaled
            columns.append((b * cosine - a * sine) * time_s / half_s)
        design = np.stack(columns)
        solved = np.linalg.lstsq((design * weight) @ design.T, (design * weight) @ samples, rcond=None)[0]
        a, b, offset = (float(value) for value in solved[:3])
        if step:
            omega += float(solved[3]) / half_s
    return SineFit(float(np.hypot(a, b)), float(np.arctan2(-b, a)), omega / (2 * pi), offset)


def _harmonics(samples: FloatArray, rate_hz: int, fit: SineFit) -> NDArray[np.complex128]:
    """Complex amplitudes of the harmonics against the fundamental, re cos(k·phase); 0 above half the rate."""
    n = samples.size
    phase = 2 * pi * fit.frequency_hz * (np.arange(n) - (n - 1) / 2) / rate_hz + fit.phase
    rest = (samples - fit.offset - fit.amplitude * np.cos(phase)) * np.hanning(n + 2)[1:-1]
    norm = fit.amplitude * (n + 1) / 4  # half the sum of the window times the amplitude
    found = [
        np.sum(rest * np.exp(-1j * k * phase)) / norm if k * fit.frequency_hz < rate_hz / 2 and norm > 0 else 0.0
        for k in _HARMONICS
    ]
    return np.array(found, dtype=np.complex128)
