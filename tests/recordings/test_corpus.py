"""A corpus of odd WAV files from other projects' tests, read where it lies beside the project; skipped where absent."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import soundfile

from reconcile.recordings.blocks import ReadingReport, pressure_blocks
from reconcile.recordings.wav import UnusableRecordingError, open_recording
from tests.recordings.reading import samples_of, stream_of

CORPUS = Path(__file__).resolve().parents[3] / "shared" / "wav-corpus"
MANIFEST = CORPUS / "manifest.csv"
ROWS = list(csv.DictReader(MANIFEST.open(encoding="utf-8"))) if MANIFEST.exists() else []

pytestmark = pytest.mark.skipif(not ROWS, reason="the corpus is not there")


def outcomes(expected: str) -> set[str]:
    """What the manifest allows: its words `READ`, `READ_WARN`, `REFUSE`."""
    words = expected.replace("(", " ").replace(")", " ").replace(",", " ").split()
    return {word for word in words if word in ("READ", "READ_WARN", "REFUSE")}


@pytest.mark.parametrize("row", ROWS, ids=[row["file"] for row in ROWS])
def test_as_the_manifest_says(row: dict[str, str]) -> None:
    path, allowed = CORPUS / row["file"], outcomes(row["expected_behaviour"])
    assert allowed
    if "REFUSE" in allowed:
        try:
            open_recording(path, row["file"])
        except UnusableRecordingError:
            return
    recording = open_recording(path, row["file"])
    warned = bool(recording.shortfall or recording.oddities)
    assert ("READ_WARN" if warned else "READ") in allowed, (recording.shortfall, recording.oddities)
    numbers = ("frames", "channels", "rate_hz", "container_bits", "valid_bits")
    form = recording.sample_format
    found = (recording.n_frames, recording.n_channels, recording.rate_hz, form.container_bits, form.valid_bits)
    assert found == tuple(int(row[column]) for column in numbers)
    samples = samples_of(recording)
    blocks = pressure_blocks(stream_of(recording, *range(recording.n_channels)), 0, 0.01, ReadingReport())
    np.testing.assert_array_equal(np.concatenate([block.pressure_pa for block in blocks], axis=1), samples)
    if recording.name != "taglib__zero-size-chunk.wav":  # libsndfile finds no sample where the size is 0
        expected = soundfile.read(path, dtype="float32", always_2d=True)[0].T
        np.testing.assert_array_equal(samples[:, : expected.shape[1]], expected[:, : samples.shape[1]])
        assert expected.shape[1] == samples.shape[1]


@pytest.mark.parametrize(
    ("file", "word"),
    [
        ("taglib__alaw.wav", "A-law"),
        ("mm__gsm610.wav", "GSM 6.10"),
        ("scipy__test-8000Hz-be-3ch-5S-24bit.wav", "RIFX"),
        ("scipy__test-8000Hz-le-3ch-5S-24bit-inconsistent.wav", "block align of 4 bytes"),
    ],
)
def test_refused_by_name(file: str, word: str) -> None:
    with pytest.raises(UnusableRecordingError, match=word):
        open_recording(CORPUS / file, file)


@pytest.mark.parametrize(
    ("file", "shortfall"),
    [
        ("lsf__seed-01.wav", "declares 338688 frames, holds 1809"),  # 1354752 bytes in frames of 4
        ("lsf__seed-02.wav", "declares 26240 frames, holds 650"),  # 157440 bytes in frames of 6
        ("mm__issue-819.wav", "declares 2147483597 frames, holds 2478"),
        ("mm__odd-list-type.wav", "declares 8250520 frames, holds 3"),
    ],
)
def test_what_was_declared_and_what_is_there(file: str, shortfall: str) -> None:
    assert open_recording(CORPUS / file, file).shortfall == shortfall
