"""Narrow-band spectra of seconds in which tonal lines are sought: kept of such work only, all other work costs nothing.

They are the Hann frames of 2 s that the continuous levels have anyway, one each second, up to 500 Hz (4 kB/s).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import activity_periods, period_numbers_at
from reconcile.recordings.streams import Channel, Stream
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.documents.campaign import Campaign

NARROW_TO_HZ = 500.0


@dataclass(frozen=True, slots=True)
class NarrowBand:
    """Power spectra of some seconds: `cells` (of the stream), mean square in Pa² of each bin, shape (cells, bins).

    Bins are `bin_hz` apart from 0 Hz on; over the bins of a line they sum to its mean square.
    """

    cells: NDArray[np.int64]
    bin_hz: float
    power: Samples


def no_spectra() -> NarrowBand:
    """Spectra of no seconds."""
    return NarrowBand(np.zeros(0, dtype=np.int64), 0.0, np.zeros((0, 0), dtype=np.float32))


def joint_spectra(found: Sequence[NarrowBand]) -> NarrowBand:
    """The spectra of several stretches of one stream, in their order."""
    some = [one for one in found if one.cells.size]
    if not some:
        return no_spectra()
    return NarrowBand(
        np.concatenate([one.cells for one in some]), some[0].bin_hz, np.concatenate([one.power for one in some])
    )


def with_tonal_cells(stream: Stream, campaign: Campaign) -> Stream:
    """A stream whose channels know in which seconds tonal lines are sought: those of methods in `tones_of`."""
    wanted = [p for p in activity_periods(campaign) if p.installation_method in campaign.settings.tones_of]
    if not wanted:
        return stream
    n_cells = -(-stream.n_samples // stream.rate_hz)
    middle = stream.recorder_us((np.arange(n_cells, dtype=np.float64) + 0.5) * stream.rate_hz)
    channels = []
    for channel in stream.channels:
        inside = period_numbers_at(tuple(wanted), channel.clock.utc_us(middle).astype(np.int64)) >= 0
        steps = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8))).tolist()
        channels.append(replace(channel, tonal_cells=tuple(zip(steps[::2], steps[1::2], strict=True))))
    return replace(stream, channels=tuple(channels))


def tonal_cells_within(channel: Channel, first: int, end: int) -> tuple[tuple[int, int], ...]:
    """A channel's stretches of such seconds, as far as they lie in [first, end)."""
    cut = ((max(first, a), min(end, b)) for a, b in channel.tonal_cells)
    return tuple((a, b) for a, b in cut if a < b)
