"""All samples of a recording, and a stream of one recording: for the tests of this room."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.clock import StationClock
from reconcile.recordings.streams import Channel, Segment, Stream
from reconcile.recordings.wav import Recording, decoder


def samples_of(recording: Recording) -> NDArray[np.float32]:
    """Every sample of every channel, shape (channels, frames); fails where there are fewer than the header promises."""
    out = np.full((recording.n_channels, recording.n_frames), np.nan, dtype=np.float32)
    with decoder(recording, range(recording.n_channels)) as source:
        assert source.read(0, out) == recording.n_frames
    return out


def stream_of(recording: Recording, *channels: int) -> Stream:
    """A stream of a whole recording in which the sample value 1.0 is 1 Pa; channels count from 0."""
    clock = StationClock(0, 0.0, 0.0)
    used = tuple(Channel(f"S{c}", "H", c, 1.0, 10.0, 0.45 * recording.rate_hz, clock) for c in channels or (0,))
    return Stream((Segment(recording, 0, recording.n_frames, 0),), recording.rate_hz, 0, used)
