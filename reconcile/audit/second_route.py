"""Peak and exposure of one strike by a second, short route: straight from the samples and the definitions.

Nothing of the streaming path is used: files are decoded by libsndfile, the chain's formula and the full band's response
are written out here, and the filter is one multiplication in the frequency domain over some seconds of sound.
Differences of a thousandth of a decibel are rounding; where a low-pass or a sensitivity curve is at work they may reach
a hundredth or two, because its shape between the stated points is not part of the definition.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import soundfile

from reconcile.audit.at_hand import AtHand
from reconcile.audit.strike_rows import BEFORE_RISE_S, Row, Strike, file_starts
from reconcile.campaign.stored_files import open_stored
from reconcile.vocabulary.documents.campaign import System
from reconcile.vocabulary.quantities import FloatArray

_QUIET_S, _QUIET_GAP_S, _LEAST_QUIET_S = 0.200, 0.050, 0.050
_AROUND_S = 4.0  # of sound on either side, for the filters
_LOW_PASS_BELOW = 0.4  # of the sampling rate


class NoSamplesError(Exception):
    """The samples of a strike cannot be read; the text is the reason."""


@dataclass(frozen=True, slots=True)
class StrikeSamples:
    """The sound of one strike at one station. Sample numbers count within `pressure_pa`.

    `by_chain_pa`: pressure by the chain (and its sensitivity curve) alone; `pressure_pa`: that of the full band.
    `window` and `quiet` are first and last sample (exclusive) of the pulse interval and of the background before it,
    `quiet` None where too short.
    """

    rate_hz: int
    by_chain_pa: FloatArray
    pressure_pa: FloatArray
    window: tuple[int, int]
    quiet: tuple[int, int] | None

    @property
    def peak_pa(self) -> float:
        """Largest absolute pressure in the window."""
        return float(np.abs(self.pressure_pa[slice(*self.window)]).max())

    @property
    def noise_pa2(self) -> float | None:
        """Mean square of the background; None where it is too short."""
        return None if self.quiet is None else float(np.mean(self.pressure_pa[slice(*self.quiet)] ** 2))

    @property
    def exposure_pa2_s(self) -> float:
        """Exposure of the window as it is."""
        return float(np.sum(self.pressure_pa[slice(*self.window)] ** 2) / self.rate_hz)

    @property
    def cumulated_pa2_s(self) -> FloatArray:
        """Exposure gained up to each sample of the window, the background's share subtracted."""
        gained = self.pressure_pa[slice(*self.window)] ** 2 - (self.noise_pa2 or 0.0)
        return np.cumsum(gained) / self.rate_hz

    @property
    def subtracted_pa2_s(self) -> float:
        """Exposure of the window less the background's share."""
        return float(self.cumulated_pa2_s[-1])

    @property
    def energy_times_s(self) -> tuple[float, float] | None:
        """When 5 % of that exposure has come (first), and 95 % (last), from the window's start; None without any."""
        share = self.cumulated_pa2_s / self.subtracted_pa2_s if self.subtracted_pa2_s > 0 else None
        if share is None:
            return None
        first = int(np.argmax(share >= 0.05))
        last = int(np.flatnonzero(share <= 0.95)[-1]) + 1
        return (first + 1) / self.rate_hz, (last + 1) / self.rate_hz


def read_samples(strike: Strike, row: Row, hand: AtHand) -> StrikeSamples:
    """Read and filter the sound around a strike at one station. Raises NoSamplesError where it cannot be read."""
    position, stream = strike.position(row), strike.stream(row)
    if position is None or stream is None or row["window_s"] is None:
        raise NoSamplesError("the row names no samples")
    entry = next((e for e in strike.manifest.recordings if e.recording == row["recording"]), None)
    if entry is None:
        raise NoSamplesError("the manifest does not name its recording")
    rate, period = entry.rate_hz, strike.period(row)
    start, end = position, position + round(row["window_s"] * rate)
    around = round(_AROUND_S * rate)
    values, first = _stretch(strike, row, hand, (start - around, end + around), period.channel - 1)
    factor = pascals_per_unit(period.system) * 10.0 ** (strike.correction_db(row) / 20.0)
    pressure = values * factor
    if period.system.sensitivity_curve:
        pressure = _filtered(pressure, rate, lambda f: _curve_gain(f, period.system))
    return StrikeSamples(
        rate_hz=rate,
        by_chain_pa=pressure,
        pressure_pa=_filtered(pressure, rate, lambda f: _full_band_gain(f, rate, period.system)),
        window=(start - first, min(end - first, len(values))),
        quiet=_quiet(strike, row, start, rate, first),
    )


def pascals_per_unit(system: System) -> float:
    """Pascals of the sample value 1.0, by the formula of docs/method.md."""
    if system.end_to_end_sensitivity_db is not None:
        return float(1e-6 / 10.0 ** (system.end_to_end_sensitivity_db / 20.0))
    volts, gain, sensitivity = system.full_scale_v or 0.0, system.gain_db or 0.0, system.sensitivity_db or 0.0
    return float(volts / 10.0 ** (gain / 20.0) / 10.0 ** (sensitivity / 20.0) * 1e-6)


def _stretch(strike: Strike, row: Row, hand: AtHand, wanted: tuple[int, int], channel: int) -> tuple[FloatArray, int]:
    """Sample values of one channel between two positions of a stream, as far as there are any, and the first's."""
    stream = strike.stream(row)
    frames = {entry.recording: entry.frames for entry in strike.manifest.recordings}
    pieces, first = [], None
    for name, at in file_starts(strike.manifest, stream).items() if stream else ():
        start, end = max(wanted[0] - at, 0), min(wanted[1] - at, frames.get(name, 0))
        if start < end:
            pieces.append(_file_values(hand, name, start, end, channel))
            first = at + start if first is None else first
    if first is None:
        raise NoSamplesError("the recordings do not reach there")
    return np.concatenate(pieces), first


def _file_values(hand: AtHand, name: str, start: int, end: int, channel: int) -> FloatArray:
    file = hand.input_file(name)
    if file is None:
        raise NoSamplesError(f"{name} is not at hand")
    try:
        with open_stored(file) as stream, soundfile.SoundFile(stream) as sound:
            sound.seek(start)
            values = sound.read(end - start, dtype="float64", always_2d=True)[:, channel]
    except (OSError, RuntimeError, IndexError) as error:
        raise NoSamplesError(f"{name} cannot be read: {error}") from error
    if len(values) < end - start:
        raise NoSamplesError(f"{name} holds {len(values)} of {end - start} samples from {start} on")
    return np.where(np.isfinite(values), values, 0.0)


def _filtered(pressure_pa: FloatArray, rate_hz: int, gain: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """The pressure with a gain at each frequency, zero phase; before and after, the sound is taken to stand still."""
    pad = round(_AROUND_S * rate_hz)
    padded = np.pad(pressure_pa, pad, mode="edge")
    frequency_hz = np.asarray(np.fft.rfftfreq(len(padded), 1.0 / rate_hz), dtype=np.float64)
    spectrum = np.fft.rfft(padded) * gain(frequency_hz)
    return np.asarray(np.fft.irfft(spectrum, len(padded))[pad : pad + len(pressure_pa)])


def _full_band_gain(f: FloatArray, rate_hz: int, system: System) -> FloatArray:
    high_pass = f**2 / np.sqrt(f**4 + system.valid_from_hz**4)
    if system.valid_to_hz is None or system.valid_to_hz >= _LOW_PASS_BELOW * rate_hz:
        return np.asarray(high_pass)
    fall = (f - 0.8856 * system.valid_to_hz) / (0.3144 * system.valid_to_hz)
    return np.asarray(high_pass * np.cos(np.pi / 2 * np.clip(fall, 0.0, 1.0)) ** 2)  # 3 dB at valid_to, 0 at 1.2 of it


def _curve_gain(f: FloatArray, system: System) -> FloatArray:
    """What makes up for a sensitivity curve: linear in dB over log frequency, held at its ends."""
    at_hz, sensitivity_db = np.array(system.sensitivity_curve).T
    curve_db = np.interp(np.log(np.maximum(f, 1e-6)), np.log(at_hz), sensitivity_db)
    return np.asarray(10.0 ** (((system.sensitivity_db or 0.0) - curve_db) / 20.0))


def _quiet(strike: Strike, row: Row, start: int, rate_hz: int, first: int) -> tuple[int, int] | None:
    """The 200 ms that end 50 ms before the rise, not reaching into the first half of the time since the rise before."""
    rise = start + round(BEFORE_RISE_S * rate_hz)
    end = rise - round(_QUIET_GAP_S * rate_hz)
    begin = end - round(_QUIET_S * rate_hz)
    before = strike.heard_before(row)
    if before is not None:
        begin = max(begin, (before + round(BEFORE_RISE_S * rate_hz) + rise) // 2)
    begin = max(begin, first)
    return (begin - first, end - first) if end - begin >= round(_LEAST_QUIET_S * rate_hz) else None
