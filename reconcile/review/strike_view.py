"""One strike as a person looks at it: waveform, spectrogram, energy as it comes, background, flags, levels; to hear."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import soundfile

from reconcile.recordings.streams import Channel, Stream
from reconcile.review.strike_sound import read_sound
from reconcile.vocabulary.quantities import FloatArray, mean_square_level_db

AROUND_S = 0.5  # shown on either side of the pulse interval
_BEFORE_RISE_S, _QUIET_GAP_S, _QUIET_S, _LEAST_QUIET_S = 0.020, 0.050, 0.200, 0.050
_SPECTRUM_S, _MOST_SPECTRA = 0.010, 600
_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ, _QUIETER = 8_000, 96_000, 0.5


@dataclass(frozen=True, slots=True)
class Spectrogram:
    """Levels of the spectral density (dB re 1 µPa²/Hz), shape (frequencies, times); times from the interval's start."""

    time_s: FloatArray
    frequency_hz: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, slots=True)
class StrikeView:
    """One strike at one station. Times are seconds from the start of its pulse interval.

    `pressure_pa` begins at `start_s` (negative). `window_s` and `quiet_s` bound the pulse interval and the background
    before it (None where that is too short). `energy_share` is the share of the energy, background subtracted, that
    has come by each sample of the interval (None without any), `energy_5_s` and `energy_95_s` when 5 % (first) and 95 %
    (last) of it had. `levels` are the row's values by column, None for null.
    """

    station_id: str
    rate_hz: int
    start_s: float
    pressure_pa: FloatArray
    window_s: tuple[float, float]
    quiet_s: tuple[float, float] | None
    energy_share: FloatArray | None
    energy_5_s: float | None
    energy_95_s: float | None
    spectrogram: Spectrogram
    flags: tuple[str, ...]
    levels: Mapping[str, Any]


def strike_view(
    stream: Stream,
    channel: Channel,
    first_sample: int,
    row: Mapping[str, Any],
    *,
    previous_sample: int | None = None,
    correction_db: float = 0.0,
) -> StrikeView:
    """The view of a strike whose pulse interval begins at a sample of a stream.

    `row`: of `strike_list.records`. `previous_sample`: where the interval of the pulse before begins, if known, which
    bounds the background. `correction_db`: what field checks add to the levels there.
    """
    rate = stream.rate_hz
    length_s = row.get("window_s") or 0.3
    before, n = round(AROUND_S * rate), round(length_s * rate)
    sound = read_sound(stream, channel, first_sample - before, first_sample + n + before)
    pressure = sound.pressure_pa * 10.0 ** (correction_db / 20.0)
    at = first_sample - sound.first_sample
    quiet = _quiet(first_sample, previous_sample, rate, sound.first_sample)
    noise = 0.0 if quiet is None else float(np.mean(pressure[quiet[0] : quiet[1]] ** 2))
    share, crossings = _energy(pressure[at : at + n], noise, rate)
    return StrikeView(
        station_id=channel.station_id,
        rate_hz=rate,
        start_s=-at / rate,
        pressure_pa=pressure,
        window_s=(0.0, min(n, len(pressure) - at) / rate),
        quiet_s=None if quiet is None else ((quiet[0] - at) / rate, (quiet[1] - at) / rate),
        energy_share=share,
        energy_5_s=crossings[0],
        energy_95_s=crossings[1],
        spectrogram=spectrogram(pressure, rate, -at / rate),
        flags=tuple(row.get("flags") or ()),
        levels={name: value for name, value in row.items() if name not in ("flags", "doubts")},
    )


def _quiet(start: int, previous: int | None, rate_hz: int, first: int) -> tuple[int, int] | None:
    """The background before a strike, counted from `first`: as docs/method.md defines it."""
    rise = start + round(_BEFORE_RISE_S * rate_hz)
    end = rise - round(_QUIET_GAP_S * rate_hz)
    begin = max(end - round(_QUIET_S * rate_hz), first)
    if previous is not None:
        begin = max(begin, (previous + round(_BEFORE_RISE_S * rate_hz) + rise) // 2)
    return (begin - first, end - first) if end - begin >= round(_LEAST_QUIET_S * rate_hz) else None


def _energy(
    pressure_pa: FloatArray, noise_pa2: float, rate_hz: int
) -> tuple[FloatArray | None, tuple[float | None, float | None]]:
    """Share of the subtracted energy by sample, and when 5 % had come first and 95 % last (s)."""
    gained = np.cumsum(pressure_pa**2 - noise_pa2)
    if not gained.size or gained[-1] <= 0:
        return None, (None, None)
    share = gained / gained[-1]
    last = np.flatnonzero(share <= 0.95)
    return share, ((int(np.argmax(share >= 0.05)) + 1) / rate_hz, ((int(last[-1]) + 2 if last.size else 1) / rate_hz))


def spectrogram(pressure_pa: FloatArray, rate_hz: int, start_s: float) -> Spectrogram:
    """Spectra of some 10 ms (Hann window), three quarters of each shared with the next, 600 of them at most."""
    size = 1 << max(4, round(float(np.log2(_SPECTRUM_S * rate_hz))))
    padded = np.pad(pressure_pa, (0, max(0, size - len(pressure_pa))))
    step = max(size // 4, -(-(len(padded) - size) // _MOST_SPECTRA), 1)
    window = np.hanning(size + 1)[:size]
    first = np.arange(0, len(padded) - size + 1, step)
    frames = padded[first[:, None] + np.arange(size)] * window
    density = 2.0 * np.abs(np.fft.rfft(frames, axis=1)) ** 2 / (rate_hz * float(np.sum(window**2)))
    density[:, [0, -1]] /= 2.0  # what lies at 0 and at half the rate is there once
    return Spectrogram(
        time_s=start_s + (first + size / 2) / rate_hz,
        frequency_hz=np.asarray(np.fft.rfftfreq(size, 1.0 / rate_hz), dtype=np.float64),
        level_db=mean_square_level_db(np.maximum(density.T, 1e-30)),
    )


def wav_bytes(pressure_pa: FloatArray, rate_hz: int, *, speed: float = 0.25, gain_db: float = 0.0) -> bytes:
    """A WAV file (16 bit) to listen to: played at `speed`, so that low sound can be heard, and louder by a gain.

    Without a gain the largest sample lies at half of full scale; what a gain takes beyond full scale is cut off. Levels
    are not touched by it. Raises ValueError outside 0.05 to 1 (speed) or -60 to 60 dB (gain).
    """
    if not 0.05 <= speed <= 1.0 or not -60.0 <= gain_db <= 60.0:
        raise ValueError("a speed from 0.05 to 1 and a gain from -60 to 60 dB")
    offset_free = pressure_pa - (pressure_pa.mean() if pressure_pa.size else 0.0)
    largest = float(np.abs(offset_free).max(initial=0.0))
    values = offset_free * (_QUIETER / largest if largest > 0 else 0.0) * 10.0 ** (gain_db / 20.0)
    played = rate_hz * speed
    out_hz = int(np.clip(round(played), _LOWEST_RATE_HZ, _HIGHEST_RATE_HZ))
    if out_hz != round(played):
        n = max(1, round(len(values) * out_hz / played))
        values = np.interp(np.arange(n) * (played / out_hz), np.arange(len(values)), values) if len(values) else values
    stream = io.BytesIO()
    soundfile.write(stream, np.clip(values, -1.0, 1.0), out_hz, format="WAV", subtype="PCM_16")
    return stream.getvalue()
