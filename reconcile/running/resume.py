"""Parts on disk: what one stretch of a stream gave, so that nothing is read twice.

A part is a folder under RESULTS/parts, named by a digest of all that it depends on: the recordings (name, size,
modification time; of objects in storage the ETag), the channels with their calibration, the settings that reach the
samples, and the code that does the work. It is written under a temporary name and takes its own when it is whole.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, astuple, dataclass
from functools import cache
from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.streams import Channel, Stream
from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.channel_results import Pulse
from reconcile.strikes.detection import Rise
from reconcile.strikes.narrow_band import NarrowBand, joint_spectra, no_spectra, tonal_cells_within
from reconcile.strikes.pulses import Columns, pulse_columns, second_columns
from reconcile.strikes.stream_analysis import PART_CELLS, Part
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.documents.campaign import Settings
from reconcile.vocabulary.errors import MachineError

if TYPE_CHECKING:
    import pandas as pd

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
    "strikes/between_samples.py",
    "strikes/levels.py",
    "strikes/sample_faults.py",
    "strikes/flat_tops.py",
    "strikes/moments.py",
    "strikes/narrow_band.py",
    "strikes/quality.py",
    "strikes/quality_path.py",
    "strikes/frames.py",
    "strikes/strike_spectra.py",
    "strikes/channel_results.py",
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


def check_code(digest: str) -> None:
    """Raise MachineError where this process has other code than the one that started the run.

    The program was changed meanwhile, or a worker of a cluster has another version of it.
    """
    if code_digest() != digest:
        reason = "is not the code that started this run: changed meanwhile, or another version on a worker"
        raise MachineError(str(_PACKAGE), f"{reason} (the same command goes on from there)")


def part_key(stream: Stream, settings: Settings, first_cell: int) -> str:
    """Name of the part that begins at `first_cell` of a stream."""
    files = []
    for segment in stream.segments:
        recording = segment.recording
        files.append((recording.name, *recording.identity, segment.first_frame, segment.n_frames, segment.at))
    content = {
        "code": code_digest(),
        "files": files,
        "rate_hz": stream.rate_hz,
        "start_us": stream.start_us,
        "channels": [
            asdict(channel) | {"tonal_cells": tonal_cells_within(channel, first_cell, first_cell + PART_CELLS)}
            for channel in stream.channels
        ],
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
class StreamParts:
    """A stream and those of its parts that are on disk: first cells and keys."""

    stream: Stream
    starts: tuple[int, ...]
    keys: tuple[str, ...]


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
                for kind, columns in _columns(part, stream, channel, settings).items():
                    np.save(folder / f"{number}.{kind}.npy", _records(columns))
                energies = [e for e in part.energies if e.station_id == channel.station_id]
                np.save(folder / f"{number}.ticks.npy", np.concatenate([e.mean_square for e in energies]))
                np.save(folder / f"{number}.octaves.npy", np.concatenate([e.octaves for e in energies], axis=1))
                narrow = joint_spectra([s.narrow for s in part.seconds if s.station_id == channel.station_id])
                if narrow.cells.size:
                    np.savez(folder / f"{number}.narrow.npz", **asdict(narrow))
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
                columns = pulse_columns(own, stream, channel, bands_of(channel, stream.rate_hz), settings.weightings)
                columns["asked_tick"] = np.array([rise.peak_tick for rise in sorted(rises)], dtype=np.int64)
                np.save(folder / f"{number}.pulses.npy", _records(columns))
            (folder / "damaged.json").write_text(json.dumps(damaged), encoding="utf-8")

    @contextmanager
    def _new(self, key: str) -> Iterator[Path]:
        """A folder that takes its name when it is whole."""
        temporary, target = self.folder / f".{key}.{token_hex(8)}", self.folder / key  # of any process of any machine
        try:
            temporary.mkdir(parents=True)
            yield temporary
            os.replace(temporary, target)
        except OSError as error:
            if not (target.is_dir() and error.errno in (errno.ENOTEMPTY, errno.EEXIST)):  # another was quicker
                raise MachineError(str(target), error.strerror or str(error)) from error
        finally:
            shutil.rmtree(temporary, ignore_errors=True)  # not there any more where all went well

    def pulses(self, key: str, channel: int) -> pd.DataFrame:
        """Pulses of one channel of a part."""
        return _frame(self.folder / key / f"{channel}.pulses.npy")

    def seconds(self, key: str, channel: int) -> pd.DataFrame:
        """Seconds of one channel of a part."""
        return _frame(self.folder / key / f"{channel}.seconds.npy")

    def energies(self, key: str, channel: int) -> tuple[Samples, Samples]:
        """Energies of one channel of a part, left on disk: 1 ms mean squares, and the octaves of each 5 ms."""
        folder = self.folder / key
        ticks: Samples = np.load(folder / f"{channel}.ticks.npy", mmap_mode="r")
        octaves: Samples = np.load(folder / f"{channel}.octaves.npy", mmap_mode="r")
        return ticks, octaves

    def narrow_band(self, key: str, channel: int) -> NarrowBand:
        """Spectra of the seconds of one channel of a part in which tonal lines are sought; of none, where none are."""
        path = self.folder / key / f"{channel}.narrow.npz"
        if not path.exists():
            return no_spectra()
        with np.load(path) as kept:
            return NarrowBand(kept["cells"], float(kept["bin_hz"]), kept["power"])

    def damaged(self, key: str) -> dict[str, str]:
        """Recordings that broke off while the part was read."""
        return dict(json.loads((self.folder / key / "damaged.json").read_text(encoding="utf-8")))

    def keep_only(self, keys: Sequence[str]) -> None:
        """Remove parts that no stream needs any more."""
        wanted = set(keys)
        for path in self.folder.iterdir() if self.folder.is_dir() else ():
            if path.name not in wanted:
                shutil.rmtree(path, ignore_errors=True)


def _records(columns: Columns) -> NDArray[np.void]:
    """Columns as one array of records."""
    records = np.empty(len(columns["station_id"]), dtype=[(name, values.dtype) for name, values in columns.items()])
    for name, values in columns.items():
        records[name] = values
    return records


def _frame(path: Path) -> pd.DataFrame:
    import pandas as pd  # not what the processes that read recordings need

    records = np.load(path)
    return pd.DataFrame({name: np.ascontiguousarray(records[name]) for name in records.dtype.names})


def _columns(part: Part, stream: Stream, channel: Channel, settings: Settings) -> dict[str, Columns]:
    """Pulses and seconds of one channel of a part."""
    bands = bands_of(channel, stream.rate_hz)
    pulses = [p for p in part.pulses if p.station_id == channel.station_id]
    seconds = [s for s in part.seconds if s.station_id == channel.station_id]
    return {
        "pulses": pulse_columns(pulses, stream, channel, bands, settings.weightings),
        "seconds": second_columns(seconds, stream, channel, bands, settings.weightings),
    }
