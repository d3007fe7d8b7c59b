"""Calibrator tones in pascals, and the WAV bytes of a chain of known sensitivity: independent of the program."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

RATE_HZ = 8000


def tone_pa(
    level_db: float,
    length_s: float,
    *,
    frequency_hz: float = 250.0,
    on_s: tuple[float, float] | None = None,
    noise_below_db: float = 60.0,
    seed: int = 1,
    rate_hz: int = RATE_HZ,
    phase: float = 0.7,
) -> np.ndarray:
    """A tone of an rms level (dB re 1 µPa) in white noise whose level lies below it; on from..to, else throughout."""
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    rms_pa = 10.0 ** (level_db / 20.0) * 1e-6
    tone = np.sqrt(2.0) * rms_pa * np.sin(2 * np.pi * frequency_hz * time_s + phase)
    if on_s is not None:
        tone *= (time_s >= on_s[0]) & (time_s < on_s[1])
    noise = np.random.default_rng(seed).normal(0.0, rms_pa * 10.0 ** (-noise_below_db / 20.0), time_s.size)
    return np.asarray(tone + noise)


def full_scale_pa(sensitivity_db: float) -> float:
    """Pascals of sample value 1.0 for an end-to-end sensitivity, dB re (full scale)/µPa."""
    return float(10.0 ** (-sensitivity_db / 20.0) * 1e-6)


def write_pcm_24(path: Path, channels: list[np.ndarray], rate_hz: int = RATE_HZ) -> None:
    """Samples (1.0 is full scale) as a 24-bit RIFF file by hand; beyond full scale they are clipped."""
    integers = np.clip(np.rint(np.stack(channels, axis=1) * 2**23), -(2**23), 2**23 - 1).astype("<i4")
    data = integers.reshape(-1, 1).view(np.uint8)[:, :3].tobytes()
    block = 3 * len(channels)
    shape = (1, len(channels), rate_hz, rate_hz * block, block, 24)
    header = struct.pack("<4sI4s4sI", b"RIFF", 36 + len(data) + len(data) % 2, b"WAVE", b"fmt ", 16)
    header += struct.pack("<HHIIHH", *shape) + struct.pack("<4sI", b"data", len(data))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(header + data + b"\0" * (len(data) % 2))
