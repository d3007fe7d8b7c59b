"""Parts on disk: what one stretch of a stream gave, so that nothing is read twice.

A part is a folder under RESULTS/parts, named by a digest of all that it depends on: the recordings (name, size,
modification time; of objects in storage the ETag), the channels with their calibration, the settings that reach the
samples, and the code that does the work. It is written under a temporary name and takes its own when it is whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, astuple, dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from reconcile.campaign.stored_files import identity
from reconcile.recordings.streams import Channel, Stream
from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.channel_path import Pulse
from reconcile.strikes.detection import Rise
from reconcile.strikes.pulses import pulse_table, seconds_table
from reconcile.strikes.stream_analysis import Part
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.documents.campaign import Settings
from reconcile.vocabulary.errors import MachineError

_PACKAGE = Path(__file__).resolve().parent.parent
_CODE = (
    "campaign/remote_files.py",
    "recordings/*.py",
    "strikes/ticks.py",
    "strikes/full_band.py",
    "strikes/band_levels.py",
    "strikes/octaves.py",
    "strikes/matched_filter.py",
    "strikes/detection.py",
    "strikes/levels.py",
    "strikes/sample_faults.py",
    "strikes/flat_tops.py",
    "strikes/quality.py",
    "strikes/quality_path.py",
    "strikes/channel_path.py",
    "strikes/stream_analysis.py",
    "strikes/pulses.py",
    "vocabulary/decidecades.py",
    "vocabulary/weightings.py",
)


@cache
def code_digest() -> str:
    """Digest of the code between samples and parts: another version of it does not reuse an older one's parts."""
    digest = hashlib.sha256()
    for pattern in _CODE:
        for path in sorted(_PACKAGE.glob(pattern)):
            digest.update(path.read_bytes())
    return digest.hexdigest()


def part_key(stream: Stream, settings: Settings, first_cell: int) -> str:
    """Name of the part that begins at `first_cell` of a stream."""
    files = []
    for segment in stream.segments:
        recording = segment.recording
        files.append((recording.name, *identity(recording.path), segment.first_frame, segment.n_frames, segment.at))
    content = {
        "code": code_digest(),
        "files": files,
        "rate_hz": stream.rate_hz,
        "start_us": stream.start_us,
        "channels": [asdict(channel) for channel in stream.channels],
        "weightings": settings.weightings,
        "window_max_s": settings.window_max_s,
        "first_cell": first_cell,
    }
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:32]


def asked_key(part: str, asked: Mapping[int, Sequence[Rise]]) -> str:
    """Name under which strikes are kept that were asked for in a part (by number of the channel)."""
    rises = {number: [astuple(rise) for rise in of] for number, of in sorted(asked.items())}
    return hashlib.sha256(json.dumps([part, rises]).encode()).hexdigest()[:32]


@dataclass(frozen=True, slots=True)
class PartStore:
    """The parts of a results folder."""

    folder: Path

    def has(self, key: str) -> bool:
        """Whether a part is there, whole."""
        return (self.folder / key).is_dir()

    def write(self, key: str, part: Part, stream: Stream, settings: Settings, damaged: dict[str, str]) -> None:
        """Keep a part: pulses, seconds and energies of ticks of each channel, and what could not be read."""
        with self._new(key) as folder:
            for number, channel in enumerate(stream.channels):
                for kind, table in zip(("pulses", "seconds"), _tables(part, stream, channel, settings), strict=True):
                    pq.write_table(table, folder / f"{number}.{kind}.parquet", compression="zstd")
                energies = [e for e in part.energies if e.station_id == channel.station_id]
                np.save(folder / f"{number}.ticks.npy", np.concatenate([e.mean_square for e in energies]))
                np.save(folder / f"{number}.octaves.npy", np.concatenate([e.octaves for e in energies], axis=1))
            (folder / "damaged.json").write_text(json.dumps(damaged), encoding="utf-8")

    def write_asked(
        self,
        key: str,
        pulses: Sequence[Pulse],
        asked: Mapping[int, Sequence[Rise]],
        stream: Stream,
        settings: Settings,
        damaged: dict[str, str],
    ) -> None:
        """Keep the pulses of strikes that were asked for, with the tick of each as `asked_tick`."""
        with self._new(key) as folder:
            for number, rises in asked.items():
                channel = stream.channels[number]
                own = [p for p in pulses if p.station_id == channel.station_id]
                table = pulse_table(own, stream, channel, bands_of(channel, stream.rate_hz), settings.weightings)
                ticks = np.array([rise.peak_tick for rise in sorted(rises)], dtype=np.int64)
                table = table.append_column("asked_tick", pa.array(ticks))
                pq.write_table(table, folder / f"{number}.pulses.parquet", compression="zstd")
            (folder / "damaged.json").write_text(json.dumps(damaged), encoding="utf-8")

    @contextmanager
    def _new(self, key: str) -> Iterator[Path]:
        """A folder that takes its name when it is whole."""
        temporary, target = self.folder / f".{key}.{os.getpid()}", self.folder / key
        try:
            temporary.mkdir(parents=True, exist_ok=True)
            yield temporary
            if target.exists():
                shutil.rmtree(target)
            os.replace(temporary, target)
        except OSError as error:
            raise MachineError(str(target), error.strerror or str(error)) from error
        finally:
            shutil.rmtree(temporary, ignore_errors=True)  # not there any more where all went well

    def pulses(self, key: str, channel: int) -> pd.DataFrame:
        """Pulses of one channel of a part."""
        return _frame(pq.read_table(self.folder / key / f"{channel}.pulses.parquet"))

    def seconds(self, key: str, channel: int) -> pd.DataFrame:
        """Seconds of one channel of a part."""
        return _frame(pq.read_table(self.folder / key / f"{channel}.seconds.parquet"))

    def energies(self, key: str, channel: int) -> tuple[Samples, Samples]:
        """Energies of one channel of a part, left on disk: 1 ms mean squares, and the octaves of each 5 ms."""
        folder = self.folder / key
        ticks: Samples = np.load(folder / f"{channel}.ticks.npy", mmap_mode="r")
        octaves: Samples = np.load(folder / f"{channel}.octaves.npy", mmap_mode="r")
        return ticks, octaves

    def damaged(self, key: str) -> dict[str, str]:
        """Recordings that broke off while the part was read."""
        return dict(json.loads((self.folder / key / "damaged.json").read_text(encoding="utf-8")))

    def keep_only(self, keys: Sequence[str]) -> None:
        """Remove parts that no stream needs any more."""
        wanted = set(keys)
        for path in self.folder.iterdir() if self.folder.is_dir() else ():
            if path.name not in wanted:
                shutil.rmtree(path, ignore_errors=True)


def _frame(table: pa.Table) -> pd.DataFrame:
    frame: pd.DataFrame = table.to_pandas()
    return frame


def _tables(part: Part, stream: Stream, channel: Channel, settings: Settings) -> tuple[pa.Table, pa.Table]:
    bands = bands_of(channel, stream.rate_hz)
    pulses = [p for p in part.pulses if p.station_id == channel.station_id]
    seconds = [s for s in part.seconds if s.station_id == channel.station_id]
    return (
        pulse_table(pulses, stream, channel, bands, settings.weightings),
        seconds_table(seconds, stream, channel, bands, settings.weightings),
    )
