"""Float32 against float64: the same code, run once more in a process in which numpy's float32 is its float64."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.strikes.signals import strikes_in_noise

RATE, SECONDS = 48_000, 40
FULL_SCALE_PA = 2000.0
PEAK_DB = WEIGHTED_DB = EXPOSURE_DB = 1e-5
BAND_DB, WITHIN_DB = 1e-4, 70.0

MEASURE = """
import sys
import numpy
if sys.argv[3] == "float64":
    numpy.float32 = numpy.float64
import numpy as np
from pathlib import Path
from reconcile.recordings.blocks import ReadingReport
from reconcile.recordings.clock import StationClock
from reconcile.recordings.streams import Channel, Segment, Stream
from reconcile.recordings.wav import open_recording
from reconcile.strikes.stream_analysis import analyse_stream
from reconcile.vocabulary.documents.campaign import Settings
recording = open_recording(Path(sys.argv[1]), "r.wav")
channel = Channel("S1", "H1", 0, 2000.0, 10.0, 0.45 * recording.rate_hz, StationClock(0, 0.0, 0.0))
stream = Stream((Segment(recording, 0, recording.n_frames, 0),), recording.rate_hz, 0, (channel,))
parts = list(analyse_stream(stream, Settings(weightings=("nmfs-2024:LF", "nmfs-2024:VHF")), ReadingReport()))
pulses = [p for part in parts for p in part.pulses]
seconds = [s for part in parts for s in part.seconds]
np.savez(
    sys.argv[2],
    start=[p.start_sample for p in pulses],
    peak=[p.measure.peak_pa**2 for p in pulses],
    exposure=[p.measure.energy_pa2_s for p in pulses],
    weighted=[p.weighted_energy for p in pulses],
    bands=[p.band_energy for p in pulses],
    second=np.concatenate([s.mean_square for s in seconds]),
    second_weighted=np.concatenate([s.weighted for s in seconds]),
    second_bands=np.concatenate([s.bands for s in seconds]),
)
"""


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    folder = tmp_path_factory.mktemp("precision")
    sound = strikes_in_noise(SECONDS, RATE, 11)
    soundfile.write(folder / "r.wav", sound / FULL_SCALE_PA, RATE, subtype="PCM_24")
    return _measured(folder, "float32"), _measured(folder, "float64")


def _measured(folder: Path, kind: str) -> dict[str, np.ndarray]:
    target = folder / f"{kind}.npz"
    words = [sys.executable, "-c", MEASURE, str(folder / "r.wav"), str(target), kind]
    subprocess.run(words, check=True, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"})
    return dict(np.load(target))


def _difference_db(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return np.abs(10.0 * np.log10(one / other))


@pytest.mark.parametrize(
    ("name", "limit_db"),
    [
        ("peak", PEAK_DB),
        ("exposure", EXPOSURE_DB),
        ("weighted", WEIGHTED_DB),
        ("second", EXPOSURE_DB),
        ("second_weighted", WEIGHTED_DB),
    ],
)
def test_levels(both: tuple[dict[str, np.ndarray], dict[str, np.ndarray]], name: str, limit_db: float) -> None:
    single, double = both
    assert np.array_equal(single["start"], double["start"])
    assert len(single["start"]) > 25
    assert 0.0 < np.nanmax(_difference_db(single[name], double[name])) < limit_db


@pytest.mark.parametrize("name", ["bands", "second_bands"])
def test_bands_within_70_db(both: tuple[dict[str, np.ndarray], dict[str, np.ndarray]], name: str) -> None:
    single, double = (found[name] for found in both)
    near = double > double.max(axis=1, keepdims=True) * 10.0 ** (-WITHIN_DB / 10.0)
    assert np.count_nonzero(near) > near.size / 2
    assert _difference_db(single[near], double[near]).max() < BAND_DB
