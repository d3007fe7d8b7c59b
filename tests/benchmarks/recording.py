"""A generated recording of piling, and the campaign folder around it: for benchmarks only."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

RATE_HZ = 96_000
STRIKE_EVERY_S = 1.2
_BLOCK_S = 10
_MODES_HZ = (80, 130, 190, 260, 410, 630, 1150, 2300, 5200)

_TOML = """\
format_version = 1
[campaign]
name = "Benchmark"
sound_speed_m_s = 1500.0
[[systems]]
id = "H"
end_to_end_sensitivity_db = -170.0
standard_uncertainty_db = 0.7
"""
_STATION = """\
[[stations]]
id = "C{channel}"
system = "H"
channel = {channel}
recordings = "recordings/*.wav"
time_pattern = "A_%Y%m%dT%H%M%S"
"""
_PILES = """\
pile_id,foundation_type,installation_method,diameter_m,water_depth_m,latitude_deg,longitude_deg,rated_energy_kj,\
abatement,start_utc,end_utc,prediction_id
P,monopile,impact,8,30,,,3000,none,2025-05-01T08:00:00Z,2025-05-01T23:00:00Z,
"""


def strike(rng: np.random.Generator) -> np.ndarray:
    """Damped modes with a fast rise, half a second, largest sample 1."""
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    sound = np.zeros(time_s.size)
    for frequency in _MODES_HZ:
        decay = np.exp(-time_s * 6.0 * (frequency / 50.0) ** 0.6)
        phase = 2.0 * np.pi * frequency * time_s + rng.uniform(0.0, 0.3)
        sound += (100.0 / frequency) ** 0.4 * decay * np.sin(phase)
    sound *= 1.0 - np.exp(-time_s / 0.0004)
    return np.asarray(sound / np.abs(sound).max())


def write_campaign(folder: Path, minutes: float, channels: int = 1, curve: bool = False) -> Path:
    """A campaign with one recording (24 bit, 96 kHz): strikes some 60 dB above the ambient, an offset, a swell.

    Returns the recording. With `curve` the chain has a sensitivity curve.
    """
    (folder / "recordings").mkdir(parents=True)
    stations = "".join(_STATION.format(channel=c + 1) for c in range(channels))
    system = _TOML
    if curve:
        (folder / "calibration").mkdir()
        points = "frequency_hz,sensitivity_db\n10,-171\n1000,-170\n40000,-167\n"
        (folder / "calibration" / "H.csv").write_text(points, encoding="utf-8")
        stages = 'sensitivity_db = -170.0\ngain_db = 0.0\nfull_scale_v = 1.0\nsensitivity_curve = "calibration/H.csv"'
        system = _TOML.replace("end_to_end_sensitivity_db = -170.0", stages)
    (folder / "campaign.toml").write_text(system + stations, encoding="utf-8")
    (folder / "piles.csv").write_text(_PILES, encoding="utf-8")
    ranges = "".join(f"P,C{c + 1},750,5\n" for c in range(channels))
    (folder / "ranges.csv").write_text(f"pile_id,station_id,range_m,standard_uncertainty_m\n{ranges}", encoding="utf-8")
    path = folder / "recordings" / "A_20250501T080000.wav"
    _write_recording(path, minutes, channels)
    return path


def _write_recording(path: Path, minutes: float, channels: int) -> None:
    rng = np.random.default_rng(1)
    n_samples = round(minutes * 60 * RATE_HZ)
    base = strike(rng)
    times = np.arange(0.7, n_samples / RATE_HZ - 1.0, STRIKE_EVERY_S)
    starts = ((times + rng.uniform(-0.05, 0.05, times.size)) * RATE_HZ).astype(np.int64)
    gains = 0.35 * (1.0 + 0.15 * rng.standard_normal(starts.size))
    tail, state, struck = np.zeros(base.size), np.zeros(1), 0
    with wave.open(str(path), "wb") as out:
        out.setnchannels(channels)
        out.setsampwidth(3)
        out.setframerate(RATE_HZ)
        for first in range(0, n_samples, _BLOCK_S * RATE_HZ):
            n = min(_BLOCK_S * RATE_HZ, n_samples - first)
            noise, state = lfilter([1.0], [1.0, -0.98], 5e-5 * rng.standard_normal(n), zi=state)
            sound = np.concatenate([noise, np.zeros(base.size)])
            sound[: tail.size] += tail
            while struck < starts.size and starts[struck] < first + n:
                at = starts[struck] - first
                sound[at : at + base.size] += gains[struck] * base
                struck += 1
            tail = sound[n:].copy()
            swell = 0.003 + 0.02 * np.sin(2 * np.pi * 0.3 * (first + np.arange(n)) / RATE_HZ)
            mono = sound[:n] + swell
            frames = np.stack([mono * 0.9**c for c in range(channels)], axis=1)
            integers = np.rint(frames * 2**23).astype("<i4")
            out.writeframesraw(integers.reshape(-1, 1).view(np.uint8)[:, :3].tobytes())
