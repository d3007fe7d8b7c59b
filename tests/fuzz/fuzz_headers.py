"""A longer, coverage-guided run over the headers of recordings, outside the gate; needs `pip install atheris`.

    python -m tests.fuzz.fuzz_headers [FOLDER OF SEEDS] -max_total_time=600 -max_len=4096

The folder keeps what reached new code, so that a later run goes on from there. Whatever the bytes are, a recording or a
refusal must come out, and every frame that was promised must be readable; anything else ends the run and leaves the
bytes in a file `crash-...`. The good files that mutations start from are written into the folder first.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

try:
    import atheris
except ImportError:
    sys.exit("atheris is not installed: pip install atheris")

with atheris.instrument_imports(include=["reconcile.recordings"]):
    from reconcile.recordings import bext, blocks, flac, pcm, recording, riff, wav, wav_format  # noqa: F401
    from tests.recordings.test_header_fuzz import WHOLE, survives
from tests.recordings.wav_bytes import FLOAT, PCM, chunk, fmt
from tests.recordings.wav_bytes import riff as whole_riff


def seeds() -> list[bytes]:
    """Small good files of several forms."""
    files = [
        WHOLE,
        whole_riff(fmt(FLOAT, 64), chunk(b"data", bytes(80))),
        whole_riff(fmt(PCM, 8, 3), chunk(b"data", bytes(9))),
    ]
    samples = np.random.default_rng(8).standard_normal(300) * 0.1
    for form, subtype in (("FLAC", "PCM_16"), ("FLAC", "PCM_24"), ("WAVEX", "PCM_32"), ("RF64", "FLOAT")):
        out = io.BytesIO()
        soundfile.write(out, samples, 8000, format=form, subtype=subtype)
        files.append(out.getvalue())
    return files


def main() -> None:
    arguments = sys.argv[1:]
    folder = Path(next((a for a in arguments if not a.startswith("-")), "") or tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    for number, content in enumerate(seeds()):
        (folder / f"seed{number}").write_bytes(content)
    place = Path(tempfile.mkdtemp()) / "a.wav"
    options = [a for a in arguments if a.startswith("-")]
    atheris.Setup([sys.argv[0], str(folder), *options], lambda content: survives(place, content) and None)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
